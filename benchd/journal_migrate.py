"""Journals of older schemas brought to the newest, in one transaction: cut short at any moment, the old one stands.

Schema 1 (2026): events(run_no, seq, records, body) without `no` and without digests.
Schema 2 (2026): as schema 3, without work orders.
Schema 3 (2026): as now, without lots.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

from benchd import journal_chain as chain
from benchd import journal_disk as disk
from benchd.errors import StoreError


def migrate(db: sqlite3.Connection, path: Path, version: int) -> None:
    """Bring an open transaction's journal from `version` to the newest schema. StoreError while an old one is in use."""
    live = path.with_name(path.name + "-live")
    for run, owner in db.execute("SELECT run, owner FROM runs WHERE status IS NULL").fetchall():
        if not disk.is_dead(live, owner):
            raise StoreError(f"{path}: an older benchd conducts run {run}: let it end, then try again")
    if version == 1:
        _from_1(db)
    if version < 3:
        disk.run_script(db, disk.ORDERS)
    disk.run_script(db, disk.LOTS)


def _from_1(db: sqlite3.Connection) -> None:
    for name in ("events_stay", "events_are_kept"):
        db.execute(f"DROP TRIGGER {name}")
    db.execute("DROP INDEX events_in_order")
    db.execute("ALTER TABLE events RENAME TO events_1")
    disk.run_script(db, disk.EVENTS)
    db.executemany("INSERT INTO events (run_no, seq, records, body, chain) VALUES (?, ?, ?, ?, ?)", _chained(db))
    db.execute("DROP TABLE events_1")
    db.execute("INSERT INTO identity VALUES ('generation', ?)", (uuid4().hex,))


def _chained(db: sqlite3.Connection) -> Iterator[tuple[int, int, int, str, bytes]]:
    """The old rows, in the order in which they were committed, with the digests of their records."""
    runs = {int(no): str(run) for no, run in db.execute("SELECT no, run FROM runs")}
    first: dict[int, bytes] = {}
    newest: dict[int, bytes] = {}
    for run_no, seq, records, body in db.execute("SELECT run_no, seq, records, body FROM events_1 ORDER BY rowid"):
        before = newest.get(run_no) or chain.seed(runs.get(run_no, ""), first.get(run_no - 1, chain.NOTHING))
        links = chain.links(before, [one.text.encode() for one in chain.elements(seq, body)])
        first.setdefault(run_no, links[: chain.SIZE])
        newest[run_no] = links[-chain.SIZE :]
        yield run_no, seq, records, body, links
