"""The volts of a battery at rest: their level, whether they stand, whether they fall. Glitches are left out."""

from __future__ import annotations

import numpy as np

from benchd.core import series
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.track import Array, Track

LEVEL_S = 20.0
STEADY_S = 30.0
STEADY_PARTS = (1, 2, 4)  # of that, how far back it is looked where readings are slow, coarse or noisy
LEAST_READINGS = 5
TOLERANCE = 0.0002  # V/s, 12 mV a minute, is standing still: half a digit in the time looked at
FALLS = 0.0001  # V/s
SURE_STEADY = 0.8
GLITCH_VOLTS = 0.3  # from the median of their neighbours


class Rest:
    """Follows rest volts from a moment on; `begin` starts again (a load was on, the charger came off)."""

    def __init__(self, facts: ChannelFacts) -> None:
        self.facts = facts
        self.since_s: float | None = None
        self.glitches = 0
        self._track = Track(2)
        self._level: tuple[tuple[int, float, float], series.Mean | None] = ((0, 0.0, 0.0), None)

    def begin(self) -> None:
        self._track, self.since_s = Track(2), None
        self._level = (0, 0.0, 0.0), None

    def feed(self, t_s: float, volts: float) -> None:
        if self.since_s is None:
            self.since_s = t_s
        self._track.append(t_s, volts)

    def span_s(self, now_s: float) -> float:
        return 0.0 if self.since_s is None else now_s - self.since_s

    def _window(self, now_s: float, seconds: float) -> tuple[Array, Array]:
        start = self._track.since(now_s - seconds)
        t, v = self._track.column(0, start), self._track.column(1, start)
        if len(v) < 3:
            return t, v
        near = np.abs(v - series.median(v)) <= GLITCH_VOLTS
        return t[near], v[near]

    def level(self, now_s: float, seconds: float = LEVEL_S) -> series.Mean | None:
        """Mean of the last seconds with its scatter; None with too few readings. The meter's accuracy is apart."""
        asked = (len(self._track), now_s, seconds)
        if self._level[0] != asked:  # it is asked for several times between two samples
            _, v = self._window(now_s, seconds)
            self._level = asked, None if len(v) < 3 else series.mean(v, self.facts.resolution or 0.001)
        return self._level[1]

    def u(self, level: series.Mean) -> float | None:
        """Standard uncertainty of a level, meter and scatter together; None if nothing is stated for the meter."""
        stated = self.facts.u(level.value)
        return None if stated is None else float(np.hypot(stated, level.u))

    def steady(self, now_s: float) -> bool:
        """Whether the volts stand: the last half minute is flat, as far as the display can tell; or, where that is too short
        to tell, the last minute or two."""
        digit = self.facts.resolution
        for part in STEADY_PARTS:
            t, v = self._window(now_s, part * STEADY_S)
            if self.span_s(now_s) < part * STEADY_S:
                return False
            if (
                len(v) >= LEAST_READINGS
                and series.flat(t, v, max(TOLERANCE, 0.02 * digit), digit or None) >= SURE_STEADY
            ):
                return True
        return False

    def falling(self, now_s: float) -> bool:
        """Whether they surely fall, over up to two minutes."""
        t, v = self._window(now_s, 120.0)
        if len(v) < 10 or t[-1] - t[0] < STEADY_S:
            return False
        line = series.line(t, v, self.facts.resolution or None)
        return line.slope + 2 * line.u_slope < -FALLS
