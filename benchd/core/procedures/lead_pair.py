"""One pair of stator leads: what was read of it, and what its volts are at the spec's rpm."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from benchd.core import accuracy, alternator
from benchd.core.budget import Component, combine, probability_within
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.series import effective_size
from benchd.core.settle import trend
from benchd.core.specs import StatorSpec
from benchd.core.track import Array, Track

LEAST_S = 5.0  # of full throttle before a pair is judged
LEAST_READINGS = 8
WINDOW_S = 30.0
STEADY_PART = 0.004  # of the mean: a drift over the window that cannot matter
UNKNOWN = "unknown"  # the name of a component that says: no statement holds here


@dataclass
class LeadPair:
    """Everything read of one lead pair: (t, volts at the spec's rpm, raw volts, rpm)."""

    name: str
    track: Track = field(default_factory=lambda: Track(4))
    since_s: float | None = None

    @property
    def span_s(self) -> float:
        """Seconds of full throttle read so far."""
        return self.track.last(0) - float(self.track.column(0)[0]) if len(self.track) else 0.0


@dataclass(frozen=True, slots=True)
class PairResult:
    """Volts at the spec's rpm with combined standard uncertainty, and the probability that they suffice."""

    name: str
    volts: float
    u: float
    dof: float
    probability: float
    steady: bool
    budget: tuple[Component, ...]
    known: bool


def result(pair: LeadPair, limits: StatorSpec, volts: ChannelFacts, rpm: ChannelFacts) -> PairResult | None:
    """The pair's volts at the spec's rpm over the last half minute; None while there is too little."""
    if len(pair.track) < LEAST_READINGS or pair.span_s < LEAST_S:
        return None
    start = pair.track.since(pair.track.last(0) - WINDOW_S)
    t, x, raw, speed = (pair.track.column(one, start) for one in range(4))
    drift = trend(t, x, volts.resolution)
    mean = float(np.mean(x))
    steady = abs(drift.change) <= max(3.0 * drift.u, STEADY_PART * abs(mean))
    parts = budget(x, float(np.mean(raw)), float(np.mean(speed)), limits, volts, rpm)
    known = not any(part.name == UNKNOWN for part in parts)
    u, dof = combine(parts)
    if not known:
        u = math.inf
    least = alternator.required_volts(limits, limits.at_rpm)
    probability = probability_within(mean, max(u, 1e-9), least, limits.max_volts_ac, dof)
    return PairResult(pair.name, mean, u, dof, probability, steady, tuple(parts), known)


def budget(
    x: Array, raw: float, speed: float, limits: StatorSpec, volts: ChannelFacts, rpm: ChannelFacts
) -> list[Component]:
    """Volts and rpm combined: each meter's statement times its sensitivity, and the scatter of the mean."""
    per_volt, per_rpm = alternator.sensitivities(raw, max(speed, 1.0), limits)
    hertz = None if limits.magnet_poles is None else alternator.hertz(speed, limits.magnet_poles)
    of_volts = accuracy.uncertainty(volts.model, raw, resolution=volts.resolution or None, hertz=hertz)
    of_rpm = accuracy.uncertainty(rpm.model, speed, resolution=rpm.resolution or None)
    n_eff = effective_size(x)
    scatter = float(np.std(x, ddof=1)) / math.sqrt(n_eff)
    parts = [Component(f"volts: {one.name}", abs(per_volt) * one.u, one.dof) for one in of_volts]
    parts += [Component(f"rpm: {one.name}", abs(per_rpm) * one.u, one.dof) for one in of_rpm]
    parts.append(Component("scatter of the mean", scatter, max(n_eff - 1.0, 1.0)))
    if not of_volts or not of_rpm:
        parts.append(Component(UNKNOWN, 0.0))
    return parts
