"""A scripted technician: reads the prompts of a run and acts on the virtual machine as a person would."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Coroutine, Mapping
from typing import Any, TypeVar

from benchd.clock import Clock
from benchd.virtual.world import World

WALK_S = 6.0  # from the screen to the machine
WALK_REAL_S = 0.8  # the least of it on the computer's clock: meters take real time to be opened
CRANK_S = 1.2
IDLE_S = 2.0
STANDS_RPM = 20.0
BURST_S, COOL_S, MOST_BURSTS = 15.0, 120.0, 8
DISCHARGED_VOLTS = 12.6  # at rest

T = TypeVar("T")


class Technician:
    """Acts one thing after the other, in bench time; `world_now` gives the world as it is this moment."""

    def __init__(self, world_now: Callable[[], World], clock: Clock, procedure: str | None = None) -> None:
        self._world_now, self._clock, self._procedure = world_now, clock, procedure
        self._doing = asyncio.Lock()
        self._tasks: set[asyncio.Task[Any]] = set()
        self._error: BaseException | None = None
        self._running = False  # the engine, by what was done to it

    def operator(self, prompt: Mapping[str, Any]) -> str | Awaitable[str | None] | None:
        """Take one prompt record; its answer now or when it is done, or None where acting is the answer."""
        if self._error is not None:
            raise self._error
        return self._take(prompt)

    def _take(self, prompt: Mapping[str, Any]) -> str | Awaitable[str | None] | None:
        kind, _, number = str(prompt["id"]).partition(":")
        if kind == "hook-up":
            return self._hook_up(str(prompt.get("text", "")))
        if kind == "discharge":
            return self._discharge()
        if kind == "battery-celsius":
            return f"{self._world_now().celsius:.0f}"
        if kind in ("lead-ohms", "ground-ohms"):
            return ""
        if kind == "start-engine":
            self._start_doing(self._start())
        elif kind == "lead-pair":
            # Not answered: "done" now would pass the old pair's volts for the new one's. The run sees the engine stand.
            self._start_doing(self._move_leads(int(number)))
        elif kind == "close-throttle":
            self._start_doing(self._stop())
        return None

    async def leave(self) -> BaseException | None:
        """Drop everything; what went wrong meanwhile."""
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        return self._error

    # --- what is done at once -----------------------------------------------------------------------------------

    def _hook_up(self, text: str) -> str:
        unplugs = self._procedure == "stator" if self._procedure else "unplug the regulator" in text.lower()
        self._world_now().plug_regulator(not unplugs)
        return "done"

    def _discharge(self) -> str:
        if self._world_now().scenario.strength("battery-nearly-full") is not None:
            return "skip"  # so that the run shows what comes of it
        self._start_doing(self._crank_and_cool())
        return "done"

    # --- what takes time ------------------------------------------------------------------------------------------

    def _start_doing(self, act: Coroutine[Any, Any, T], *, in_turn: bool = True) -> asyncio.Task[T]:
        task = asyncio.ensure_future(self._in_turn(act) if in_turn else act)
        self._tasks.add(task)
        task.add_done_callback(self._done)
        return task

    async def _in_turn(self, act: Coroutine[Any, Any, T]) -> T:
        try:
            async with self._doing:
                return await act
        finally:
            act.close()  # if its turn never came

    def _done(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and (error := task.exception()) is not None:
            self._error = error

    async def _start(self) -> None:
        if self._running:
            return
        await self._walk()
        self._running = True
        self._world_now().crank(True)
        await self._clock.sleep(self._crank_s())
        self._world_now().start_engine()
        await self._clock.sleep(IDLE_S)
        self._world_now().throttle(1.0)

    async def _walk(self) -> None:
        await self._clock.sleep(max(WALK_S, WALK_REAL_S * self._clock.speed))

    def _crank_s(self) -> float:
        return CRANK_S

    async def _stop(self) -> None:
        if self._running:
            self._world_now().throttle(0.0)
            await self._clock.sleep(IDLE_S)
            self._world_now().stop_engine()
            self._running = False
        while self._world_now().rpm > STANDS_RPM:
            await self._clock.sleep(0.2)

    async def _move_leads(self, pair: int) -> None:
        await self._stop()
        self._world_now().lead_pair = pair

    async def _crank_and_cool(self) -> None:
        """Spark disabled: bursts on the starter until the battery rests low enough."""
        for _ in range(MOST_BURSTS):
            if self._running or self._world_now().battery_volts < DISCHARGED_VOLTS:
                return
            self._world_now().crank(True)
            await self._clock.sleep(BURST_S)
            self._world_now().crank(False)
            await self._clock.sleep(COOL_S)
