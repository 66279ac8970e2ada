"""Whether a bench may judge lots today: what stops it, in which words, and what is to be tested again after a bad check."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from lot_world import GOOD, NOISE, OR9, REFERENCES, START, judged, new_lot

from benchd import gate
from benchd.errors import NotFitError
from benchd.journal import Journal
from benchd.lots.door import NewLot
from benchd.lots.service import Lots

HOUR = timedelta(hours=1)


@pytest.fixture
def lots(tmp_path: Path) -> Iterator[Lots]:
    with Journal(tmp_path / "journal.sqlite") as journal:
        yield Lots(journal, dues=lambda bench: None)


def standard(lots: Lots, name: str = "REF-1", spec: str = OR9, **more: Any) -> None:
    lots.open(NewLot("standard", name, spec_toml=spec, **more))


def measure(lots: Lots, volts: float, hours: float, **more: Any) -> None:
    """The check standard so many hours after START."""
    judged(lots.journal, "REF-1", "REF-1", {"set-point-light": volts}, at=START + hours * HOUR, **more)


def found(lots: Lots, hours: float, bench: str = "rig-1", **due: date | None) -> dict[str, Any]:
    return gate.gate(lots.journal, bench, "OR-9", START + hours * HOUR, due)


def charted(lots: Lots) -> None:
    """A standard without reference values whose baseline on rig 1 is made: the last measurement at 11 h."""
    standard(lots)
    for number, noise in enumerate(NOISE):
        measure(lots, 14.3 + noise, number)


def test_without_a_check_standard_no_bench_is_fit(lots: Lots) -> None:
    body = found(lots, 0)
    assert not body["fit"]
    assert body["reasons"] == ["rig-1: no check standard is kept for part OR-9: nothing shows that the bench is right"]
    assert "benchd standard open" in body["do"][0]


def test_a_standard_that_agrees_with_its_reference_makes_a_bench_fit_for_its_hours(lots: Lots) -> None:
    standard(lots, references=REFERENCES)
    assert found(lots, 0)["reasons"] == ["rig-1: check standard REF-1 was never measured here"]
    measure(lots, 14.31, 0)
    body = found(lots, 1)
    (told,) = body["standards"]
    assert (body["fit"], told["in_control"], told["due"]) == (True, True, "2031-03-03T14:01:00+00:00")
    assert told["says"] == "REF-1 agrees with its reference values; its chart wants 9 more measurements"
    assert not found(lots, 1, "rig-2")["fit"], "it was measured on another bench alone"
    late = found(lots, 8.1)
    assert late["reasons"] == [
        "rig-1: check standard REF-1 was measured last at 2031-03-03 06:01 UTC, and is due every 8 h"
    ]
    assert late["do"][-1] == "Then measure REF-1 again: benchd standard measure REF-1 --bench rig-1"


def test_a_standard_that_misses_its_reference_stops_the_bench(lots: Lots) -> None:
    """En = (14.36 - 14.3)/sqrt(0.01^2 + 0.02^2) = 2.68."""
    standard(lots, references=REFERENCES)
    measure(lots, 14.36, 0)
    body = found(lots, 0.1)
    (reason,) = body["reasons"]
    assert reason.startswith(
        "rig-1: check standard REF-1 does not agree with its reference value: Set-point, light load"
    )
    assert "En = 2.68" in reason
    assert any("calibrated one" in one for one in body["do"])


def test_without_reference_and_baseline_nothing_shows_that_the_bench_is_right(lots: Lots) -> None:
    standard(lots)
    for number in range(9):
        measure(lots, 14.3 + NOISE[number], number)
    body = found(lots, 8.1)
    assert not body["fit"]
    assert body["reasons"][0] == (
        "rig-1: check standard REF-1 has no chart of Set-point, light load yet (1 more measurement here until its baseline is made), "
        "and no reference value shows that the bench is right"
    )
    measure(lots, 14.3, 9)
    assert found(lots, 9.1)["fit"]


def test_the_rule_that_broke_is_named_with_its_value_its_limits_and_its_time(lots: Lots) -> None:
    charted(lots)
    assert found(lots, 11.1)["fit"]
    measure(lots, 14.5, 12)
    body = found(lots, 12.1)
    (reason,) = body["reasons"]
    assert reason.startswith(
        "rig-1: check standard REF-1 is out of control: Set-point, light load, rule 1 (one point beyond three sigma), "
        "2031-03-03 18:01 UTC (14.5 V; limits 14.28"
    )
    assert "reseat the leads and clamps" in body["do"][0]
    measure(lots, 14.3, 13)
    assert found(lots, 13.1)["fit"], "one good measurement answers a slip"


def test_a_lasting_shift_is_not_measured_away_but_cleared_with_its_cause(lots: Lots) -> None:
    charted(lots)
    for number in range(8):
        measure(lots, 14.3035 + NOISE[number] / 4, 12 + number)
    assert "rule 4 (eight points in a row on one side" in found(lots, 19.1)["reasons"][0]
    lots.cleared("REF-1", "rig-1", "the room was at 31 C: the fan was off", by="Ines Calder")
    assert not found(lots, 19.2)["fit"], "no measurement since"
    measure(lots, 14.302, 20)
    assert found(lots, 20.1)["fit"]
    assert lots.lot("REF-1")["records"][-1]["kind"] == "lot-cleared"


def test_after_an_adjustment_the_chart_is_made_anew(lots: Lots) -> None:
    charted(lots)
    measure(lots, 14.5, 12)
    lots.cleared("REF-1", "rig-1", "the meter was adjusted", adjusted=True)
    assert found(lots, 12.1)["reasons"] == [
        "rig-1: check standard REF-1 was never measured here since the bench was adjusted"
    ]
    for number in range(10):
        measure(lots, 14.4 + NOISE[number], 13 + number)
    assert found(lots, 22.1)["fit"]


def test_the_baseline_stays_the_first_measurements_however_many_follow(lots: Lots) -> None:
    """A bench that creeps is caught: its limits do not creep along."""
    standard(lots)
    for number in range(30):
        measure(lots, 14.3 + NOISE[number % 12] + 0.0004 * number, number / 10)
    assert not found(lots, 3.1)["fit"]


def test_a_newest_measurement_that_ended_early_shows_nothing(lots: Lots) -> None:
    standard(lots, references=REFERENCES)
    measure(lots, 14.3, 0)
    writer = lots.journal.open_run(
        {"procedure": "unit", "bench": "rig 1", "unit": "REF-1", "lot": "REF-1", "started": (START + HOUR).isoformat()}
    )
    leaks = {"value": 3.0, "unit": "mA", "expanded_uncertainty": 0.01, "coverage_factor": 2.0}
    ended = (START + 1.1 * HOUR).isoformat()
    writer.append(
        {"kind": "verdict", "verdict": "fail", "finding": "leaks-back", "measured": {"leakage": leaks}, "ended": ended}
    )
    writer.close({"status": "judged", "reason": "", "counts": {}})
    assert found(lots, 1.2)["reasons"] == [
        "rig-1: check standard REF-1: its newest measurement ended before Set-point, light load, Greatest output"
    ]


def test_a_standard_that_charts_nothing_makes_no_bench_fit(lots: Lots) -> None:
    spec = OR9[: OR9.index('[[test]]\nid = "set-point-light"')]
    standard(lots, spec=spec)
    judged(lots.journal, "REF-1", "REF-1")
    body = found(lots, 0.1)
    assert not body["fit"]
    assert "shows nothing: no set-point and no greatest output" in body["reasons"][0]


def test_an_overdue_calibration_is_enough_and_is_due_to_the_end_of_its_day(lots: Lots) -> None:
    standard(lots, references=REFERENCES)
    measure(lots, 14.3, 0)
    today = START.date()
    assert found(lots, 0.1, volts=today, tach=None)["fit"]
    body = found(lots, 0.1, volts=today - timedelta(days=1), tach=None)
    assert body["reasons"] == ["rig-1: the calibration of volts was due on 2031-03-02"]
    assert [one["overdue"] for one in body["instruments"]] == [True, False]
    with pytest.raises(NotFitError, match=r"volts was due on 2031-03-02\n  do: Have volts calibrated"):
        gate.check(lots.journal, "rig-1", "OR-9", START, {"volts": date(2031, 3, 2)})


def test_a_closed_standard_says_nothing_and_each_open_one_must_be_well(lots: Lots) -> None:
    standard(lots, references=REFERENCES)
    standard(lots, "REF-2", references=REFERENCES)
    measure(lots, 14.3, 0)
    assert found(lots, 0.1)["reasons"] == ["rig-1: check standard REF-2 was never measured here"]
    lots.close("REF-2", "dropped")
    assert found(lots, 0.1)["fit"]


def test_what_was_judged_since_the_last_good_check_is_to_be_tested_again(lots: Lots) -> None:
    standard(lots, references=REFERENCES)
    lot = new_lot(lots)
    at = lambda hours: START + hours * HOUR  # noqa: E731
    judged(lots.journal, lot, "A1", at=at(0.5), bench="rig 2")
    measure(lots, 14.3, 0)
    judged(lots.journal, lot, "B1", at=at(1))
    measure(lots, 14.3, 2)
    for serial, hours in (("C1", 2.5), ("C2", 2.6), ("C3", 2.7)):
        judged(lots.journal, lot, serial, at=at(hours))
    judged(lots.journal, lot, "A2", at=at(2.6), bench="rig 2")
    measure(lots, 14.36, 3)
    body = found(lots, 3.1)
    assert f"Test again what rig-1 judged since its last good check: 3 units of {lot}" in body["do"]
    (one,) = lots.lot(lot)["doubtful"]
    assert (one["bench"], one["standard"], one["units"], one["serials"]) == ("rig-1", "REF-1", 3, ["C1", "C2", "C3"])
    assert (one["since"], one["found"], one["until"]) == (
        "2031-03-03T08:01:00+00:00",
        "2031-03-03T09:00:00+00:00",
        None,
    )
    assert one["says"] == (
        "3 units were judged on rig-1 between the last good check with REF-1 (2031-03-03 08:01 UTC) and the bad one "
        "(2031-03-03 09:00 UTC): test them again"
    )
    measure(lots, 14.3, 4)
    (one,) = lots.lot(lot)["doubtful"]
    assert one["until"] == "2031-03-03T10:00:00+00:00"
    judged(lots.journal, lot, "C2", at=at(4.5), retest=True)
    judged(lots.journal, lot, "C3", at=at(4.6), retest=True, bench="rig 2")
    (one,) = lots.lot(lot)["doubtful"]
    assert (one["units"], one["serials"]) == (1, ["C1"])
    assert one["says"].startswith("1 unit was judged on rig-1 between")
    assert lots.report(lot)["doubtful"] == [one]
    judged(lots.journal, lot, "C1", at=at(4.7), retest=True)
    assert lots.lot(lot)["doubtful"] == []


def test_a_good_bench_of_another_part_or_with_a_later_lot_is_not_in_doubt(lots: Lots) -> None:
    standard(lots, references=REFERENCES)
    measure(lots, 14.36, 0)
    measure(lots, 14.3, 1)
    lot = new_lot(lots)
    judged(lots.journal, lot, "A1", at=START + 2 * HOUR)
    assert lots.lot(lot)["doubtful"] == []


def test_times_without_a_zone_are_utc() -> None:
    assert gate.when({"started": "2031-03-03T06:00:00"}) == datetime(2031, 3, 3, 6, tzinfo=UTC)
    assert GOOD["set-point-light"] == REFERENCES["set-point-light"][0]
