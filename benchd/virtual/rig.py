"""The motor-driven bench: drive, alternator, load bank, battery, and the regulator that is mounted. True values only."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol

from benchd.virtual.regulators import Regulator, regulator_of

STEP_S = 0.05
HUNT_RPM, HUNT_S = 3.0, 3.1
RISES_RPM = 650.0  # above the first output the alternator's amps come on with this speed
REST_VOLTS, TAKES_FROM, TAKES_OHMS, GIVES_OHMS = 12.65, 12.9, 1.0, 0.04
STUCK_OHMS, STUCK_MOST = 0.4, 17.5
LAG_S, LOAD_A_PER_S = 0.35, 14.0
WARMS_FROM_AMPS = 8.0
RIPPLE_AT_AMPS = 18.0


class Rig:
    """Advance it in time, act on it, read it. Attributes are what meters may be clipped to."""

    running_s = -1.0  # for faults of meters that count from an engine's start: there is none
    regulator_plugged = True

    def __init__(self, seed: int = 1, mounted: Regulator | None = None) -> None:
        self._rng = random.Random(seed)
        self.regulator = mounted or regulator_of("")
        self.t_s = 0.0
        self.rpm = self.load_amps = self.charge_amps = self.ripple_volts = 0.0
        self.battery_volts = REST_VOLTS
        self.milliammeter_in = True
        self.celsius = 22.0
        self._base = self._warm = 0.0
        self._want_rpm, self._rpm_per_s = 0.0, 900.0
        self._want_load, self._down_to_volts = 0.0, 0.0

    # --- what the operator does ----------------------------------------------------------------------------------------

    def mount(self, regulator: Regulator) -> None:
        """Another regulator, cold."""
        self.regulator, self._warm = regulator, 0.0
        self.drive(0.0)
        self.load(0.0)

    def drive(self, rpm: float, per_s: float = 900.0) -> None:
        self._want_rpm, self._rpm_per_s = rpm, per_s

    def load(self, amps: float) -> None:
        self._want_load, self._down_to_volts = amps, 0.0

    def load_down_to(self, volts: float) -> None:
        """The load is turned up until the volts come down to this."""
        self._down_to_volts = volts

    # --- time -----------------------------------------------------------------------------------------------------------

    @property
    def draw_amps(self) -> float:
        """Through the milliammeter, back into the regulator."""
        return self.regulator.leak_ma / 1000 if self.milliammeter_in and self.rpm < 30 else 0.0

    def advance(self, to_s: float) -> None:
        """Let time pass up to `to_s`."""
        while self.t_s < to_s - 1e-9:
            step = min(STEP_S, to_s - self.t_s)
            self._turn(step)
            self._regulate(step)
            self.t_s += step

    def _turn(self, step: float) -> None:
        change = self._want_rpm - self._base
        self._base += max(-self._rpm_per_s * step, min(self._rpm_per_s * step, change))
        hunting = HUNT_RPM * math.sin(2 * math.pi * self.t_s / HUNT_S) if self._base > 100 else 0.0
        self.rpm = max(self._base + hunting, 0.0)
        if self._down_to_volts and self.rpm > 500:
            gap = self.battery_volts - self._down_to_volts
            self._want_load = max(0.0, self._want_load + max(-4.0, min(4.0, 6.0 * gap)) * step)
        move = self._want_load - self.load_amps
        self.load_amps += max(-LOAD_A_PER_S * step, min(LOAD_A_PER_S * step, move))

    def _regulate(self, step: float) -> None:
        r = self.regulator
        above = self.rpm - r.starts_rpm
        able = r.most_amps * -math.expm1(-(above + 60.0) / RISES_RPM) if above >= 0 else 0.0
        warms = self.charge_amps > WARMS_FROM_AMPS
        self._warm += step if warms else -min(self._warm, 0.3 * step)
        aim = r.set_volts - r.warm_mv / 1000 * math.expm1(-self._warm / r.warm_s)
        # Load and battery at the set-point: the battery takes more the higher it is.
        amps = (self.load_amps + (aim - TAKES_FROM) / TAKES_OHMS) / (1 + r.per_amp / TAKES_OHMS)
        volts = aim - r.per_amp * amps
        if r.stuck and able > self.load_amps:
            amps = able
            volts = min(TAKES_FROM + (able - self.load_amps) * STUCK_OHMS, STUCK_MOST)
        elif amps > able:
            amps, left = able, able - self.load_amps
            volts = REST_VOLTS + left * GIVES_OHMS if left <= 0 else min(volts, TAKES_FROM + left * TAKES_OHMS)
            if able == 0 and left == 0:
                volts = REST_VOLTS
        part = -math.expm1(-step / LAG_S)
        self.battery_volts += (volts - self.battery_volts) * part
        self.charge_amps += (amps - self.charge_amps) * part
        self.ripple_volts = r.ripple_mv / 1000 * max(self.charge_amps, 0.0) / RIPPLE_AT_AMPS
        self.celsius += ((22.0 + 1.6 * max(self.charge_amps, 0.0)) - self.celsius) * step / 60.0


def act(rig: Rig, prompt: Mapping[str, Any]) -> None:
    """Do what a prompt of a unit's test says: 'Drive: 3600 rpm. Load: 2 A.' and its like."""
    import re

    text, id = str(prompt.get("text", "")), str(prompt.get("id", ""))
    if id == "bridge-ammeter":
        rig.milliammeter_in = False
    if "Milliammeter in" in text:
        rig.milliammeter_in = True
    if "Drive: stopped" in text:
        rig.drive(0.0)
    elif found := re.search(r"below (\d+) rpm, then slowly up to (\d+) rpm", text):
        rig.drive(0.8 * float(found[1]), 4000.0)
        rig._base = min(rig._base, 0.8 * float(found[1]))
        rig.drive(float(found[2]), 30.0)
    elif found := re.search(r"slowly up to (\d+) rpm", text):
        rig.drive(float(found[1]), 110.0)
    elif found := re.search(r"Drive: (\d+) rpm", text):
        rig.drive(float(found[1]))
    if "Load: off" in text:
        rig.load(0.0)
    elif found := re.search(r"Load: up until ([\d.]+) V", text):
        rig.load_down_to(float(found[1]))
    elif found := re.search(r"Load: ([\d.]+) A", text):
        # The ammeter also reads what the battery takes: the load bank is turned until it shows what is wanted.
        slow = "slowly" in text
        rig.load(max(float(found[1]) - (0.3 if slow else rig.regulator.set_volts - TAKES_FROM), 0.0))


# --- without ports ------------------------------------------------------------------------------------------------------

#: Channel -> (attribute, digit, noise, limits of the meter's own gain error in percent).
METERS = {
    "battery_volts": ("battery_volts", 0.001, 0.0015, 0.015),
    "charge_amps": ("charge_amps", 0.01, 0.01, 0.2),
    "engine_rpm": ("rpm", 1.0, 0.5, 0.03),
    "draw_amps": ("draw_amps", 0.00001, 0.000004, 0.1),
    "ripple_volts": ("ripple_volts", 0.001, 0.001, 0.5),
}


class Judge(Protocol):
    """What `play` needs of a procedure."""

    def opening(self) -> Iterable[Any]: ...
    def feed(self, item: Any, /) -> Iterable[Any]: ...
    def finish(self, because: str, /) -> Iterable[Any]: ...


class Meters:
    """One rig's meters: each with an error of its own within its statement, for ever the same; `drift_ppm_h` of the voltmeter."""

    def __init__(self, seed: int, drift_ppm_h: float = 0.0) -> None:
        rng = random.Random(seed ^ 0x3E7E5)
        self._gain = {name: 1 + rng.uniform(-1, 1) * percent / 100 for name, (_, _, _, percent) in METERS.items()}
        self._rng, self._drift = random.Random(seed), drift_ppm_h
        self.hours = 0.0

    def show(self, rig: Rig) -> dict[str, tuple[float, float]]:
        """Channel -> (value as displayed, digit)."""
        found = {}
        for name, (attribute, digit, noise, _) in METERS.items():
            gain = self._gain[name] * (1 + self._drift * self.hours / 1e6 if name == "battery_volts" else 1.0)
            value = getattr(rig, attribute) * gain
            value += self._rng.gauss(0, noise) if value or name == "battery_volts" else 0.0
            found[name] = (round(round(value / digit) * digit, 6), digit)
        return found


def play(
    rig: Rig,
    meters: Meters,
    judge: Judge,
    sample: Callable[[int, Mapping[str, tuple[float, float]]], Any],
    *,
    period_s: float = 0.5,
    reacts_s: float = 1.0,
    most_s: float = 600.0,
) -> list[Any]:
    """A whole test in virtual time, prompts acted on `reacts_s` later: every event of the judge. `sample(t_ns, shown)` makes what the judge
    is fed with; events that have an `id` and a `text` are prompts."""
    start_s = rig.t_s
    events = list(judge.opening())
    waiting = [(reacts_s, one) for one in events if _is_prompt(one)]
    t_s = 0.0
    while t_s < most_s:
        t_s += period_s
        for due, prompt in [one for one in waiting if one[0] <= t_s]:
            waiting.remove((due, prompt))
            act(rig, {"id": prompt.id, "text": prompt.text})
        rig.advance(start_s + t_s)
        found = list(judge.feed(sample(round(t_s * 1e9), meters.show(rig))))
        events += found
        waiting += [(t_s + reacts_s, one) for one in found if _is_prompt(one)]
        if any(getattr(one, "kind", "") == "verdict" for one in found):
            break
    else:
        events += list(judge.finish("the recording ended"))
    meters.hours += t_s / 3600
    rig.drive(0.0, 9000.0)
    rig.load(0.0)
    rig.milliammeter_in = True
    rig.advance(rig.t_s + 5.0)
    return events


def _is_prompt(event: Any) -> bool:
    return getattr(event, "kind", "") == "prompt"
