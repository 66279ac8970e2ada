"""The chain of digests that ties every record to the one before it, and how rows hold records and digests.

digest(record) = H(digest of the record before it in the run + its JSON text), H = BLAKE2b of 16 bytes. A run's first
record follows H(run id + digest of the first record of the run before it), so that no run can be left out either.

A row's body is a JSON array of records. Where retention has dropped records, a number stands for so many of them;
the row's `chain` holds one digest (16 bytes) for each element, for a number that of the last record dropped.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any

SIZE = 16
#: Stands before the first run, and wherever there is nothing to follow.
NOTHING = bytes(SIZE)
THINNED = "thinned"

_begin = blake2b(digest_size=SIZE).copy  # a copy is a third faster than a new one
_scan = json.JSONDecoder().raw_decode


def digest(before: bytes, text: bytes) -> bytes:
    """The digest of the record with this JSON text."""
    return blake2b(before + text, digest_size=SIZE).digest()


def seed(run: str, first_of_run_before: bytes) -> bytes:
    """What a run's first record follows."""
    return blake2b(run.encode() + first_of_run_before, digest_size=SIZE).digest()


def first_of(db: sqlite3.Connection, run_no: int) -> bytes:
    """The digest of a run's first record; NOTHING if there is no such run."""
    row = db.execute("SELECT chain FROM events WHERE run_no = ? AND seq = 1", (run_no,)).fetchone()
    return NOTHING if row is None else bytes(row[0][:SIZE])


def links(before: bytes, texts: Sequence[bytes]) -> bytes:
    """The digests of records that follow each other, as a row keeps them."""
    found = []
    for text in texts:
        one = _begin()
        one.update(before + text)
        before = one.digest()
        found.append(before)
    return b"".join(found)


def seal(no: int, seq: int, body: str, chain: bytes) -> bytes:
    """The digest of a whole row, kept for rows that retention wrote: their averages are in no chain."""
    return blake2b(b"%d %d " % (no, seq) + body.encode() + chain, digest_size=SIZE).digest()


@dataclass(frozen=True, slots=True)
class Element:
    """One element of a row: a record, or so many that were dropped (`record` None). `seq` is that of its last record."""

    seq: int
    span: int
    text: str
    record: dict[str, Any] | None


def elements(first_seq: int, body: str) -> Iterator[Element]:
    """What stands in a row, each with the very text that was digested. ValueError if it is no such row."""
    for text, found in _items(body):
        if isinstance(found, dict):
            yield Element(first_seq, 1, text, found)
            first_seq += 1
        elif type(found) is int and found > 0:
            first_seq += found
            yield Element(first_seq - 1, found, text, None)
        else:
            raise ValueError(f"a row holds {text[:40]!r} where a record should be")


def records(first_seq: int, body: str) -> Iterator[tuple[int, dict[str, Any]]]:
    """(seq, record) of every record that a row still holds."""
    seq = first_seq
    for found in json.loads(body):
        if isinstance(found, dict):
            yield seq, found
            seq += 1
        else:
            seq += int(found)


def _items(body: str) -> Iterator[tuple[str, Any]]:
    if not body.startswith("["):
        raise ValueError("a row is no JSON array")
    at = 1
    while True:
        at = _past_space(body, at)
        try:
            found, end = _scan(body, at)
        except json.JSONDecodeError as error:
            raise ValueError(f"a row is no JSON at character {error.pos}") from None
        yield body[at:end], found
        at = _past_space(body, end)
        if body[at : at + 2] == "]":
            return
        if body[at : at + 1] != ",":
            raise ValueError(f"a row is no JSON at character {at}")
        at += 1


def _past_space(body: str, at: int) -> int:
    while body[at : at + 1] in (" ", "\n", "\t", "\r"):
        at += 1
    return at
