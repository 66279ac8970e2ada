"""Check standards as lots see them: how one stands on a bench, worked out once, and what a bench judged while it was wrong."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any

from benchd import gate
from benchd.journal import Journal
from benchd.lots.kept import Kept

SERIALS = 200  # named one by one
_KEPT = 256


class Checks:
    """A gate.Checks that keeps what it has worked out until the standard is measured again. Works in any thread."""

    def __init__(self, journal: Journal) -> None:
        self._journal, self._kept = journal, Kept[gate.Check](_KEPT)

    def __call__(self, standard: str, bench: str) -> gate.Check:
        stamp = self._journal.lot_stamp(standard)
        return self._kept.get((standard, bench), stamp, lambda: gate.check_of(self._journal, standard, bench))


def doubtful(
    journal: Journal, checks: gate.Checks, entry: Mapping[str, Any], benches: Iterable[str], serial: str | None = None
) -> list[dict[str, Any]]:
    """What of a lot was judged between a bench's last good check and the next good one, with a bad one between them, and was not tested
    again: {bench, standard, since, found, until, units, serials (the first), says}. `entry`: the lot's; `benches`: slugs; of one unit alone."""
    part = str(entry["part"])
    standards = [str(one["lot"]) for one in journal.lots("standard", None, part, 50)]
    return [
        one
        for bench in benches
        for name in standards
        for one in _of_one(journal, checks(name, bench), entry, bench, serial)
    ]


def _of_one(
    journal: Journal, check: gate.Check, entry: Mapping[str, Any], bench: str, serial: str | None
) -> Iterator[dict[str, Any]]:
    opened, closed = datetime.fromisoformat(entry["opened"]), entry["closed"]
    for span in check.spans:
        if span.until is not None and span.until < opened:
            continue
        if span.since is not None and closed is not None and span.since > datetime.fromisoformat(closed):
            continue
        since, until = gate.bounds(span)
        rows = journal.judged_between(bench, str(entry["part"]), since, until, str(entry["lot"]))
        units = [one for _, one in rows if serial in (None, one)]
        if not units:
            continue
        yield {
            "bench": bench,
            "standard": check.standard,
            "since": None if span.since is None else span.since.isoformat(timespec="seconds"),
            "found": span.found.isoformat(timespec="seconds"),
            "until": None if span.until is None else span.until.isoformat(timespec="seconds"),
            "units": len(units),
            "serials": units[:SERIALS],
            "says": _says("this unit" if serial else len(units), bench, check.standard, span),
        }


def _says(units: int | str, bench: str, standard: str, span: gate.Span) -> str:
    them, again = (f"{units} units were", "them") if isinstance(units, int) and units > 1 else (f"{units} was", "it")
    them = "1 unit was" if units == 1 else them
    bad = f"{span.found:%Y-%m-%d %H:%M} UTC"
    if span.since is None:
        return f"{them} judged on {bench}, whose first check with {standard} ({bad}) was bad: test {again} again"
    good = f"{span.since:%Y-%m-%d %H:%M} UTC"
    return f"{them} judged on {bench} between the last good check with {standard} ({good}) and the bad one ({bad}): test {again} again"
