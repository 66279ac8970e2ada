"""Lots in the journal: opened, tested, refused, counted, checked; killed at any moment nothing is lost or counted twice."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchd.core.lots.units import VERDICTS, joined, serial_key
from benchd.errors import BusyError, NotFoundError
from benchd.journal import Journal

IDS = ["leakage", "set_light", "set_rated"]
OPENED = {"part": "VR-20", "lot_kind": "lot", "ids": IDS, "title": "Vantry VR-20", "spec_text": "", "by": "Ines Calder"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def measured(*values: float | None) -> dict[str, Any]:
    return {
        id: {"value": value, "unit": "V", "expanded_uncertainty": 0.02, "coverage_factor": 2.0}
        for id, value in zip(IDS, values, strict=True)
        if value is not None
    }


def opened(lot: str, serial: str, **more: Any) -> dict[str, Any]:
    return {
        "procedure": "unit",
        "bench": "rig 1",
        "machine": "VR-20",
        "unit": serial,
        "lot": lot,
        "lot_kind": "lot",
        "by": "Ines",
        **more,
    }


def unit_run(
    journal: Journal, lot: str, serial: str, verdict: str = "pass", mode: str = "", *values: float | None, **more: Any
) -> str:
    writer = journal.open_run(opened(lot, serial, **more))
    writer.append(
        {"kind": "verdict", "verdict": verdict, "finding": mode, "measured": measured(*(values or (0.4, 14.3, 14.25)))}
    )
    writer.close({"status": "aborted" if verdict == "void" else "judged", "reason": "", "counts": {}})
    return writer.run


def test_a_lot_is_named_after_its_part_and_lasts(path: Path) -> None:
    with Journal(path) as journal:
        assert journal.open_lot(OPENED) == ("VR20-0001", 1)
        assert journal.open_lot(OPENED) == ("VR20-0002", 1)
        assert journal.open_lot({**OPENED, "lot": "winter"}) == ("winter", 1)
        with pytest.raises(BusyError, match="there is a lot winter already"):
            journal.open_lot({**OPENED, "lot": "winter"})
        assert journal.append_lot("winter", {"kind": "lot-note", "text": "cold", "by": "Ines"}) == 2
    with Journal(path) as journal:
        assert [one["lot"] for one in journal.lots()] == ["winter", "VR20-0002", "VR20-0001"]
        assert [one["kind"] for one in journal.lot_records("winter")] == ["lot-opened", "lot-note"]
        assert journal.lot("winter")["state"] == "open"
        with pytest.raises(NotFoundError, match=r"there is no lot 'VR20-001'; there are VR20-0001"):
            journal.lot("VR20-001")
        assert list(journal.verify()) == []


def test_a_test_is_counted_once_with_its_numbers_and_its_history(path: Path) -> None:
    with Journal(path) as journal:
        lot, _ = journal.open_lot(OPENED)
        unit_run(journal, lot, "A1")
        unit_run(journal, lot, "A2", "fail", "set-point-low", 0.4, 13.9, None)
        unit_run(journal, lot, "A3", "void")
        unit_run(journal, lot, "A2", retest=True)
        counts = journal.lot_counts(lot)
        assert counts == {
            "units": 2, "passed": 2, "failed": 0, "undecided": 0, "void": 1, "open": 0, "retests": 1, "first_passed": 1, "modes": [],
        }  # fmt: skip
        newest, first = journal.lot_tests(lot, serial="A2")
        assert (newest["attempt"], newest["verdict"], newest["mode"]) == (2, "pass", "")
        assert (first["attempt"], first["verdict"], first["title"]) == (1, "fail", "set-point too low")
        assert first["measured"] == {"leakage": {"value": 0.4, "u": 0.01}, "set_light": {"value": 13.9, "u": 0.01}}
        units = journal.lot_units(lot)
        assert units.names == ("A1", "A2", "A3", "A2")
        assert [VERDICTS[one] for one in units.verdict] == ["pass", "fail", "void", "pass"]
        assert units.serial.tolist() == [serial_key(one) for one in units.names]
        assert units.attempts().tolist()[:2] == [1, 1]
        assert np.isnan(units.column("set_rated")[0][1])
        assert units.column("set_light")[0].tolist() == [14.3, 13.9, 14.3, 14.3]
        whole = joined(list(journal.lot_unit_blocks(lot, 2)))
        assert whole.names == units.names
        assert np.array_equal(whole.value, units.value, equal_nan=True)
        assert journal.tests_of_serial("A1")[0]["lot"] == lot
        assert list(journal.verify()) == []


def test_a_closed_lot_a_unit_under_test_and_one_judged_before_are_refused_with_what_is_the_matter(path: Path) -> None:
    with Journal(path) as journal:
        lot, _ = journal.open_lot(OPENED)
        unit_run(journal, lot, "A1")
        with pytest.raises(BusyError, match=r"A1 was judged in VR20-0001 already: pass, .* on rig 1; .* retest"):
            journal.open_run(opened(lot, "A1"))
        writer = journal.open_run(opened(lot, "A2", bench="rig 2"))
        with pytest.raises(BusyError, match="A2 is under test on rig 2 in VR20-0001"):
            journal.open_run(opened(lot, "A2"))
        with pytest.raises(BusyError, match="A2 is under test on rig 2: let it end"):
            journal.append_lot(lot, {"kind": "lot-closed", "reason": ""})
        assert [one["serial"] for one in journal.lot_under_test(lot)] == ["A2"]
        writer.append({"kind": "verdict", "verdict": "void", "measured": {}})
        writer.close({"status": "aborted", "reason": "", "counts": {}})
        unit_run(journal, lot, "A2")  # a void test is no test of the unit
        journal.append_lot(lot, {"kind": "lot-closed", "reason": ""})
        with pytest.raises(BusyError, match="lot VR20-0001 was closed"):
            journal.open_run(opened(lot, "A3"))
        with pytest.raises(BusyError, match="lot VR20-0001 was closed"):
            journal.append_lot(lot, {"kind": "lot-note", "text": "late"})
        with pytest.raises(NotFoundError):
            journal.open_run(opened("nowhere", "A3"))
        assert len(journal.lot_tests(lot)) == 3
        assert list(journal.verify()) == []


def test_a_standard_and_a_study_take_the_same_unit_as_often_as_it_comes(path: Path) -> None:
    with Journal(path) as journal:
        for kind in ("standard", "study"):
            name, _ = journal.open_lot({**OPENED, "lot_kind": kind, "lot": f"{kind}-1"})
            unit_run(journal, name, "REF-1", trial=["REF-1", "Ines", 1])
            unit_run(journal, name, "REF-1", trial=["REF-1", "Ines", 2])
            assert [one["trial"][2] for one in journal.lot_tests(name)] == [2, 1]


def test_a_test_that_was_cut_short_counts_as_no_test_and_the_unit_is_tested_again(path: Path) -> None:
    journal = Journal(path)
    lot, _ = journal.open_lot(OPENED)
    journal.open_run(opened(lot, "A1")).flush()
    journal.close()  # as a process that dies: the run stays open
    with Journal(path) as journal:
        (left,) = journal.lot_tests(lot)
        assert (left["status"], left["verdict"], left["attempt"]) == ("interrupted", None, 0)
        assert journal.lot_counts(lot)["open"] == 1
        unit_run(journal, lot, "A1")
        assert journal.lot_counts(lot)["passed"] == 1
        assert list(journal.verify()) == []


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("UPDATE lot_tests SET verdict = 'pass' WHERE serial = 'A2'", "verdict or numbers are not those of the run"),
        ("UPDATE lot_tests SET numbers = zeroblob(48) WHERE serial = 'A1'", "verdict or numbers are not those of the run"),
        ("UPDATE lot_tests SET serial = 'B1' WHERE serial = 'A1'", "the run is of 'A1'"),
        ("UPDATE lot_records SET body = replace(body, 'VR-20', 'VR-21')", "record 1 was altered"),
        ("UPDATE lots SET part = 'VR-21'", "the list of lots was altered: part"),
        ("DELETE FROM lot_records", "all its records are missing"),
    ],
)  # fmt: skip
def test_what_somebody_altered_is_found(path: Path, change: str, told: str) -> None:
    with Journal(path) as journal:
        lot, _ = journal.open_lot(OPENED)
        unit_run(journal, lot, "A1")
        unit_run(journal, lot, "A2", "fail", "drifts")
    db = sqlite3.connect(path)
    with pytest.raises(sqlite3.Error, match="append-only"):
        db.execute(change) if "UPDATE lots" not in change else db.execute("DELETE FROM lots")
    for name in ("lot_tests_stay", "lot_tests_are_kept", "lot_records_stay", "lot_records_are_kept"):
        db.execute(f"DROP TRIGGER {name}")
    db.execute(change)
    db.commit()
    db.close()
    with Journal(path) as journal:
        said = [str(one) for one in journal.verify()]
    assert any(told in one for one in said), said
    assert sum("guard" in one for one in said) == 4


def test_a_journal_of_schema_3_is_brought_forward(path: Path) -> None:
    with Journal(path) as journal:
        journal.open_order({"machine": "Hollin T18", "complaint": "dead"})
    db = sqlite3.connect(path)
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name LIKE 'lot%'").fetchall():
        db.execute(f"DROP TABLE {name}")
    db.execute("PRAGMA user_version=3")
    db.commit()
    db.close()
    with Journal(path) as journal:
        assert journal.open_lot(OPENED) == ("VR20-0001", 1)
        assert len(journal.orders()) == 1
        assert list(journal.verify()) == []


def test_ten_thousand_tests_are_columns_at_once(path: Path) -> None:
    with Journal(path) as journal:
        lot, _ = journal.open_lot(OPENED)
    db = sqlite3.connect(path)
    numbers = np.arange(6, dtype="<f8").tobytes()
    db.executemany(
        "INSERT INTO runs (no, run, owner, procedure, status) VALUES (?, ?, '', 'unit', 'judged')",
        ((number, f"r{number}") for number in range(1, 10_001)),
    )
    db.executemany(
        "INSERT INTO lot_tests (run_no, lot_no, serial, bench, at_ms, verdict, mode, numbers) VALUES (?, 1, ?, 'rig-1', ?, 'pass', '', ?)",
        ((number, f"S{number}", number, numbers) for number in range(1, 10_001)),
    )
    db.commit()
    db.close()
    with Journal(path) as journal:
        begin = time.perf_counter()
        assert len(journal.lot_units(lot)) == 10_000
        assert journal.lot_counts(lot)["passed"] == 10_000
        assert time.perf_counter() - begin < 5
