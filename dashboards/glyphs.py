"""Numbers and verdict words as large block letters.

Each sign stands on a grid of 3 x 5 fields: two upright strokes with a hole between, three bars with holes between.
A face says how wide and how high strokes and holes are drawn, so one grid serves every size.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

_GRID = {
    "0": "### # # # # # # ###",
    "1": "  #   #   #   #   #",
    "2": "###   # ### #   ###",
    "3": "###   # ###   # ###",
    "4": "# # # # ###   #   #",
    "5": "### #   ###   # ###",
    "6": "### #   ### # # ###",
    "7": "###   #   #   #   #",
    "8": "### # # ### # # ###",
    "9": "### # # ###   # ###",
    "-": "        ###        ",
    " ": "                   ",
    "A": "### # # ### # # # #",
    "C": "### #   #   #   ###",
    "D": "##  # # # # # # ## ",
    "E": "### #   ##  #   ###",
    "F": "### #   ##  #   #  ",
    "L": "#   #   #   #   ###",
    "N": "##  # # # # # # # #",
    "O": "### # # # # # # ###",
    "P": "### # # ### #   #  ",
    "S": "### #   ###   # ###",
    "U": "# # # # # # # # ###",
    "V": "# # # # # # # #  # ",
}
_NARROW = {".": "    #", "I": "#####"}  # one stroke wide, top to bottom


@dataclass(frozen=True, slots=True)
class Face:
    """Columns of a stroke and of a hole; half rows of a bar and of a hole; columns between two signs."""

    stroke: int
    hole: int
    bar: int
    gap_rows: int
    between: int

    @property
    def rows(self) -> int:
        return (3 * self.bar + 2 * self.gap_rows + 1) // 2

    def width(self, text: str) -> int:
        """Columns that the text takes."""
        signs = [self.stroke if sign in _NARROW else 2 * self.stroke + self.hole for sign in text]
        return sum(signs) + self.between * max(len(text) - 1, 0)


FACES = (
    Face(5, 8, 5, 6, 3),
    Face(4, 6, 4, 5, 3),
    Face(4, 5, 4, 4, 2),
    Face(3, 5, 3, 4, 2),
    Face(3, 4, 3, 3, 2),
    Face(2, 4, 2, 3, 2),
    Face(2, 3, 2, 2, 2),
    Face(2, 2, 2, 2, 1),
    Face(1, 2, 1, 2, 1),
    Face(1, 1, 1, 1, 1),
)
#: Whole rows only, since ASCII has no half a block; the last is drawn with lines instead.
ASCII_FACES = (
    Face(4, 6, 4, 6, 3),
    Face(4, 5, 4, 4, 2),
    Face(3, 4, 2, 4, 2),
    Face(2, 3, 2, 2, 2),
    Face(2, 2, 2, 2, 1),
    Face(1, 1, 1, 1, 1),
)
LINED = ASCII_FACES[-1]


def face_for(text: str, columns: int, rows: int, ascii_only: bool = False) -> Face | None:
    """The largest face in which the text fits, or None."""
    faces = ASCII_FACES if ascii_only else FACES
    return next((face for face in faces if face.rows <= rows and face.width(text) <= columns), None)


def big(text: str, face: Face, ascii_only: bool = False) -> list[str]:
    """The text in large signs: `face.rows` lines. KeyError for a sign that there is none of."""
    if ascii_only and face == LINED:
        return _lined(text)
    halves = [_half_row(text, face, field) for field in _fields(face)]
    if len(halves) % 2:
        halves.append(" " * len(halves[0]))
    return [_merge(*pair, ascii_only) for pair in zip(halves[::2], halves[1::2], strict=True)]


def _fields(face: Face) -> Iterator[int]:
    """For every half row from the top, the grid's row that it shows."""
    for field in range(5):
        for _ in range(face.gap_rows if field % 2 else face.bar):
            yield field


def _half_row(text: str, face: Face, field: int) -> str:
    parts = []
    for sign in text:
        if sign in _NARROW:
            parts.append(_NARROW[sign][field] * face.stroke)
        else:
            row = _GRID[sign][4 * field : 4 * field + 3]
            parts.append(row[0] * face.stroke + row[1] * face.hole + row[2] * face.stroke)
    return (" " * face.between).join(parts)


def _merge(upper: str, lower: str, ascii_only: bool) -> str:
    if ascii_only:
        return "".join("#" if "#" in pair else " " for pair in zip(upper, lower, strict=True))
    blocks = {("#", "#"): "█", ("#", " "): "▀", (" ", "#"): "▄", (" ", " "): " "}
    return "".join(blocks[pair] for pair in zip(upper, lower, strict=True))


def _lined(text: str) -> list[str]:
    """Three rows of strokes: '_' for a bar, '|' for an upright."""
    rows = ["", "", ""]
    for sign in text:
        if sign in _NARROW:
            drawn = (" ", "|" if sign == "I" else " ", "|" if sign == "I" else ".")
        else:
            grid = _GRID[sign]

            def on(row: int, column: int, mark: str, grid: str = grid) -> str:
                return mark if grid[4 * row + column] == "#" else " "

            drawn = (
                " " + on(0, 1, "_") + " ",
                on(1, 0, "|") + on(2, 1, "_") + on(1, 2, "|"),
                on(3, 0, "|") + on(4, 1, "_") + on(3, 2, "|"),
            )
        rows = [row + (" " if row else "") + part for row, part in zip(rows, drawn, strict=True)]
    return rows
