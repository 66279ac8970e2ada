"""What a regulator run shows so far, as answers to the questions the rules ask. Decides nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from benchd.core import lead_acid
from benchd.core.budget import probability_within
from benchd.core.procedures.charging import AMPS, SECONDS, VOLTS, Charging
from benchd.core.procedures.presence import NAMED_AFTER_S, Presence
from benchd.core.procedures.throttle import Throttle
from benchd.core.series import median
from benchd.core.settle import LEAST_POINTS, SourceLine, Trend, best_line, doubted, trend, with_usual_wiring
from benchd.core.specs import MachineSpec, Metrology

WATCH_S = 20.0  # least time at full throttle before settled volts are believed
FALLEN = 0.06  # of rated: amps must have left what the alternator gives by so much before the regulator is seen at work
FALLING = 0.015  # of rated, within the window of the line: amps still on their way down
SURE_FALL = 1.0  # standard uncertainties by which the fall must clear that
SAGGING = 0.9  # times (amps over missing capacity): a taper reaches nothing before the battery is full
COLLAPSE_S = 15.0
KNEE = 0.07  # of the greatest amps: above it the regulator only begins to take over
FALLEN_FAR = 0.12
VANISHED_S = 15.0  # output gone for longer is no dropout
LAST_STEPS = 16  # readings that say how often volts and amps are read
JOINT_SLOPE = 1.0  # A/V per 15 A rated: an alternator's own droop is 0.3-0.6, a bad joint 2 and more


class Picture:
    """Charging, throttle and meters of one run, and what can be read off them."""

    def __init__(self, spec: MachineSpec, metrology: Metrology, earlier: Mapping[str, str], presence: Presence) -> None:
        if spec.regulator is None:
            raise ValueError(f"{spec.source or spec.name}: no [regulator] in this spec, so no regulator run")
        self.spec, self.limits, self.metrology, self.earlier = spec, spec.regulator, metrology, earlier
        self.presence = presence
        self.throttle = Throttle(*spec.full_throttle_rpm)
        self.seen = Charging(spec, metrology, self.throttle)
        self.line: SourceLine | None = None  # what volts are foretold from: far or doubted near, with usual wiring
        self.dropouts = 0
        self.dropout_at_s = -math.inf
        self.certain_since_s = math.inf  # when the settled volts first were surely inside
        self._dropped = False
        self._amps_before = 0.0
        self.near: SourceLine | None = None  # as fitted, knee or not: its volts and ohms are too high if anything
        self.far: SourceLine | None = None  # as fitted, clear of the knee
        self._trend_of: dict[float, tuple[Trend, Trend, float] | None] = {}

    def look(self) -> None:
        """Bring the costly answers up to date."""
        self._trend_of.clear()
        self.line = self.near = self.far = None
        if len(self.seen.track) < LEAST_POINTS:
            return
        self.near = self.find_line()
        self.far = None if self.near is None else self.find_far_line(self.near)
        told = self.far or (None if self.near is None else doubted(self.near))
        self.line = None if told is None else with_usual_wiring(told, self.limits.rated_amps)

    def watch_dropouts(self) -> None:
        """Volts and amps fall away together for a moment while the engine runs on: a joint opens and closes."""
        t, _, v, i = self.seen.window(25.0)
        if len(t) < 6:
            return
        usual_i, usual_v = median(i[:-1]), median(v[:-1])
        # From step to step, so that a rising curve is not taken for noise.
        noise_v = 1.05 * median(np.abs(v[1:-1] - v[:-2])) + self.seen.volts.resolution
        noise_i = 1.05 * median(np.abs(i[1:-1] - i[:-2])) + self.seen.amps.resolution
        away = (
            i[-1] < 0.7 * usual_i
            and usual_i - i[-1] > max(6 * noise_i, 0.05 * self.limits.rated_amps)
            and usual_v - v[-1] > max(4 * noise_v, 0.05)
        )
        if away and not self._dropped:
            self.dropout_at_s, self._amps_before = float(t[-1]), usual_i
        self._dropped = self._dropped or bool(away)
        back = i[-1] >= 0.7 * self._amps_before
        if self._dropped and (back or float(t[-1]) - self.dropout_at_s >= VANISHED_S):
            self.dropouts += bool(back)
            self._dropped = False

    @property
    def blind(self) -> bool:
        """Volts and amps are not read together at the moment: what held before need not hold now."""
        seconds = self.seen.track.column(SECONDS)[-LAST_STEPS:]
        if len(seconds) < 3:
            return False
        return self.seen.now_s - float(seconds[-1]) > max(NAMED_AFTER_S, 3 * median(np.diff(seconds)))

    @property
    def nothing_amps(self) -> float:
        """Amps below this are none."""
        return max(3 * self.seen.amps.resolution, 0.02 * self.limits.rated_amps)

    @property
    def fallen_away(self) -> bool:
        """Output was there and has just gone: volts and amps fell together, or amps to nothing at once. No regulator tapers
        so, whatever line such a step suggests, above all where a gap in the readings hides the moment."""
        if self._dropped:
            return True
        t, _, _, i = self.seen.window(VANISHED_S + 20.0)
        if not len(t) or abs(float(i[-1])) > self.nothing_amps:
            return False
        there = np.flatnonzero(i > 0.25 * self.limits.rated_amps)
        if not len(there):
            return False
        gone_s = t[-1] - t[min(there[-1] + 1, len(t) - 1)]
        return bool(gone_s < VANISHED_S) or self.seen.level(AMPS, VANISHED_S) is None

    def amps_text(self) -> str:
        level = self.seen.level(AMPS, 10.0)
        return "Amps" if level is None else f"{level.value:.1f} A"

    def find_line(self) -> SourceLine | None:
        """The source line of the last seconds or minutes, knee or not."""
        return self._line_from(self.seen.track.since((self.throttle.full_since_s or 0.0) + 1.0))

    def _line_from(self, start: int) -> SourceLine | None:
        seen = self.seen
        t, q, v, i = (seen.track.column(one, start) for one in range(4))
        if len(t) < LEAST_POINTS:
            return None
        return best_line(t, q, v, i, seen.volts.resolution, seen.amps.resolution)

    def find_far_line(self, near: SourceLine) -> SourceLine | None:
        """The source line clear of the knee between limit and set-point, which is soft and looks like resistance.

        Only readings after amps have fallen KNEE below what was given count, and only once they are FALLEN_FAR below.
        To blame a part on volts that are not there yet takes this one.
        """
        seen, peak = self.seen, self.seen.peak_amps
        if near.amps_now > (1.0 - FALLEN_FAR) * peak:
            return None
        above = np.flatnonzero(seen.track.column(3) > (1.0 - KNEE) * peak)
        start = int(above[-1]) + 1 if len(above) else 0
        start = max(start, seen.track.since((self.throttle.full_since_s or 0.0) + 1.0))
        line = self._line_from(start)
        if line is None or seen.now_s - float(seen.track.column(0)[start]) < WATCH_S:
            return None
        return line

    def regulating(self) -> bool:
        """Amps have left the alternator's limit and go on falling while the volts do not rise to match."""
        line = self.line
        if line is None or self.seen.measuring_s < WATCH_S:
            return False
        rated = self.limits.rated_amps
        reference = max(self.seen.peak_amps, 0.05 * rated)
        small = line.amps_now < 0.5 * rated
        falling = line.fall.falls(max(FALLING * (line.amps_now if small else rated), self.seen.amps.resolution))
        fallen = reference - line.amps_now >= FALLEN * rated
        return fallen and falling and self.plausible(line) and self.falls_as_batteries_do(line)

    def falls_as_batteries_do(self, line: SourceLine) -> bool:
        """A battery at the set-point takes its amps to nothing before its capacity is in; an alternator that warms up
        or an engine that tires sags far more slowly, and says nothing of the set-point."""
        capacity = self.spec.battery.amp_hours if self.spec.battery is not None else 2.0 * self.limits.rated_amps
        # The fall runs out when the battery is full, so it is the steeper the less is missing; a leak only flattens it.
        rest = self.seen.rest_volts
        start = 0.0 if rest is None else lead_acid.rest_charge(rest)[0]
        missing = min(max(1.0 - start - self.seen.ampere_hours / capacity, 0.1), 1.0)
        charge = line.amps_now * line.window_s / 3600.0
        fall = -line.fall.change - SURE_FALL * line.fall.u
        return charge > 0.0 and fall / charge > SAGGING / missing * line.amps_now / capacity

    def plausible(self, line: SourceLine) -> bool:
        return -0.03 < line.ohms < 0.8 and line.u_ohms * self.limits.rated_amps < 2.0

    def end_volts(self) -> tuple[float, float, bool] | None:
        """(volts, standard uncertainty, whether accuracy is known) where the volts will end."""
        if self.line is None:
            return None
        stated = self.seen.volts.u(self.line.end_volts)
        return self.line.end_volts, math.hypot(self.line.u_end_volts, stated or 0.0), stated is not None

    def drop_probability(self, line: SourceLine | None = None) -> float:
        """Probability that the drop between regulator and battery at rated amps is within the limit."""
        line = line or self.line
        assert line is not None
        rated = self.limits.rated_amps
        return probability_within(line.ohms * rated, line.u_ohms * rated, None, self.limits.max_drop_volts)

    @property
    def line_amps(self) -> float:
        return 0.0 if self.line is None else self.line.amps_now

    @property
    def high(self) -> float:
        return self.limits.settled_volts[1]

    def output_shown(self) -> str:
        """'shown', 'close' or 'not': whether rated output was seen, and not for a blink only (a full or sulphated
        battery takes rated amps for a second)."""
        peak, least = self.seen.peak_amps, self.limits.min_amps
        u = self.seen.amps.u(peak)
        if u is None:
            return "close"
        probability = probability_within(peak, u, least, None)
        if peak >= least and probability >= 1 - self.metrology.risk:
            return "not" if self._collapsed() else "shown"
        return "close" if probability > self.metrology.risk else "not"

    def _collapsed(self) -> bool:
        """Amps fell to less than half of rated in the first seconds of full throttle."""
        since, seen = self.throttle.full_since_s, self.seen
        if since is None or seen.measuring_s < COLLAPSE_S:
            return False
        last = seen.track.since(since + COLLAPSE_S)
        first = seen.track.column(AMPS)[:last]
        return len(first) > 0 and float(first.mean()) < 0.5 * self.limits.rated_amps

    def trends(self, seconds: float) -> tuple[Trend, Trend, float] | None:
        """(volts, amps) changes over the window after the first second of full throttle, and its length."""
        if seconds not in self._trend_of:
            self._trend_of[seconds] = self.find_trends(seconds)
        return self._trend_of[seconds]

    def find_trends(self, seconds: float) -> tuple[Trend, Trend, float] | None:
        seen = self.seen
        since = (self.throttle.full_since_s or 0.0) + 1.0
        start = seen.track.since(max(since, seen.now_s - seconds))
        t, v, i = (seen.track.column(one, start) for one in (SECONDS, VOLTS, AMPS))
        if len(t) < 8:
            return None
        return trend(t, v, seen.volts.resolution), trend(t, i, seen.amps.resolution), float(t[-1] - t[0])

    def limiting(self) -> bool:
        """Volts rise and amps do not answer as they would to a regulator or through a bad joint."""
        scale = self.limits.rated_amps / 15.0
        for seconds in (20.0, 40.0, 80.0, 160.0, 320.0):
            found = self.trends(seconds)
            if found is None or found[2] < 0.6 * seconds:
                return False
            volts, amps, _ = found
            if not volts.rises(0.015):
                continue
            slope = amps.change / volts.change
            u = math.hypot(amps.u, slope * volts.u) / volts.change
            if slope - 2.0 * u > -JOINT_SLOPE * scale:
                return True
        return False
