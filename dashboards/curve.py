"""A channel's curve since the start, before the expected band and the spec's limits, as lines of text."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise

from benchd_dashboards.dials import Dial
from benchd_dashboards.look import Look, clock, paint
from benchd_dashboards.state import Track
from rich.text import Text

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))  # the dot patterns of U+2800, row by row
_BREAK_S = 5.0  # a longer silence is left open in the curve
LABEL = 6  # columns of the numbers at the left


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where a time and a value fall: `across` x `down` dots; `cell` dots of each kind make a character."""

    end_s: float
    low: float
    high: float
    across: int
    down: int

    def column(self, t_s: float) -> int:
        return min(max(int(t_s / self.end_s * self.across), 0), self.across - 1)

    def row(self, value: float) -> int:
        share = (self.high - value) / (self.high - self.low)
        return min(max(round(share * (self.down - 1)), 0), self.down - 1)

    def has(self, value: float) -> bool:
        return self.low <= value <= self.high


def curve(
    track: Track,
    expected: Track | None,
    shown: Dial,
    now_s: float,
    size: tuple[int, int],
    look: Look,
    behind: Track | None = None,
) -> list[Text]:
    """`size` = (columns, rows): rows - 1 of curve, one of times. Needs at least 12 columns and 3 rows.

    `behind`: the last good run's curve, dotted, wherever nothing else is drawn.
    """
    columns, rows = size[0] - LABEL, size[1] - 1
    fine = (1, 1) if look.ascii else (2, 4)
    low, high = _range(track, shown)
    frame = _Frame(max(now_s, 30.0), low, high, columns * fine[0], rows * fine[1])
    drawn = _characters(_drawn(track, frame), fine)
    dotted = set() if behind is None else _dotted(behind, frame, fine)
    shaded = _shade(expected, frame, columns, rows, fine)
    labels = _labels(shown, frame, rows, fine[1])
    lines = []
    for row in range(rows):
        line = look.text(f"{labels.get(row, ''):>{LABEL - 1}}{look.mark('axis')}", "quiet")
        places = ((row, column) for column in range(columns))
        paint(
            line,
            (_cell(drawn.get(place, ""), place in dotted, place in shaded, row in labels, look) for place in places),
        )
        lines.append(line)
    return [*lines, _times(frame.end_s, size[0], look)]


def _range(track: Track, shown: Dial) -> tuple[float, float]:
    """The values that the rows span: the data and the band (not the whole scale: a curve needs its height)."""
    lows = [low for _, low, _ in track.points] + shown.limits
    highs = [high for _, _, high in track.points] + shown.limits
    low, high = min(lows, default=shown.low), max(highs, default=shown.high)
    margin = 0.06 * ((high - low) or 1.0)
    return low - margin, high + margin


def _drawn(track: Track, frame: _Frame) -> set[tuple[int, int]]:
    """(column, row) of every dot, neighbours joined unless nothing was read for long."""
    found: set[tuple[int, int]] = set()
    before: tuple[float, int, int] | None = None
    step_s = frame.end_s / max(len(track.points), 1)
    for t_s, low, high in track.points:
        column, top, bottom = frame.column(t_s), frame.row(high), frame.row(low)
        found.update((column, row) for row in range(top, bottom + 1))
        middle = (top + bottom) // 2
        if before is not None and t_s - before[0] <= max(_BREAK_S, 3 * step_s):
            found.update(_joined(before[1], before[2], column, middle))
        before = (t_s, column, middle)
    return found


def _joined(column_a: int, row_a: int, column_b: int, row_b: int) -> set[tuple[int, int]]:
    steps = max(column_b - column_a, abs(row_b - row_a), 1)
    return {
        (column_a + round(n * (column_b - column_a) / steps), row_a + round(n * (row_b - row_a) / steps))
        for n in range(steps + 1)
    }


def _characters(dots: set[tuple[int, int]], fine: tuple[int, int]) -> dict[tuple[int, int], str]:
    """(row, column) of a character -> what the dots in it make."""
    if fine == (1, 1):
        return {(row, column): "*" for column, row in dots}
    bits: dict[tuple[int, int], int] = {}
    for column, row in dots:
        place = (row // 4, column // 2)
        bits[place] = bits.get(place, 0) | _DOTS[row % 4][column % 2]
    return {place: chr(0x2800 + found) for place, found in bits.items()}


def _labels(shown: Dial, frame: _Frame, rows: int, fine: int) -> dict[int, str]:
    """Row -> number of the limit that lies there."""
    limits = shown.limits + ([] if shown.ceiling is None else [shown.ceiling])
    found: dict[int, str] = {}
    for limit in limits:
        if frame.has(limit) and limit > 0:
            found.setdefault(min(frame.row(limit) // fine, rows - 1), f"{limit:.4g}")
    return found


def _shade(
    expected: Track | None, frame: _Frame, columns: int, rows: int, fine: tuple[int, int]
) -> set[tuple[int, int]]:
    """(row, column) of the cells in the band where the curve was expected."""
    if expected is None or not expected.points:
        return set()
    times = [t_s for t_s, _, _ in expected.points]
    found: set[tuple[int, int]] = set()
    for column in range(columns):
        t_s = (column + 0.5) / columns * frame.end_s
        place = bisect_right(times, t_s) - 1
        if place < 0 or (place == len(times) - 1 and t_s - times[-1] > _BREAK_S):
            continue
        _, low, high = expected.points[place]
        if high < frame.low or low > frame.high:
            continue
        top, bottom = frame.row(high) // fine[1], frame.row(low) // fine[1]
        found.update((row, column) for row in range(top, min(bottom, rows - 1) + 1))
    return found


def _dotted(behind: Track, frame: _Frame, fine: tuple[int, int]) -> set[tuple[int, int]]:
    """(row, column) of every second cell that the curve of the last good run goes through."""
    inside = [(t_s, (low + high) / 2) for t_s, low, high in behind.points if 0 <= t_s <= frame.end_s]
    cells: dict[int, int] = {}
    for (t_s, value), (after_s, after) in pairwise(inside):
        first, last = frame.column(t_s) // fine[0], frame.column(after_s) // fine[0]
        for column in range(first, last + 1):
            share = 0.0 if last == first else (column - first) / (last - first)
            found = value + share * (after - value)
            if frame.has(found):
                cells.setdefault(column, frame.row(found) // fine[1])
    return {(row, column) for column, row in cells.items() if column % 2 == 0}


def _cell(drawn: str, dotted: bool, shaded: bool, edged: bool, look: Look) -> tuple[str, str]:
    if drawn:
        return drawn, look.style("curve")
    if dotted:
        return look.mark("behind"), look.style("quiet")
    if shaded:
        return look.mark("shade"), look.style("expected")
    if edged:
        return look.mark("edge"), look.style("band")
    return " ", ""


def _times(end_s: float, columns: int, look: Look) -> Text:
    end = clock(end_s)
    room = columns - LABEL - 4 - len(end)
    return look.text(" " * LABEL + "0:00" + " " * max(room, 1) + end, "quiet")
