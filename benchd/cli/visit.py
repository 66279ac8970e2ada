"""`benchd visit`: the visit of a machine on screens, with arrow keys and a scanner."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchd.visits.door import VisitDoor

Action = tuple[str, ...]


@click.command("visit", short_help="The same on screens: one machine from the complaint to the proof.")
@click.argument("number", metavar="[N]", required=False)
@click.option("--bench", metavar="FILE|NAME", help="The bench on which tests are run; asked for if there are several.")
@click.option("--by", default="", metavar="NAME", help="Who is at the keys; kept with everything written down.")
@click.pass_context
def command(ctx: click.Context, number: str | None, bench: str | None, by: str) -> None:
    """Talk, look, run, list, plan, repair and prove, on screens that take arrow keys, numbers and a scanner.

    N is an order's number or a machine's serial number; without it the list of orders comes first. Tests are run in
    the same terminal, on the bench of --bench, or the only one that a daemon serves.

    \b
    Examples:
      benchd visit
      benchd visit 1001 --bench bay-1 --by "Anna Weld"
    """
    from benchd import registry
    from benchd.cli.common import say, wants_ascii
    from benchd.cli.order import at_door, on_order

    form = registry.form("visit")
    with at_door() as door:
        at = None if number is None else str(on_order(door, number, door.visit)["work_order"])
        calls = Calls(door, by)
        shown = form.show(calls, lambda procedure, order: run_here(procedure, order, bench), at, ascii=wants_ascii())
    if not shown:
        say("this is no terminal that screens can be drawn on: use benchd order")
        ctx.exit(2)


class Calls:
    """What the screens may have done, through a door."""

    def __init__(self, door: VisitDoor, by: str) -> None:
        self._door, self._by = door, by

    def orders(self) -> Sequence[Mapping[str, Any]]:
        return self._door.visits(limit=200)

    def order(self, number: str) -> Mapping[str, Any]:
        return self._door.visit(number)

    def knowledge(self) -> Mapping[str, Any]:
        return self._door.knowledge()

    def machines(self) -> Sequence[str]:
        from benchd.config import known_files

        return sorted(known_files("machine"))

    def do(self, number: str, action: Action) -> tuple[Mapping[str, Any] | None, str]:
        """Carry one action of the desk out: (the body to show, what to say)."""
        kind, *given = action
        body: Mapping[str, Any] = getattr(self, f"_{kind.replace('+', '_')}")(number, *given)
        return body, self._said(kind, body, given)

    def _said(self, kind: str, body: Mapping[str, Any], given: Sequence[str]) -> str:
        if kind in ("open", "scan"):
            return ""
        if kind == "report":
            return f"written: {given[0] or default_report(str(body['work_order']))}"
        return str(body["log"][-1]["line"]) if body["log"] else ""

    # --- one method an action -----------------------------------------------------------------------------------------

    def _open(self, number: str, wanted: str) -> Mapping[str, Any]:
        return self._door.visit(wanted)

    def _scan(self, number: str, text: str) -> Mapping[str, Any]:
        from benchd.cli.order import on_order

        return on_order(self._door, text, self._door.visit)

    def _new(self, number: str, machine: str, unit: str, complaint: str) -> Mapping[str, Any]:
        from benchd import config
        from benchd.visits.door import NewVisit

        path = config.find_file(machine, "machine")
        config.load_spec(path)
        text = path.read_text(encoding="utf-8-sig")
        return self._door.open(NewVisit(machine, text, complaint, unit, by=self._by))

    def _answer(self, number: str, question: str, outcome: str) -> Mapping[str, Any]:
        return self._door.answer(number, question, _outcome(outcome), "", self._by)

    def _find(self, number: str, check: str, outcome: str) -> Mapping[str, Any]:
        return self._door.find(number, check, _outcome(outcome), "", (), self._by)

    def _find_note(self, number: str, check: str, outcome: str, note: str) -> Mapping[str, Any]:
        return self._door.find(number, check, outcome, note, (), self._by)

    def _find_photo(self, number: str, check: str, outcome: str, photo: str) -> Mapping[str, Any]:
        return self._door.find(number, check, outcome, "", (os.path.expanduser(photo),), self._by)

    def _note(self, number: str, text: str) -> Mapping[str, Any]:
        return self._door.note(number, text, self._by)

    def _repair(self, number: str, repair: str, part: str) -> Mapping[str, Any]:
        from benchd.visits.door import NewRepair

        # A scanner reads a number; a part also has a name.
        parts = ({"name": "part", "number": part, "serial": ""},) if part else ()
        return self._door.repair(number, NewRepair(repair, parts=parts, by=self._by))

    def _close(self, number: str, reason: str) -> Mapping[str, Any]:
        return self._door.close(number, reason, self._by)

    def _report(self, number: str, file: str) -> Mapping[str, Any]:
        from benchd.visits import papers

        papers.write_visit(self._door, number, os.path.expanduser(file) or default_report(number))
        return self._door.visit(number)


def _outcome(chosen: str) -> str | None:
    return None if chosen == "skip" else chosen


def default_report(number: str) -> str:
    """A name that is a file's on every system, whatever the order's number is."""
    return f"order-{''.join(one if one.isalnum() or one in '-_' else '-' for one in number)}.pdf"


def run_here(procedure: str, order: str, bench: str | None) -> str:
    """`benchd run` for the order in this terminal, as a command of its own: what to say afterwards."""
    from benchd.cli.order import NUMBER
    from benchd.errors import BenchdError

    try:
        name = bench or only_bench()
    except BenchdError as error:
        return str(error)
    done = subprocess.run(
        [sys.executable, "-m", "benchd", "run", procedure, "--bench", name, "--work-order", f"{NUMBER}{order}"],
        check=False,
    )
    words = {0: "pass", 1: "fail", 3: "undecided", 4: "void"}
    if done.returncode in words:
        return f"{procedure} run: {words[done.returncode]}"
    input("\nEnter: back to the order ")  # what went wrong stands above
    return f"{procedure} run: not made, or broken off"


def only_bench() -> str:
    """The only bench that a daemon serves. UsageError says what to type."""
    from benchd import client
    from benchd.errors import UsageError

    found = client.find()
    if found is None:
        raise UsageError("no daemon is up: say which bench with benchd visit --bench FILE")
    there = [str(one["bench"]) for one in found.status()["benches"]]
    if len(there) != 1:
        raise UsageError(f"several benches are served ({', '.join(there)}): say one with benchd visit --bench NAME")
    return there[0]
