"""A run's records over a WebSocket, from a cursor on, live until its end.

Watchers read the journal, so a run does not know of them, and a slow one only makes itself wait. Watchers of one run
that stand at the same cursor share one look into the journal and one text.
"""

from __future__ import annotations

import asyncio
import re
import time
from collections import Counter, OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from starlette.websockets import WebSocket, WebSocketDisconnect

from benchd.daemon.interface import RunNews
from benchd.errors import StoreError
from benchd.journal_read import JournalReader
from benchd.server import models, reading
from benchd.server.auth import Door, Principal
from benchd.server.guard import too_much
from benchd.server.problems import ProblemError, encode
from benchd.server.reading import Kept
from benchd.server.routing import principal_of

BATCH = 500
#: How often a quiet watcher's token is looked at, and the journal, should the news have missed something.
LOOK_S = 2.0
#: A text is kept for watchers that come to the same cursor a moment later.
SHARED_S = 2.0
MOST_SHARED = 64
MOST_WATCHERS_OF_ONE = 64
MOST_WATCHERS = 200

NORMAL, GOING_AWAY, NOT_ALLOWED, TROUBLE = 1000, 1001, 1008, 1011

_RUN = re.compile(models.RUN_PATTERN.rstrip("$"))


@dataclass(frozen=True, slots=True)
class Batch:
    """What one message says."""

    text: str
    next: int
    open: bool
    empty: bool
    full: bool  # there may be more on the disk already


class Feed:
    """Batches of records, each read and written as JSON once for all who want it at about the same time."""

    def __init__(self, kept: Kept) -> None:
        self._kept = kept
        self._shared: OrderedDict[tuple[str, int], tuple[float, asyncio.Task[Batch]]] = OrderedDict()

    async def batch(self, run: str, after: int) -> Batch:
        self._forget_old()
        key = (run, after)
        if key not in self._shared:
            self._shared[key] = (time.monotonic(), asyncio.create_task(self._read(run, after)))
        task = self._shared[key][1]
        try:
            found = await asyncio.shield(task)
        except BaseException:
            if task.done():
                self._drop(key, task)
            raise
        if found.empty:  # the next one who asks may find something
            self._drop(key, task)
        return found

    async def _read(self, run: str, after: int) -> Batch:
        def look(reader: JournalReader) -> Batch:
            found = reading.cut(reader, run, after, BATCH)
            return Batch(
                encode(found.to_json()).decode(), found.next, found.open, not found.records, len(found.records) >= BATCH
            )

        return await self._kept.ask(look)

    def _drop(self, key: tuple[str, int], task: asyncio.Task[Batch]) -> None:
        if key in self._shared and self._shared[key][1] is task:
            del self._shared[key]

    def _forget_old(self) -> None:
        while self._shared:
            made, task = next(iter(self._shared.values()))
            if not task.done() or (len(self._shared) <= MOST_SHARED and time.monotonic() - made < SHARED_S):
                return
            self._shared.popitem(last=False)


class Streams:
    """All watchers of one server."""

    def __init__(self, kept: Kept, news: RunNews, door: Door) -> None:
        self._kept = kept
        self._news = news
        self._door = door
        self._feed = Feed(kept)
        self._watchers: Counter[str] = Counter()
        self._stopping = asyncio.Event()

    @property
    def watchers(self) -> int:
        return self._watchers.total()

    def stop(self) -> None:
        """Let every watcher go with 1001."""
        self._stopping.set()

    async def serve(self, socket: WebSocket) -> None:
        """One watcher, from the opening to the close. What is wrong with the opening is answered as HTTP."""
        principal = principal_of(socket.scope)
        run, after = _asked_for(socket)
        await self._kept.ask(lambda reader: reading.info(reader, run))
        with self.counted(principal):
            await socket.accept()
            socket.scope["state"]["accepted"] = True
            code, reason = await self._watch(socket, principal, run, after)
            with suppress(RuntimeError, WebSocketDisconnect):  # whoever has gone need not be told
                await socket.close(code, reason)

    async def _watch(self, socket: WebSocket, principal: Principal, run: str, after: int) -> tuple[int, str]:
        """Until the first of: all was sent, the watcher went, the daemon stops. The close code and why."""
        tasks = [
            asyncio.create_task(self._send(socket, principal, run, after)),
            asyncio.create_task(_listen(socket)),
            asyncio.create_task(self._told_to_stop()),
        ]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            results = await asyncio.gather(*tasks, return_exceptions=True)
        first = next(result for task, result in zip(tasks, results, strict=True) if task in done)
        if isinstance(first, StoreError):
            return TROUBLE, "the journal cannot be read"
        if isinstance(first, WebSocketDisconnect | RuntimeError | OSError):
            return NORMAL, ""  # it has gone
        if isinstance(first, BaseException):
            raise first
        return first

    async def _send(self, socket: WebSocket, principal: Principal, run: str, after: int) -> tuple[int, str]:
        while True:
            if not self._door.still_open(principal):
                return NOT_ALLOWED, "the token was revoked or has expired"
            batch = await self._feed.batch(run, after)
            if not batch.empty or not batch.open:
                await socket.send_text(batch.text)
            after = batch.next
            if not batch.open:
                return NORMAL, "the run has ended"
            if not batch.full:  # all that was on the disk: looking again at once would find nothing
                await self._news.run_after(run, after, LOOK_S)

    async def _told_to_stop(self) -> tuple[int, str]:
        await self._stopping.wait()
        return GOING_AWAY, "the daemon stops"

    @contextmanager
    def counted(self, principal: Principal) -> Iterator[None]:
        """One of them while it lasts; ProblemError where there are too many."""
        if self._watchers[principal.name] >= MOST_WATCHERS_OF_ONE or self.watchers >= MOST_WATCHERS:
            raise too_much("too many watchers are open: close some, or use another token", 5)
        self._watchers[principal.name] += 1
        try:
            yield
        finally:
            self._watchers[principal.name] -= 1
            if not self._watchers[principal.name]:
                del self._watchers[principal.name]


async def _listen(socket: WebSocket) -> tuple[int, str]:
    """Ends when the watcher goes, or says something."""
    message = await socket.receive()
    if message["type"] == "websocket.disconnect":
        return NORMAL, ""
    return NOT_ALLOWED, "this stream takes no messages"


def is_run(text: str) -> bool:
    """Whether this can be a run's id."""
    return _RUN.fullmatch(text) is not None


def _asked_for(socket: WebSocket) -> tuple[str, int]:
    """(run, cursor) of the opening."""
    run = str(socket.path_params["run"])
    if not is_run(run):
        raise ProblemError(422, "invalid", "path run: this is no run's id")
    query = socket.query_params.multi_items()
    if any(name != "after" for name, _ in query) or len(query) > 1:
        raise ProblemError(422, "invalid", "the only query parameter here is 'after', once")
    text = query[0][1] if query else "0"
    if not re.fullmatch("[0-9]{1,16}", text) or int(text) > models.LARGEST:
        raise ProblemError(422, "invalid", "query after: a number from 0 on")
    return run, int(text)
