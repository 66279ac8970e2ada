"""Lots in the journal: opened, tested, refused, counted, checked; killed at any moment nothing is lost or counted twice."""

from __future__ import annotations

import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from journal_world import child, one_run

from benchd import journal_disk, journal_writer
from benchd.core.lots.units import VERDICTS, joined, serial_key
from benchd.errors import BusyError, NotFoundError, StoreError
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
        ("UPDATE lot_tests SET serial = 'B1' WHERE serial = 'A1'", "serial is 'B1', its first record says 'A1'"),
        ("UPDATE lot_tests SET bench = 'rig-2' WHERE serial = 'A1'", "bench is 'rig-2', its first record says 'rig-1'"),
        ("UPDATE lot_tests SET by = 'Tomas' WHERE serial = 'A1'", "by is 'Tomas', its first record says 'Ines'"),
        ("UPDATE lot_tests SET at_ms = 5 WHERE serial = 'A1'", "at_ms is 5"),
        ("UPDATE lot_tests SET lot_no = 7 WHERE serial = 'A1'", "lot is None, its first record says 'VR20-0001'"),
        ("UPDATE lot_tests SET mode = '' WHERE serial = 'A2'", "verdict or numbers are not those of the run"),
        ("DELETE FROM lot_tests WHERE serial = 'A2'", "is missing in the list of tests of lot VR20-0001"),
        (
            "INSERT INTO lot_tests SELECT 99, lot_no, 'Z9', bench, by, at_ms, trial, verdict, mode, numbers FROM lot_tests LIMIT 1",
            "there is no run number 99, the test of Z9",
        ),
        ("UPDATE lots SET ids = 'x'", "the list of lots was altered: ids"),
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
    guarded = not change.startswith(("UPDATE lots", "INSERT"))
    with pytest.raises(sqlite3.Error, match="append-only"):
        db.execute(change if guarded else "DELETE FROM lots")
    for name in ("lot_tests_stay", "lot_tests_are_kept", "lot_records_stay", "lot_records_are_kept"):
        db.execute(f"DROP TRIGGER {name}")
    db.execute(change)
    db.commit()
    db.close()
    with Journal(path) as journal:
        said = [str(one) for one in journal.verify()]
    assert any(told in one for one in said), said
    assert sum("guard" in one for one in said) == 4


def test_a_row_is_filled_once_and_whose_test_it_is_never_changes(path: Path) -> None:
    with Journal(path) as journal:
        lot, _ = journal.open_lot(OPENED)
        journal.open_run(opened(lot, "A1")).flush()
        with closing(sqlite3.connect(path)) as db:
            for change in (
                "serial = 'B1'",
                "bench = 'rig-2'",
                "by = NULL",
                "at_ms = 5",
                "trial = '[]'",
                "run_no = 9",
                "mode = 'drifts'",
            ):
                with pytest.raises(sqlite3.Error, match="append-only"):
                    db.execute(f"UPDATE lot_tests SET {change}")


def test_a_verdict_that_makes_no_sense_ends_no_other_run(path: Path) -> None:
    with Journal(path) as journal:
        lot, _ = journal.open_lot(OPENED)
        other = journal.open_run(opened(lot, "A2"))
        for serial, measured in (("A1", [1]), ("A3", {"leakage": 1, "set_light": {"value": 10**400}})):
            writer = journal.open_run(opened(lot, serial))
            writer.append({"kind": "verdict", "verdict": "fail", "finding": "drifts", "measured": measured})
            writer.close({"status": "judged", "reason": "", "counts": {}})
            assert journal.lot_tests(lot, serial=serial)[0]["measured"] == {}
        other.close({"status": "aborted", "reason": "", "counts": {}})
        assert list(journal.verify()) == []


def test_units_are_counted_by_their_last_judged_test_however_often_they_come(path: Path) -> None:
    """Against a count in plain Python."""
    chance = random.Random(7)
    modes = {"fail": ["drifts", "ripple-high"], "undecided": ["not-measured"], "pass": [""], "void": [""]}
    kept: dict[str, list[tuple[str, str]]] = {}
    void = 0
    with Journal(path) as journal:
        lot, _ = journal.open_lot(OPENED)
        other, _ = journal.open_lot(OPENED)
        for _ in range(60):
            serial, verdict = f"S{chance.randrange(25)}", chance.choice(list(modes))
            mode = chance.choice(modes[verdict])
            unit_run(journal, lot, serial, verdict, mode, retest=True)
            void += verdict == "void"
            if verdict != "void":
                kept.setdefault(serial, []).append((verdict, mode))
        unit_run(journal, other, "S0", "fail", "drifts", retest=True)  # the same unit elsewhere counts there
        counts = journal.lot_counts(lot)
        assert journal.lot_counts(other)["failed"] == 1
    last = [tests[-1] for tests in kept.values()]
    assert counts == {
        "units": len(kept),
        "passed": sum(verdict == "pass" for verdict, _ in last),
        "failed": sum(verdict == "fail" for verdict, _ in last),
        "undecided": sum(verdict == "undecided" for verdict, _ in last),
        "void": void,
        "open": 0,
        "retests": sum(len(tests) - 1 for tests in kept.values()),
        "first_passed": sum(tests[0][0] == "pass" for tests in kept.values()),
        "modes": sorted(
            Counter(mode for verdict, mode in last if verdict != "pass").items(), key=lambda one: (-one[1], one[0])
        ),
    }
    assert counts["retests"] > 20
    assert counts["first_passed"] > 2


def test_runs_of_a_lot_are_listed(path: Path) -> None:
    with Journal(path) as journal:
        lot, _ = journal.open_lot(OPENED)
        first, _, third = unit_run(journal, lot, "A1"), one_run(journal, 2), unit_run(journal, lot, "A2")
        assert [one["run"] for one in journal.runs(lot=lot)] == [third, first]
        assert [one["run"] for one in journal.runs(lot=lot, unit="A1")] == [first]
        assert journal.runs(lot="nowhere") == []
        with journal.reader() as reader:
            assert [reader.lot_of(number) for number in (1, 2)] == [{"lot": lot, "lot_kind": "lot"}, {}]


# --- killed, crowded, full ------------------------------------------------------------------------------------------------

SHIFT = """
import os
import pydantic_core
import benchd.core.lots.serials, benchd.site

def shift():
    with Journal(path) as journal:
        done = {one["serial"] for one in journal.lot_tests("L", counted=False) if one["verdict"]}
        for number in range(10_000):
            serial = f"S{number}"
            if serial in done:
                continue
            body = {"procedure": "unit", "bench": "rig 1", "unit": serial, "lot": "L", "lot_kind": "lot"}
            writer = journal.open_run(body)
            measured = {"leakage": {"value": float(number), "expanded_uncertainty": 0.5, "coverage_factor": 2}}
            writer.append({"kind": "verdict", "verdict": "pass", "measured": measured})
            writer.flush()
            os.write(1, f"{serial} {number}\\n".encode())
            writer.close({"status": "judged"})

for _ in sys.stdin:
    pid = os.fork()
    if pid == 0:
        shift()
    os.write(1, f"pid {pid}\\n".encode())
    os.waitpid(pid, 0)
    os.write(1, b"dead 0\\n")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_a_shift_killed_at_random_moments_tests_no_unit_twice_and_loses_none(path: Path) -> None:
    """kill -9 and on with the next unit, 25 times: every judged unit stands once, with its own numbers."""
    with Journal(path) as journal:
        journal.open_lot({**OPENED, "lot": "L"})
    chance = random.Random(20261126)
    nursery = child(SHIFT, path, stdin=subprocess.PIPE)
    assert nursery.stdin is not None
    assert nursery.stdout is not None
    acknowledged: list[str] = []
    longest_s = 0.1
    for _ in range(25):
        before = len(acknowledged)
        print("one more", file=nursery.stdin, flush=True)
        while (said := nursery.stdout.readline().split())[0] != "pid":
            acknowledged.append(said[0])
        time.sleep(chance.uniform(0.0, longest_s))
        os.kill(int(said[1]), signal.SIGKILL)
        while (said := nursery.stdout.readline().split())[0] != "dead":
            acknowledged.append(said[0])
        longest_s = min(2.0, longest_s * 1.3) if len(acknowledged) == before else max(0.1, longest_s * 0.9)
    nursery.stdin.close()
    nursery.wait(10)
    with Journal(path) as journal:
        assert list(journal.verify()) == []
        tests = journal.lot_tests("L")
        judged = [one for one in tests if one["verdict"]]
        assert len(acknowledged) > 20
        assert len(acknowledged) == len(set(acknowledged))  # none was tested again
        assert sorted(one["serial"] for one in judged) == sorted({one["serial"] for one in judged})
        assert set(acknowledged) <= {one["serial"] for one in judged}
        assert all(one["measured"]["leakage"] == {"value": float(one["serial"][1:]), "u": 0.25} for one in judged)
        assert all(one["status"] in ("judged", "interrupted") for one in tests)
        counts = journal.lot_counts("L")
        assert (counts["units"], counts["retests"]) == (len(judged), 0)
        assert counts["open"] == len(tests) - len(judged)


def test_two_processes_at_once_test_every_unit_once(path: Path) -> None:
    """Both go through the same serial numbers; whoever comes second is told where the unit is, or that it was judged."""
    script = """
    from benchd.errors import BusyError
    journal = Journal(path)
    print("ready", flush=True)
    sys.stdin.readline()
    for number in range(40):
        body = {"procedure": "unit", "bench": sys.argv[2], "unit": f"S{number}", "lot": "L", "lot_kind": "lot"}
        try:
            writer = journal.open_run(body)
        except BusyError as refused:
            print("refused", refused, flush=True)
            continue
        writer.append({"kind": "verdict", "verdict": "pass", "measured": {}})
        writer.close({"status": "judged"})
        print("judged", f"S{number}", flush=True)
    journal.close()
    """
    with Journal(path) as journal:
        journal.open_lot({**OPENED, "lot": "L"})
    both = [child(script, path, bench, stdin=subprocess.PIPE) for bench in ("rig 1", "rig 2")]
    for one in both:
        assert one.stdout is not None
        assert one.stdout.readline() == "ready\n"
    for one in both:
        assert one.stdin is not None
        one.stdin.write("go\n")
        one.stdin.flush()
    said = [line for one in both for line in one.communicate(timeout=60)[0].splitlines()]
    judged = [line.split()[1] for line in said if line.startswith("judged")]
    refused = [line for line in said if line.startswith("refused")]
    assert sorted(judged) == sorted(f"S{number}" for number in range(40))
    assert len(refused) == 40
    assert all("is under test on rig" in one or "was judged in L already: pass" in one for one in refused)
    with Journal(path) as journal:
        assert journal.lot_counts("L")["passed"] == 40
        assert list(journal.verify()) == []


def test_a_unit_of_a_bench_that_died_is_tested_again_without_a_restart(path: Path) -> None:
    """Another process held it; this one, a daemon, goes on running."""
    script = """
    journal = Journal(path)
    writer = journal.open_run({"procedure": "unit", "bench": "rig 2", "unit": "A1", "lot": "L", "lot_kind": "lot"})
    print("open", flush=True)
    time.sleep(60)
    """
    with Journal(path) as journal:
        journal.open_lot({**OPENED, "lot": "L"})
        told: list[int] = []
        journal.on_commit = lambda row, news: told.append(row)
        process = child(script, path)
        assert process.stdout is not None
        assert process.stdout.readline() == "open\n"
        with pytest.raises(BusyError, match="A1 is under test on rig 2"):
            journal.open_run(opened("L", "A1"))
        with pytest.raises(BusyError, match="A1 is under test on rig 2: let it end"):
            journal.append_lot("L", {"kind": "lot-closed", "reason": ""})
        process.kill()
        process.communicate()
        unit_run(journal, "L", "A1")
        assert [(one["status"], one["verdict"]) for one in journal.lot_tests("L")] == [
            ("judged", "pass"),
            ("interrupted", None),
        ]
        assert told[0] == 2  # the row that closed the other's run: whoever forwards the journal hears of it
        journal.append_lot("L", {"kind": "lot-closed", "reason": ""})
        assert list(journal.verify()) == []


def test_a_full_disk_loses_no_test_that_was_acknowledged(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite's own 'full', by a limit on its pages that is lifted later."""
    connect = journal_disk.connect

    def small(path: Path) -> sqlite3.Connection:
        db = connect(path)
        db.execute("PRAGMA max_page_count = 90")
        return db

    judged = []
    with Journal(path) as journal:
        journal.open_lot({**OPENED, "lot": "L"})
    monkeypatch.setattr(journal_disk, "connect", small)
    monkeypatch.setattr(journal_writer, "connect", small)
    with Journal(path) as journal:

        def until_it_is_full() -> None:
            for number in range(10_000):
                unit_run(journal, "L", f"S{number}")
                judged.append(f"S{number}")

        with pytest.raises(StoreError, match="full"):
            until_it_is_full()
        with pytest.raises(StoreError, match="full"):
            journal.append_lot("L", {"kind": "lot-note", "text": "x" * 100_000})
        with pytest.raises(StoreError, match="full"):
            journal.open_lot({**OPENED, "spec_text": "x" * 100_000})
    monkeypatch.undo()
    with Journal(path) as journal:
        assert len(judged) > 10
        tests = journal.lot_tests("L")
        assert [one["serial"] for one in tests if one["verdict"]][::-1] == judged
        assert [one["lot"] for one in journal.lots()] == ["L"]
        if tests[0]["verdict"] is None:
            assert tests[0]["status"] == "interrupted"
        unit_run(journal, "L", f"S{len(judged)}")  # the one that was not kept
        assert list(journal.verify()) == []


# --- an older journal -----------------------------------------------------------------------------------------------------

#: The third schema as it was released; never to be changed.
SCHEMA_3 = """
CREATE TABLE runs (
    no INTEGER PRIMARY KEY AUTOINCREMENT,
    run TEXT NOT NULL UNIQUE,
    owner TEXT NOT NULL,       -- the lock file of the process that conducts it
    procedure TEXT, bench TEXT, spec TEXT, work_order TEXT, unit TEXT, started TEXT,
    status TEXT,               -- NULL while it is open
    reason TEXT, verdict TEXT, suspect TEXT, ended TEXT, duration_s REAL
);
CREATE INDEX runs_by_work_order ON runs (work_order, no) WHERE work_order IS NOT NULL;
CREATE INDEX runs_by_unit ON runs (unit, no) WHERE unit IS NOT NULL;
CREATE INDEX runs_open ON runs (no) WHERE status IS NULL;
CREATE TABLE tried (at TEXT NOT NULL);
CREATE TRIGGER runs_are_kept BEFORE DELETE ON runs BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TABLE events (
    no INTEGER PRIMARY KEY AUTOINCREMENT,  -- in the order of the commits: a cursor for readers
    run_no INTEGER NOT NULL REFERENCES runs (no),
    seq INTEGER NOT NULL,      -- of the first record in the row, from 1 in every run
    records INTEGER NOT NULL,  -- how many seqs the row spans
    body TEXT NOT NULL,        -- JSON array of records; a number where so many were dropped by retention
    chain BLOB NOT NULL        -- 16 bytes for every element of the body
);
CREATE UNIQUE INDEX events_in_order ON events (run_no, seq);
CREATE INDEX runs_by_bench ON runs (bench, no) WHERE bench IS NOT NULL;
CREATE TABLE identity (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE thinning (run_no INTEGER PRIMARY KEY, first INTEGER NOT NULL, last INTEGER NOT NULL);
CREATE TABLE thinned_rows (   -- rows of events that retention wrote: of how many, and their seal
    no INTEGER PRIMARY KEY, was INTEGER NOT NULL, seal BLOB NOT NULL
);
CREATE TABLE thinned_runs (run_no INTEGER PRIMARY KEY, step_s REAL NOT NULL, at TEXT NOT NULL);
CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER events_are_kept BEFORE DELETE ON events
WHEN NOT EXISTS (SELECT 1 FROM thinning WHERE run_no = OLD.run_no AND OLD.no BETWEEN first AND last)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER seals_stay BEFORE UPDATE ON thinned_rows
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER seals_are_kept BEFORE DELETE ON thinned_rows
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TABLE orders (
    no INTEGER PRIMARY KEY AUTOINCREMENT,
    work_order TEXT NOT NULL UNIQUE,
    machine TEXT, unit TEXT, customer TEXT, complaint TEXT,
    opened TEXT NOT NULL,
    closed TEXT,               -- NULL while it is open
    state TEXT NOT NULL        -- 'open', 'proven', 'closed without proof'
);
CREATE INDEX orders_by_unit ON orders (unit, no) WHERE unit IS NOT NULL;
CREATE INDEX orders_open ON orders (no) WHERE state = 'open';
CREATE INDEX runs_by_machine ON runs (spec, procedure, no) WHERE spec IS NOT NULL;
CREATE TABLE order_records (
    no INTEGER PRIMARY KEY AUTOINCREMENT,
    order_no INTEGER NOT NULL REFERENCES orders (no),
    seq INTEGER NOT NULL,      -- from 1 in every order
    body TEXT NOT NULL,        -- one record, a JSON object
    chain BLOB NOT NULL        -- its digest, 16 bytes
);
CREATE UNIQUE INDEX order_records_in_order ON order_records (order_no, seq);
CREATE TRIGGER orders_are_kept BEFORE DELETE ON orders
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER order_records_stay BEFORE UPDATE ON order_records
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER order_records_are_kept BEFORE DELETE ON order_records
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
PRAGMA user_version=3;
"""
TABLES_3 = ("runs", "events", "identity", "orders", "order_records")


def test_a_journal_of_schema_3_is_brought_forward(tmp_path: Path) -> None:
    new, path = tmp_path / "new.sqlite", tmp_path / "journal.sqlite"
    with Journal(new) as journal:
        number, _ = journal.open_order({"machine": "Hollin T18", "complaint": "dead"})
        run = one_run(journal, 5, work_order=number)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:  # what those tables hold is the same since
        db.execute("PRAGMA journal_mode=WAL")
        db.executescript(SCHEMA_3)
        db.execute(f"ATTACH '{new}' AS new")
        for table in TABLES_3:
            db.execute(f"INSERT INTO main.{table} SELECT * FROM new.{table}")
        held = {table: db.execute(f"SELECT * FROM main.{table}").fetchall() for table in TABLES_3}
        assert all(held.values())
    with Journal(path) as journal:
        assert list(journal.verify()) == []
        lot, _ = journal.open_lot(OPENED)
        assert lot == "VR20-0001"
        unit_run(journal, lot, "A1")
        assert journal.info(run)["work_order"] == number
        assert list(journal.verify()) == []
    with closing(sqlite3.connect(path)) as db, closing(sqlite3.connect(new)) as other:
        assert db.execute("PRAGMA user_version").fetchone() == (4,)
        for table, rows in held.items():
            assert db.execute(f"SELECT * FROM {table}").fetchall()[: len(rows)] == rows
        everything = "SELECT type, name, tbl_name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite%' ORDER BY 1, 2"
        made, wanted = (
            {(kind, name, table): _plain(sql) for kind, name, table, sql in one.execute(everything)}
            for one in (db, other)
        )
        assert made == wanted


def _plain(sql: str | None) -> str:
    """Without comments and spaces, which SQLite keeps of a statement."""
    return "".join(re.sub(r"--.*", "", sql or "").split())


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
