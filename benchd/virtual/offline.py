"""A run of the virtual bench without ports: rows as a recording would hold them, and the truth beside it."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from benchd.virtual.meters import Meter, Shown
from benchd.virtual.scenario import Scenario
from benchd.virtual.world import World

CHANNELS = {
    "regulator": ("battery_volts", "charge_amps", "engine_rpm"),
    "stator": ("stator_volts", "stator_hertz", "engine_rpm"),
}
STILL_S = 6.0
CRANK_S = 1.5
IDLE_S = 3.0


@dataclass
class Truth:
    """Noise-free values at the rows' times, and what the trade would say. For benchmarks only."""

    fault: str
    settled_volts: float
    regulating_s: float | None = None  # when the regulator took over for good, from the start of the recording
    shown_s: float = 0.0  # how long rated output flowed
    over_s: float | None = None  # when the volts truly passed 15 V
    t_s: list[float] = field(default_factory=list)
    volts: list[float] = field(default_factory=list)
    amps: list[float] = field(default_factory=list)
    rpm: list[float] = field(default_factory=list)


@dataclass
class Trace:
    """Header and rows of text, as `benchd judge` reads them; `truth` apart."""

    header: tuple[str, ...]
    rows: list[tuple[str, ...]]
    truth: Truth

    def csv(self) -> str:
        return "\n".join(",".join(row) for row in (self.header, *self.rows)) + "\n"


def cell(shown: Shown | None) -> str:
    """A CSV cell: the display's digits, empty where there is no measurement."""
    if shown is None or shown.value is None or shown.cut or shown.hold or shown.wrong_function is not None:
        return ""
    places = max(0, round(-math.log10(shown.digit)))
    return f"{shown.value:.{places}f}"


def script(world: World, t_s: float, procedure: str) -> None:
    """What the technician does by the clock: stands still, cranks, idles, opens the throttle."""
    world.plug_regulator(procedure == "regulator")
    if t_s >= STILL_S + CRANK_S + IDLE_S:
        world.throttle(1.0)
    elif t_s >= STILL_S + CRANK_S:
        if world.rpm < 700 and world.running_s < 0:
            world.start_engine()
    elif t_s >= STILL_S:
        world.crank(True)


def simulate(scenario: Scenario, procedure: str, seconds: float = 1300.0) -> Trace:
    """One run, a row every meter period, meters a little out of step with each other as real ones are."""
    world = World(scenario)
    rng = random.Random(scenario.seed ^ 0x5EED)
    meters = [Meter(channel, scenario, rng) for channel in CHANNELS[procedure]]
    set_volts = scenario.set_volts + (scenario.strength("regulator-set-high") or 0.0)
    truth = Truth(next(iter(scenario.faults), "healthy"), set_volts - (scenario.strength("regulator-set-low") or 0.0))
    trace = Trace(("t_s", *(meter.channel for meter in meters)), [], truth)
    period, follow = scenario.meter_period_s, min(0.1, scenario.meter_period_s)
    rows = int(seconds / period)
    for index in range(rows):
        t_s = index * period
        step = t_s - period
        while step < t_s - 1e-9:
            step = min(step + follow, t_s)
            script(world, max(step, 0.0), procedure)
            world.advance(max(step, 0.0))
            for meter in meters:
                meter.follow(step, world)
        cells = tuple(cell(meter.show(t_s, world)) for meter in meters)
        trace.rows.append((f"{t_s:.3f}", *cells))
        truth.t_s.append(t_s)
        truth.volts.append(world.battery_volts if procedure == "regulator" else world.stator_volts)
        truth.amps.append(world.charge_amps)
        truth.rpm.append(world.rpm)
        _note(truth, world, t_s, period)
    return trace


def _note(truth: Truth, world: World, t_s: float, period: float) -> None:
    """What only the machine itself knows."""
    if world.charge_amps >= 0.9 * world.scenario.rated_amps:
        truth.shown_s += period
    if world.battery_volts > 15.0 and truth.over_s is None:
        truth.over_s = t_s
    if world.rpm < 2600 or world.limited:
        truth.regulating_s = None
    elif truth.regulating_s is None:
        truth.regulating_s = t_s
