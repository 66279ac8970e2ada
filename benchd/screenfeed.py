"""The queue between a run and whoever watches it: bounded, never waited for by the run."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from typing import Any

#: What a slow screen may miss: the next one of the same kind makes up for it.
SKIPPABLE = frozenset({"sample", "reading", "standing", "notice"})

#: Records waiting for the screen. Two meters at 10 readings/s fill it in a minute and a half; a screen that is that
#: far behind is stuck, and old curves are worth less than memory.
BOUND = 2000


class ScreenFeed(AsyncIterator[dict[str, Any]]):
    """An async iterator of records for one screen.

    When full, the oldest skippable record is dropped and counted in `skipped`. Prompts, cautions, flags, gaps and the
    verdict are never dropped; they are a few dozen a run, so the bound may be passed by that many.
    """

    def __init__(self, bound: int = BOUND) -> None:
        self.skipped = 0
        self._bound = bound
        self._waiting: deque[dict[str, Any]] = deque()
        self._ended = False
        self._news = asyncio.Event()

    def put(self, record: dict[str, Any]) -> None:
        if self._ended:
            return
        if len(self._waiting) >= self._bound:
            self._make_room()
        self._waiting.append(record)
        self._news.set()

    def _make_room(self) -> None:
        for index, old in enumerate(self._waiting):
            if old["kind"] in SKIPPABLE:
                del self._waiting[index]
                self.skipped += 1
                return

    def end(self) -> None:
        """No more records will come; what waits is still handed out."""
        self._ended = True
        self._news.set()

    async def __anext__(self) -> dict[str, Any]:
        while not self._waiting:
            if self._ended:
                raise StopAsyncIteration
            self._news.clear()
            await self._news.wait()
        return self._waiting.popleft()
