"""One thread for work that may block. It never holds up the end of the program: nobody waits for it."""

from __future__ import annotations

import asyncio
import queue
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar

T = TypeVar("T")
_Job = tuple[Callable[[], Any], "asyncio.Future[Any] | None"]


class Worker:
    """Does jobs one after the other in a daemon thread. An executor's thread would be waited for at exit."""

    def __init__(self, name: str) -> None:
        self._loop = asyncio.get_running_loop()
        self._jobs: queue.SimpleQueue[_Job | None] = queue.SimpleQueue()
        threading.Thread(target=self._work, name=name, daemon=True).start()

    async def do(self, job: Callable[[], T]) -> T:
        done: asyncio.Future[T] = self._loop.create_future()
        self._jobs.put((job, done))
        return await done

    def end(self, last: Callable[[], Any]) -> None:
        """Do `last` after what is under way, then end the thread. Returns at once; what `last` raises is lost."""
        self._jobs.put((last, None))
        self._jobs.put(None)

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            call, done = job
            if done is None:
                with suppress(Exception):
                    call()
                continue
            if done.cancelled():
                continue
            result, error = None, None
            try:
                result = call()
            except BaseException as raised:
                error = raised
            with suppress(RuntimeError):  # the loop has ended: nobody waits
                self._loop.call_soon_threadsafe(_settle, done, result, error)


def _settle(done: asyncio.Future[Any], result: Any, error: BaseException | None) -> None:
    if done.cancelled():
        return
    if error is None:
        done.set_result(result)
    else:
        done.set_exception(error)
