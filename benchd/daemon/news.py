"""Tells readers of the journal that it has grown, so that none of them has to look again and again.

The journal's writer thread reports commits; waiting is done in the event loop. Runs of other processes that write to
the same journal report nothing here: those are looked for, and so is what became of a run that ended here.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict, defaultdict
from collections.abc import Callable, Mapping

#: Ended runs whose end is remembered: more than a slow watcher can be behind.
REMEMBERED = 1000
#: How often a run of another process is looked at.
LOOK_S = 0.25

#: Whether the journal has a record of this run beyond seq, and whether the run is still open.
Look = Callable[[str, int], tuple[bool, bool]]


class News:
    """`row` is the newest committed row of events. Methods belong to the event loop, but for `committed`."""

    def __init__(self, row: int, look: Look) -> None:
        self._row = row
        self._look = look
        self._loop = asyncio.get_running_loop()
        self._open: dict[str, int] = {}  # run -> last seq on the disk
        self._ended: OrderedDict[str, int] = OrderedDict()
        self._any: set[asyncio.Future[None]] = set()
        self._of_run: defaultdict[str, set[asyncio.Future[None]]] = defaultdict(set)

    @property
    def row(self) -> int:
        return self._row

    def committed(self, row: int, last_seq: Mapping[str, int]) -> None:
        """The journal's on_commit: any thread."""
        try:
            self._loop.call_soon_threadsafe(self._note, row, dict(last_seq))
        except RuntimeError:  # the loop has ended: nobody waits any more
            if not self._loop.is_closed():
                raise

    def run_opened(self, run: str) -> None:
        self._open.setdefault(run, 1)

    def run_closed(self, run: str) -> None:
        """This daemon is done with the run; all that it could commit is, or is being, told. Not that the journal says so:
        a run that a full disk kept open is closed there when there is room again."""
        self._ended[run] = self._open.pop(run, 0)
        if len(self._ended) > REMEMBERED:
            self._ended.popitem(last=False)
        _wake(self._of_run.pop(run, set()))

    async def after(self, row: int, timeout_s: float | None = None) -> int:
        """Wait until there is a row beyond `row`, at most `timeout_s`; the newest row then (maybe still `row`)."""
        if self._row <= row:
            await self._wait(self._any, timeout_s)
        return self._row

    async def run_after(self, run: str, seq: int, timeout_s: float | None = None) -> bool:
        """Wait until run has a record beyond `seq` on the disk, at most `timeout_s`; whether more may still come."""
        if run in self._open:
            if self._open[run] <= seq:
                await self._wait(self._of_run[run], timeout_s)
            if run in self._open:
                return True
        if self._ended.get(run, 0) > seq:
            return True
        more, is_open = await asyncio.to_thread(self._look, run, seq)
        if not more and is_open:
            await asyncio.sleep(LOOK_S if timeout_s is None else min(timeout_s, LOOK_S))
        return more or is_open

    def _note(self, row: int, last_seq: Mapping[str, int]) -> None:
        self._row = max(self._row, row)
        _wake(self._any)
        for run, seq in last_seq.items():
            if run in self._open:
                self._open[run] = max(self._open[run], seq)
            if run in self._of_run:
                _wake(self._of_run.pop(run))

    async def _wait(self, waiting: set[asyncio.Future[None]], timeout_s: float | None) -> None:
        mine: asyncio.Future[None] = self._loop.create_future()
        waiting.add(mine)
        try:
            async with asyncio.timeout(timeout_s):
                await mine
        except TimeoutError:
            pass
        finally:
            waiting.discard(mine)


def _wake(waiting: set[asyncio.Future[None]]) -> None:
    for one in waiting:
        if not one.done():
            one.set_result(None)
    waiting.clear()
