"""Journals of older and of newer programs: brought forward whole or left as they are."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest
from journal_world import OPENED, child, first_schema, one_run, troubles

from benchd import journal_migrate
from benchd.errors import StoreError
from benchd.journal import Journal
from benchd.journal_disk import LifeSign
from benchd.journal_read import JournalReader


def version(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        return int(db.execute("PRAGMA user_version").fetchone()[0])


def files(folder: Path) -> dict[str, str]:
    return {one.name: hashlib.sha256(one.read_bytes()).hexdigest() for one in folder.iterdir() if one.is_file()}


def numbered(records: list[dict[str, object]]) -> list[dict[str, object]]:
    return [{**one, "seq": seq} for seq, one in enumerate(records, 1)]


def test_the_first_schema_is_brought_forward_and_every_record_is_the_same(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    held = first_schema(path)
    with closing(sqlite3.connect(path)) as db:
        bodies = [row[0] for row in db.execute("SELECT body FROM events ORDER BY rowid")]
        listed = db.execute("SELECT * FROM runs ORDER BY no").fetchall()
    with Journal(path) as journal:
        assert troubles(journal) == []
        for run, records in held.items():
            assert list(journal.read(run)) == numbered(records)
        new = one_run(journal)
        assert troubles(journal) == []
        assert journal.info(new)["run_no"] == 4
    with closing(sqlite3.connect(path)) as db:
        assert [row[0] for row in db.execute("SELECT body FROM events WHERE run_no < 4 ORDER BY no")] == bodies
        assert db.execute("SELECT * FROM runs WHERE no < 4 ORDER BY no").fetchall() == listed
        assert [row[0] for row in db.execute("SELECT no FROM events ORDER BY no")] == list(
            range(1, db.execute("SELECT count(*) FROM events").fetchone()[0] + 1)
        )
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            db.execute("DELETE FROM events")
    assert version(path) == 4


def test_a_run_that_the_old_program_left_open_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    held = first_schema(path, open_run=True)
    with Journal(path) as journal:
        run, records = list(held.items())[-1]
        assert journal.info(run)["status"] == "interrupted"
        assert list(journal.read(run))[:-1] == numbered(records)
        assert troubles(journal) == []


def test_an_old_program_at_work_is_not_disturbed(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    first_schema(path, open_run=True)
    sign = LifeSign(tmp_path / "journal.sqlite-live")
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE runs SET owner = ? WHERE status IS NULL", (sign.name,))
    with pytest.raises(StoreError, match=r"must be brought up to date.*an older benchd conducts run 20270301"):
        Journal(path)
    assert version(path) == 1
    sign.end()
    with Journal(path) as journal:
        assert troubles(journal) == []


def test_a_migration_that_fails_half_way_leaves_the_old_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "journal.sqlite"
    held = first_schema(path)
    before = files(tmp_path)["journal.sqlite"]
    links = journal_migrate.chain.links
    calls = []

    def breaks(digest: bytes, texts: list[bytes]) -> bytes:
        calls.append(1)
        if len(calls) > 10:
            raise OSError("pulled the plug")
        return links(digest, texts)

    monkeypatch.setattr(journal_migrate.chain, "links", breaks)
    with pytest.raises(StoreError, match=r"must be brought up to date.*pulled the plug"):
        Journal(path)
    assert (version(path), files(tmp_path)["journal.sqlite"]) == (1, before)
    monkeypatch.undo()
    with Journal(path) as journal:
        assert [list(journal.read(run)) for run in held] == [numbered(records) for records in held.values()]


def test_a_migration_killed_at_any_moment_is_undone_or_done(tmp_path: Path) -> None:
    """A migration of 9,000 records, killed at twelve moments of its way."""
    found = set()
    held = first_schema(tmp_path / "old" / "journal.sqlite", fill=3000)
    for attempt in range(12):
        path = Path(shutil.copytree(tmp_path / "old", tmp_path / str(attempt))) / "journal.sqlite"
        before = files(path.parent)["journal.sqlite"]
        process = child("print('now', flush=True)\nJournal(path).close()\nprint('done', flush=True)", path)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.02 * attempt)
        process.kill()
        process.communicate()
        if version(path) == 1:
            assert files(path.parent)["journal.sqlite"] == before
        found.add(version(path))
        with Journal(path) as journal:
            assert troubles(journal) == []
            assert all(list(journal.read(run)) == numbered(records) for run, records in held.items())
    assert 1 in found  # else this tried nothing


def test_an_old_journal_is_not_read_where_it_may_not_be_written(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    first_schema(path)
    with (
        JournalReader(path) as reader,
        pytest.raises(StoreError, match=r"an older benchd \(schema 1.*brings it up to date"),
    ):
        reader.runs()


@pytest.mark.parametrize("log_left", [False, True], ids=["tidy", "as its program died"])
def test_a_newer_journal_is_refused_byte_for_byte(tmp_path: Path, log_left: bool) -> None:
    made = tmp_path / "made"
    path = made / "journal.sqlite"
    with Journal(path) as journal:
        one_run(journal)
    db = sqlite3.connect(path)
    db.execute("PRAGMA journal_mode=WAL" if log_left else "PRAGMA journal_mode=DELETE")
    db.execute("PRAGMA user_version = 5")
    db.execute("CREATE TABLE things_to_come (x)")
    db.commit()
    if log_left:  # a copy with its log, taken while it is open
        kept = {one.name: one.read_bytes() for one in made.iterdir() if one.is_file()}
        db.close()
        for name, data in kept.items():
            (made / name).write_bytes(data)
    db.close()
    before = {name: one for name, one in files(made).items() if not name.endswith("-shm")}  # locks, no data
    assert ("journal.sqlite-wal" in before) == log_left
    with pytest.raises(StoreError, match=r"written by a newer benchd \(schema 5, this one knows 4\): update benchd"):
        Journal(path)
    from benchd import journal_disk

    for look in (journal_disk.connect, journal_disk.connect_to_read):
        with pytest.raises(StoreError, match="newer benchd"):
            look(path)
    after = {name: one for name, one in files(made).items() if not name.endswith("-shm")}
    assert {name: one for name, one in after.items() if one != hashlib.sha256(b"").hexdigest()} == before


def test_an_old_journal_of_a_real_size_takes_seconds_not_minutes(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    first_schema(path, runs=3, fill=10_000)
    size = os.path.getsize(path)
    begin = time.perf_counter()
    Journal(path).close()
    took_s = time.perf_counter() - begin
    assert took_s < 15, f"{size / 1e6:.0f} MB took {took_s:.1f} s; measured 1 s"


def test_the_fixture_is_the_first_schema(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    held = first_schema(path)
    assert version(path) == 1
    with closing(sqlite3.connect(path)) as db:
        columns = [row[1] for row in db.execute("PRAGMA table_info(events)")]
        assert columns == ["run_no", "seq", "records", "body"]
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            db.execute("UPDATE events SET body = ''")
    assert all(records[0]["procedure"] == OPENED["procedure"] for records in held.values())
