"""Means of one channel's readings with their whole budget, for the tests that read a few seconds of something steady."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from benchd.core import accuracy, budget, series
from benchd.core.budget import Component, combine, coverage_factor, probability_within
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.track import Array
from benchd.core.verdicts import Measured

UNSTATED = "accuracy not stated"  # name of a component that says: nobody promises anything at this reading
SCATTER = "scatter and display"
BEFORE = "before"  # of a difference: the first of its two amounts
GLITCH_SD = 6.0  # a reading so many robust standard deviations off is no reading of the same thing
GLITCH_PART = 0.15  # more of them than this are no glitches


@dataclass(frozen=True, slots=True)
class Amount:
    """A value in one unit and the lines of its budget."""

    value: float
    unit: str
    parts: tuple[Component, ...]
    n: int = 1

    @property
    def u(self) -> float:
        """Combined standard uncertainty; infinite where nobody states the meter's accuracy."""
        return math.inf if any(part.name == UNSTATED for part in self.parts) else combine(self.parts)[0]

    @property
    def dof(self) -> float:
        return combine(self.parts)[1]

    def within(self, low: float | None, high: float | None) -> float:
        """Probability that the true value lies between the limits."""
        return probability_within(self.value, max(self.u, 1e-12), low, high, self.dof)

    def times(self, factor: float, unit: str) -> Amount:
        """This amount by an exact factor."""
        return Amount(self.value * factor, unit, tuple(part.scaled(factor) for part in self.parts), self.n)

    def text(self, digits: int = 2) -> str:
        """For people: the value with its expanded uncertainty."""
        if not math.isfinite(self.u):
            return f"{self.value:.{digits}f} {self.unit}"
        return f"{self.value:.{digits}f} +/- {coverage_factor(self.dof) * self.u:.{digits}f} {self.unit}"

    def measured(self, low: float | None = None, high: float | None = None) -> Measured:
        """As the verdict object holds it, with the probability that the limits are kept where there are any."""
        if not math.isfinite(self.u):
            return Measured(self.value, self.unit, None, None)
        k = coverage_factor(self.dof)
        limited = low is not None or high is not None
        return Measured(
            self.value, self.unit, k * self.u, k, self.within(low, high) if limited else None,
            tuple({"name": part.name, "u": part.u} for part in self.parts),
        )  # fmt: skip

    def estimate(self, low: float | None = None, high: float | None = None) -> dict[str, float | str | None]:
        """As a standing shows it."""
        u = round(self.u, 6) if math.isfinite(self.u) else None
        return {"value": round(self.value, 6), "unit": self.unit, "u": u, "low": low, "high": high}


def resolution_of(facts: ChannelFacts) -> float | None:
    """One count of the display: as seen, else as stated."""
    lines = facts.model.lines
    return facts.resolution or (lines[0].resolution * abs(facts.model.ratio) if lines else None)


def average(facts: ChannelFacts, readings: ArrayLike, unit: str, *, drifts: bool = False) -> Amount:
    """Mean of readings of the same thing, glitches left out: scatter, display and the meter's statement.

    With `drifts` the mean over that very time is meant, so that a steady change in it is no scatter.
    """
    kept = without_glitches(readings, resolution_of(facts) or 0.0)
    mean = series.mean(kept, resolution_of(facts))
    parts = [
        _about_a_line(kept, resolution_of(facts)) if drifts and len(kept) > 3 else Component(SCATTER, mean.u, mean.dof)
    ]
    return Amount(mean.value, unit, (*parts, *stated(facts, mean.value)), len(kept))


def _about_a_line(x: Array, resolution: float | None) -> Component:
    """Scatter of the mean of readings that may drift evenly; three of them or more."""
    fitted = series.line(np.arange(len(x), dtype=np.float64), x, resolution)
    u = math.hypot(fitted.residual_sd / math.sqrt(fitted.n_eff), fitted.u_level)
    return Component(SCATTER, u if u > 0 or resolution is None else math.inf, fitted.dof)


def stated(facts: ChannelFacts, value: float) -> list[Component]:
    """The meter's statement and what stands before it (shunt, clamp), without the display."""
    found = accuracy.uncertainty(facts.model, value, resolution=facts.resolution or None, with_display=False)
    return found or [Component(UNSTATED, 0.0)]


def difference(facts: ChannelFacts, first: Amount, second: Amount) -> Amount:
    """first - second of one meter: its percent error is of the difference alone, scatter and display count twice."""
    value = first.value - second.value
    parts = [Component(f"{name}: {SCATTER}", one.parts[0].u, one.parts[0].dof)
             for name, one in ((BEFORE, first), ("after", second))]  # fmt: skip
    return Amount(value, first.unit, (*parts, *stated(facts, value)), min(first.n, second.n))


def ratio(over: Amount, under: Amount, unit: str) -> Amount:
    """over / under with both budgets."""
    value = over.value / under.value
    parts = [
        Component(part.name if part.name == UNSTATED else f"{one.unit}: {part.name}", abs(by) * part.u, part.dof)
        for one, by in ((over, 1 / under.value), (under, value / under.value))
        for part in one.parts
    ]
    return Amount(value, unit, tuple(parts), min(over.n, under.n))


def paired(found: Amount, each: ArrayLike, displays: Sequence[float]) -> Amount:
    """A ratio with the scatter of its pairs of readings in place of both scatters, for the two move together (compression
    swings, the battery fills, the engine hunts). `displays`: what one digit of either meter is worth in the ratio's unit."""
    kept = without_glitches(each, 0.0)
    if len(kept) < 4:
        return found
    scatter = _about_a_line(kept, None)
    rounding = [Component("display", budget.display(one)) for one in displays if one > 0]
    rest = [part for part in found.parts if SCATTER not in part.name or BEFORE in part.name]
    return Amount(found.value, found.unit, (scatter, *rounding, *rest), found.n)


def total(parts: Sequence[Amount], unit: str) -> Amount:
    """Sum of amounts read by the same meters: statements add up in full, scatter in squares."""
    value = sum(one.value for one in parts)
    scatter = math.hypot(*(part.u for one in parts for part in one.parts if SCATTER in part.name))
    shared = sum(combine([part for part in one.parts if SCATTER not in part.name] or [Component("", 0.0)])[0]
                 for one in parts)  # fmt: skip
    told = [Component(SCATTER, scatter), Component("meters' statements", shared)]
    if any(part.name == UNSTATED for one in parts for part in one.parts):
        told.append(Component(UNSTATED, 0.0))
    return Amount(value, unit, tuple(told), min((one.n for one in parts), default=0))


def without_glitches(readings: ArrayLike, resolution: float) -> Array:
    """The readings without the few that are far from all others."""
    x = np.asarray(readings, dtype=np.float64)
    if x.size < 5:
        return x
    middle = series.median(x)
    spread = 1.4826 * series.median(np.abs(x - middle))
    far = np.abs(x - middle) > GLITCH_SD * max(spread, resolution, 0.005 * abs(middle))
    return x[~far] if 0 < far.sum() <= max(1.0, GLITCH_PART * x.size) else x
