"""`benchd history`: what is kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from benchd.plaintext import harmless

if TYPE_CHECKING:
    from benchd.cli.sources import Source


@click.command("history", short_help="List the runs that are kept.")
@click.option("--work-order", metavar="N", help="Only this work order's runs.")
@click.option("--unit", metavar="SERIAL", help="Only this unit's runs.")
@click.option("--bench", metavar="BENCH", help="Only this bench's runs: its name, or its short name.")
@click.option("--machine", metavar="NAME", help="With --chart: all units of this machine (its name, or its file).")
@click.option(
    "--chart", is_flag=True, help="Volts and amps over the visits, with control limits, of a unit or machine."
)
@click.option("--output", "-o", metavar="FILE", help="With --chart: write it as FILE.pdf or FILE.html.")
@click.option(
    "--limit", default=20, show_default=True, type=click.IntRange(min=1), help="At most so many, newest first."
)
@click.option("--json", "as_json", is_flag=True, help='One object on stdout: {"runs": [...]}.')
def command(
    work_order: str | None,
    unit: str | None,
    bench: str | None,
    machine: str | None,
    chart: bool,
    output: str | None,
    limit: int,
    as_json: bool,
) -> None:
    """List the runs that are kept, newest first; or, with --chart, how a unit or a machine did over its visits.

    \b
    Examples:
      benchd history
      benchd history --work-order 1042 --json
      benchd history --unit HT18-20931 --chart
      benchd history --machine hollin-t18 --chart --output hollin.pdf
    """
    import shutil
    import sys

    from benchd.cli.common import print_json, say

    if chart:
        if work_order is not None or bench is not None:
            raise click.UsageError("a chart is of a --unit or of a --machine")
        show_chart(unit, machine, output, as_json)
        return
    if machine is not None or output is not None:
        raise click.UsageError("--machine and --output belong to --chart")
    runs = kept(limit, work_order=work_order, unit=unit, bench=bench)
    if as_json:
        print_json({"runs": runs})
        return
    if not runs and bench is not None and (unknown := unknown_bench(bench)):
        say(unknown)
    elif not runs:
        say("No run is kept yet" + (" that matches." if work_order or unit or bench else ". Begin with: benchd demo"))
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    for line in table(runs, width):
        click.echo(line)


def show_chart(unit: str | None, machine: str | None, output: str | None, as_json: bool) -> None:
    """The visits of a unit or of a machine: into a file, as JSON, or in plain letters."""
    import shutil

    from benchd import registry
    from benchd.cli.common import print_json, say
    from benchd.errors import UsageError
    from benchd.journal import Journal
    from benchd.visits import papers
    from benchd.visits.history import history

    if unit is None and machine is None:
        raise UsageError("say whose history: --unit SERIAL or --machine NAME")
    if output is not None:
        papers.format_of(output)
    with Journal() as journal:
        data = {
            **history(journal, unit, None if machine is None else machine_name(machine)),
            "shop": "",
            **papers.stamp(),
        }
    if output is not None:
        papers.write("history", data, output)
        say(f"written: {output}")
    elif as_json:
        print_json(data)
    else:
        for line in registry.paper("history").lines(data, min(shutil.get_terminal_size().columns - 2, 110)):
            click.echo(harmless(line))


def machine_name(machine: str) -> str:
    """The name that runs are kept under, of a machine given by it or by its file; what was given where it is no file."""
    from benchd import config
    from benchd.errors import ConfigError

    try:
        path = config.find_file(machine, "machine")
    except ConfigError:
        return machine
    return config.load_spec(path).name


def kept(limit: int, *, bench: str | None, **wanted: str | None) -> list[dict[str, Any]]:
    """The newest runs, from the daemon if one is up, else from the journal."""
    from benchd import client
    from benchd.cli.sources import FromDaemon, FromJournal
    from benchd.errors import PortError

    found = client.find()
    if found is not None:
        try:
            return found.runs(limit, **wanted, bench=_name_of(FromDaemon(found), bench))
        except PortError:
            if not found.local:
                raise  # else: it hangs, and its journal is at hand
    from benchd.journal import Journal

    name = _name_of(FromJournal(), bench)
    with Journal() as journal:
        return journal.runs(limit, **wanted, bench=name)


def _name_of(source: Source, bench: str | None) -> str | None:
    """The name that runs are kept under, of a bench given by its name or its short name."""
    known = [] if bench is None else source.benches()
    return next((one.name for one in known if bench in (one.name, one.slug)), bench)


def unknown_bench(bench: str) -> str:
    """What to say of a bench that nobody knows; nothing of one that is known."""
    from benchd.cli.sources import FromJournal
    from benchd.cli.watch import source
    from benchd.errors import PortError

    try:
        known = source().benches()
    except PortError:  # as for the runs: it hangs, and its journal is at hand
        known = FromJournal().benches()
    if any(bench in (one.name, one.slug) for one in known):
        return ""
    there = ", ".join(one.slug or one.name for one in known) or "none yet"
    return f"No bench {bench!r} is known; there are: {there}"


COLUMNS = (
    ("run", "run"),
    ("started", "started (UTC)"),
    ("procedure", "procedure"),
    ("verdict", "verdict"),
    ("suspect", "suspect"),
    ("spec", "machine"),
    ("work_order", "work order"),
    ("unit", "unit"),
)


#: What gives way first on a narrow terminal. The run's id, its verdict and its suspect never do.
GIVES_WAY = ("started", "unit", "work_order", "procedure", "spec")
SHORTEST_NAME = 12


def table(runs: Sequence[Mapping[str, Any]], width: int | None = None) -> list[str]:
    """The runs as lines of columns, no column wider than what stands in it; whole, or fit for a terminal's `width`.

    What is narrower then: first columns without anything in them go, then the machine's name is cut, then columns go.
    """
    if not runs:
        return []
    columns = [key for key, _ in COLUMNS]
    cells = {key: [title, *(_cell(run, key) for run in runs)] for key, title in COLUMNS}
    for key in ("work_order", "unit"):
        if width is not None and _wide(cells, columns) > width and set(cells[key][1:]) == {"-"}:
            columns.remove(key)
    if width is not None and (over := _wide(cells, columns) - width) > 0:
        longest = max(SHORTEST_NAME, max(map(len, cells["spec"])) - over)
        cells["spec"] = [one if len(one) <= longest else one[: longest - 3] + "..." for one in cells["spec"]]
    for key in GIVES_WAY:
        if width is not None and _wide(cells, columns) > width and key in columns:
            columns.remove(key)
    widths = [max(map(len, cells[key])) for key in columns]
    rows = zip(*(cells[key] for key in columns), strict=True)
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _wide(cells: Mapping[str, Sequence[str]], columns: Sequence[str]) -> int:
    return sum(max(map(len, cells[key])) for key in columns) + 2 * (len(columns) - 1)


def _cell(run: Mapping[str, Any], key: str) -> str:
    value = run.get(key)
    if key == "verdict" and value is None:
        return harmless(run.get("status") or "open")
    if key == "started" and isinstance(value, str):
        return harmless(value[:19].replace("T", " "))
    return "-" if value is None else harmless(value)
