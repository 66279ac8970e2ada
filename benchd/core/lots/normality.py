"""Are values normally distributed? Anderson-Darling with mean and standard deviation estimated from the same values.

D'Agostino & Stephens, Goodness-of-Fit Techniques (1986), table 4.9 (case 3): A*2 = A2 (1 + 0.75/n + 2.25/n2) and its p in four
pieces. Checked against statsmodels in tests/outside/test_capability.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

LEAST = 8  # the approximation of p holds from here on
#: From so many values on the test finds departures that no limit would notice.
MANY = 5_000
ALPHA = 0.05
_LARGEST = 13.0  # the published pieces end here, at p = 1e-30: beyond, p is given as 0


@dataclass(frozen=True, slots=True)
class Normality:
    """`statistic`: the adjusted A*2. `p`: how often normal values would look no better than these. `normal`: p >= alpha. All three None
    where there are fewer than LEAST values or all are alike. `says`: a sentence."""

    test: str
    statistic: float | None
    p: float | None
    n: int
    normal: bool | None
    says: str


def normality(values: ArrayLike, *, alpha: float = ALPHA, sorted_already: bool = False) -> Normality:
    """The test of values (n,), finite. 1,000,000 take about 0.2 s."""
    data = np.asarray(values, np.float64)
    n = len(data)
    test = "Anderson-Darling, mean and standard deviation estimated"
    if n < LEAST:
        return Normality(
            test, None, None, n, None, f"not tested for a normal distribution: {n} values, at least {LEAST}"
        )
    data = data if sorted_already else np.sort(data)
    sd = float(data.std(ddof=1))
    if data[-1] - data[0] <= 1e-9 * abs(float(data[-1])) or sd == 0.0:
        return Normality(test, None, None, n, None, "not tested for a normal distribution: all values are alike")
    statistic = _adjusted((data - data.mean()) / sd)
    p = _p(statistic)
    return Normality(test, statistic, p, n, p >= alpha, _says(data, p, alpha))


def _adjusted(z: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    n = len(z)
    place = 2.0 * np.arange(1, n + 1) - 1.0
    square = -n - float((place * (special.log_ndtr(z) + special.log_ndtr(-z[::-1]))).sum()) / n
    return square * (1.0 + 0.75 / n + 2.25 / (n * n))


def _p(a: float) -> float:
    if a >= _LARGEST:
        return 0.0
    if a >= 0.6:
        return math.exp(1.2937 - 5.709 * a + 0.0186 * a * a)
    if a >= 0.34:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    if a >= 0.2:
        return 1.0 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    return 1.0 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)


def _says(data: np.ndarray[tuple[int, ...], np.dtype[np.float64]], p: float, alpha: float) -> str:
    shown = f"p = {p:.3f}" if p >= 0.001 else "p < 0.001"
    n = len(data)
    if p >= alpha:
        return f"nothing speaks against a normal distribution (Anderson-Darling, {shown}, {n} values)"
    says = f"not normally distributed (Anderson-Darling, {shown}, {n} values)"
    steps = 1 + int(np.count_nonzero(np.diff(data)))
    if steps <= max(LEAST, n // 20) and steps <= 60:
        says += f"; the values come in only {steps} steps, and a coarse display alone can do that"
    elif n >= MANY:
        says += "; with so many values the test sees even departures that are too small to matter for any limit"
    return says
