"""The bench's one clock: monotonic for intervals and alignment, wall time for people.

The demo hands the same Clock to the virtual bench and to the sampler; with `speed` above 1 both live faster together.
"""

from __future__ import annotations

import asyncio
import heapq
import time
from datetime import UTC, datetime, timedelta


class Clock:
    """Bench time, which runs `speed` times as fast as the computer's."""

    def __init__(self, speed: float = 1.0) -> None:
        if not speed > 0:
            raise ValueError(f"a clock's speed is a number above 0, not {speed}")
        self.speed = speed
        self._zero_ns = time.monotonic_ns()
        self._wall = datetime.now(UTC)

    def now_ns(self) -> int:
        """Nanoseconds of bench time, monotonic, from an arbitrary start. Any thread may ask."""
        real_ns = time.monotonic_ns()
        return real_ns if self.speed == 1 else self._zero_ns + int((real_ns - self._zero_ns) * self.speed)

    async def sleep(self, seconds: float) -> None:
        """Wait for so much bench time; at once for 0 and below, but other tasks get their turn."""
        await asyncio.sleep(max(seconds, 0.0) / self.speed)

    def real_s(self, seconds: float) -> float:
        """How long `seconds` of bench time take outside."""
        return seconds / self.speed

    def wall_utc(self) -> datetime:
        """The date and time of this moment in bench time; the computer's own at speed 1."""
        if self.speed == 1:
            return datetime.now(UTC)
        return self._wall + timedelta(microseconds=(self.now_ns() - self._zero_ns) / 1000)


class StepClock(Clock):
    """A clock for tests that stands until `advance` moves it. Not for real ports: their bytes come when they come."""

    def __init__(self, start_ns: int = 0) -> None:
        super().__init__()
        self._now_ns = start_ns
        self._sleepers: list[tuple[int, int, asyncio.Future[None]]] = []
        self._count = 0

    def now_ns(self) -> int:
        return self._now_ns

    async def sleep(self, seconds: float) -> None:
        if seconds <= 0:
            await asyncio.sleep(0)
            return
        wake = asyncio.get_running_loop().create_future()
        self._count += 1
        heapq.heappush(self._sleepers, (self._now_ns + round(seconds * 1e9), self._count, wake))
        await wake

    def wall_utc(self) -> datetime:
        return self._wall + timedelta(microseconds=self._now_ns / 1000)

    async def advance(self, seconds: float) -> None:
        """Move on, waking each sleeper at its own time and letting all tasks run dry in between."""
        until_ns = self._now_ns + round(seconds * 1e9)
        await self._settle()
        while self._sleepers and self._sleepers[0][0] <= until_ns:
            self._now_ns, _, wake = heapq.heappop(self._sleepers)
            if not wake.done():
                wake.set_result(None)
                await self._settle()
        self._now_ns = until_ns

    async def _settle(self) -> None:
        for _ in range(20):  # turns of the loop: more than any chain of tasks that hand on at once
            await asyncio.sleep(0)
