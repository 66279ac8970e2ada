"""Standard uncertainties combined and expanded, and what they let a verdict say.

Combining and expanding: JCGM 100 (GUM) 5.1 and annex G. Probability of conformity: JCGM 106 clause 7. Decision
rules: ISO 14253-1, ILAC-G8. A standard uncertainty is never zero here: what is not known is `inf`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from scipy import special

from benchd.core.specs import Rule

Decision = Literal["pass", "fail", "undecided"]


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget: standard uncertainty, already multiplied by its sensitivity, in the result's unit."""

    name: str
    u: float
    dof: float = math.inf

    def scaled(self, sensitivity: float) -> Component:
        return Component(self.name, abs(sensitivity) * self.u, self.dof)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of limits +/-half_width with nothing else known."""
    return half_width / math.sqrt(3)


def triangular(half_width: float) -> float:
    return half_width / math.sqrt(6)


def arcsine(half_width: float) -> float:
    """Standard uncertainty of something that swings between its limits (U-shaped)."""
    return half_width / math.sqrt(2)


def display(resolution: float) -> float:
    """Standard uncertainty of rounding to one count of a display: q / sqrt 12."""
    return resolution / math.sqrt(12)


def combine(components: Iterable[Component]) -> tuple[float, float]:
    """Combined standard uncertainty and its effective degrees of freedom (Welch-Satterthwaite, not truncated).

    No component at all means that nothing is known: (inf, inf).
    """
    lines = list(components)
    if not lines or any(math.isinf(one.u) for one in lines):
        return math.inf, math.inf
    u = math.hypot(*(one.u for one in lines))
    # Ratios first: u**4 underflows for microvolts.
    spread = sum((one.u / u) ** 4 / one.dof for one in lines if one.u > 0 and not math.isinf(one.dof))
    return u, 1 / spread if spread > 0 else math.inf


def _whole(dof: float) -> float:
    return dof if math.isinf(dof) else max(1.0, math.floor(dof))


def _quantile(dof: float, probability: float) -> float:
    if math.isinf(dof):
        return float(special.ndtri(probability))
    return float(special.stdtrit(dof, probability))


def _cumulative(z: float, dof: float) -> float:
    return float(special.ndtr(z)) if math.isinf(dof) else float(special.stdtr(dof, z))


def coverage_factor(dof: float, probability: float = 0.95) -> float:
    """k of a two-sided interval: Student's t at `dof` truncated to a whole number (at least 1), normal for inf."""
    return _quantile(_whole(dof), (1 + probability) / 2)


def one_sided_factor(dof: float, risk: float) -> float:
    """How many standard uncertainties inside a limit hold the risk of a wrong acceptance to `risk`."""
    return -_quantile(_whole(dof), risk)


def guard_band(u: float, risk: float, dof: float = math.inf) -> float:
    """Width by which a limit is moved inwards so that accepting exactly there is wrong with probability `risk`."""
    return one_sided_factor(dof, risk) * u


def probability_within(value: float, u: float, low: float | None, high: float | None, dof: float = math.inf) -> float:
    """Probability that the true value lies between the limits (None = open), normal or Student's t.

    With `u` infinite nothing is known: 0.5, which decides nothing. ValueError for u <= 0 or nan.
    """
    if not u > 0:
        raise ValueError(f"a standard uncertainty is above zero, not {u}")
    if math.isinf(u):
        return 0.5
    whole = _whole(dof)
    below = 0.0 if low is None else _cumulative((low - value) / u, whole)
    # From the upper tail, so that a tiny risk does not drown in 1 - (1 - risk).
    above = 0.0 if high is None else _cumulative((value - high) / u, whole)
    return min(1.0, max(0.0, 1.0 - below - above))


def decide(rule: Rule, probability: float, inside: bool, risk: float) -> Decision:
    """What a rule says of one limit or window.

    `probability` of conformity, `inside` whether the estimate itself is within the limits, `risk` the accepted
    probability of being wrong. Simple acceptance here says when it is too close to call. An estimate inside the
    limits never fails: a poor meter spreads the probability out of a narrow window, which proves nothing.
    """
    proven_good = inside and probability >= 1 - risk
    proven_bad = not inside and probability <= risk
    if rule is Rule.GUARDED_ACCEPTANCE:
        return "pass" if proven_good else "undecided" if inside else "fail"
    if rule is Rule.GUARDED_REJECTION:
        return "fail" if proven_bad else "pass" if inside else "undecided"
    return "pass" if proven_good else "fail" if proven_bad else "undecided"
