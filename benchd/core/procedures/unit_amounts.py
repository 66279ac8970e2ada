"""Values of a unit's characteristics with their budgets, and when one of them is certain enough to go on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchd.core import series
from benchd.core.budget import Component, combine, decide, rectangular
from benchd.core.procedures.averaged import SCATTER, UNSTATED, Amount, average, difference, resolution_of, stated
from benchd.core.procedures.averaged import without_glitches as clean
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.procedures.unit_held import Row
from benchd.core.settle import trend
from benchd.core.specs import Characteristic, PartSpec

LEAST = 5  # readings
PATIENT = 10  # readings before it is too close to call
EARLY = 5.0  # surer than the accepted risk by this factor, it ends before its readings are many
ACCURACY_LEFT = 0.5  # scatter below this part of all the rest: more readings help no more
UNSETTLED = 0.03  # of the tolerance: a change over the readings that counts
PATIENCE_S = 8.0  # what still moves after so long drifts: its newest readings count, the movement in their budget
HUNTING = 0.01  # of the speed, standard deviation
SLOPE = 0.1  # of rated amps per volt, where no slope was seen
COMMON = "meter's statement, of the difference alone: the gain error of one meter on one range is common to both"
#: A ripple's wave is no sine: what a meter that shows the mean as RMS may be off (square wave +11 %, triangle -4 %).
AVERAGE_RESPONDING = 0.11


@dataclass(frozen=True, slots=True)
class Result:
    """What came of one characteristic. `outcome`: pass, fail, undecided, void (conditions not met) or skipped (pointless
    after what was found before). `amount` in the characteristic's unit, None where there is no value."""

    one: Characteristic
    outcome: str
    says: str
    t_s: float
    amount: Amount | None = None
    mode: str = ""
    load: float | None = None  # mean amps while it was measured
    cause: str = ""  # of void: speed, load, volts, a channel
    extra: dict[str, float] = field(default_factory=dict)

    @property
    def probability(self) -> float | None:
        """Of conformity; None where nothing is known of the value."""
        if self.amount is None or not math.isfinite(self.amount.u):
            return None
        return self.amount.within(self.one.low, self.one.high)


def inside(one: Characteristic, value: float) -> bool:
    return (one.low is None or value >= one.low) and (one.high is None or value <= one.high)


def call(one: Characteristic, amount: Amount, part: PartSpec, *, last: bool) -> str | None:
    """pass, fail or undecided once that is certain; None while more readings may tell more. `last`: there are no more."""
    within = inside(one, amount.value)
    if not math.isfinite(amount.u):
        return "undecided"
    p = amount.within(one.low, one.high)
    if within and p >= 1 - part.risk / EARLY:
        return "pass"
    if not within and p <= part.risk / EARLY:
        return "fail"
    if not last:
        scatter = math.hypot(*(part.u for part in amount.parts if SCATTER in part.name))
        rest = combine([part for part in amount.parts if SCATTER not in part.name] or [Component("", 0.0)])[0]
        if amount.n < PATIENT or scatter > ACCURACY_LEFT * rest:
            return None
    return decide(part.rule, p, within, part.risk)


def tolerance(one: Characteristic) -> float:
    """How wide the limits are; of one limit alone, half of it."""
    if one.low is not None and one.high is not None:
        return one.high - one.low
    return 0.5 * abs(one.low if one.high is None else one.high)  # type: ignore[arg-type]


def settled(times: Sequence[float], values: Sequence[float], width: float, resolution: float) -> int | None:
    """Index of the first reading of a stretch up to now that stands still: all of them, or their newer half. None: it moves."""
    for start in dict.fromkeys((0, len(values) // 2)):
        t, x = np.asarray(times[start:]), np.asarray(values[start:])
        if len(x) < LEAST:
            return None
        found = trend(t, x, resolution)
        if abs(found.change) <= max(3 * found.u, UNSETTLED * width):
            return start
    return None


def level(
    facts: ChannelFacts, rows: Sequence[Row], name: str, factor: float, unit: str, width: float
) -> tuple[Amount | None, bool]:
    """(mean of a channel's readings in `unit`, whether they stood still). None: too few readings. `width` in `unit`."""
    pairs = [(row.t_s, found) for row in rows if (found := getattr(row, name)) is not None]
    if len(pairs) < LEAST:
        return None, True
    times, values = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
    start = settled(times, list(values), width / factor, resolution_of(facts) or 0.0)
    if start is None and times[-1] - times[0] >= PATIENCE_S:
        return _drifting(facts, times[-LEAST:], values[-LEAST:]).times(factor, unit), True
    found = average(facts, values[start or 0 :], "", drifts=start is None)
    return found.times(factor, unit), start is not None


def _drifting(facts: ChannelFacts, times: Sequence[float], values: Sequence[float]) -> Amount:
    found = average(facts, values, "", drifts=True)
    moved = abs(trend(np.asarray(times), np.asarray(values), resolution_of(facts) or 0.0).change)
    return replace(found, parts=(*found.parts, Component("still moving", rectangular(moved))))


def hunts(rows: Sequence[Row]) -> bool:
    """Whether the drive's speed swings too much for a ripple to mean anything."""
    rpm = [row.rpm for row in rows if row.rpm is not None]
    return len(rpm) >= LEAST and series.deviation(clean(rpm, 1.0)) > HUNTING * series.median(rpm)


def with_wave(facts: ChannelFacts, amount: Amount) -> Amount:
    """Ripple on an average-responding meter: its wave is not known."""
    if not facts.model.average_responding:
        return amount
    wave = Component("average-responding meter, wave not known", rectangular(AVERAGE_RESPONDING * abs(amount.value)))
    return replace(amount, parts=(*amount.parts, wave))


def apart(facts: ChannelFacts, first: Amount, second: Amount) -> Amount:
    """first - second in mV, both volts of one meter on one range: its gain error and its offset cancel."""
    found = difference(facts, first, second)
    parts = [
        replace(part, name=COMMON) if part.name == "meter's accuracy statement" else part
        for part in found.parts
        if part.name != "offset"
    ]
    return replace(found, parts=tuple(parts)).times(1000.0, "mV")


def most(facts: ChannelFacts, volts: float, readings: int) -> Amount:
    """The most volts that stood: one level, with the meter's statement and its display."""
    display = Component(f"{SCATTER} of one reading", (resolution_of(facts) or 0.0) / math.sqrt(12))
    return Amount(volts, "V", (display, *stated(facts, volts)), readings)


def pulled_down(
    volts: ChannelFacts,
    amps: ChannelFacts,
    rows: Sequence[Row],
    way: Sequence[Row],
    one: Characteristic,
    part: PartSpec,
) -> tuple[Amount | None, bool]:
    """(greatest output at the characteristic's volts, whether amps stood still) from rows near them; `way`: all rows of
    the pull-down, for the slope of amps over volts."""
    assert one.at_volts is not None
    near, still = level(amps, rows, "amps", 1.0, "A", tolerance(one))
    at = [row.volts for row in rows if row.volts is not None]
    if near is None or len(at) < LEAST:
        return None, True
    there = average(volts, at, "V")
    off = one.at_volts - there.value
    slope, u_slope = _slope(way, part)
    parts = [
        *near.parts,
        Component("volts at which it was read", abs(slope) * there.u if math.isfinite(there.u) else 0.0),
        Component("brought to the volts of the limit", u_slope * abs(off)),
    ]
    if not math.isfinite(there.u):
        parts.append(Component(UNSTATED, 0.0))
    return Amount(near.value + slope * off, "A", tuple(parts), near.n), still


def _slope(way: Sequence[Row], part: PartSpec) -> tuple[float, float]:
    """Amps per volt while it was pulled down, and its uncertainty; nothing seen: none, and doubtful by SLOPE."""
    pairs = [(row.volts, row.amps) for row in way if row.volts is not None and row.amps is not None]
    doubt = SLOPE * part.rated_amps
    if len(pairs) < 6 or max(v for v, _ in pairs) - min(v for v, _ in pairs) < 0.15:
        return 0.0, doubt
    found = series.line([v for v, _ in pairs], [a for _, a in pairs])
    return (found.slope, found.u_slope) if found.u_slope < doubt else (0.0, doubt)


class Ramp:
    """The drive is raised slowly: between which two readings does it begin to charge?"""

    def __init__(self, one: Characteristic) -> None:
        assert one.at_amps is not None
        assert one.rpm is not None
        self.one, self.at_amps, self.top_rpm = one, one.at_amps, one.rpm[1]
        self.without: Row | None = None  # the last without output
        self.top_since_s: float | None = None  # at the ramp's end without output, since
        self._first: tuple[Row | None, Row] | None = None
        self.found: tuple[Row, Row] | None = None
        self.from_above = False  # it charged already when it was first seen

    def feed(self, row: Row) -> None:
        if self.found is not None or row.amps is None or row.rpm is None:
            return
        if row.amps < self.at_amps:
            self.without, self._first, self.from_above = row, None, False  # one with output between was a glitch
            high = row.rpm >= 0.98 * self.top_rpm
            self.top_since_s = (self.top_since_s or row.t_s) if high else None
        elif self._first is None:
            self._first = (self.without, row)
        elif (before := self._first[0]) is not None and before.rpm is not None and before.rpm <= row.rpm:
            self.found = (before, self._first[1])
        else:
            self.from_above = True

    def amount(self, rpm: ChannelFacts) -> Amount | None:
        if self.found is None:
            return None
        below, above = self.found
        assert below.rpm is not None
        assert above.rpm is not None
        value, half = (below.rpm + above.rpm) / 2, abs(above.rpm - below.rpm) / 2
        parts = (
            Component("between the last reading without and the first with output", rectangular(max(half, 0.5))),
            Component("speed and amps not read at once", 2 * half / math.sqrt(12)),
            *stated(rpm, value),
        )
        return Amount(value, "rpm", parts, 2)

    @staticmethod
    def too_fast(amount: Amount) -> bool:
        """Whether the ramp itself is what leaves it open."""
        return amount.parts[0].u > 0.5 * amount.u if math.isfinite(amount.u) else False


__all__ = [
    "Ramp",
    "Result",
    "apart",
    "call",
    "hunts",
    "inside",
    "level",
    "most",
    "pulled_down",
    "tolerance",
    "with_wave",
]
