"""Whether the journal is whole: every record follows the one before it, no run or order is missing, the lists agree.

Found and named: a record altered, added or taken out; missing records, runs and rows; a cut end; a list that says
something else than the records; guards taken off. Not found: the work of somebody who computes all digests anew, and
everything behind them. Against that, keep a digest elsewhere (a forwarder sends every verdict's) and give it as an
anchor. What retention wrote (averages of raw readings) is sealed row by row, but in no chain.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd import journal_chain as chain
from benchd import journal_disk as disk
from benchd import journal_lots, journal_orders
from benchd.errors import StoreError
from benchd.journal_writer import listed

_ROWS = """
SELECT events.no, seq, records, body, chain, seal FROM events LEFT JOIN thinned_rows USING (no)
WHERE run_no = ? ORDER BY seq
"""
_AT_OPENING = ("procedure", "bench", "spec", "work_order", "unit", "started")
_AT_END = ("verdict", "suspect", "ended", "duration_s", "status", "reason")


@dataclass(frozen=True, slots=True)
class Finding:
    """One trouble. `run` is '' and the seqs are 0 where it concerns the journal as a whole, or a run without a name."""

    run: str
    seq_from: int
    seq_to: int
    what: str
    order: str = ""  # the work order, where it concerns one

    def __str__(self) -> str:
        if self.order:
            return f"work order {self.order}: {self.what}"
        return f"run {self.run}: {self.what}" if self.run else self.what

    def to_json(self) -> dict[str, Any]:
        body = {"run": self.run or None, "seq_from": self.seq_from, "seq_to": self.seq_to, "what": self.what}
        return body | ({"work_order": self.order} if self.order else {})


def verify(path: Path, anchors: Mapping[str, str], newest: int | None = None) -> Iterator[Finding]:
    """Look at the whole journal, or its `newest` runs and orders only, as it stands at this moment; writers are not held up.

    `anchors`: run or work order -> digest (hex) of one of its records that was kept elsewhere. StoreError if it cannot be read at all.
    """
    try:
        found = disk.connect_to_read(path) if path.exists() else None
        if found is None:
            raise StoreError(f"{path}: there is no journal here")
        db = found[0]
        try:
            disk.refuse_older(db, path)
            db.execute("BEGIN")
        except BaseException:
            db.close()
            raise
    except sqlite3.Error as error:
        raise disk.trouble(path, error) from error
    return _findings(db, path, anchors, newest)


def _findings(db: sqlite3.Connection, path: Path, anchors: Mapping[str, str], newest: int | None) -> Iterator[Finding]:
    with closing(db):
        try:
            yield from _file(db)
            orders = journal_orders.known_among(db, anchors)
            yield from _runs(db, {run: one for run, one in anchors.items() if run not in orders}, newest)
            of_orders = {order: anchors[order] for order in orders}
            for order, seq_from, seq_to, what in journal_orders.troubles(db, newest, of_orders):
                yield Finding("", seq_from, seq_to, what, order)
            if newest is None:
                for lot, what in journal_lots.troubles(db):
                    yield _whole(f"lot {lot}: {what}" if lot else what)
        except sqlite3.Error as error:
            yield _whole(f"{disk.trouble(path, error)}; what comes after this could not be looked at")


def _whole(what: str) -> Finding:
    return Finding("", 0, 0, what)


def _file(db: sqlite3.Connection) -> Iterator[Finding]:
    for (line,) in db.execute("PRAGMA quick_check(5)").fetchall():
        if line != "ok":
            yield _whole(f"the database file is damaged: {line}")
    held = {str(name) for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")}
    for name in sorted(disk.TRIGGERS - held):
        yield _whole(f"the guard {name!r} was taken off: records could be changed since")


def _runs(db: sqlite3.Connection, anchors: Mapping[str, str], newest: int | None) -> Iterator[Finding]:
    last = _made(db, "runs")
    first = 1 if newest is None else max(1, last - newest + 1)
    missing = False
    before: str | None = None
    for number in range(first, last + 1):
        row = db.execute("SELECT * FROM runs WHERE no = ?", (number,)).fetchone()
        if row is None:
            missing = True
            yield _missing_run(db, number, before)
            continue
        before = str(row["run"])
        for finding in check_run(db, row, anchors.get(before)):
            missing = missing or "missing" in finding.what
            yield finding
    for run in anchors:
        if newest is None and not db.execute("SELECT 1 FROM runs WHERE run = ?", (run,)).fetchone():
            yield Finding(
                run,
                0,
                0,
                "is missing: its digest was kept elsewhere, the journal knows no such run and no such work order",
            )
    if newest is None:
        yield from _rows(db, missing)


def _made(db: sqlite3.Connection, table: str) -> int:
    """How many rows a table was ever given; SQLite keeps it in the same transaction."""
    row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = ?", (table,)).fetchone()
    held = db.execute(f"SELECT coalesce(max(no), 0) FROM {table}").fetchone()[0]
    return max(int(held), 0 if row is None else int(row[0]))


def _missing_run(db: sqlite3.Connection, number: int, before: str | None) -> Finding:
    row = db.execute("SELECT seq, body FROM events WHERE run_no = ? ORDER BY seq LIMIT 1", (number,)).fetchone()
    where = f"run number {number} (opened after {before})" if before else f"run number {number}"
    if row is None:
        return _whole(f"{where} is missing with all its records")
    try:
        name = next((str(one.get("run", "")) for _, one in chain.records(row["seq"], row["body"])), "")
    except (TypeError, ValueError):
        name = ""
    return Finding(name, 0, 0, f"is missing in the list of runs, its records are there ({where})")


def _rows(db: sqlite3.Connection, missing: bool) -> Iterator[Finding]:
    """Whether rows are gone that no run misses: the end of the journal, or of a run that was open."""
    held = db.execute(
        "SELECT count(*) - count(was) + coalesce(sum(was), 0) FROM events LEFT JOIN thinned_rows USING (no)"
    )
    gone = _made(db, "events") - int(held.fetchone()[0])
    newest = db.execute(
        "SELECT events.no, run, seq + records FROM events JOIN runs ON runs.no = run_no ORDER BY events.no DESC LIMIT 1"
    ).fetchone()
    if gone > 0 and newest is not None and newest[0] < _made(db, "events"):
        what = f"the newest rows of the journal are missing; this run, the last, is kept up to record {newest[2] - 1}"
        yield Finding(str(newest[1]), newest[2], newest[2], what)
    elif gone > 0 and not missing:
        yield _whole(f"{gone} rows of records are missing: the end of a run that is not closed was cut")


# --- one run ----------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Walk:
    """What is known on the way through the records of a run."""

    before: bytes | None  # digest of the record before; None if that one is missing
    next_seq: int = 1
    anchor: bytes | None = None
    altered: list[int] = field(default_factory=list)
    said: dict[str, tuple[Any, int]] = field(default_factory=dict)  # column -> what the records say of it, and which
    run: str | None = None
    closed: bool = False
    opened: dict[str, Any] | None = None  # these two records, for the list of tests of lots
    verdict: dict[str, Any] | None = None


def check_run(db: sqlite3.Connection, row: sqlite3.Row, anchor: str | None = None) -> Iterator[Finding]:
    """What is wrong with one run; `row` is its row of the list, all columns."""
    run, number = str(row["run"]), int(row["no"])
    first = chain.first_of(db, number - 1)
    walk = _Walk(None if first == chain.NOTHING and number > 1 else chain.seed(run, first))
    walk.anchor = bytes.fromhex(anchor) if anchor else None
    for kept in db.execute(_ROWS, (number,)):
        for seq_from, seq_to, what in _row(walk, kept):
            yield Finding(run, seq_from, seq_to, what)
    for seq_from, seq_to in _ranges(walk.altered):
        names = f"record {seq_from} was" if seq_from == seq_to else f"records {seq_from} to {seq_to} were"
        yield Finding(run, seq_from, seq_to, f"{names} altered: digest and text do not agree")
    yield from _against_list(walk, run, row)
    for what in journal_lots.test_troubles(db, number, walk.opened, walk.verdict):
        yield Finding(run, 0, 0, what)
    if walk.anchor is not None:
        yield Finding(run, 0, 0, f"no record has the digest {anchor} that was kept elsewhere: it was cut or rewritten")


def _row(walk: _Walk, row: sqlite3.Row) -> Iterator[tuple[int, int, str]]:
    """Check one row and go on behind it: (first seq, last seq, what is wrong)."""
    seq, end = int(row["seq"]), int(row["seq"]) + int(row["records"]) - 1
    if seq > walk.next_seq:
        one = seq == walk.next_seq + 1
        gone = f"record {walk.next_seq} is" if one else f"records {walk.next_seq} to {seq - 1} are"
        yield walk.next_seq, seq - 1, f"{gone} missing"
        walk.before = None
    elif seq < walk.next_seq:
        yield seq, walk.next_seq - 1, f"records {seq} to {walk.next_seq - 1} are there twice"
    walk.next_seq = end + 1
    links = [row["chain"][at : at + chain.SIZE] for at in range(0, len(row["chain"]), chain.SIZE)]
    try:
        held = list(chain.elements(seq, row["body"]))
    except (TypeError, ValueError) as error:
        held = []
        yield seq, end, f"records {seq} to {end} cannot be read: {error}"
    else:
        if len(held) != len(links) or held[-1].seq != end:
            yield seq, end, f"records {seq} to {end}: some were taken out or put in"
            held = []
    if not held:
        walk.before = links[-1] if links else None
        return
    sealed = row["seal"] is not None
    if sealed and row["seal"] != chain.seal(row["no"], seq, row["body"], row["chain"]):
        yield seq, end, f"records {seq} to {end}, thinned by retention, were altered: the seal is broken"
    elif not sealed and any(one.record is None for one in held):
        yield seq, end, f"records {seq} to {end}: some were taken out, and not by retention"
    _follow(walk, held, links, sealed)


def _follow(walk: _Walk, held: list[chain.Element], links: list[bytes], sealed: bool) -> None:
    """Each record against the digest of the one before; what it says for the list."""
    for one, link in zip(held, links, strict=True):
        record = one.record
        if record is not None:
            kind = record.get("kind")
            averaged = sealed and kind == chain.THINNED
            if walk.before is not None and not averaged and chain.digest(walk.before, one.text.encode()) != link:
                walk.altered.append(one.seq)
            if kind in ("run-opened", "verdict", "run-closed"):
                walk.said |= {key: (value, one.seq) for key, value in listed(record).items()}
                walk.run = record.get("run") if kind == "run-opened" else walk.run
                walk.closed = walk.closed or kind == "run-closed"
                walk.opened = record if kind == "run-opened" else walk.opened
                walk.verdict = record if kind == "verdict" else walk.verdict
        if link == walk.anchor:
            walk.anchor = None
        walk.before = link


def _ranges(numbers: list[int]) -> Iterator[tuple[int, int]]:
    begin = 0
    for index, number in enumerate(numbers):
        if index + 1 == len(numbers) or numbers[index + 1] != number + 1:
            yield numbers[begin], number
            begin = index + 1


def _against_list(walk: _Walk, run: str, row: sqlite3.Row) -> Iterator[Finding]:
    if walk.next_seq == 1:
        yield Finding(run, 1, 1, "all its records are missing")
        return
    if walk.run is not None and walk.run != run:
        yield Finding(run, 1, 1, f"the list of runs calls it so, its first record {walk.run!r}")
    columns: tuple[str, ...] = _AT_OPENING if walk.run is not None else ()
    if row["status"] is not None and not walk.closed:
        last = walk.next_seq - 1
        what = f"the records after {last} are missing: the list says that it was closed ({row['status']})"
        yield Finding(run, walk.next_seq, walk.next_seq, what)
    else:
        columns += _AT_END
    for column in columns:
        said, seq = walk.said.get(column, (None, 0))
        if row[column] != said:
            whose = f"record {seq} says" if seq else "its records say"
            what = f"the list of runs was altered: {column} is {row[column]!r}, {whose} {said!r}"
            yield Finding(run, seq, seq, what)
