"""Curves as SVG, to be read in black and white: solid lines for what was measured, hatching for what is asked.

matplotlib is imported when the first curve is drawn. Letters are drawn as paths, ids do not change from one day to the
next: the same points give the same bytes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from threading import Lock
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, GREY, PALE = "#000000", "#666666", "#d9d9d9"
WIDTH_IN = 6.9  # of the line on A4
Points = Sequence[Sequence[float]]
_ONE_AT_A_TIME = Lock()  # the library's settings are the whole process', and a daemon prints in threads


@dataclass(frozen=True, slots=True)
class Line:
    """A limit across a panel: its words stand at it."""

    at: float
    words: str
    heavy: bool = False
    below: bool = False  # where its words stand


@dataclass(frozen=True, slots=True)
class Panel:
    """One quantity over time. `points` are (t_s, least, most), `band` what is asked, `end` the value that the verdict
    states with its expanded uncertainty."""

    title: str
    unit: str
    points: Points
    band: tuple[float, float] | None = None
    band_words: str = ""
    lines: tuple[Line, ...] = ()
    end: tuple[float, float | None, str] | None = None
    share: float = 1.0  # of the height
    span: float = 0.0  # the least that the height shows: a meter's last digit is no curve
    near: bool = False  # what lies far below all limits (a battery's dip under the starter) is cut


@contextmanager
def drawing(width_in: float, height_in: float) -> Iterator[tuple[Figure, io.StringIO]]:
    """A figure of this size; when it is left its SVG stands in the buffer."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    settings: dict[str, Any] = {
        "svg.hashsalt": "benchd",
        "svg.fonttype": "path",
        "font.family": "DejaVu Sans",
        "font.size": 8,
        "axes.linewidth": 0.6,
        "hatch.linewidth": 0.4,
        "axes.unicode_minus": False,
        "text.parse_math": False,  # a $ in somebody's text is a $
    }
    with _ONE_AT_A_TIME, mpl.rc_context(settings):
        made = Figure(figsize=(width_in, height_in))
        FigureCanvasSVG(made)
        into = io.StringIO()
        yield made, into
        made.savefig(into, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})


def svg_of(buffer: io.StringIO) -> str:
    """The SVG without the lines that only a file of its own needs."""
    return re.sub(r"^.*?(?=<svg)", "", buffer.getvalue(), count=1, flags=re.DOTALL)


def curves(panels: Sequence[Panel], height_in: float, width_in: float = WIDTH_IN) -> str:
    """The panels one above the other over the same time."""
    with drawing(width_in, height_in) as (figure, buffer):
        end_s = max((one.points[-1][0] for one in panels if one.points), default=0.0) or 1.0
        right_in = 0.9 if any(one.end for one in panels) else 0.12
        top, low, between = 0.24, 0.4, 0.34  # inches
        room = height_in - top - low - between * (len(panels) - 1)
        bottom = height_in - top
        for panel in panels:
            tall = room * panel.share / sum(one.share for one in panels)
            bottom -= tall
            place = (0.5 / width_in, bottom / height_in, 1 - (0.5 + right_in) / width_in, tall / height_in)
            _panel(figure.add_axes(place), panel, end_s, last=panel is panels[-1])
            bottom -= between
    return svg_of(buffer)


def _panel(axes: Axes, panel: Panel, end_s: float, last: bool) -> None:
    axes.set_axis_off()  # its ticks take longer than all else together: there are own ones below
    axes.set_xlim(0, end_s)
    _heights(axes, panel)
    _axes(axes, end_s, last)
    if panel.band is not None:
        axes.axhspan(*panel.band, facecolor="white", edgecolor="#7a7a7a", hatch="//////", linewidth=0, zorder=1)
        for edge in panel.band:
            axes.axhline(edge, color=GREY, linewidth=0.7, zorder=2)
        _words(axes, panel.band[0], panel.band_words, "top")
    for one in panel.lines:
        style = (0, (6, 2)) if one.heavy else (0, (2, 2))
        axes.axhline(one.at, color=INK, linewidth=1.1 if one.heavy else 0.8, linestyle=style, zorder=2)
        _words(axes, one.at, one.words, "top" if one.below else "bottom")
    if panel.points:
        times = [one[0] for one in panel.points]
        axes.fill_between(
            times,
            [one[1] for one in panel.points],
            [one[-1] for one in panel.points],
            color=GREY,
            linewidth=0,
            zorder=3,
        )
        middle = [(one[1] + one[-1]) / 2 for one in panel.points]
        axes.plot(times, middle, color=INK, linewidth=1.3, solid_joinstyle="round", zorder=4)
    if panel.end is not None:
        _end(axes, *panel.end, end_s)
    _at(axes, f"{panel.title}, {panel.unit}", (0, 1), (0, 3), fontweight="bold")


def _axes(axes: Axes, end_s: float, last: bool) -> None:
    """The two axes with few ticks; times under the lowest panel only."""
    from matplotlib.ticker import MaxNLocator

    low, high = axes.get_ylim()
    axes.plot([0, 0, end_s], [high, low, low], color=INK, linewidth=0.7, clip_on=False, zorder=7)
    values = [one for one in MaxNLocator(4, steps=[1, 2, 5, 10]).tick_values(low, high) if low <= one <= high]
    for value in values:
        axes.axhline(value, color=PALE, linewidth=0.4, zorder=0)
        said = f"{value:.6f}".rstrip("0").rstrip(".")
        _at(axes, said, (0, (value - low) / (high - low)), (-4, 0), ha="right", va="center")
    step = next((one for one in _STEPS_S if end_s / one <= 8), max(end_s / 8, 7200))
    for place in range(int(end_s / step + 1e-6) + 1):
        share = place * step / end_s
        axes.plot([share * end_s] * 2, [low, low + 0.03 * (high - low)], color=INK, linewidth=0.7, zorder=7)
        if last:
            _at(axes, clock(place * step), (share, 0), (0, -4), ha="center", va="top")
    if last:
        _at(axes, "minutes:seconds since the run began", (0.5, 0), (0, -15), ha="center", va="top", fontsize=7)


_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200)


def _at(axes: Axes, said: str, share: tuple[float, float], off_pt: tuple[float, float], **more: Any) -> None:
    """Words at a share of the panel's width and height, moved by points."""
    axes.annotate(
        said, share, xycoords="axes fraction", xytext=off_pt, textcoords="offset points", annotation_clip=False, **more
    )


def bare(axes: Axes) -> None:
    """No frame but the two axes."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(length=2.5, width=0.6)
    axes.margins(x=0)


def field(
    figure: Figure,
    place_in: tuple[float, float, float, float],
    x: tuple[float, float],
    y: tuple[float, float],
    *,
    x_ticks: Sequence[tuple[float, str]] | None = None,
    y_ticks: Sequence[tuple[float, str]] | None = None,
    title: str = "",
    below: str = "",
) -> Axes:
    """Axes at (left, bottom, width, height) inches with few ticks of our own, which are drawn ten times as fast. Ticks: (at, words)."""
    wide, high = figure.get_size_inches()
    left, bottom, width, height = place_in
    axes = figure.add_axes((left / wide, bottom / high, width / wide, height / high))
    axes.set_axis_off()
    axes.set_xlim(*x)
    axes.set_ylim(*y)
    axes.plot([x[0], x[0], x[1]], [y[1], y[0], y[0]], color=INK, linewidth=0.7, clip_on=False, zorder=7)
    up = ticks(y, max(2, round(height / 0.3))) if y_ticks is None else y_ticks
    across = ticks(x, max(2, round(width / 0.6))) if x_ticks is None else x_ticks
    _strokes(axes, [((x[0], at), (x[1], at)) for at, _ in up], color=PALE, linewidth=0.4, zorder=0)
    short = 0.03 * (y[1] - y[0])
    _strokes(
        axes, [((at, y[0]), (at, y[0] - short)) for at, _ in across], color=INK, linewidth=0.7, clip_on=False, zorder=7
    )
    for at, words in up:
        _at(axes, words, (0, (at - y[0]) / (y[1] - y[0])), (-3, 0), ha="right", va="center", fontsize=7)
    for at, words in across:
        _at(axes, words, ((at - x[0]) / (x[1] - x[0]), 0), (0, -4), ha="center", va="top", fontsize=7)
    if title:
        _at(axes, title, (0, 1), (0, 4), fontweight="bold", fontsize=7.5)
    if below:
        _at(axes, below, (0.5, 0), (0, -13), ha="center", va="top", fontsize=7)
    return axes


def _strokes(axes: Axes, each: Sequence[tuple[tuple[float, float], tuple[float, float]]], **more: Any) -> None:
    """Strokes from one point to another, all as one line with gaps."""
    nan = float("nan")
    xs = [at for one, other in each for at in (one[0], other[0], nan)]
    axes.plot(xs, [at for one, other in each for at in (one[1], other[1], nan)], **more)


def ticks(ends: tuple[float, float], most: int) -> list[tuple[float, str]]:
    """(value, words) of about so many round values between two ends."""
    from matplotlib.ticker import MaxNLocator

    low, high = ends
    found = [float(one) for one in MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)]
    step = abs(found[1] - found[0]) if len(found) > 1 else 1.0
    places = next((one for one in range(7) if abs(step - round(step, one)) < 1e-3 * step), 7)
    reach = 1e-9 * (high - low)
    return [(one, f"{one:.{places}f}") for one in found if low - reach <= one <= high + reach]


def beside(axes: Axes, said: Sequence[tuple[float, str]], apart_pt: float = 8.0) -> None:
    """Words right of their heights, moved apart where they would lie on one another."""
    low, high = axes.get_ylim()
    tall_pt = axes.get_window_extent().height / axes.figure.dpi * 72
    free_pt = -1e9
    for at, words in sorted(said):
        at_pt = max((at - low) / (high - low) * tall_pt, free_pt)
        free_pt = at_pt + apart_pt
        _at(axes, words, (1.0, 0.0), (4, at_pt), va="center", fontsize=7)


def _words(axes: Axes, at: float, words: str, side: str) -> None:
    if words:
        axes.annotate(
            words,
            (0.0, at),
            xycoords=("axes fraction", "data"),
            xytext=(3, 1.5 if side == "bottom" else -1.5),
            textcoords="offset points",
            ha="left",
            va=side,
            fontsize=7,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
            zorder=5,
        )


def _end(axes: Axes, value: float, spread: float | None, words: str, end_s: float) -> None:
    """What the verdict states, right of the curve's end."""
    axes.errorbar(
        [end_s * 1.025],
        [value],
        yerr=None if not spread else [[spread], [spread]],
        fmt="D",
        color=INK,
        markersize=4,
        capsize=3,
        elinewidth=1.2,
        clip_on=False,
        zorder=6,
    )
    axes.annotate(
        words,
        (end_s * 1.025, value),
        xytext=(7, 0),
        textcoords="offset points",
        va="center",
        fontsize=8,
        fontweight="bold",
        annotation_clip=False,
    )


def _heights(axes: Axes, panel: Panel) -> None:
    """The measured values and what is asked, with a margin."""
    shown = [value for one in panel.points for value in (one[1], one[-1])]
    asked = [*(panel.band or ()), *(one.at for one in panel.lines)]
    shown += asked
    if panel.end is not None:
        shown.append(panel.end[0])
    if not shown:
        return
    low, high = min(shown), max(shown)
    if panel.near and len(asked) > 1:
        low = max(low, min(asked) - 1.6 * (max(asked) - min(asked)))
    lacking = max(panel.span - (high - low), 0.0)
    low, high = low - lacking / 2, high + lacking / 2
    margin = 0.08 * ((high - low) or abs(high) or 1.0)
    axes.set_ylim(low - margin, high + 2.0 * margin)


def clock(t_s: float) -> str:
    return f"{round(t_s) // 60}:{round(t_s) % 60:02d}"


# --- which panels a run has ---------------------------------------------------------------------------------------------

_TITLES = {
    "battery_volts": "Battery volts",
    "charge_amps": "Charge amps",
    "stator_volts": "Stator volts AC, regulator unplugged",
    "stator_volts_2": "Stator volts AC, second pair",
    "stator_volts_3": "Stator volts AC, third pair",
    "engine_rpm": "Engine speed",
    "load_amps": "Load amps, out of the battery",
    "crank_amps": "Starter amps, out of the battery",
    "draw_amps": "Amps with the key off",
    "joint_volts": "Volts along the joint",
    "circuit_ohms": "Ohms of the circuit",
    "battery_celsius": "Battery temperature",
    "stator_hertz": "Stator frequency",
    "stator_ohms": "Ohms, lead to lead",
    "stator_ground_ohms": "Ohms, lead to ground",
}
_UNITS = {
    "volts": "V",
    "volts_2": "V",
    "volts_3": "V",
    "amps": "A",
    "rpm": "rpm",
    "celsius": "°C",
    "hertz": "Hz",
    "ohms": "ohm",
}
#: Channel -> the limits (keys of the verdict's `limits`) that are drawn in its panel, by procedure where it matters.
_BANDS = {
    ("regulator", "battery_volts"): "settled_volts",
    ("*", "engine_rpm"): "full_throttle_rpm",
}
_LINES = {
    ("regulator", "battery_volts"): (("ceiling_volts", "{} V: never above", True),),
    ("regulator", "charge_amps"): (
        ("rated_amps", "{} A: rated", False),
        ("min_amps", "{} A: least that counts as rated", True),
    ),
    ("stator", "stator_volts"): (("min_volts_ac", "{} V at least, at {at_rpm} rpm", True),),
    ("stator", "stator_volts_2"): (("min_volts_ac", "{} V at least, at {at_rpm} rpm", True),),
    ("stator", "stator_volts_3"): (("min_volts_ac", "{} V at least, at {at_rpm} rpm", True),),
    ("load", "battery_volts"): (("least_volts", "{} V at least", True),),
    ("load", "load_amps"): (("load_amps", "{} A: the load asked for", False),),
    ("drop", "joint_volts"): (("max_joint_volts", "{} V at one joint, at most", True),),
    ("crank", "battery_volts"): (("min_cranking_volts", "{} V at least", True),),
    ("crank", "crank_amps"): (("max_starter_amps", "{} A at most", True),),
    ("crank", "engine_rpm"): (("min_cranking_rpm", "{} rpm at least", True),),
    ("draw", "draw_amps"): (("max_key_off_amps", "{} A at most", True),),
}
#: What the verdict states at the end of a curve.
_ENDS = {
    ("regulator", "battery_volts"): "settled_volts",
    ("load", "battery_volts"): "load_volts",
    ("draw", "draw_amps"): "draw_amps",
}
_SPANS = {"battery_volts": 1.0, "charge_amps": 4.0, "load_amps": 10.0, "crank_amps": 10.0, "engine_rpm": 400.0}
_NEVER_DRAWN = ("stator_hertz", "battery_celsius")
MOST_PANELS = 4


def panels_of(procedure: str, curve: Mapping[str, Points], verdict: Mapping[str, Any]) -> list[Panel]:
    """The panels of a run: its channels with what the verdict asks of them, engine speed last and small."""
    names = [one for one in _TITLES if len(curve.get(one) or ()) > 1 and one not in _NEVER_DRAWN]
    names.sort(key=lambda one: one == "engine_rpm")
    return [_panel_of(procedure, name, curve[name], verdict) for name in names[:MOST_PANELS]]


def _panel_of(procedure: str, name: str, points: Points, verdict: Mapping[str, Any]) -> Panel:
    from benchd_dashboards.paper.words import limit, number, places_of, plain, titled

    limits, unit = verdict.get("limits") or {}, _UNITS.get(name.partition("_")[2], "")
    key = _BANDS.get((procedure, name)) or _BANDS.get(("*", name), "")
    if procedure == "crank" and name == "engine_rpm":
        key = ""
    found = limits.get(key)
    band = None
    if isinstance(found, list | tuple) and len(found) == 2 and None not in (number(found[0]), number(found[1])):
        band = (float(found[0]), float(found[1]))
    words = "" if band is None else f"asked: {limit(band, unit)}"
    lines = tuple(
        Line(
            float(limits[one]),
            said.format(plain(float(f"{limits[one]:.4g}")), at_rpm=limit(limits.get("at_rpm"))),
            heavy,
            one == "min_amps",
        )
        for one, said, heavy in _LINES.get((procedure, name), ())
        if number(limits.get(one)) is not None
    )
    end, stated = None, (verdict.get("measured") or {}).get(_ENDS.get((procedure, name), ""))
    if isinstance(stated, Mapping) and number(stated.get("value")) is not None:
        places = places_of(stated.get("expanded_uncertainty"))
        value = float(stated["value"])
        end = (
            value,
            stated.get("expanded_uncertainty"),
            f"{titled(_ENDS[procedure, name]).split()[0]}\n{value:.{2 if places is None else places}f} {unit}",
        )
    share = 0.45 if name == "engine_rpm" else 1.0
    return Panel(
        _TITLES[name],
        unit,
        points,
        band,
        words,
        lines,
        end,
        share,
        span=_SPANS.get(name, 0.0),
        near=(procedure, name) == ("regulator", "battery_volts"),
    )
