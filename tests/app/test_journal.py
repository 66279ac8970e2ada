"""The journal: what is flushed is kept, whoever dies; nothing is lost without a word."""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import sys
import tempfile
import textwrap
import threading
import time
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from benchd import journal as journal_module
from benchd.errors import StoreError
from benchd.journal import Journal, RunWriter, home

OPENED = {"procedure": "regulator", "bench": "bay 1", "machine": "Hollin T18", "started": "2027-03-01T10:00:00+00:00"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "kept" / "journal.sqlite"


def reading(number: int) -> dict[str, Any]:
    return {"kind": "reading", "t_ns": number, "instrument": "volts", "value": 12.5}


def fill(writer: RunWriter, count: int) -> None:
    for number in range(count):
        writer.append(reading(number))


def child(script: str, *arguments: str | Path, **options: Any) -> subprocess.Popen[str]:
    """A process of its own that runs `script` with the journal's path as `path`."""
    head = "import sys, time\nfrom pathlib import Path\nfrom benchd.journal import Journal\npath = Path(sys.argv[1])\n"
    command = [sys.executable, "-c", head + textwrap.dedent(script), *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **options)


def said(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


# --- writing and reading ------------------------------------------------------------------------------------------------


def test_records_come_back_in_order_with_their_seq(path: Path) -> None:
    with Journal(path) as journal:
        writer = journal.open_run({**OPENED, "work_order": "1042"})
        fill(writer, 2500)
        writer.close({"status": "judged", "reason": "settled"})
        records = list(journal.read(writer.run))
    assert [one["seq"] for one in records] == list(range(1, 2503))
    assert records[0] == {**OPENED, "kind": "run-opened", "run": writer.run, "work_order": "1042", "seq": 1}
    assert [one["t_ns"] for one in records[1:-1]] == list(range(2500))
    assert records[-1] == {"kind": "run-closed", "status": "judged", "reason": "settled", "seq": 2502}


@pytest.mark.parametrize("after", [0, 1, 999, 1000, 1001, 1002, 2400, 2501, 2502])
def test_reading_goes_on_after_a_seq(path: Path, after: int) -> None:
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        fill(writer, 1200)
        writer.flush()
        fill(writer, 1301)
        writer.flush()
        assert [one["seq"] for one in journal.read(writer.run, after)] == list(range(after + 1, 2503))


def test_what_is_no_json_is_made_so_or_refused(path: Path) -> None:
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        writer.append({"kind": "reading", "value": Decimal("12.50"), "flags": frozenset({"hold"})})
        writer.append({"kind": "standing", "sure": float("nan"), "expected": {"volts": (1.0, float("inf"))}})
        writer.append({"kind": "mark", "text": "half \ud800 a character, and µ"})
        writer.flush()
        kept = list(journal.read(writer.run))[1:]
        assert kept[0] == {"kind": "reading", "value": "12.50", "flags": ["hold"], "seq": 2}
        assert kept[1] == {"kind": "standing", "sure": None, "expected": {"volts": [1.0, None]}, "seq": 3}
        assert kept[2]["text"] == "half ? a character, and µ"
        writer.append({"kind": "mark", "text": object()})
        with pytest.raises(
            StoreError, match=r"a 'mark' record cannot be kept: TypeError: a object is no JSON; the last 1 records"
        ):
            writer.flush()
        with pytest.raises(StoreError, match="'mark' record"):
            writer.append(reading(1))


def test_a_closed_run_takes_nothing_more(path: Path) -> None:
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        writer.close({"status": "judged"})
        with pytest.raises(StoreError, match="is closed"):
            writer.append(reading(1))


def test_records_are_on_the_disk_within_a_second_without_a_flush(path: Path) -> None:
    with Journal(path) as journal, Journal(path) as other:
        writer = journal.open_run(OPENED)
        fill(writer, 3)
        deadline = time.monotonic() + 1.0
        while len(list(other.read(writer.run))) < 4:
            assert time.monotonic() < deadline
            time.sleep(0.01)


def test_events_cannot_be_changed(path: Path) -> None:
    with Journal(path) as journal:
        journal.open_run(OPENED).close({"status": "judged"})
    db = sqlite3.connect(path)
    for statement in ("UPDATE events SET body = '[]'", "DELETE FROM events", "DELETE FROM runs"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            db.execute(statement)
    db.close()


def test_several_runs_are_written_at_once(path: Path) -> None:
    with Journal(path) as journal:
        writers = [journal.open_run({**OPENED, "bench": f"bay {number}"}) for number in range(8)]
        threads = [threading.Thread(target=fill, args=(writer, 500)) for writer in writers]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        for writer in writers:
            writer.close({"status": "judged"})
            assert [one["t_ns"] for one in journal.read(writer.run) if one["kind"] == "reading"] == list(range(500))


def test_ids_are_unique_and_sort_by_time(path: Path) -> None:
    with Journal(path) as journal:
        runs = [journal.open_run(OPENED).run for _ in range(50)]
        assert runs == sorted(set(runs))
        assert [one["run"] for one in journal.runs(50)] == runs[::-1]


def test_a_disk_that_does_not_keep_up_is_said(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.journal_writer.BOUND", 10)
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        blocker = sqlite3.connect(path, isolation_level=None)
        blocker.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="the disk does not keep up: 10 records wait"):
            fill(writer, 1000)
        blocker.execute("ROLLBACK")
        blocker.close()
        writer.flush()


# --- the list -----------------------------------------------------------------------------------------------------------


def test_the_list_says_what_came_of_each_run(path: Path) -> None:
    with Journal(path) as journal:
        first = journal.open_run({**OPENED, "work_order": "1042", "unit": "R-7", "spec": {"machine": {}}})
        second = journal.open_run({**OPENED, "procedure": "stator", "work_order": "1043"})
        verdict = {"verdict": "fail", "suspect": "regulator", "duration_s": 12.5, "ended": "2027-03-01T10:01:00+00:00"}
        first.append({"kind": "verdict", **verdict})
        first.close({"status": "judged", "reason": "ceiling crossed"})
        assert [one["run"] for one in journal.runs()] == [second.run, first.run]
        assert journal.runs(unit="R-7") == [
            {
                "run": first.run,
                "run_no": 1,
                "procedure": "regulator",
                "bench": "bay 1",
                "spec": "Hollin T18",
                "work_order": "1042",
                "unit": "R-7",
                "started": OPENED["started"],
                "status": "judged",
                "reason": "ceiling crossed",
                **verdict,
            }
        ]
        assert [one["run"] for one in journal.runs(work_order="1043", unit="R-7")] == []
        assert (journal.runs(1)[0]["status"], journal.runs(1)[0]["verdict"]) == (None, None)


def test_a_run_is_found_by_the_beginning_of_its_id(path: Path) -> None:
    with Journal(path) as journal:
        with pytest.raises(StoreError, match="no run is kept yet"):
            journal.resolve("last")
        runs = [journal.open_run(OPENED).run for _ in range(3)]
        assert journal.resolve("last") == runs[2]
        assert journal.resolve(runs[0]) == runs[0]
        assert journal.resolve(runs[1][:-1]) == runs[1]
        with pytest.raises(StoreError, match=f"several runs begin with '{runs[0][:4]}': {runs[0]}, {runs[1]}"):
            journal.resolve(runs[0][:4])
        with pytest.raises(StoreError, match=f"no kept run begins with 'x'; the newest are {runs[2]}, "):
            journal.resolve("x")
        with pytest.raises(StoreError, match="there is no run 'x'"):
            journal.read("x")


def test_looking_makes_no_file(path: Path) -> None:
    with Journal(path) as journal:
        assert journal.runs() == []
    assert not path.parent.exists()


def test_the_list_stays_fast_with_many_runs(path: Path) -> None:
    """200,000 runs: the newest twenty, one work order's and a run by its id, each read by an index."""
    with Journal(path) as journal:
        journal.open_run(OPENED).close({"status": "judged"})
        db = sqlite3.connect(path)
        with db:
            db.executemany(
                "INSERT INTO runs (run, owner, work_order, unit, status) VALUES (?, 'x', ?, ?, 'judged')",
                ((f"2028-{number:07d}", str(number // 4), str(number)) for number in range(200_000)),
            )
        db.close()
        took_s = min(_time_to_look(journal) for _ in range(5))
    assert took_s < 0.015, f"took {took_s:.4f} s; with an index it is 0.001 s, scans take 0.05 s"


def _time_to_look(journal: Journal) -> float:
    begin = time.perf_counter()
    assert len(journal.runs(20)) == 20
    assert len(journal.runs(20, work_order="1042")) == 4
    assert len(journal.runs(20, unit="199999")) == 1
    assert journal.resolve("2028-0100000") == "2028-0100000"
    with Journal(journal.path):
        return time.perf_counter() - begin


# --- dying --------------------------------------------------------------------------------------------------------------

WRITES_UNTIL_KILLED = """
    with Journal(path) as journal:
        writer = journal.open_run({"procedure": "regulator"})
        print(writer.run, flush=True)
        number = 0
        while True:
            for _ in range(7):
                writer.append({"kind": "reading", "number": number})
                number += 1
            writer.flush()
            print(number, flush=True)
"""


@pytest.mark.parametrize("after_s", [0.0, 0.013, 0.04, 0.11, 0.3])
def test_killed_at_any_moment_everything_flushed_is_there(path: Path, after_s: float) -> None:
    process = child(WRITES_UNTIL_KILLED, path)
    run = said(process)
    time.sleep(after_s)
    process.kill()
    out, _ = process.communicate()
    flushed = [int(line) for line in out.splitlines() if line]
    with Journal(path) as journal:
        records = list(journal.read(run))
        assert journal.runs()[0]["status"] == "interrupted"
    numbers = [one["number"] for one in records if one["kind"] == "reading"]
    assert numbers == list(range(len(numbers)))
    assert len(numbers) >= (flushed[-1] if flushed else 0)
    counts = {"run-opened": 1} | ({"reading": len(numbers)} if numbers else {})
    assert records[-1] == {
        "kind": "run-closed",
        "status": "interrupted",
        "reason": "benchd was interrupted",
        "counts": counts,
        "seq": len(records),
    }


def test_a_live_process_keeps_its_run_when_others_open_the_journal(path: Path) -> None:
    process = child(
        """
        with Journal(path) as journal:
            writer = journal.open_run({})
            print(writer.run, flush=True)
            sys.stdin.readline()
            writer.append({"kind": "mark", "text": "still here"})
            writer.close({"status": "judged"})
        """,
        path,
        stdin=subprocess.PIPE,
    )
    run = said(process)
    with Journal(path) as other, Journal(path) as third:
        assert other.runs()[0]["status"] is None
        assert [one["kind"] for one in third.read(run)] == ["run-opened"]
        _, errors = process.communicate("go on\n")
        assert (process.returncode, errors) == (0, "")
        assert other.runs()[0]["status"] == "judged"
        assert [one["kind"] for one in third.read(run)] == ["run-opened", "mark", "run-closed"]
    assert list(path.with_name("journal.sqlite-live").iterdir()) == []


def test_another_journal_of_the_same_process_is_alive_too(path: Path) -> None:
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        with Journal(path) as other:
            assert other.runs()[0]["status"] is None
        writer.close({"status": "judged"})
        assert journal.runs()[0]["status"] == "judged"


def test_a_run_left_open_by_a_closed_journal_counts_as_interrupted(path: Path) -> None:
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        fill(writer, 5)
    with Journal(path) as journal:
        assert journal.runs()[0]["status"] == "interrupted"
        assert [one["kind"] for one in journal.read(writer.run)].count("reading") == 5


def test_a_process_that_ends_without_closing_still_writes_what_it_was_given(path: Path) -> None:
    process = child(
        """
        journal = Journal(path)
        writer = journal.open_run({})
        for number in range(5000):
            writer.append({"kind": "reading", "number": number})
        """,
        path,
    )
    _, errors = process.communicate()
    assert errors == ""
    with Journal(path) as journal:
        assert sum(one["kind"] == "reading" for one in journal.read(journal.resolve("last"))) == 5000


def test_two_processes_write_one_journal(path: Path) -> None:
    script = """
        with Journal(path) as journal:
            for _ in range(5):
                writer = journal.open_run({})
                for number in range(200):
                    writer.append({"kind": "reading", "number": number})
                writer.close({"status": "judged"})
    """
    processes = [child(script, path) for _ in range(2)]
    assert [process.communicate()[1] for process in processes] == ["", ""]
    with Journal(path) as journal:
        runs = journal.runs(20)
        assert [one["status"] for one in runs] == ["judged"] * 10
        assert all(len(list(journal.read(one["run"]))) == 202 for one in runs)


# --- disks that do not take it --------------------------------------------------------------------------------------------

FILLS_THE_DISK = """
    import resource
    from benchd.errors import StoreError
    with Journal(path) as journal:
        journal.check_writable()
        writer = journal.open_run({"procedure": "regulator"})
        writer.flush()
        resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
        flushed = 0
        try:
            for number in range(100_000):
                writer.append({"kind": "reading", "number": number, "fill": "x" * 200})
                if number % 100 == 99:
                    writer.flush()
                    flushed = number + 1
        except StoreError as error:
            print(error)
        try:
            writer.close({"status": "failed"})
        except StoreError as error:
            print(error)
        print(flushed)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs RLIMIT_FSIZE")
def test_a_disk_that_fills_up_is_said_and_what_was_flushed_is_kept(path: Path) -> None:
    out, errors = child(FILLS_THE_DISK, path).communicate()
    assert errors == ""
    first, at_close, flushed = out.splitlines()
    assert first.startswith(f"{path}: the disk")
    assert first.endswith("; the last 100 records are not kept")
    assert at_close == first
    with Journal(path) as journal:
        run = journal.runs()[0]
        kept = sum(one["kind"] == "reading" for one in journal.read(run["run"]))
        assert (run["status"], kept) == ("interrupted", int(flushed))
        assert int(flushed) > 100


def test_a_full_database_fails_the_next_call(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite's own 'full', by a limit on its pages instead of a full disk."""
    from benchd import journal_writer

    connect = journal_writer.connect

    def small(path: Path) -> sqlite3.Connection:
        db = connect(path)
        db.execute("PRAGMA max_page_count = 20")
        return db

    monkeypatch.setattr(journal_writer, "connect", small)
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        writer.append({"kind": "mark", "text": "x" * 200_000})
        with pytest.raises(StoreError, match="the disk is full: make room"):
            writer.flush()
        with pytest.raises(StoreError, match="the disk is full: make room"):
            writer.append(reading(1))


def test_too_little_free_space_stops_before_the_engine_starts(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_module, "LEAST_FREE_BYTES", 10**18)
    with Journal(path) as journal, pytest.raises(StoreError, match="MB are free on this disk, a run wants"):
        journal.check_writable()


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user of this computer may enter (pytest's own may not)."""
    with tempfile.TemporaryDirectory() as name:
        os.chmod(name, 0o755)
        yield Path(name)


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
def test_a_folder_that_may_not_be_written_is_said_and_can_still_be_read(open_folder: Path) -> None:
    path = open_folder / "journal.sqlite"
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        writer.close({"status": "judged"})
        left_open = journal.open_run(OPENED).run
    for one in (open_folder, *open_folder.iterdir()):
        one.chmod(one.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH))
    process = child(
        """
        import os
        from benchd.errors import StoreError
        if os.geteuid() == 0:  # root may write everywhere: go on as nobody
            os.setgid(65534)
            os.setuid(65534)
        with Journal(path) as journal:
            print([one["status"] for one in journal.runs()], len(list(journal.read(journal.resolve("last")))))
            for attempt in (journal.check_writable, lambda: journal.open_run({})):
                try:
                    attempt()
                except StoreError as error:
                    print(error)
        """,
        path,
    )
    out, errors = process.communicate()
    open_folder.chmod(0o755)
    assert errors == ""
    listed, checked, opened = out.splitlines()
    assert listed == "[None, 'judged'] 1", left_open
    for text in (checked, opened):
        assert text.startswith(f"{path}: it cannot be ")
        assert "check" in text


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with Journal(tmp_path / "file" / "journal.sqlite") as journal, pytest.raises(StoreError, match="file"):
        journal.check_writable()


# --- files that are no journal --------------------------------------------------------------------------------------------


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.write_bytes(b"no database, but long enough to look at" * 50)
    with pytest.raises(StoreError, match="this file is no journal"):
        Journal(path)


def test_another_programs_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE theirs (x)")
    db.close()
    with pytest.raises(StoreError, match="another program's"):
        Journal(path)
    db = sqlite3.connect(path)
    assert [row[0] for row in db.execute("SELECT name FROM sqlite_master")] == ["theirs"]
    db.close()


def test_a_newer_schema_is_refused(path: Path) -> None:
    with Journal(path) as journal:
        journal.open_run(OPENED).close({"status": "judged"})
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(StoreError, match=r"newer benchd \(schema 99"):
        Journal(path)


def test_an_empty_file_is_an_empty_journal(path: Path) -> None:
    """As left by a process that died between making the file and its tables."""
    path.parent.mkdir()
    path.touch()
    with Journal(path) as journal:
        assert journal.runs() == []
        journal.open_run(OPENED).close({"status": "judged"})
        assert len(journal.runs()) == 1


def test_home_is_moved_by_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path / "elsewhere"))
    assert home() == tmp_path / "elsewhere"
    with Journal() as journal:
        journal.open_run(OPENED).close({"status": "judged"})
    assert (tmp_path / "elsewhere" / "journal.sqlite").is_file()
    monkeypatch.delenv("BENCHD_HOME")
    assert home().is_absolute()
    assert home().name == "benchd"


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_a_stopped_process_is_alive(path: Path) -> None:
    """Frozen (Ctrl-Z, a debugger), not dead: its run is its own."""
    process = child("with Journal(path) as j:\n    print(j.open_run({}).run, flush=True)\n    time.sleep(60)", path)
    said(process)
    process.send_signal(signal.SIGSTOP)
    try:
        with Journal(path) as journal:
            assert journal.runs()[0]["status"] is None
    finally:
        process.kill()
        process.communicate()
    with Journal(path) as journal:
        assert journal.runs()[0]["status"] == "interrupted"
