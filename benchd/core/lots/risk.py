"""Consumer's and producer's risk of passing and not passing units: JCGM 106, clause 9 (global risk), and guard bands.

Consumer's risk: probability that a unit is accepted and does not conform; producer's: that it is not accepted and does. `prior` is
how the true values of units are spread before they are measured. Accepted is what lies within the acceptance interval; under
benchd's guarded acceptance that interval is the tolerance interval moved inwards by `guard_of` (core/budget.py decides the same).
Undecided is not accepted. ILAC-G8's guard bands are w = r * U; 0 is simple acceptance as ILAC-G8 means it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from benchd.core.budget import one_sided_factor
from benchd.core.lots.risk_spread import Spread, own_spread, probabilities, spread_of
from benchd.core.specs import Rule

Floats = NDArray[np.float64]
Density = Callable[[Floats], Floats]
NODES = 100  # of Gauss-Legendre quadrature a piece: risks to 1e-9 of smooth priors
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
    nodes, weights = _legendre()
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


@cache
def _legendre() -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return nodes, weights


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


def guard_of(rule: Rule, risk: float, u: float, low: float | None = None, high: float | None = None) -> float:
    """How far a rule moves every limit inwards for what it passes (budget.decide): guarded and benchd's simple acceptance pass what
    conforms with probability 1 - risk; under guarded rejection all passes that is not outside. inf: nothing can pass.

    Of one limit, or of two that are far apart, one_sided_factor * u (ISO 14253-1: 1.65 u); more between two that are near, since
    the value may lie beyond either.
    """
    if rule is Rule.GUARDED_REJECTION:
        return 0.0
    single = max(one_sided_factor(math.inf, risk), 0.0)
    half = math.inf if low is None or high is None else (high - low) / (2 * u)
    if half > single + REACH:
        return single * u
    if special.ndtr(half) - special.ndtr(-half) < 1 - risk:
        return math.inf
    inside, outside = 0.0, half  # distances from the middle
    for _ in range(60):
        middle = (inside + outside) / 2
        if special.ndtr(half - middle) - special.ndtr(-half - middle) >= 1 - risk:
            inside = middle
        else:
            outside = middle
    return float(half - inside) * u


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
    """By measured values (n,) and their standard uncertainties (n,) in one unit; what is not finite does not count.

    The true values' spread is the observed one less the measurement's (risk_spread.spread_of); errors are taken as independent from
    unit to unit, so an error that all units share (one meter's) is judged as if it varied. Uncertainties that differ count as seven
    classes.
    """
    data, each = np.asarray(values, np.float64), np.asarray(u, np.float64)
    if low is None and high is None:
        return LotRisk(0.0, 0.0, 1.0, None, "No limit, so no risk")
    measured = np.isfinite(data)
    known = measured & np.isfinite(each) & (each > 0)
    many, left = int(known.sum()), int(measured.sum() - known.sum())
    if not many and left:
        return _unknown("The measurement's uncertainty is not known, so no risk is")
    if many < LEAST_UNITS:
        return _unknown(f"{many} units show no spread: {LEAST_UNITS} are wanted")
    spread = spread_of(data[known], each[known])
    return _told(spread, _classes(each[known]), low, high, (rule, risk), unit, left)


def moments_risk(
    n: int,
    mean: float,
    sd: float,
    u: float | None,
    low: float | None,
    high: float | None,
    rule: Rule,
    risk: float = 0.05,
    unit: str = "",
) -> LotRisk:
    """The same where only the mean, the observed standard deviation and a typical u of n units are known: taken as normal."""
    if low is None and high is None:
        return LotRisk(0.0, 0.0, 1.0, None, "No limit, so no risk")
    if n < LEAST_UNITS:
        return _unknown(f"{n} units show no spread: {LEAST_UNITS} are wanted")
    if u is None or not (math.isfinite(u) and u > 0):
        return _unknown("The measurement's uncertainty is not known, so no risk is")
    own, hidden = own_spread(sd, u)
    spread = Spread(np.array([mean]), np.array([own]), np.ones(1), u, hidden)
    return _told(spread, [(u, 1.0)], low, high, (rule, risk), unit, 0)


def _unknown(says: str) -> LotRisk:
    return LotRisk(None, None, None, None, says)


def _classes(u: Floats) -> list[tuple[float, float]]:
    """(a typical u, part of all units) of seven classes by size; one where all are nearly alike."""
    if float(u.max()) <= 1.02 * float(u.min()):
        return [(float(np.sqrt(np.mean(u**2))), 1.0)]
    return [(float(np.median(one)), len(one) / len(u)) for one in np.array_split(np.sort(u), 7)]


def _told(
    spread: Spread,
    classes: Sequence[tuple[float, float]],
    low: float | None,
    high: float | None,
    by: tuple[Rule, float],
    unit: str,
    left: int,
) -> LotRisk:
    found = np.zeros(4)
    for u, part in classes:
        width = guard_of(*by, u, low, high)
        found += part * probabilities(spread, u, low, high, (width, width))
    consumer, producer, good, _ = found.tolist()
    width = guard_of(*by, spread.u, low, high)
    return LotRisk(
        consumer, producer, good, width if math.isfinite(width) else None,
        _sentence(consumer, producer, width, unit) + _remarks(spread, left),
    )  # fmt: skip


def _sentence(consumer: float, producer: float, width: float, unit: str) -> str:
    if math.isinf(width):
        limits = "the limits are too near to each other for this measurement: hardly a unit can be passed"
    elif width == 0:
        limits = "limits as they are"
    else:
        limits = f"limits moved inwards by {f'{width:.3g} {unit}'.strip()}"
    return (
        f"Of 10 000 units {_of(consumer)} would be passed though outside, {_of(producer)} not passed though inside "
        f"({limits})"
    )


def _remarks(spread: Spread, left: int) -> str:
    said = ""
    if spread.hidden:
        said += "; the measurement explains nearly all of the spread that is seen, so the units' own is not known well"
    if not spread.normal:
        said += "; by the spread as it was seen, not by a normal one"
    if spread.apart:
        said += f"; {spread.apart} unit{'s' * (spread.apart != 1)} far from all others counted where seen"
    if left:
        said += f"; {left} unit{'s' * (left != 1)} without a known uncertainty left out"
    return said


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
