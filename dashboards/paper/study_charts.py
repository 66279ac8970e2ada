"""Pictures of a gauge study: components of variation, values by unit, by rater, ranges, bias."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchd_dashboards.paper import figures
from benchd_dashboards.paper.words import clipped, number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Data = Mapping[str, Any]
Place = tuple[float, float, float, float]
COMPONENTS = ("repeatability", "reproducibility", "gauge", "units")
_BARS = ("repeat-\nability", "reproduc-\nibility", "gauge\n(both)", "between\nunits")
#: Markers and strokes of the raters: told apart without colour. Those after them begin again.
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "*")
_STROKES = ("-", (0, (5, 2)), (0, (1, 1.2)), (0, (6, 1.5, 1, 1.5)), (0, (3, 1, 1, 1, 1, 1)))
_LEFT, _WIDE, _APART = 0.5, 2.75, 0.62  # inches
_ROWS = (1.25, 1.25, 1.0)
TALL = sum(_ROWS) + 3 * 0.22 + 2 * 0.3 + 0.2


def pictures(one: Data, raters: Sequence[str]) -> str:
    """Six pictures of one characteristic; there must be an analysis of variance."""
    with figures.drawing(figures.WIDTH_IN, TALL) as (drawn, buffer):
        right, bottoms, bottom = _LEFT + _WIDE + _APART, [], TALL
        for tall in _ROWS:
            bottom -= 0.22 + tall
            bottoms.append(bottom)
            bottom -= 0.3
        _components(drawn, (_LEFT, bottoms[0], _WIDE, _ROWS[0]), one)
        _bias(drawn, (right, bottoms[0], _WIDE, _ROWS[0]), one)
        _interaction(drawn, (_LEFT, bottoms[1], _WIDE + _APART + _WIDE - 0.95, _ROWS[1]), one, raters)
        _ranges(drawn, (_LEFT, bottoms[2], _WIDE - 0.2, _ROWS[2]), one, raters)
        _by_rater(drawn, (right, bottoms[2], _WIDE, _ROWS[2]), one, raters)
    return figures.svg_of(buffer)


def _components(drawn: Figure, place: Place, one: Data) -> None:
    """Bars: percent of study variation, and of tolerance where there is one."""
    found = {each["name"]: each for each in one["anova"]["components"]}
    keys = [("percent_study", "% of study variation", figures.PALE, "")]
    if found["gauge"]["percent_tolerance"] is not None:
        keys.append(("percent_tolerance", "% of tolerance", "white", "//////"))
    most = max(100.0, *(found[name][key] for name in COMPONENTS for key, *_ in keys))
    x_ticks = list(enumerate(_BARS))
    axes = figures.field(
        drawn, place, (-0.6, 3.6), (0, 1.05 * most), x_ticks=x_ticks, title="components: " + " and hatched ".join(word for _, word, *_ in keys)
    )  # fmt: skip
    wide = 0.7 / len(keys)
    for column, (key, _, face, hatch) in enumerate(keys):
        left = [at - 0.35 + column * wide for at in range(len(COMPONENTS))]
        axes.bar(
            left, [found[name][key] for name in COMPONENTS], wide, align="edge", facecolor=face, edgecolor=figures.INK, hatch=hatch,
            linewidth=0.6,
        )  # fmt: skip
        for at, name in zip(left, COMPONENTS, strict=True):
            _note(axes, f"{found[name][key]:.0f}", at + wide / 2, found[name][key], (0, 1.5), "center", "bottom")


def _bias(drawn: Figure, place: Place, one: Data) -> None:
    """Each rater against the others with its 95 % interval."""
    found = one["bias"]
    ends = [each[key] for each in found for key in ("low", "high", "bias") if number(each[key]) is not None] + [0.0]
    low, high = min(ends), max(ends)
    room = 0.12 * ((high - low) or 1.0)
    names = [(at, clipped(each["rater"], 14)) for at, each in enumerate(found)]
    axes = figures.field(
        drawn, place, (-0.6, len(found) - 0.4), (low - room, high + room), x_ticks=names,
        title=f"bias to the mean of the others, {one['unit']}, 95 %",
    )  # fmt: skip
    axes.axhline(0.0, color=figures.INK, linewidth=0.9, zorder=2)
    for at, each in enumerate(found):
        axes.errorbar(
            [at], [each["bias"]], yerr=[[each["bias"] - each["low"]], [each["high"] - each["bias"]]], fmt="D", color=figures.INK,
            markersize=4, capsize=4, elinewidth=1.1, zorder=4,
        )  # fmt: skip


def _interaction(drawn: Figure, place: Place, one: Data, raters: Sequence[str]) -> None:
    """Means by unit, a line for each rater: parallel lines mean no interaction."""
    means = one["means"]
    axes = _of_units(
        drawn,
        place,
        one,
        [value for row in means for value in row],
        f"mean of each unit by each rater, {one['unit']} (lines that cross: interaction)",
    )
    for column, rater in enumerate(raters):
        axes.plot(
            range(len(means)), [row[column] for row in means], color=figures.INK, linewidth=0.8, linestyle=_STROKES[column % len(_STROKES)],
            marker=_MARKERS[column % len(_MARKERS)], markersize=3.6, mfc="white", mew=0.8, label=f" {clipped(rater, 16)}", clip_on=False,
        )  # fmt: skip
    axes.legend(
        loc="center left",
        bbox_to_anchor=(1.01, 0.5),
        frameon=False,
        fontsize=7,
        handlelength=3.2,
        borderaxespad=0.2,
        labelspacing=0.5,
    )


def _ranges(drawn: Figure, place: Place, one: Data, raters: Sequence[str]) -> None:
    """Ranges of the trials, unit by unit, with the limit of the average-and-range method."""
    ranges, told = one["ranges"], one["range"] or {}
    high = number(told.get("range_high"))
    values = [value for row in ranges for value in row] + ([high] if high is not None else []) + [0.0]
    axes = _of_units(drawn, place, one, values, f"range of the trials, {one['unit']}", names=True)
    for column in range(len(raters)):
        shift = (column - (len(raters) - 1) / 2) * 0.16
        axes.plot(
            [at + shift for at in range(len(ranges))], [row[column] for row in ranges], _MARKERS[column % len(_MARKERS)], color=figures.INK,
            markersize=3.4, mfc="white", mew=0.8, linestyle="none", clip_on=False,
        )  # fmt: skip
    said = []
    for key, word, style in (("range_high", "UCL", (0, (5, 2))), ("mean_range", "mean", "-")):
        value = number(told.get(key))
        if value is not None:
            axes.axhline(value, color=figures.INK, linewidth=0.8, linestyle=style, zorder=2)
            said.append((value, word))
    figures.beside(axes, said)


def _by_rater(drawn: Figure, place: Place, one: Data, raters: Sequence[str]) -> None:
    """Every unit's mean by each rater, and the raters' means as lines."""
    values = [value for row in one["means"] for value in row]
    names = [(at, clipped(each, 14)) for at, each in enumerate(raters)]
    axes = figures.field(
        drawn, place, (-0.6, len(raters) - 0.4), _span(values), x_ticks=names, title=f"by rater, {one['unit']}"
    )
    for at, mean in enumerate(one["by_rater"]):
        axes.plot(
            [at] * len(one["means"]), [row[at] for row in one["means"]], _MARKERS[at % len(_MARKERS)], color=figures.GREY, markersize=3.2,
            mfc="white", mew=0.8, linestyle="none",
        )  # fmt: skip
        axes.plot([at - 0.25, at + 0.25], [mean, mean], color=figures.INK, linewidth=1.4)
    axes.plot(range(len(raters)), one["by_rater"], color=figures.INK, linewidth=0.6)


def _of_units(drawn: Figure, place: Place, one: Data, values: Sequence[float], title: str, names: bool = True) -> Axes:
    units = one["complete"]
    step = max(1, -(-len(units) // round(place[2] / 0.34)))
    ticks = (
        [(at, clipped(units[at], 6 if len(units) > 4 else 12)) for at in range(0, len(units), step)] if names else ()
    )
    return figures.field(drawn, place, (-0.4, len(units) - 0.6), _span(values), x_ticks=ticks, title=title)


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = 0.1 * ((high - low) or abs(high) or 1.0)
    return low - (0.0 if low == 0.0 else room), high + room


def _note(axes: Axes, words: str, x: float, y: float, off: tuple[float, float], across: str, up: str) -> None:
    axes.annotate(
        words, (x, y), xytext=off, textcoords="offset points", ha=across, va=up, fontsize=6.5, annotation_clip=False
    )
