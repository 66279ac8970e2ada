"""Control limits of single values in order of time: the individuals and moving range chart.

Factors for a moving range of two values: E2 = 3/d2 = 2.66 and D4 = 3.267, as tabulated (tests/outside/
test_history_limits.py has where they were read).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

E2, D4 = 2.66, 3.267
#: Below so many values the limits say nothing: they swing with every one that is added. Common practice, no source.
LEAST = 8


@dataclass(frozen=True, slots=True)
class Limits:
    """In the unit of the values. `range_high` is the most that two neighbours may differ by."""

    centre: float
    low: float
    high: float
    mean_range: float
    range_high: float
    values: int  # that they were made from

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


def limits_of(values: Sequence[float]) -> Limits | None:
    """The limits that these values set, in order of time; None where there are fewer than LEAST."""
    if len(values) < LEAST:
        return None
    centre = sum(values) / len(values)
    ranges = [abs(after - before) for before, after in pairwise(values)]
    mean_range = sum(ranges) / len(ranges)
    reach = E2 * mean_range
    return Limits(centre, centre - reach, centre + reach, mean_range, D4 * mean_range, len(values))
