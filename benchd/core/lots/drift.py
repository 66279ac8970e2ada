"""Does a characteristic move along the lot? A slope that outliers do not turn, with an interval that knows of autocorrelation.

Theil-Sen: the median of the slopes between all pairs of values, with Sen's interval and the p of the Mann-Kendall test (Sen 1968; Kendall, Rank
Correlation Methods: var S with ties). Values that follow one another are often alike, and then n of them tell less than n: where the lag-1
autocorrelation r of the ranks of what the line leaves is clearly above 0, var S is multiplied by (1 + r)/(1 - r), as the variance of a mean of
such values is (Bayley & Hammersley 1946; of S: Yue & Wang 2004). Above MOST values, medians of neighbours stand for them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from benchd.core.lots.words import p_shown, shown, span

Floats = NDArray[np.float64]

#: Fewer values show no trend: the least p that 5 can reach is 0.03, of 4 it is 0.09.
LEAST = 8
#: So many values at most are compared pair by pair.
MOST = 400
PER = 100.0
_MOST_R = 0.95


@dataclass(frozen=True, slots=True)
class Drift:
    """In the characteristic's unit per 100 units of the lot, 95 % interval. All None with too few values. `over_lot`: the slope from
    the first unit to the last. `autocorrelation`: of what the line leaves. `says`: a sentence."""

    per_100: float | None
    low: float | None
    high: float | None
    p: float | None
    over_lot: float | None
    autocorrelation: float | None
    says: str


def drift(values: ArrayLike, places: ArrayLike | None = None, *, unit: str = "", confidence: float = 0.95) -> Drift:
    """Of values (n,) at `places` (n,) in the lot, rising (None: 0, 1, 2 ...). Values that are no numbers are left out."""
    data = np.asarray(values, np.float64)
    place = np.arange(len(data), dtype=np.float64) if places is None else np.asarray(places, np.float64)
    good = np.isfinite(data)
    data, place = data[good], place[good]
    if len(data) < LEAST:
        return _nothing(f"{len(data)} units: a drift along the lot cannot be seen in fewer than {LEAST}")
    y, x = _thinned(data), _thinned(place)
    if float(np.ptp(y)) == 0.0:
        return Drift(0.0, 0.0, 0.0, 1.0, 0.0, None, "all values are alike: no drift along the lot")
    slopes, s, variance = _pairs(x, y)
    count = len(slopes)
    slopes.partition(((count - 1) // 2, count // 2))
    slope = float(slopes[(count - 1) // 2] + slopes[count // 2]) / 2.0
    r = _autocorrelation(y - slope * x)
    factor = (1.0 + r) / (1.0 - r) if r > _critical(len(y)) else 1.0
    spread = math.sqrt(variance * factor)
    p = 2.0 * float(special.ndtr(-max(0.0, abs(s) - 1.0) / spread))
    low, high = _interval(slopes, float(special.ndtri(0.5 + confidence / 2.0)) * spread)
    whole = slope * float(place[-1] - place[0])
    return Drift(
        slope * PER, low * PER, high * PER, p, whole, r, _says(slope * PER, low * PER, high * PER, p, r, factor, unit)
    )  # fmt: skip


def _nothing(says: str) -> Drift:
    return Drift(None, None, None, None, None, None, says)


def _thinned(data: Floats) -> Floats:
    """At most MOST values: medians of as many neighbours as it takes."""
    size = -(-len(data) // MOST)
    if size == 1:
        return data
    whole = len(data) // size
    found = np.median(data[: whole * size].reshape(whole, size), axis=1)
    return found if whole * size == len(data) else np.append(found, np.median(data[whole * size :]))


def _pairs(x: Floats, y: Floats) -> tuple[Floats, float, float]:
    """(slopes of all pairs, Kendall's S, its variance with ties)."""
    n = len(y)
    first, second = np.triu_indices(n, 1)
    rise = y[second] - y[first]
    slopes = rise / (x[second] - x[first])
    ties = np.unique(y, return_counts=True)[1].astype(np.float64)
    variance = (n * (n - 1.0) * (2.0 * n + 5.0) - float((ties * (ties - 1.0) * (2.0 * ties + 5.0)).sum())) / 18.0
    return slopes, float(np.sign(rise).sum()), variance


def _interval(slopes: Floats, reach: float) -> tuple[float, float]:
    """Sen's: the slopes at the ranks (N - C)/2 and (N + C)/2 + 1, counted from 1; the outermost where C asks for more."""
    count = len(slopes)
    lower = min(max(int((count - reach) // 2) - 1, 0), count - 1)
    upper = min(max(math.ceil((count + reach) / 2), 0), count - 1)
    parted = np.partition(slopes, (lower, upper))
    return float(parted[lower]), float(parted[upper])


def _autocorrelation(left: Floats) -> float:
    """At lag 1, of ranks."""
    _, place, count = np.unique(left, return_inverse=True, return_counts=True)
    rank = (np.cumsum(count) - 0.5 * count)[place]  # those that are alike share theirs
    rank -= rank.mean()
    square = float(rank @ rank)
    return min(_MOST_R, float(rank[1:] @ rank[:-1]) / square) if square else 0.0


def _critical(n: int) -> float:
    """The 5 % point of a lag-1 autocorrelation of n values that have none (Anderson 1942)."""
    return (-1.0 + 1.645 * math.sqrt(n - 2.0)) / (n - 1.0)


def _says(slope: float, low: float, high: float, p: float, r: float, factor: float, unit: str) -> str:
    """Whether the interval is on one side of 0 decides, so that sentence and interval agree."""
    within = f"95 % interval {span(low, high, unit)}"
    if low > 0.0 or high < 0.0:
        says = f"drifts by {shown(slope, unit)} per {PER:g} units ({within}, {p_shown(p)})"
    else:
        says = f"no drift along the lot can be seen ({shown(slope, unit)} per {PER:g} units, {within}, {p_shown(p)})"
    if factor > 1.0:
        says += f"; neighbours are alike (autocorrelation {r:.2f}), and the interval is {math.sqrt(factor):.1f} times as wide for it"
    return says
