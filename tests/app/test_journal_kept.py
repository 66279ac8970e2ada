"""Retention, backups and the restore; reading by row, from other threads, and being told of commits."""

from __future__ import annotations

import json
import sqlite3
import statistics
import threading
import time
from collections.abc import Mapping
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from journal_world import OPENED, behind, child, end, one_run, reading, sample, troubles

from benchd import journal_backup, journal_thin
from benchd.cli import cli
from benchd.errors import StoreError
from benchd.journal import Journal
from benchd.journal_backup import backup, restore
from benchd.journal_disk import LifeSign

LATER = datetime(2027, 4, 1, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "kept" / "journal.sqlite"


# --- retention ----------------------------------------------------------------------------------------------------------


def of_kinds(journal: Journal, run: str, *kinds: str) -> list[dict[str, Any]]:
    return [one for one in journal.read(run) if one["kind"] in kinds]


def but_readings(journal: Journal, run: str) -> list[dict[str, Any]]:
    return [one for one in journal.read(run) if one["kind"] not in ("reading", "thinned")]


def test_readings_become_averages_and_nothing_else_changes(path: Path) -> None:
    with Journal(path) as journal:
        run = one_run(journal, 400)
        readings, others = of_kinds(journal, run, "reading"), but_readings(journal, run)
        done = journal.thin(LATER, 10.0)
        assert (done.runs, done.readings, done.refused) == (1, 800, ())
        assert but_readings(journal, run) == others
        assert of_kinds(journal, run, "reading") == []
        thinned = of_kinds(journal, run, "thinned")
        assert troubles(journal) == []
        one_run(journal, 5)
        assert troubles(journal) == []
    for name in ("volts", "amps"):
        lines = [one for one in thinned if one["instrument"] == name]
        assert [(one["t_ns"], one["until_ns"], one["n"]) for one in lines] == [
            (start * 10**10, start * 10**10 + 9_900_000_000, 100) for start in range(4)
        ]
        for start, one in enumerate(lines):
            part = [each for each in readings if each["instrument"] == name and each["t_ns"] // 10**10 == start]
            values = [each["value"] for each in part if each["value"] is not None]
            assert one["seq"] == part[-1]["seq"]
            assert one["flags"] == part[0]["flags"]
            if values:
                assert (one["min"], one["max"]) == (min(values), max(values))
                assert one["mean"] == pytest.approx(statistics.fmean(values), rel=1e-12)
            else:
                assert (one["min"], one["mean"], one["max"]) == (None, None, None)


def test_the_file_is_smaller_inside_and_the_room_is_used_again(path: Path) -> None:
    with Journal(path) as journal:
        for _ in range(3):
            one_run(journal, 2000, rows=200)
        done = journal.thin(LATER, 10.0)
        assert done.bytes > 3 * 4000 * 100
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        free = db.execute("PRAGMA freelist_count").fetchone()[0] * db.execute("PRAGMA page_size").fetchone()[0]
    size = path.stat().st_size
    assert free > 0.8 * done.bytes
    with Journal(path) as journal:
        one_run(journal, 2000, rows=200)
    assert path.stat().st_size == size


def test_only_closed_old_and_forwarded_runs_are_thinned_and_only_once(path: Path) -> None:
    with Journal(path) as journal:
        old = one_run(journal)
        taken = journal.last_row()
        waiting = one_run(journal)
        young = one_run(journal, started="2027-03-20T10:00:00+00:00")
        opened = journal.open_run(OPENED)
        opened.append(reading(1))
        opened.append(reading(2))
        opened.flush()
        before = datetime(2027, 3, 10, tzinfo=UTC)
        with journal.reader() as reader:
            assert (reader.thinnable(before, taken), reader.thinnable(before)) == (1, 2)
        assert journal.thin(before, 10.0, upto_row=taken - 1).runs == 0
        assert journal.thin(before, 10.0, upto_row=taken).runs == 1
        assert journal.thin(before, 10.0, upto_row=taken).runs == 0
        kept = [len(of_kinds(journal, run, "reading")) for run in (old, waiting, young, opened.run)]
        assert kept == [0, 200, 200, 2]
        assert troubles(journal) == []
        with pytest.raises(ValueError, match="time zone"):
            journal.thin(before.replace(tzinfo=None), 10.0)


def test_a_lone_reading_of_a_step_stays_as_it_is(path: Path) -> None:
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        for number in (0, 1, 200, 400, 401):
            writer.append(reading(number))
        end(writer)
        journal.thin(LATER, 10.0)
        assert [(one["kind"], one["seq"]) for one in journal.read(writer.run)][1:-2] == [
            ("thinned", 3),
            ("reading", 4),
            ("thinned", 6),
        ]
        assert troubles(journal) == []
        for after in range(8):
            assert [one["seq"] for one in journal.read(writer.run, after)] == [
                s for s in (1, 3, 4, 6, 7, 8) if s > after
            ]


def test_a_run_in_many_parts_is_thinned_as_one(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_thin, "PART", 700)
    with Journal(path) as journal:
        run = one_run(journal, 3000, rows=300)
        others = but_readings(journal, run)
        done = journal.thin(LATER, 10.0)
        alone = len(of_kinds(journal, run, "reading"))  # the last before the edge of a part
        assert alone < 20
        assert done.readings == 6000 - alone
        assert but_readings(journal, run) == others
        assert sum(one["n"] for one in of_kinds(journal, run, "thinned")) == 6000 - alone
        assert troubles(journal) == []


def test_what_is_kept_of_a_thinned_run_is_still_checked(path: Path) -> None:
    with Journal(path) as journal:
        run = one_run(journal, 300)
        journal.thin(LATER, 10.0)
    for old, new in (('"battery_volts":[12.5', '"battery_volts":[14.5'), ('"thinned","t_ns":0', '"thinned","t_ns":5')):
        with behind(path) as db:
            db.execute("CREATE TABLE was AS SELECT * FROM events")
            db.execute("UPDATE events SET body = replace(body, ?, ?) WHERE seq = 1", (old, new))
        with Journal(path) as journal:
            told = troubles(journal)
        assert any(one.startswith(f"run {run}: records 1 to") and "the seal is broken" in one for one in told)
        with behind(path) as db:
            db.execute("UPDATE events SET body = (SELECT body FROM was WHERE was.no = events.no)")
            db.execute("DROP TABLE was")
    with Journal(path) as journal:
        assert troubles(journal) == []


def test_a_run_that_does_not_verify_is_not_thinned(path: Path) -> None:
    with Journal(path) as journal:
        bad, good = one_run(journal), one_run(journal)
        with behind(path) as db:
            db.execute("UPDATE events SET body = replace(body, '12.5', '14.5') WHERE run_no = 1")
        done = journal.thin(LATER, 10.0)
        assert (done.runs, done.refused) == (1, (bad,))
        assert len(of_kinds(journal, bad, "reading")) == 200
        assert of_kinds(journal, good, "reading") == []


def test_thinning_holds_no_writer_up(path: Path) -> None:
    """A run of 20,000 readings is thinned while another is written, each record waited for."""
    with Journal(path) as journal:
        one_run(journal, 10_000, rows=500)
        writer = journal.open_run({**OPENED, "started": "2027-05-01T10:00:00+00:00"})
        thread = threading.Thread(target=journal.thin, args=(LATER, 10.0))
        thread.start()
        waits = []
        while thread.is_alive():
            begin = time.perf_counter()
            writer.append(sample(1))
            writer.flush()
            waits.append(time.perf_counter() - begin)
        thread.join()
        end(writer)
        assert troubles(journal) == []
    assert len(waits) > 5
    assert max(waits) < 1.0, f"a record waited {max(waits):.2f} s"


def test_thinning_killed_at_any_moment_is_finished_the_next_time(path: Path) -> None:
    with Journal(path) as journal:
        run = one_run(journal, 4000, rows=400)
        others = but_readings(journal, run)
    parts: set[int] = set()
    for attempt in range(40):
        if attempt >= 12 and len(parts) > 1:
            break  # a busy machine gets no further in the same time, and is killed later
        process = child(
            """
            from datetime import datetime, UTC
            from benchd import journal_thin
            journal_thin.PART = 1000
            journal = Journal(path)
            print("now", flush=True)
            journal.thin(datetime(2027, 4, 1, tzinfo=UTC), 10.0)
            """,
            path,
        )
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.02 * attempt)
        process.kill()
        process.communicate()
        with Journal(path) as journal:
            assert troubles(journal) == []
            assert but_readings(journal, run) == others
            left = len(of_kinds(journal, run, "reading"))
            assert left + sum(one["n"] for one in of_kinds(journal, run, "thinned")) == 8000
            parts.add(left)
    with Journal(path) as journal:
        journal.thin(LATER, 10.0)
        assert len(of_kinds(journal, run, "reading")) < 40  # alone at the edge of a part
        assert troubles(journal) == []
    assert any(40 < one < 8000 for one in parts) or len(parts) > 1, "never killed half way: this tried nothing"


# --- backup and restore -------------------------------------------------------------------------------------------------


def records_of(path: Path) -> dict[str, list[dict[str, Any]]]:
    with Journal(path) as journal:
        return {one["run"]: list(journal.read(one["run"])) for one in journal.runs(1000)}


def test_a_backup_is_one_moment_of_a_journal_under_way(path: Path, tmp_path: Path) -> None:
    """Copied six times while a thread writes; every copy is whole, and what was flushed is in it."""
    stop = threading.Event()
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        flushed = 0

        def write() -> None:
            nonlocal flushed
            number = 0
            while not stop.is_set():
                for _ in range(100):
                    writer.append(reading(number))
                    number += 1
                writer.flush()
                flushed = number
                time.sleep(0.01)

        thread = threading.Thread(target=write)
        thread.start()
        try:
            for copy in range(6):
                at_least = flushed
                target = tmp_path / f"copy-{copy}.sqlite"
                journal.backup(target)
                with Journal(target) as kept:
                    assert troubles(kept) == []
                    numbers = [one["t_ns"] // 100_000_000 for one in kept.read(writer.run) if one["kind"] == "reading"]
                    assert numbers == list(range(len(numbers)))
                    assert len(numbers) >= at_least
                    assert kept.info(writer.run)["status"] == "interrupted"
        finally:
            stop.set()
            thread.join()
        assert flushed > 500
        assert journal.info(writer.run)["status"] is None


def test_a_backup_writes_over_nothing_and_leaves_no_rest(path: Path, tmp_path: Path) -> None:
    target = tmp_path / "out" / "copy.sqlite"
    with pytest.raises(StoreError, match="no journal here yet"):
        backup(path, target)
    with Journal(path) as journal:
        one_run(journal)
        target.parent.mkdir(exist_ok=True)
        target.write_text("precious")
        with pytest.raises(StoreError, match="is there already, and is not written over"):
            journal.backup(target)
    assert [one.name for one in target.parent.iterdir()] == ["copy.sqlite"]
    assert target.read_text() == "precious"


def test_a_backup_of_a_journal_that_is_not_in_order_is_no_backup(path: Path, tmp_path: Path) -> None:
    with Journal(path) as journal:
        one_run(journal)
        with behind(path) as db:
            db.execute("UPDATE events SET body = replace(body, '12.5', '14.5')")
        with pytest.raises(StoreError, match=r"this copy is not in order: run .* altered"):
            journal.backup(tmp_path / "copy.sqlite")
    assert not (tmp_path / "copy.sqlite").exists()


def test_a_backup_leaves_the_disk_room_for_runs(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(journal_backup, "LEAVE_FREE_BYTES", 10**18)
    with Journal(path) as journal:
        one_run(journal)
        with pytest.raises(StoreError, match="MB are free on this disk: make room, or give a target on another disk"):
            journal.backup(tmp_path / "copy.sqlite")


def test_the_restore(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole procedure by the commands: back up, go on, lose the journal, put the backup back, go on."""
    monkeypatch.setenv("BENCHD_HOME", str(path.parent))
    run = CliRunner().invoke
    with Journal(path) as journal:
        one_run(journal)
        daemon = journal.daemon_id("Tessel Lane")
        left_open = journal.open_run(OPENED).run
        done = run(cli, ["backup", "--json"])
        assert done.exit_code == 0, done.output
        copy = Path(json.loads(done.stdout)["file"])
        generation = journal.generation()
        journal.open_run(OPENED)
        refused = run(cli, ["backup", "--restore", str(copy)], standalone_mode=False)
        assert "conducts a run here: let it end first" in str(refused.exception)
    path.write_bytes(b"lost to a failing disk" * 1000)
    before, lost = copy.read_bytes(), path.read_bytes()
    done = run(cli, ["backup", "--restore", str(copy), "--json"])
    assert done.exit_code == 0, done.output
    assert copy.read_bytes() == before
    assert Path(json.loads(done.stdout)["moved_to"]).read_bytes() == lost
    with Journal(path) as journal:
        assert [one["status"] for one in journal.runs()] == ["interrupted", "judged"]
        assert journal.runs()[0]["run"] == left_open
        assert journal.daemon_id("Tessel Lane") == daemon
        assert journal.generation() not in ("", generation)
        one_run(journal)
        assert troubles(journal) == []
    both = run(cli, ["backup", str(copy), "--restore", str(copy)])
    assert "--restore takes the backup alone" in str(both.exception) + both.output


def test_a_restore_keeps_the_old_journal_with_what_was_in_its_log(path: Path, tmp_path: Path) -> None:
    with Journal(path) as journal:
        one_run(journal)
        journal.backup(tmp_path / "copy.sqlite")
    child("j = Journal(path)\nw = j.open_run({})\nimport os\nos.kill(os.getpid(), 9)", path).communicate()
    assert path.with_name("journal.sqlite-wal").stat().st_size
    moved = restore(path, tmp_path / "copy.sqlite")
    assert moved is not None
    assert (len(records_of(moved)), len(records_of(path))) == (2, 1)
    assert sorted(one.name for one in path.parent.iterdir() if ".part" in one.name) == []


def test_a_restore_waits_for_the_daemon_and_takes_no_bad_copy(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"
    with Journal(path) as journal:
        one_run(journal)
        journal.backup(copy)
    sign = LifeSign(path.parent)
    (path.parent / sign.name).rename(path.parent / "daemon.lock")
    with pytest.raises(StoreError, match="the daemon works with this journal: stop it"):
        restore(path, copy)
    sign.end()
    (path.parent / "daemon.lock").unlink()
    before = path.read_bytes()
    with behind(copy) as db:
        db.execute("UPDATE events SET body = replace(body, '12.5', '14.5')")
    with pytest.raises(StoreError, match="this copy is not in order"):
        restore(path, copy)
    assert path.read_bytes() == before


def test_thin_by_the_command_waits_for_the_forwarders(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchd.forward.store import Cursor, ForwardStore

    monkeypatch.setenv("BENCHD_HOME", str(path.parent))
    with Journal(path) as journal:
        one_run(journal)
        taken = journal.last_row()
        one_run(journal, started=(datetime.now(UTC) - timedelta(days=400)).isoformat())
    store = ForwardStore(path.with_name("forward.sqlite"))
    store.move("series", Cursor(taken))
    run = CliRunner().invoke
    told = run(cli, ["thin", "--older-than", "0"])  # the first is of 2027: still to come
    assert "0 runs thinned" in told.output
    assert "1 runs wait until every forwarder has taken them" in told.output
    store.move("series", Cursor(taken + 1000))
    store.close()
    assert json.loads(run(cli, ["thin", "--older-than", "365", "--step", "60", "--json"]).stdout)["runs"] == 1
    assert run(cli, ["thin"]).exit_code == 2


# --- reading by row -----------------------------------------------------------------------------------------------------


def test_the_tail_is_every_record_once_in_the_order_of_the_commits(path: Path) -> None:
    with Journal(path) as journal, journal.reader() as reader:
        assert (reader.tail(0), reader.last_row(), reader.generation()) == ([], 0, "")
        writers = [journal.open_run(OPENED) for _ in range(3)]
        taken: list[tuple[str, int]] = []
        row = 0
        for number in range(90):
            writers[number % 3].append(reading(number))
            if number % 10 == 0:
                writers[number % 3].flush()
                for one in reader.tail(row, limit=4):
                    row = one.no
                    taken += [(one.run, record["seq"]) for record in one.records]
                    assert one.run_no == journal.info(one.run)["run_no"]
        for writer in writers:
            end(writer)
        while rows := reader.tail(row, limit=4):
            assert [one.no for one in rows] == sorted(one.no for one in rows)
            row = rows[-1].no
            taken += [(one.run, record["seq"]) for one in rows for record in one.records]
        assert row == reader.last_row() == journal.last_row()
        assert sorted(taken) == sorted((run.run, seq) for run in writers for seq in range(1, 34))
        assert [one.no for one in reader.tail(3, upto=5)] == [4, 5]


def test_a_reader_may_be_used_in_another_thread_while_the_journal_is_written(path: Path) -> None:
    with Journal(path) as journal:
        writer = journal.open_run(OPENED)
        seen: list[int] = []

        def follow() -> None:
            row = 0
            with journal.reader() as reader:
                while len(seen) < 2003:
                    for one in reader.tail(row):
                        row = one.no
                        seen.extend(record["seq"] for record in one.records)

        thread = threading.Thread(target=follow)
        thread.start()
        for number in range(2000):
            writer.append(reading(number))
            if number % 100 == 0:
                writer.flush()
        end(writer)
        thread.join(30)
    assert seen == list(range(1, 2004))


def test_who_asked_is_told_after_every_commit_and_its_faults_are_its_own(
    path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    told: list[tuple[int, Mapping[str, int], int]] = []
    with Journal(path) as journal, journal.reader() as reader:

        def listen(row: int, news: Mapping[str, int]) -> None:
            told.append((row, news, reader.last_row()))
            if len(told) == 2:
                raise ZeroDivisionError("a listener's fault")

        journal.on_commit = listen
        writer = journal.open_run(OPENED)
        assert told == [(1, {writer.run: 1}, 1)]
        for number in range(3):
            writer.append(reading(number))
            writer.flush()
        end(writer)
    assert all(row <= newest for row, _, newest in told)
    assert told[-1][1] == {writer.run: 6}
    assert "whoever is told of new records failed" in caplog.text


def test_runs_of_one_bench_and_page_by_page(path: Path) -> None:
    with Journal(path) as journal:
        runs = [one_run(journal, 1, bench=f"bay {number % 2}") for number in range(6)]
        assert [one["run"] for one in journal.runs(bench="bay 1")] == [runs[5], runs[3], runs[1]]
        assert [one["run"] for one in journal.runs(2, before=runs[4])] == [runs[3], runs[2]]
        assert [one["run"] for one in journal.runs(bench="bay 0", before=runs[4])] == [runs[2], runs[0]]
        assert journal.info(runs[3]) == {**journal.runs(1, before=runs[4])[0], "run_no": 4}
        for look in (lambda: journal.runs(before="x"), lambda: journal.info("x"), lambda: journal.digest("x")):
            with pytest.raises(StoreError, match="there is no run 'x'"):
                look()


def test_the_daemon_is_known_by_one_name_for_ever(path: Path, tmp_path: Path) -> None:
    with Journal(path) as journal:
        first = journal.daemon_id("Tessel Lane, hall 2")
    with Journal(path) as journal, Journal(tmp_path / "other.sqlite") as other:
        assert journal.daemon_id("Tessel Lane, hall 2") == first
        assert first.startswith("tessel-lane-hall-2-")
        assert len(first.rsplit("-", 1)[1]) == 8
        assert other.daemon_id("Tessel Lane, hall 2") != first
