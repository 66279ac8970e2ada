"""The bench's own append-only record of every run, in one SQLite file.

One Journal = one process' door to it. Records go through one writer thread, many to a commit, and are on the disk
within 0.1 s (an ordinary disk). Killed at any moment, what was flushed is there; the run that was under way is closed
as 'interrupted' by whoever opens the journal next. Others may read while one writes.
"""

from __future__ import annotations

import atexit
import os
import secrets
import shutil
import sqlite3
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar

from benchd import journal_chain as chain
from benchd import journal_disk as disk
from benchd import journal_lots as lots
from benchd import journal_orders as orders
from benchd.errors import BusyError, StoreError
from benchd.journal_disk import transaction
from benchd.journal_read import JournalReader, Row
from benchd.journal_writer import INSERT_EVENTS, GroupWriter, Queue, last_row, listed, note_in_list, rows_of

if TYPE_CHECKING:
    from benchd.core.lots.units import Units
    from benchd.journal_thin import Thinned
    from benchd.journal_verify import Finding

T = TypeVar("T")

FILE_NAME = "journal.sqlite"
#: Free space below which no engine is started: a hundred long runs.
LEAST_FREE_BYTES = 64 * 1024 * 1024
INTERRUPTED = "benchd was interrupted"

_LETTERS = "abcdefghjkmnpqrstuvwxyz"


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

    Opening it brings an older journal up to this schema and closes the runs of processes that died. StoreError for a
    file that is none, damaged or too new. One thread at a time opens runs through it; orders are for any. reader() is for the others.
    """

    def __init__(self, path: str | Path | None = None) -> None:
        self.path = Path(path) if path is not None else home() / FILE_NAME
        #: Called after every commit with the newest row and {run: its last seq}, mostly in the writer's thread.
        self.on_commit: Callable[[int, Mapping[str, int]], None] | None = None
        self._live = self.path.with_name(self.path.name + "-live")
        self._read = JournalReader(self.path)
        self._editing: sqlite3.Connection | None = None
        self._edits = threading.RLock()
        self._writer: GroupWriter | None = None
        self._left_open: list[Queue] = []
        self._sign: disk.LifeSign | None = None
        self._last_id = ""
        self._bring_up_to_date()
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
        self._read.close()
        self._let_go()
        if self._sign is not None:
            self._sign.end()
            self._sign = None

    # --- writing ----------------------------------------------------------------------------------------------------

    def check_writable(self) -> None:
        """Write something to the disk for a trial, and see that there is room for a run. StoreError says what to do."""
        with self._edit() as db:
            with transaction(db):
                db.execute("DELETE FROM tried")
                db.execute("INSERT INTO tried VALUES (?)", (_now().isoformat(),))
            free = shutil.disk_usage(self.path.parent).free
        if free < LEAST_FREE_BYTES:
            raise StoreError(
                f"{self.path}: only {free / 1e6:.0f} MB are free on this disk, a run wants "
                f"{LEAST_FREE_BYTES / 1e6:.0f} MB: make room, or set BENCHD_HOME to a folder on another disk"
            )
        self.recover()

    def open_run(self, body: Mapping[str, Any]) -> RunWriter:
        """Begin a run: `body` is the run-opened record without kind and run. It is on the disk on return. StoreError.

        The list of runs takes from it procedure, bench, machine (or spec, if that is a name), work_order, unit and
        started (UTC, ISO 8601; now if missing). After a failed write this begins anew: see recover().
        BusyError if its work order is closed, or its lot does not take it: see journal_lots.refuse.
        """
        self.recover()
        row, queue = self._despite_the_dead(lambda: self._put_in(body))
        self._last_id = queue.run
        if self._writer is None:
            self._writer = GroupWriter(self.path, self._tell)
            atexit.register(self.close)
        self._writer.add(queue)
        self._tell(row, {queue.run: 1})
        return RunWriter(queue.run, queue, self._writer)

    def open_order(self, body: Mapping[str, Any]) -> tuple[str, int]:
        """Open a work order: `body` is the order-opened record (see core/visit.py) without kind; its number and the seq.

        It is on the disk on return. Without a `work_order` the next free whole number from 1001 is taken, free among the
        runs and the serial numbers too. BusyError if there is such an order; StoreError.
        """
        with self._edit() as db, transaction(db):
            return orders.open_order(db, body)

    def append_order(self, work_order: str, record: Mapping[str, Any], at: tuple[int, int] | None = None) -> int:
        """Append a record to an open order; its seq, once it is on the disk. Two processes at once both get through.

        The journal sets after_run_no, and at_ns where the record has none. With `at` = (last seq, number of the order's
        newest run) it is refused as journal_orders.Moved if either has changed. NotFoundError, BusyError, StoreError.
        """
        with self._edit() as db, transaction(db):
            return orders.append_order(db, work_order, record, at)

    def open_lot(self, body: Mapping[str, Any]) -> tuple[str, int]:
        """Open a lot, a standard or a study: `body` is the lot-opened record (see lots/door.py) without kind; its name and the seq.

        It is on the disk on return. Without a `lot` it is named after its part, with the next free number. BusyError, StoreError.
        """
        with self._edit() as db, transaction(db):
            return lots.open_lot(db, body)

    def append_lot(self, lot: str, record: Mapping[str, Any]) -> int:
        """Append a record to an open lot; its seq, once it is on the disk. NotFoundError, BusyError (closed; it is to be closed and
        a unit is under test), StoreError."""

        def append() -> int:
            with self._edit() as db, transaction(db):
                return lots.append_lot(db, lot, record)

        return self._despite_the_dead(append)

    def recover(self) -> list[str]:
        """Close as interrupted what failed writes of this process left open, with what was kept; the ids of the runs.

        Nothing happens if there is nothing to close. StoreError while the disk still does not take it.
        """
        if self._writer is not None:
            self._left_open += self._writer.take_failed()
            if self._writer.failed:
                self._writer.stop()
                self._writer = None
        closed = []
        while self._left_open:
            queue = self._left_open[0]
            with self._edit() as db:
                row, last = _interrupt(db, queue.run_no, f"its records could not be kept: {queue.failure}")
            self._left_open.pop(0)
            closed.append(queue.run)
            self._tell(row, {queue.run: last})
        return closed

    def daemon_id(self, name: str) -> str:
        """The name as a slug and 8 hex digits that are made once and kept in the journal: unique, and stable for ever."""
        from benchd.site import slug_of

        with self._edit() as db:
            with transaction(db):
                db.execute("INSERT OR IGNORE INTO identity VALUES ('daemon', ?)", (secrets.token_hex(4),))
            (made,) = db.execute("SELECT value FROM identity WHERE key = 'daemon'").fetchone()
        return f"{slug_of(name) or 'benchd'}-{made}"

    def _put_in(self, body: Mapping[str, Any]) -> tuple[int, Queue]:
        """(newest row, the new run's queue)."""
        with self._edit() as db:
            if self._sign is None:
                self._sign = disk.LifeSign(self._live)
            with transaction(db):
                queue = self._begin(db, body, self._sign.name)
                return last_row(db), queue

    def _despite_the_dead(self, do: Callable[[], T]) -> T:
        """Do it; once more if it was refused while runs of processes that died meanwhile were still open: a unit is not under test
        for ever because its bench was switched off."""
        try:
            return do()
        except BusyError:
            if not self._close_interrupted():
                raise
            return do()

    def _begin(self, db: sqlite3.Connection, body: Mapping[str, Any], owner: str) -> Queue:
        """Put a run and its first record in. BusyError if its work order is closed, or its lot does not take it."""
        orders.refuse_closed(db, body.get("work_order"))
        if body.get("lot"):
            lots.refuse(db, body)
        run = self._new_id(db)
        started = body.get("started") or _now().isoformat(timespec="milliseconds")
        record = {**body, "kind": "run-opened", "run": run, "started": started}
        run_no = _list(db, run, owner, listed(record))
        if body.get("lot"):
            lots.list_test(db, run_no, record)
        before = chain.seed(run, chain.first_of(db, run_no - 1))
        rows = rows_of(run_no, 1, before, [record])
        db.executemany(INSERT_EVENTS, rows)
        return Queue(run, run_no, 2, rows[0][-1])

    def _new_id(self, db: sqlite3.Connection) -> str:
        """UTC to the millisecond and two random letters: sorts by time, and two benches do not meet.

        A clock that was put back does not count: ids go on from the newest, a millisecond apart.
        """
        row = db.execute("SELECT run FROM runs ORDER BY no DESC LIMIT 1").fetchone()
        newest = max(disk.moment_of_id(self._last_id), disk.moment_of_id("" if row is None else str(row["run"])))
        moment = max(_now(), newest + timedelta(milliseconds=1))
        letters = "".join(secrets.choice(_LETTERS) for _ in range(2))
        return f"{moment:%Y%m%d-%H%M%S}-{moment.microsecond // 1000:03d}{letters}"

    def _tell(self, row: int, news: Mapping[str, int]) -> None:
        if self.on_commit is None:
            return
        try:
            self.on_commit(row, news)
        except Exception:  # a listener's fault is no reason to stop writing
            import logging

            logging.getLogger("benchd.journal").exception("whoever is told of new records failed")

    @contextmanager
    def _edit(self) -> Iterator[sqlite3.Connection]:
        """The editing connection, one thread at a time; begun anew after a trouble, which comes out as a StoreError."""
        with self._edits, self._read.told():
            try:
                if self._editing is None:
                    self._editing = disk.connect(self.path)
                yield self._editing
            except (OSError, sqlite3.Error):
                with suppress(sqlite3.Error):
                    self._let_go()
                raise

    def _let_go(self) -> None:
        if self._editing is not None:
            db, self._editing = self._editing, None
            db.close()

    def _bring_up_to_date(self) -> None:
        if not self.path.exists() or disk.version_of(self.path) in (0, disk.SCHEMA_VERSION):
            return
        try:
            with self._edit():  # opening it is enough
                pass
        except StoreError as error:
            raise StoreError(
                f"an older benchd's journal must be brought up to date, and could not be: {error}"
            ) from error

    def _close_interrupted(self) -> int:
        """Close the runs of processes that died, how many; where nothing may be written they are left to the next one."""
        closed = 0
        for run_no, owner in self._read.left_open():
            if not disk.is_dead(self._live, owner):
                continue
            with suppress(StoreError), self._edit() as db:
                row, _ = _interrupt(db, run_no, INTERRUPTED)
                disk.bury(self._live, owner)
                closed += 1
                self._tell(row, {})
        return closed

    # --- the whole file -----------------------------------------------------------------------------------------------

    def verify(self, anchors: Mapping[str, str] | None = None, newest: int | None = None) -> Iterator[Finding]:
        """What is missing or altered, run by run; nothing if all is well. See journal_verify. StoreError."""
        return self._read.verify(anchors, newest)

    def thin(self, before: datetime, step_s: float, upto_row: int | None = None) -> Thinned:
        """Replace the raw readings of closed runs begun before `before` by min/mean/max of every `step_s`. StoreError.

        Only of runs all of whose rows stand at or below `upto_row`. Works in any thread, while runs are written.
        """
        from benchd.journal_thin import thin

        return thin(self.path, before, step_s, upto_row)

    def backup(self, target: Path) -> None:
        """Copy the journal, also while it is written, to a file that is not there yet; see journal_backup. StoreError."""
        from benchd.journal_backup import backup

        backup(self.path, target)

    # --- reading ------------------------------------------------------------------------------------------------------

    def reader(self) -> JournalReader:
        """A door of its own for another thread, to be closed by whoever asked."""
        return JournalReader(self.path)

    def runs(
        self,
        limit: int = 20,
        work_order: str | None = None,
        unit: str | None = None,
        bench: str | None = None,
        before: str | None = None,
        lot: str | None = None,
    ) -> list[dict[str, Any]]:
        """See JournalReader.runs; so for the others."""
        return self._read.runs(limit, work_order, unit, bench, before, lot)

    def judged(
        self,
        procedure: str,
        limit: int,
        unit: str | None = None,
        machine: str | None = None,
        verdict: str | None = None,
    ) -> list[dict[str, Any]]:
        return self._read.judged(procedure, limit, unit, machine, verdict)

    def info(self, run: str) -> dict[str, Any]:
        return self._read.info(run)

    def resolve(self, name: str) -> str:
        return self._read.resolve(name)

    def read(self, run: str, after_seq: int = 0) -> Iterator[dict[str, Any]]:
        return self._read.read(run, after_seq)

    def tail(self, after_row: int, limit: int = 50, upto: int | None = None) -> list[Row]:
        return self._read.tail(after_row, limit, upto)

    def last_row(self) -> int:
        return self._read.last_row()

    def digest(self, run: str) -> str:
        return self._read.digest(run)

    def verdict(self, run: str) -> dict[str, Any] | None:
        return self._read.verdict(run)

    def orders(
        self, state: str | None = None, unit: str | None = None, machine: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        return self._read.orders(state, unit, machine, limit)

    def order(self, work_order: str) -> dict[str, Any]:
        return self._read.order(work_order)

    def check_order_open(self, work_order: str) -> None:
        self._read.check_order_open(work_order)

    def order_records(self, work_order: str) -> list[dict[str, Any]]:
        return self._read.order_records(work_order)

    def order_digest(self, work_order: str) -> str:
        return self._read.order_digest(work_order)

    def lots(
        self, kind: str | None = None, state: str | None = None, part: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        return self._read.lots(kind, state, part, limit)

    def lot(self, lot: str) -> dict[str, Any]:
        return self._read.lot(lot)

    def lot_records(self, lot: str) -> list[dict[str, Any]]:
        return self._read.lot_records(lot)

    def lot_digest(self, lot: str) -> str:
        return self._read.lot_digest(lot)

    def lot_counts(self, lot: str) -> dict[str, Any]:
        return self._read.lot_counts(lot)

    def lot_tests(
        self,
        lot: str,
        serial: str | None = None,
        limit: int | None = None,
        bench: str | None = None,
        *,
        counted: bool = True,
    ) -> list[dict[str, Any]]:
        return self._read.lot_tests(lot, serial, limit, bench, counted=counted)

    def lot_test_blocks(self, lot: str, size: int = 5000) -> Iterator[list[dict[str, Any]]]:
        return self._read.lot_test_blocks(lot, size)

    def tests_of_serial(self, serial: str, limit: int = 50) -> list[dict[str, Any]]:
        return self._read.tests_of_serial(serial, limit)

    def lot_under_test(self, lot: str) -> list[dict[str, Any]]:
        return self._read.lot_under_test(lot)

    def judged_between(
        self, bench: str, part: str, since_ms: int, until_ms: int, lot: str | None = None
    ) -> list[tuple[str, str]]:
        return self._read.judged_between(bench, part, since_ms, until_ms, lot)

    def lot_benches(self, lot: str) -> list[str]:
        return self._read.lot_benches(lot)

    def lot_stamp(self, lot: str) -> tuple[str, int, int]:
        return self._read.lot_stamp(lot)

    def lot_units(self, lot: str) -> Units:
        return self._read.lot_units(lot)

    def lot_unit_blocks(self, lot: str, size: int = 50_000) -> Iterator[Units]:
        return self._read.lot_unit_blocks(lot, size)

    def generation(self) -> str:
        return self._read.generation()


def _now() -> datetime:
    return datetime.now(UTC)


def _list(db: sqlite3.Connection, run: str, owner: str, cells: Mapping[str, Any]) -> int:
    """Put a run into the list; its number."""
    names = ", ".join(("run", "owner", *cells))
    places = ", ".join("?" for _ in range(len(cells) + 2))
    found = db.execute(f"INSERT INTO runs ({names}) VALUES ({places})", (run, owner, *cells.values()))
    assert found.lastrowid is not None
    return found.lastrowid


def _interrupt(db: sqlite3.Connection, run_no: int, reason: str) -> tuple[int, int]:
    """Close a run whose writer died, unless another did already: (newest row of the journal, last seq of the run)."""
    with transaction(db):
        counts: Counter[str] = Counter()
        last, before = 0, chain.NOTHING
        for row in db.execute("SELECT seq, records, body, chain FROM events WHERE run_no = ? ORDER BY seq", (run_no,)):
            counts.update(str(record["kind"]) for _, record in chain.records(row["seq"], row["body"]))
            last, before = row["seq"] + row["records"] - 1, row["chain"][-chain.SIZE :]
        if db.execute("SELECT status FROM runs WHERE no = ?", (run_no,)).fetchone()["status"] is None:
            closing = {"kind": "run-closed", "status": "interrupted", "reason": reason, "counts": dict(counts)}
            db.executemany(INSERT_EVENTS, rows_of(run_no, last + 1, before, [closing]))
            note_in_list(db, run_no, [closing])
            last += 1
        return last_row(db), last
