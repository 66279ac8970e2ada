"""What `benchd lot`, `standard` and `study` have in common: their lists, closings and papers, made for each kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from benchd.cli.common import print_json, say
from benchd.cli.units import at_door, by_option, echo, form_of, json_option, written

if TYPE_CHECKING:
    from benchd.lots.door import LotDoor

WORDS = {"lot": "lot", "standard": "check standard", "study": "gauge study"}
MANY = {"lot": "lots", "standard": "check standards", "study": "gauge studies"}


def listing(kind: str) -> click.Command:
    """`list` of one kind."""

    @click.command(
        "list", short_help=f"List the {MANY[kind]}, newest first.", help=f"List the {MANY[kind]}, newest first."
    )
    @click.option("--state", type=click.Choice(["open", "closed"]), help="Only these.")
    @click.option("--part", metavar="NUMBER", help="Only of this part number.")
    @click.option("--limit", default=20, show_default=True, type=click.IntRange(1, 1000), help="At most so many.")
    @json_option
    def made(state: str | None, part: str | None, limit: int, as_json: bool) -> None:
        from benchd.cli.lot_words import list_lines

        with at_door() as door:
            found = door.lots(kind=kind, state=state, part=part, limit=limit)
        if as_json:
            print_json({"lots": found})
            return
        echo(list_lines(found))
        if not found:
            begin = f" yet. Begin with: benchd {kind} open"
            say(f"No {WORDS[kind]} is kept" + (" that matches." if state or part else begin))

    return made


def closing(kind: str) -> click.Command:
    """`close` of one kind."""
    told = f"Close a {WORDS[kind]}: nothing is tested in it any more."

    @click.command("close", short_help=told, help=told)
    @click.argument("name", metavar="NAME")
    @click.option("--reason", default="", metavar="TEXT", help="Why.")
    @by_option
    @json_option
    def made(name: str, reason: str, by: str, as_json: bool) -> None:
        with at_door() as door:
            check_kind(door, kind, name)
            body = door.close(name, reason, by)
        if as_json:
            print_json(body)
            return
        counts = body["counts"]
        echo([f"{WORDS[kind]} {body['lot']} is closed: {counts['units']} units, {counts['passed']} passed"])

    return made


def reporting(kind: str, name: str, told: str) -> click.Command:
    """The paper of one kind, as the command `name`."""

    @click.command(name, short_help=told, help=told)
    @click.argument("what", metavar="NAME")
    @click.option("--output", "-o", metavar="FILE", help="FILE.pdf or FILE.html; without it, on this terminal.")
    @json_option
    def made(what: str, output: str | None, as_json: bool) -> None:
        with at_door() as door:
            check_kind(door, kind, what)
            if output is not None:
                written(output, door.paper(what, "report", form_of(output, ("pdf", "html"))))
            elif as_json:
                print_json(door.report(what))
            else:
                echo(paper_lines(kind, door.report(what)))

    return made


def check_kind(door: LotDoor, kind: str, name: str) -> dict[str, Any]:
    """The body of what is meant, if it is of this kind. UsageError, NotFoundError."""
    from benchd.errors import UsageError

    body = door.lot(name)
    if body["kind"] != kind:
        raise UsageError(f"{name} is a {WORDS[body['kind']]}: benchd {body['kind']} ... {name}")
    return body


def paper_lines(paper: str, data: dict[str, Any]) -> list[str]:
    """A paper as it stands on a terminal."""
    import shutil

    from benchd import registry
    from benchd.cli.common import wants_ascii

    columns = min(shutil.get_terminal_size((80, 24)).columns, 110)
    made: list[str] = registry.paper(paper).lines(data, columns, ascii=wants_ascii())
    return made
