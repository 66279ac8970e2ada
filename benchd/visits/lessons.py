"""What closed, proven orders teach: read through the door to the visits, and written as a causes file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from benchd.core.causes.knowledge import Knowledge
from benchd.core.causes.learn import Learned, Lesson, summary
from benchd.core.visit import Mended, Observed, Visit
from benchd.errors import StoreError
from benchd.visits.door import VisitDoor
from benchd.visits.evidence import evidence_of

MOST_ORDERS = 1000


def lessons(door: VisitDoor, knowledge: Knowledge) -> Iterator[Lesson]:
    """Every closed, proven order, the newest first. An order closed without proof teaches nothing: who knows what it was."""
    for one in door.visits(state="proven", limit=MOST_ORDERS):
        number = str(one["work_order"])
        # A door to this computer's journal hands the evidence out as it is; a body is made of it and of a plan.
        own = getattr(door, "evidence", None)
        yield Lesson(number, tuple(own(number) if own is not None else evidence_of_body(knowledge, door.visit(number))))


def evidence_of_body(knowledge: Knowledge, body: Mapping[str, Any]) -> list[Observed | Mended]:
    """The evidence in a visit body (see door.py): the same as the service's own."""
    visit = Visit(
        answers=list(body["answers"]),
        findings=list(body["findings"]),
        repairs=list(body["repairs"]),
        runs=list(body["runs"]),
    )
    return evidence_of(knowledge, visit)


# --- the file -----------------------------------------------------------------------------------------------------------


def write_learned(path: Path, learned: Learned, knowledge: Knowledge) -> None:
    """Put the learned file in the place of the one before, whole or not at all. StoreError if it cannot be written."""
    text = "\n".join(_lines(learned, knowledge)) + "\n"
    beside = path.with_name(f"{path.name}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise StoreError(f"{path}: what was learned could not be written: {error.strerror or error}") from error


def _lines(learned: Learned, knowledge: Knowledge) -> Iterable[str]:
    told = summary(learned)
    yield f"# Written by benchd causes learn --write, {told}."
    yield "# It lies over all other causes files and is written anew each time; to be rid of it, delete it."
    yield "\n[visits]"
    yield f"nothing = {_number(learned.nothing.after)}"
    yield f"two = {_number(learned.two.after)}"
    yield f'origin = "counted {told}"'
    yield f'learned = "{told}"'
    for one in learned.causes:
        yield f"\n[causes.{one.id}]"
        yield f"frequency = {_number(one.after)}"
        yield f'origin = "counted: {one.count:.1f} of {learned.orders} orders; before {one.before:.4f}, {learned.weight:g} visits"'
    for table, item in sorted({(_table(knowledge, row.item), row.item) for row in learned.rows}):
        rows = [row for row in learned.rows if row.item == item]
        before = knowledge.items[item].origin
        yield f"\n[{table}.{item}]"
        counted = f"rows of {', '.join(row.cause for row in rows)} counted {told}"
        yield f'origin = "{_quoted(counted, before)}"'
        yield f"[{table}.{item}.given]"
        for row in rows:
            yield f"{row.cause} = [{', '.join(_number(one) for one in _whole(row.after))}]  # {_counts(row.counts)}"


def _table(knowledge: Knowledge, item: str) -> str:
    return f"{knowledge.items[item].kind}s"


def _quoted(counted: str, before: str) -> str:
    """An origin fits in 300 letters; the list of causes is what gives way."""
    text = f"{counted}; else {before}"
    if len(text) > 300:
        text = f"rows with a count behind them counted from closed, proven orders; else {before}"[:300]
    return text.replace("\\", "\\\\").replace('"', '\\"')


def _counts(counts: Sequence[float]) -> str:
    return f"drawn {' '.join(f'{one:.1f}' for one in counts)}"


def _number(value: float) -> str:
    return f"{value:.8f}"


def _whole(row: Sequence[float]) -> list[float]:
    """Rounded as it is written, adding up to 1 by the greatest."""
    rounded = [round(one, 8) for one in row]
    rounded[rounded.index(max(rounded))] += 1 - sum(rounded)
    return rounded
