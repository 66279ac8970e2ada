"""One thread that puts the records of all open runs on the disk, many to a commit."""

from __future__ import annotations

import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing, suppress
from math import isfinite
from pathlib import Path
from typing import Any

from benchd.errors import StoreError
from benchd.journal_chain import SIZE, links
from benchd.journal_disk import MAX_ROW, connect, transaction, trouble

Record = Mapping[str, Any]

#: The first record after a quiet spell is committed at once, then at most so often: 20 writes to the disk a second.
#: Where many runs are open less often, a commit for each 200 runs a second: watchers look at every commit, and a wall of 16
#: benches wants ten looks a second.
COMMIT_EVERY_S, COMMIT_SELDOM_S, A_RUN_S = 0.05, 0.25, 0.005
#: So many waiting records are committed without waiting for the time.
COMMIT_AT = 1000
#: Records that may wait for the disk: about 100 MB. Meters fill it in an hour of standstill; then the run must end.
#: All runs together: each looks at the sum once in LOOK_EVERY records of its own.
BOUND, LOOK_EVERY = 200_000, 256
FLUSH_S = 30.0


class Queue:
    """The records of one open run on their way to the disk."""

    def __init__(self, run: str, run_no: int, next_seq: int, before: bytes) -> None:
        self.run = run
        self.run_no = run_no
        self.next_seq = next_seq
        self.before = before  # digest of the last record on the disk
        self.waiting: deque[Record] = deque()
        self.appended = 0
        self.durable = 0
        self.failure = ""  # why nothing more of this run is kept

    def fail(self, why: str) -> None:
        lost = self.appended - self.durable
        self.failure = self.failure or (f"{why}; the last {lost} records are not kept" if lost else why)


class GroupWriter:
    """Owns the writing connection. Any number of threads may call it; each run is appended to by one at a time.

    `told(row, {run: last seq})` is called in its thread after every commit.
    """

    def __init__(self, path: Path, told: Callable[[int, Mapping[str, int]], None]) -> None:
        self._path = path
        self._told = told
        self._queues: list[Queue] = []
        self._news = threading.Event()
        self._hurry = threading.Event()
        self._state = threading.Condition()
        self._stopping = False
        self._failure = ""
        self._thread = threading.Thread(target=self._work, name="benchd journal", daemon=True)
        self._thread.start()

    @property
    def failed(self) -> bool:
        """Whether it writes nothing more: the disk did not take it."""
        return bool(self._failure)

    def add(self, queue: Queue) -> None:
        with self._state:
            if self._failure:
                queue.fail(self._failure)
            self._queues.append(queue)

    def remove(self, queue: Queue) -> None:
        with self._state, suppress(ValueError):
            self._queues.remove(queue)

    def take_failed(self) -> list[Queue]:
        """The runs that can be written no further, no longer this writer's."""
        with self._state:
            failed = [queue for queue in self._queues if queue.failure]
            self._queues = [queue for queue in self._queues if not queue.failure]
        return failed

    def put(self, queue: Queue, record: Record) -> None:
        """Hand over one record; never waits. StoreError once a write has failed, or if the disk does not keep up."""
        if queue.failure:
            raise StoreError(queue.failure)
        waiting = len(queue.waiting)
        if waiting >= BOUND or (waiting and waiting % LOOK_EVERY == 0 and self._all_waiting() >= BOUND):
            raise StoreError(f"{self._path}: the disk does not keep up: {self._all_waiting()} records wait for it")
        queue.waiting.append(record)
        queue.appended += 1
        if not self._news.is_set():
            self._news.set()
        if waiting == COMMIT_AT:
            self._hurry.set()

    def _all_waiting(self) -> int:
        return sum(len(queue.waiting) for queue in tuple(self._queues))

    def flush(self, queue: Queue) -> None:
        """Wait until everything handed over is on the disk. StoreError if it cannot be."""
        target = queue.appended
        self._hurry.set()
        self._news.set()
        with self._state:
            self._state.wait_for(lambda: queue.durable >= target or queue.failure, FLUSH_S)
        if queue.durable < target:
            raise StoreError(queue.failure or f"{self._path}: nothing was written for {FLUSH_S:.0f} s: check the disk")

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
            open_runs = len(self._queues)
            self._hurry.wait(min(COMMIT_SELDOM_S, max(COMMIT_EVERY_S, open_runs * A_RUN_S)))
        return not stopping

    def _write(self, db: sqlite3.Connection) -> None:
        batches = self._batches()
        if not batches:
            return
        try:
            with transaction(db):
                for queue, records, rows in batches:
                    db.executemany(INSERT_EVENTS, rows)
                    note_in_list(db, queue.run_no, records)
                row = last_row(db)
        except sqlite3.Error as error:
            raise trouble(self._path, error) from error
        with self._state:
            for queue, records, rows in batches:
                queue.next_seq += len(records)
                queue.durable += len(records)
                queue.before = rows[-1][-1][-SIZE:]
            self._state.notify_all()
        self._told(row, {queue.run: queue.next_seq - 1 for queue, _, _ in batches})

    def _batches(self) -> list[tuple[Queue, list[Record], list[Row]]]:
        """What waits, ready for the disk. A record that is no JSON ends its own run, no other."""
        with self._state:
            queues = [queue for queue in self._queues if not queue.failure]
        batches = []
        for queue in queues:
            records = [queue.waiting.popleft() for _ in range(len(queue.waiting))]
            if not records:
                continue
            try:
                batches.append((queue, records, rows_of(queue.run_no, queue.next_seq, queue.before, records)))
            except StoreError as error:
                with self._state:
                    queue.fail(str(error))
                    self._state.notify_all()
        return batches

    def _fail(self, why: str) -> None:
        with self._state:
            self._failure = why
            for queue in self._queues:
                queue.fail(why)
            self._state.notify_all()


INSERT_EVENTS = "INSERT INTO events (run_no, seq, records, body, chain) VALUES (?, ?, ?, ?, ?)"

Row = tuple[int, int, int, str, bytes]


def rows_of(run_no: int, first_seq: int, before: bytes, records: Sequence[Record]) -> list[Row]:
    """The rows of `events` that hold these records, which follow the digest `before`. StoreError if one is no JSON."""
    found: list[Row] = []
    for start in range(0, len(records), MAX_ROW):
        part = records[start : start + MAX_ROW]
        texts = _texts(part)
        chain = links(before, texts)
        before = chain[-SIZE:]
        found.append((run_no, first_seq + start, len(part), f"[{b','.join(texts).decode()}]", chain))
    return found


def last_row(db: sqlite3.Connection) -> int:
    """The number of the newest row of events, 0 if there is none."""
    return int(db.execute("SELECT coalesce(max(no), 0) FROM events").fetchone()[0])


def listed(record: Mapping[str, Any]) -> dict[str, Any]:
    """What the list of runs takes from a record, by column."""
    kind = record.get("kind")
    if kind == "run-opened":
        spec = record.get("machine") or record.get("spec")
        taken = {key: record.get(key) for key in ("procedure", "bench", "work_order", "unit", "started")}
        taken["spec"] = spec if isinstance(spec, str) else None
        return {key: None if one is None else _whole(str(one)) for key, one in taken.items()}
    if kind == "verdict":
        return {key: _plain_cell(record.get(key)) for key in ("verdict", "suspect", "ended", "duration_s")}
    if kind == "run-closed":
        return {"status": str(record.get("status") or "closed"), "reason": _plain_cell(record.get("reason"))}
    return {}


def note_in_list(db: sqlite3.Connection, run_no: int, records: Sequence[Record]) -> None:
    """Bring `runs` up to what a verdict or a closing among the records says."""
    for record in records:
        if record.get("kind") in ("verdict", "run-closed"):
            cells = listed(record)
            names = ", ".join(f"{key} = ?" for key in cells)
            db.execute(f"UPDATE runs SET {names} WHERE no = ?", (*cells.values(), run_no))
            if record["kind"] == "verdict":
                from benchd.journal_lots import note_verdict  # which needs rows_of of this module

                note_verdict(db, run_no, record)


def _plain_cell(value: Any) -> Any:
    """A value as a cell of the list: NaN is none, text is whole, anything but a number its text."""
    if value is None or isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if isfinite(value) else None
    return _whole(str(value))


# --- JSON -------------------------------------------------------------------------------------------------------------


def _texts(records: Sequence[Record]) -> list[bytes]:
    """Every record as JSON; NaN and infinity become null, a Decimal its digits as text. StoreError."""
    from pydantic_core import to_json  # three times as fast as json; 0.06 s to import, and a listing needs none of it

    try:
        return [to_json(record, inf_nan_mode="null", fallback=_plain) for record in records]
    except (TypeError, ValueError, RecursionError):
        pass
    found = []
    for record in records:
        try:  # half a character, from a terminal that is not UTF-8
            found.append(to_json(_whole(record), inf_nan_mode="null", fallback=_plain))
        except (TypeError, ValueError, RecursionError) as error:
            why = str(error).removeprefix("Error serializing to JSON: ")
            raise StoreError(f"a {record.get('kind')!r} record cannot be kept: {why}") from error
    return found


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
