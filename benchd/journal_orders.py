"""Work orders in the journal: the list `orders` and, append-only, the records of each in `order_records`.

A row holds one record as JSON and its digest. An order's first record follows H(work order + digest of the first record
of the order before it), every other the record before it: the same digests as a run's, see journal_chain. What stands
in the records is said in core/visit.py; here they are JSON objects with a `kind`.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Any

from benchd import journal_chain as chain
from benchd.errors import BusyError, NotFoundError, UsageError
from benchd.journal_writer import rows_of

#: What a number is counted from that nobody has chosen; no machine's serial number is taken, which a scanner reads too.
FIRST_NUMBER = 1001
OPEN, PROVEN, UNPROVEN = "open", "proven", "closed without proof"
STATES = (OPEN, PROVEN, UNPROVEN)

_LISTED = "work_order, machine, unit, customer, complaint, opened, closed, state"
#: The columns of the list, and how many runs name the order.
ENTRY = f"{_LISTED}, (SELECT count(*) FROM runs WHERE runs.work_order = orders.work_order) AS runs"

_NEXT_FREE = """
WITH taken AS (
    SELECT work_order FROM orders UNION SELECT work_order FROM runs WHERE work_order IS NOT NULL
    UNION SELECT unit FROM orders WHERE unit IS NOT NULL UNION SELECT unit FROM runs WHERE unit IS NOT NULL
),
numbers AS (
    SELECT CAST(work_order AS INTEGER) AS number FROM taken
    WHERE work_order NOT GLOB '*[^0-9]*' AND length(work_order) BETWEEN 1 AND 9
)
SELECT min(number) FROM (SELECT :first AS number UNION SELECT number + 1 FROM numbers WHERE number >= :first)
WHERE number NOT IN (SELECT number FROM numbers)
"""


def open_order(db: sqlite3.Connection, body: Mapping[str, Any]) -> tuple[str, int]:
    """Put an order and its first record into an open transaction: (work order, seq). BusyError if it is there."""
    work_order = str(body.get("work_order") or "").strip() or _next_free(db)
    found = db.execute("SELECT state, opened FROM orders WHERE work_order = ?", (work_order,)).fetchone()
    if found is not None:
        raise BusyError(
            f"there is a work order {work_order} already, opened {found['opened'][:16]} UTC ({found['state']}): "
            "go on with it, or choose another number"
        )
    record = stamped(db, {**body, "kind": "order-opened", "work_order": work_order})
    cells = listed_order(record)
    names = ", ".join(("work_order", *cells))
    places = ", ".join("?" for _ in range(len(cells) + 1))
    number = db.execute(f"INSERT INTO orders ({names}) VALUES ({places})", (work_order, *cells.values())).lastrowid
    assert number is not None
    _insert(db, number, 1, chain.seed(work_order, first_of(db, number - 1)), record)
    return work_order, 1


def append_order(
    db: sqlite3.Connection, work_order: str, record: Mapping[str, Any], at: tuple[int, int] | None = None
) -> int:
    """Put a record behind the others of an order, in an open transaction: its seq. See Journal.append_order."""
    order = open_one(db, work_order)
    query = "SELECT seq, chain FROM order_records WHERE order_no = ? ORDER BY seq DESC LIMIT 1"
    newest = db.execute(query, (order["no"],)).fetchone()
    seq, before = (0, chain.NOTHING) if newest is None else (int(newest["seq"]), bytes(newest["chain"]))
    if at is not None and at != (seq, newest_run_of(db, work_order)):
        raise Moved(f"work order {work_order} was written to meanwhile: look at it again")
    record = stamped(db, record)
    _insert(db, order["no"], seq + 1, before, record)
    if record["kind"] == "order-closed":
        cells = listed_order(record)
        names = ", ".join(f"{key} = ?" for key in cells)
        db.execute(f"UPDATE orders SET {names} WHERE no = ?", (*cells.values(), order["no"]))
    return seq + 1


def open_one(db: sqlite3.Connection, work_order: str) -> sqlite3.Row:
    """The row of an open order. NotFoundError, BusyError."""
    found = db.execute("SELECT no, state, closed FROM orders WHERE work_order = ?", (work_order,)).fetchone()
    if found is None:
        raise NotFoundError(no_such_order(db, work_order))
    if found["state"] != OPEN:
        raise BusyError(f"work order {work_order} was closed {found['closed'][:16]} UTC: it takes no more records")
    row: sqlite3.Row = found
    return row


class Moved(BusyError):
    """Somebody else wrote to the order since it was read."""


def refuse_closed(db: sqlite3.Connection, work_order: str | None) -> None:
    """BusyError if there is such an order and it is closed; a number without an order is anybody's."""
    query = "SELECT state, closed FROM orders WHERE work_order = ? AND state <> ?"
    found = None if work_order is None else db.execute(query, (work_order, OPEN)).fetchone()
    if found is not None:
        raise BusyError(closed_sentence(str(work_order), found["closed"]))


def closed_sentence(work_order: str, closed: str) -> str:
    return (
        f"work order {work_order} was closed {closed[:16]} UTC: no run can be added to it. "
        "Open a new order for this machine (`benchd order new`), or leave the number out"
    )


def newest_run_of(db: sqlite3.Connection, work_order: str) -> int:
    """The number of the newest run of an order, 0 if there is none."""
    return int(db.execute("SELECT coalesce(max(no), 0) FROM runs WHERE work_order = ?", (work_order,)).fetchone()[0])


def first_of(db: sqlite3.Connection, order_no: int) -> bytes:
    """The digest of an order's first record; NOTHING if there is no such order."""
    row = db.execute("SELECT chain FROM order_records WHERE order_no = ? AND seq = 1", (order_no,)).fetchone()
    return chain.NOTHING if row is None else bytes(row[0])


def no_such_order(db: sqlite3.Connection | None, work_order: str) -> str:
    """A sentence that names the orders that were perhaps meant."""
    held: list[str] = []
    if db is not None:
        query = "SELECT work_order FROM orders ORDER BY state = 'open' DESC, no DESC LIMIT 500"
        held = [str(row[0]) for row in db.execute(query)]
    if not held:
        return f"there is no work order {work_order!r}: none was opened yet"
    near = get_close_matches(work_order, held, 3, 0.7)
    rest = [one for one in held if one not in near][: max(0, 5 - len(near))]
    return f"there is no work order {work_order!r}; there are {', '.join(near + rest)}" + (
        ", ..." if len(held) > len(near) + len(rest) else ""
    )


def listed_order(record: Mapping[str, Any]) -> dict[str, Any]:
    """What the list of orders takes from a record, by column."""
    if record.get("kind") == "order-opened":
        cells = {key: _text(record.get(key)) for key in ("machine", "unit", "customer", "complaint")}
        return {**cells, "opened": moment(record), "state": OPEN}
    if record.get("kind") == "order-closed":
        return {"closed": moment(record), "state": PROVEN if record.get("proven") is True else UNPROVEN}
    return {}


def moment(record: Mapping[str, Any]) -> str:
    """When a record was written: UTC, ISO 8601, to the millisecond."""
    at_ns = record.get("at_ns")
    try:
        found = datetime.fromtimestamp((at_ns if isinstance(at_ns, int) else 0) // 1_000_000 / 1000, UTC)
    except (OverflowError, OSError, ValueError):
        found = datetime.fromtimestamp(0, UTC)
    return found.isoformat(timespec="milliseconds")


def _text(value: Any) -> str | None:
    return None if value in (None, "") else str(value).encode("utf-8", "replace").decode()


def _next_free(db: sqlite3.Connection) -> str:
    return str(db.execute(_NEXT_FREE, {"first": FIRST_NUMBER}).fetchone()[0])


def stamped(db: sqlite3.Connection, record: Mapping[str, Any]) -> dict[str, Any]:
    newest = int(db.execute("SELECT coalesce(max(no), 0) FROM runs").fetchone()[0])
    kept = {key: value for key, value in record.items() if key != "seq"}
    if "kind" not in kept:
        raise UsageError("a record of an order must say its kind")
    return {"at_ns": time.time_ns(), **kept, "after_run_no": newest}


def _insert(db: sqlite3.Connection, order_no: int, seq: int, before: bytes, record: Mapping[str, Any]) -> None:
    ((_, _, _, row, link),) = rows_of(order_no, seq, before, [record])
    query = "INSERT INTO order_records (order_no, seq, body, chain) VALUES (?, ?, ?, ?)"
    db.execute(query, (order_no, seq, row[1:-1], link))


# --- checking -----------------------------------------------------------------------------------------------------------

Trouble = tuple[str, int, int, str]  # work order ('' if it has none), first seq, last seq, what is wrong


def known_among(db: sqlite3.Connection, names: Iterable[str]) -> set[str]:
    """Those of the names that are work orders."""
    query = "SELECT 1 FROM orders WHERE work_order = ?"
    return {one for one in names if db.execute(query, (one,)).fetchone() is not None}


def troubles(
    db: sqlite3.Connection, newest: int | None = None, anchors: Mapping[str, str] | None = None
) -> Iterator[Trouble]:
    """What is missing or altered in all orders, or in the `newest` of them. `anchors`: order -> digest kept elsewhere."""
    last = _made(db, "orders")
    first = 1 if newest is None else max(1, last - newest + 1)
    before, missing = "", False
    for number in range(first, last + 1):
        row = db.execute("SELECT * FROM orders WHERE no = ?", (number,)).fetchone()
        if row is None:
            missing = True
            yield "", 0, 0, _gone(db, number, before)
            continue
        before = str(row["work_order"])
        for one in check_order(db, row, (anchors or {}).get(before)):
            missing = missing or "missing" in one[3]
            yield one
    if newest is None and not missing and (gone := _made(db, "order_records") - _held(db)) > 0:
        yield "", 0, 0, f"{gone} of the newest records of work orders are missing: the end of an open order was cut"


def check_order(db: sqlite3.Connection, row: sqlite3.Row, anchor: str | None = None) -> Iterator[Trouble]:
    """What is wrong with one order; `row` is its row of the list, all columns."""
    work_order, number = str(row["work_order"]), int(row["no"])
    first = first_of(db, number - 1)
    before = None if first == chain.NOTHING and number > 1 else chain.seed(work_order, first)
    next_seq, said = 1, dict.fromkeys(("machine", "unit", "customer", "complaint", "opened", "closed"))
    opened = closed = False
    for kept in db.execute("SELECT seq, body, chain FROM order_records WHERE order_no = ? ORDER BY seq", (number,)):
        seq = int(kept["seq"])
        if seq != next_seq:
            yield work_order, next_seq, seq - 1, f"the records before {seq} are missing"
            before = None
        if before is not None and chain.digest(before, kept["body"].encode()) != kept["chain"]:
            yield work_order, seq, seq, f"record {seq} was altered: digest and text do not agree"
        next_seq, before = seq + 1, bytes(kept["chain"])
        anchor = None if anchor is not None and before.hex() == anchor.lower() else anchor
        try:
            record = record_of(kept["body"])
        except ValueError as error:
            yield work_order, seq, seq, f"record {seq} cannot be read: {error}"
            continue
        said |= listed_order(record)
        opened, closed = opened or seq == 1, closed or record.get("kind") == "order-closed"
        if seq == 1 and record.get("work_order") != work_order:
            yield work_order, 1, 1, f"the list calls it so, its first record {record.get('work_order')!r}"
    if anchor is not None:
        yield work_order, 0, 0, f"no record has the digest {anchor} that was kept elsewhere: it was cut or rewritten"
    if next_seq == 1:
        yield work_order, 1, 1, "all its records are missing"
    elif row["state"] != OPEN and not closed:
        yield (
            work_order,
            next_seq,
            next_seq,
            f"the records after {next_seq - 1} are missing: the list says it is closed",
        )
    elif opened:
        for column, value in said.items():
            if row[column] != value:
                what = f"the list of orders was altered: {column} is {row[column]!r}, its records say {value!r}"
                yield work_order, 0, 0, what


def record_of(body: str) -> dict[str, Any]:
    """The record that a row holds. ValueError if it is none."""
    import json

    try:
        found = json.loads(body)
    except (ValueError, TypeError) as error:
        raise ValueError(f"it is no JSON: {error}") from None
    if not isinstance(found, dict) or not isinstance(found.get("kind"), str):
        raise ValueError("it is no record")
    return found


def _gone(db: sqlite3.Connection, number: int, before: str) -> str:
    where = f"work order number {number}" + (f" (opened after {before})" if before else "")
    if db.execute("SELECT 1 FROM order_records WHERE order_no = ?", (number,)).fetchone():
        return f"{where} is missing in the list of orders, its records are there"
    return f"{where} is missing with all its records"


def _made(db: sqlite3.Connection, table: str) -> int:
    """How many rows a table was ever given; SQLite keeps it in the same transaction."""
    row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = ?", (table,)).fetchone()
    held = int(db.execute(f"SELECT coalesce(max(no), 0) FROM {table}").fetchone()[0])
    return max(held, 0 if row is None else int(row[0]))


def _held(db: sqlite3.Connection) -> int:
    return int(db.execute("SELECT count(*) FROM order_records").fetchone()[0])
