"""How the gauge says things: colours that the colour-blind can tell apart, symbols, and their ASCII stand-ins.

Every meaning that has a colour also has a word; take the colours away and nothing is lost.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby

from rich.text import Text

# Blue against orange stays apart under every common colour blindness; red against green does not.
_COLOURED = {
    "": "",
    "head": "bold #e8edf2",
    "quiet": "#9aa7b4",
    "good": "bold #5cb8ff",
    "warn": "bold #ffb000",
    "bad": "bold #14181c on #ff7a45",
    "call": "bold #14181c on #f2e05c",
    "bar": "bold #14181c on #c3ccd6",
    "bar good": "bold #14181c on #5cb8ff",
    "bar warn": "bold #14181c on #ffb000",
    "digits": "bold #f4f7fa",
    "alarm": "bold #ff7a45",
    "band": "#3f7fb5",
    "expected": "#4d6478",
    "curve": "bold #f2e05c",
}
_BARE = {
    "": "",
    "head": "bold",
    "quiet": "",
    "good": "bold",
    "warn": "bold",
    "bad": "bold reverse",
    "call": "reverse",
    "bar": "reverse",
    "bar good": "bold reverse",
    "bar warn": "bold reverse",
    "digits": "bold",
    "alarm": "bold",
    "band": "",
    "expected": "",
    "curve": "bold",
}

_FANCY = {
    "line": "─",
    "zone": "━",
    "open": "┣",
    "shut": "┫",
    "needle": "▲",
    "under": "◀",
    "over": "▶",
    "ceiling": "╋",
    "edge": "╌",
    "behind": "·",
    "shade": "░",
    "bullet": "•",
    "do": "▶",
    "sep": " · ",
    "pm": "±",
    "more": "▼",
    "less": "▲",
    "axis": "│",
    "cursor": "▏",
}
_ASCII = {
    "line": "-",
    "zone": "=",
    "open": "[",
    "shut": "]",
    "needle": "^",
    "under": "<",
    "over": ">",
    "ceiling": "!",
    "edge": "-",
    "behind": ".",
    "shade": ":",
    "bullet": "*",
    "do": ">",
    "sep": " | ",
    "pm": "+/-",
    "more": "v",
    "less": "^",
    "axis": "|",
    "cursor": "_",
}
_TO_ASCII = str.maketrans(
    {
        "±": "+/-",
        "·": "-",
        "–": "-",
        "—": "-",
        "−": "-",
        "°": " deg ",
        "Ω": "ohm",
        "µ": "u",
        "μ": "u",
        "…": "...",
        "×": "x",
        "≥": ">=",
        "≤": "<=",
        "’": "'",
        "‘": "'",
        "“": '"',
        "”": '"',
        "√": "sqrt ",
        "²": "^2",
    }
)


def harmless(text: object) -> str:
    """The text without anything that could move a terminal's cursor or recolour it (an instrument may say so)."""
    return "".join(char if char.isprintable() else " " for char in str(text))


@dataclass(frozen=True, slots=True)
class Look:
    """What the terminal can show."""

    ascii: bool = False
    no_color: bool = False

    def style(self, role: str) -> str:
        return (_BARE if self.no_color else _COLOURED)[role]

    def mark(self, name: str) -> str:
        return (_ASCII if self.ascii else _FANCY)[name]

    def say(self, text: object) -> str:
        """Words from anywhere, fit for this terminal."""
        if not self.ascii:
            return str(text)
        folded = unicodedata.normalize("NFKD", str(text).translate(_TO_ASCII))
        return "".join(c for c in folded if not unicodedata.combining(c)).encode("ascii", "replace").decode()

    def text(self, text: object, role: str = "") -> Text:
        return Text(self.say(text), style=self.style(role), no_wrap=True, overflow="crop", end="")

    def wrap(self, text: object, width: int, role: str = "", lead: str = "", lines: int | None = None) -> list[Text]:
        """The words broken into lines of `width` columns; `lead` stands before the first, the others hang under it.

        With `lines`, the last line allowed ends in dots where words were left out.
        """
        lead = self.say(lead)
        found = textwrap.wrap(
            self.say(text),
            max(width, len(lead) + 8),
            initial_indent=lead,
            subsequent_indent=" " * len(lead),
            max_lines=lines,
            placeholder=" ...",
        )
        return [self.text(line, role) for line in found]

    def strip(self, line: Text, width: int, role: str) -> Text:
        """The line as a bar over the whole width, so that it is seen from afar even without colour."""
        full = Text(no_wrap=True, overflow="crop", end="", style=self.style(role))
        full.append_text(line)
        full.truncate(width)
        full.append(" " * (width - full.cell_len))
        return full


def paint(line: Text, cells: Iterable[tuple[str, str]]) -> Text:
    """Append (character, style) cells, one span for every run of one style."""
    for style, run in groupby(cells, key=lambda cell: cell[1]):
        line.append("".join(char for char, _ in run), style)
    return line


def beside(left: Text, right: Text, width: int, look: Look) -> Text:
    """Left-hand and right-hand words on one line; the left gives way."""
    line = Text(no_wrap=True, overflow="crop", end="")
    room = max(width - right.cell_len - 1, 0)
    cut = left.copy()
    cut.truncate(room, overflow="crop")
    line.append_text(cut)
    line.append(" " * max(width - cut.cell_len - right.cell_len, 0))
    line.append_text(right)
    line.truncate(width)
    return line


def join(parts: Iterable[Text], sep: str) -> Text:
    """Parts on one line."""
    line = Text(sep, no_wrap=True, overflow="crop", end="").join(parts)
    line.no_wrap, line.overflow, line.end = True, "crop", ""
    return line


def clock(seconds: float | None) -> str:
    """Seconds as minutes and seconds."""
    if seconds is None:
        return "--:--"
    whole = max(int(seconds), 0)
    return f"{whole // 60}:{whole % 60:02d}"
