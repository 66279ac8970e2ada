"""How a unit, or all units of a machine, did over the visits. What it is given: see benchd/visits/history.py."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd_dashboards.paper import figures
from benchd_dashboards.paper.sheet import Block, figure, heading, items, keep, table, text
from benchd_dashboards.paper.words import clipped, moment, number, one_line, places_of, plain, stamp

Data = Mapping[str, Any]
WIDE, HIGH = 78, 11
MOST_ROWS = 60  # of a table: the newest
LEGEND = "o passed, x did not; a capital: outside the limits; = mean, - control limits, . what is asked"


def sheet(data: Data) -> dict[str, Any]:
    name = subject(data)
    return {
        "title": clipped(f"History of {name}", 42),
        "over": clipped(f"History of {name}", 90),
        "shop": clipped(data.get("shop"), 40),
        "strip": None,
        "foot": clipped(f"History, printed {moment(data.get('printed'))} by {one_line(data.get('program'))}", 95),
        "printed": data.get("printed"),
        "blocks": list(_blocks(data)),
    }


def subject(data: Data) -> str:
    """'Hollin T18 garden tractor, serial HT18-20931', or whatever of it is known."""
    machine, unit = one_line(data.get("machine")), one_line(data.get("unit"))
    return ", ".join(one for one in (machine, f"serial {unit}" if unit else "") if one) or "all runs"


def _blocks(data: Data) -> Iterator[Block]:
    visits = int(data.get("visits") or 0)
    yield text(
        f"{visits} {'visit' if visits == 1 else 'visits'}. Of each the last run counts: how the machine left.", "lead"
    )
    series = list(data.get("series") or ())
    if not series:
        yield text("No judged run of this one has measured anything yet.")
    for one in series:
        told = [text(one["said"]), *([items(_outside(one))] if one["outside"] else [])]
        yield keep([heading(2, one["title"]), figure(chart(one), _alt(one), ""), *told])
    if series:
        yield heading(2, "The visits, newest first")
        yield from _visits(series)
    yield heading(2, "How to read this")
    yield items(
        (
            "Dots: visits whose last run passed; crosses: those whose last run did not. A ring around one: outside the control limits.",
            "Solid line: the mean. Dashed lines: control limits, mean ± 2.66 times the mean difference of neighbours (individuals and moving range chart).",
            "Hatched, or a dotted line: what the machine's file asked for in the newest run. Control limits say what is usual for these visits, not what is right.",
        )
    )


def _alt(one: Data) -> str:
    values = [point["value"] for point in one["points"]]
    return f"{one['title']} over {len(values)} visits, from {min(values):.4g} to {max(values):.4g} {one['unit']}. {one['said']}"


def _outside(one: Data) -> list[str]:
    return [f"Outside: {_point(one, one['points'][place])}" for place in one["outside"]]


def _point(one: Data, point: Data) -> str:
    """'2026-11-25, order 1042, 14.39 ± 0.11 V'."""
    order = f", order {one_line(point['work_order'])}" if point.get("work_order") else f", run {one_line(point['run'])}"
    unit = f", serial {one_line(point['unit'])}" if point.get("unit") else ""
    return f"{stamp(point['at'])[:10]}{order}{unit}: {_value(one, point)}"


def _value(one: Data, point: Data) -> str:
    places = places_of(point.get("u"))
    if places is None:
        return f"{point['value']:.4g} {one['unit']}"
    return f"{point['value']:.{places}f} ± {point['u']:.{places}f} {one['unit']}"


def _visits(series: Sequence[Data]) -> Iterator[Block]:
    """A row for each visit, a column for each series."""
    rows: dict[str, dict[str, str]] = {}
    for column, one in enumerate(series):
        for place, point in enumerate(one["points"]):
            mark = "\noutside" if place in one["outside"] else ""
            verdict = "" if point.get("verdict") == "pass" else f"\n{one_line(point.get('verdict')).upper()}"
            row = rows.setdefault(
                f"order {one_line(point['work_order'])}" if point.get("work_order") else one_line(point["run"]), {}
            )
            row.update({"at": max(str(point["at"]), row.get("at", "")), "unit": one_line(point.get("unit"))})
            row[str(column)] = _value(one, point) + verdict + mark
    newest = sorted(rows.items(), key=lambda one: one[1]["at"], reverse=True)
    columns = [str(column) for column in range(len(series))]
    cells = [
        (stamp(row["at"])[:10], visit, row["unit"], *(row.get(one, "") for one in columns))
        for visit, row in newest[:MOST_ROWS]
    ]
    head = ("day", "visit", "serial", *(one["title"] for one in series))
    yield table(head, cells, (1.4, 2, 1.8, *(2.2 for _ in series)))
    if len(newest) > MOST_ROWS:
        yield text(f"{len(newest) - MOST_ROWS} older visits are in the charts, and not in the table.", "small")


def chart(one: Data, width_in: float = figures.WIDTH_IN) -> str:
    """Values over the visits with mean, control limits and what was asked, as SVG."""
    with figures.drawing(width_in, 2.3) as (drawn, buffer):
        axes = drawn.subplots()
        drawn.subplots_adjust(left=0.62 / width_in, right=1 - 0.95 / width_in, top=1 - 0.12 / 2.3, bottom=0.42 / 2.3)
        figures.bare(axes)
        _asked(axes, one)
        _limits(axes, one)
        _points(axes, one)
        _right(axes, _words(one))
        axes.set_ylabel(one["unit"], rotation=0, ha="right", va="center")
        axes.set_xlabel("visits, oldest first", fontsize=7)
        _days(axes, one["points"])
    return figures.svg_of(buffer)


def _asked(axes: Any, one: Data) -> None:
    low, high = (number(each) for each in one["asked"])
    if low is not None and high is not None:
        axes.axhspan(low, high, facecolor="white", edgecolor="#b8b8b8", hatch="//////", linewidth=0, zorder=1)
    for each in (low, high):
        if each is not None:
            axes.axhline(each, color=figures.GREY, linewidth=0.8, linestyle=(0, (1, 1.5)), zorder=2)


def _limits(axes: Any, one: Data) -> None:
    limits = one.get("limits")
    if limits:
        axes.axhline(limits["centre"], color=figures.INK, linewidth=0.9, zorder=3)
        for key in ("low", "high"):
            axes.axhline(limits[key], color=figures.INK, linewidth=0.9, linestyle=(0, (6, 2)), zorder=3)


def _words(one: Data) -> list[tuple[float, str]]:
    """What is said at the right of the lines."""
    found = [(float(each), f"asked {plain(each)}") for each in one["asked"] if number(each) is not None]
    if limits := one.get("limits"):
        found += [(limits[key], f"limit {limits[key]:.4g}") for key in ("low", "high")]
        found.append((limits["centre"], f"mean {limits['centre']:.4g}"))
    return sorted(found)


def _right(axes: Any, said: Sequence[tuple[float, str]], apart_pt: float = 8.5) -> None:
    """The words beside their lines, moved apart where they would lie on one another."""
    low, high = axes.get_ylim()
    tall_pt = axes.get_window_extent().height / axes.figure.dpi * 72
    free_pt = -1e9
    for at, words in said:
        at_pt = max((at - low) / (high - low) * tall_pt, free_pt)
        free_pt = at_pt + apart_pt
        axes.annotate(
            words,
            (1.0, 0.0),
            xycoords="axes fraction",
            xytext=(4, at_pt),
            textcoords="offset points",
            va="center",
            fontsize=7,
        )


def _points(axes: Any, one: Data) -> None:
    points = one["points"]
    values = [point["value"] for point in points]
    axes.plot(range(len(values)), values, color=figures.GREY, linewidth=0.7, zorder=4)
    for passed, marker in ((True, "o"), (False, "X")):
        at = [place for place, point in enumerate(points) if (point["verdict"] == "pass") is passed]
        axes.plot(
            at,
            [values[place] for place in at],
            marker,
            color=figures.INK,
            markersize=4 if passed else 6,
            linestyle="none",
            zorder=5,
        )
    outside = list(one["outside"])
    axes.plot(
        outside,
        [values[place] for place in outside],
        "o",
        mfc="none",
        mec=figures.INK,
        mew=1.2,
        markersize=11,
        linestyle="none",
        zorder=6,
    )
    axes.set_xlim(-0.5, max(len(values) - 0.5, 0.5))
    axes.margins(y=0.15)


def _days(axes: Any, points: Sequence[Data]) -> None:
    """As many days as can be read."""
    step = -(-len(points) // 7)
    places = list(range(0, len(points), step))
    axes.set_xticks(places, [stamp(points[place]["at"])[:10] for place in places], fontsize=7)


# --- for a terminal -----------------------------------------------------------------------------------------------------


def lines(data: Data, width: int = WIDE) -> list[str]:
    """The charts in plain letters, no line wider than `width`."""
    visits = int(data.get("visits") or 0)
    found = textwrap.wrap(
        f"{subject(data)}: {visits} {'visit' if visits == 1 else 'visits'}, the last run of each", width
    )
    if not data.get("series"):
        found.append("no judged run of this one has measured anything yet")
    for one in data.get("series") or ():
        found += ["", f"{one['title']}, {one['unit']}", *_drawn(one, width)]
        found += textwrap.wrap(one["said"], width)
        for line in _outside(one):
            found += textwrap.wrap(line, width, subsequent_indent="  ")
    if data.get("series"):
        found += ["", *textwrap.wrap(LEGEND, width)]
    return found


def _drawn(one: Data, width: int) -> Iterator[str]:
    """Rows of values: o passed, x did not, O or X outside the limits; - limits, = mean, . what is asked."""
    room = width - 10
    points = list(enumerate(one["points"]))[-room:]
    levels = (
        [("=", one["limits"]["centre"]), ("-", one["limits"]["low"]), ("-", one["limits"]["high"])]
        if one.get("limits")
        else []
    )
    levels += [(".", each) for each in one["asked"] if number(each) is not None]
    shown = [point["value"] for _, point in points] + [at for _, at in levels]
    low, high = min(shown), max(shown)
    step = (high - low) / (HIGH - 1) or 1.0
    gap = max(1, min(4, room // max(len(points), 1)))
    rows = [[" "] * (gap * len(points)) for _ in range(HIGH)]
    for mark, at in levels[::-1]:
        rows[round((high - at) / step)] = [mark] * (gap * len(points))
    for column, (place, point) in enumerate(points):
        mark = "o" if point["verdict"] == "pass" else "x"
        rows[round((high - point["value"]) / step)][gap * column] = mark.upper() if place in one["outside"] else mark
    for at, row in enumerate(rows):
        yield f"{high - at * step:8.4g} |{''.join(row)}".rstrip()
    first, last = (stamp(point["at"])[:10] for _, point in (points[0], points[-1]))
    yield " " * 10 + (first if len(points) * gap < 22 else f"{first}{last:>{gap * len(points) - 10}}")
    missing = len(one["points"]) - len(points)
    if missing:
        yield f"{' ' * 10}({missing} older visits find no room)"
