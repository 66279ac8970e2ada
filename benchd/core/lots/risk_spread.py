"""How true values of a lot are spread behind the measured ones, and risks by that spread: exact, without quadrature.

A spread is a mixture of normal distributions; so every risk is a sum of bivariate normal probabilities of (true, measured), by
Owen's T function (Owen 1956, Annals of Mathematical Statistics 27, 1075). Checked against quadrature and against counts in
tests/core/test_lot_risk.py and tests/bench/lot_risk.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from benchd.core.lots.normality import LEAST, MANY, normality

Floats = NDArray[np.float64]
FAR = 5.0  # robust standard deviations from the median: such a unit is no part of the process that makes the others
LEAST_SHARE = 0.1  # of what is seen (or of u): the process' own spread is not taken for less
BAND = 0.9  # Silverman's factor of a kernel's width
_STEPS = 4.0  # bins a kernel's width
_REACH = 38.0  # standard deviations: beyond, a double holds no probability
_QUARTILES = 1.3489795003921634  # of a standard-normal value: upper less lower


@dataclass(frozen=True, slots=True)
class Spread:
    """A mixture of k normal distributions: `centres`, `sds`, `weights` (k,), the weights' sum 1. `hidden`: the measurement explains
    nearly all that is seen. `normal`: one normal distribution stands for the process. `u`: the measurement's, root mean square.
    `apart`: how many units lie far from all others."""

    centres: Floats
    sds: Floats
    weights: Floats
    u: float
    hidden: bool = False
    normal: bool = True
    apart: int = 0


def spread_of(values: Floats, u: Floats) -> Spread:
    """Of measured values (n,) with their standard uncertainties (n,), all finite, n >= LEAST.

    Variances subtract (JCGM 106, 7.1: measured = true + independent error): the process' own standard deviation is
    sqrt(observed^2 - mean u^2), not below LEAST_SHARE. It is taken as normal where nothing speaks against that; else, and of more
    than MANY values, as it was seen: every value drawn towards the mean until the variance is right, under a kernel. Values that are
    FAR from the median stay where they were seen.
    """
    middle = float(np.median(values))
    near = np.abs(values - middle) <= FAR * _robust(values)
    body = values[near]
    typical = float(np.sqrt(np.mean(u[near] ** 2)))
    own, hidden = own_spread(float(body.std(ddof=1)), typical)
    plain = len(body) <= MANY and (len(body) < LEAST or normality(body).normal is not False)
    width = BAND * min(own, _robust(body)) * len(body) ** -0.2
    if plain:
        centres, sds, counts = np.array([body.mean()]), np.array([own]), np.array([float(len(body))])
    else:
        drawn = math.sqrt(max(own * own - width * width, 0.0)) / float(body.std(ddof=1))
        centres, counts = _binned(body.mean() + drawn * (body - body.mean()), width / _STEPS)
        sds = np.full(len(centres), width)
    far, many = _binned(values[~near], width / _STEPS)
    return Spread(
        np.concatenate((centres, far)),
        np.concatenate((sds, np.full(len(far), width))),
        np.concatenate((counts, many)) / len(values),
        typical, hidden, plain, int((~near).sum()),
    )  # fmt: skip


def own_spread(observed: float, u: float) -> tuple[float, bool]:
    """(the process' own standard deviation, whether the measurement explains nearly all of the observed one)."""
    own = math.sqrt(max(observed * observed - u * u, 0.0))
    least = LEAST_SHARE * max(observed, u)
    return max(own, least, 1e-12), own < least


def _robust(values: Floats) -> float:
    """A standard deviation that outliers do not move: by quartiles, or the plain one where half of the values are alike."""
    low, high = np.percentile(values, (25.0, 75.0))
    found = float(high - low) / _QUARTILES
    return found if found > 0 else max(float(values.std()), 1e-12)


def _binned(values: Floats, step: float) -> tuple[Floats, Floats]:
    """(means, counts) of values in bins of a width."""
    if not len(values):
        return values, values
    _, place, counts = np.unique(np.rint(values / step), return_inverse=True, return_counts=True)
    return np.bincount(place, weights=values) / counts, counts.astype(float)


def probabilities(
    spread: Spread, u: float, low: float | None, high: float | None, guard: tuple[float, float] = (0.0, 0.0)
) -> Floats:
    """(consumer's risk, producer's risk, good, accepted) of a measurement with standard uncertainty u > 0; `guard` as in
    risk.global_risk. Absolute error below 1e-12."""
    bottom, top = -math.inf if low is None else low, math.inf if high is None else high
    sd, weights = spread.sds, spread.weights
    shown = np.hypot(sd, u)
    rho = sd / shown
    true_ends = [np.clip((end - spread.centres) / sd, -_REACH, _REACH) for end in (bottom, top)]
    good = float(weights @ (special.ndtr(true_ends[1]) - special.ndtr(true_ends[0])))
    ends = bottom + guard[0], top - guard[1]
    if not ends[0] <= ends[1]:
        return np.array([0.0, good, good, 0.0])
    shown_ends = [np.clip((end - spread.centres) / shown, -_REACH, _REACH) for end in ends]
    accepted = float(weights @ (special.ndtr(shown_ends[1]) - special.ndtr(shown_ends[0])))
    both = sum(
        (1.0 if i == j else -1.0) * float(weights @ _below(true_ends[i], shown_ends[j], rho))
        for i in (0, 1)
        for j in (0, 1)
    )
    return np.array([max(accepted - both, 0.0), max(good - both, 0.0), good, accepted])


def _below(h: Floats, k: Floats, rho: Floats) -> Floats:
    """P(X <= h and Y <= k) of standard-normal X, Y with a correlation below 1."""
    h, k = (np.where(np.abs(one) < 1e-12, 1e-12, one) for one in (h, k))
    root = np.sqrt((1.0 - rho) * (1.0 + rho))
    first = special.owens_t(h, (k - h * rho) / (h * root))
    second = special.owens_t(k, (h - k * rho) / (k * root))
    return np.asarray(0.5 * (special.ndtr(h) + special.ndtr(k)) - first - second - np.where(h * k < 0, 0.5, 0.0))
