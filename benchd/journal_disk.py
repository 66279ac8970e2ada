"""The journal's file: its schema, how it is opened, who is alive, and its troubles in words with their cure.

Events are append-only, in rows of up to MAX_ROW records of one run (a JSON array, so that SQL can still look inside
with json_each); what ties them together stands in journal_chain. `runs` says of every run what a list needs; it
holds nothing that the events do not. `orders` and `order_records` are the same for work orders: see journal_orders; `lots`,
`lot_records` and `lot_tests` for lots: see journal_lots.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote
from uuid import uuid4

from benchd.errors import StoreError
from benchd.filelock import try_lock

SCHEMA_VERSION = 4
MAX_ROW = 1000  # records; `events_after` looks so far back
CACHE_KIB = 512  # of pages, a connection: a daemon has a dozen, and what they read was written a moment ago
BUSY_S = 10.0  # another process' group commit takes milliseconds, a slow disk a second

_RUNS = """
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
CREATE TABLE tried (at TEXT NOT NULL);  -- one row, written anew to see that the disk takes it
CREATE TRIGGER runs_are_kept BEFORE DELETE ON runs BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
"""

#: What schema 2 has beyond schema 1, `events` in its new form. Also run by the migration.
EVENTS = """
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
-- Retention names the rows that it is about to replace in `thinning`, for the length of one transaction.
CREATE TRIGGER events_are_kept BEFORE DELETE ON events
WHEN NOT EXISTS (SELECT 1 FROM thinning WHERE run_no = OLD.run_no AND OLD.no BETWEEN first AND last)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER seals_stay BEFORE UPDATE ON thinned_rows
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER seals_are_kept BEFORE DELETE ON thinned_rows
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
"""
#: What schema 3 has beyond schema 2. Also run by the migration.
ORDERS = """
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
"""
#: What schema 4 has beyond schema 3. Also run by the migration.
LOTS = """
CREATE TABLE lots (
    no INTEGER PRIMARY KEY AUTOINCREMENT,
    lot TEXT NOT NULL UNIQUE,
    kind TEXT NOT NULL,        -- 'lot', 'standard', 'study'
    part TEXT, title TEXT,
    ids TEXT NOT NULL,         -- JSON array: the characteristics, in the order of `numbers`
    opened TEXT NOT NULL,
    closed TEXT,               -- NULL while it is open
    state TEXT NOT NULL        -- 'open', 'closed'
);
CREATE INDEX lots_by_part ON lots (part, kind, no);
CREATE TABLE lot_records (
    no INTEGER PRIMARY KEY AUTOINCREMENT,
    lot_no INTEGER NOT NULL REFERENCES lots (no),
    seq INTEGER NOT NULL,      -- from 1 in every lot
    body TEXT NOT NULL,        -- one record, a JSON object
    chain BLOB NOT NULL        -- its digest, 16 bytes
);
CREATE UNIQUE INDEX lot_records_in_order ON lot_records (lot_no, seq);
CREATE TABLE lot_tests (       -- one row a run of a lot
    run_no INTEGER PRIMARY KEY REFERENCES runs (no),
    lot_no INTEGER NOT NULL REFERENCES lots (no),
    serial TEXT NOT NULL,
    bench TEXT NOT NULL,       -- its slug
    by TEXT,
    at_ms INTEGER NOT NULL,    -- UTC, of the run's start
    trial TEXT,                -- of a study: JSON array
    verdict TEXT,              -- NULL until it is judged
    mode TEXT,
    numbers BLOB               -- little-endian doubles: value and standard uncertainty of every characteristic; NaN: none
);
CREATE INDEX lot_tests_in_order ON lot_tests (lot_no, run_no);
CREATE INDEX lot_tests_by_serial ON lot_tests (serial, lot_no, run_no);
CREATE TRIGGER lots_are_kept BEFORE DELETE ON lots BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER lot_records_stay BEFORE UPDATE ON lot_records
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER lot_records_are_kept BEFORE DELETE ON lot_records
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
-- A row is filled once, with its verdict; whose test it is never changes.
CREATE TRIGGER lot_tests_stay BEFORE UPDATE ON lot_tests
WHEN OLD.verdict IS NOT NULL OR NEW.verdict IS NULL
    OR (NEW.run_no, NEW.lot_no, NEW.serial, NEW.bench, NEW.by, NEW.at_ms, NEW.trial)
        IS NOT (OLD.run_no, OLD.lot_no, OLD.serial, OLD.bench, OLD.by, OLD.at_ms, OLD.trial)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER lot_tests_are_kept BEFORE DELETE ON lot_tests
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
"""
#: Without them anybody's SQL could change the journal without a word.
TRIGGERS = frozenset(
    {"runs_are_kept", "events_stay", "events_are_kept", "seals_stay", "seals_are_kept"}
    | {"orders_are_kept", "order_records_stay", "order_records_are_kept"}
    | {"lots_are_kept", "lot_records_stay", "lot_records_are_kept", "lot_tests_stay", "lot_tests_are_kept"}
)

_CURES = (
    ("SQLITE_FULL", "the disk is full: make room, then run again"),
    ("SQLITE_READONLY", "it cannot be written: check the folder's permissions and the disk"),
    ("SQLITE_CANTOPEN", "it cannot be opened: check that the folder exists and may be written"),
    ("SQLITE_BUSY", f"another program has held it for {BUSY_S:.0f} s: close that program"),
    ("SQLITE_NOTADB", "this file is no journal: move it away, or set BENCHD_HOME to another folder"),
    ("SQLITE_CORRUPT", "it is damaged: move it away (keep it), a new one is begun; then check the disk"),
    ("SQLITE_IOERR", "the disk does not take it: it is full, or failing"),
)


def trouble(path: Path, error: Exception) -> StoreError:
    """A StoreError that says which file, what happened and what to do."""
    if isinstance(error, OSError):
        return StoreError(f"{path}: {error.strerror or error}: check the folder and the disk")
    code = str(getattr(error, "sqlite_errorname", ""))
    cure = next((text for begin, text in _CURES if code.startswith(begin)), "see the message")
    return StoreError(f"{path}: {cure} ({error})")


def moment_of_id(run: str) -> datetime:
    """When a run's id says it was opened; long ago for anything else."""
    try:
        return datetime.strptime(run[:19] + "000", "%Y%m%d-%H%M%S-%f").replace(tzinfo=UTC)
    except ValueError:
        return datetime(1970, 1, 1, tzinfo=UTC)


def connect(path: Path) -> sqlite3.Connection:
    """Open the journal for writing, made anew if it is not there, brought to this schema if it is older. StoreError."""
    try:
        path.parent.mkdir(0o700, parents=True, exist_ok=True)  # its owner's alone, unless he made it otherwise
        _refuse_untouched(path)
        db = _open(path, "rwc")
        try:
            _log_ahead(db, path)
            _prepare(db, path)
        except BaseException:
            db.close()
            raise
    except (OSError, sqlite3.Error) as error:
        raise trouble(path, error) from error
    return db


def _refuse_untouched(path: Path) -> None:
    """Look at the version without the right to write: closing a writing connection would tidy up a file not ours."""
    with suppress(sqlite3.Error):  # opening it to write says what is wrong
        if path.exists():
            with closing(_open(path, "ro")) as db:
                _known_version(db, path)


def version_of(path: Path) -> int:
    """The schema's version of a journal that exists, 0 for an empty file. StoreError."""
    found = connect_to_read(path)
    if found is None:
        return 0
    with closing(found[0]) as db:
        return _known_version(db, path)


def connect_to_read(path: Path) -> tuple[sqlite3.Connection, bool] | None:
    """Open a journal that exists, also where nothing may be written; None if nothing is in it yet. StoreError.

    The flag says whether this is a fixed view that does not see what others write from now on.
    """
    try:
        db = _readable(_open(path, "ro"), path)
        return None if db is None else (db, False)
    except sqlite3.OperationalError as error:
        wal = path.with_name(path.name + "-wal")
        # A folder that may not be written: without a log beside it nothing is missed by not looking for one.
        if not path.is_file() or (wal.exists() and wal.stat().st_size):
            raise trouble(path, error) from error
    except sqlite3.Error as error:
        raise trouble(path, error) from error
    try:
        db = _readable(_open(path, "ro&immutable=1"), path)
        return None if db is None else (db, True)
    except sqlite3.Error as error:
        raise trouble(path, error) from error


def refuse_older(db: sqlite3.Connection, path: Path) -> None:
    """StoreError for a journal of an older schema: it can only be read once somebody may write it."""
    if (version := _known_version(db, path)) < SCHEMA_VERSION:
        raise StoreError(
            f"{path}: written by an older benchd (schema {version}, this one reads {SCHEMA_VERSION}): "
            "`benchd history` brings it up to date where it may be written"
        )


def _log_ahead(db: sqlite3.Connection, path: Path) -> None:
    """Switch a new file to write-ahead logging. Where two processes make it at once SQLite does not wait by itself."""
    deadline = time.monotonic() + BUSY_S
    while True:
        try:
            if db.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
                return
            if db.execute("PRAGMA journal_mode=WAL").fetchone()[0] != "wal":
                raise StoreError(f"{path}: this disk cannot keep a journal safely (no write-ahead log here)")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorname != "SQLITE_BUSY" or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def _open(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"file:{quote(str(path.absolute()))}?mode={mode}"
    db = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    db.row_factory = sqlite3.Row
    try:
        db.execute(f"PRAGMA cache_size=-{CACHE_KIB}")
    except BaseException:
        db.close()
        raise
    return db


def _readable(db: sqlite3.Connection, path: Path) -> sqlite3.Connection | None:
    try:
        if _known_version(db, path) == 0:
            db.close()  # made by a process that died before it put anything in
            return None
    except BaseException:
        db.close()
        raise
    return db


def _known_version(db: sqlite3.Connection, path: Path) -> int:
    """The schema's version, 0 for an empty file. StoreError for a newer one, and for another program's file."""
    # One statement sees one state, also while another process makes the tables.
    query = "SELECT user_version, (SELECT count(*) FROM sqlite_master) FROM pragma_user_version"
    version, tables = db.execute(query).fetchone()
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path}: written by a newer benchd (schema {version}, this one knows {SCHEMA_VERSION}): update benchd"
        )
    if version == 0 and tables:
        raise StoreError(f"{path}: this file is another program's: set BENCHD_HOME to another folder")
    return int(version)


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    db.execute("PRAGMA synchronous=FULL")
    if _known_version(db, path) == SCHEMA_VERSION:
        return
    with transaction(db):
        version = _known_version(db, path)  # somebody else may have been faster
        if version == 0:
            run_script(db, _RUNS)
            run_script(db, EVENTS)
            run_script(db, ORDERS)
            run_script(db, LOTS)
            db.execute("INSERT INTO identity VALUES ('generation', ?)", (uuid4().hex,))
        elif version < SCHEMA_VERSION:
            from benchd.journal_migrate import migrate

            migrate(db, path, version)
        db.execute(f"PRAGMA user_version={SCHEMA_VERSION}")


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


def run_script(db: sqlite3.Connection, script: str) -> None:
    """Its statements one by one: executescript() would commit first."""
    for statement in _statements(script):
        db.execute(statement)


def _statements(script: str) -> Iterable[str]:
    held = ""
    for line in script.splitlines():
        held += line + "\n"
        if sqlite3.complete_statement(held):
            yield held
            held = ""


# --- who is alive -----------------------------------------------------------------------------------------------------


class LifeSign:
    """A locked file that says that the process which conducts some runs is alive; the system unlocks it at its death.

    OSError if the file cannot be made.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.name = f"{os.getpid()}-{uuid4().hex[:12]}"
        self._path = folder / self.name
        self._file = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
        if not try_lock(self._file):
            raise OSError(f"{self._path}: a new file cannot be locked")

    def end(self) -> None:
        os.close(self._file)
        with suppress(OSError):
            self._path.unlink()


def is_dead(folder: Path, owner: str) -> bool:
    """Whether the process behind a life sign has ended."""
    path = folder / owner
    try:
        file = os.open(path, os.O_RDWR)
    except FileNotFoundError:
        return True
    except OSError:  # another user's: cannot know
        return False
    try:
        return try_lock(file)
    finally:
        os.close(file)


def bury(folder: Path, owner: str) -> None:
    """Remove the life sign of a dead process."""
    with suppress(OSError):
        (folder / owner).unlink()
