"""An event loop for many instruments: names are looked up apart from all else, and with very many instruments what
becomes readable within a few milliseconds is taken care of together.

A name server that is away holds a thread for 20 s and more, and every instrument behind a name asks again and again:
in asyncio's own few threads nobody else's work (closing a run, opening one) would get its turn.

64 benches wake an ordinary loop thousands of times a second for one short frame each, and most of the time goes into
the waking. The price is that anything may wait REST_S longer, the arrival stamps of readings among it.
"""

from __future__ import annotations

import asyncio
import selectors
import socket
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from typing import Any

REST_S = 0.004
#: Fewer instruments wake the loop so seldom that nothing is gained.
FROM_INSTRUMENTS = 32
NAMES_AT_ONCE = 16


class RestingSelector(selectors.DefaultSelector):
    """Asks the system at most once every REST_S, unless nothing was ready for longer."""

    def __init__(self) -> None:
        super().__init__()
        self._asked = 0.0

    def select(self, timeout: float | None = None) -> Any:
        # A loop with callbacks to run asks with 0 and is not held up.
        if timeout is None or timeout > 0:
            rest_s = REST_S - (time.monotonic() - self._asked)
            if rest_s > 0:
                if timeout is not None:
                    rest_s = min(rest_s, timeout)
                    timeout -= rest_s
                time.sleep(rest_s)
        self._asked = time.monotonic()
        return super().select(timeout)


class DaemonLoop(asyncio.SelectorEventLoop):
    """Looks names up in threads of its own."""

    _names: ThreadPoolExecutor | None = None

    async def getaddrinfo(
        self, host: Any, port: Any, *, family: int = 0, type: int = 0, proto: int = 0, flags: int = 0
    ) -> list[Any]:
        if self._names is None:
            self._names = ThreadPoolExecutor(NAMES_AT_ONCE, thread_name_prefix="benchd names")
        return await self.run_in_executor(self._names, socket.getaddrinfo, host, port, family, type, proto, flags)

    def close(self) -> None:
        if self._names is not None:
            self._names.shutdown(wait=False, cancel_futures=True)
        super().close()


def loop_for(instruments: int) -> asyncio.AbstractEventLoop:
    """A new event loop that suits so many instruments."""
    if instruments >= FROM_INSTRUMENTS:
        return DaemonLoop(RestingSelector())
    return asyncio.new_event_loop() if sys.platform == "win32" else DaemonLoop()
