"""The virtual bench: a machine, its meters on real ports of this computer, and a technician, living by one clock."""

from __future__ import annotations

import asyncio
import random
import tempfile
from collections.abc import Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from benchd.clock import Clock
from benchd.virtual.instruments import (
    OVER_RANGE,
    Instrument,
    ScpiMeter,
    Streaming,
    Transducer,
    digits11,
    segment14,
    tach_line,
)
from benchd.virtual.meters import Meter, Shown
from benchd.virtual.scenario import Scenario
from benchd.virtual.technician import Technician
from benchd.virtual.world import World

FOLLOW_S = 0.1  # how finely the meters' inputs follow the world
TICK_S, TICK_REAL_S = 0.05, 0.004  # of bench time, but no oftener than so on the computer's clock
CALIBRATED_FOR = timedelta(days=300)
#: Real seconds that opening all ports may take, and that a port may be silent; on a fast clock that is long.
OPENING_REAL_S, SILENT_REAL_S = 5.0, 0.4


@dataclass
class Place:
    """One channel: its meter, the instrument that serves it, and its part of the bench file."""

    meter: Meter
    instrument: Instrument
    name: str
    driver: str
    function: str
    keys: str
    due_s: float
    newest: Shown | None = None
    fresh: bool = False
    plugged: bool = True


class VirtualBench:
    """`async with VirtualBench(scenario, clock) as bench`: the ports are open and the world lives until the end.

    `procedure` ("stator", "regulator") spares the technician from reading in the hook-up prompt which one it is.
    """

    def __init__(self, scenario: Scenario, clock: Clock, procedure: str | None = None) -> None:
        self.scenario, self.world = scenario, World(scenario)
        self._clock = clock
        self._technician = Technician(self._world_now, clock, procedure)
        self._places: list[Place] = []
        self._living: asyncio.Task[None] | None = None
        self._stack = AsyncExitStack()

    async def __aenter__(self) -> Self:
        async with AsyncExitStack() as stack:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="benchd-virtual-")))
            self._places = wire(self.scenario, folder)
            for place in self._places:
                stack.push_async_callback(place.instrument.outlet.close)
                await place.instrument.outlet.open()
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

    @property
    def bench_toml(self) -> str:
        """The bench file of these instruments, their ports as they are now."""
        return bench_file(self.scenario, self._places, self._clock)

    @property
    def spec_toml(self) -> str:
        """The machine's spec file."""
        return self.scenario.spec_toml

    def operator(self, prompt: Mapping[str, Any]) -> str | None:
        """What the technician does at a prompt record: the answer at once, or None."""
        if self._living is not None and self._living.done() and not self._living.cancelled():
            self._living.result()
        return self._technician.operator(prompt)

    async def renew(self, procedure: str | None = None) -> None:
        """The machine comes in anew, as it was at first, on the same ports; the technician begins from the start."""
        if (broken := await self._technician.leave()) is not None:
            raise broken
        self.world = World(self.scenario)
        self._technician = Technician(self._world_now, self._clock, procedure)
        meters = random.Random(self.scenario.seed ^ 0x5EED)
        for place in self._places:
            place.meter = Meter(place.meter.channel, self.scenario, meters)
            place.due_s, place.newest, place.fresh = _first_due_s(place.meter.channel), None, False
        self._zero_ns = self._clock.now_ns()

    # --- time -------------------------------------------------------------------------------------------------------

    async def _live(self) -> None:
        tick_s = max(TICK_S, TICK_REAL_S * self._clock.speed)
        while True:
            self._world_now()
            for place in self._places:
                if place.fresh:
                    await self._tell(place)
            await self._clock.sleep(tick_s)

    def _world_now(self) -> World:
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

    async def _tell(self, place: Place) -> None:
        place.fresh = False
        pulled = place.newest is None and self.scenario.strength("meter-unplugged") is not None
        if pulled == place.plugged:
            await (place.instrument.outlet.unplug() if pulled else place.instrument.outlet.plug_in())
            place.plugged = not pulled
        place.instrument.show(place.newest)


# --- wiring -----------------------------------------------------------------------------------------------------------


def wire(scenario: Scenario, folder: Path) -> list[Place]:
    """The instruments of the demo's bench, not yet opened; pseudo-terminals get their links in `folder`."""
    rng = random.Random(scenario.seed ^ 0xC4B1E)
    meters = random.Random(scenario.seed ^ 0x5EED)

    def place(channel: str, instrument: Instrument, name: str, driver: str, function: str, keys: str) -> Place:
        meter = Meter(channel, scenario, meters)
        return Place(meter, instrument, name, driver, function, keys, due_s=_first_due_s(channel))

    def handheld(channel: str, name: str, function: str, keys: str = "") -> Place:
        return place(channel, Streaming(folder / name, segment14(function), rng), name, "segment14", function, keys)

    battery = (
        handheld("battery_volts", "volts", "dc volts", "max_volts = 1000.0\n")  # the one that can show its HOLD
        if scenario.strength("meter-hold") is not None
        else place("battery_volts", ScpiMeter("dc volts", rng), "volts", "scpi", "dc volts", "max_volts = 1000.0\n")
    )
    shunt = Transducer(folder / "shunt", scenario.amps_digit, rng)
    digits = Streaming(folder / "hertz", digits11("frequency"), rng)
    tach = Streaming(folder / "tach", tach_line, rng)
    return [
        battery,
        place("charge_amps", shunt, "shunt", "modbus", "dc amps", f"max_amps = 50.0\n{registers(shunt)}"),
        handheld("stator_volts", "stator", "ac volts", "max_volts = 750.0\n"),
        place("stator_hertz", digits, "hertz", "digits11", "frequency", PSEUDO),
        place("engine_rpm", tach, "tach", "tach-lines", "speed", "pattern = '(?P<rpm>[0-9]{5}) rpm'\n"),
    ]


def _first_due_s(channel: str) -> float:
    return 0.07 * len(channel)  # no two meters show in the same moment


#: A pseudo-terminal takes no parity; the bytes are the same.
PSEUDO = "baud = 19200\ndata_bits = 8\nparity = 'N'\n"


def registers(shunt: Transducer) -> str:
    return f"""
[[instruments.shunt.registers]]
point = "current"
address = {shunt.REGISTER}
type = "int16"
unit = "dc amps"
scale = {shunt.digit!r}
overload = [{OVER_RANGE}, {-OVER_RANGE - 1}]
"""


def bench_file(scenario: Scenario, places: list[Place], clock: Clock) -> str:
    """The whole text; see design contracts for the keys."""
    # A clock that runs fast while ports and timeouts do not: waits count in bench time.
    wait_s = min(max(20.0, OPENING_REAL_S * clock.speed), 600.0)
    lost_s = min(max(3.0, SILENT_REAL_S * clock.speed), 60.0)
    due = (clock.wall_utc() + CALIBRATED_FOR).date().isoformat()
    parts = [
        f'[bench]\nname = "virtual bench"\nsample_s = {min(max(scenario.meter_period_s, 0.02), 10.0)!r}\n'
        f"lost_after_s = {lost_s!r}\nwait_for_meter_s = {wait_s!r}\n"
    ]
    for one in places:
        parts.append(
            f"[instruments.{one.name}]\ndriver = \"{one.driver}\"\nport = '{one.instrument.outlet.port}'\n"
            f"calibration_due = {due}\n{one.keys}\n{accuracy(one)}"
        )
    for one in places:
        point = 'point = "current"\n' if one.driver == "modbus" else ""
        parts.append(f'[channels.{one.meter.channel}]\ninstrument = "{one.name}"\nfunction = "{one.function}"\n{point}')
    return "\n".join(parts)


def accuracy(place: Place) -> str:
    """The maker's statement: the meter's own error is drawn within it, and half a count comes from rounding."""
    band = "min_hertz = 20.0\nmax_hertz = 1000.0\n" if place.function == "ac volts" else ""
    return (
        f'[[instruments.{place.name}.accuracy]]\nfunction = "{place.function}"\npercent = {place.meter.percent!r}\n'
        f"counts = 1\nresolution = {place.meter.digit!r}\n{band}"
    )
