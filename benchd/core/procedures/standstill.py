"""Digits that stand still although they moved all the time before: a meter on hold that does not say so (trap 14)."""

from __future__ import annotations

import math
from collections import deque

STILL_READINGS = 30
STILL_S = 20.0
# Of the readings before, turned back up or down by more than one digit: jitter that does not stop by chance. A smooth
# curve may stop, and so may a display that flips between two digits.
LIVELY = 0.2
MORE_THAN_A_DIGIT = 1.5
HISTORY = 60
LEAST_HISTORY = 15


class Standstill:
    """Follows one channel's displayed values while the engine runs."""

    def __init__(self) -> None:
        self._value: float | None = None
        self._since_s = 0.0
        self._row = 0
        self._turns: deque[bool] = deque(maxlen=HISTORY)
        self._rising: bool | None = None
        self._digit = math.inf  # the smallest step seen
        self._ever_moved = False

    def feed(self, t_s: float, value: float) -> None:
        if value == self._value:
            self._row += 1
            return
        if self._value is not None:
            rising, step = value > self._value, abs(value - self._value)
            self._digit = min(self._digit, step)
            turned = self._rising is not None and rising != self._rising
            self._turns.extend([False] * min(self._row - 1, HISTORY))
            self._turns.append(turned and step > MORE_THAN_A_DIGIT * self._digit)
            self._rising, self._ever_moved = rising, True
        self._value, self._since_s, self._row = value, t_s, 1

    def still(self, t_s: float) -> bool:
        """Whether the digits stopped dead after a lively time."""
        if self._row < STILL_READINGS or t_s - self._since_s < STILL_S or len(self._turns) < LEAST_HISTORY:
            return False
        return sum(self._turns) >= LIVELY * len(self._turns)

    def never_moved(self, t_s: float, for_s: float) -> bool:
        """Whether every reading so far was the same, for at least so long."""
        return not self._ever_moved and self._row >= 8 and t_s - self._since_s >= for_s

    @property
    def value(self) -> float | None:
        return self._value
