"""An event loop for many instruments: what becomes readable within a few milliseconds is taken care of together.

64 benches wake an ordinary loop thousands of times a second for one short frame each, and most of the time goes into
the waking. The price is that anything may wait REST_S longer, the arrival stamps of readings among it.
"""

from __future__ import annotations

import asyncio
import selectors
import time
from typing import Any

REST_S = 0.004
#: Fewer instruments wake the loop so seldom that nothing is gained.
FROM_INSTRUMENTS = 32


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


def loop_for(instruments: int) -> asyncio.AbstractEventLoop:
    """A new event loop that suits so many instruments."""
    if instruments < FROM_INSTRUMENTS:
        return asyncio.new_event_loop()
    return asyncio.SelectorEventLoop(RestingSelector())
