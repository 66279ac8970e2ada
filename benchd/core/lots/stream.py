"""A lot of any size in one pass and little memory: blocks of Units in order of time go in, what can be said without all values at once
comes out.

Exact: counts, yields, modes, n, mean, sd, min, max, the individuals chart's limits (mean moving range, across the borders of blocks),
capability by the normal distribution, how many lie beyond the limits. From a histogram of BINS bins laid over the first block,
so good to a bin: the median and the percentiles. Not there: charts' signals, drift, comparisons; those want report.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.core.lots.capability import LEAST, Index, bissell_interval, chi_square_interval
from benchd.core.lots.factors import dof_mean_moving_range, factors
from benchd.core.lots.modes import TITLES
from benchd.core.lots.ranked import ranked
from benchd.core.lots.shares import share
from benchd.core.lots.units import VERDICTS, Units
from benchd.core.specs import Characteristic, PartSpec

BINS = 4096
REACH_SD = 12.0  # of the first block's mean: where the histogram ends
PASS, FAIL, UNDECIDED, VOID, OPEN = range(len(VERDICTS))


@dataclass(slots=True)
class Moments:
    """Of values as they come: n, mean and the sum of squares about it, merged block by block (Chan, Golub and LeVeque 1979)."""

    n: int = 0
    mean: float = 0.0
    squares: float = 0.0
    low: float = math.inf
    high: float = -math.inf

    def add(self, values: NDArray[np.float64]) -> None:
        n = len(values)
        if not n:
            return
        mean = float(values.mean())
        squares = float(((values - mean) ** 2).sum())
        gap, total = mean - self.mean, self.n + n
        self.squares += squares + gap * gap * self.n * n / total
        self.mean += gap * n / total
        self.n = total
        self.low, self.high = min(self.low, float(values.min())), max(self.high, float(values.max()))

    @property
    def sd(self) -> float | None:
        return math.sqrt(self.squares / (self.n - 1)) if self.n > 1 else None


class Column:
    """One characteristic."""

    def __init__(self, one: Characteristic) -> None:
        self.one, self.moments = one, Moments()
        self.beyond = [0, 0]
        self._ranges = 0.0
        self._last: float | None = None
        self._edges: NDArray[np.float64] | None = None
        self._counts = np.zeros(BINS + 2, np.int64)

    def add(self, values: NDArray[np.float64]) -> None:
        """First judged tests in order of time; NaN where it was not measured."""
        values = values[np.isfinite(values)]
        if not len(values):
            return
        if self._last is not None:
            self._ranges += abs(float(values[0]) - self._last)
        self._ranges += float(np.abs(np.diff(values)).sum())
        self._last = float(values[-1])
        self.moments.add(values)
        self.beyond[0] += 0 if self.one.low is None else int((values < self.one.low).sum())
        self.beyond[1] += 0 if self.one.high is None else int((values > self.one.high).sum())
        if self._edges is None:
            reach = REACH_SD * (float(values.std()) or 1e-9 + abs(float(values[0])) * 1e-9)
            middle = float(values.mean())
            self._edges = np.linspace(middle - reach, middle + reach, BINS + 1)
        place = np.searchsorted(self._edges, values, side="right")
        self._counts += np.bincount(place, minlength=BINS + 2)

    def body(self) -> dict[str, Any]:
        found, one = self.moments, self.one
        mean_range = self._ranges / (found.n - 1) if found.n > 1 else None
        within = None if mean_range is None else mean_range / factors(2).d2
        limits = (
            None
            if within is None
            else {"centre": found.mean, "low": found.mean - 3 * within, "high": found.mean + 3 * within}
        )
        return {
            "id": one.id, "title": one.title, "unit": one.unit, "low": one.low, "high": one.high, "n": found.n,
            "mean": found.mean if found.n else None, "sd": found.sd, "min": found.low if found.n else None,
            "max": found.high if found.n else None, "median": self.percentile(0.5), "beyond": {"low": self.beyond[0], "high": self.beyond[1]},
            "mean_moving_range": mean_range, "within_sd": within, "limits": limits, **self._capability(within),
        }  # fmt: skip

    def percentile(self, part: float) -> float | None:
        """By the histogram: the middle of the bin. None without values, or where it lies beyond the histogram."""
        if self._edges is None:
            return None
        place = int(np.searchsorted(np.cumsum(self._counts), part * self.moments.n))
        return None if place in (0, BINS + 1) else float((self._edges[place - 1] + self._edges[place]) / 2)

    def _capability(self, within: float | None) -> dict[str, Any]:
        n, overall = self.moments.n, self.moments.sd
        if n < LEAST or not within or not overall:
            return {"cp": None, "cpk": None, "pp": None, "ppk": None}
        dof = dof_mean_moving_range(n)
        cp, cpk = self._indices(within)
        pp, ppk = self._indices(overall)
        return {
            "cp": _told(None if cp is None else chi_square_interval(cp, dof)),
            "cpk": _told(None if cpk is None else bissell_interval(cpk, n, dof)),
            "pp": _told(None if pp is None else chi_square_interval(pp, n - 1)),
            "ppk": _told(None if ppk is None else bissell_interval(ppk, n, n - 1)),
        }

    def _indices(self, sd: float) -> tuple[float | None, float | None]:
        low, high, mean = self.one.low, self.one.high, self.moments.mean
        both = None if low is None or high is None else (high - low) / (6 * sd)
        sides = [(mean - low) / (3 * sd)] if low is not None else []
        sides += [(high - mean) / (3 * sd)] if high is not None else []
        return both, min(sides) if sides else None


class Stream:
    """`add` blocks of Units in order of time (any size), then `report`."""

    def __init__(self, spec: PartSpec) -> None:
        self.spec = spec
        self.columns = [Column(one) for one in spec.characteristics]
        self._serial = np.empty(0, np.int64)  # sorted: units judged so far
        self._last = np.empty(0, np.int64)  # their last verdicts
        self._tests = np.zeros(len(VERDICTS), np.int64)
        self._retests = self._first_passed = 0
        self._retested = np.empty(0, np.int64)
        self._modes: dict[str, int] = {}

    def add(self, block: Units) -> None:
        """ValueError where a characteristic of the spec has no column."""
        self._tests += np.bincount(block.verdict, minlength=len(VERDICTS))
        judged = block.judged()
        if not len(judged):
            return
        new = (judged.attempts() == 1) & ~_among(judged.serial, self._serial)
        first = judged.taken(new)
        again = judged.serial[~new]
        self._retests += len(again)
        self._retested = np.union1d(self._retested, again)
        self._first_passed += int((first.verdict == PASS).sum())
        for code, count in zip(*np.unique(first.mode[first.verdict != PASS], return_counts=True), strict=True):
            name = first.modes[int(code)]
            self._modes[name] = self._modes.get(name, 0) + int(count)
        for column in self.columns:
            column.add(first.column(column.one.id)[0])
        self._note_last(judged)

    def _note_last(self, judged: Units) -> None:
        serial = np.concatenate([self._serial, judged.serial])
        verdict = np.concatenate([self._last, judged.verdict])
        order = np.argsort(serial, kind="stable")
        serial, verdict = serial[order], verdict[order]
        newest = np.ones(len(serial), bool)
        newest[:-1] = serial[1:] != serial[:-1]
        self._serial, self._last = serial[newest], verdict[newest]

    def report(self) -> dict[str, Any]:
        """{"counts", "yield", "modes", "characteristics"} as in report.py, with what one pass can tell: see Column.body."""
        final = np.bincount(self._last, minlength=len(VERDICTS))
        units = len(self._serial)
        names = list(self._modes)
        return {
            "counts": {
                "tests": int(self._tests.sum()), "units": units, "passed": int(final[PASS]), "failed": int(final[FAIL]),
                "undecided": int(final[UNDECIDED]), "void": int(self._tests[VOID]), "open": int(self._tests[OPEN]),
                "retested": len(self._retested), "retests": self._retests, "first_passed": self._first_passed,
            },
            "yield": {
                "first_pass": asdict(share(self._first_passed, units)), "final": asdict(share(int(final[PASS]), units)),
            },
            "modes": [asdict(one) for one in ranked([self._modes[name] for name in names], names, TITLES)],
            "characteristics": [one.body() for one in self.columns],
        }  # fmt: skip


def streamed(blocks: Iterable[Units], spec: PartSpec) -> dict[str, Any]:
    """The report of a stream of blocks."""
    made = Stream(spec)
    for block in blocks:
        made.add(block)
    return made.report()


def _among(values: NDArray[np.int64], ordered: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which values are among ordered ones."""
    if not len(ordered):
        return np.zeros(len(values), bool)
    place = np.minimum(np.searchsorted(ordered, values), len(ordered) - 1)
    return np.asarray(ordered[place] == values, np.bool_)


def _told(found: Index | None) -> Mapping[str, float] | None:
    return None if found is None else asdict(found)
