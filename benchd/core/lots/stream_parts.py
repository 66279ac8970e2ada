"""What can be kept of a stream of values in one pass: moments, a fine histogram, which serials were met."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(slots=True)
class Moments:
    """Mean and sums of powers 2 to 4 about it, merged block by block (Chan, Golub & LeVeque 1983; higher powers: Pebay 2008)."""

    n: int = 0
    mean: float = 0.0
    second: float = 0.0
    third: float = 0.0
    fourth: float = 0.0
    least: float = math.inf
    most: float = -math.inf

    def add(self, values: Floats) -> None:
        if not len(values):
            return
        mean = float(values.mean())
        left = values - mean
        square = left * left
        block = Moments(
            len(values), mean, float(square.sum()), float((square * left).sum()), float((square * square).sum()),
            float(values.min()), float(values.max()),
        )  # fmt: skip
        self.merge(block)

    def merge(self, other: Moments) -> None:
        a, b = self.n, other.n
        if b == 0:
            return
        n, gap = a + b, other.mean - self.mean if a else 0.0
        part = gap * b / n
        fourth = (
            self.fourth + other.fourth + gap * gap * part * part * a * (a * a - a * b + b * b) / (b * n)
            + 6.0 * gap * gap * (a * a * other.second + b * b * self.second) / (n * n)
            + 4.0 * gap * (a * other.third - b * self.third) / n
        ) if a else other.fourth  # fmt: skip
        third = (
            self.third + other.third + gap * part * part * a * (a - b) / b
            + 3.0 * gap * (a * other.second - b * self.second) / n
        ) if a else other.third  # fmt: skip
        self.second += other.second + gap * part * a
        self.mean = self.mean + part if a else other.mean
        self.n, self.third, self.fourth = n, third, fourth
        self.least, self.most = min(self.least, other.least), max(self.most, other.most)

    @property
    def variance(self) -> float:
        return self.second / (self.n - 1) if self.n > 1 else 0.0

    @property
    def alike(self) -> bool:
        return self.n == 0 or self.least == self.most

    def body(self) -> dict[str, float | int | None]:
        """As in a report, without the median."""
        if self.n == 0:
            return dict.fromkeys(("mean", "sd", "min", "max", "kurtosis")) | {"n": 0}
        known = self.n > 3 and not self.alike and self.second > 0.0
        return {
            "n": self.n, "mean": self.least if self.alike else self.mean,
            "sd": None if self.n < 2 else 0.0 if self.alike else math.sqrt(self.variance),
            "min": self.least, "max": self.most,
            "kurtosis": self.n * self.fourth / (self.second * self.second) if known else None,
        }  # fmt: skip


@dataclass(slots=True)
class FineHistogram:
    """Counts in bins of one width, only of those that hold any; the width doubles when there are more than MOST of them. It begins
    as the quartile distance of the first block over 4,096, about a three thousandth of a standard deviation."""

    MOST = 32_768
    _LARGEST = float(1 << 52)  # bins are counted in whole numbers
    width: float = 0.0
    bins: Integers = field(default_factory=lambda: np.empty(0, np.int64))
    counts: Integers = field(default_factory=lambda: np.empty(0, np.int64))
    least: float = math.inf
    most: float = -math.inf

    def add(self, values: Floats) -> None:
        if not len(values):
            return
        self.least, self.most = min(self.least, float(values.min())), max(self.most, float(values.max()))
        if self.width == 0.0:
            lower, middle, upper = np.percentile(values, (25.0, 50.0, 75.0))
            width = (upper - lower) / 4096.0 if upper > lower else max(abs(middle), 1e-6) * 2.0**-40
            self.width = 2.0 ** math.floor(math.log2(width))
        beyond = max(abs(self.least), abs(self.most)) / (self.width * self._LARGEST)
        if beyond > 1.0:
            self._widen(math.ceil(math.log2(beyond)))
        self._merge(*np.unique(np.floor(values / self.width).astype(np.int64), return_counts=True))
        while len(self.bins) > self.MOST:
            self._widen(1)

    def _widen(self, doublings: int) -> None:
        self.width *= 2.0**doublings
        bins, counts = self.bins >> min(doublings, 62), self.counts
        self.bins, self.counts = np.empty(0, np.int64), np.empty(0, np.int64)
        if len(bins):
            self._merge(bins, counts)

    def _merge(self, bins: Integers, counts: Integers) -> None:
        bins, counts = np.concatenate([self.bins, bins]), np.concatenate([self.counts, counts])
        order = np.argsort(bins, kind="stable")
        bins, counts = bins[order], counts[order]
        start = np.flatnonzero(np.diff(bins, prepend=bins[0] - 1))
        self.bins, self.counts = bins[start], np.add.reduceat(counts, start)

    def values(self) -> Floats:
        """As many values as were added, in rising order, spread evenly within their bins and kept between the true extremes."""
        if not len(self.bins):
            return np.empty(0)
        n = int(self.counts.sum())
        first = np.cumsum(self.counts) - self.counts
        within = (np.arange(n) - np.repeat(first, self.counts) + 0.5) / np.repeat(self.counts, self.counts)
        found = np.clip((np.repeat(self.bins, self.counts) + within) * self.width, self.least, self.most)
        found[0], found[-1] = self.least, self.most
        return found

    def median(self) -> float | None:
        found = self.values()
        n = len(found)
        return float(found[(n - 1) // 2] + found[n // 2]) / 2.0 if n else None


@dataclass(slots=True)
class _Run:
    keys: Integers
    last: NDArray[np.int8]
    again: Flags


@dataclass(slots=True)
class Seen:
    """Serials (units.serial_key) that were judged, with each one's last verdict and whether it was judged again: ten bytes a unit, in
    sorted runs that are merged as they come to the same size."""

    runs: list[_Run] = field(default_factory=list)

    def add(self, serial: Integers, verdict: Integers) -> Flags:
        """(n,) which of these judged tests, in order of time, are the first of their unit."""
        order = np.argsort(serial, kind="stable")
        ordered = serial[order]
        start = np.ones(len(serial), bool)
        start[1:] = ordered[1:] != ordered[:-1]
        end = np.ones(len(serial), bool)
        end[:-1] = start[1:]
        keys, last = ordered[start], verdict[order][end].astype(np.int8)
        again = np.diff(np.flatnonzero(np.append(start, True))) > 1
        new = np.ones(len(keys), bool)
        for run in self.runs:
            at = np.minimum(np.searchsorted(run.keys, keys), len(run.keys) - 1)
            known = run.keys[at] == keys
            run.last[at[known]], run.again[at[known]] = last[known], True
            new &= ~known
        found = np.zeros(len(serial), bool)
        found[order[start][new]] = True
        if new.any():
            self.runs.append(_Run(keys[new], last[new], again[new]))
            self._tidy()
        return found

    def _tidy(self) -> None:
        while len(self.runs) > 1 and len(self.runs[-2].keys) <= 2 * len(self.runs[-1].keys):
            one, other = self.runs.pop(), self.runs.pop()
            keys = np.concatenate([other.keys, one.keys])
            order = np.argsort(keys, kind="stable")
            last, again = np.concatenate([other.last, one.last]), np.concatenate([other.again, one.again])
            self.runs.append(_Run(keys[order], last[order], again[order]))

    def __len__(self) -> int:
        return sum(len(run.keys) for run in self.runs)

    def last_verdicts(self, kinds: int) -> Integers:
        """(kinds,) units by their last judged verdict."""
        return sum((np.bincount(run.last, minlength=kinds) for run in self.runs), np.zeros(kinds, np.int64))

    def retested(self) -> int:
        return sum(int(run.again.sum()) for run in self.runs)
