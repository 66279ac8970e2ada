"""The virtual bench: a machine, its meters on real ports of this computer, and a technician, living by one clock."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Awaitable, Mapping, Sequence
from contextlib import AsyncExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from benchd.clock import Clock
from benchd.virtual.machine import Machine
from benchd.virtual.scenario import Scenario
from benchd.virtual.technician import Technician
from benchd.virtual.visit_technician import VisitTechnician
from benchd.virtual.wiring import Place, bench_file, first_due_s, meters_of, wire
from benchd.virtual.world import World

FOLLOW_S = 0.1  # how finely the meters' inputs follow the world
TICK_S, TICK_REAL_S = 0.05, 0.004  # of bench time, but no oftener than so on the computer's clock


class VirtualBench:
    """`async with VirtualBench(scenario, clock) as bench`: the ports are open and the world lives until the end.

    `procedure` ("stator", "regulator") spares the technician from reading in the hook-up prompt which one it is.
    """

    def __init__(self, scenario: Scenario, clock: Clock, procedure: str | None = None) -> None:
        self.scenario = scenario
        self.world: Any = _world_of(scenario)
        self._clock = clock
        self._technician = self._somebody(procedure)
        self._places: list[Place] = []
        self._living: asyncio.Task[None] | None = None
        self._stack = AsyncExitStack()

    async def __aenter__(self) -> Self:
        async with AsyncExitStack() as stack:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="benchd-virtual-")))
            self._places = self._wired(folder)
            for outlet in {id(place.instrument.outlet): place.instrument.outlet for place in self._places}.values():
                stack.push_async_callback(outlet.close)
                await outlet.open()
            self._stack = stack.pop_all()
        self._zero_ns = self._clock.now_ns()
        self._living = asyncio.ensure_future(self._live())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._living is not None
        self._living.cancel()
        try:
            await asyncio.wait({self._living})
            broken = await self._technician.leave()
            if not self._living.cancelled():
                broken = self._living.exception() or broken
            if broken is not None and error is None:
                raise broken
        finally:
            await self._stack.aclose()

    def _wired(self, folder: Path) -> list[Place]:
        return wire(self.scenario, folder)

    @property
    def bench_toml(self) -> str:
        """The bench file of these instruments, their ports as they are now."""
        return bench_file(self.scenario, self._places, self._clock)

    @property
    def spec_toml(self) -> str:
        """The machine's spec file."""
        return self.scenario.spec_toml

    def operator(self, prompt: Mapping[str, Any]) -> str | Awaitable[str | None] | None:
        """What the technician does at a prompt record: the answer at once or when it is done, or None."""
        if self._living is not None and self._living.done() and not self._living.cancelled():
            self._living.result()
        return self._technician.operator(prompt)

    async def renew(self, procedure: str | None = None) -> None:
        """The machine comes in anew, as it was at first, on the same ports; the technician begins from the start."""
        if (broken := await self._technician.leave()) is not None:
            raise broken
        self.world = _world_of(self.scenario)
        self._technician = self._somebody(procedure)
        for place, meter in zip(self._places, meters_of(self.scenario, self._places), strict=True):
            place.meter = meter
            place.due_s, place.newest, place.fresh = first_due_s(place.meter.channel), None, False
        self._zero_ns = self._clock.now_ns()

    async def arrive(self, procedure: str | None = None) -> None:
        """The technician comes to the machine as the run before left it; a Machine lasts, see `for_visit`."""
        if not isinstance(self.world, Machine):
            await self.renew(procedure)
            return
        if (broken := await self._technician.leave()) is not None:
            raise broken
        self._technician = self._somebody(procedure)
        if isinstance(self._technician, VisitTechnician):
            self._technician.begin()
            await self._show_anew()

    def repair(self, ids: Sequence[str]) -> None:
        """Mend what these causes (benchd's ids) stand for, on a machine that lasts; an id it does not know is ignored."""
        if isinstance(self.world, Machine):
            self._world_now()
            self.world.mend(ids)

    def _somebody(self, procedure: str | None) -> Technician:
        if not self.scenario.visit:
            return Technician(self._world_now, self._clock, procedure)
        return VisitTechnician(self._machine_now, self._clock, procedure, self.scenario.seed)

    def _machine_now(self) -> Machine:
        world = self._world_now()
        assert isinstance(world, Machine)
        return world

    # --- time -------------------------------------------------------------------------------------------------------

    async def _live(self) -> None:
        tick_s = max(TICK_S, TICK_REAL_S * self._clock.speed)
        while True:
            self._world_now()
            for place in self._places:
                if place.fresh:
                    await self._tell(place)
            await self._clock.sleep(tick_s)

    def _world_now(self) -> Any:
        """Let the world and the meters' inputs catch up with the clock. Of displays that were missed the last counts."""
        to_s = (self._clock.now_ns() - self._zero_ns) / 1e9
        world = self.world
        while world.t_s < to_s - 1e-9:
            world.advance(min(world.t_s + FOLLOW_S, to_s))
            for place in self._places:
                if world.t_s >= place.due_s:
                    place.newest, place.fresh = place.meter.show(world.t_s, world), True
                    place.due_s += place.meter.period_s
                else:
                    place.meter.follow(world.t_s, world)
        return world

    async def _show_anew(self) -> None:
        """The machine has stood for a while, and the meters with it: what they show is of now, nothing of the run before."""
        world = self._world_now()
        for place in self._places:
            place.meter.forget()
            place.newest = place.meter.show(world.t_s, world)
            await self._tell(place)

    async def _tell(self, place: Place) -> None:
        place.fresh = False
        pulled = place.newest is None and self.scenario.strength("meter-unplugged") is not None
        if pulled == place.plugged:
            await (place.instrument.outlet.unplug() if pulled else place.instrument.outlet.plug_in())
            place.plugged = not pulled
        place.instrument.show(place.newest)


def _world_of(scenario: Scenario) -> World:
    return Machine(scenario) if scenario.visit else World(scenario)
