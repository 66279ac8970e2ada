"""One joint, or wire, of the charging circuit: what was read along it, and what it is at rated amps."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from benchd.core.procedures.averaged import Amount, average, paired, ratio, resolution_of
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.track import Array, Track

LEAST_S = 3.0
LEAST_READINGS = 6
WINDOW_S = 20.0
LOOSE_DIGITS = 10.0  # a joint that jumps by so much, and by more than its limit, is loose
SECONDS, VOLTS, AMPS = range(3)


@dataclass
class Joint:
    """Everything read along one joint: (seconds, volts, amps)."""

    number: int  # from 1, as in its prompt
    name: str
    ground: bool
    track: Track = field(default_factory=lambda: Track(3))
    skipped: bool = False

    @property
    def span_s(self) -> float:
        return self.track.last(0) - float(self.track.column(0)[0]) if len(self.track) else 0.0


@dataclass(frozen=True, slots=True)
class JointResult:
    """Volts at the measured amps, the resistance, and volts and watts at rated amps."""

    joint: Joint
    volts: Amount
    amps: Amount
    ohms: Amount
    at_rated: Amount
    rated_amps: float
    swing: float  # volts at rated amps, from the 10 % to the 90 % of readings
    swapped: bool
    silent: bool  # nothing at all on a fine display: are both tips on metal?

    @property
    def watts(self) -> Amount:
        """What the joint turns into heat at rated amps."""
        return self.at_rated.times(self.rated_amps, "W")


def result(joint: Joint, rated: float, volts: ChannelFacts, amps: ChannelFacts) -> JointResult | None:
    """The joint's figures over the last seconds; None while there is too little."""
    if len(joint.track) < LEAST_READINGS or joint.span_s < LEAST_S:
        return None
    start = joint.track.since(joint.track.last(SECONDS) - WINDOW_S)
    v, i = (joint.track.column(one, start) for one in (VOLTS, AMPS))
    found = average(volts, v, "V")
    swapped = found.value < 0
    along = Amount(abs(found.value), "V", found.parts, found.n)
    through = average(amps, np.abs(i), "A")
    count = resolution_of(volts) or 0.0
    each = np.abs(v) / np.abs(i)
    plain = ratio(along, through, "ohm")
    ohms = paired(plain, each, (count / through.value, (resolution_of(amps) or 0.0) * plain.value / through.value))
    low, high = np.quantile(each * rated, (0.1, 0.9))
    swing = float(high - low) if float(np.ptp(v)) > LOOSE_DIGITS * count else 0.0
    silent = count <= 0.001 and along.value < count / 2
    return JointResult(joint, along, through, ohms, ohms.times(rated, "V"), rated, swing, swapped, silent)


def stretches(track: Track, gap_s: float) -> list[tuple[int, int]]:
    """Where a recording was interrupted for longer than `gap_s`: (first, past the last) row of each stretch."""
    if not len(track):
        return []
    t: Array = track.column(SECONDS)
    breaks = [0, *(int(one) + 1 for one in np.flatnonzero(np.diff(t) > gap_s)), len(track)]
    return [(a, b) for a, b in pairwise(breaks) if b - a >= LEAST_READINGS]


def part(track: Track, rows: tuple[int, int]) -> Track:
    """A copy of some rows."""
    found = Track(3)
    for row in zip(*(track.column(one)[rows[0] : rows[1]].tolist() for one in range(3)), strict=True):
        found.append(*row)
    return found


def finite(amount: Amount) -> bool:
    return math.isfinite(amount.u)
