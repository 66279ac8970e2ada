"""The journal as the MQTT forwarder reads it: in a thread of its own, with its own connection, a few rows at a time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol, TypeVar

from benchd.errors import NotFoundError, StoreError
from benchd.forward.payloads import moment_of
from benchd.forward.store import Cursor, ForwardStore, Refused

T = TypeVar("T")
ROWS = 50  # read at once
_KNOWN_RUNS = 1000


class Row(Protocol):
    """One row of the journal's events; each record has its `seq`."""

    @property
    def no(self) -> int: ...
    @property
    def run(self) -> str: ...
    @property
    def records(self) -> Sequence[Mapping[str, Any]]: ...


class Reader(Protocol):
    """What is needed of journal.JournalReader."""

    def tail(self, after_row: int, limit: int = ...) -> Sequence[Row]: ...
    def last_row(self) -> int: ...
    def info(self, run: str) -> Mapping[str, Any]: ...
    def generation(self) -> str: ...
    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Told:
    """A row with what its run's listing says."""

    row: Row
    bench: str  # its name
    started: str | None

    @property
    def oldest(self) -> datetime | None:
        """The moment of its first record."""
        records = self.row.records
        return moment_of(self.started, int(records[0].get("t_ns", 0)) if records else 0)


class Reading:
    """Every method raises StoreError if the disk does not answer; the next call opens the journal anew."""

    def __init__(self, make: Callable[[], Reader], store: ForwardStore, name: str) -> None:
        self._make, self._store, self._name = make, store, name
        self._thread: ThreadPoolExecutor | None = None
        self._reader: Reader | None = None
        self._runs: dict[str, tuple[str, str | None]] = {}

    async def begin(self) -> tuple[int, int]:
        """Where the cursor stands (0 if it is not one of this journal), and how many messages are in quarantine."""
        return await self._call(self._begin)

    async def last_row(self) -> int:
        return await self._call(lambda reader: reader.last_row())

    async def tail(self, after_row: int, limit: int = ROWS) -> list[Told]:
        return await self._call(lambda reader: [self._told(reader, row) for row in reader.tail(after_row, limit)])

    async def move(self, row: int, run: str) -> None:
        """Keep how far everything was taken; on the disk on return."""
        await self._call(lambda reader: self._store.move(self._name, Cursor(row, run, reader.generation())))

    async def quarantine(self, row: int, run: str, line: str, reason: str) -> int:
        """Keep what can never be sent; how many there are now."""

        def keep(reader: Reader) -> int:
            self._store.refuse(self._name, [Refused(run, row, line, reason)])
            return self._store.quarantined(self._name)

        return await self._call(keep)

    async def released(self) -> list[Refused]:
        """What somebody wants to be sent again."""
        return await self._call(lambda reader: self._store.released(self._name, 10))

    async def taken(self, no: int) -> int:
        """A message in quarantine was taken after all; how many are there now."""

        def leave(reader: Reader) -> int:
            with suppress(NotFoundError):  # somebody released it meanwhile
                self._store.release(self._name, no)
            self._store.taken(self._name, [no])
            return self._store.quarantined(self._name)

        return await self._call(leave)

    def close(self) -> None:
        """Let go of the journal as soon as the thread is free; does not wait. Whatever is asked later opens it anew."""
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.submit(self._forget)
            thread.shutdown(wait=False)

    async def _call(self, ask: Callable[[Reader], T]) -> T:
        if self._thread is None:
            self._thread = ThreadPoolExecutor(1, thread_name_prefix=f"{self._name}-journal")
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._ask, ask)

    # --- in the thread ------------------------------------------------------------------------------------------------

    def _ask(self, ask: Callable[[Reader], T]) -> T:
        try:
            if self._reader is None:
                self._reader = self._make()
            return ask(self._reader)
        except StoreError:
            self._forget()
            raise

    def _forget(self) -> None:
        if self._reader is not None:
            with suppress(StoreError):
                self._reader.close()
            self._reader = None

    def _begin(self, reader: Reader) -> tuple[int, int]:
        cursor, waiting = self._store.cursor(self._name), self._store.quarantined(self._name)
        if cursor.row == 0:
            return 0, waiting
        if cursor.journal != reader.generation():
            return 0, waiting
        found = reader.tail(cursor.row - 1, 1)
        # Whatever stands there must be the run's that we knew; a number beyond it means that the row was thinned away.
        same = bool(found) and (found[0].no > cursor.row or found[0].run == cursor.run)
        return (cursor.row if same else 0), waiting

    def _told(self, reader: Reader, row: Row) -> Told:
        if (known := self._runs.get(row.run)) is None:
            info = reader.info(row.run)
            if len(self._runs) >= _KNOWN_RUNS:
                self._runs.clear()
            known = self._runs[row.run] = (str(info.get("bench") or ""), info.get("started"))
        return Told(row, *known)
