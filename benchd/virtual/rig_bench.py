"""A virtual rig with its meters on real ports of this computer, and an operator who does what the prompts say."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable, Mapping
from contextlib import AsyncExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

from benchd.clock import Clock
from benchd.virtual.bench import VirtualBench
from benchd.virtual.instruments import Instrument, ScpiMeter, Streaming, Transducer, tach_line
from benchd.virtual.meters import Meter
from benchd.virtual.regulators import regulator_of
from benchd.virtual.rig import METERS, Rig, act
from benchd.virtual.scenario import Scenario
from benchd.virtual.technician import Technician
from benchd.virtual.wiring import Place, first_due_s, register

MOUNTS_S, REACTS_S = 3.0, (0.8, 1.8)
REAL_S = 0.5  # the least of a mounting on the computer's clock: meters take real time to be opened
DIGITS = {name: digit for name, (_, digit, _, _) in METERS.items()}
#: The statements in the bench file, in percent of reading; a meter's own error lies within.
STATED = {"battery_volts": 0.02, "charge_amps": 0.25, "engine_rpm": 0.05, "draw_amps": 0.2, "ripple_volts": 1.0}


class RigMeter(Meter):
    """A meter of a rig; `drift_ppm_h` is how far the voltmeter has gone astray after an hour."""

    def __init__(self, channel: str, scenario: Scenario, rng: random.Random, drift_ppm_h: float) -> None:
        self._drift = drift_ppm_h if channel == "battery_volts" else 0.0
        super().__init__(channel, scenario, rng)

    def _digit(self) -> float:
        return DIGITS[self.channel]

    def _percent(self) -> float:
        return STATED[self.channel]

    def _true(self, world: Any) -> float:
        found: float = super()._true(world) * (1 + self._drift * world.t_s / 3600 / 1e6)
        return found

    def _noise(self, world: Any) -> float:
        return self._rng.gauss(0, METERS[self.channel][2]) if world.rpm > 30 or self.channel == "battery_volts" else 0.0


class RigOperator(Technician):
    """Acts on each prompt a moment later; answers nothing, since nothing is asked."""

    def __init__(self, rig_now: Callable[[], Rig], clock: Clock, rng: random.Random) -> None:
        super().__init__(rig_now, clock)  # type: ignore[arg-type]  # a Rig is acted on by nothing of a Technician's own
        self._rig_now, self._rng = rig_now, rng

    def _take(self, prompt: Mapping[str, Any]) -> str | Awaitable[str | None] | None:
        self._start_doing(self._act(dict(prompt)))
        return None

    async def _act(self, prompt: Mapping[str, Any]) -> None:
        await self._clock.sleep(self._rng.uniform(*REACTS_S))
        act(self._rig_now(), prompt)


class RigBench(VirtualBench):
    """`async with RigBench(number, clock) as rig`: as VirtualBench. `planted`: serial -> what is wrong with it (regulators.PLANTED)."""

    def __init__(
        self, number: int, clock: Clock, planted: Mapping[str, str] | None = None, drift_ppm_h: float = 0.0
    ) -> None:
        self.scenario = replace(
            Scenario(), seed=1000 + number, name="Vantry VR-20", rated_amps=20.0, volts_digit=0.001, amps_digit=0.01
        )
        self.world: Any = Rig(number)
        self._planted, self._drift = planted or {}, drift_ppm_h
        self._clock, self._rng = clock, random.Random(number)
        self._technician: Technician = RigOperator(self._world_now, clock, self._rng)
        self._places: list[Place] = []
        self._living: asyncio.Task[None] | None = None
        self._stack = AsyncExitStack()

    async def mount(self, serial: str) -> None:
        """The operator takes the last regulator off and mounts the one of this serial number."""
        if (broken := await self._technician.leave()) is not None:
            raise broken
        self._technician = RigOperator(self._world_now, self._clock, self._rng)
        self._world_now().mount(regulator_of(serial, self._planted))
        self.world.milliammeter_in = True
        await self._clock.sleep(max(MOUNTS_S, REAL_S * self._clock.speed))

    def _wired(self, folder: Path) -> list[Place]:
        rng, meters = random.Random(self.scenario.seed), random.Random(self.scenario.seed ^ 0x5EED)

        def place(channel: str, instrument: Instrument, name: str, driver: str, function: str, keys: str) -> Place:
            meter = RigMeter(channel, self.scenario, meters, self._drift)
            return Place(meter, instrument, name, driver, function, keys, due_s=first_due_s(channel))

        shunt = Transducer(folder / "shunt", DIGITS["charge_amps"], rng)
        current = register("shunt", "current", Transducer.REGISTER, "dc amps", shunt.digit)
        amps = place("charge_amps", shunt, "shunt", "modbus", "dc amps", f"max_amps = 50.0\n{current}")
        amps.point = "current"
        tach = Streaming(folder / "tach", tach_line, rng)
        return [
            place("battery_volts", ScpiMeter("dc volts", rng), "volts", "scpi", "dc volts", "max_volts = 1000.0\n"),
            amps,
            place("draw_amps", ScpiMeter("dc amps", rng), "milli", "scpi", "dc amps", "max_amps = 1.0\n"),
            place("ripple_volts", ScpiMeter("ac volts", rng), "ripple", "scpi", "ac volts", "max_volts = 750.0\n"),
            place("engine_rpm", tach, "tach", "tach-lines", "speed", "pattern = '(?P<rpm>[0-9]{5}) rpm'\n"),
        ]
