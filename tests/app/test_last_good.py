"""The last good run of a unit: which one it is, and how thin its curve is."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.journal import Journal
from benchd.last_good import MOST_POINTS, last_good, thinned

MACHINE = "Hollin T18 garden tractor"


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as made:
        yield made


def keep(journal: Journal, unit: str | None, verdict: str, procedure: str = "regulator", samples: int = 4) -> str:
    opened = {"procedure": procedure, "bench": "bay 1", "machine": MACHINE, "unit": unit, "work_order": None}
    writer = journal.open_run({**opened, "started": "2026-11-25T19:00:00+00:00"})
    for place in range(samples):
        if place == 1:
            writer.append({"kind": "standing", "t_ns": 500_000_000, "phase": "measuring"})
        values = {"battery_volts": [12.0 + place, 0.01, [], 0.1], "engine_rpm": [3500.0, 1.0, [], 0.1]}
        lost = {"charge_amps": [None, None, ["overload"], 0.1]}
        writer.append({"kind": "sample", "t_ns": place * 500_000_000, "values": values | lost})
    writer.append({"kind": "verdict", "verdict": verdict, "suspect": "none", "measured": {}})
    writer.close({"status": "judged", "reason": "settled", "counts": {}})
    return writer.run


def test_the_newest_that_passed_of_this_unit_machine_and_procedure(journal: Journal) -> None:
    keep(journal, "A", "pass")
    good = keep(journal, "A", "pass")
    keep(journal, "A", "fail")
    keep(journal, "B", "pass")
    keep(journal, "A", "pass", procedure="stator")
    found = last_good(journal, "regulator", MACHINE, "A")
    assert found is not None
    assert found["run"] == good
    assert found["started"] == "2026-11-25T19:00:00+00:00"


def test_nothing_without_a_unit_or_without_a_run_that_passed(journal: Journal) -> None:
    keep(journal, None, "pass")
    keep(journal, "A", "fail")
    assert last_good(journal, "regulator", MACHINE, None) is None
    assert last_good(journal, "regulator", MACHINE, "A") is None
    assert last_good(journal, "regulator", "another machine", "A") is None


def test_the_curve_begins_where_measuring_did_and_holds_numbers_only(journal: Journal) -> None:
    keep(journal, "A", "pass")
    found = last_good(journal, "regulator", MACHINE, "A")
    assert found is not None
    assert found["from_s"] == 0.5
    assert found["points"] == [
        [0.0, {"battery_volts": 12.0}],  # the sample that measuring began with
        [0.5, {"battery_volts": 13.0}],
        [1.0, {"battery_volts": 14.0}],
        [1.5, {"battery_volts": 15.0}],
    ]


def test_a_long_run_becomes_thin_and_keeps_its_end(journal: Journal) -> None:
    keep(journal, "A", "pass", samples=2000)
    found = last_good(journal, "regulator", MACHINE, "A")
    assert found is not None
    assert MOST_POINTS / 2 < len(found["points"]) <= MOST_POINTS
    assert found["points"][-1] == [999.5, {"battery_volts": 2011.0}]


def test_thinning_keeps_channels_that_are_read_seldom() -> None:
    points = [[float(one), {"a": one}] for one in range(300)]
    points[1][1]["b"] = 7  # type: ignore[index]
    assert thinned(points)[0] == [2.0, {"a": 2, "b": 7}]
