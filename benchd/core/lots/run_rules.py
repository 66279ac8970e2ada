"""Run rules on a control chart: Western Electric 1-4 and Nelson 1-8.

Western Electric Statistical Quality Control Handbook, 1956; L. S. Nelson, The Shewhart Control Chart - Tests for Special Causes,
Journal of Quality Technology 16(4), October 1984. What publications dispute is decided so:

- A run on one side is 8 points for Western Electric, 9 for Nelson, as each published it.
- "Two of three" and "four of five" want their points beyond the same line, on the same side; the point that completes them
  carries the flag and must itself lie beyond that line. The first of them is `from_index`.
- A point exactly on the centre line is on neither side: it breaks a run on one side. Equal neighbours break a trend and an
  alternation. A point exactly on a zone line or a limit is not beyond it.
- Nelson 8 wants its eight points on both sides, as most publications do; on one side they break rule 6 already.
- On R and s charts, which are skewed and bounded, Nelson 1-4 and Western Electric 1 and 4 apply: those that need no zones. On a
  moving-range chart rule 1 alone: neighbouring moving ranges share a value, and their median lies 15 % below their mean, so
  that runs break in a process in control (Western Electric 4: every 100 points or so; measured in tests/core).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.core.lots.charts import MOVING_RANGE, SPREADS, Chart, CountChart

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Rule -> what it says of a chart.
TITLES: Mapping[str, str] = {
    "we1": "one point beyond three sigma",
    "we2": "two of three points in a row beyond two sigma on the same side",
    "we3": "four of five points in a row beyond one sigma on the same side",
    "we4": "eight points in a row on one side of the centre line",
    "nelson1": "one point beyond three sigma",
    "nelson2": "nine points in a row on one side of the centre line",
    "nelson3": "six points in a row, each higher than the one before, or each lower",
    "nelson4": "fourteen points in a row going up and down by turns",
    "nelson5": "two of three points in a row beyond two sigma on the same side",
    "nelson6": "four of five points in a row beyond one sigma on the same side",
    "nelson7": "fifteen points in a row within one sigma of the centre line",
    "nelson8": "eight points in a row on both sides of the centre line, none within one sigma of it",
}
WESTERN_ELECTRIC = ("we1", "we2", "we3", "we4")
NELSON = tuple(f"nelson{number}" for number in range(1, 9))
_ZONE_FREE = frozenset({"we1", "we4", "nelson1", "nelson2", "nelson3", "nelson4"})
#: How many points each rule looks at.
WINDOWS: Mapping[str, int] = {
    "we1": 1, "we2": 3, "we3": 5, "we4": 8,
    "nelson1": 1, "nelson2": 9, "nelson3": 6, "nelson4": 14, "nelson5": 3, "nelson6": 5, "nelson7": 15, "nelson8": 8,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Signal:
    """A rule broken at point `index` (from 0), by the points from `from_index` to it; it stays broken up to point `until`. `value`: of
    point `index`. `says`: a sentence; it counts points from 1."""

    rule: str
    title: str
    index: int
    from_index: int
    until: int
    value: float
    says: str


def rules_for(kind: str, rules: Sequence[str] = WESTERN_ELECTRIC) -> tuple[str, ...]:
    """Those of `rules` that apply to a chart of this kind (charts.py)."""
    for rule in rules:
        if rule not in TITLES:
            raise ValueError(f"no such run rule: {rule!r}; there are {', '.join(TITLES)}")
    if kind == MOVING_RANGE:
        return tuple(rule for rule in rules if rule in ("we1", "nelson1"))
    if kind in SPREADS:
        return tuple(rule for rule in rules if rule in _ZONE_FREE)
    return tuple(rules)


def flags(
    points: ArrayLike,
    centre: ArrayLike,
    sigma: ArrayLike,
    rules: Sequence[str] = WESTERN_ELECTRIC,
    *,
    low: ArrayLike | None = None,
    high: ArrayLike | None = None,
) -> dict[str, Flags]:
    """Rule -> (n,) true where that point completes the rule's pattern. `centre`, `sigma`: a number or (n,). `low`, `high`: limits of
    rule 1 where they are not centre -/+ 3 sigma. With sigma 0 only rule 1 and those without zones can break."""
    data = np.asarray(points, np.float64)
    middle = np.broadcast_to(np.asarray(centre, np.float64), data.shape)
    one = np.broadcast_to(np.asarray(sigma, np.float64), data.shape)
    bottom = middle - 3.0 * one if low is None else np.broadcast_to(np.asarray(low, np.float64), data.shape)
    top = middle + 3.0 * one if high is None else np.broadcast_to(np.asarray(high, np.float64), data.shape)
    return {rule: _flag(rule, data, middle, one, bottom, top) for rule in rules}


def _flag(rule: str, data: Floats, middle: Floats, one: Floats, bottom: Floats, top: Floats) -> Flags:
    match rule:
        case "we1" | "nelson1":
            return (data > top) | (data < bottom)
        case "we2" | "nelson5":
            return _some_of(data, middle, 2.0 * one, 2, 3)
        case "we3" | "nelson6":
            return _some_of(data, middle, one, 4, 5)
        case "we4" | "nelson2":
            least = WINDOWS[rule]
            return (_run(data > middle) >= least) | (_run(data < middle) >= least)
        case "nelson3":
            step = np.diff(data, prepend=data[:1])
            return (_run(step > 0) >= 5) | (_run(step < 0) >= 5)
        case "nelson4":
            turn = np.sign(np.diff(data, prepend=data[:1]))
            other = np.zeros(len(data), bool)
            other[1:] = turn[1:] * turn[:-1] < 0
            return _run(other) >= 12  # twelve turns: thirteen steps, fourteen points
        case "nelson7":
            return _run((np.abs(data - middle) <= one) & (one > 0)) >= 15
        case "nelson8":
            outside = _run((np.abs(data - middle) > one) & (one > 0)) >= 8
            return outside & (_run(data > middle) < 8) & (_run(data < middle) < 8)
    raise ValueError(f"no such run rule: {rule!r}; there are {', '.join(TITLES)}")


def _run(true: Flags) -> NDArray[np.int64]:
    """(n,) how many in a row, up to and with each place, are true."""
    place = np.arange(len(true))
    return place - np.maximum.accumulate(np.where(true, -1, place)) if len(true) else place


def _some_of(data: Floats, middle: Floats, line: Floats, least: int, window: int) -> Flags:
    found = np.zeros(len(data), bool)
    for beyond in _sides(data, middle, line):
        counted = np.cumsum(beyond, dtype=np.int64)
        inside = counted.copy()
        inside[window:] -= counted[:-window]
        found |= beyond & (inside >= least)
    return found


def _sides(data: Floats, middle: Floats, line: Floats) -> tuple[Flags, Flags]:
    return (data > middle + line) & (line > 0), (data < middle - line) & (line > 0)


def signals(
    points: ArrayLike,
    centre: ArrayLike,
    sigma: ArrayLike,
    rules: Sequence[str] = WESTERN_ELECTRIC,
    *,
    low: ArrayLike | None = None,
    high: ArrayLike | None = None,
    unit: str = "",
    most: int | None = None,
) -> list[Signal]:
    """Where the rules break, in order of the points; arguments as `flags`. A pattern that goes on is one signal, but every point
    beyond a limit is one of its own. `most`: no more than the first so many (a lot that has shifted breaks rules everywhere)."""
    data = np.asarray(points, np.float64)
    middle = np.broadcast_to(np.asarray(centre, np.float64), data.shape)
    one = np.broadcast_to(np.asarray(sigma, np.float64), data.shape)
    starts: list[tuple[int, int, int, str]] = []
    for order, (rule, flag) in enumerate(flags(data, middle, one, rules, low=low, high=high).items()):
        first, last = _stretches(flag)
        if WINDOWS[rule] == 1:
            first = last = np.flatnonzero(flag)
        starts += zip(
            first[:most].tolist(),
            [order] * len(first[:most]),
            last[:most].tolist(),
            [rule] * len(first[:most]),
            strict=True,
        )
    starts.sort()
    return [_signal(rule, data, middle, one, index, until, unit) for index, _, until, rule in starts[:most]]


def signals_of(
    chart: Chart | CountChart, rules: Sequence[str] = WESTERN_ELECTRIC, *, unit: str = "", most: int | None = None
) -> list[Signal]:
    """The signals of a chart by those of `rules` that apply to it."""
    return signals(
        chart.points, chart.centre, chart.sigma, rules_for(chart.kind, rules),
        low=chart.low, high=chart.high, unit=unit, most=most,
    )  # fmt: skip


def _stretches(flag: Flags) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last places of every unbroken stretch of true."""
    edges = np.diff(np.concatenate(([0], flag.astype(np.int8), [0])))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1


def _signal(rule: str, data: Floats, middle: Floats, one: Floats, index: int, until: int, unit: str) -> Signal:
    start = max(0, index - WINDOWS[rule] + 1)
    if rule in ("we2", "nelson5", "we3", "nelson6"):
        line = (2.0 if rule in ("we2", "nelson5") else 1.0) * one[start : index + 1]
        high, low = _sides(data[start : index + 1], middle[start : index + 1], line)
        start += int(np.flatnonzero(high if high[-1] else low)[0])
    value = float(data[index])
    where = f"point {index + 1}" if start == index else f"points {start + 1} to {index + 1}"
    measured = f"{value:.6g} {unit}".strip()
    side = "above" if value > middle[index] else "below"
    says = f"{where}: {TITLES[rule]} (the last is {measured}, {side} the centre {middle[index]:.6g})"
    if start == index:
        says = f"{where}: {TITLES[rule]} ({measured}, {side} the centre {middle[index]:.6g})"
    return Signal(rule, TITLES[rule], index, start, until, value, says)
