"""The saturating exponential: where a curve that settles will end, and how sure that is.

    y = offset + amplitude (1 - exp(-rate x))

Rising (amplitude > 0) as the volts of a battery on charge, falling (amplitude < 0) as its amps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import leastsq  # at the top: its import takes a third of a second, not to be spent in a run

from benchd.core import budget, series

Floats = NDArray[np.float64]

_RATES_TRIED = 40

#: rate x span below which the points show only a straight line, and above which only a step.
_STRAIGHT = 2e-3
_STEP = 900.0

#: MINPACK's answers that are a solution: converged by its tolerances, or to all the digits there are (6 to 8).
_CONVERGED = frozenset({1, 2, 3, 4, 6, 7, 8})


@dataclass(frozen=True, slots=True, eq=False)
class Rise:
    """A fitted exponential. `covariance` is 3x3 in the order amplitude, rate, offset (zeros where offset is fixed).

    Standard errors are those of least squares, widened if asked for correlated residuals and rounding; `u_level` is
    the rounding common to all readings, part of `u_end` and `at`. They hold for a curve that is this exponential: a
    battery in bulk charge is not, see exponential_rise.
    """

    amplitude: float
    rate: float
    offset: float
    covariance: Floats
    residual_sd: float
    residual_ss: float
    dof: float
    u_level: float = 0.0

    @property
    def u_amplitude(self) -> float:
        return math.sqrt(self.covariance[0, 0])

    @property
    def u_rate(self) -> float:
        return math.sqrt(self.covariance[1, 1])

    @property
    def u_offset(self) -> float:
        return math.sqrt(self.covariance[2, 2])

    @property
    def time_constant(self) -> float:
        return 1 / self.rate

    @property
    def end(self) -> float:
        """Where the curve ends."""
        return self.offset + self.amplitude

    @property
    def u_end(self) -> float:
        return self._u_along(np.array([1.0, 0.0, 1.0]))

    def at(self, x: float) -> tuple[float, float]:
        """Value and standard uncertainty of the curve at x."""
        fallen = math.exp(-self.rate * x)
        gradient = np.array([1 - fallen, self.amplitude * x * fallen, 1.0])
        return self.offset + self.amplitude * (1 - fallen), self._u_along(gradient)

    def x_within(self, distance: float) -> float:
        """The x from which the curve is within `distance` of its end (0 if it always is)."""
        return max(0.0, math.log(max(abs(self.amplitude), 1e-300) / distance)) / self.rate

    def _u_along(self, gradient: Floats) -> float:
        return math.sqrt(max(0.0, float(gradient @ self.covariance @ gradient)) + self.u_level**2)


def exponential_rise(
    x: ArrayLike,
    y: ArrayLike,
    start: tuple[float, float] | None = None,
    *,
    with_offset: bool = False,
    correlated: bool = False,
    resolution: float | None = None,
) -> tuple[Rise | None, str]:
    """Fit of amplitude (1 - exp(-rate x)), with `with_offset` of offset + that: (fit, '') or (None, why not).

    `x` counts from about where the curve begins (a far origin costs digits).

    Do not ask it where a battery in bulk charge will end: the fast first rise fits well and ends at the plateau that
    follows, a volt below the real end, with an uncertainty of hundredths. Ask once the regulator regulates (amps
    falling), on the part of the curve since then.
    `start` (amplitude, rate) saves the search for one, as from the fit a moment ago; a poor one does no harm.
    `correlated` and `resolution` (one count of y) widen the standard errors.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    parameters = 3 if with_offset else 2
    if xs.size != ys.size or xs.size <= parameters:
        return None, f"{xs.size} points are too few for a curve of {parameters} parameters"
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        return None, "a point is not a finite number"
    span = float(np.ptp(xs)) if with_offset else float(np.max(np.abs(xs)))
    if span <= 0:
        return None, "all points have the same x"
    begin = _start(xs, ys, span, start, with_offset)
    # A sum of squares that is least at the slowest rate tried has its minimum at none: no use to search on.
    begin_span = math.exp(begin[1]) * span
    rate = _solve(xs, ys, begin, with_offset) if begin_span > _STRAIGHT else begin_span / span
    if rate is None:
        return None, "no curve fits: the points neither rise nor settle"
    if rate * span < _STRAIGHT:
        return None, "still a straight line, or bending away from one: the end cannot be told yet"
    if rate * span > _STEP:
        return None, "a step: it had settled before the second reading"
    return _finished(xs, ys, rate, with_offset, correlated, resolution)


def _amplitudes(xs: Floats, ys: Floats, rates: Floats, with_offset: bool) -> tuple[Floats, Floats, Floats]:
    """Best amplitude, offset and sum of squares at each of the rates: at a given rate the fit is linear."""
    rising = -np.expm1(-np.outer(rates, xs))
    x_mean = rising.mean(axis=1, keepdims=True) if with_offset else np.zeros((rates.size, 1))
    y_mean = float(ys.mean()) if with_offset else 0.0
    centred = rising - x_mean
    squares = np.einsum("ij,ij->i", centred, centred)
    amplitude = np.divide(centred @ (ys - y_mean), squares, out=np.zeros_like(squares), where=squares > 0)
    residuals = ys - y_mean - amplitude[:, None] * centred
    return amplitude, y_mean - amplitude * x_mean[:, 0], np.einsum("ij,ij->i", residuals, residuals)


def _start(
    xs: Floats, ys: Floats, span: float, start: tuple[float, float] | None, with_offset: bool
) -> tuple[float, float, float]:
    """Amplitude, log of the rate and offset to begin from: the given start's neighbourhood if the sum of squares has
    a minimum there, else the best of a grid over all rates that the points can show."""
    low, high = math.log(_STRAIGHT / 2 / span), math.log(_STEP / span)
    grids: list[Floats] = [np.linspace(low, high, _RATES_TRIED)]
    if start is not None and start[1] > 0 and low < math.log(start[1]) < high:
        grids.insert(0, math.log(start[1]) + np.array([-0.3, -0.15, 0.0, 0.15, 0.3]))
    for logs in grids:
        amplitude, offset, sums = _amplitudes(xs, ys, np.exp(logs), with_offset)
        best = int(np.argmin(sums))
        if 0 < best < logs.size - 1:
            break
    return float(amplitude[best]), float(logs[best]), float(offset[best])


def _solve(xs: Floats, ys: Floats, start: tuple[float, float, float], with_offset: bool) -> float | None:
    """The rate of least squares (Levenberg-Marquardt), or None where it does not converge."""
    size = 3 if with_offset else 2

    def residuals(p: Floats) -> Floats:
        found: Floats = (p[2] if with_offset else 0.0) - p[0] * np.expm1(-math.exp(p[1]) * xs) - ys
        return found

    def jacobian(p: Floats) -> Floats:
        return _jacobian(xs, p[0], math.exp(p[1]), with_offset, per_rate=math.exp(p[1]))

    with np.errstate(over="ignore", invalid="ignore"):
        try:
            # full_output keeps it from warning on its own: the status says it.
            answer = leastsq(
                residuals, start[:size], Dfun=jacobian, full_output=True, ftol=1e-14, xtol=1e-14, maxfev=200
            )
        except OverflowError:
            return None
    found, status = answer[0], answer[-1]
    if status not in _CONVERGED or not np.isfinite(found).all() or found[1] > 700:
        return None
    return math.exp(float(found[1]))


def _jacobian(xs: Floats, amplitude: float, rate: float, with_offset: bool, per_rate: float = 1.0) -> Floats:
    fallen = np.exp(-rate * xs)
    columns = [1 - fallen, amplitude * xs * fallen * per_rate]
    return np.column_stack([*columns, np.ones_like(xs)] if with_offset else columns)


def _finished(
    xs: Floats, ys: Floats, rate: float, with_offset: bool, correlated: bool, resolution: float | None
) -> tuple[Rise | None, str]:
    """The fit with its standard errors, from the Jacobian at the solution."""
    amplitudes, offsets, sums = _amplitudes(xs, ys, np.array([rate]), with_offset)
    amplitude, offset, residual_ss = float(amplitudes[0]), float(offsets[0]), float(sums[0])
    jacobian = _jacobian(xs, amplitude, rate, with_offset)
    residuals = ys - offset + amplitude * np.expm1(-rate * xs)
    scale = np.linalg.norm(jacobian, axis=0)
    if not (scale > 0).all():
        return None, "the points say nothing of the rate"
    _, r = np.linalg.qr(jacobian / scale)
    if abs(np.diag(r)).min() < 1e-9:
        return None, "the points do not tell the end from the rate"
    inverse = np.linalg.inv(r)
    unscaled = (inverse @ inverse.T) / np.outer(scale, scale)
    size = jacobian.shape[1]
    residual_sd = math.sqrt(residual_ss / (xs.size - size))
    n_eff = series.effective_size(residuals, fitted=size) if correlated else float(xs.size)
    sd = max(residual_sd, budget.display(resolution or 0.0))
    covariance = np.zeros((3, 3))
    covariance[:size, :size] = unscaled * sd**2 * xs.size / n_eff
    dof = max(1.0, n_eff - size)
    return Rise(
        amplitude, rate, offset, covariance, residual_sd, residual_ss, dof, budget.display(resolution or 0.0)
    ), ""
