"""Volts and amps while a load is on: the level at the end, the step when it came on, a knee in the curve. Decides nothing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.core import series
from benchd.core.procedures.charging import PAIR_S, ChannelFacts
from benchd.core.track import Array, Track

SECONDS, VOLTS, AMPS = range(3)
LEVEL_S = 3.0  # the end's level is read off the last seconds
STEP_S = (0.3, 2.2)  # after the load came on: contacts have settled, the battery has hardly run down yet
KNEE_VOLTS, KNEE_S = 1.2, 3.0  # a cell that runs empty under load loses a volt and more within seconds
KNEE_STEADY = 0.15  # part by which the amps may move meanwhile
LATE_VOLTS = 0.3  # less of a drop than any load makes: the voltmeter is late
BACK_VOLTS, BACK_PART = 0.3, 0.1  # volts that rise so far at the same amps: the load is off, the clamp is late


@dataclass(frozen=True, slots=True)
class Level:
    """Volts and amps of the last seconds, with the scatter of their means."""

    volts: float
    u_volts: float
    amps: float
    u_amps: float
    n: int


@dataclass(frozen=True, slots=True)
class Resistance:
    """Internal resistance by the step, and its standard uncertainty; u None where a meter states nothing."""

    ohms: float
    u: float | None


class LoadCurve:
    """Pairs of volts and amps from the moment at which the load came on (t = 0)."""

    def __init__(self, began_s: float, volts: ChannelFacts, amps: ChannelFacts) -> None:
        self.began_s = began_s
        self._facts = (volts, amps)
        self._track = Track(3)
        self._pending: dict[str, tuple[float, float]] = {}

    def feed(self, t_s: float, volts: float | None, amps: float | None) -> None:
        """Volts and amps that were read at about the same time become a pair."""
        for name, value in (("v", volts), ("i", amps)):
            if value is not None:
                self._pending[name] = (t_s, value)
        if len(self._pending) == 2:
            (tv, v), (ti, i) = self._pending["v"], self._pending["i"]
            if abs(tv - ti) <= PAIR_S:
                self._pending.clear()
                self._track.append(max(tv, ti) - self.began_s, v, i)

    def __len__(self) -> int:
        return len(self._track)

    def column(self, index: int, low: float = 0.0, high: float = math.inf) -> Array:
        """One column of the pairs with low <= t <= high."""
        t = self._track.column(SECONDS)
        found: Array = self._track.column(index)[(t >= low) & (t <= high)]
        return found

    def mean_amps(self, until_s: float) -> float | None:
        amps = self.column(AMPS, STEP_S[0], until_s)
        return float(np.mean(amps)) if len(amps) else None

    def level(self, at_s: float, seconds: float = LEVEL_S) -> Level | None:
        """The level at `at_s` from the seconds before: a line through the volts where there are enough of them."""
        for reach in (seconds, 2 * seconds):  # slow meters: further back
            t, v, i = (self.column(one, at_s - reach, at_s + 0.5) for one in (SECONDS, VOLTS, AMPS))
            v, i = _despiked(v), _despiked(i)
            held = _held(v, i)
            if held >= 2:
                break
        else:
            return None
        t, v, i = t[:held], v[:held], i[:held]
        facts_v, facts_i = self._facts
        if len(v) >= 4 and np.ptp(t) > 0:
            line = series.line(t, v, facts_v.resolution or 0.001)
            volts, u_volts = series.at(line, min(at_s, float(t[-1])))
        else:
            mean = series.mean(v, facts_v.resolution or 0.001)
            volts, u_volts = mean.value, mean.u
        amps = series.mean(i, facts_i.resolution or 0.01)
        return Level(volts, u_volts, amps.value, amps.u, len(v))

    def step(self, rest_volts: float, u_rest: float) -> Resistance | None:
        """Resistance from the fall of the volts when the load came on; `u_rest` the scatter of the rest volts."""
        v, i = self.column(VOLTS, *STEP_S), self.column(AMPS, *STEP_S)
        answered = v < rest_volts - LATE_VOLTS
        if answered.any():  # a voltmeter that is late still shows the rest at first
            v, i = v[answered], i[answered]
        if not len(v):  # slow meters
            v, i = self.column(VOLTS, STEP_S[0], 2 * STEP_S[1])[:1], self.column(AMPS, STEP_S[0], 2 * STEP_S[1])[:1]
        if not len(v) or float(np.mean(i)) <= 0:
            return None
        fall, amps = rest_volts - float(np.mean(v)), float(np.mean(i))
        facts_v, facts_i = self._facts
        # Two readings of one meter share its gain error: its statement counts for the difference, not for each.
        u_fall, u_amps = facts_v.u(max(fall, 0.0)), facts_i.u(amps)
        if u_fall is None or u_amps is None:
            return Resistance(fall / amps, None)
        return Resistance(fall / amps, math.hypot(u_fall, u_rest, fall / amps * u_amps) / amps)

    def falling_fast(self) -> bool:
        """Whether the volts just now run away downward: more is to be seen in a second or two."""
        t, v = self._track.column(SECONDS)[-3:], self._track.column(VOLTS)[-3:]
        return len(v) == 3 and t[-1] > t[0] and (v[-1] - v[0]) / (t[-1] - t[0]) < -0.25

    def knee(self, rest_volts: float | None = None) -> float | None:
        """Volts lost within seconds under a steady load, if a cell gave out; None if none did. Where the voltmeter is late
        the step itself comes after the amps: volts that still stand at `rest_volts` are no start of a knee."""
        t, i = self._track.column(SECONDS), self._track.column(AMPS)
        v = _despiked(self._track.column(VOLTS))
        worst = 0.0
        for at in range(len(t)):
            if t[at] < STEP_S[0] or (rest_volts is not None and v[at] > rest_volts - LATE_VOLTS):
                continue
            within = (t > t[at]) & (t <= t[at] + KNEE_S) & (np.abs(i - i[at]) <= KNEE_STEADY * abs(i[at]))
            if within.any():
                worst = max(worst, float(v[at] - v[within].min()))
        return worst if worst >= KNEE_VOLTS else None


def _held(v: Array, i: Array) -> int:
    """How many readings are of the load held on. At the end volts may be back already while a late clamp shows the amps
    still; volts that rise because the load was turned down are kept."""
    held = len(v)
    if held < 2:
        return held
    middle_v, middle_i = (series.median(v), series.median(i)) if held > 2 else (float(v[0]), float(i[0]))
    while held > 1 and v[held - 1] > middle_v + BACK_VOLTS and abs(i[held - 1] - middle_i) <= BACK_PART * middle_i:
        held -= 1
    return held


def _despiked(x: Array) -> Array:
    """Median of three along the series, ends as they are: a single glitch is gone, a real fall stays."""
    if len(x) < 3:
        return x
    a, b, c = x[:-2], x[1:-1], x[2:]
    middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    found: Array = np.concatenate([middle[:1], middle, middle[-1:]])
    return found
