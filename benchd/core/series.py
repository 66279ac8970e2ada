"""Means and lines of readings that follow one another in time: correlated, and rounded by a display.

Governor hunting and regulator ripple make sixty readings worth fewer than sixty; a display that repeats its digits
has zero variance but not zero uncertainty. Both are counted here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.core import budget
from benchd.core.budget import Component

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mean:
    """Mean of a series with its standard uncertainty (scatter of the mean and rounding)."""

    value: float
    u: float
    dof: float
    n_eff: float


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope x with standard uncertainties; `u_level` is the rounding common to all readings."""

    intercept: float
    slope: float
    u_intercept: float
    u_slope: float
    covariance: float
    residual_sd: float
    dof: float
    n_eff: float
    u_level: float = 0.0


def _floats(values: ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)


def median(values: ArrayLike) -> float:
    """numpy's median of a flat series, many times as fast where it is short; NaN for an empty one."""
    ordered = np.sort(_floats(values))
    n = ordered.size
    if n == 0 or math.isnan(ordered[-1]):  # NaN is sorted to the end
        return math.nan
    high = float(ordered[n // 2])
    return high if n % 2 else (float(ordered[n // 2 - 1]) + high) / 2


def deviation(values: Floats) -> float:
    """Standard deviation of the readings about their own mean (n - 1), as numpy's; two of them or more."""
    centred = values - np.add.reduce(values) / values.size
    return math.sqrt(float(np.add.reduce(centred * centred)) / (values.size - 1))


def autocorrelation(x: ArrayLike) -> Floats:
    """Autocorrelation at lag 0, 1, 2 ... n-1 (biased estimate); 1, 0, 0 ... for a constant series."""
    values = _floats(x)
    n = values.size
    centred = values - np.add.reduce(values) / n
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    covariance: Floats = np.fft.irfft(spectrum * spectrum.conj(), size)[:n]
    # Under a billionth of the values themselves it is the arithmetic's rounding, not a movement.
    if covariance[0] <= 1e-18 * float(values @ values):
        return np.asarray(np.arange(n) == 0, dtype=np.float64)
    found: Floats = covariance / covariance[0]
    return found


def effective_size(x: ArrayLike, fitted: int = 1) -> float:
    """How many independent readings a series is worth: n / (1 + 2 sum of autocorrelations), between 1 and n.

    The sum runs over the initial positive, monotone sequence of pairs of lags (Geyer 1992), so that the noise of far
    lags stays out. `fitted` is the number of parameters taken out of the series before (1 for its own mean): each
    hides some of the correlation, which is put back. A constant series is worth n.
    """
    n = int(np.size(x))
    if n < 4:
        return float(n)
    lags = max(2, n // 2 - n // 2 % 2)
    rho = (autocorrelation(x)[:lags] * n / (n - np.arange(lags))).tolist()
    inefficiency = 1.0
    for _ in range(6):
        # Taking out a mean takes its variance, inefficiency/n of the whole, from the covariance at every lag.
        hidden = min(0.8, fitted * inefficiency / n) if inefficiency > 1 else 0.0
        kept = _falling_pairs(rho, hidden)
        before, inefficiency = inefficiency, max(1.0, 2 * float(np.add.reduce(kept)) - 1)
        if abs(inefficiency - before) < 0.01:
            break
    return n / min(float(n), inefficiency)


def _falling_pairs(rho: Sequence[float], hidden: float) -> Floats:
    """Sums of pairs of lags up to the first that is not above 0, none above the one before it. A plain loop: it ends
    after a few pairs as a rule."""
    kept: list[float] = []
    least = math.inf
    for even, odd in zip(rho[::2], rho[1::2], strict=True):
        pair = (even * (1 - hidden) + hidden) + (odd * (1 - hidden) + hidden)
        if pair <= 0:
            break
        least = min(least, pair)
        kept.append(least)
    return np.asarray(kept, dtype=np.float64)


def noise(x: ArrayLike, resolution: float | None = None) -> float:
    """Short-term standard deviation from successive differences, robust to steps and slow drift.

    Never below the rounding of the display; without a resolution the smallest step seen stands for it.
    """
    steps = np.abs(np.diff(_floats(x)))
    if steps.size == 0:
        return math.inf if resolution is None else budget.display(resolution)
    spread = float(np.median(steps)) * 1.4826 / math.sqrt(2)
    if resolution is None:
        moved = steps[steps > 0]
        resolution = float(moved.min()) if moved.size and spread == 0 else 0.0
    return max(spread, budget.display(resolution))


def mean(x: ArrayLike, resolution: float | None = None) -> Mean:
    """Mean with the scatter of the effective size; q / sqrt 12 is common to all readings and is not averaged away.

    One reading, or equal readings, without a resolution: u = inf, not zero. ValueError for an empty series.
    """
    values = _floats(x)
    n = values.size
    if n == 0:
        raise ValueError("no readings to take the mean of")
    value, n_eff = float(values.mean()), effective_size(values)
    rounding = Component("display", budget.display(resolution or 0.0))
    if n == 1:
        return Mean(value, rounding.u or math.inf, math.inf, 1.0)
    # Correlated readings also hide part of their own variance: n - n/n_eff instead of n - 1 degrees of freedom.
    moved = float(np.ptp(values)) > 0  # equal readings leave only the arithmetic's rounding about their mean
    variance = float(np.sum((values - value) ** 2)) / max(n - n / n_eff, 1.0) if moved else 0.0
    scatter = Component("scatter", math.sqrt(variance / n_eff), max(1.0, n_eff - 1))
    u, dof = budget.combine([scatter, rounding])
    return Mean(value, u or math.inf, dof, n_eff)


def _dither(residual_sd: float, resolution: float) -> float:
    """Share of the rounding error that does not average out: exp(-2 pi^2 s^2/q^2), s the noise before rounding.

    First harmonic of a rounding quantiser under Gaussian noise; 1 for no noise, 0.007 at half a count.
    """
    before = max(0.0, residual_sd**2 - resolution**2 / 12)
    return math.exp(-2 * math.pi**2 * before / resolution**2)


def line(x: ArrayLike, y: ArrayLike, resolution_y: float | None = None, *, correlated: bool = True) -> Line:
    """Least-squares line; uncertainties are widened for correlated residuals and for the display's rounding.

    `correlated` False gives the textbook standard errors. ValueError for under three points or no spread of x.
    """
    xs, ys = _floats(x), _floats(y)
    n = xs.size
    if n < 3 or ys.size != n:
        raise ValueError(f"a line with its uncertainty needs three points or more, not {n} and {ys.size}")
    x_mean, y_mean = float(xs.mean()), float(ys.mean())
    dx = xs - x_mean
    sxx = float(dx @ dx)
    if sxx <= 0:
        raise ValueError("all points of a line have the same x")
    slope = float(dx @ (ys - y_mean)) / sxx
    residuals = ys - y_mean - slope * dx
    residual_sd = math.sqrt(float(residuals @ residuals) / (n - 2))
    n_eff = effective_size(residuals, fitted=2) if correlated else float(n)
    q = resolution_y or 0.0
    sd = max(residual_sd, budget.display(q))
    slope_variance = sd**2 * (n / n_eff) / sxx
    if q:
        # What rounding alone hides: either end of the window may be off by its own half count.
        slope_variance += (_dither(residual_sd, q) * budget.display(q)) ** 2 * 2 / float(np.ptp(xs)) ** 2
    return Line(
        intercept=y_mean - slope * x_mean,
        slope=slope,
        u_intercept=math.sqrt(sd**2 / n_eff + slope_variance * x_mean**2),
        u_slope=math.sqrt(slope_variance),
        covariance=-slope_variance * x_mean,
        residual_sd=residual_sd,
        dof=max(1.0, n_eff - 2),
        n_eff=n_eff,
        u_level=budget.display(q),
    )


def at(fitted: Line, x0: float) -> tuple[float, float]:
    """Value and standard uncertainty of the fitted line at x0 (rounding of the display included)."""
    variance = fitted.u_intercept**2 + 2 * x0 * fitted.covariance + (x0 * fitted.u_slope) ** 2 + fitted.u_level**2
    return fitted.intercept + fitted.slope * x0, math.sqrt(max(0.0, variance))


def flat(t: ArrayLike, x: ArrayLike, tolerance_per_s: float, resolution: float | None = None) -> float:
    """Probability that the series is steady: |slope| below the tolerance (units of x a second).

    0 for fewer than three points: nothing shows that it is steady.
    """
    if np.size(x) < 3:
        return 0.0
    fitted = line(t, x, resolution)
    if fitted.u_slope == 0:
        return float(abs(fitted.slope) < tolerance_per_s)
    return budget.probability_within(fitted.slope, fitted.u_slope, -tolerance_per_s, tolerance_per_s, fitted.dof)
