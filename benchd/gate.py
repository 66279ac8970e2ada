"""Whether a bench may judge lots today: its check standards in control and fresh, its instruments' calibration not overdue.

Of a standard's characteristics those are charted that show the bench: set-points, greatest outputs, and whatever has a reference
value. More charts would find nothing more, and stop a good bench oftener (see core/lots/standing.py).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from benchd.core.lots.serials import JUDGED
from benchd.errors import ConfigError, NotFitError

if TYPE_CHECKING:
    from benchd.core.lots.standing import Standing
    from benchd.core.specs import Characteristic
    from benchd.journal import Journal
    from benchd.journal_read import JournalReader

EVERY_HOURS = 8.0
BASELINE = 10
#: No limits narrower than three of these: what a coarse display rounds away is no control (see standing.least_sigma).
SIGMA_OF_U = 0.1
CHARTED = ("set-point", "greatest output")
FOR_EVER_MS = 2**62


@dataclass(frozen=True, slots=True)
class Check:
    """The measurements of one standard on one bench: `tests` judged ones since it was adjusted for the last time, oldest first; by
    characteristic its standing (none that was never measured). `charted`: what there is a chart of. `spans`: when it was bad."""

    standard: str
    every_hours: float
    tests: tuple[Mapping[str, Any], ...]
    standings: Mapping[str, Standing]
    charted: Mapping[str, Characteristic]
    spans: tuple[Span, ...]
    adjusted: bool  # the bench, since the first measurement
    waits: bool  # a cause was found and put right, and nothing was measured since

    @property
    def fit(self) -> bool:
        return (
            bool(self.standings)
            and not self.waits
            and not self.skipped
            and all(one.fit for one in self.standings.values())
        )

    @property
    def skipped(self) -> list[str]:
        """Titles of what the newest measurement did not come to."""
        newest = self.tests[-1]["measured"] if self.tests else {}
        return [one.title for id, one in self.charted.items() if id not in newest]


@dataclass(frozen=True, slots=True)
class Span:
    """A bench whose standard was bad: from the end of its last good measurement (None: there was none) over the first bad one up to the
    next good one (None: not yet). What it judged meanwhile is to be tested again."""

    since: datetime | None
    found: datetime
    until: datetime | None


#: (standard, bench) -> how it stands; a service keeps what it has worked out.
Checks = Callable[[str, str], Check]


def gate(
    journal: Journal | JournalReader,
    bench: str,
    part: str,
    now: datetime,
    due: Mapping[str, date | None] | None = None,
    checks: Checks | None = None,
) -> dict[str, Any]:
    """GATE of lots/door.py. `bench`: its slug; `part`: a part number; `due`: instrument -> calibration due, of those that a test
    reads (None: not known here). `checks`: another way to look up a standard. StoreError."""
    reasons: list[str] = []
    steps: list[str] = []
    standards = []
    names = [str(one["lot"]) for one in journal.lots("standard", "open", part, 50)]
    if not names:
        reasons.append(f"{bench}: no check standard is kept for part {part}: nothing shows that the bench is right")
        steps.append(f"Keep a good unit as one: benchd standard open NAME --part FILE, then measure it on {bench}")
    for name in names:
        found = check_of(journal, name, bench) if checks is None else checks(name, bench)
        says, do = told(found, bench, now)
        standards.append(_standard(found, now, says))
        if says:
            reasons += says
            steps += do
            steps += _test_again(journal, found, bench, part)
    instruments = [
        {
            "name": name,
            "calibration_due": None if one is None else one.isoformat(),
            "overdue": one is not None and one < now.date(),
        }
        for name, one in (due or {}).items()
    ]
    for one in instruments:
        if one["overdue"]:
            reasons.append(f"{bench}: the calibration of {one['name']} was due on {one['calibration_due']}")
            steps.append(f"Have {one['name']} calibrated, and write the new date into the bench file")
    return {
        "bench": bench,
        "part": part,
        "fit": not reasons,
        "reasons": reasons,
        "do": list(dict.fromkeys(steps)),
        "standards": standards,
        "instruments": instruments,
    }


def check(
    journal: Journal | JournalReader, bench: str, part: str, now: datetime, due: Mapping[str, date | None] | None = None
) -> None:
    """NotFitError with all reasons and what to do, if the bench may not judge lots of this part."""
    found = gate(journal, bench, part, now, due)
    if not found["fit"]:
        raise NotFitError("\n".join([*found["reasons"], *(f"  do: {one}" for one in found["do"])]))


def check_of(journal: Journal | JournalReader, standard: str, bench: str) -> Check:
    """How a standard stands on a bench."""
    records = journal.lot_records(standard)
    opened = records[0]
    tests = [one for one in journal.lot_tests(standard, bench=bench, counted=False) if one["verdict"] in JUDGED][::-1]
    references = opened.get("references") or {}
    charted = {one.id: one for one in _charted(opened, references)}
    baseline = int(opened.get("baseline") or BASELINE)
    standings: dict[str, Standing] = {}
    bad: set[int] = set()
    begun, cleared = 0, list[int]()
    for begun, ended, cleared in _stretches(records, bench, tests):
        standings = {}
        for id, one in charted.items():
            found, those = _judged(one, tests[begun:ended], references.get(id), cleared, baseline)
            standings |= {} if found is None else {id: found}
            bad |= {begun + place for place in those}
    waits = bool(cleared) and begun + cleared[-1] == len(tests)
    every_hours = float(opened.get("every_hours") or EVERY_HOURS)
    return Check(
        standard, every_hours, tuple(tests[begun:]), standings, charted, tuple(_spans(tests, bad)), begun > 0, waits
    )


def told(found: Check, bench: str, now: datetime) -> tuple[list[str], list[str]]:
    """(what is wrong with a standard on a bench, what to do); nothing if all is well."""
    where = f"{bench}: check standard {found.standard}"
    again = f"measure {found.standard} again: benchd standard measure {found.standard} --bench {bench}"
    if not found.tests:
        adjusted = " since the bench was adjusted" if found.adjusted else ""
        return [f"{where} was never measured here{adjusted}"], [f"Before the next lot, {again}"]
    says: list[str] = []
    steps: list[str] = []
    for id, one in found.standings.items():
        if not one.fit:
            says += [f"{where} {text}" for text in _broken(found, id, one)]
            steps += one.do
    if not found.charted:
        says.append(
            f"{where} shows nothing: no set-point and no greatest output is measured, and it has no reference value"
        )
        steps.append(
            "Open one whose part's file has a set-point, or give it a reference value (--reference ID=VALUE,U)"
        )
    if found.waits:
        says.append(f"{where} was not measured since the cause of its last signal was put right")
    if found.skipped:
        says.append(f"{where}: its newest measurement ended before {', '.join(found.skipped)}")
    at = when(found.tests[-1])
    if now - at > timedelta(hours=found.every_hours):
        says.append(f"{where} was measured last at {at:%Y-%m-%d %H:%M} UTC, and is due every {found.every_hours:g} h")
    return says, [*steps, f"Then {again}"] if says else []


def _broken(found: Check, id: str, one: Standing) -> list[str]:
    """Why a characteristic is not fit, as the ends of sentences: which rule broke, when and with which value."""
    from benchd.core.lots.standing import MAKING

    title, tests = found.charted[id].title, [test for test in found.tests if id in test["measured"]]
    says = [f"does not agree with its reference value: {one.en_says}"] if one.en_satisfactory is False else []
    for signal in one.now:
        at, rule = when(tests[signal.index]), signal.rule.removeprefix("we")
        value = _shown(tests[signal.index]["measured"][id], found.charted[id].unit)
        limits = "" if one.chart is None else f"; limits {one.chart.low:.6g} to {one.chart.high:.6g}"
        says.append(
            f"is out of control: {title}, rule {rule} ({signal.title}), {at:%Y-%m-%d %H:%M} UTC ({value}{limits})"
        )
    if says:
        return says
    if one.state == MAKING:
        more = f"{one.missing} more measurement{'s' * (one.missing > 1)} here until its baseline is made"
        return [f"has no chart of {title} yet ({more}), and no reference value shows that the bench is right"]
    return [f"is out of control: {one.says[0]}"]


def _shown(measured: Mapping[str, Any], unit: str) -> str:
    return f"{float(measured['value']):.6g} {unit}".rstrip()


def _test_again(journal: Journal | JournalReader, found: Check, bench: str, part: str) -> list[str]:
    """What was judged on a bench since its last good check, if the newest one is bad."""
    if not found.spans or found.spans[-1].until is not None:
        return []
    rows = journal.judged_between(bench, part, *bounds(found.spans[-1]))
    told = ", ".join(
        f"{count} unit{'s' * (count > 1)} of {lot}" for lot, count in Counter(lot for lot, _ in rows).items()
    )
    return [f"Test again what {bench} judged since its last good check: {told}"] if told else []


def bounds(span: Span) -> tuple[int, int]:
    """A span as UTC ms, both ends exclusive."""
    since, until = span.since, span.until
    return (
        0 if since is None else round(since.timestamp() * 1000),
        FOR_EVER_MS if until is None else round(until.timestamp() * 1000),
    )


def due_of(bench: Any, names: Iterable[str] | None = None) -> dict[str, date | None]:
    """Instrument -> calibration due, of a config.Bench."""
    chosen = bench.instruments if names is None else names
    return {name: bench.instruments[name].calibration_due for name in chosen}


def _standard(found: Check, now: datetime, says: Sequence[str]) -> dict[str, Any]:
    last = when(found.tests[-1]) if found.tests else None
    until = None if last is None else last + timedelta(hours=found.every_hours)
    well = f"{found.standard} in control" + ("" if until is None else f", due again {until:%H:%M} UTC")
    making = max((one.missing for one in found.standings.values()), default=0)
    if making and not says:
        well = f"{found.standard} agrees with its reference values; its chart wants {making} more measurements"
    return {
        "standard": found.standard,
        "last": None if last is None else last.isoformat(timespec="seconds"),
        "due": None if until is None else until.isoformat(timespec="seconds"),
        "in_control": found.fit,
        "says": says[0] if says else well,
    }


def _charted(opened: Mapping[str, Any], references: Mapping[str, Any]) -> list[Characteristic]:
    from benchd.config import load_spec_text

    try:
        part = load_spec_text(str(opened.get("spec_text") or ""), f"check standard {opened.get('lot')}").part
    except ConfigError:  # written by another benchd
        part = None
    if part is None:
        return []
    return [one for one in part.characteristics if one.id in references or str(one.measures) in CHARTED]


def _judged(
    one: Characteristic, tests: Sequence[Mapping[str, Any]], reference: Any, cleared: Sequence[int], baseline: int
) -> tuple[Standing | None, set[int]]:
    """(how it stands now, places of the measurements that were bad). `cleared`: places of the first tests after a cause was found; what
    came before is judged as it was then."""
    rows = [(place, test["measured"][one.id]) for place, test in enumerate(tests) if one.id in test["measured"]]
    found: Standing | None = None
    bad: set[int] = set()
    begins = (0, *cleared)
    for begin, end in zip(begins, (*cleared, len(tests)), strict=True):
        part = [row for place, row in rows if place < end]
        before = sum(place < begin for place, _ in rows)
        if not part:
            continue
        found = _standing(one, part, reference, before, baseline)
        bad |= {rows[place][0] for place in _bad(found, part, reference) if place >= before}
    return found, bad


def _standing(
    one: Characteristic, rows: Sequence[Mapping[str, Any]], reference: Any, cleared: int, baseline: int
) -> Standing:
    from benchd.core.lots.standing import standing

    known = sorted(float(row["u"]) for row in rows if row["u"] is not None)
    return standing(
        [float(row["value"]) for row in rows],
        baseline=baseline,
        reference=None if reference is None else (float(reference["value"]), reference.get("expanded_uncertainty")),
        expanded=[None if row["u"] is None else 2 * float(row["u"]) for row in rows],
        unit=one.unit,
        name=one.title,
        cleared=cleared,
        least_sigma=SIGMA_OF_U * known[len(known) // 2] if known else 0.0,
    )


def _bad(found: Standing, rows: Sequence[Mapping[str, Any]], reference: Any) -> set[int]:
    """Places of the measurements at which the bench was not fit to judge: a rule was broken, or the reference was missed."""
    from benchd.core.lots.standing import OUT_OF_CONTROL, en_number

    bad = {place for signal in found.broken for place in range(signal.index, signal.until + 1)}
    if found.state == OUT_OF_CONTROL and found.chart is None:  # no baseline at all
        return set(range(len(rows)))
    expanded = None if reference is None else reference.get("expanded_uncertainty")
    for place, row in enumerate(rows):
        if expanded is not None and row["u"] is not None and (row["u"] or expanded):
            en = en_number(float(row["value"]), 2 * float(row["u"]), float(reference["value"]), float(expanded))
            bad |= {place} if abs(en) > 1 else set()
    return bad


def _spans(tests: Sequence[Mapping[str, Any]], bad: set[int]) -> Iterator[Span]:
    """The stretches of time in which the bench may have been wrong, oldest first."""
    for place in sorted(bad):
        if place - 1 in bad:
            continue
        after = next((one for one in range(place, len(tests)) if one not in bad), None)
        yield Span(
            when(tests[place - 1]) if place else None,
            _started(tests[place]),
            None if after is None else _started(tests[after]),
        )


def _stretches(
    records: Sequence[Mapping[str, Any]], bench: str, tests: Sequence[Mapping[str, Any]]
) -> list[tuple[int, int, list[int]]]:
    """(first, end, cleared) places of tests that one chart holds: an adjusted bench has another chart. `cleared`: places in it, counted
    from its first, of the first tests after a cause was found and put right."""
    starts: list[tuple[int, list[int]]] = [(0, [])]
    for record in records:
        if record["kind"] != "lot-cleared" or record.get("bench") != bench:
            continue
        place = sum(int(test["run_no"]) <= int(record["after_run_no"]) for test in tests)
        if record.get("adjusted"):
            starts.append((place, []))
        else:
            begun, cleared = starts[-1]
            cleared.append(place - begun)
    ends = [begun for begun, _ in starts[1:]]
    return [(begun, end, cleared) for (begun, cleared), end in zip(starts, [*ends, len(tests)], strict=True)]


def when(test: Mapping[str, Any]) -> datetime:
    found = datetime.fromisoformat(str(test.get("ended") or test["started"]))
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def _started(test: Mapping[str, Any]) -> datetime:
    found = datetime.fromisoformat(str(test["started"]))
    return found if found.tzinfo else found.replace(tzinfo=UTC)
