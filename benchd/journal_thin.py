"""Retention: the raw readings of old runs become min/mean/max of every so many seconds.

Samples, prompts, answers, verdicts: everything that a verdict rests on stays as it is, and so do its seqs and its
digests. An average stands at the seq of the last reading it was made of. A run that does not verify is left alone, lest
its averages hide what was done to it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchd import journal_chain as chain
from benchd import journal_disk as disk
from benchd.journal_verify import check_run

#: Records that are replaced in one transaction: live runs wait some 20 ms for it.
PART = 5000
_PAGE = 200  # rows read at a time


@dataclass(frozen=True, slots=True)
class Thinned:
    """What was done. `bytes` are free inside the file for later runs; the file itself does not shrink."""

    runs: int
    readings: int  # dropped
    bytes: int
    refused: tuple[str, ...] = ()  # runs left alone because they do not verify


def runs_to_thin(
    rows: Callable[..., list[sqlite3.Row]], before: datetime, upto_row: int | None
) -> Iterator[sqlite3.Row]:
    """The list's rows of closed runs begun before a moment, not thinned yet, whose events all stand up to `upto_row`."""
    query = "SELECT * FROM runs WHERE status IS NOT NULL AND no NOT IN (SELECT run_no FROM thinned_runs) ORDER BY no"
    for row in rows(query):
        if _begun(row) >= before:
            continue
        newest = rows("SELECT no FROM events WHERE run_no = ? ORDER BY seq DESC LIMIT 1", row["no"])
        if upto_row is None or not newest or newest[0]["no"] <= upto_row:
            yield row


def thin(path: Path, before: datetime, step_s: float, upto_row: int | None = None) -> Thinned:
    """See Journal.thin. Cut short at any moment, the rest is done the next time. StoreError, ValueError (step, naive)."""
    if before.tzinfo is None or not step_s > 0:
        raise ValueError("thin() wants a moment with its time zone and a step in seconds above 0")
    runs = readings = freed = 0
    refused = []
    try:
        if not path.exists():
            return Thinned(0, 0, 0)
        with closing(disk.connect(path)) as db:
            for row in runs_to_thin(lambda query, *values: db.execute(query, values).fetchall(), before, upto_row):
                if next(check_run(db, row), None) is not None:
                    refused.append(str(row["run"]))
                    continue
                dropped, saved = _thin_run(db, int(row["no"]), step_s)
                runs, readings, freed = runs + 1, readings + dropped, freed + saved
    except (OSError, sqlite3.Error) as error:
        raise disk.trouble(path, error) from error
    return Thinned(runs, readings, freed, tuple(refused))


def _begun(row: sqlite3.Row) -> datetime:
    """When a run was opened; by its id if the list does not say it."""
    try:
        found = datetime.fromisoformat(row["started"])
    except (TypeError, ValueError):
        return disk.moment_of_id(row["run"])
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def _thin_run(db: sqlite3.Connection, run_no: int, step_s: float) -> tuple[int, int]:
    """(readings dropped, bytes saved)."""
    part = _Part(run_no, round(step_s * 1e9))
    dropped = saved = after = 0
    query = """
        SELECT events.no, seq, records, body, chain, seal FROM events LEFT JOIN thinned_rows USING (no)
        WHERE run_no = ? AND seq > ? ORDER BY seq LIMIT ?
    """
    while rows := db.execute(query, (run_no, after, _PAGE)).fetchall():
        for row in rows:
            after = int(row["seq"])
            if row["seal"] is None:
                part.add(row)
            if row["seal"] is not None or len(part.items) >= PART:
                dropped, saved = dropped + part.dropped(), saved + part.write(db)
                part = _Part(part.run_no, part.step_ns)
    dropped, saved = dropped + part.dropped(), saved + part.write(db)
    at = datetime.now(UTC).isoformat(timespec="seconds")
    db.execute("INSERT OR IGNORE INTO thinned_runs VALUES (?, ?, ?)", (run_no, step_s, at))
    return dropped, saved


@dataclass(slots=True)
class _Item:
    """An element on its way into a new row; `text` None once it is dropped."""

    span: int
    text: str | None
    link: bytes


@dataclass(slots=True)
class _Group:
    """The readings of one quantity in one step."""

    first: dict[str, Any]
    at: list[int] = field(default_factory=list)  # places in the part
    values: list[float] = field(default_factory=list)
    flags: set[str] = field(default_factory=set)
    until_ns: int = 0

    def add(self, record: dict[str, Any], place: int) -> None:
        self.at.append(place)
        self.until_ns = int(record["t_ns"])
        self.flags.update(str(one) for one in record.get("flags") or ())
        if isinstance(record.get("value"), int | float):
            self.values.append(float(record["value"]))

    def record(self) -> dict[str, Any]:
        values = self.values
        return {
            "kind": chain.THINNED,
            "t_ns": self.first["t_ns"],
            "until_ns": self.until_ns,
            **{key: self.first.get(key) for key in ("instrument", "quantity", "point")},
            "min": min(values) if values else None,
            "mean": sum(values) / len(values) if values else None,
            "max": max(values) if values else None,
            "n": len(self.at),
            "flags": sorted(self.flags),
        }


class _Part:
    """Some rows of a run that are replaced together."""

    def __init__(self, run_no: int, step_ns: int) -> None:
        self.run_no = run_no
        self.step_ns = step_ns
        self.items: list[_Item] = []
        self._rows: list[tuple[sqlite3.Row, int]] = []  # with the number of items up to its end
        self._groups: dict[tuple[Any, ...], _Group] = {}

    def add(self, row: sqlite3.Row) -> None:
        links = row["chain"]
        for index, one in enumerate(chain.elements(row["seq"], row["body"])):
            record = one.record
            if record is not None and record.get("kind") == "reading" and isinstance(record.get("t_ns"), int):
                key = (
                    *(record.get(name) for name in ("instrument", "quantity", "point")),
                    record["t_ns"] // self.step_ns,
                )
                self._groups.setdefault(key, _Group(record)).add(record, len(self.items))
            self.items.append(_Item(one.span, one.text if record else None, links[index * chain.SIZE :][: chain.SIZE]))
        self._rows.append((row, len(self.items)))

    def dropped(self) -> int:
        return sum(len(one.at) for one in self._groups.values() if len(one.at) > 1)

    def write(self, db: sqlite3.Connection) -> int:
        """Replace the rows by thinned ones; bytes saved. A reading that is alone in its step stays."""
        groups = [one for one in self._groups.values() if len(one.at) > 1]
        if not groups:
            return 0
        for group in groups:
            for place in group.at:
                self.items[place].text = None
            self.items[group.at[-1]].text = json.dumps(group.record(), ensure_ascii=False, separators=(",", ":"))
        before = sum(len(row["body"].encode()) + len(row["chain"]) for row, _ in self._rows)
        new = list(self._merged())
        first, last = self._rows[0][0]["no"], self._rows[-1][0]["no"]
        with disk.transaction(db):
            db.execute("INSERT INTO thinning VALUES (?, ?, ?)", (self.run_no, first, last))
            found = db.execute("DELETE FROM events WHERE run_no = ? AND no BETWEEN ? AND ?", (self.run_no, first, last))
            if found.rowcount != len(self._rows):
                raise sqlite3.IntegrityError("somebody else thins the same run at this moment")
            for no, was, seq, records, body, links in new:
                db.execute("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)", (no, self.run_no, seq, records, body, links))
                db.execute("INSERT INTO thinned_rows VALUES (?, ?, ?)", (no, was, chain.seal(no, seq, body, links)))
            db.execute("DELETE FROM thinning WHERE run_no = ?", (self.run_no,))
        return before - sum(len(body.encode()) + len(links) for *_, body, links in new)

    def _merged(self) -> Iterator[tuple[int, int, int, int, str, bytes]]:
        """New rows (no, of how many, seq, records, body, chain): as many old ones together as a row may span.

        The new row takes the number of the last: whoever has read up to one of the others sees it once more, not never.
        """
        begin = span = was = place = 0
        for index, (row, end) in enumerate(self._rows):
            if was == 0:
                begin, span = row["seq"], 0
            span, was = span + row["records"], was + 1
            if index + 1 < len(self._rows) and span + self._rows[index + 1][0]["records"] <= disk.MAX_ROW:
                continue
            body, links = _row_of(self.items[place:end])
            yield row["no"], was, begin, span, body, links
            place, was = end, 0


def _row_of(items: list[_Item]) -> tuple[str, bytes]:
    """Body and chain, with neighbours that are dropped counted together."""
    texts: list[str | int] = []
    links: list[bytes] = []
    for one in items:
        before = texts[-1] if texts else None
        if one.text is None and isinstance(before, int):
            texts[-1] = before + one.span
            links[-1] = one.link
        else:
            texts.append(one.span if one.text is None else one.text)
            links.append(one.link)
    return f"[{','.join(map(str, texts))}]", b"".join(links)
