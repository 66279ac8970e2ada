"""Killed at any moment, a full disk and room again, a disk that turns read-only, a clock put back, a bad record."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from journal_world import OPENED, child, end, one_run, reading, troubles

from benchd import journal as journal_module
from benchd.errors import StoreError
from benchd.journal import Journal

# --- kill -9 --------------------------------------------------------------------------------------------------------------

#: Forks a writer for every line of stdin, so that a hundred need no hundred imports. A writer conducts two runs and
#: says of each how many records are committed.
NURSERY = """
import os
import pydantic_core

def write():
    with Journal(path) as journal:
        writers = [journal.open_run({"procedure": "regulator"}) for _ in range(2)]
        numbers = [0, 0]
        while True:
            for which, writer in enumerate(writers):
                for _ in range(5):
                    writer.append({"kind": "reading", "number": numbers[which]})
                    numbers[which] += 1
                if which == 0 or numbers[1] % 25 == 0:
                    writer.flush()
                    os.write(1, f"{writer.run} {numbers[which]}\\n".encode())
            if numbers[1] % 200 == 0:
                writers[1].close({"status": "judged"})
                os.write(1, f"{writers[1].run} {numbers[1]}\\n".encode())
                writers[1] = journal.open_run({"procedure": "stator"})
                numbers[1] = 0

for _ in sys.stdin:
    pid = os.fork()
    if pid == 0:
        write()
    os.write(1, f"pid {pid}\\n".encode())
    os.waitpid(pid, 0)
    os.write(1, b"dead 0\\n")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_killed_at_a_hundred_random_moments_nothing_committed_is_lost(tmp_path: Path) -> None:
    """One journal through all the kills: what was said to be committed is there, in order, and the whole verifies."""
    path = tmp_path / "journal.sqlite"
    Journal(path).close()
    chance = random.Random(20261125)
    nursery = child(NURSERY, path, stdin=subprocess.PIPE)
    assert nursery.stdin is not None
    assert nursery.stdout is not None
    committed: dict[str, int] = {}
    longest_s = 0.12
    for attempt in range(100):
        before = len(committed)
        print("one more", file=nursery.stdin, flush=True)
        while not (said := nursery.stdout.readline().split()) or said[0] != "pid":
            committed[said[0]] = int(said[1])  # the child may be faster than its parent
        time.sleep(chance.uniform(0.0, longest_s))
        os.kill(int(said[1]), signal.SIGKILL)
        while (said := nursery.stdout.readline().split())[0] != "dead":
            committed[said[0]] = int(said[1])
        # A busy machine commits later.
        longest_s = min(2.0, longest_s * 1.2) if len(committed) == before else max(0.12, longest_s * 0.9)
        if attempt % 10 == 9:
            with Journal(path) as journal:
                assert troubles(journal) == []
    nursery.stdin.close()
    nursery.wait(10)
    with Journal(path) as journal:
        assert len(committed) > 50
        for run, count in committed.items():
            numbers = [one["number"] for one in journal.read(run) if one["kind"] == "reading"]
            assert numbers == list(range(len(numbers)))
            assert len(numbers) >= count
        assert all(one["status"] in ("interrupted", "judged") for one in journal.runs(10_000))
        assert troubles(journal) == []
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


# --- a full disk, and room again ------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MB."""
    folder = tmp_path / "small"
    folder.mkdir()
    try:
        made = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", folder], capture_output=True, check=False
        )
    except FileNotFoundError:
        pytest.skip("no mount on this system")
    if made.returncode:
        pytest.skip(f"a small file system needs the right to mount: {made.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def fill_until_refused(journal: Journal) -> tuple[str, int, str]:
    """(run, records flushed, what was said). A few at once: what a large commit left behind would have room for a small."""
    writer = journal.open_run(OPENED)
    flushed = 0
    try:
        for number in range(100_000):
            writer.append(reading(number, fill="x" * 200))
            if number % 2:
                writer.flush()
                flushed = number + 1
    except StoreError as refused:
        return writer.run, flushed, str(refused)
    raise AssertionError("the disk took everything")


def test_after_a_full_disk_the_same_journal_goes_on_once_there_is_room(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(journal_module, "LEAST_FREE_BYTES", 0)
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(700_000))
    told: list[dict[str, int]] = []
    with Journal(small_disk / "journal.sqlite") as journal:
        journal.on_commit = lambda row, news: told.append(dict(news))
        first = one_run(journal, 5)
        run, flushed, said = fill_until_refused(journal)
        assert "the disk is full: make room" in said or "the disk does not take it: it is full" in said
        assert "records are not kept" in said
        for attempt in (lambda: journal.open_run(OPENED), journal.recover):
            with pytest.raises(StoreError, match="full"):
                attempt()
        assert journal.info(run)["status"] is None
        ballast.unlink()
        told.clear()
        second = one_run(journal, 5)
        closed = journal.info(run)
        assert closed["status"] == "interrupted"
        assert closed["reason"].startswith("its records could not be kept: ")
        assert told[0] == {run: len(list(journal.read(run)))}
        assert sum(one["kind"] == "reading" for one in journal.read(run)) >= flushed
        assert [one["run"] for one in journal.runs()] == [second, run, first]
        assert troubles(journal) == []
    with Journal(small_disk / "journal.sqlite") as journal:
        assert troubles(journal) == []


def test_a_read_only_remount_is_said_and_read_and_survived(small_disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_module, "LEAST_FREE_BYTES", 0)
    path = small_disk / "journal.sqlite"
    with Journal(path) as journal:
        run = one_run(journal, 5)
    remount(small_disk, "ro")
    with Journal(path) as journal:
        assert journal.runs()[0]["run"] == run
        for attempt in (journal.check_writable, lambda: journal.open_run(OPENED)):
            with pytest.raises(StoreError, match=r"it cannot be|[Rr]ead-only"):
                attempt()
        assert troubles(journal) == []
        remount(small_disk, "rw")
        journal.check_writable()
        second = one_run(journal, 5)
        assert journal.runs()[0]["run"] == second
        assert troubles(journal) == []


def remount(folder: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", folder], check=True)


def test_a_backup_onto_a_disk_without_room_is_refused_or_leaves_no_rest(small_disk: Path, tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.sqlite") as journal:
        one_run(journal, 10_000)
        assert shutil.disk_usage(small_disk).free < journal.path.stat().st_size + 1_000_000
        with pytest.raises(StoreError, match=r"a backup wants|full"):
            journal.backup(small_disk / "copy.sqlite")
    assert list(small_disk.iterdir()) == []


def test_a_writer_that_failed_is_replaced_and_what_it_left_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a small disk: SQLite's own 'full', by a limit on its pages that is lifted later."""
    from benchd import journal_writer

    connect = journal_writer.connect

    def small(path: Path) -> sqlite3.Connection:
        db = connect(path)
        db.execute("PRAGMA max_page_count = 60")
        return db

    with Journal(tmp_path / "journal.sqlite") as journal:
        monkeypatch.setattr(journal_writer, "connect", small)
        other = journal.open_run(OPENED)
        run, flushed, said = fill_until_refused(journal)
        assert "the disk is full" in said
        with pytest.raises(StoreError, match="the disk is full"):
            other.append(reading(1))
        monkeypatch.undo()
        assert journal.recover() == [other.run, run]
        assert journal.recover() == []
        assert sum(one["kind"] == "reading" for one in journal.read(run)) == flushed
        one_run(journal)
        assert [one["status"] for one in journal.runs()] == ["judged", "interrupted", "interrupted"]
        assert troubles(journal) == []


def test_a_record_that_is_no_json_ends_its_own_run_only(tmp_path: Path) -> None:
    with Journal(tmp_path / "journal.sqlite") as journal:
        bad, good = journal.open_run(OPENED), journal.open_run({**OPENED, "bench": "bay 2"})
        good.append(reading(1))
        bad.append({"kind": "mark", "text": object()})
        with pytest.raises(StoreError, match="a 'mark' record cannot be kept"):
            bad.flush()
        good.append(reading(2))
        good.flush()
        third = journal.open_run(OPENED)
        assert [one["status"] for one in journal.runs()] == [None, None, "interrupted"]
        assert "a 'mark' record cannot be kept" in journal.info(bad.run)["reason"]
        end(good)
        end(third)
        assert troubles(journal) == []


# --- the clock ------------------------------------------------------------------------------------------------------------


def test_ids_go_on_when_the_clock_is_put_back_and_started_is_what_it_showed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "journal.sqlite"
    clock = datetime(2027, 3, 1, 10, tzinfo=UTC)
    monkeypatch.setattr(journal_module, "_now", lambda: clock)
    runs, started = [], []
    for step_s in (0, 5, -3600, 1, -86400 * 400, 0):
        clock += timedelta(seconds=step_s)
        with Journal(path) as journal:  # another process each time, as it were
            for _ in range(2):
                writer = journal.open_run({"procedure": "regulator"})
                end(writer)
                runs.append(writer.run)
                started.append(journal.info(writer.run)["started"])
    assert runs == sorted(set(runs))
    assert len({run[:19] for run in runs}) == len(runs)  # in their times, not by the luck of their letters
    assert started[4] == "2027-03-01T09:00:05.000+00:00"
    assert started[8].startswith("2026-01-")
    clock = datetime(2027, 3, 2, tzinfo=UTC)
    with Journal(path) as journal:
        assert one_run(journal, 1).startswith("20270302-000000-000")
        assert [one["run"] for one in journal.runs(50)][1:] == runs[::-1]
        assert troubles(journal) == []


def test_a_disk_that_stands_still_is_told_before_many_runs_fill_the_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchd import journal_writer

    monkeypatch.setattr(journal_writer, "BOUND", 2000)
    with Journal(tmp_path / "journal.sqlite") as journal:
        writers = [journal.open_run({"procedure": "regulator"}) for _ in range(8)]
        assert journal._writer is not None
        monkeypatch.setattr(journal._writer, "_write", lambda db: None)
        taken = 0

        def fill() -> None:
            nonlocal taken
            for number in range(2000):
                for writer in writers:
                    writer.append({"kind": "mark", "t_ns": number, "text": ""})
                    taken += 1

        with pytest.raises(StoreError, match=r"does not keep up: 2[0-9]{3} records wait"):
            fill()
        assert 2000 <= taken < 2000 + 8 * journal_writer.LOOK_EVERY
        monkeypatch.undo()
