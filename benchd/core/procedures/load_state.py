"""What a load test knows: volts under load brought to the load asked for, least volts, resistance. Decides nothing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchd.core import ratings
from benchd.core.budget import Component, combine, probability_within
from benchd.core.procedures.load_curve import Resistance

if TYPE_CHECKING:
    from benchd.core.procedures.load import LoadTest

OFF_NOMINAL = (
    0.20  # part by which the load may miss: further off the correction is not trusted. Common practice, no source
)
TABLE_LOW, TABLE_HIGH = 8.5, 9.6  # least volts at the ends of the table: for a temperature that nobody knows
U_TYPED_CELSIUS = 2.0 / math.sqrt(3)


@dataclass(frozen=True, slots=True)
class Result:
    """Volts after so many seconds, brought to the load asked for; `read` is what the meter showed."""

    volts: float
    u: float
    read: float
    amps: float
    u_amps: float
    least: tuple[float, float]  # equal where the temperature is known
    ohms: Resistance | None
    budget: tuple[Component, ...]

    @property
    def probability(self) -> float:
        """That the volts are enough, at the higher of the least volts."""
        return probability_within(self.volts, self.u, self.least[1], None)

    @property
    def probability_at_best(self) -> float:
        return probability_within(self.volts, self.u, self.least[0], None)


def rest_volts(test: LoadTest) -> tuple[float, float] | None:
    """Volts before the load and their standard uncertainty; 0.1 V where nothing is known of the meter."""
    level = test.rest.level(test.now_s if test.curve is None else test.curve.began_s)
    if level is None:
        return None
    u = test.rest.u(level)
    return level.value, 0.1 if u is None else u


def least_volts(celsius: float | None) -> tuple[float, float]:
    """The table's least volts; its ends where the temperature is not known, or is colder than it goes."""
    if celsius is None:
        return TABLE_LOW, TABLE_HIGH
    try:
        least = ratings.least_load_volts(celsius)
    except ratings.RatingRefused:
        return TABLE_LOW, TABLE_HIGH
    return least, least


def resistance(test: LoadTest) -> Resistance | None:
    level = None if test.curve is None else test.rest.level(test.curve.began_s)
    return None if level is None or test.curve is None else test.curve.step(level.value, level.u)


def off_nominal(test: LoadTest, until_s: float) -> float:
    """By what part the mean load misses; 0 while nothing is known."""
    mean = None if test.curve is None else test.curve.mean_amps(until_s)
    return 0.0 if mean is None else mean / test.load - 1


def result(test: LoadTest, at_s: float) -> Result | None:
    """Volts at `at_s` of the load, corrected to the load asked for by the internal resistance."""
    if at_s not in test.results:
        test.results[at_s] = _result(test, at_s)
    return test.results[at_s]


def _result(test: LoadTest, at_s: float) -> Result | None:
    if test.curve is None or (level := test.curve.level(at_s)) is None:
        return None
    ohms = resistance(test)
    off = level.amps - test.load
    r = 0.0 if ohms is None else max(ohms.ohms, 0.0)
    stated_v, stated_i = test.volts.u(level.volts), test.amps.u(level.amps)
    parts = [
        Component("voltmeter", math.inf if stated_v is None else stated_v),
        Component("scatter of the volts", level.u_volts),
        Component(
            "load read", r * (math.inf if stated_i is None else math.hypot(stated_i, level.u_amps)) if r else 0.0
        ),
        Component("correction to the load", abs(off) * _u_ohms(test, ohms, level.volts, level.amps)),
        Component("rating converted", r * test.rating.half_width / 2 / math.sqrt(3)),
        Component("temperature", _u_least(test)),
    ]
    parts = [one for one in parts if one.u > 0]
    u = combine(parts)[0]
    return Result(
        level.volts + off * r, u, level.volts, level.amps, math.hypot(stated_i or 0.0, level.u_amps),
        least_volts(test.celsius), ohms, tuple(parts),
    )  # fmt: skip


def _u_ohms(test: LoadTest, ohms: Resistance | None, volts: float, amps: float) -> float:
    """How well the resistance for the correction is known: the step's own, and how much more it is after some seconds."""
    rest = rest_volts(test)
    if ohms is None or rest is None:
        return 0.02  # ohm: no battery of this kind has more and still starts an engine. Common practice, no source
    later = (rest[0] - volts) / max(amps, 1.0)
    return math.hypot(ohms.u or 0.2 * abs(ohms.ohms), max(later - ohms.ohms, 0.0) / math.sqrt(3))


def _u_least(test: LoadTest) -> float:
    if test.celsius is None:
        return 0.0
    facts = test.metrology.channels.get("battery_celsius")
    u = U_TYPED_CELSIUS if facts is None else 1.0
    return u * ratings.least_load_volts_slope(max(test.celsius, -18.0))


def least_words(test: LoadTest, found: Result) -> str:
    if test.celsius is None:
        return f"{found.least[0]:.1f} to {found.least[1]:.1f} V by its temperature"
    return f"{found.least[1]:.2f} V at {test.celsius:.0f} degC"


def recovery(test: LoadTest) -> float | None:
    level = test.recovery.level(test.now_s, 4.0)
    return None if level is None else level.value
