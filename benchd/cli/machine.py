"""`benchd machine`: the page of a machine, from its file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchd.core.specs import MachineSpec


@click.command("machine", short_help="Show a machine's circuit, its limits, and where the meters go.")
@click.argument("spec", metavar="MACHINE")
@click.option("--output", "-o", metavar="FILE", help="Write it as FILE.pdf or FILE.html instead.")
def command(spec: str, output: str | None) -> None:
    """Show the page of a machine (a file, or the name of one): its circuit as its file tells it, what the manual asks
    for and where that stands, where the meters of each run go, what to beware of.

    \b
    Examples:
      benchd machine hollin-t18
      benchd machine hollin-t18 --output hollin.pdf
    """
    from benchd import config, registry
    from benchd.cli.common import say
    from benchd.plaintext import harmless
    from benchd.visits import papers

    if output is not None:
        papers.format_of(output)
    path = config.find_file(spec, "machine")
    data = page_data(config.load_spec(path), str(path))
    if output is not None:
        papers.write("machine", data, output)
        say(f"written: {output}")
        return
    for line in registry.paper("machine").lines(data, _width()):
        click.echo(harmless(line))


def page_data(spec: MachineSpec, path: str) -> dict[str, Any]:
    """What the paper of a machine needs. ConfigError if the file has changed into none meanwhile."""
    from pathlib import Path

    from benchd import config
    from benchd.core import procedures
    from benchd.visits import papers

    parsed, _ = config.parsed(path)
    runs = [_run(spec, name) for name in procedures.SHOP_NAMES]
    return {"spec": parsed, "file": Path(path).name, "shop": "", "runs": runs, **papers.stamp()}


def _run(spec: MachineSpec, name: str) -> dict[str, Any]:
    """One procedure's opening, as the judge says it for this machine; or why it cannot be run with this file."""
    from benchd import preflight
    from benchd.core import procedures
    from benchd.core.events import Caution, Prompt
    from benchd.errors import ConfigError

    try:
        preflight.check_spec(spec, name)
    except ConfigError as error:
        return {"procedure": name, "lacks": _without_file(str(error), spec)}
    made = procedures.make(name, spec)
    opening = list(made.opening())
    hook_up = next((one.text for one in opening if isinstance(one, Prompt) and one.id == "hook-up"), "")
    cautions = list(dict.fromkeys(one.text for one in opening if isinstance(one, Caution)))
    channels = list(dict.fromkeys((*made.channels_needed, *made.channels_used)))
    return {"procedure": name, "channels": channels, "hook_up": hook_up, "cautions": cautions, "lacks": ""}


def _without_file(text: str, spec: MachineSpec) -> str:
    """The complaint without the path in front: it is the file that the page is of."""
    return " ".join(line.removeprefix(f"{spec.source or spec.name}: ") for line in text.splitlines())


def _width() -> int:
    """What the circuit needs at least, a usual terminal at most."""
    import shutil

    return min(max(shutil.get_terminal_size().columns - 2, 78), 100)
