"""Reading the journal, also while others write it: by run, by row in the order of the commits, as a list of runs."""

from __future__ import annotations

import re
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar

from benchd import journal_chain as chain
from benchd import journal_disk as disk
from benchd import journal_lots as of_lots
from benchd.errors import NotFoundError, StoreError
from benchd.journal_orders import ENTRY, OPEN, no_such_order, open_one, record_of

if TYPE_CHECKING:
    from benchd.core.lots.units import Units
    from benchd.journal_verify import Finding

T = TypeVar("T")

_LISTED = (
    "run, procedure, bench, spec, work_order, unit, started, ended, duration_s, status, reason, verdict, suspect,"
    " no AS run_no"
)
_AFTER_SEQ = """
SELECT no, seq, records, body FROM events WHERE run_no = ? AND seq > ? AND seq + records > ? ORDER BY seq LIMIT 20
"""
_AFTER_ROW = """
SELECT events.no, run, run_no, seq, body, chain FROM events JOIN runs ON runs.no = run_no
WHERE events.no > ? AND events.no <= ? ORDER BY events.no LIMIT ?
"""
_OF_LOT = "no IN (SELECT run_no FROM lot_tests JOIN lots ON lots.no = lot_no WHERE lot = ?)"
_HOLDS = """coalesce(unit, '') || ' ' || coalesce(work_order, '') || ' ' || coalesce(spec, '') || ' ' || coalesce(bench, '')
LIKE ? ESCAPE '\\'"""
_ORDERS = f"SELECT {ENTRY} FROM orders {{}} ORDER BY no DESC LIMIT ?"
_TESTS = of_lots.TESTS.format(attempt=of_lots.COUNTED)
_NO_LIMIT = 2**63 - 1


@dataclass(frozen=True, slots=True)
class Row:
    """One row of events. `records`: each with its `seq`; fewer than were taken where retention has thinned them."""

    no: int
    run: str
    run_no: int
    seq: int  # of the first record
    records: list[dict[str, Any]]
    digests: dict[int, str]  # seq -> hex, of every record here

    def digest(self, seq: int) -> str:
        """The digest of one of the records: whoever keeps it elsewhere can later show that nothing before it changed."""
        return self.digests[seq]


class JournalReader:
    """A read-only door with its own connection: use it in any thread, close it where you like. Makes no file."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db: sqlite3.Connection | None = None
        self._fixed = False
        self._lock = threading.RLock()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        with self._lock:
            if self._db is not None:
                self._db.close()
                self._db = None

    # --- the list of runs -------------------------------------------------------------------------------------------

    def runs(
        self,
        limit: int = 20,
        work_order: str | None = None,
        unit: str | None = None,
        bench: str | None = None,
        before: str | None = None,
        lot: str | None = None,
        machine: str | None = None,
        procedure: str | None = None,
        verdict: str | None = None,
        since: str | None = None,
        until: str | None = None,
        text: str | None = None,
    ) -> list[dict[str, Any]]:
        """The newest runs first, of one work order, unit, bench (its name as in the bench file), lot, machine (its name),
        procedure, verdict ('none': ended without one), begun from `since` on and before `until` (ISO 8601, UTC), with
        `text` somewhere in unit, work order, machine or bench, older than run `before`. Keys: see _LISTED; `run_no` is from
        1, in the order of opening; `status` and `verdict` are None while a run is open. StoreError."""
        wanted: dict[str, Any] = {"work_order = ?": work_order, "unit = ?": unit, "bench = ?": bench, _OF_LOT: lot}
        # The plus keeps the index of a model out of it: it is in the order of procedures, not of runs.
        wanted |= {"+spec = ?": machine, "procedure = ?": procedure, "started >= ?": since, "started < ?": until}
        if verdict == "none":
            wanted["status IS NOT NULL AND verdict IS NULL AND ?"] = True
        else:
            wanted["verdict = ?"] = verdict
        if text is not None:
            wanted[_HOLDS] = "%" + re.sub(r"([\\%_])", r"\\\1", text) + "%"
        if before is not None:
            wanted["no < ?"] = self.info(before)["run_no"]
        given = {key: value for key, value in wanted.items() if value is not None}
        where = f"WHERE {' AND '.join(given)}" if given else ""
        query = f"SELECT {_LISTED} FROM runs {where} ORDER BY no DESC LIMIT ?"
        return [dict(row) for row in self._rows(query, *given.values(), limit)]

    def judged(
        self,
        procedure: str,
        limit: int,
        unit: str | None = None,
        machine: str | None = None,
        verdict: str | None = None,
    ) -> list[dict[str, Any]]:
        """The newest judged runs of a procedure first, of one unit or one machine (its name). Keys as in `runs`.
        StoreError."""
        # The plus keeps a model's index out of it where one unit is asked for: a unit has few runs, a model many.
        model = "spec = ?" if unit is None else "+spec = ?"
        wanted = {"procedure = ?": procedure, "unit = ?": unit, model: machine, "verdict = ?": verdict}
        given = {key: value for key, value in wanted.items() if value is not None}
        where = f"WHERE {' AND '.join(given)} AND status = 'judged'"
        query = f"SELECT {_LISTED} FROM runs {where} ORDER BY no DESC LIMIT ?"
        return [dict(row) for row in self._rows(query, *given.values(), limit)]

    def info(self, run: str) -> dict[str, Any]:
        """The list's entry of one run. StoreError if there is none."""
        for row in self._rows(f"SELECT {_LISTED} FROM runs WHERE run = ?", run):
            return dict(row)
        raise StoreError(f"{self.path}: there is no run {run!r}")

    def count(self) -> int:
        """How many runs there are."""
        return sum(int(row[0]) for row in self._rows("SELECT count(*) FROM runs"))

    def left_open(self) -> list[tuple[int, str]]:
        """(run_no, owner) of every run that nobody has closed."""
        found = self._rows("SELECT no, owner FROM runs WHERE status IS NULL")
        return [(int(row["no"]), str(row["owner"])) for row in found]

    def resolve(self, name: str) -> str:
        """The id of a run by its id, the beginning of it, or 'last'. StoreError lists what there is."""
        newest = [str(one["run"]) for one in self.runs(5)]
        if not newest:
            raise StoreError(f"{self.path}: no run is kept yet")
        if name == "last":
            return newest[0]
        query = "SELECT run FROM runs WHERE run >= ? AND run < ? ORDER BY run LIMIT 11"
        matching = [str(row["run"]) for row in self._rows(query, name, name + "\U0010ffff")]
        if name in matching:
            return name
        if not matching:
            raise StoreError(f"no kept run begins with {name!r}; the newest are {', '.join(newest)}, or say 'last'")
        if len(matching) > 1:
            more = ", ..." if len(matching) > 10 else ""
            raise StoreError(f"several runs begin with {name!r}: {', '.join(matching[:10])}{more}; give more of the id")
        return matching[0]

    # --- records ----------------------------------------------------------------------------------------------------

    def read(self, run: str, after_seq: int = 0) -> Iterator[dict[str, Any]]:
        """The records of a run after `after_seq`, in order, each with its `seq` (from 1). StoreError."""
        return self._records(int(self.info(run)["run_no"]), after_seq)

    def _records(self, run_no: int, after_seq: int) -> Iterator[dict[str, Any]]:
        # A few rows at a time: a reader that stops in the middle holds nothing up.
        while rows := self._rows(_AFTER_SEQ, run_no, after_seq - disk.MAX_ROW, after_seq + 1):
            for row in rows:
                for seq, record in self._whole(chain.records, row):
                    if seq > after_seq:
                        yield {**record, "seq": seq}
            after_seq = rows[-1]["seq"] + rows[-1]["records"] - 1

    def tail(self, after_row: int, limit: int = 50, upto: int | None = None) -> list[Row]:
        """At most `limit` rows beyond row `after_row` (and up to `upto`), in the order in which they were committed."""
        return [self._row(one) for one in self._rows(_AFTER_ROW, after_row, _NO_LIMIT if upto is None else upto, limit)]

    def last_row(self) -> int:
        """The number of the newest row, 0 if there is none."""
        return next((int(row[0]) for row in self._rows("SELECT max(no) FROM events") if row[0] is not None), 0)

    def digest(self, run: str) -> str:
        """The digest (hex) of a run's newest record. StoreError."""
        query = "SELECT chain FROM events WHERE run_no = ? ORDER BY seq DESC LIMIT 1"
        for row in self._rows(query, self.info(run)["run_no"]):
            return bytes(row["chain"][-chain.SIZE :]).hex()
        raise StoreError(f"{self.path}: run {run} has no records")

    def verdict(self, run: str) -> dict[str, Any] | None:
        """The verdict record of a run; None while it has none. StoreError."""
        # It stands at the end: only a closing may follow it.
        query = "SELECT no, seq, body FROM events WHERE run_no = ? ORDER BY seq DESC LIMIT 3"
        for row in self._rows(query, self.info(run)["run_no"]):
            for seq, record in reversed(self._whole(chain.records, row)):
                if record.get("kind") == "verdict":
                    return {**record, "seq": seq}
        return None

    # --- work orders --------------------------------------------------------------------------------------------------

    def orders(
        self, state: str | None = None, unit: str | None = None, machine: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        """The newest orders first: {work_order, machine, unit, customer, complaint, opened, closed, state, runs}.

        `state`: one of journal_orders.STATES, or 'closed' for both that are closed. StoreError.
        """
        wanted: dict[str, Any] = {"unit = ?": unit, "machine = ?": machine}
        wanted["state <> ?" if state == "closed" else "state = ?"] = OPEN if state == "closed" else state
        given = {key: value for key, value in wanted.items() if value is not None}
        where = f"WHERE {' AND '.join(given)}" if given else ""
        return [dict(row) for row in self._rows(_ORDERS.format(where), *given.values(), limit)]

    def count_orders(self) -> int:
        """How many orders there are."""
        return sum(int(row[0]) for row in self._rows("SELECT count(*) FROM orders"))

    def order(self, work_order: str) -> dict[str, Any]:
        """The list's entry of one order. NotFoundError names those that may be meant; StoreError."""
        for row in self._rows(_ORDERS.format("WHERE work_order = ?"), work_order, 1):
            return dict(row)
        with self._lock, self.told():
            raise NotFoundError(no_such_order(self._connected(), work_order))

    def check_order_open(self, work_order: str) -> None:
        """NotFoundError if there is no such order, BusyError if it is closed. StoreError."""
        with self._lock, self.told():
            db = self._connected()
            if db is None:
                raise NotFoundError(no_such_order(None, work_order))
            open_one(db, work_order)

    def order_records(self, work_order: str) -> list[dict[str, Any]]:
        """The records of an order, in order, each with its `seq` (from 1). NotFoundError, StoreError."""
        query = (
            "SELECT seq, body FROM order_records JOIN orders ON orders.no = order_no WHERE work_order = ? ORDER BY seq"
        )
        rows = self._rows(query, work_order)
        if not rows:
            self.order(work_order)
        try:
            return [{**record_of(row["body"]), "seq": row["seq"]} for row in rows]
        except ValueError as error:
            raise StoreError(
                f"{self.path}: work order {work_order} is damaged: {error}; see `benchd verify`"
            ) from error

    def photos(self) -> Iterator[tuple[str, int, dict[str, Any]]]:
        """(work order, seq of the record, photo) of every photo of every finding, see core/visit.py. StoreError."""
        query = (
            "SELECT work_order, seq, body FROM order_records JOIN orders ON orders.no = order_no"
            " WHERE instr(body, '\"photos\"') ORDER BY order_no, seq"
        )
        for row in self._rows(query):
            with suppress(ValueError):  # damaged: `benchd verify` tells that
                for photo in record_of(row["body"]).get("photos") or ():
                    if isinstance(photo, dict):
                        yield str(row["work_order"]), int(row["seq"]), photo

    def order_digest(self, work_order: str) -> str:
        """The digest (hex) of an order's newest record. NotFoundError, StoreError."""
        query = (
            "SELECT chain FROM order_records JOIN orders ON orders.no = order_no WHERE work_order = ?"
            " ORDER BY seq DESC LIMIT 1"
        )
        for row in self._rows(query, work_order):
            return bytes(row["chain"]).hex()
        self.order(work_order)
        raise StoreError(f"{self.path}: work order {work_order} has no records; see `benchd verify`")

    # --- lots -----------------------------------------------------------------------------------------------------------

    def lots(
        self, kind: str | None = None, state: str | None = None, part: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        """The newest first: {lot, kind, part, title, opened, closed, state, tests, units}. StoreError."""
        wanted = {"kind = ?": kind, "state = ?": state, "part = ?": part}
        given = {key: value for key, value in wanted.items() if value is not None}
        where = f"WHERE {' AND '.join(given)}" if given else ""
        query = f"SELECT {of_lots.ENTRY} FROM lots {where} ORDER BY no DESC LIMIT ?"
        return [dict(row) for row in self._rows(query, *given.values(), limit)]

    def lot(self, lot: str) -> dict[str, Any]:
        """The list's entry of one lot, standard or study. NotFoundError names those that may be meant; StoreError."""
        for row in self._rows(f"SELECT {of_lots.ENTRY} FROM lots WHERE lot = ?", lot):
            return dict(row)
        with self._lock, self.told():
            raise NotFoundError(of_lots.no_such_lot(self._connected(), lot))

    def lot_of(self, run_no: int) -> dict[str, Any]:
        """{lot, lot_kind} of a run; {} if it is of none."""
        query = "SELECT lot, kind AS lot_kind FROM lot_tests JOIN lots ON lots.no = lot_no WHERE run_no = ?"
        return next((dict(row) for row in self._rows(query, run_no)), {})

    def _lot_no(self, lot: str) -> tuple[int, tuple[str, ...]]:
        for row in self._rows("SELECT no, ids FROM lots WHERE lot = ?", lot):
            return int(row["no"]), of_lots.ids_of(row["ids"])
        self.lot(lot)
        raise AssertionError

    def lot_records(self, lot: str) -> list[dict[str, Any]]:
        """The records of a lot, in order, each with its `seq` (from 1). NotFoundError, StoreError."""
        number, _ = self._lot_no(lot)
        rows = self._rows("SELECT seq, body FROM lot_records WHERE lot_no = ? ORDER BY seq", number)
        try:
            return [{**record_of(row["body"]), "seq": row["seq"]} for row in rows]
        except ValueError as error:
            raise StoreError(f"{self.path}: lot {lot} is damaged: {error}; see `benchd verify`") from error

    def lot_digest(self, lot: str) -> str:
        """The digest (hex) of a lot's newest record. NotFoundError, StoreError."""
        number, _ = self._lot_no(lot)
        query = "SELECT chain FROM lot_records WHERE lot_no = ? ORDER BY seq DESC LIMIT 1"
        for row in self._rows(query, number):
            return bytes(row["chain"]).hex()
        raise StoreError(f"{self.path}: lot {lot} has no records; see `benchd verify`")

    def lot_counts(self, lot: str) -> dict[str, Any]:
        """{units, passed, failed, undecided, void, open, retests, first_passed, modes [(mode, units)]}: units by their last judged
        verdict; void and open (under way or cut short) count tests. StoreError."""
        number, _ = self._lot_no(lot)
        query = "SELECT coalesce(sum(verdict IS NULL), 0), coalesce(sum(verdict = 'void'), 0) FROM lot_tests WHERE lot_no = ?"
        ((unjudged, void),) = self._rows(query, number)
        return of_lots.counts_of(self._rows(of_lots.COUNTS, number), int(unjudged), int(void))

    def lot_tests(
        self,
        lot: str,
        serial: str | None = None,
        limit: int | None = None,
        bench: str | None = None,
        *,
        counted: bool = True,
    ) -> list[dict[str, Any]]:
        """The tests of a lot, the newest first, of one serial number, on one bench (its slug): TEST of lots/door.py; not `counted`:
        with 0 as `attempt`, which is quicker where a unit has hundreds."""
        number, _ = self._lot_no(lot)
        wanted = {"lot_tests.serial = ?": serial, "lot_tests.bench = ?": bench}
        given = {key: value for key, value in wanted.items() if value is not None}
        where = " AND ".join(["lot_no = ?", *given])
        tests = of_lots.TESTS.format(attempt=of_lots.COUNTED if counted else of_lots.UNCOUNTED)
        query = f"{tests} WHERE {where} ORDER BY run_no DESC LIMIT ?"
        return [
            of_lots.test_of(row)
            for row in self._rows(query, number, *given.values(), _NO_LIMIT if limit is None else limit)
        ]

    def lot_test_blocks(self, lot: str, size: int = 5000) -> Iterator[list[dict[str, Any]]]:
        """All tests of a lot in order of opening, at most `size` at a time. NotFoundError, StoreError."""
        number, _ = self._lot_no(lot)
        query = f"{_TESTS} WHERE lot_no = ? AND run_no > ? ORDER BY run_no LIMIT ?"
        after = 0
        while rows := self._rows(query, number, after, size):
            after = int(rows[-1]["run_no"])
            yield [of_lots.test_of(row) for row in rows]

    def tests_of_serial(self, serial: str, limit: int = 50) -> list[dict[str, Any]]:
        """Every test of a unit in any lot, the newest first."""
        query = f"{_TESTS} WHERE lot_tests.serial = ? ORDER BY run_no DESC LIMIT ?"
        return [of_lots.test_of(row) for row in self._rows(query, serial, limit)]

    def lot_under_test(self, lot: str) -> list[dict[str, Any]]:
        """The tests of a lot that are under way."""
        number, _ = self._lot_no(lot)
        query = f"{_TESTS} WHERE lot_no = ? AND lot_tests.verdict IS NULL AND status IS NULL ORDER BY run_no DESC"
        return [of_lots.test_of(row) for row in self._rows(query, number)]

    def judged_between(
        self, bench: str, part: str, since_ms: int, until_ms: int, lot: str | None = None
    ) -> list[tuple[str, str]]:
        """(lot, serial) of units that were judged on a bench (its slug) in lots of a part between two moments, both exclusive, and not
        again outside of them, in order; of one lot alone. StoreError."""
        judged = "verdict IN ('pass', 'fail', 'undecided')"
        query = f"""SELECT lot, serial FROM lot_tests AS a JOIN lots ON lots.no = lot_no
            WHERE kind = 'lot' AND part = ? AND bench = ? AND at_ms > ? AND at_ms < ? AND {judged} AND lot = ifnull(?, lot)
            AND (closed IS NULL OR closed > ?) AND NOT EXISTS (SELECT 1 FROM lot_tests AS b
                WHERE b.serial = a.serial AND b.lot_no = a.lot_no AND b.run_no > a.run_no AND b.{judged}
                AND NOT (b.bench = a.bench AND b.at_ms > ? AND b.at_ms < ?))
            GROUP BY lot_no, serial ORDER BY lot_no, min(run_no)"""
        since = datetime.fromtimestamp(since_ms / 1000, UTC).isoformat(timespec="milliseconds")
        values = (part, bench, since_ms, until_ms, lot, since, since_ms, until_ms)
        return [(str(row["lot"]), str(row["serial"])) for row in self._rows(query, *values)]

    def lot_benches(self, lot: str) -> list[str]:
        """Slugs of the benches that tested any of a lot. NotFoundError, StoreError."""
        number, _ = self._lot_no(lot)
        return [
            str(row[0])
            for row in self._rows("SELECT DISTINCT bench FROM lot_tests WHERE lot_no = ? ORDER BY 1", number)
        ]

    def lot_stamp(self, lot: str) -> tuple[str, int, int]:
        """What changes with every record of a lot and with every test that is opened or judged. NotFoundError, StoreError."""
        number, _ = self._lot_no(lot)
        query = "SELECT coalesce(max(run_no), 0), count(verdict) FROM lot_tests WHERE lot_no = ?"
        ((newest, judged),) = self._rows(query, number)
        return self.lot_digest(lot), int(newest), int(judged)

    def lot_units(self, lot: str) -> Units:
        """All tests of a lot as columns, in order of time. NotFoundError, StoreError."""
        number, ids = self._lot_no(lot)
        return of_lots.units_of(self._tuples(of_lots.UNIT_ROWS, number), ids)

    def lot_unit_blocks(self, lot: str, size: int = 50_000) -> Iterator[Units]:
        """The same in order of opening, at most `size` tests at a time: for lots that are not to be held in memory whole."""
        number, ids = self._lot_no(lot)
        query = of_lots.UNIT_ROWS.replace("ORDER BY", "AND run_no > ? ORDER BY") + " LIMIT ?"
        after = 0
        while rows := self._rows(query, number, after, size):
            after = int(rows[-1]["run_no"])
            yield of_lots.units_of(rows, ids)

    # --- the journal itself -----------------------------------------------------------------------------------------

    def generation(self) -> str:
        """Changes when a backup is put back: a row number kept elsewhere means something only together with it.

        '' while there is no journal.
        """
        query = "SELECT value FROM identity WHERE key = 'generation'"
        return next((str(row[0]) for row in self._rows(query)), "")

    def verify(self, anchors: Mapping[str, str] | None = None, newest: int | None = None) -> Iterator[Finding]:
        """What is missing or altered, run by run; nothing if all is well. See journal_verify. StoreError."""
        from benchd.journal_verify import verify

        return verify(self.path, anchors or {}, newest)

    def thinnable(self, before: datetime, upto_row: int | None = None) -> int:
        """How many runs `Journal.thin` would thin. StoreError."""
        from benchd.journal_thin import runs_to_thin

        return sum(1 for _ in runs_to_thin(self._rows, before, upto_row))

    def _rows(self, query: str, *values: Any) -> list[sqlite3.Row]:
        """What a query finds, all of it: no reader keeps the journal's log from being folded in."""
        with self._lock, self.told():
            db = self._connected()
            return [] if db is None else db.execute(query, values).fetchall()

    def _tuples(self, query: str, *values: Any) -> list[tuple[Any, ...]]:
        """The same as bare tuples, for what comes by the hundred thousand."""
        with self._lock, self.told():
            db = self._connected()
            if db is None:
                return []
            cursor = db.cursor()
            cursor.row_factory = None
            return cursor.execute(query, values).fetchall()

    def _connected(self) -> sqlite3.Connection | None:
        """The connection; None while there is no journal."""
        if self._fixed and self._db is not None:
            self._db.close()
            self._db = None
        if self._db is None and self.path.exists() and (found := disk.connect_to_read(self.path)):
            db, self._fixed = found
            try:
                disk.refuse_older(db, self.path)
            except BaseException:
                db.close()
                raise
            self._db = db
        return self._db

    @contextmanager
    def told(self) -> Iterator[None]:
        """Troubles of the disk as StoreErrors that say what to do."""
        try:
            yield
        except (OSError, sqlite3.Error) as error:
            raise disk.trouble(self.path, error) from error

    def _row(self, row: sqlite3.Row) -> Row:
        records, digests = [], {}
        for index, one in enumerate(self._whole(chain.elements, row)):
            if one.record is not None:
                records.append({**one.record, "seq": one.seq})
                digests[one.seq] = bytes(row["chain"][index * chain.SIZE : (index + 1) * chain.SIZE]).hex()
        return Row(row["no"], row["run"], row["run_no"], row["seq"], records, digests)

    def _whole(self, take: Callable[[int, str], Iterator[T]], row: sqlite3.Row) -> list[T]:
        """What a row holds. StoreError if somebody has damaged it."""
        try:
            return list(take(row["seq"], row["body"]))
        except (TypeError, ValueError) as error:
            where = f"row {row['no']} (a run's records from {row['seq']} on)"
            raise StoreError(f"{self.path}: {where} is damaged: {error}; see `benchd verify`") from error
