"""Testing one unit of a lot, a standard or a study: on the daemon that serves the bench, else here. Shared by the commands."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from benchd.cli.common import say

if TYPE_CHECKING:
    from benchd.client import Client
    from benchd.lots.door import LotDoor
    from benchd.runner import Show

bench_option = click.option(
    "--bench", required=True, metavar="FILE|NAME", help="Bench file, or the name of a bench that a daemon serves."
)
by_option = click.option("--by", default="", metavar="NAME", help="Who does it; kept with the record.")
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else there.")


@contextmanager
def at_door() -> Iterator[LotDoor]:
    from benchd.lots.doors import open_door

    with open_door() as door:
        yield door


def text_of_part(part: str) -> str:
    """The text of a regulator file, checked whole here, so that its mistakes are told with its own lines."""
    from pathlib import Path

    from benchd import config

    path = config.find_file(part, "regulator")
    config.load_spec(path)
    return Path(path).read_text(encoding="utf-8-sig")


class Place:
    """The bench on which units are tested: served by a daemon, or by this process. `name`: its slug, as the gate knows it."""

    def __init__(self, bench: str) -> None:
        from benchd import config
        from benchd.cli.run import find_served
        from benchd.site import slug_of

        self.client: Client | None = None
        self.bench: Any = None
        if (served := find_served(bench)) is not None:
            self.client, self.name = served
            return
        self.bench = config.load_bench(config.find_file(bench, "bench"))
        self.name = slug_of(self.bench.name)

    async def test(
        self, body: Mapping[str, Any], serial: str, show: Show, *, by: str = "", again: bool = False, trial: Any = None
    ) -> tuple[dict[str, Any], int]:
        """Test a unit of the lot whose body this is, to its end: (verdict object, exit code). Errors as of `benchd run`."""
        order: dict[str, Any] = {"lot": body["lot"], "unit": serial, "by": by, "retest": again}
        if trial is not None:
            order["trial"] = list(trial)
        if self.client is not None:
            return await self._there(self.client, order, show)
        return await self._here(body, order, show)

    async def _there(self, client: Client, order: dict[str, Any], show: Show) -> tuple[dict[str, Any], int]:
        from benchd.cli.attach import operate

        wanted = {"bench": self.name, "procedure": "unit", **order}
        seen, ctrl_c = await operate(client, self.name, lambda: client.start(wanted), show)
        return seen.outcome(ctrl_c=ctrl_c)

    async def _here(self, body: Mapping[str, Any], order: dict[str, Any], show: Show) -> tuple[dict[str, Any], int]:
        from benchd import config
        from benchd.cli.common import tell_fault
        from benchd.clock import Clock
        from benchd.journal import Journal
        from benchd.orders import Order, prepare, run_ready

        text = str(body["spec_text"])
        spec = config.load_spec_text(text, f"lot {body['lot']}")
        clock = Clock()
        trial = order.get("trial")
        with Journal() as journal:
            wanted = Order(
                "unit", self.bench, spec, unit=order["unit"], spec_text=text, lot=order["lot"], by=order["by"],
                retest=order["retest"], trial=None if trial is None else tuple(trial),
            )  # fmt: skip
            ready = prepare(wanted, journal, clock.wall_utc())
            ended = await run_ready(ready, journal, clock=clock, show=show, warn=say)
        tell_fault(ended)
        return ended.verdict, ended.exit_code


def written(output: str, made: bytes, *, quiet: bool = False) -> None:
    """Write a file, whole or not at all, and say so. StoreError."""
    from pathlib import Path

    from benchd.errors import StoreError

    path = Path(output)
    part = path.with_name(path.name + ".part")
    try:
        part.write_bytes(made)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise StoreError(f"{output}: cannot be written: {error.strerror or error}") from error
    if not quiet:
        say(f"written: {output}")


def form_of(output: str, forms: tuple[str, ...]) -> str:
    """The form that a file's ending asks for. UsageError says which there are."""
    from pathlib import Path

    from benchd.errors import UsageError

    found = Path(output).suffix.removeprefix(".").lower()
    if found not in forms:
        raise UsageError(f"--output {output}: its name must end in {' or '.join('.' + one for one in forms)}")
    return found


def echo(lines: Any) -> None:
    from benchd.plaintext import harmless_lines

    for line in lines:
        click.echo(harmless_lines(line))
