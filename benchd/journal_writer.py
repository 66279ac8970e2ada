"""One thread that puts the records of all open runs on the disk, many to a commit."""

from __future__ import annotations

import sqlite3
import threading
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

from benchd.errors import StoreError
from benchd.journal_disk import MAX_ROW, connect, trouble

Record = Mapping[str, Any]

#: The first record after a quiet spell is committed at once, then at most so often: 20 writes to the disk a second.
COMMIT_EVERY_S = 0.05
#: So many waiting records are committed without waiting for the time.
COMMIT_AT = 1000
#: Records that may wait for the disk: about 100 MB. Meters fill it in an hour of standstill; then the run must end.
BOUND = 200_000
FLUSH_S = 30.0


class Queue:
    """The records of one open run on their way to the disk."""

    def __init__(self, run_no: int, next_seq: int) -> None:
        self.run_no = run_no
        self.next_seq = next_seq
        self.waiting: deque[Record] = deque()
        self.appended = 0
        self.durable = 0


class GroupWriter:
    """Owns the writing connection. Any number of threads may call it; each run is appended to by one at a time."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._queues: list[Queue] = []
        self._news = threading.Event()
        self._hurry = threading.Event()
        self._state = threading.Condition()
        self._stopping = False
        self._failure = ""
        self._thread = threading.Thread(target=self._work, name="benchd journal", daemon=True)
        self._thread.start()

    def add(self, queue: Queue) -> None:
        with self._state:
            self._queues.append(queue)

    def remove(self, queue: Queue) -> None:
        with self._state, suppress(ValueError):
            self._queues.remove(queue)

    def put(self, queue: Queue, record: Record) -> None:
        """Hand over one record; never waits. StoreError once a write has failed, or if the disk does not keep up."""
        if self._failure:
            raise StoreError(self._failure)
        waiting = len(queue.waiting)
        if waiting >= BOUND:
            raise StoreError(f"{self._path}: the disk does not keep up: {waiting} records wait for it")
        queue.waiting.append(record)
        queue.appended += 1
        if not self._news.is_set():
            self._news.set()
        if waiting == COMMIT_AT:
            self._hurry.set()

    def flush(self, queue: Queue) -> None:
        """Wait until everything handed over is on the disk. StoreError if it cannot be."""
        target = queue.appended
        self._hurry.set()
        self._news.set()
        with self._state:
            self._state.wait_for(lambda: queue.durable >= target or self._failure, FLUSH_S)
        if queue.durable < target:
            raise StoreError(self._failure or f"{self._path}: nothing was written for {FLUSH_S:.0f} s: check the disk")

    def stop(self) -> None:
        """Write what waits and end the thread."""
        self._stopping = True
        self._hurry.set()
        self._news.set()
        self._thread.join(FLUSH_S)

    # --- in the thread ----------------------------------------------------------------------------------------------

    def _work(self) -> None:
        try:
            with closing(connect(self._path)) as db:
                while self._round(db):
                    pass
        except StoreError as error:
            self._fail(str(error))
        except Exception as error:  # whatever it is, whoever waits must hear of it
            self._fail(f"{self._path}: the journal's writer broke: {type(error).__name__}: {error}")

    def _round(self, db: sqlite3.Connection) -> bool:
        self._news.wait()
        stopping = self._stopping
        self._news.clear()
        self._hurry.clear()
        self._write(db)
        if not stopping:
            self._hurry.wait(COMMIT_EVERY_S)
        return not stopping

    def _write(self, db: sqlite3.Connection) -> None:
        with self._state:
            queues = list(self._queues)
        batches = [(queue, [queue.waiting.popleft() for _ in range(len(queue.waiting))]) for queue in queues]
        batches = [(queue, records) for queue, records in batches if records]
        if not batches:
            return
        rows = [row for queue, records in batches for row in rows_of(queue.run_no, queue.next_seq, records)]
        try:
            with transaction(db):
                db.executemany(INSERT_EVENTS, rows)
                for queue, records in batches:
                    note_in_list(db, queue.run_no, records)
        except sqlite3.Error as error:
            raise trouble(self._path, error) from error
        with self._state:
            for queue, records in batches:
                queue.next_seq += len(records)
                queue.durable += len(records)
            self._state.notify_all()

    def _fail(self, why: str) -> None:
        with self._state:
            lost = sum(queue.appended - queue.durable for queue in self._queues)
            self._failure = f"{why}; the last {lost} records are not kept" if lost else why
            self._state.notify_all()


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All or nothing; durable when it is left."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):
            db.execute("ROLLBACK")
        raise


INSERT_EVENTS = "INSERT INTO events (run_no, seq, records, body) VALUES (?, ?, ?, ?)"


def rows_of(run_no: int, first_seq: int, records: Sequence[Record]) -> Iterator[tuple[int, int, int, str]]:
    """The rows of `events` that hold these records. StoreError for a record that is no JSON."""
    for start in range(0, len(records), MAX_ROW):
        part = records[start : start + MAX_ROW]
        yield run_no, first_seq + start, len(part), _text(part)


def note_in_list(db: sqlite3.Connection, run_no: int, records: Sequence[Record]) -> None:
    """Bring `runs` up to what a verdict or a closing among the records says."""
    for record in records:
        kind = record.get("kind")
        if kind == "verdict":
            db.execute(
                "UPDATE runs SET verdict = ?, suspect = ?, ended = ?, duration_s = ? WHERE no = ?",
                (*(record.get(key) for key in ("verdict", "suspect", "ended", "duration_s")), run_no),
            )
        elif kind == "run-closed":
            db.execute(
                "UPDATE runs SET status = ?, reason = ? WHERE no = ?",
                (str(record.get("status") or "closed"), record.get("reason"), run_no),
            )


# --- JSON -------------------------------------------------------------------------------------------------------------


def _text(records: Sequence[Record]) -> str:
    """A JSON array; NaN and infinity become null, a Decimal its digits as text. StoreError."""
    from pydantic_core import to_json  # three times as fast as json; 0.06 s to import, and a listing needs none of it

    try:
        try:
            return to_json(records, inf_nan_mode="null", fallback=_plain).decode()
        except ValueError:  # half a character, from a terminal that is not UTF-8
            return to_json(_whole(records), inf_nan_mode="null", fallback=_plain).decode()
    except (TypeError, ValueError, RecursionError) as error:
        if len(records) == 1:
            why = str(error).removeprefix("Error serializing to JSON: ")
            raise StoreError(f"a {records[0].get('kind')!r} record cannot be kept: {why}") from error
        for record in records:
            _text([record])
        raise


def _plain(value: Any) -> Any:
    """What to_json does not know but records may hold."""
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"a {type(value).__name__} is no JSON")


def _whole(value: Any) -> Any:
    """The same with '?' for every half character."""
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()
    if isinstance(value, Mapping):
        return {_whole(key): _whole(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_whole(one) for one in value]
    return value
