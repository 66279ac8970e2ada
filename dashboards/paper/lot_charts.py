"""Pictures of a lot: control charts with their signals, histograms with their limits, failure modes by number."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchd_dashboards.paper import figures
from benchd_dashboards.paper.words import clipped, number, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Data = Mapping[str, Any]
Place = tuple[float, float, float, float]
_SINGLE = 130  # points that can be told apart on one line; more are drawn without their dots
_LEFT, _CHART, _SAID, _APART, _HISTOGRAM = 0.55, 3.62, 0.72, 0.28, 1.6  # inches, from left to right
_HEIGHTS = (1.3, 0.72)  # of the chart of values and of the chart of spreads
TITLES = {
    "individuals": "single values",
    "moving range": "moving range",
    "x-bar": "x-bar, {size} units each",
    "R": "R, {size} units each",
    "s": "s, {size} units each",
}


@dataclass(frozen=True, slots=True)
class Mark:
    """A signal in a chart: at which number, its value, the name that stands beside the chart, the stretch that broke the rule."""

    at: float
    value: float
    name: str
    start: float
    until: float


def chosen(signals: Sequence[Data], most: int) -> list[Data]:
    """At most so many signals, those beyond a limit before all others, in order of units."""
    first = sorted(signals, key=lambda one: not str(one["rule"]).endswith("1"))[:most]
    return [one for one in signals if any(one is each for each in first)]


def characteristic(one: Data, named: Sequence[Data]) -> str:
    """Charts of one characteristic with its histogram beside them. `named`: the signals that have a number, in order."""
    charts = list(one.get("charts") or ())
    if not charts:
        with figures.drawing(figures.WIDTH_IN, 1.45) as (drawn, buffer):
            histogram(drawn, (_LEFT, 0.42, 3.6, 0.8), one)
        return figures.svg_of(buffer)
    tall = sum(_HEIGHTS[: len(charts)]) + 0.62 + 0.3 * (len(charts) - 1)
    with figures.drawing(figures.WIDTH_IN, tall) as (drawn, buffer):
        bottom = tall - 0.22
        for place, chart in enumerate(charts):
            bottom -= _HEIGHTS[min(place, 1)]
            marks = _marks(chart, one["signals"] if len(chart["points"]) <= _SINGLE else named, named)
            box = (_LEFT, bottom, _CHART, _HEIGHTS[min(place, 1)])
            control(drawn, box, chart, marks, one["unit"], "number of the unit" if chart is charts[-1] else "")
            bottom -= 0.3
        left = _LEFT + _CHART + _SAID + _APART
        histogram(drawn, (left, 0.4, _HISTOGRAM, tall - 0.62), one)
    return figures.svg_of(buffer)


def _marks(chart: Data, signals: Sequence[Data], named: Sequence[Data]) -> list[Mark]:
    found = []
    for one in signals:
        if one["chart"] == chart["kind"]:
            name = next((str(place) for place, each in enumerate(named, 1) if each is one), "")
            found.append(Mark(one["at"], one["value"], name, one["from"], one["until"]))
    return found


def control(
    drawn: Figure, place: Place, chart: Data, marks: Sequence[Mark], unit: str, below: str, more: Sequence[Any] = ()
) -> Axes:
    """One control chart: points, centre and limits with their values, signals in rings with their names. `more`: (value, words) of
    further lines across it."""
    points = chart["points"]
    values = [value for _, value in points] + [mark.value for mark in marks] + [value for value, _ in more]
    limits = [chart[key] for key in ("low", "centre", "high") if number(chart.get(key)) is not None]
    room = 0.19 / place[3] if any(mark.name for mark in marks) else 0.09  # for a name above the highest point
    y = _span(values + limits, room, least=0.0 if min(values + limits, default=0.0) >= 0.0 else None)
    x = (_first(points) - 0.5, max(points[-1][0] + 0.5, _first(points) + 1.5)) if points else (0.5, 1.5)
    title = TITLES.get(str(chart.get("kind")), str(chart.get("kind", ""))).format(size=chart.get("size", ""))
    axes = figures.field(
        drawn, place, x, y, title=f"{title}, {unit}", below=below, x_ticks=_whole(x) if below else (), y_ticks=_few(y, place[3])
    )  # fmt: skip
    _lines(axes, chart, more)
    xs, ys = [one[0] for one in points], [one[1] for one in points]
    many = len(points) > _SINGLE
    axes.plot(xs, ys, color=figures.GREY, linewidth=0.5 if many else 0.7, zorder=3)
    if not many:
        axes.plot(xs, ys, "o", color=figures.INK, markersize=2.2, linestyle="none", zorder=4)
    axes.plot(*_stretches(points, marks), color=figures.INK, linewidth=1.5, zorder=3.5)
    _ring(axes, chart, marks)
    return axes


def _stretches(points: Sequence[Sequence[float]], marks: Sequence[Mark]) -> tuple[list[float], list[float]]:
    """The points that broke rules, as one line with gaps."""
    at = [one[0] for one in points]
    xs: list[float] = []
    ys: list[float] = []
    for mark in marks:
        stretch = points[bisect_left(at, mark.start) : bisect_right(at, mark.at)]
        xs += [*(one[0] for one in stretch), math.nan]
        ys += [*(one[1] for one in stretch), math.nan]
    return xs, ys


def _ring(axes: Axes, chart: Data, marks: Sequence[Mark]) -> None:
    """Signals in rings; several at one point share their name, and names of neighbours stand in two heights."""
    axes.plot(
        [mark.at for mark in marks], [mark.value for mark in marks], "o", mfc="none", mec=figures.INK, mew=0.9, markersize=6.5,
        linestyle="none", zorder=6, clip_on=False,
    )  # fmt: skip
    at: dict[float, tuple[Mark, list[str]]] = {}
    for mark in marks:
        if mark.name:
            at.setdefault(mark.at, (mark, []))[1].append(mark.name)
    before, raised = -math.inf, 0
    low, high = axes.get_xlim()
    for mark, names in (at[key] for key in sorted(at)):
        raised = (raised + 1) % 2 if mark.at - before < 0.035 * (high - low) else 0
        before = mark.at
        up = 1 if mark.value >= chart["centre"] else -1
        axes.annotate(
            ",".join(names), (mark.at, mark.value), xytext=(0, up * (5 + 7 * raised)), textcoords="offset points", ha="center",
            va="bottom" if up > 0 else "top", fontsize=6.5, fontweight="bold", annotation_clip=False, zorder=7,
        )  # fmt: skip


def _lines(axes: Axes, chart: Data, more: Sequence[Any]) -> None:
    said = []
    for key, word in (("high", "UCL"), ("centre", "mean"), ("low", "LCL")):
        value = number(chart.get(key))
        if value is not None:
            style = "-" if key == "centre" else (0, (5, 2))
            axes.axhline(value, color=figures.INK, linewidth=0.8, linestyle=style, zorder=2)
            said.append((value, f"{word} {value:.5g}"))
    for value, words in more:
        axes.axhline(value, color=figures.GREY, linewidth=1.0, linestyle=(0, (1, 1.5)), zorder=2)
        said.append((value, words))
    figures.beside(axes, said)


def histogram(drawn: Figure, place: Place, one: Data) -> None:
    """How many units in each bin, with the limits; the normal curve or the percentiles by which capability was told."""
    found = one["histogram"]
    edges, counts = found["edges"], found["counts"]
    if not counts:
        return
    x, far = _reach(edges, one)
    y = (0.0, 1.12 * max(counts))
    axes = figures.field(
        drawn, place, x, y, title="units, histogram with limits", below=one["unit"], y_ticks=_counts(y)
    )
    axes.stairs(counts, edges, fill=True, facecolor=figures.PALE, edgecolor=figures.INK, linewidth=0.5)
    _curve(axes, one, edges[1] - edges[0])
    for key, align in (("low", "left"), ("high", "right")):
        limit = number(one.get(key))
        if limit is not None and key not in far:
            axes.axvline(limit, color=figures.INK, linewidth=1.6, linestyle=(0, (6, 2)), zorder=5)
            spot = (limit - x[0]) / (x[1] - x[0])
            _note(axes, f"{key} {plain(limit)}", spot, 0.98, align, 3)
    for key, words in far.items():
        _note(axes, words, 0.02 if key == "low" else 0.98, 0.98, "left" if key == "low" else "right", 0)
    left_out = [f"{found[key]} further {key}" for key in ("below", "above") if found.get(key)]
    if left_out:
        _note(axes, ", ".join(left_out), 0.98, 0.88, "right", 0)


def _note(axes: Axes, words: str, across: float, up: float, align: str, off: float) -> None:
    axes.annotate(
        words, (across, up), xycoords="axes fraction", xytext=(off if align == "left" else -off, 0), textcoords="offset points",
        ha=align, va="top", fontsize=6.5, annotation_clip=False, zorder=8,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.85},
    )  # fmt: skip


def _curve(axes: Axes, one: Data, width: float) -> None:
    told, sd, mean = one.get("capability") or {}, number(one.get("sd")), number(one.get("mean"))
    if told.get("method") == "percentiles" and told.get("percentiles"):
        for value in told["percentiles"]:
            axes.axvline(value, color=figures.INK, linewidth=0.8, linestyle=(0, (1, 1.5)), zorder=4)
    if told.get("method") != "normal" or not sd or mean is None:
        return
    low, high = axes.get_xlim()
    xs = [low + (high - low) * place / 160 for place in range(161)]
    tall = one["n"] * width / (sd * math.sqrt(2 * math.pi))
    axes.plot(
        [*xs],
        [tall * math.exp(-0.5 * ((at - mean) / sd) ** 2) for at in xs],
        color=figures.INK,
        linewidth=0.9,
        zorder=4,
    )


def _reach(edges: Sequence[float], one: Data) -> tuple[tuple[float, float], dict[str, str]]:
    """Ends of the axis: all bins, and each limit that does not lie so far off that the bins would be a line."""
    low, high = edges[0], edges[-1]
    wide, far = high - low, {}
    ends = [low, high]
    for key, away in (("low", low), ("high", high)):
        limit = number(one.get(key))
        if limit is None:
            continue
        if abs(limit - away) <= 5 * wide:
            ends.append(limit)
        else:
            far[key] = f"< {key} {plain(limit)}" if limit < low else f"{key} {plain(limit)} >"
    return _span(ends, 0.06), far


def _span(values: Sequence[float], margin: float, least: float | None = None) -> tuple[float, float]:
    """Ends with a margin of this share; an end at `least` has none beyond."""
    low, high = min(values, default=0.0), max(values, default=1.0)
    room = margin * ((high - low) or abs(high) or 1.0)
    return (least if least is not None and low - room < least else low - room), high + room


def _first(points: Sequence[Sequence[float]]) -> float:
    return min(1.0, points[0][0])


def _few(y: tuple[float, float], tall_in: float) -> list[tuple[float, str]]:
    return figures.ticks(y, max(2, round(tall_in / 0.28)))


def _whole(x: tuple[float, float]) -> list[tuple[float, str]]:
    """Ticks at whole numbers."""
    return [(at, f"{round(at)}") for at, _ in figures.ticks(x, 8) if abs(at - round(at)) < 1e-9 and at >= 1]


def _counts(y: tuple[float, float]) -> list[tuple[float, str]]:
    return [(at, f"{round(at)}") for at, _ in figures.ticks(y, 4) if abs(at - round(at)) < 1e-9]


def pareto(modes: Sequence[Data]) -> str:
    """Failure modes as bars, the most frequent first, with their number and the running share."""
    tall = 0.24 * len(modes) + 0.12
    with figures.drawing(figures.WIDTH_IN, tall) as (drawn, buffer):
        axes = drawn.add_axes((2.3 / figures.WIDTH_IN, 0.02, 3.0 / figures.WIDTH_IN, 0.96))
        axes.set_axis_off()
        axes.set_xlim(0, max(one["units"] for one in modes))
        axes.set_ylim(len(modes) - 0.5, -0.5)
        axes.barh(
            range(len(modes)), [one["units"] for one in modes], 0.62, facecolor=figures.PALE, edgecolor=figures.INK, linewidth=0.6
        )  # fmt: skip
        axes.plot([0, 0], [-0.5, len(modes) - 0.5], color=figures.INK, linewidth=0.8, clip_on=False)
        for place, one in enumerate(modes):
            _label(axes, clipped(one["title"], 38), 0.0, place, -4, "right")
            _label(axes, f"{one['units']} = {100 * one['part']:.0f} %, together {100 * one['running']:.0f} %", one["units"], place, 4, "left")  # fmt: skip
    return figures.svg_of(buffer)


def _label(axes: Axes, words: str, x: float, y: float, off: float, align: str) -> None:
    axes.annotate(
        words, (x, y), xytext=(off, 0), textcoords="offset points", ha=align, va="center", fontsize=7.5, annotation_clip=False
    )  # fmt: skip
