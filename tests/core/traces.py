"""Small closed-form traces for the judge's tests: a battery line, a source line, digits. Not the virtual bench."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from benchd.core.procedures import make
from benchd.core.procedures.base import Procedure
from benchd.core.samples import Sample, Value
from benchd.core.specs import BatterySpec, MachineSpec, Metrology, RegulatorSpec, StatorSpec
from benchd.core.verdicts import Verdict

SPEC = MachineSpec(
    name="Hollin T18 garden tractor",
    manual="service manual, section 6, page 14",
    full_throttle_rpm=(3350, 3650),
    stator=StatorSpec(min_volts_ac=28.0, at_rpm=3600, magnet_poles=12),
    regulator=RegulatorSpec(15.0, 3600, (13.8, 14.7), 15.0, min_amps=13.5, near_zero_amps=1.5),
    battery=BatterySpec(28.0, 300),
)


def digits(value: float, resolution: float) -> Value:
    """What a display of this resolution shows."""
    return Value(round(value / resolution) * resolution, resolution)


@dataclass
class Bench:
    """One battery on one source, in closed form: amps = what battery and source agree on.

    Battery: e0 + q * slope (bulk rise with charge) + i * r. Source: least of the limit and (set - v) / wire.
    """

    set_volts: float = 14.3
    limit_amps: float = 15.0
    rest: float = 12.4
    ohms: float = 0.09
    rise_per_ah: float = 0.9
    wire: float = 0.012
    noise: float = 0.004
    rpm: float = 3550.0
    dead_volts: float = 0.0
    leak_amps: float = 0.0
    step_s: float = 0.5
    seed: int = 1
    volts_digit: float = 0.01
    amps_digit: float = 0.01
    wobble: Callable[[float], float] = lambda t: 0.0

    def samples(self, seconds: float, *, still_s: float = 5.0, idle_s: float = 4.0) -> Iterator[Sample]:
        rng = random.Random(self.seed)
        t, q = 0.0, 0.0
        surface = 0.0
        while t < seconds:
            if t < still_s:
                rpm, v, i = 0.0, self.rest - self.dead_volts, 0.0
            elif t < still_s + idle_s:
                rpm, v, i = 1800.0, self.rest - self.dead_volts + 0.2, 0.3 * self.limit_amps * (self.limit_amps > 1)
            else:
                rpm = self.rpm
                surface += (1.0 - surface) * self.step_s / 6.0
                e = self.rest - self.dead_volts + 0.35 * surface + self.rise_per_ah * q
                want = self.set_volts + self.wobble(t)
                i = min(self.limit_amps, max((want - e) / (self.ohms + self.wire), 0.0))
                v = e + i * self.ohms
            q += i * self.step_s / 3600.0
            yield Sample(
                int(t * 1e9),
                {
                    "battery_volts": digits(v + rng.gauss(0, self.noise), self.volts_digit),
                    "charge_amps": digits(i + rng.gauss(0, 2 * self.noise), self.amps_digit),
                    "engine_rpm": digits(rpm + (rng.gauss(0, 6) if rpm else 0), 1.0),
                },
            )
            t = round(t + self.step_s, 6)


def stator_samples(
    volts_at_3600: float,
    *,
    rpm: float = 3550.0,
    poles: int = 12,
    pulses: float = 1.0,
    seconds: float = 120.0,
    hertz: bool = True,
    noise: float = 0.03,
    seed: int = 1,
) -> Iterator[Sample]:
    """A stator run: still, idle, ramp, full throttle. `pulses` is the factor by which the tachometer reads wrong."""
    rng = random.Random(seed)
    t = 0.0
    while t < seconds:
        true = 0.0 if t < 4 else 1800.0 if t < 8 else min(1800.0 + (t - 8) * 600.0, rpm)
        true += rng.gauss(0, 5) if true else 0.0
        values = {
            "stator_volts": digits(volts_at_3600 * true / 3600 + (rng.gauss(0, noise) if true else 0.0), 0.01),
            "engine_rpm": digits(true * pulses, 1.0),
        }
        if hertz and true:
            values["stator_hertz"] = digits(true * poles / 120, 0.1)
        yield Sample(int(t * 1e9), values)
        t = round(t + 0.5, 6)


def judged(
    procedure: str,
    samples: Iterator[Sample],
    *,
    spec: MachineSpec = SPEC,
    metrology: Metrology | None = None,
    earlier: dict[str, str] | None = None,
    **timing: object,
) -> Verdict:
    """The verdict on these samples, as `benchd judge` would give it."""
    run = make(procedure, spec, metrology, earlier, **timing)
    run.opening()
    return drive(run, samples)


def drive(run: Procedure, samples: Iterator[Sample]) -> Verdict:
    for sample in samples:
        run.feed(sample)
        if run.verdict is not None:
            break
    else:
        run.finish("the recording ended")
    assert run.verdict is not None
    assert math.isfinite(run.verdict.duration_s)
    return run.verdict
