"""What a query must answer of the planted runs, worked out in plain Python from what was planted: what is common to all dashboards."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard_queries import Chosen, Labels, seconds
from planted import Point, Run

RUN = ("daemon", "bench", "procedure", "turn")
BENCH = ("daemon", "bench")
HOUR, DAY = 3600, 86400
#: A dashboard's variable -> the tag that it filters.
TAG_OF = {name: name for name in ("daemon", "bench", "procedure", "machine", "lot")} | {"part": "machine"}
JUDGED = ("pass", "fail", "undecided")
ONE: Labels = frozenset()


@dataclass(frozen=True)
class View:
    """The planted runs under what is chosen above a dashboard, for a query with this step."""

    runs: Sequence[Run]
    points: Sequence[Point]
    chosen: Chosen
    step_s: int

    # --- choosing -----------------------------------------------------------------------------------------------------

    def of(self, measurement: str, *variables: str, **tags: str | tuple[str, ...]) -> list[Point]:
        """The points that pass the dashboard's variables (only these, if any are named) and these tags."""
        wanted = {tag: value if isinstance(value, tuple) else (value,) for tag, value in tags.items()}
        return [
            one for one in self.points
            if one.measurement == measurement and self.takes(one.labels, variables)
            and all(one.labels[tag] in values for tag, values in wanted.items())
        ]  # fmt: skip

    def takes(self, labels: Mapping[str, str], variables: Iterable[str] = ()) -> bool:
        for name, chosen in self.chosen.values.items():
            tag = TAG_OF.get(name)
            if (
                tag in labels
                and (not variables or name in variables)
                and chosen != ["$__all"]
                and labels[tag] not in chosen
            ):
                return False
        return True

    @property
    def end_s(self) -> int:
        return self.chosen.end_s

    @property
    def range_s(self) -> int:
        return self.chosen.end_s - self.chosen.start_s

    def window(self, name: str) -> int:
        value = self.chosen.values[name]
        assert isinstance(value, str)
        return seconds(value)

    @property
    def times(self) -> list[int]:
        """When a query over time is evaluated: whole steps."""
        start_s, end_s = (at_s - at_s % self.step_s for at_s in (self.chosen.start_s, self.end_s))
        return list(range(start_s, end_s + 1, self.step_s))

    def within(self, points: Iterable[Point], window_s: int | None = None, at_s: float | None = None) -> list[Point]:
        """Those of the window that ends at `at_s` (the end of the time range)."""
        at_s, window_s = self.end_s if at_s is None else at_s, window_s or self.range_s
        return [one for one in points if at_s - window_s < one.at_s <= at_s]

    # --- answers ------------------------------------------------------------------------------------------------------

    def count(self, points: Iterable[Point], *by: str, window_s: int | None = None) -> dict[Labels, float]:
        return {key: float(len(found)) for key, found in grouped(self.within(points, window_s), by).items()}

    def counted_or_zero(self, points: Iterable[Point], others: Iterable[Point], *by: str) -> dict[Labels, float]:
        return {key: 0.0 for key in grouped(self.within(others), by)} | self.count(points, *by)

    def each(
        self,
        points: Iterable[Point],
        by: Sequence[str],
        how: Callable[[list[Point]], float],
        window_s: int | None = None,
    ):  # type: ignore[no-untyped-def]
        return {key: how(found) for key, found in grouped(self.within(points, window_s), by).items()}

    def over(
        self,
        points: Sequence[Point],
        by: Sequence[str],
        how: Callable[[list[Point]], float],
        window_s: int | None = None,
        ahead: bool = False,
    ) -> dict[Labels, dict[float, float]]:
        """A value at every step whose window has points. `ahead`: the window begins at the step instead of ending there."""
        window_s = window_s or self.step_s
        first_s, last_s = self.times[0], self.times[-1]
        inside: dict[int, list[Point]] = {}
        for point in points:
            from_s = point.at_s - (window_s if ahead else 0)  # the first moment whose window has the point
            at_s = first_s + max(0, math.ceil((from_s - first_s) / self.step_s)) * self.step_s
            while at_s < from_s + window_s and at_s <= last_s:
                inside.setdefault(at_s, []).append(point)
                at_s += self.step_s
        found: dict[Labels, dict[float, float]] = {}
        for at_s, some in inside.items():
            for key, group in grouped(some, by).items():
                found.setdefault(key, {})[at_s] = how(group)
        return found

    def always(self, value: float) -> dict[Labels, dict[float, float]]:
        return {ONE: {float(at_s): value for at_s in self.times}}


def grouped(points: Iterable[Point], by: Sequence[str]) -> dict[Labels, list[Point]]:
    found: dict[Labels, list[Point]] = {}
    for one in points:
        found.setdefault(frozenset((tag, one.labels[tag]) for tag in by), []).append(one)
    return found


def alone(value: float) -> dict[Labels, float]:
    return {ONE: float(value)}


def newest(field: str) -> Callable[[list[Point]], float]:
    return lambda points: max(points, key=lambda one: one.at_s).fields[field]


def by_series(field: str, how: Callable[[list[float]], float]) -> Callable[[list[Point]], float]:
    """The greatest over the series of what `how` makes of each."""
    return lambda points: max(
        how([one.fields[field] for one in some]) for some in grouped(points, sorted(points[0].labels)).values()
    )


def having(points: Iterable[Point], field: str) -> list[Point]:
    return [one for one in points if field in one.fields]


def last_at(points: list[Point]) -> float:
    return max(one.at_s for one in points)


def shares(failed: Mapping[Labels, float], judged: Mapping[Labels, float]) -> list[dict[Labels, float]]:
    """The share, and both ends of its 95 % interval."""
    from scipy.stats import binomtest  # slow to import: only where it is used

    counts = {key: (int(failed.get(key, 0)), int(n)) for key, n in judged.items()}
    ends = {key: binomtest(k, n).proportion_ci(0.95, "wilson") for key, (k, n) in counts.items()}
    return [
        {key: k / n for key, (k, n) in counts.items()},
        {key: end.low for key, end in ends.items()},
        {key: end.high for key, end in ends.items()},
    ]


def values_of(points: Iterable[Point], tag: str) -> list[str]:
    return sorted({one.labels[tag] for one in points})


Answer = Callable[[View], Any]
Place = dict[str, Answer | Sequence[Answer]]  # of several queries, in their order


# --- what several dashboards ask ----------------------------------------------------------------------------------------


def marks(measurement: str, **tags: str) -> Answer:
    """The moments in ms at every minute of the ten after each."""

    def answer(view: View) -> dict[Labels, dict[float, float]]:
        points = view.of(measurement, **tags)
        return view.over(points, sorted(points[0].labels), lambda some: last_at(some) * 1000, 600) if points else {}

    return answer


def choices(tag: str, *measurements: str, only: Sequence[str] = ("",)) -> Answer:
    """The store answers for whole days."""

    def answer(view: View) -> list[str]:
        first_s = view.chosen.start_s - view.chosen.start_s % DAY
        points = itertools.chain(*(view.of(one, *only) for one in measurements))
        return values_of((one for one in points if first_s <= one.at_s), tag)

    return answer


def verdicts(view: View, *wanted: str) -> list[Point]:
    return view.of("bench_verdict", **({"verdict": wanted} if wanted else {}))


def part_of(view: View, part: Sequence[Point], whole: Sequence[Point]) -> dict[Labels, float]:
    n = len(view.within(whole))
    return alone(len(view.within(part)) / n) if n else {}


def share_columns(*by: str, variables: Sequence[str] = ()) -> list[Answer]:
    def column(place: int) -> Answer:
        def answer(view: View) -> dict[Labels, float]:
            failed = view.count(view.of("bench_verdict", *variables, verdict="fail"), *by)
            return shares(failed, view.count(view.of("bench_verdict", *variables, verdict=JUDGED), *by))[place]

        return answer

    return [column(place) for place in range(3)]


def bars(points: Callable[[View], list[Point]], *by: str) -> Answer:
    return lambda view: view.over(points(view), by, lambda some: float(len(some)), ahead=True)


def a_second(points: Callable[[View], list[Point]], *by: str) -> Answer:
    return lambda view: view.over(points(view), by, lambda some: len(some) / view.step_s)
