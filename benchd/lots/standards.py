"""Check standards as lots see them: how one stands on a bench, worked out once, and what a bench judged while it was wrong."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from threading import Lock
from typing import Any

from benchd import gate
from benchd.journal import Journal

SERIALS = 200  # named one by one
_KEPT = 256


class Checks:
    """A gate.Checks that keeps what it has worked out until the standard is measured again. Works in any thread."""

    def __init__(self, journal: Journal) -> None:
        self._journal, self._lock = journal, Lock()
        self._kept: OrderedDict[tuple[str, str], tuple[tuple[str, int, int], gate.Check]] = OrderedDict()

    def __call__(self, standard: str, bench: str) -> gate.Check:
        stamp = self._journal.lot_stamp(standard)
        with self._lock:
            kept = self._kept.get((standard, bench))
        if kept is not None and kept[0] == stamp:
            return kept[1]
        found = gate.check_of(self._journal, standard, bench)
        with self._lock:
            self._kept[standard, bench] = stamp, found
            self._kept.move_to_end((standard, bench))
            while len(self._kept) > _KEPT:
                self._kept.popitem(last=False)
        return found


def doubtful(
    journal: Journal, checks: gate.Checks, entry: Mapping[str, Any], benches: Iterable[str]
) -> list[dict[str, Any]]:
    """What of a lot was judged between a bench's last good check and the next good one, with a bad one between them, and was not tested
    again: {bench, standard, since, found, until, units, serials (the first), says}. `entry`: the lot's; `benches`: slugs."""
    part = str(entry["part"])
    standards = [str(one["lot"]) for one in journal.lots("standard", None, part, 50)]
    return [
        one for bench in benches for name in standards for one in _of_one(journal, checks(name, bench), entry, bench)
    ]


def _of_one(journal: Journal, check: gate.Check, entry: Mapping[str, Any], bench: str) -> Iterator[dict[str, Any]]:
    opened, closed = datetime.fromisoformat(entry["opened"]), entry["closed"]
    for span in check.spans:
        if span.until is not None and span.until < opened:
            continue
        if span.since is not None and closed is not None and span.since > datetime.fromisoformat(closed):
            continue
        since, until = gate.bounds(span)
        rows = journal.judged_between(bench, str(entry["part"]), since, until, str(entry["lot"]))
        if not rows:
            continue
        yield {
            "bench": bench,
            "standard": check.standard,
            "since": None if span.since is None else span.since.isoformat(timespec="seconds"),
            "found": span.found.isoformat(timespec="seconds"),
            "until": None if span.until is None else span.until.isoformat(timespec="seconds"),
            "units": len(rows),
            "serials": [serial for _, serial in rows[:SERIALS]],
            "says": _says(len(rows), bench, check.standard, span),
        }


def _says(units: int, bench: str, standard: str, span: gate.Span) -> str:
    them = "1 unit was" if units == 1 else f"{units} units were"
    bad = f"{span.found:%Y-%m-%d %H:%M} UTC"
    if span.since is None:
        return f"{them} judged on {bench}, whose first check with {standard} ({bad}) was bad: test them again"
    good = f"{span.since:%Y-%m-%d %H:%M} UTC"
    return f"{them} judged on {bench} between the last good check with {standard} ({good}) and the bad one ({bad}): test them again"
