"""Is the engine at full throttle, and if not, why not? Judged from rpm readings alone (trap 11, 12)."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from benchd.core.verdicts import Outcome, Suspect

TURNING_RPM = 150.0  # below: the engine stands
RUNNING_RPM = 700.0  # above: it runs by itself; a starter turns it at 200-500 (common practice, no source)
LEAST_IDLE_RPM = 1050.0  # small engines idle at 1200 or more (reference: 1200-1950); margin for the meter
STEADY_PART = 0.03  # of the mean, top to bottom, counts as a steady speed
STEADY_S = 20.0
LEFT_S = 10.0  # full throttle left for so long voids the run
HUNT_WINDOW_S = 60.0
HUNT_PART = 0.3  # of the readings outside the range: hunting too wide to judge anything
PATIENCE_S = 240.0  # the engine runs but is never opened


@dataclass(frozen=True, slots=True)
class Objection:
    """Why a run cannot go on."""

    outcome: Outcome
    suspect: Suspect
    reason: str
    because: str
    next_step: str = ""


@dataclass
class Throttle:
    """Follows rpm; tells whether this instant is at full throttle and whether the run must be given up."""

    low: float
    high: float
    full_since_s: float | None = None
    running_since_s: float | None = None
    started: bool = False
    slow_idle_seen: bool = False
    _recent: deque[tuple[float, float]] = field(default_factory=deque)
    _full: list[float] = field(default_factory=list)
    _out_since_s: float | None = None
    _in_row: int = 0
    stopped_since_s: float | None = None

    def feed(self, t_s: float, rpm: float) -> bool:
        """Take one rpm reading; whether the engine is at full throttle now."""
        recent = self._recent
        recent.append((t_s, rpm))
        while recent and recent[0][0] < t_s - HUNT_WINDOW_S:
            recent.popleft()
        if rpm >= TURNING_RPM:
            self.started = True
            self.stopped_since_s = None
        elif self.started and self.stopped_since_s is None:
            self.stopped_since_s = t_s
        if rpm >= RUNNING_RPM:
            if self.running_since_s is None:
                self.running_since_s = t_s
        elif rpm < TURNING_RPM:
            self.running_since_s = None
        self._see_slow_idle(t_s)
        return self._inside(t_s, rpm)

    def _inside(self, t_s: float, rpm: float) -> bool:
        if self.low <= rpm <= self.high:
            self._in_row += 1
            self._out_since_s = None
            if self.full_since_s is None and self._in_row >= 2:
                self.full_since_s = t_s
            if self.full_since_s is not None:
                self._full.append(rpm)
            return self.full_since_s is not None
        self._in_row = 0
        if self._out_since_s is None:
            self._out_since_s = t_s
        return False

    def _see_slow_idle(self, t_s: float) -> None:
        """A steady speed below any idle is a tachometer that reads half."""
        tail = [rpm for at, rpm in self._recent if at >= t_s - 4.0]
        if len(tail) >= 3 and max(tail) < LEAST_IDLE_RPM and min(tail) > 550.0:
            spread = (max(tail) - min(tail)) / max(tail)
            if spread < STEADY_PART and t_s - self._recent[0][0] >= 3.0:
                self.slow_idle_seen = True

    @property
    def rpm(self) -> tuple[float, float, float] | None:
        """Least, mean and greatest rpm at full throttle; of the last minute's running if it never came to that."""
        full = self._full or [rpm for _, rpm in self._recent if rpm >= RUNNING_RPM]
        if not full:
            return None
        return (min(full), float(np.mean(full)), max(full))

    @property
    def engine_stands(self) -> bool:
        return not self.started

    def steady_rpm(self, t_s: float, over_s: float = STEADY_S) -> float | None:
        """The mean rpm of the last `over_s` if it was steady all that time, else None."""
        recent = self._recent
        if not recent or recent[0][0] > t_s - over_s:
            return None
        tail = [rpm for at, rpm in recent if at >= t_s - over_s]
        if len(tail) < 3:
            return None
        mean = float(np.mean(tail))
        if mean < RUNNING_RPM * 0.75 or (max(tail) - min(tail)) > STEADY_PART * mean:
            return None
        return mean

    def objection(self, t_s: float, *, half_is_wrong: bool = False) -> Objection | None:
        """Why the run must end now for its speed, or None. `half_is_wrong`: other channels say that the
        tachometer reads half (rated amps, or stator volts, at what it calls half speed)."""
        if self.full_since_s is not None:
            return self._double(t_s) or self._left(t_s) or self._hunting(t_s)
        return self._tachometer(t_s, half_is_wrong) or self._never(t_s)

    def _left(self, t_s: float) -> Objection | None:
        if self._out_since_s is None or t_s - self._out_since_s < LEFT_S:
            return None
        rpm = self._recent[-1][1]
        inside = sum(self.low <= one <= self.high for _, one in self._recent)
        if inside > (1 - HUNT_PART) * len(self._recent):
            return None
        word = "stopped" if rpm < TURNING_RPM else f"left full throttle and reads {rpm:.0f} rpm"
        return self._speed(
            f"The engine {word}; the test asks for {self.low:.0f} to {self.high:.0f} rpm all the time.",
            "full throttle was left",
        )

    @property
    def holds(self) -> bool:
        """Whether the engine keeps to full throttle well enough to judge anything."""
        return self._outside() <= HUNT_PART

    def _outside(self) -> float:
        """Part of the readings since full throttle that were outside the range."""
        tail = self._since_full()
        return sum(not self.low <= rpm <= self.high for rpm in tail) / len(tail) if tail else 0.0

    def _since_full(self) -> list[float]:
        since = self.full_since_s
        return [] if since is None else [rpm for at, rpm in self._recent if at >= since]

    def _hunting(self, t_s: float) -> Objection | None:
        assert self.full_since_s is not None
        tail = self._since_full()
        if len(tail) < 10 or t_s - self.full_since_s < 20.0 or self.holds:
            return None
        outside = self._outside()
        return self._speed(
            f"The engine hunts between {min(tail):.0f} and {max(tail):.0f} rpm and is outside "
            f"{self.low:.0f} to {self.high:.0f} rpm for {100 * outside:.0f} % of the time.",
            "engine speed hunts",
        )

    def _double(self, t_s: float) -> Objection | None:
        """Twice full throttle, whatever came before: a tachometer that doubles shows 'full throttle' at idle."""
        rpm = self.steady_rpm(t_s, 6.0)
        if rpm is not None and 2 * self.low * 0.97 <= rpm <= 2 * self.high * 1.03:
            return self._pulses(rpm, "double", "")
        return None

    def _tachometer(self, t_s: float, half_is_wrong: bool) -> Objection | None:
        rpm = self.steady_rpm(t_s, 6.0)
        if rpm is None:
            return None
        if (double := self._double(t_s)) is not None:
            return double
        half = self.low / 2 * 0.97 <= rpm <= self.high / 2 * 1.03
        if half and half_is_wrong:
            return self._pulses(rpm, "half", " The other meters show full-throttle output at that reading.")
        if half and self.slow_idle_seen:
            return self._pulses(rpm, "half", " It also showed an idle that is too slow for an engine to keep.")
        return None

    def _pulses(self, rpm: float, word: str, proof: str) -> Objection:
        return Objection(
            Outcome.VOID,
            Suspect.INSTRUMENT,
            f"The tachometer reads {rpm:.0f} rpm, {word} of full throttle "
            f"({self.low:.0f} to {self.high:.0f} rpm): wrong pulses per revolution.{proof}",
            "the tachometer reads wrong",
            "Set the tachometer's pulses per revolution (pulses_per_rev in the bench file), then run again.",
        )

    def _never(self, t_s: float) -> Objection | None:
        rpm = self.steady_rpm(t_s)
        if (swing := self._swings_through(t_s)) is not None:
            return swing
        if rpm is not None and rpm > self.high:
            return self._speed(
                f"The engine runs steadily at {rpm:.0f} rpm, above the {self.high:.0f} rpm that the spec allows.",
                "engine speed too high",
            )
        if rpm is not None and 0.75 * self.low <= rpm < self.low:
            return self._speed(
                f"The engine settled at {rpm:.0f} rpm, below the spec's full throttle of "
                f"{self.low:.0f} to {self.high:.0f} rpm.",
                "engine speed too low",
            )
        if self.running_since_s is not None and t_s - self.running_since_s > PATIENCE_S:
            return self.not_reached()
        return None

    def _swings_through(self, t_s: float) -> Objection | None:
        """Over and under the range again and again without ever staying in it."""
        tail = [rpm for at, rpm in self._recent if at >= t_s - STEADY_S]
        if len(tail) < 8 or self._recent[0][0] > t_s - STEADY_S or min(tail) < 0.7 * self.low:
            return None
        over = [rpm > (self.low + self.high) / 2 for rpm in tail]
        crossings = sum(a != b for a, b in pairwise(over))
        if crossings < 4 or max(tail) <= self.high or min(tail) >= self.low:
            return None
        return self._speed(
            f"The engine hunts between {min(tail):.0f} and {max(tail):.0f} rpm and never stays within {self.low:.0f} to "
            f"{self.high:.0f} rpm.",
            "engine speed hunts",
        )

    def not_reached(self) -> Objection:
        """The engine never came to full throttle."""
        seen = max((rpm for _, rpm in self._recent), default=None)
        tail = "no engine speed was read" if seen is None else f"the highest lately was {seen:.0f} rpm"
        half = ""
        if seen is not None and self.low / 2 * 0.97 <= seen <= self.high / 2 * 1.03:
            half = (
                " That is just half: if the engine sounded wide open, the tachometer's pulses per revolution are wrong."
            )
        return self._speed(
            f"Full throttle ({self.low:.0f} to {self.high:.0f} rpm) was never reached; {tail}.{half}",
            "full throttle never reached",
        )

    def _speed(self, reason: str, because: str) -> Objection:
        return Objection(
            Outcome.VOID,
            Suspect.ENGINE_SPEED,
            reason,
            because,
            "Set the engine's governed speed by its manual (or open the throttle fully), then run again.",
        )
