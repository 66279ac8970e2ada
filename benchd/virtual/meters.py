"""What a meter shows of a true value: delay, bandwidth, noise, its own error within its statement, digits, and faults."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from benchd.virtual.scenario import Scenario
from benchd.virtual.world import World

#: Which meter a meter's fault strikes, by procedure channel.
STRUCK = {
    "meter-sleep": ("charge_amps", "stator_volts"),
    "meter-hold": ("battery_volts", "stator_volts"),
    "meter-overload": ("charge_amps", "stator_volts"),
    "meter-wrong-dial": ("battery_volts", "stator_volts"),
    "meter-leads-reversed": ("charge_amps",),
    "meter-cut-frames": ("charge_amps", "stator_volts"),
    "meter-unplugged": ("battery_volts", "stator_volts"),
    "meter-clock-skew": ("charge_amps",),
}
WRONG_FUNCTION = {"battery_volts": "ac volts", "stator_volts": "dc volts", "charge_amps": "ac amps"}
#: Of the meters that only a visit's bench has, in the channel's unit.
NOISE = {"load_amps": 0.15, "crank_amps": 0.6, "draw_amps": 0.00005, "joint_volts": 0.0006, "battery_celsius": 0.05}
MOST_OHMS = 2e7  # beyond this an ohmmeter shows overload


@dataclass(frozen=True, slots=True)
class Shown:
    """One display: value in the channel's unit (None where it shows no number) and what else it tells."""

    channel: str
    value: float | None
    digit: float
    overload: bool = False
    hold: bool = False
    low_battery: bool = False
    wrong_function: str | None = None
    cut: bool = False
    garbage: bytes = b""


class Meter:
    """One channel's meter. Call show() every `period_s` of bench time, in order."""

    def __init__(self, channel: str, scenario: Scenario, rng: random.Random) -> None:
        self.channel, self.scenario, self._rng = channel, scenario, rng
        self.period_s = scenario.meter_period_s
        self.digit = self._digit()
        self.percent = self._percent()
        # Its own error: anywhere within the statement, the same for the whole run.
        self._gain = 1.0 + rng.uniform(-1, 1) * self.percent / 100.0
        self._offset = rng.uniform(-1, 1) * self.digit * (0.5 if channel != "engine_rpm" else 0.0)
        self._lagged: float | None = None
        self._lagged_s = 0.0
        self._late: list[tuple[float, float]] = []
        self._held: float | None = None

    def _digit(self) -> float:
        s = self.scenario
        return {
            "battery_volts": s.volts_digit, "charge_amps": s.amps_digit, "stator_volts": 0.01, "stator_hertz": 0.1,
            "engine_rpm": 1.0, "battery_celsius": 0.1, "load_amps": 0.02, "crank_amps": 0.02, "draw_amps": 0.0001,
            "joint_volts": 0.001, "circuit_ohms": 0.01,
        }[self.channel]  # fmt: skip

    def _percent(self) -> float:
        s = self.scenario
        return {
            "battery_volts": s.volts_percent, "charge_amps": s.amps_percent, "stator_volts": s.stator_percent,
            "stator_hertz": 0.05, "engine_rpm": s.rpm_percent, "battery_celsius": 1.0, "load_amps": 1.0,
            "crank_amps": 1.0, "draw_amps": 0.2, "joint_volts": 0.2, "circuit_ohms": 0.5,
        }[self.channel]  # fmt: skip

    def _fault(self, name: str) -> float | None:
        """The strength of a fault if it strikes this meter."""
        return self.scenario.strength(name) if self.channel in STRUCK[name] else None

    def _true(self, world: World) -> float:
        found: float = getattr(
            world,
            "rpm" if self.channel == "engine_rpm" else "celsius" if self.channel == "battery_celsius" else self.channel,
        )
        return found

    def _noise(self, world: World) -> float:
        s = self.scenario
        if self.channel == "battery_volts":
            ripple = s.ripple_volts * (2.0 if s.strength("scr-open") is not None else 1.0)
            return self._rng.gauss(0, ripple if world.rpm > 600 else 0.001)
        if self.channel == "charge_amps":
            return self._rng.gauss(0, 0.003 * s.rated_amps if world.rpm > 600 and world.regulator_plugged else 0.002)
        if self.channel == "stator_volts":
            return self._rng.gauss(0, 0.02 if world.rpm > 600 else 0.0)
        noise = NOISE.get(self.channel)
        return 0.0 if noise is None else self._rng.gauss(0, noise)

    def forget(self) -> None:
        """More time has passed than it needs to settle."""
        self._lagged = None
        self._late.clear()

    def follow(self, t_s: float, world: World) -> None:
        """Let the meter's input settle; to be called as often as the world is looked at."""
        true = self._true(world)
        if self._lagged is None or self.channel == "circuit_ohms":  # an ohmmeter ranges, it does not creep
            self._lagged = true
        share = -math.expm1(-max(t_s - self._lagged_s, 0.0) / max(self.scenario.meter_lag_s, 1e-3))
        self._lagged += (true - self._lagged) * share
        self._lagged_s = t_s
        self._late.append((t_s, self._lagged))
        delay = self.scenario.meter_delay_s + (self._fault("meter-clock-skew") or 0.0)
        while len(self._late) > 1 and self._late[1][0] <= t_s - delay:
            self._late.pop(0)

    def show(self, t_s: float, world: World) -> Shown | None:
        """What the display says now; None while the meter says nothing (asleep, unplugged)."""
        self.follow(t_s, world)
        if self._silent(world):
            return None
        value = self._late[0][1] * self._gain + self._offset + self._noise(world)
        if self.channel == "engine_rpm":
            value *= self.scenario.strength("tach-wrong-pulses") or 1.0
        if self._fault("meter-leads-reversed") is not None:
            value = -value
        if self.channel == "circuit_ohms" and value > MOST_OHMS:
            return Shown(self.channel, None, self.digit, overload=True)
        shown = round(round(value / self.digit) * self.digit, 6)
        return self._faulty(shown, world)

    def _silent(self, world: World) -> bool:
        asleep, away = self._fault("meter-sleep"), self._fault("meter-unplugged")
        running = world.running_s
        if asleep is not None and running > asleep:
            return True
        return away is not None and 14.0 < running < 14.0 + away

    def _faulty(self, shown: float, world: World) -> Shown:
        wrong = WRONG_FUNCTION.get(self.channel) if self._fault("meter-wrong-dial") is not None else None
        over, held = self._fault("meter-overload"), self._fault("meter-hold")
        if over is not None and world.running_s > over:
            return Shown(self.channel, None, self.digit, overload=True)
        hold = held is not None and world.running_s > held
        if hold:
            self._held = shown if self._held is None else self._held
            shown = self._held
        part = self._fault("meter-cut-frames")
        cut = part is not None and self._rng.random() < part
        return Shown(self.channel, shown, self.digit, hold=hold, wrong_function=wrong, cut=cut)
