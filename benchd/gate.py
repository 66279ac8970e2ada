"""Whether a bench may judge lots today: its check standards in control and fresh, its instruments' calibration not overdue.

Of a standard's characteristics those are charted that show the bench: set-points, greatest outputs, and whatever has a reference
value. More charts would find nothing more, and stop a good bench oftener (see core/lots/standing.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

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
JUDGED = frozenset({"pass", "fail", "undecided"})
CHARTED = ("set-point", "greatest output")
MOST_CHECKS = 400  # the newest that are charted


@dataclass(frozen=True, slots=True)
class Check:
    """The measurements of one standard on one bench: `tests` judged ones, oldest first; by characteristic its standing (None: not
    measured yet) and its values (value, u, test)."""

    standard: str
    every_hours: float
    tests: tuple[Mapping[str, Any], ...]
    standings: Mapping[str, Standing]
    titles: Mapping[str, str]

    @property
    def fit(self) -> bool:
        return bool(self.standings) and all(one.fit for one in self.standings.values())


def gate(
    journal: Journal | JournalReader,
    bench: str,
    part: str,
    now: datetime,
    due: Mapping[str, date | None] | None = None,
) -> dict[str, Any]:
    """GATE of lots/door.py. `bench`: its slug; `part`: a part number; `due`: instrument -> calibration due, of those that a test
    reads (None: not known here). StoreError."""
    reasons: list[str] = []
    steps: list[str] = []
    standards = []
    names = [str(one["lot"]) for one in journal.lots("standard", "open", part, 50)]
    if not names:
        reasons.append(f"{bench}: no check standard is kept for part {part}: nothing shows that the bench is right")
        steps.append(f"Keep a good unit as one: benchd standard open NAME --part FILE, then measure it on {bench}")
    for name in names:
        found = check_of(journal, name, bench)
        says, do = told(found, bench, now)
        standards.append(_standard(found, now, says))
        if says:
            reasons += says
            steps += do
            steps += doubtful(journal, found, bench, part)
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
    tests = [one for one in journal.lot_tests(standard, bench=bench, limit=MOST_CHECKS) if one["verdict"] in JUDGED][
        ::-1
    ]
    cleared, since = _cleared(records, bench, tests)
    references = opened.get("references") or {}
    shown = {one.id: one for one in _charted(opened, references)}
    standings = {}
    for id, one in shown.items():
        found = _standing(
            one, tests[since:], references.get(id), max(cleared - since, 0), int(opened.get("baseline") or BASELINE)
        )
        if found is not None:
            standings[id] = found
    titles = {id: one.title for id, one in shown.items()}
    return Check(standard, float(opened.get("every_hours") or EVERY_HOURS), tuple(tests[since:]), standings, titles)


def told(found: Check, bench: str, now: datetime) -> tuple[list[str], list[str]]:
    """(what is wrong with a standard on a bench, what to do); nothing if all is well."""
    where = f"{bench}: check standard {found.standard}"
    again = f"measure {found.standard} again: benchd standard measure {found.standard} --bench {bench}"
    if not found.tests:
        return [f"{where} was never measured here"], [f"Before the first lot, {again}"]
    says: list[str] = []
    steps: list[str] = []
    for one in found.standings.values():
        if not one.fit:
            says += [f"{where}: {text}" for text in one.says[:2]]
            steps += one.do
    at = _when(found.tests[-1])
    if now - at > timedelta(hours=found.every_hours):
        says.append(f"{where} was measured last at {at:%Y-%m-%d %H:%M} UTC, and is due every {found.every_hours:g} h")
    return says, [*steps, f"Then {again}"] if says else []


def doubtful(journal: Journal | JournalReader, found: Check, bench: str, part: str) -> list[str]:
    """What was judged on a bench since the standard was measured well for the last time, if it is out of control now."""
    from benchd.core.lots.standing import OUT_OF_CONTROL

    if all(one.state != OUT_OF_CONTROL and one.en_satisfactory is not False for one in found.standings.values()):
        return []
    since = int(_when(found.tests[-2]).timestamp() * 1000) if len(found.tests) > 1 else 0
    rows = journal.tests_since(bench, part, since)
    return [
        f"Test again what {bench} judged since its last good check: {count} unit{'s' * (count > 1)} of {lot}"
        for lot, count in rows
    ]


def due_of(bench: Any, names: Iterable[str] | None = None) -> dict[str, date | None]:
    """Instrument -> calibration due, of a config.Bench."""
    chosen = bench.instruments if names is None else names
    return {name: bench.instruments[name].calibration_due for name in chosen}


def _standard(found: Check, now: datetime, says: Sequence[str]) -> dict[str, Any]:
    last = _when(found.tests[-1]) if found.tests else None
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


def _standing(
    one: Characteristic, tests: Sequence[Mapping[str, Any]], reference: Any, cleared: int, baseline: int
) -> Standing | None:
    from benchd.core.lots.standing import standing

    rows = [(place, test["measured"][one.id]) for place, test in enumerate(tests) if one.id in test["measured"]]
    if not rows:
        return None
    values = [float(row["value"]) for _, row in rows]
    known = sorted(float(row["u"]) for _, row in rows if row["u"] is not None)
    expanded = [None if row["u"] is None else 2 * float(row["u"]) for _, row in rows]
    return standing(
        values,
        baseline=baseline,
        reference=None if reference is None else (float(reference["value"]), reference.get("expanded_uncertainty")),
        expanded=expanded,
        unit=one.unit,
        name=one.title,
        cleared=sum(place < cleared for place, _ in rows),
        least_sigma=SIGMA_OF_U * known[len(known) // 2] if known else 0.0,
    )


def _cleared(records: Sequence[Mapping[str, Any]], bench: str, tests: Sequence[Mapping[str, Any]]) -> tuple[int, int]:
    """(place of the first test after a cause was found, place of the first one after the bench was adjusted)."""
    cleared = since = 0
    for record in records:
        if record["kind"] == "lot-cleared" and record.get("bench") == bench:
            place = sum(int(test["run_no"]) <= int(record["after_run_no"]) for test in tests)
            cleared = max(cleared, place)
            since = max(since, place) if record.get("adjusted") else since
    return cleared, since


def _when(test: Mapping[str, Any]) -> datetime:
    found = datetime.fromisoformat(str(test.get("ended") or test["started"]))
    return found if found.tzinfo else found.replace(tzinfo=UTC)
