"""forward.sqlite, beside the journal: how far each forwarder has come, and what the other side refused for good.

Never in the journal's own file, so that no forwarder can hold up a commit. It can be lost without losing a sample: a
forwarder without a cursor begins at the journal's beginning, and what it sends again overwrites itself.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from benchd.errors import NotFoundError, StoreError

FILE_NAME = "forward.sqlite"
SCHEMA_VERSION = 1
#: Refused lines kept for each forwarder. Beyond it the oldest go: the journal still has what they were made of.
KEPT = 50_000
BUSY_S = 5.0

_SCHEMA = (
    """CREATE TABLE cursors (
        forwarder TEXT PRIMARY KEY,
        row INTEGER NOT NULL,      -- of the journal's events, everything up to it was taken
        run TEXT NOT NULL,         -- whose row it is, and in which generation of the journal: one that was put back
        journal TEXT NOT NULL,     -- from a copy is noticed
        moved_at TEXT NOT NULL
    )""",
    """CREATE TABLE refused (
        no INTEGER PRIMARY KEY AUTOINCREMENT,
        forwarder TEXT NOT NULL,
        at TEXT NOT NULL,
        run TEXT NOT NULL,
        row INTEGER NOT NULL,
        line TEXT NOT NULL,
        reason TEXT NOT NULL,
        released INTEGER NOT NULL DEFAULT 0,
        UNIQUE (forwarder, row, line)
    )""",
    f"PRAGMA user_version={SCHEMA_VERSION}",
)


@dataclass(frozen=True, slots=True)
class Cursor:
    """A row of the journal's events, its run, and the journal's `generation()`; row 0 is before the first."""

    row: int = 0
    run: str = ""
    journal: str = ""


@dataclass(frozen=True, slots=True)
class Refused:
    """One line or message that the other side will not have, and why. `no` is given by the store."""

    run: str
    row: int
    line: str
    reason: str
    no: int = 0
    at: str = ""  # UTC, ISO 8601

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in ("no", "at", "run", "row", "line", "reason")}


class ForwardStore:
    """The file at `path`, made if it is missing; a damaged one is moved aside and begun anew.

    Any thread may call it; every call is one short transaction. `notice` says in a sentence what was not as expected
    at opening, '' if nothing was. StoreError if the disk does not take it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notice = ""
        self._lock = threading.Lock()
        self._db = self._opened()

    def close(self) -> None:
        with self._lock:
            self._db.close()

    # --- cursors ------------------------------------------------------------------------------------------------------

    def cursor(self, forwarder: str) -> Cursor:
        with self._told("BEGIN") as db:
            found = db.execute("SELECT row, run, journal FROM cursors WHERE forwarder = ?", (forwarder,)).fetchone()
        return Cursor() if found is None else Cursor(*found)

    def move(self, forwarder: str, to: Cursor) -> None:
        """Keep how far a forwarder has come. On the disk on return."""
        with self._told() as db:
            db.execute(
                "INSERT INTO cursors VALUES (?, ?, ?, ?, ?) ON CONFLICT (forwarder) DO UPDATE"
                " SET row = excluded.row, run = excluded.run, journal = excluded.journal, moved_at = excluded.moved_at",
                (forwarder, to.row, to.run, to.journal, _now()),
            )

    # --- quarantine ---------------------------------------------------------------------------------------------------

    def refuse(self, forwarder: str, lines: Iterable[Refused]) -> None:
        """Keep what was refused; a line that is here already gets the new reason and waits again."""
        with self._told() as db:
            db.executemany(
                "INSERT INTO refused (forwarder, at, run, row, line, reason) VALUES (?, ?, ?, ?, ?, ?)"
                " ON CONFLICT (forwarder, row, line) DO UPDATE SET reason = excluded.reason, released = 0",
                [(forwarder, _now(), one.run, one.row, one.line, one.reason) for one in lines],
            )
            db.execute(
                "DELETE FROM refused WHERE forwarder = ?1 AND no <="
                " (SELECT no FROM refused WHERE forwarder = ?1 ORDER BY no DESC LIMIT 1 OFFSET ?2)",
                (forwarder, KEPT),
            )

    def quarantine(self, forwarder: str, limit: int = 100) -> list[Refused]:
        """What was refused, newest first."""
        return self._refused("forwarder = ? AND released = 0 ORDER BY no DESC LIMIT ?", forwarder, limit)

    def quarantined(self, forwarder: str) -> int:
        with self._told("BEGIN") as db:
            query = "SELECT count(*) FROM refused WHERE forwarder = ? AND released = 0"
            return int(db.execute(query, (forwarder,)).fetchone()[0])

    def refused_between(self, forwarder: str, after_row: int, upto_row: int) -> set[str]:
        """The lines of these rows that are kept here, waiting or released: not to be sent with their row again."""
        with self._told("BEGIN") as db:
            query = "SELECT line FROM refused WHERE forwarder = ? AND row > ? AND row <= ?"
            return {str(line) for (line,) in db.execute(query, (forwarder, after_row, upto_row))}

    def release(self, forwarder: str, no: int | None = None) -> int:
        """Let one refused line, or all of them, be sent again; how many. NotFoundError."""
        with self._told() as db:
            query = "UPDATE refused SET released = 1 WHERE forwarder = ?1 AND released = 0 AND (?2 IS NULL OR no = ?2)"
            count = db.execute(query, (forwarder, no)).rowcount
        if no is not None and count == 0:
            raise NotFoundError(f"{forwarder} has no refused line {no}: list its quarantine to see what there is")
        return count

    def released(self, forwarder: str, limit: int) -> list[Refused]:
        """What is to be sent again, oldest first."""
        return self._refused("forwarder = ? AND released = 1 ORDER BY no LIMIT ?", forwarder, limit)

    def taken(self, forwarder: str, numbers: Sequence[int]) -> None:
        """These released lines were taken after all: they leave the quarantine."""
        with self._told() as db:
            db.executemany(
                "DELETE FROM refused WHERE forwarder = ? AND no = ? AND released = 1",
                [(forwarder, no) for no in numbers],
            )

    def _refused(self, where: str, *values: Any) -> list[Refused]:
        with self._told("BEGIN") as db:
            rows = db.execute(f"SELECT run, row, line, reason, no, at FROM refused WHERE {where}", values).fetchall()
        return [Refused(*row) for row in rows]

    # --- the file -----------------------------------------------------------------------------------------------------

    @contextmanager
    def _told(self, begin: str = "BEGIN IMMEDIATE") -> Iterator[sqlite3.Connection]:
        """One transaction; sqlite3's errors become StoreErrors that say what to do."""
        with self._lock:
            try:
                self._db.execute(begin)
                try:
                    yield self._db
                    self._db.execute("COMMIT")
                except BaseException:
                    with suppress(sqlite3.Error):
                        self._db.execute("ROLLBACK")
                    raise
            except sqlite3.Error as error:
                raise StoreError(f"{self.path}: {error}: check the disk; forwarding goes on from memory") from error

    def _opened(self) -> sqlite3.Connection:
        missing = not self.path.exists()
        try:
            db = _connect(self.path)
        except (OSError, sqlite3.DatabaseError) as error:
            if isinstance(error, OSError | sqlite3.OperationalError):  # the disk or its permissions, not the file
                raise StoreError(f"{self.path}: {error}: check the folder and the disk") from error
            aside = self._move_aside()
            self.notice = (
                f"{self.path} was damaged ({error}); it is kept as {aside.name} and a new one is begun: "
                "forwarders send the whole journal again, and what was in quarantine is found anew"
            )
            return self._anew()
        if missing:
            self.notice = f"{self.path} is new: forwarders begin at the beginning of the journal"
        return db

    def _anew(self) -> sqlite3.Connection:
        try:
            return _connect(self.path)
        except sqlite3.Error as error:
            raise StoreError(f"{self.path}: {error}: check the folder and the disk") from error

    def _move_aside(self) -> Path:
        aside = self.path.with_name(f"{self.path.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%S%f}")
        try:
            self.path.rename(aside)
            for ending in ("-wal", "-shm"):
                self.path.with_name(self.path.name + ending).unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"{self.path} is damaged and cannot be moved away: {error}") from error
        return aside


def _connect(path: Path) -> sqlite3.Connection:
    path.parent.mkdir(parents=True, exist_ok=True)
    uri = f"file:{quote(str(path.absolute()))}?mode=rwc"
    db = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    try:
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")
        if (said := db.execute("PRAGMA quick_check(1)").fetchone()[0]) != "ok":
            raise sqlite3.DatabaseError(said)
        _prepare(db)
    except BaseException:
        db.close()
        raise
    return db


def _prepare(db: sqlite3.Connection) -> None:
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version == SCHEMA_VERSION:
        return
    if version:
        raise sqlite3.DatabaseError(f"schema {version}, this benchd knows {SCHEMA_VERSION}")
    db.execute("BEGIN IMMEDIATE")
    try:
        if db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            raise sqlite3.DatabaseError("it is another program's file")
        for statement in _SCHEMA:
            db.execute(statement)
        db.execute("COMMIT")
    except BaseException:
        db.execute("ROLLBACK")
        raise


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
