"""The journal for the event loop: read in a few threads, each with a reader of its own at a time."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

from benchd.errors import BenchdError, NotFoundError, StoreError
from benchd.journal import Journal
from benchd.journal_read import JournalReader
from benchd.orders import outcomes_of

READERS = 4
#: Records looked at for one answer, whatever is picked out of them.
MOST_LOOKED_AT = 20_000
NEAR_END = 64  # records

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Slice:
    """Some records of a run. `open`: whether more may come after `next`."""

    records: list[dict[str, Any]]
    next: int
    open: bool

    def to_json(self) -> dict[str, Any]:
        return {"records": self.records, "next": self.next, "open": self.open}


class Kept:
    """What is kept in the journal, asked for without holding up the event loop."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._pool = ThreadPoolExecutor(READERS, thread_name_prefix="benchd http reader")
        self._idle: list[JournalReader] = []
        self._lock = threading.Lock()
        self._closed = False

    async def ask(self, what: Callable[[JournalReader], T]) -> T:
        """`what` of a reader, in a thread."""
        return await asyncio.get_running_loop().run_in_executor(self._pool, self._with_reader, what)

    def close(self) -> None:
        """No more questions. Those that are being answered are finished first."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        with self._lock:
            self._closed = True
            for reader in self._idle:
                reader.close()
            self._idle.clear()

    def _with_reader(self, what: Callable[[JournalReader], T]) -> T:
        with self._lock:
            reader = self._idle.pop() if self._idle else self._journal.reader()
        try:
            found = what(reader)
        except BenchdError as error:
            if isinstance(error, StoreError):  # a reader that met trouble is not used again
                reader.close()
            else:
                self._put_back(reader)
            raise
        except BaseException:
            reader.close()
            raise
        self._put_back(reader)
        return found

    def _put_back(self, reader: JournalReader) -> None:
        with self._lock:
            if not self._closed:
                self._idle.append(reader)
                return
        reader.close()


def info(reader: JournalReader, run: str) -> dict[str, Any]:
    """The list's entry of a run. NotFoundError names the newest runs; StoreError if the journal cannot be read."""
    try:
        return reader.info(run)
    except StoreError as error:
        newest = ", ".join(str(one["run"]) for one in reader.runs(3)) or "none is kept yet"
        raise NotFoundError(f"there is no run {run}; the newest: {newest}") from error


def runs(reader: JournalReader, limit: int, before: str | None, **wanted: str | None) -> list[dict[str, Any]]:
    if before is not None:
        info(reader, before)
    return reader.runs(limit, before=before, **wanted)


def cut(reader: JournalReader, run: str, after: int, limit: int, kind: str | None = None) -> Slice:
    """At most `limit` records after seq `after`, of one kind if it is given. `next` may be ahead of the last of them."""
    # Asked for before the records: a run that is closed by now has all its records on the disk.
    closed = info(reader, run)["status"] is not None
    found: list[dict[str, Any]] = []
    last = after
    for looked_at, record in enumerate(reader.read(run, after)):
        if len(found) >= limit or looked_at >= MOST_LOOKED_AT:
            return Slice(found, last, open=True)
        last = int(record["seq"])
        if kind is None or record.get("kind") == kind:
            found.append(record)
    return Slice(found, last, open=not closed)


def verdict(reader: JournalReader, run: str) -> tuple[dict[str, Any] | None, bool]:
    """(the verdict of a run as `--json` prints it or None, whether the run is closed)."""
    listed = info(reader, run)
    if listed["verdict"] is None:
        return None, listed["status"] is not None
    found = None
    for after in (max(0, _nearly_last(reader, run) - NEAR_END), 0):  # it is near the end, as a rule
        for record in reader.read(run, after):
            if record.get("kind") == "verdict":
                found = {key: value for key, value in record.items() if key not in ("kind", "seq")}
        if found is not None:
            break
    return found, listed["status"] is not None


def ends(reader: JournalReader, run: str) -> list[dict[str, Any]]:
    """A run's first record and its last NEAR_END or a few more: what it was, and how it ended."""
    first = next(reader.read(run), None)
    if first is None:
        return []
    after = max(int(first["seq"]), _nearly_last(reader, run) - NEAR_END)
    return [first, *reader.read(run, after)]


def _nearly_last(reader: JournalReader, run: str) -> int:
    """A seq at most NEAR_END before a run's last one. A run of an hour has a hundred thousand records; this looks at
    thirty."""
    low, high = 0, NEAR_END
    while next(reader.read(run, high), None) is not None:
        low, high = high, 2 * high
    while high - low > NEAR_END:
        middle = (low + high) // 2
        low, high = (middle, high) if next(reader.read(run, middle), None) is not None else (low, middle)
    return low


def work_order(reader: JournalReader, name: str) -> dict[str, Any]:
    """All runs of a work order, newest first, and the last outcome of each procedure in it."""
    found = reader.runs(1000, work_order=name)
    return {"work_order": name, "runs": found, "outcomes": outcomes_of(found)}
