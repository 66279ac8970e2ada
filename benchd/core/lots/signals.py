"""Charts of a characteristic and their signals, in units of the lot; and whether they are more than chance brings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from benchd.core.lots import run_rules
from benchd.core.lots.charts import INDIVIDUALS, MOVING_RANGE, RANGE, SD, X_BAR, Chart
from benchd.core.lots.words import plain

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
#: Place of a value in the lot's first tests, from 0 -> who it was.
Who = Callable[[int], dict[str, Any]]

RULES: Mapping[str, tuple[str, ...]] = {"western electric": run_rules.WESTERN_ELECTRIC, "nelson": run_rules.NELSON}
#: Signals per point of a process in control, charted by its own limits. By simulation: 200,000 normal values in lots of 60 to 10,000,
#: seed 5. They come in bunches: the variance of their number is about _BUNCHED times its mean.
EXPECTED: Mapping[str, Mapping[str, float]] = {
    "western electric": {INDIVIDUALS: 0.0108, MOVING_RANGE: 0.0083, X_BAR: 0.0115, RANGE: 0.0088, SD: 0.0088},
    "nelson": {INDIVIDUALS: 0.0138, MOVING_RANGE: 0.0085, X_BAR: 0.0152, RANGE: 0.0115, SD: 0.0115},
}
_BUNCHED = 1.5
#: More are counted, not told apart: a lot that has shifted breaks rules everywhere.
MOST_LISTED = 100
POINTS = 400


@dataclass(frozen=True, slots=True)
class Charted:
    """`chance`: how likely charts of a process in control look as bad; None without charts."""

    charts: list[dict[str, Any]]
    signals: list[dict[str, Any]]
    found: int
    expected: float
    chance: float | None


def rules_of(name: str) -> tuple[str, ...]:
    if name not in RULES:
        raise ValueError(f"no such run rules: {name!r}; there are {', '.join(RULES)}")
    return RULES[name]


def charted(charts: Sequence[Chart], places: Integers, rules: str, unit: str, who: Who) -> Charted:
    """`places` (n,): of the charted values in the lot, from 0."""
    wanted = rules_of(rules)
    found: list[tuple[int, run_rules.Signal, Chart]] = []
    bodies: list[dict[str, Any]] = []
    total, expected, worst = 0, 0.0, 1.0
    for chart in charts:
        broken = run_rules.signals_of(chart, wanted, unit=unit, most=MOST_LISTED)
        found += [(chart.values_of(one.until)[1], one, chart) for one in broken]
        total += len(broken) if len(broken) < MOST_LISTED else _count(chart, wanted)
        expected += EXPECTED[rules][chart.kind] * len(chart.points)
        if chart.kind in (INDIVIDUALS, X_BAR):
            worst = _worst(chart)
        bodies.append(_body(chart, places))
    found.sort(key=lambda one: one[0])
    listed = [_signal(one, chart, places, unit, who) for _, one, chart in found[:MOST_LISTED]]
    chance = min(1.0, 2.0 * min(worst, more_than_chance(total, expected))) if charts else None
    return Charted(bodies, listed, total, expected, chance)


def _count(chart: Chart, rules: Sequence[str]) -> int:
    """How many signals run_rules.signals_of gives."""
    flags = run_rules.flags(
        chart.points, chart.centre, chart.sigma, run_rules.rules_for(chart.kind, rules), low=chart.low, high=chart.high
    )
    return sum(
        int(flag.sum() if run_rules.WINDOWS[rule] == 1 else (np.diff(flag, prepend=False) & flag).sum())
        for rule, flag in flags.items()
    )


def more_than_chance(found: int, expected: float) -> float:
    """How likely so many signals or more are where `expected` are."""
    if found == 0:
        return 1.0
    return float(special.gammainc(found / _BUNCHED, expected / _BUNCHED))  # Poisson, P(X >= k) = gammainc(k, mean)


def _worst(chart: Chart) -> float:
    """How likely the furthest of so many points lies so far out. Limits from few values are themselves not certain: Student's t."""
    if chart.sigma <= 0.0:
        return 1.0
    furthest = float(np.abs(chart.points - chart.centre).max()) / chart.sigma
    return min(1.0, 2.0 * len(chart.points) * float(special.stdtr(max(chart.dof, 1.0), -furthest)))


def _signal(one: run_rules.Signal, chart: Chart, places: Integers, unit: str, who: Who) -> dict[str, Any]:
    first, last = (int(places[at]) for at in (chart.values_of(one.from_index)[0], chart.values_of(one.index)[1]))
    until = int(places[chart.values_of(one.until)[1]])
    where = f"unit {last + 1}" if first == last else f"units {first + 1} to {last + 1}"
    side = "above" if one.value > chart.centre else "below"
    says = (
        f"{where}: {one.title} ({POINT[chart.kind]} {plain(one.value, 5)} {unit}".rstrip()
        + f", {side} the centre {plain(chart.centre, 5)})"
    )
    return {
        "chart": chart.kind, "rule": one.rule, "title": one.title, "at": last + 1, "from": first + 1, "until": until + 1,
        **who(last), "value": one.value, "says": says,
    }  # fmt: skip


POINT: Mapping[str, str] = {
    INDIVIDUALS: "value", MOVING_RANGE: "moving range", X_BAR: "mean", RANGE: "range", SD: "standard deviation",
}  # fmt: skip


def _body(chart: Chart, places: Integers) -> dict[str, Any]:
    at = _last_values(chart)
    chosen = thinned(chart.points)
    points = np.column_stack([places[at[chosen]] + 1, chart.points[chosen]]).tolist()
    return {
        "kind": chart.kind, "size": chart.size, "centre": chart.centre, "low": chart.low, "high": chart.high,
        "sigma": chart.sigma, "points": [[int(place), value] for place, value in points], "n": len(chart.points),
        "says": chart.says,
    }  # fmt: skip


def _last_values(chart: Chart) -> Integers:
    index = np.arange(len(chart.points))
    return index + 1 if chart.kind == MOVING_RANGE else (index + 1) * chart.size - 1


def thinned(points: Floats, most: int = POINTS) -> Integers:
    """Indices of at most so many points to draw: of equal stretches the least and the greatest, so that no outlier is lost."""
    if len(points) <= most:
        return np.arange(len(points))
    size = -(-len(points) // (most // 2))
    whole = len(points) // size * size
    blocks, start = points[:whole].reshape(-1, size), np.arange(0, whole, size)
    chosen = [start + blocks.argmin(axis=1), start + blocks.argmax(axis=1)]
    if whole < len(points):
        rest = points[whole:]
        chosen.append(whole + np.array([rest.argmin(), rest.argmax()]))
    return np.unique(np.concatenate(chosen))
