"""Lots in words, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

COUNTED = (
    ("passed", "passed"), ("failed", "failed"), ("undecided", "undecided"), ("void", "void tests"), ("open", "under test or cut short"),
)  # fmt: skip


def list_lines(entries: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    if not entries:
        return
    wide = max(len(str(one["lot"])) for one in entries)
    for one in entries:
        opened = str(one["opened"])[:16].replace("T", " ")
        yield f"{one['lot']:<{wide}}  {one['state']:<6}  {opened}  {one['units']:>6} units  {one['part']}  {one['title'] or ''}".rstrip()


def status_lines(body: Mapping[str, Any]) -> Iterator[str]:
    counts = body["counts"]
    planned = f" of {body['planned']}" if body.get("planned") else ""
    who = f", for {body['customer']}" if body.get("customer") else ""
    yield f"{body['lot']}: {body['title'] or body['part']}{who}, {body['state']} since {_at(body['closed'] or body['opened'])}"
    yield f"{counts['units']} units{planned}: " + (
        ", ".join(f"{counts[key]} {word}" for key, word in COUNTED if counts.get(key)) or "none yet"
    )
    if counts.get("retests"):
        yield f"{counts['retests']} tests were second or later ones of a unit; {counts['first_passed']} units passed the first"
    for mode in body.get("modes") or ():
        yield f"  {mode['units']:>5}  {mode['title']}"
    for test in body.get("now") or ():
        yield f"under test: {test['serial']} on {test['bench']} since {_at(test['started'])}"
    for doubt in body.get("doubtful") or ():
        yield f"IN DOUBT: {doubt['says']}"
    for gate in body.get("benches") or ():
        yield from gate_lines(gate)
    for test in (body.get("last") or ())[:5]:
        yield f"  {test['serial']:<20} {verdict_words(test)}  {test['bench']}  {_at(test['started'])}"


def gate_lines(gate: Mapping[str, Any]) -> Iterator[str]:
    """Whether a bench may judge lots today."""
    if gate["fit"]:
        yield f"{gate['bench']}: fit for lots. " + "; ".join(str(one["says"]) for one in gate["standards"])
        return
    yield f"{gate['bench']}: NOT FIT FOR LOTS"
    for reason in gate["reasons"]:
        yield f"  - {reason}"
    for step in gate["do"]:
        yield f"  do: {step}"


def verdict_words(test: Mapping[str, Any]) -> str:
    found = str(test.get("verdict") or test.get("status") or "under test").upper()
    return found + (f", {test['title']}" if test.get("title") else "")


def _at(moment: Any) -> str:
    return str(moment or "")[:16].replace("T", " ") + " UTC"
