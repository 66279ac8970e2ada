"""Consumer's and producer's risk of passing and not passing units: JCGM 106, clause 9 (global risk), and guard bands.

Consumer's risk: probability that a unit is accepted and does not conform; producer's: that it is not accepted and does. `prior` is
how the true values of units are spread before they are measured. Accepted is what lies within the acceptance interval; under
benchd's guarded acceptance that interval is the tolerance interval moved inwards by one_sided_factor(risk) * u (core/budget.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from benchd.core.budget import one_sided_factor
from benchd.core.specs import Rule

Floats = NDArray[np.float64]
Density = Callable[[Floats], Floats]
NODES = 400  # of Gauss-Legendre quadrature a piece: risks to 1e-9 of smooth priors
REACH = 9.0  # standard deviations: beyond lies less than 1e-18
LEAST_UNITS = 8


@dataclass(frozen=True, slots=True)
class Risk:
    """Probabilities. `good`: a unit conforms, measured or not; `accepted`: it is accepted. `consumer_given` of a bad unit among the
    accepted ones, `producer_given` of a good one among those not accepted; None where nothing is accepted, or all is."""

    consumer: float
    producer: float
    good: float
    accepted: float

    @property
    def consumer_given(self) -> float | None:
        return self.consumer / self.accepted if self.accepted > 0 else None

    @property
    def producer_given(self) -> float | None:
        return self.producer / (1 - self.accepted) if self.accepted < 1 else None


def normal(mean: float, sd: float) -> Density:
    """A normal prior. ValueError for sd <= 0."""
    if not sd > 0:
        raise ValueError(f"a spread is above zero, not {sd}")
    return lambda x: np.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * math.sqrt(2 * math.pi))


def gamma(shape: float, rate: float) -> Density:
    """A gamma prior for values above zero."""

    def density(x: Floats) -> Floats:
        safe = np.maximum(x, 1e-300)
        log = shape * math.log(rate) + (shape - 1) * np.log(safe) - rate * safe - math.lgamma(shape)
        return np.where(x > 0, np.exp(log), 0.0)

    return density


def global_risk(
    prior: Density,
    span: tuple[float, float],
    u: float,
    low: float | None,
    high: float | None,
    guard: tuple[float, float] = (0.0, 0.0),
) -> Risk:
    """Risks of a measurement with standard uncertainty `u` (normal). `span`: where the prior is not nothing; `guard`: how far the lower
    and the upper limit are moved inwards (negative: outwards). JCGM 106, 9.5.2 and 9.5.3. ValueError for u < 0 or no limit at all."""
    if low is None and high is None:
        raise ValueError("a risk needs a limit")
    if not u >= 0:
        raise ValueError(f"a standard uncertainty is not below zero: {u}")
    bottom = -math.inf if low is None else low
    top = math.inf if high is None else high
    accept_low, accept_high = bottom + guard[0], top - guard[1]
    ends = sorted(
        {span[0], span[1], *(one for one in (bottom, top, accept_low, accept_high) if span[0] < one < span[1])}
    )
    x, weight = _nodes(ends, u)
    density = prior(x) * weight
    if accept_low > accept_high:
        taken = np.zeros_like(x)
    elif u == 0:
        taken = ((x >= accept_low) & (x <= accept_high)).astype(float)
    else:
        taken = special.ndtr((accept_high - x) / u) - special.ndtr((accept_low - x) / u)
    conforms = (x >= bottom) & (x <= top)
    whole = float(density.sum())
    consumer = float((density * taken)[~conforms].sum())
    producer = float((density * (1 - taken))[conforms].sum())
    return Risk(
        consumer / whole,
        producer / whole,
        float(density[conforms].sum()) / whole,
        float((density * taken).sum()) / whole,
    )


def _nodes(ends: Sequence[float], u: float) -> tuple[Floats, Floats]:
    """Gauss-Legendre nodes and weights over every piece; pieces break where densities do, and at some u around the limits."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    cuts = sorted(
        {
            *ends,
            *(
                one + side * u * step
                for one in ends
                for side in (-1, 1)
                for step in (3, 8)
                if ends[0] < one + side * u * step < ends[-1]
            ),
        }
    )
    xs, ws = [], []
    for start, stop in pairwise(cuts):
        half = (stop - start) / 2
        xs.append(start + half * (nodes + 1))
        ws.append(half * weights)
    return np.concatenate(xs), np.concatenate(ws)


def guard_for(
    prior: Density, span: tuple[float, float], u: float, low: float | None, high: float | None, target: float
) -> float:
    """The guard band, the same at every limit, that holds the consumer's risk to `target`; 0 where it is held without one."""
    from scipy.optimize import brentq

    def over(width: float) -> float:
        return global_risk(prior, span, u, low, high, (width, width)).consumer - target

    if over(0.0) <= 0:
        return 0.0
    most = 10 * u if low is None or high is None else min(10 * u, (high - low) / 2)
    if over(most) > 0:
        raise ValueError(f"no guard band holds the consumer's risk to {target:g}")
    return float(brentq(over, 0.0, most, xtol=1e-12))


def guard_of(rule: Rule, risk: float, u: float) -> float:
    """How far a rule moves a limit inwards: guarded acceptance and benchd's simple acceptance pass what is surely inside."""
    width = one_sided_factor(math.inf, risk) * u
    return -width if rule is Rule.GUARDED_REJECTION else width


@dataclass(frozen=True, slots=True)
class LotRisk:
    """Risks of one characteristic in a lot, by the observed spread; all None, with the reason in `says`, where they cannot be known."""

    consumer: float | None
    producer: float | None
    good: float | None
    guard: float | None
    says: str


def lot_risk(
    values: ArrayLike,
    u: ArrayLike,
    low: float | None,
    high: float | None,
    rule: Rule,
    risk: float = 0.05,
    unit: str = "",
) -> LotRisk:
    """By values (n,) and their standard uncertainties (n,). The true values' spread is the observed one less the measurement's
    (JCGM 106, 7.1 and annex: variances subtract), taken as normal."""
    data, spread = np.asarray(values, np.float64), np.asarray(u, np.float64)
    seen = np.isfinite(data)
    data, spread = data[seen], spread[seen]
    spread = spread[np.isfinite(spread)]
    if low is None and high is None:
        return LotRisk(None, None, None, None, "No limit, so no risk")
    if len(data) < LEAST_UNITS:
        return LotRisk(None, None, None, None, f"{len(data)} units show no spread: {LEAST_UNITS} are wanted")
    if not len(spread):
        return LotRisk(None, None, None, None, "The measurement's uncertainty is not known, so no risk is")
    typical = float(np.sqrt(np.mean(spread**2)))
    observed = float(data.std(ddof=1))
    own = math.sqrt(max(observed**2 - typical**2, 0.0))
    floor = 0.1 * max(observed, typical)
    hidden = own < floor
    own = max(own, floor, 1e-12)
    mean = float(data.mean())
    width = guard_of(rule, risk, typical)
    found = global_risk(
        normal(mean, own), (mean - REACH * own, mean + REACH * own), typical, low, high,
        (0.0 if low is None else width, 0.0 if high is None else width),
    )  # fmt: skip
    says = (
        f"Of 10 000 units {_of(found.consumer)} would be passed though outside, {_of(found.producer)} not passed though inside "
        f"(limits moved inwards by {width:.3g} {unit})"
    )
    if hidden:
        says += "; the measurement explains nearly all of the spread that is seen, so the units' own is not known well"
    return LotRisk(found.consumer, found.producer, found.good, width, says)


def together(risks: Sequence[LotRisk]) -> tuple[float | None, float | None, str]:
    """(consumer's, producer's) risk of a whole unit as if its characteristics were independent, and a sentence. A unit is passed if
    every characteristic is; it is bad if one is."""
    known = [one for one in risks if one.consumer is not None]
    if not known or len(known) < len(risks):
        left = len(risks) - len(known)
        return (
            None,
            None,
            f"The risk of a whole unit is not known: that of {left or 'every'} characteristic{'s' * (left != 1)} is not",
        )
    passed = good = both = 1.0
    for one in known:
        assert one.consumer is not None
        assert one.producer is not None
        assert one.good is not None
        pass_and_good = one.good - one.producer
        both *= pass_and_good
        passed *= pass_and_good + one.consumer
        good *= one.good
    consumer, producer = max(passed - both, 0.0), max(good - both, 0.0)
    return (
        consumer,
        producer,
        f"Of 10 000 units {_of(consumer)} would be passed though bad, {_of(producer)} not passed though good, as if the characteristics "
        "were independent",
    )


def _of(probability: float) -> str:
    many = 1e4 * probability
    return "fewer than 1" if many < 0.5 else f"about {many:.0f}"
