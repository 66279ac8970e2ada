"""Lots, check standards and gauge studies in the journal: the list `lots`, their records, and the list of their tests.

`lot_records` holds one record a row as JSON and its digest, chained as those of work orders are. `lot_tests` says of every run
of a lot what its statistics need; it holds nothing that the run's records do not. A row is put in with the run's first record
and filled in with its verdict, each in the same transaction as the record, so that no test is lost or counted twice.
What stands in the records is said in lots/door.py.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from difflib import get_close_matches
from functools import lru_cache
from hashlib import sha256
from math import nan
from typing import TYPE_CHECKING, Any

from benchd import journal_chain as chain
from benchd.core.lots.serials import JUDGED
from benchd.errors import BusyError, NotFoundError
from benchd.journal_orders import moment, record_of, stamped
from benchd.journal_writer import rows_of

if TYPE_CHECKING:
    from benchd.core.lots.units import Integers, Units

OPEN, CLOSED = "open", "closed"

#: The columns of the list, and how many tests and units there are.
ENTRY = (
    "lot, kind, part, title, opened, closed, state,"
    " (SELECT count(*) FROM lot_tests WHERE lot_no = lots.no) AS tests,"
    " (SELECT count(DISTINCT serial) FROM lot_tests WHERE lot_no = lots.no) AS units"
)
COUNTED = """(SELECT count(*) FROM lot_tests AS b WHERE b.serial = lot_tests.serial AND b.lot_no = lot_tests.lot_no
        AND b.run_no <= lot_tests.run_no AND b.verdict IN ('pass', 'fail', 'undecided')) AS attempt"""
#: Counting a unit's tests takes a standard's or a study's square of them: 3000 measurements of one unit take a second.
UNCOUNTED = "0 AS attempt"
TESTS = """
SELECT serial, runs.run, lot_tests.run_no, lot_tests.verdict, mode, lot_tests.bench, by, started, ended, status, reason, numbers,
    trial, lot, ids,
    {attempt}
FROM lot_tests JOIN runs ON runs.no = run_no JOIN lots ON lots.no = lot_no
"""
#: Few units are tested twice: they alone are put in order. A verdict and mode may come out of both halves.
COUNTS = """
WITH twice AS MATERIALIZED (SELECT serial FROM lot_tests WHERE lot_no = ?1 GROUP BY serial HAVING count(*) > 1),
judged AS (
    SELECT verdict, mode, run_no = max(run_no) OVER unit AS last, run_no = min(run_no) OVER unit AS first
    FROM twice JOIN lot_tests USING (serial) WHERE lot_no = ?1 AND verdict IN ('pass', 'fail', 'undecided')
    WINDOW unit AS (PARTITION BY serial)
)
SELECT verdict, mode, sum(last) AS last, sum(first) AS first, sum(NOT first) AS again FROM judged GROUP BY verdict, mode
UNION ALL
SELECT verdict, mode, count(*), count(*), 0 FROM lot_tests
WHERE lot_no = ?1 AND verdict IN ('pass', 'fail', 'undecided') AND serial NOT IN twice GROUP BY verdict, mode
"""


# --- writing, in an open transaction ------------------------------------------------------------------------------------


def open_lot(db: sqlite3.Connection, body: Mapping[str, Any]) -> tuple[str, int]:
    """Put a lot and its first record in: (name, seq). BusyError if it is there."""
    lot = str(body.get("lot") or "").strip() or _next_free(db, str(body.get("part") or "lot"))
    found = db.execute("SELECT kind, state, opened FROM lots WHERE lot = ?", (lot,)).fetchone()
    if found is not None:
        raise BusyError(
            f"there is a {found['kind']} {lot} already, opened {found['opened'][:16]} UTC ({found['state']}): go on with it, or "
            "choose another name"
        )
    record = stamped(db, {**body, "kind": "lot-opened", "lot": lot})
    cells = {"lot": lot, **listed_lot(record)}
    places = ", ".join("?" for _ in cells)
    number = db.execute(f"INSERT INTO lots ({', '.join(cells)}) VALUES ({places})", tuple(cells.values())).lastrowid
    assert number is not None
    _insert(db, number, 1, chain.seed(f"lot {lot}", first_of(db, number - 1)), record)
    return lot, 1


def append_lot(db: sqlite3.Connection, lot: str, record: Mapping[str, Any]) -> int:
    """Put a record behind the others of an open lot: its seq. NotFoundError, BusyError."""
    row = db.execute("SELECT no, kind, state, closed FROM lots WHERE lot = ?", (lot,)).fetchone()
    if row is None:
        raise NotFoundError(no_such_lot(db, lot))
    if row["state"] != OPEN:
        raise BusyError(closed_sentence(row["kind"], lot, row["closed"]))
    query = "SELECT seq, chain FROM lot_records WHERE lot_no = ? ORDER BY seq DESC LIMIT 1"
    newest = db.execute(query, (row["no"],)).fetchone()
    seq, before = (0, chain.NOTHING) if newest is None else (int(newest["seq"]), bytes(newest["chain"]))
    if record.get("kind") == "lot-closed":
        _refuse_under_test(db, int(row["no"]), lot)
    record = stamped(db, record)
    _insert(db, int(row["no"]), seq + 1, before, record)
    if record["kind"] == "lot-closed":
        db.execute("UPDATE lots SET closed = ?, state = ? WHERE no = ?", (moment(record), CLOSED, row["no"]))
    return seq + 1


def refuse(db: sqlite3.Connection, body: Mapping[str, Any]) -> None:
    """See that a run may be opened in its lot: NotFoundError; BusyError if the lot is closed, the unit is under test, or was judged
    in this lot and nobody wanted it tested again. `body`: the run-opened record."""
    lot, serial = str(body["lot"]), str(body.get("unit") or "")
    row = db.execute("SELECT no, kind, state, closed FROM lots WHERE lot = ?", (lot,)).fetchone()
    if row is None:
        raise NotFoundError(no_such_lot(db, lot))
    if row["state"] != OPEN:
        raise BusyError(closed_sentence(row["kind"], lot, row["closed"]))
    query = """SELECT runs.bench, started, lot FROM lot_tests JOIN runs ON runs.no = run_no JOIN lots ON lots.no = lot_no
        WHERE serial = ? AND status IS NULL"""
    for now in db.execute(query, (serial,)) if row["kind"] == "lot" else ():
        raise BusyError(f"{serial} is under test on {now['bench']} in {now['lot']} since {now['started'][11:19]} UTC")
    if row["kind"] != "lot" or body.get("retest"):
        return
    query = """SELECT lot_tests.verdict, runs.bench, started FROM lot_tests JOIN runs ON runs.no = run_no
        WHERE lot_no = ? AND serial = ? AND lot_tests.verdict IN ('pass', 'fail', 'undecided') ORDER BY run_no DESC LIMIT 1"""
    for old in db.execute(query, (row["no"], serial)):
        raise BusyError(
            f"{serial} was judged in {lot} already: {old['verdict']}, {old['started'][:16].replace('T', ' ')} UTC on {old['bench']}; a "
            "second test must be asked for as a retest, and is counted"
        )


def _refuse_under_test(db: sqlite3.Connection, lot_no: int, lot: str) -> None:
    query = "SELECT serial, runs.bench FROM lot_tests JOIN runs ON runs.no = run_no WHERE lot_no = ? AND status IS NULL"
    for now in db.execute(query, (lot_no,)):
        raise BusyError(
            f"{lot}: {now['serial']} is under test on {now['bench']}: let it end, or stop it, then close the lot"
        )


def list_test(db: sqlite3.Connection, run_no: int, record: Mapping[str, Any]) -> None:
    """Put a run of a lot into the list of its tests. `record`: its run-opened record."""
    (lot_no,) = db.execute("SELECT no FROM lots WHERE lot = ?", (str(record["lot"]),)).fetchone()
    cells = {"run_no": run_no, "lot_no": lot_no, **listed_test(record)}
    places = ", ".join("?" for _ in cells)
    db.execute(f"INSERT INTO lot_tests ({', '.join(cells)}) VALUES ({places})", tuple(cells.values()))


def listed_test(record: Mapping[str, Any]) -> dict[str, Any]:
    """What the list of tests takes from a run's first record, by column."""
    import json

    from benchd.site import slug_of

    trial = record.get("trial")
    return {
        "serial": _text(record.get("unit")) or "",
        "bench": slug_of(str(record.get("bench") or "")),
        "by": _text(record.get("by")),
        "at_ms": ms_of(record.get("started")),
        "trial": None if trial is None else json.dumps(list(trial)),
    }


def note_verdict(db: sqlite3.Connection, run_no: int, record: Mapping[str, Any]) -> None:
    """Fill the test of a run in with its verdict; nothing happens for a run of no lot."""
    row = db.execute(
        "SELECT ids FROM lot_tests JOIN lots ON lots.no = lot_no WHERE run_no = ? AND verdict IS NULL", (run_no,)
    ).fetchone()
    if row is not None:
        verdict, mode, numbers = filled(record, ids_of(row["ids"]))
        db.execute(
            "UPDATE lot_tests SET verdict = ?, mode = ?, numbers = ? WHERE run_no = ?", (verdict, mode, numbers, run_no)
        )


def filled(record: Mapping[str, Any], ids: Sequence[str]) -> tuple[str, str, bytes]:
    """(verdict, mode, numbers) of a test by its verdict record: value and standard uncertainty of every characteristic."""
    measured = record.get("measured")
    measured = measured if isinstance(measured, Mapping) else {}
    numbers = [number for id in ids for number in _numbers(measured.get(id))]
    verdict = str(record.get("verdict"))
    return (
        verdict,
        "" if verdict == "pass" else str(record.get("finding") or ""),
        struct.pack(f"<{len(numbers)}d", *numbers),
    )


def _numbers(measured: Any) -> tuple[float, float]:
    """(value, standard uncertainty), NaN for what makes no sense: one run's record must not end the writing of all runs."""
    from benchd.core.lots.serials import numbers_of

    try:
        return numbers_of(measured)
    except (ArithmeticError, AttributeError, TypeError, ValueError):
        return nan, nan


# --- reading ------------------------------------------------------------------------------------------------------------


@lru_cache(64)
def ids_of(text: str) -> tuple[str, ...]:
    """The characteristics of a lot, in order."""
    import json

    return tuple(json.loads(text))


def test_of(row: sqlite3.Row) -> dict[str, Any]:
    """TEST of lots/door.py."""
    import json

    from benchd.core.lots.modes import TITLES

    mode = row["mode"] or ""
    body = {
        key: row[key]
        for key in ("serial", "run", "run_no", "attempt", "verdict", "bench", "by", "started", "ended", "status")
    }
    body |= {"lot": row["lot"], "mode": mode, "title": TITLES.get(mode, mode.replace("-", " ")), "measured": {}}
    if row["trial"]:
        body["trial"] = json.loads(row["trial"])
    if row["numbers"]:
        ids = ids_of(row["ids"])
        numbers = struct.unpack(f"<{2 * len(ids)}d", row["numbers"])
        body["measured"] = {
            id: {"value": value, "u": None if u != u else u}
            for id, value, u in zip(ids, numbers[::2], numbers[1::2], strict=True)
            if value == value
        }
    return body


def counts_of(rows: Iterable[sqlite3.Row], cut_short: int, void: int) -> dict[str, Any]:
    """Units by their last judged verdict, and the failure modes of those that did not pass, most frequent first."""
    last: dict[str, int] = dict.fromkeys(JUDGED, 0)
    modes: dict[str, int] = {}
    first_passed = again = 0
    for row in rows:
        last[row["verdict"]] += row["last"]
        again += row["again"]
        if row["verdict"] == "pass":
            first_passed += row["first"]
        elif row["last"]:
            modes[row["mode"] or ""] = modes.get(row["mode"] or "", 0) + row["last"]
    return {
        "units": sum(last.values()),
        "passed": last["pass"],
        "failed": last["fail"],
        "undecided": last["undecided"],
        "void": void,
        "open": cut_short,
        "retests": again,
        "first_passed": first_passed,
        "modes": sorted(modes.items(), key=lambda one: (-one[1], one[0])),
    }


def units_of(rows: Sequence[Sequence[Any]], ids: Sequence[str]) -> Units:
    """Rows (serial, at_ms, run_no, bench, verdict, mode, numbers) as columns, in order of time. 100,000 take half a second."""
    import numpy as np

    from benchd.core.lots.units import VERDICTS, Units, empty, joined

    if not rows:
        return empty(ids)
    serials, at_ms, run_no, bench, verdict, mode, numbers = zip(*rows, strict=True)
    benches = tuple(sorted(set(bench)))
    modes = ("", *sorted({one for one in mode if one}))
    blank = struct.pack(f"<{2 * len(ids)}d", *[nan] * (2 * len(ids)))
    table = np.frombuffer(b"".join(one or blank for one in numbers), "<f8").reshape(len(rows), len(ids), 2)
    place = {name: number for number, name in enumerate(benches)}
    kind = {name: number for number, name in enumerate(modes)} | {None: 0}
    code = {name: number for number, name in enumerate(VERDICTS)} | {None: VERDICTS.index("open")}
    whole = Units(
        tuple(ids),
        _keys(serials),
        np.array(at_ms, np.int64),
        np.array(run_no, np.int64),
        np.array([place[one] for one in bench], np.int64),
        benches,
        np.array([code[one] for one in verdict], np.int64),
        np.array([kind[one] for one in mode], np.int64),
        modes,
        np.ascontiguousarray(table[:, :, 0]),
        np.ascontiguousarray(table[:, :, 1]),
        tuple(serials),
    )
    return joined([whole])


def _keys(serials: Sequence[str]) -> Integers:
    """serial_key of each, (n,)."""
    import numpy as np

    from benchd.core.lots.serials import KEY_BITS

    digests = b"".join([sha256(one.encode("utf-8", "replace")).digest() for one in serials])
    first = np.frombuffer(digests, ">u8")[:: sha256().digest_size // 8]
    return (first >> (64 - KEY_BITS)).astype(np.int64)


UNIT_ROWS = (
    "SELECT serial, at_ms, run_no, bench, verdict, mode, numbers FROM lot_tests WHERE lot_no = ? ORDER BY run_no"
)


def no_such_lot(db: sqlite3.Connection | None, lot: str) -> str:
    """A sentence that names those that were perhaps meant."""
    held = [] if db is None else [str(row[0]) for row in db.execute("SELECT lot FROM lots ORDER BY no DESC LIMIT 500")]
    if not held:
        return f"there is no lot {lot[:64]!r}: none was opened yet (benchd lot open --part NAME)"
    near = get_close_matches(lot, held, 3, 0.6)
    rest = [one for one in held if one not in near][: max(0, 5 - len(near))]
    more = ", ..." if len(held) > len(near) + len(rest) else ""
    return f"there is no lot {lot[:64]!r}; there are {', '.join(near + rest)}{more}"


def closed_sentence(kind: str, lot: str, closed: str) -> str:
    return (
        f"{kind} {lot} was closed {str(closed)[:16].replace('T', ' ')} UTC: nothing can be added to it; open a new one"
    )


def listed_lot(record: Mapping[str, Any]) -> dict[str, Any]:
    """What the list takes from a lot's first record, by column."""
    import json

    return {
        "kind": str(record.get("lot_kind") or "lot"),
        "part": _text(record.get("part")),
        "title": _text(record.get("title")),
        "ids": json.dumps([str(one) for one in record.get("ids") or ()]),
        "opened": moment(record),
        "state": OPEN,
    }


def ms_of(started: Any) -> int:
    """Milliseconds since 1970 of an ISO 8601 moment, 0 for anything else."""
    try:
        found = datetime.fromisoformat(str(started))
    except ValueError:
        return 0
    since = (found if found.tzinfo else found.replace(tzinfo=UTC)) - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * 86400 + since.seconds) * 1000 + since.microseconds // 1000


def _next_free(db: sqlite3.Connection, part: str) -> str:
    """The part's number and the first number that no lot of it has."""
    stem = "".join(char for char in part if char.isascii() and char.isalnum()).upper() or "LOT"
    held = {str(row[0]) for row in db.execute("SELECT lot FROM lots WHERE lot GLOB ?", (f"{stem}-*",))}
    number = 1
    while f"{stem}-{number:04d}" in held:
        number += 1
    return f"{stem}-{number:04d}"


def first_of(db: sqlite3.Connection, lot_no: int) -> bytes:
    """The digest of a lot's first record; NOTHING if there is no such lot."""
    row = db.execute("SELECT chain FROM lot_records WHERE lot_no = ? AND seq = 1", (lot_no,)).fetchone()
    return chain.NOTHING if row is None else bytes(row[0])


def _insert(db: sqlite3.Connection, lot_no: int, seq: int, before: bytes, record: Mapping[str, Any]) -> None:
    ((_, _, _, row, link),) = rows_of(lot_no, seq, before, [record])
    query = "INSERT INTO lot_records (lot_no, seq, body, chain) VALUES (?, ?, ?, ?)"
    db.execute(query, (lot_no, seq, row[1:-1], link))


def _text(value: Any) -> str | None:
    return None if value in (None, "") else str(value).encode("utf-8", "replace").decode()


# --- checking -----------------------------------------------------------------------------------------------------------

Trouble = tuple[str, str]  # lot ('' if it has none), what is wrong


def troubles(db: sqlite3.Connection) -> Iterator[Trouble]:
    """What is missing or altered in all lots, and tests without a run. Those of a run: see test_troubles."""
    (last,) = db.execute("SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'lots'").fetchone()
    for number in range(1, int(last) + 1):
        row = db.execute("SELECT * FROM lots WHERE no = ?", (number,)).fetchone()
        if row is None:
            yield "", f"lot number {number} is missing in the list of lots"
            continue
        for what in _check_lot(db, row):
            yield str(row["lot"]), what
    yield from _tests_of_nothing(db)


def _check_lot(db: sqlite3.Connection, row: sqlite3.Row) -> Iterator[str]:
    first = first_of(db, int(row["no"]) - 1)
    before = None if first == chain.NOTHING and row["no"] > 1 else chain.seed(f"lot {row['lot']}", first)
    next_seq, said, closed = 1, dict[str, Any](), None
    for kept in db.execute("SELECT seq, body, chain FROM lot_records WHERE lot_no = ? ORDER BY seq", (row["no"],)):
        if kept["seq"] != next_seq:
            yield f"the records before {kept['seq']} are missing"
            before = None
        if before is not None and chain.digest(before, kept["body"].encode()) != kept["chain"]:
            yield f"record {kept['seq']} was altered: digest and text do not agree"
        next_seq, before = int(kept["seq"]) + 1, bytes(kept["chain"])
        try:
            record = record_of(kept["body"])
        except ValueError as error:
            yield f"record {kept['seq']} cannot be read: {error}"
            continue
        if record.get("kind") == "lot-opened":
            said = listed_lot(record) | {"lot": record.get("lot")}
        closed = moment(record) if record.get("kind") == "lot-closed" else closed
    if next_seq == 1:
        yield "all its records are missing"
    said |= {} if not said else {"state": OPEN if closed is None else CLOSED, "closed": closed}
    for column, value in said.items():
        if row[column] != value:
            yield f"the list of lots was altered: {column} is {row[column]!r}, its records say {value!r}"


def test_troubles(
    db: sqlite3.Connection, run_no: int, opened: Mapping[str, Any] | None, verdict: Mapping[str, Any] | None
) -> Iterator[str]:
    """Whether the list of tests says of a run what its run-opened and verdict records do, which may be gone."""
    query = "SELECT lot_tests.*, lot, ids FROM lot_tests LEFT JOIN lots ON lots.no = lot_no WHERE run_no = ?"
    row = db.execute(query, (run_no,)).fetchone()
    if opened is None:  # told as the run's own trouble
        return
    lot = opened.get("lot") or None
    if row is None:
        if lot is not None:
            yield f"is missing in the list of tests of lot {lot}: its first record says that it tested {opened.get('unit')}"
        return
    said = {"lot": lot, **listed_test(opened)}
    for column, value in said.items():
        if row[column] != value:
            yield f"the list of tests was altered: {column} is {row[column]!r}, its first record says {value!r}"
    if verdict is None:
        if row["verdict"] is not None:
            yield f"the list of tests was altered: it says {row['verdict']}, the run has no verdict"
        return
    try:
        ids = ids_of(row["ids"])
    except (TypeError, ValueError):  # the lot is gone or altered: told as its own trouble
        return
    if filled(verdict, ids) != (row["verdict"], row["mode"], row["numbers"]):
        yield "the list of tests was altered: verdict or numbers are not those of the run"


def _tests_of_nothing(db: sqlite3.Connection) -> Iterator[Trouble]:
    """Tests that no run stands behind: nobody who goes through the runs meets them."""
    query = """SELECT run_no, serial, lot FROM lot_tests LEFT JOIN lots ON lots.no = lot_no
        WHERE run_no NOT IN (SELECT no FROM runs) ORDER BY run_no"""
    for row in db.execute(query):
        what = f"the list of tests was altered: there is no run number {row['run_no']}, the test of {row['serial']}"
        yield str(row["lot"] or ""), what
