"""The bench's own append-only record of every run, in one SQLite file.

One Journal = one process' door to it. Records go through one writer thread, many to a commit, and are on the disk
within 0.1 s (an ordinary disk). Killed at any moment, what was flushed is there; the run that was under way is closed
as 'interrupted' by whoever opens the journal next. Others may read while one writes.
"""

from __future__ import annotations

import atexit
import json
import os
import secrets
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from benchd import journal_disk as disk
from benchd.errors import StoreError
from benchd.journal_writer import INSERT_EVENTS, GroupWriter, Queue, note_in_list, rows_of, transaction

FILE_NAME = "journal.sqlite"
#: Free space below which no engine is started: a hundred long runs.
LEAST_FREE_BYTES = 64 * 1024 * 1024
INTERRUPTED = "benchd was interrupted"

_LETTERS = "abcdefghjkmnpqrstuvwxyz"
_LISTED = "run, procedure, bench, spec, work_order, unit, started, ended, duration_s, status, reason, verdict, suspect"


def home() -> Path:
    """Where benchd writes: BENCHD_HOME, else the platform's folder for a user's data. It need not exist yet."""
    if given := os.environ.get("BENCHD_HOME"):
        return Path(given)
    from platformdirs import user_data_path

    return user_data_path("benchd", appauthor=False)


class RunWriter:
    """One open run. Records are JSON-ready dicts with a `kind`; they belong to the journal once appended."""

    def __init__(self, run: str, queue: Queue, writer: GroupWriter) -> None:
        self._run = run
        self._queue = queue
        self._writer = writer
        self._closed = False

    @property
    def run(self) -> str:
        return self._run

    @property
    def backlog(self) -> int:
        """Records that wait for the disk. Whoever appends faster than a disk writes calls flush() now and then."""
        return len(self._queue.waiting)

    def append(self, record: Mapping[str, Any]) -> None:
        """Hand over one record; never waits. StoreError on the first call after a write has failed."""
        if self._closed:
            raise StoreError(f"run {self._run} is closed: nothing can be added")
        self._writer.put(self._queue, record)

    def flush(self) -> None:
        """Wait until all records so far are on the disk. StoreError if they cannot be."""
        self._writer.flush(self._queue)

    def close(self, body: Mapping[str, Any]) -> None:
        """Append the run-closed record (`status`, `reason`, `counts`) and wait until it is on the disk."""
        self.append({**body, "kind": "run-closed"})
        self._closed = True
        self.flush()
        self._writer.remove(self._queue)


class Journal:
    """The journal at `path`, by default in home(). A file is made by the first run, not by looking.

    Opening it closes the runs of processes that died. StoreError for a file that is none, damaged or too new.
    """

    def __init__(self, path: str | Path | None = None) -> None:
        self.path = Path(path) if path is not None else home() / FILE_NAME
        self._live = self.path.with_name(self.path.name + "-live")
        self._reading: sqlite3.Connection | None = None
        self._editing: sqlite3.Connection | None = None
        self._writer: GroupWriter | None = None
        self._sign: disk.LifeSign | None = None
        self._last_id = ""
        self._close_interrupted()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Write what waits and let go of the file. Runs that were not closed count as interrupted from now on."""
        atexit.unregister(self.close)
        if self._writer is not None:
            self._writer.stop()
            self._writer = None
        for db in (self._reading, self._editing):
            if db is not None:
                db.close()
        self._reading = self._editing = None
        if self._sign is not None:
            self._sign.end()
            self._sign = None

    # --- writing ----------------------------------------------------------------------------------------------------

    def check_writable(self) -> None:
        """Write something to the disk for a trial, and see that there is room for a run. StoreError says what to do."""
        db = self._editor()
        try:
            with transaction(db):
                db.execute("DELETE FROM tried")
                db.execute("INSERT INTO tried VALUES (?)", (_now().isoformat(),))
            free = shutil.disk_usage(self.path.parent).free
        except (OSError, sqlite3.Error) as error:
            raise disk.trouble(self.path, error) from error
        if free < LEAST_FREE_BYTES:
            raise StoreError(
                f"{self.path}: only {free / 1e6:.0f} MB are free on this disk, a run wants "
                f"{LEAST_FREE_BYTES / 1e6:.0f} MB: make room, or set BENCHD_HOME to a folder on another disk"
            )

    def open_run(self, body: Mapping[str, Any]) -> RunWriter:
        """Begin a run: `body` is the run-opened record without kind and run. It is on the disk on return. StoreError.

        The list of runs takes from it procedure, bench, machine (or spec, if that is a name), work_order, unit and
        started (UTC, ISO 8601; now if missing).
        """
        db = self._editor()
        try:
            if self._sign is None:
                self._sign = disk.LifeSign(self._live)
            run = self._new_id()
            started = body.get("started") or _now().isoformat(timespec="milliseconds")
            record = {**body, "kind": "run-opened", "run": run, "started": started}
            with transaction(db):
                run_no = _list(db, record, self._sign.name)
                db.executemany(INSERT_EVENTS, rows_of(run_no, 1, [record]))
        except (OSError, sqlite3.Error) as error:
            raise disk.trouble(self.path, error) from error
        if self._writer is None:
            self._writer = GroupWriter(self.path)
            atexit.register(self.close)
        queue = Queue(run_no, 2)
        self._writer.add(queue)
        return RunWriter(run, queue, self._writer)

    def _editor(self) -> sqlite3.Connection:
        if self._editing is None:
            self._editing = disk.connect(self.path)
        return self._editing

    def _new_id(self) -> str:
        """UTC to the millisecond and two random letters: sorts by time, and two benches do not meet."""
        moment = _now()
        while (run := f"{moment:%Y%m%d-%H%M%S}-{moment.microsecond // 1000:03d}") <= self._last_id:
            moment += timedelta(milliseconds=1)
        self._last_id = run
        return run + "".join(secrets.choice(_LETTERS) for _ in range(2))

    def _close_interrupted(self) -> None:
        """Close the runs of processes that died; where nothing may be written they are left to the next one."""
        db = self._reader()
        if db is None:
            return
        with self._told():
            found = db.execute("SELECT no, owner FROM runs WHERE status IS NULL").fetchall()
        dead = [(int(row["no"]), str(row["owner"])) for row in found if disk.is_dead(self._live, row["owner"])]
        with suppress(StoreError), self._told():
            for run_no, owner in dead:
                _interrupt(self._editor(), run_no)
                disk.bury(self._live, owner)

    # --- reading ----------------------------------------------------------------------------------------------------

    def runs(self, limit: int = 20, work_order: str | None = None, unit: str | None = None) -> list[dict[str, Any]]:
        """The newest runs first. Keys: see _LISTED; `status` and `verdict` are None while a run is open. StoreError."""
        db = self._reader()
        if db is None:
            return []
        wanted = {"work_order": work_order, "unit": unit}
        given = {key: value for key, value in wanted.items() if value is not None}
        where = f"WHERE {' AND '.join(f'{key} = ?' for key in given)}" if given else ""
        with self._told():
            found = db.execute(f"SELECT {_LISTED} FROM runs {where} ORDER BY no DESC LIMIT ?", (*given.values(), limit))
            return [dict(row) for row in found]

    def resolve(self, name: str) -> str:
        """The id of a run by its id, the beginning of it, or 'last'. StoreError lists what there is."""
        db = self._reader()
        newest = [str(one["run"]) for one in self.runs(5)]
        if db is None or not newest:
            raise StoreError(f"{self.path}: no run is kept yet")
        if name == "last":
            return newest[0]
        with self._told():
            found = db.execute(
                "SELECT run FROM runs WHERE run >= ? AND run < ? ORDER BY run LIMIT 11", (name, name + "\U0010ffff")
            )
            matching = [str(row["run"]) for row in found]
        if name in matching:
            return name
        if not matching:
            raise StoreError(f"no kept run begins with {name!r}; the newest are {', '.join(newest)}, or say 'last'")
        if len(matching) > 1:
            more = ", ..." if len(matching) > 10 else ""
            raise StoreError(f"several runs begin with {name!r}: {', '.join(matching[:10])}{more}; give more of the id")
        return matching[0]

    def read(self, run: str, after_seq: int = 0) -> Iterator[dict[str, Any]]:
        """The records of a run after `after_seq`, in order, each with its `seq` (from 1). StoreError."""
        db = self._reader()
        with self._told():
            row = None if db is None else db.execute("SELECT no FROM runs WHERE run = ?", (run,)).fetchone()
        if db is None or row is None:
            raise StoreError(f"{self.path}: there is no run {run!r}")
        return self._records(db, int(row["no"]), after_seq)

    def _records(self, db: sqlite3.Connection, run_no: int, after_seq: int) -> Iterator[dict[str, Any]]:
        # A few rows at a time: a reader that stops in the middle holds nothing up.
        query = "SELECT seq, records, body FROM events WHERE run_no = ? AND seq > ? AND seq + records > ? ORDER BY seq LIMIT 20"
        while True:
            with self._told():
                rows = db.execute(query, (run_no, after_seq - disk.MAX_ROW, after_seq + 1)).fetchall()
            if not rows:
                return
            for row in rows:
                for seq, record in enumerate(json.loads(row["body"]), row["seq"]):
                    if seq > after_seq:
                        yield {**record, "seq": seq}
            after_seq = rows[-1]["seq"] + rows[-1]["records"] - 1

    def _reader(self) -> sqlite3.Connection | None:
        """The reading connection; None while there is no journal."""
        if self._reading is None and self.path.exists():
            self._reading = disk.connect_to_read(self.path)
        return self._reading

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (OSError, sqlite3.Error) as error:
            raise disk.trouble(self.path, error) from error


def _now() -> datetime:
    return datetime.now(UTC)


def _list(db: sqlite3.Connection, record: Mapping[str, Any], owner: str) -> int:
    """Put a run into the list; its number."""
    spec = record.get("machine") or record.get("spec")
    texts = (
        record["run"], owner, record.get("procedure"), record.get("bench"), spec if isinstance(spec, str) else None,
        record.get("work_order"), record.get("unit"), record["started"],
    )  # fmt: skip
    found = db.execute(
        "INSERT INTO runs (run, owner, procedure, bench, spec, work_order, unit, started) VALUES (?,?,?,?,?,?,?,?)",
        [None if one is None else str(one) for one in texts],
    )
    assert found.lastrowid is not None
    return found.lastrowid


def _interrupt(db: sqlite3.Connection, run_no: int) -> None:
    """Close a dead process' run, unless another reader of the journal just did."""
    with transaction(db):
        if db.execute("SELECT status FROM runs WHERE no = ?", (run_no,)).fetchone()["status"] is not None:
            return
        counts: Counter[str] = Counter()
        last = 0
        for row in db.execute("SELECT seq, records, body FROM events WHERE run_no = ? ORDER BY seq", (run_no,)):
            counts.update(str(record["kind"]) for record in json.loads(row["body"]))
            last = row["seq"] + row["records"] - 1
        closing = {"kind": "run-closed", "status": "interrupted", "reason": INTERRUPTED, "counts": dict(counts)}
        db.executemany(INSERT_EVENTS, rows_of(run_no, last + 1, [closing]))
        note_in_list(db, run_no, [closing])
