"""What is to be done with what a scanner read: test it, ask, or refuse it with the reason (ANSWER of door.py)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchd.core.lots.serials import JUDGED
from benchd.errors import UsageError
from benchd.lots.door import serial_of
from benchd.lots.studies import left_of
from benchd.plaintext import harmless

if TYPE_CHECKING:
    from benchd.lots.service import Lots

HISTORY = 20


def answer(lots: Lots, entry: Mapping[str, Any], text: str, bench: str, *, again: bool, by: str) -> dict[str, Any]:
    """Of a scan into an open lot, standard or study."""
    try:
        serial = serial_of(text)
    except UsageError as error:
        return _answer("refuse", harmless(text[:64]), str(error))
    history = lots.journal.tests_of_serial(serial, HISTORY)
    under_way = [one for one in history if one["status"] is None]
    if under_way:
        return _answer(
            "refuse", serial, f"{serial} is under test on {under_way[0]['bench']} in {under_way[0]['lot']}", history
        )
    if entry["kind"] == "study":
        return _of_study(lots, entry, serial, bench, by)
    if entry["kind"] == "standard":
        if serial != entry["lot"]:
            return _answer(
                "refuse", serial, f"{serial} is not {entry['lot']}: mount the check standard, and scan its label"
            )
        return _answer("test", serial, "", attempt=_judged(history, entry) + 1)
    gate = lots.gate(bench, str(entry["part"]))
    if not gate["fit"]:
        why = " ".join([*(f"{one}." for one in gate["reasons"]), *(f"Do: {one}." for one in gate["do"])])
        return _answer("refuse", serial, why, history) | {"not_fit": True}
    before = _judged(history, entry)
    if before and not again:
        last = next(one for one in history if one["lot"] == entry["lot"] and one["verdict"] in JUDGED)
        mode = f" ({last['title']})" if last["title"] else ""
        times = "once" if before == 1 else f"{before} times"
        why = f"{serial} was judged in this lot {times} already, last: {last['verdict']}{mode}."
        return _answer("ask", serial, why, history, before + 1)
    return _answer("test", serial, _elsewhere(serial, history, entry), history, before + 1)


def _of_study(lots: Lots, entry: Mapping[str, Any], serial: str, bench: str, by: str) -> dict[str, Any]:
    """The unit must be the one that the random order wants of this person or bench now."""
    lot = str(entry["lot"])
    design = lots.journal.lot_records(lot)[0]["design"]
    rater = bench if design["by"] == "bench" else by
    if rater not in design["raters"]:
        who = "benches" if design["by"] == "bench" else "people"
        why = f"{rater or 'nobody'} is none of the study's {who}: {', '.join(design['raters'])}" + (
            "" if rater else " (say --by NAME)"
        )
        return _answer("refuse", serial, why)
    own = [one for one in left_of(design, lots.journal.lot_tests(lot, counted=False)) if one[1] == rater]
    if not own:
        return _answer("refuse", serial, f"{rater} has done all trials of this study")
    if own[0][0] != serial:
        return _answer(
            "refuse", serial, f"the study wants unit {own[0][0]} of {rater} now (trial {own[0][2]}), not {serial}"
        )
    return _answer("test", serial, "", attempt=int(own[0][2])) | {"trial": list(own[0])}


def _judged(history: Sequence[Mapping[str, Any]], entry: Mapping[str, Any]) -> int:
    return sum(one["lot"] == entry["lot"] and one["verdict"] in JUDGED for one in history)


def _elsewhere(serial: str, history: Sequence[Mapping[str, Any]], entry: Mapping[str, Any]) -> str:
    seen = dict.fromkeys(str(one["lot"]) for one in history if one["lot"] != entry["lot"])
    return f"{serial} was tested before, in {', '.join(seen)}" if seen else ""


def _answer(
    action: str, serial: str, why: str, history: Sequence[Mapping[str, Any]] = (), attempt: int = 1
) -> dict[str, Any]:
    return {
        "action": action,
        "serial": serial,
        "why": why,
        "attempt": attempt,
        "history": [dict(one) for one in history],
    }
