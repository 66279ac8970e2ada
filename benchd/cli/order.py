"""`benchd order`: the visit of one machine, from the complaint to the proof, a command at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from benchd.cli.common import print_json, say

if TYPE_CHECKING:
    from benchd.visits.door import VisitDoor

T = TypeVar("T")
SKIP = "skip"
#: Before a number that a serial number could be taken for.
NUMBER = "order:"

json_option = click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else there.")
by_option = click.option("--by", default="", metavar="NAME", help="Who says or does it.")
number_argument = click.argument("number", metavar="N")


@contextmanager
def at_door() -> Iterator[VisitDoor]:
    from benchd.visits.doors import open_door

    with open_door() as door:
        yield door


def on_order(door: VisitDoor, text: str, act: Callable[[str], T]) -> T:
    """Do something to the order that is meant: its number, or what a scanner reads off the machine (the newest open order
    of that serial number, else the newest of all). NotFoundError as of `act`; UsageError where the text is the number of
    one order and the serial number of another: nobody's scan may end up in a stranger's order."""
    from benchd.errors import NotFoundError, UsageError

    text = " ".join(text.split())
    if text.startswith(NUMBER):
        return act(text.removeprefix(NUMBER))
    meant = str(found[0]["work_order"]) if text and (found := door.visits(state="open", unit=text, limit=1)) else None
    if meant is not None and meant != text and _is_number(door, text):
        raise UsageError(
            f"{text} is the number of one order and the serial number of the machine of order {meant}: say {NUMBER}{text} or "
            f"{NUMBER}{meant}"
        )
    if meant is not None:
        return act(meant)
    try:
        return act(text)
    except (NotFoundError, UsageError):
        if text and (found := door.visits(unit=text, limit=1)) and not _is_number(door, text):
            return act(str(found[0]["work_order"]))
        raise


def _is_number(door: VisitDoor, text: str) -> bool:
    from benchd.errors import NotFoundError, UsageError

    try:
        door.visit(text)
    except (NotFoundError, UsageError):
        return False
    return True


@click.group("order", short_help="Work orders: complaint, findings, plan, repairs, proof, report.")
def command() -> None:
    """The visit of one machine, from the complaint to the proof.

    N is the order's number, or the machine's serial number as a scanner reads it; order:N where it could be
    either. Everything is kept in the journal;
    runs belong to an order by: benchd run ... --work-order N. The same on screens: benchd visit N

    \b
    Examples:
      benchd order new --machine hollin-t18 --unit T18-0042
      benchd order answer 1001                 asks what was not asked yet
      benchd order plan 1001
      benchd order find 1001 terminals loose --note "negative, turns by hand"
      benchd order repair 1001 clean-terminals --by Anna
      benchd order close 1001
      benchd order report 1001 --output 1001.pdf
    """


# --- opening and looking --------------------------------------------------------------------------------------------


@command.command("new", short_help="Open an order for a machine that has come in.")
@click.option("--machine", required=True, metavar="FILE", help="Machine file, or the name of one: limits and circuit.")
@click.option("--complaint", default="", metavar="TEXT", help="What the customer says, in the customer's words.")
@click.option("--unit", default="", metavar="SERIAL", help="The machine's serial number.")
@click.option("--customer", default="", metavar="NAME", help="Whose machine it is.")
@click.option("--number", default="", metavar="N", help="The order's number; without it the next free one.")
@by_option
@json_option
def new(machine: str, complaint: str, unit: str, customer: str, number: str, by: str, as_json: bool) -> None:
    """Open an order for a machine that has come in."""
    from pathlib import Path

    from benchd import config
    from benchd.visits.door import NewVisit

    path = config.find_file(machine, "machine")
    config.load_spec(path)  # its mistakes are told with its own lines
    wanted = NewVisit(
        machine=str(machine),
        spec_toml=Path(path).read_text(encoding="utf-8-sig"),
        complaint=complaint or _asked("What is the complaint, in the customer's words?"),
        unit=unit,
        customer=customer,
        work_order=number,
        by=by,
    )
    with at_door() as door:
        body = door.open(wanted)
        # The newer one is found by its serial number from now on: what is in the other must not be forgotten.
        found = door.visits(state="open", unit=body["unit"], limit=2) if body["unit"] else []
    for other in [one["work_order"] for one in found if one["work_order"] != body["work_order"]]:
        say(f"CAUTION: order {other} of this serial number is open too: close it if this is the same visit.")
    if as_json:
        print_json(body)
        return
    _echo([f"order {body['work_order']} is open: {body['machine']}{_of_unit(body)}"])
    say_plan(body)


@command.command("list", short_help="List the orders, newest first.")
@click.option("--state", type=click.Choice(["open", "proven", "closed without proof", "closed"]), help="Only these.")
@click.option("--unit", metavar="SERIAL", help="Only this machine's.")
@click.option("--machine", metavar="NAME", help="Only this model's.")
@click.option("--limit", default=20, show_default=True, type=click.IntRange(1, 1000), help="At most so many.")
@json_option
def list_(state: str | None, unit: str | None, machine: str | None, limit: int, as_json: bool) -> None:
    """List the orders, newest first."""
    from benchd.cli.order_words import list_lines

    with at_door() as door:
        found = door.visits(state=state, unit=unit, machine=machine, limit=limit)
    if as_json:
        print_json({"orders": found})
    elif not found:
        say(
            "No order is kept"
            + (" that matches." if state or unit or machine else " yet. Begin with: benchd order new")
        )
    _echo(list_lines(found) if not as_json else [])


@command.command("show", short_help="Show all of an order.")
@number_argument
@json_option
def show(number: str, as_json: bool) -> None:
    """Show all of an order: what was said, found, run and done, what is likely, whether it is proven."""
    from benchd.cli.order_words import visit_lines

    with at_door() as door:
        body = on_order(door, number, door.visit)
    if as_json:
        print_json(body)
    else:
        _echo(visit_lines(body))


@command.command("plan", short_help="Say what is likely, what to do next, and why.")
@number_argument
@click.option("--by", "by", type=click.Choice(["minutes", "cost"]), default="minutes", help="What to spare.")
@json_option
def plan(number: str, by: str, as_json: bool) -> None:
    """Say what is likely, what to do next and why, and what each outcome would mean."""
    with at_door() as door:
        body = on_order(door, number, lambda at: door.visit(at, by))
    if as_json:
        print_json({"work_order": body["work_order"], "plan": body["plan"], "ranking": body["ranking"]})
    else:
        say_plan(body)


# --- writing into it ------------------------------------------------------------------------------------------------


@command.command("answer", short_help="Write down answers, or be asked the questions.")
@number_argument
@click.argument("question", required=False)
@click.argument("outcome", required=False)
@click.option("--note", default="", metavar="TEXT", help="In the customer's words.")
@by_option
@json_option
def answer(number: str, question: str | None, outcome: str | None, note: str, by: str, as_json: bool) -> None:
    """Write down an answer; without QUESTION ask all that were not answered yet. OUTCOME 'skip' leaves it open."""
    from benchd.errors import UsageError

    if (question is None) != (outcome is None):
        raise UsageError(
            f"benchd order answer {number} {question}: say the answer too, or neither to be asked them all"
        )
    with at_door() as door:
        if question is None or outcome is None:
            body = _interview(door, number, by)
        else:
            said = None if outcome == SKIP else outcome
            body = on_order(door, number, lambda at: door.answer(at, question, said, note, by))
    _done(body, as_json)


@command.command("find", short_help="Write down what a look or a test by hand came to.")
@number_argument
@click.argument("check")
@click.argument("outcome")
@click.option("--note", default="", metavar="TEXT", help="What was seen.")
@click.option("--photo", "photos", multiple=True, metavar="FILE", help="A picture of it; copied and kept.")
@by_option
@json_option
def find(number: str, check: str, outcome: str, note: str, photos: tuple[str, ...], by: str, as_json: bool) -> None:
    """Write down what a look at the machine, or a test by hand, came to. OUTCOME 'skip' takes it back."""
    with at_door() as door:
        found = None if outcome == SKIP else outcome
        body = on_order(door, number, lambda at: door.find(at, check, found, note, photos, by))
    _done(body, as_json)


@command.command("note", short_help="Write a remark into an order.")
@number_argument
@click.argument("text")
@by_option
@json_option
def note(number: str, text: str, by: str, as_json: bool) -> None:
    """Write a remark into an order."""
    with at_door() as door:
        body = on_order(door, number, lambda at: door.note(at, text, by))
    _done(body, as_json, plan=False)


@command.command("repair", short_help="Write down a repair and its parts.")
@number_argument
@click.argument("repair", required=False, default="")
@click.option("--did", default="", metavar="TEXT", help="What was done, in words.")
@click.option("--part", "parts", multiple=True, metavar="NAME[,NUMBER[,SERIAL]]", help="A part that was used.")
@click.option("--mends", multiple=True, metavar="CAUSE", help="What it was for, where REPAIR is none of the list.")
@click.option("--touches", multiple=True, metavar="PART", help="What was worked on: battery, stator, regulator, ...")
@click.option("--minutes", type=click.FloatRange(min=0), help="How long it took.")
@by_option
@json_option
def repair(
    number: str,
    repair: str,
    did: str,
    parts: tuple[str, ...],
    mends: tuple[str, ...],
    touches: tuple[str, ...],
    minutes: float | None,
    by: str,
    as_json: bool,
) -> None:
    """Write down a repair: one of the list (benchd causes show), or --did in words with --mends and --touches."""
    from benchd.visits.door import NewRepair

    done = NewRepair(repair, did, mends, touches, tuple(_part(one) for one in parts), minutes, by)
    with at_door() as door:
        body = on_order(door, number, lambda at: door.repair(at, done))
    _done(body, as_json)


@command.command("close", short_help="Close an order: proven, or with a reason.")
@number_argument
@click.option("--without-proof", "reason", default="", metavar="REASON", help="Close it though it is not proven: why.")
@by_option
@json_option
def close(number: str, reason: str, by: str, as_json: bool) -> None:
    """Close an order: proven, if the runs prove it; else only with a reason, which every page then says."""
    with at_door() as door:
        body = on_order(door, number, lambda at: door.close(at, reason, by))
    if as_json:
        print_json(body)
    elif body["state"] == "proven":
        _echo([f"order {body['work_order']} is closed: PROVEN by {_runs(body)}"])
    else:
        _echo([f"order {body['work_order']} is closed WITHOUT PROOF: {body['closed_reason']}"])


@command.command("report", short_help="Write the customer's page and the technical part.")
@number_argument
@click.option("--output", "-o", required=True, metavar="FILE", help="FILE.pdf or FILE.html.")
def report(number: str, output: str) -> None:
    """Write the customer's page and the technical part."""
    from benchd.visits import papers

    with at_door() as door:
        on_order(door, number, lambda at: papers.write_visit(door, at, output))
    say(f"written: {output}")


# --- helpers ----------------------------------------------------------------------------------------------------------


def _interview(door: VisitDoor, number: str, by: str) -> dict[str, Any]:
    """Ask what was not answered yet, one after the other; Enter skips, a full stop ends."""
    body = on_order(door, number, door.visit)
    number = str(body["work_order"])
    known = {one["question"] for one in body["answers"]}
    left = [one for one in door.knowledge()["questions"] if one["id"] not in known]
    if not left:
        say("Every question was asked. Change an answer with: benchd order answer N QUESTION ANSWER")
    for place, item in enumerate(left, 1):
        click.echo(f"\n{place} of {len(left)}  {item['text']}", err=True)
        for digit, one in enumerate(item["outcomes"], 1):
            click.echo(f"   {digit}  {one['text']}", err=True)
        chosen = _choice(item["outcomes"])
        if chosen == ".":
            break
        body = door.answer(number, item["id"], chosen, "", by)
    return body


def _choice(outcomes: list[dict[str, Any]]) -> str | None:
    """The id of what was typed: its number, or its id; None for Enter; '.' to stop."""
    while True:
        typed = _asked("   number, Enter to skip, . to stop:").strip()
        if not typed or typed == ".":
            return typed or None
        if typed.isascii() and typed.isdigit() and 1 <= int(typed) <= len(outcomes):
            return str(outcomes[int(typed) - 1]["id"])
        if any(typed == one["id"] for one in outcomes):
            return typed
        say(f"   {typed!r} is none of 1 to {len(outcomes)}")


def _asked(text: str) -> str:
    """A line typed or scanned; '' where nobody is there to type it."""
    import sys

    if not sys.stdin.isatty():
        return sys.stdin.readline().strip()
    return str(click.prompt(text, default="", show_default=False, prompt_suffix=" ", err=True))


def _part(text: str) -> dict[str, str]:
    from benchd.errors import UsageError

    name, *more = [one.strip() for one in text.split(",")]
    if len(more) > 2:
        raise UsageError(f"--part {text}: say NAME,NUMBER,SERIAL; a comma in one of them is one too many")
    number, serial = [*more, "", ""][:2]
    return {"name": name, "number": number, "serial": serial}


def _done(body: dict[str, Any], as_json: bool, *, plan: bool = True) -> None:
    if as_json:
        print_json(body)
        return
    newest = body["log"][-1]["line"] if body["log"] else ""
    _echo([f"order {body['work_order']}: {newest}"])
    if plan:
        say_plan(body)


def say_plan(body: dict[str, Any]) -> None:
    """What is likely and what is next, for people."""
    from benchd.cli.order_words import plan_lines

    _echo(plan_lines(body))


def _echo(lines: Any) -> None:
    from benchd.plaintext import harmless_lines

    for line in lines:
        click.echo(harmless_lines(line))


def _of_unit(body: dict[str, Any]) -> str:
    return f", serial {body['unit']}" if body["unit"] else ""


def _runs(body: dict[str, Any]) -> str:
    return ", ".join(f"run {one}" for one in body["proof"]["runs"])
