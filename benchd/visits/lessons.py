"""What closed, proven orders teach: read through the door to the visits, and written as a causes file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from benchd.core.causes.knowledge import Knowledge
from benchd.core.causes.learn import Learned, Lesson, summary
from benchd.core.visit import Mended, Observed
from benchd.errors import StoreError
from benchd.visits.door import VisitDoor

MOST_ORDERS = 1000


def lessons(door: VisitDoor) -> Iterator[Lesson]:
    """Every closed, proven order, the newest first. An order closed without proof teaches nothing: who knows what it was."""
    for one in door.visits(state="proven", limit=MOST_ORDERS):
        number = str(one["work_order"])
        # A door to this computer's journal hands the evidence out as it is; a body is made of it and of a plan.
        own = getattr(door, "evidence", None)
        yield Lesson(number, tuple(own(number) if own is not None else evidence_of_body(door.visit(number))))


def evidence_of_body(body: Mapping[str, Any]) -> list[Observed | Mended]:
    """The evidence in a visit body (see door.py), by time."""
    found: list[tuple[datetime, Observed | Mended]] = []
    for entries, key in ((body["answers"], "question"), (body["findings"], "check")):
        for one in entries:
            if one["outcome"] is not None:
                found.append((_time(one["at"]), Observed((0, 0), one[key], one["outcome"])))
    for one in body["runs"]:
        if one.get("item"):
            found.append((_time(one["ended"] or one["started"]), Observed((0, 0), one["item"], one["outcome"])))
    for one in body["repairs"]:
        mended = Mended((0, 0), tuple(one["mends"]), tuple(one["touches"]), one["repair"])
        found.append((_time(one["at"]), mended))
    found.sort(key=lambda one: one[0])
    return [_at(one, place) for place, (_, one) in enumerate(found)]


def _at(one: Observed | Mended, place: int) -> Observed | Mended:
    if isinstance(one, Observed):
        return Observed((place, 0), one.item, one.outcome)
    return Mended((place, 0), one.mends, one.touches, one.repair)


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


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
