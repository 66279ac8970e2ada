"""Factors of control charts for samples of n = 2..25 from a normal distribution, worked out, not tabulated.

Definitions (Montgomery, Introduction to Statistical Quality Control, App. VI; ISO 7870-2): d2 and d3 are mean and standard
deviation of the range of n standard-normal values, c4 the mean of their standard deviation. Checked against a printed table and
against exact values in tests/outside/test_control_charts.py. Printed D3 and D4 come from rounded d2 and d3 and differ from these
by up to one unit in their last place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

LEAST_SIZE, MOST_SIZE = 2, 25
#: Median of the moving range of two standard-normal values: sqrt(2) times the upper quartile; tabulated as 0.954.
D4_MEDIAN = math.sqrt(2.0) * float(special.ndtri(0.75))
_WIDEST = 14.0  # no range of 25 standard-normal values is wider: P < 1e-21
_TAIL = 9.0


@dataclass(frozen=True, slots=True)
class Factors:
    """Of samples of `n` values; all without a unit."""

    n: int
    d2: float
    d3: float
    c4: float
    A2: float  # x-bar limits: centre +/- A2 R-bar
    A3: float  # x-bar limits: centre +/- A3 s-bar
    B3: float  # s limits: B3 s-bar, B4 s-bar
    B4: float
    D3: float  # R limits: D3 R-bar, D4 R-bar
    D4: float
    E2: float  # limits of single values: centre +/- E2 R-bar


def c4(n: int) -> float:
    """Mean of the standard deviation of n >= 2 standard-normal values: sqrt(2/(n-1)) G(n/2)/G((n-1)/2)."""
    if n < LEAST_SIZE:
        raise ValueError(f"a standard deviation needs {LEAST_SIZE} values, not {n}")
    if n > 10_000:  # differences of large logarithms lose digits: the series is better from here on
        dof = n - 1.0
        return 1.0 - 1.0 / (4.0 * dof) + 1.0 / (32.0 * dof * dof)
    return math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))


@cache
def factors(n: int) -> Factors:
    """The factors for samples of `n` values. ValueError outside 2..25: beyond, a range wastes most of what is known."""
    if not LEAST_SIZE <= n <= MOST_SIZE:
        raise ValueError(f"control chart factors are for samples of {LEAST_SIZE} to {MOST_SIZE} values, not {n}")
    d2, d3 = _range_moments(n)
    mean_sd = c4(n)
    spread = 3.0 * math.sqrt(1.0 - mean_sd * mean_sd) / mean_sd
    reach = 3.0 * d3 / d2
    return Factors(
        n, d2, d3, mean_sd,
        A2=3.0 / (d2 * math.sqrt(n)), A3=3.0 / (mean_sd * math.sqrt(n)),
        B3=max(0.0, 1.0 - spread), B4=1.0 + spread,
        D3=max(0.0, 1.0 - reach), D4=1.0 + reach, E2=3.0 / d2,
    )  # fmt: skip


def _range_moments(n: int) -> tuple[float, float]:
    """(mean, standard deviation) of the range W: P(W <= w) = n int phi(x) (Phi(x+w) - Phi(x))^(n-1) dx, E W = int P(W > w) dw,
    E W^2 = 2 int w P(W > w) dw."""
    nodes, weights = np.polynomial.legendre.leggauss(64)
    w, dw = (nodes + 1.0) * _WIDEST / 2.0, weights * _WIDEST / 2.0
    x, dx = np.linspace(-_TAIL, _TAIL, 501, retstep=True)  # of the least value: its density is gone beyond
    density = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    between = special.ndtr(x[None, :] + w[:, None]) - special.ndtr(x)[None, :]
    wider = 1.0 - n * float(dx) * (density * between ** (n - 1)).sum(axis=1)
    mean = float(dw @ wider)
    square = 2.0 * float(dw @ (w * wider))
    return mean, math.sqrt(square - mean * mean)


def dof_of(relative_variance: float) -> float:
    """Effective degrees of freedom of an unbiased estimate of a standard deviation whose variance is `relative_variance` times its
    square: that of a chi distribution with the same coefficient of variation (Patnaik 1950). The series 1/(2V) + 1/4 is good to
    3 % from 3 degrees of freedom on."""
    return 1.0 / (2.0 * relative_variance) + 0.25


def dof_mean_range(n: int, samples: int) -> float:
    """Of R-bar/d2 over `samples` samples of `n`."""
    one = factors(n)
    return dof_of((one.d3 / one.d2) ** 2 / samples)


def dof_mean_sd(n: int, samples: int) -> float:
    """Of s-bar/c4 over `samples` samples of `n`."""
    return dof_of((1.0 / c4(n) ** 2 - 1.0) / samples)


def dof_mean_moving_range(values: int) -> float:
    """Of the mean moving range of two over d2, of `values` >= 2 values: about 0.6 a value, since neighbouring ranges share one.

    Their covariance from E|U||V| = (2/pi)(sqrt(1-r^2) + r asin r) of normal values with correlation r = -1/2.
    """
    ranges = values - 1
    square = (4.0 / math.pi) * (math.sqrt(0.75) + 0.5 * math.asin(0.5))
    mean = 2.0 / math.sqrt(math.pi)
    variance, shared = 2.0 - mean * mean, square - mean * mean
    return dof_of((ranges * variance + 2.0 * (ranges - 1) * shared) / (ranges * mean) ** 2)


def dof_median_moving_range(values: int) -> float:
    """Of the median moving range over D4_MEDIAN: about 0.31 a value, by simulation (4,000 x 400 normal values)."""
    return max(1.0, 0.31 * values)
