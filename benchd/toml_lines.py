"""The line on which each key of a TOML text stands, which tomllib does not tell.

Only for text that tomllib has taken: the scanner checks nothing, it only follows the text.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

#: Where something stands in a parsed file: keys, and places in arrays.
Path = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN = re.compile(r"[^,\]}#\n]*")  # numbers, booleans, dates (their blank included)


def key_lines(text: str) -> dict[Path, int]:
    """Path of every key, table and array element -> the line (from 1) where it begins."""
    return _Scanner(text.replace("\r\n", "\n")).scan()


def line_of(lines: Mapping[Path, int], path: Path) -> int:
    """The line of `path`, or that of the nearest table around it; 1 if nothing of it stands in the file."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return 1


class _Scanner:
    """Follows one text from the left; `at` is the place reached."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._counted_to, self._line = 0, 1
        self._rows: dict[Path, int] = {}  # array of tables -> index of its last one

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        while True:
            self._skip(_SPACE)
            if self.at >= len(self.text):
                return self.lines
            table = self._header() if self.text[self.at] == "[" else self._pair(table)

    # --- what stands on a line --------------------------------------------------------------------------------------

    def _header(self) -> Path:
        line = self._here()
        double = self.text.startswith("[[", self.at)
        self.at += 2 if double else 1
        keys = self._key()
        self.at += 2 if double else 1
        path = self._resolved(keys[:-1]) + keys[-1:]
        if double:
            self._note(path, line)
            self._rows[path] = self._rows.get(path, -1) + 1
            path = (*path, self._rows[path])
        for count in range(1, len(path) + 1):
            self._note(path[:count], line)
        return path

    def _pair(self, table: Path) -> Path:
        line = self._here()
        keys = self._key()
        self.at += 1  # the equals sign
        for count in range(1, len(keys) + 1):
            self._note(table + keys[:count], line)
        self._value(table + keys)
        return table

    def _resolved(self, keys: Path) -> Path:
        """The path with the place of the newest table wherever a key names an array of tables."""
        path: Path = ()
        for key in keys:
            path = (*path, key)
            if path in self._rows:
                path = (*path, self._rows[path])
        return path

    # --- keys and values --------------------------------------------------------------------------------------------

    def _key(self) -> Path:
        """A key with its dots; stops at what follows it."""
        keys: list[str] = []
        while True:
            self._skip(_BLANK)
            found = _BARE.match(self.text, self.at) or _STRING.match(self.text, self.at)
            if found is None:
                raise ValueError(f"no key at character {self.at}")
            self.at = found.end()
            keys.append(_unquoted(found.group()))
            self._skip(_BLANK)
            if not self.text.startswith(".", self.at):
                return tuple(keys)
            self.at += 1

    def _value(self, path: Path) -> None:
        self._skip(_BLANK)
        opening = self.text[self.at]
        if opening == "[":
            self._array(path)
        elif opening == "{":
            self._inline(path)
        else:
            self._skip(_STRING if opening in "\"'" else _PLAIN)

    def _array(self, path: Path) -> None:
        self.at += 1
        place = 0
        while True:
            self._skip(_SPACE)
            if self.text[self.at] == "]":
                self.at += 1
                return
            self._note((*path, place), self._here())
            self._value((*path, place))
            place += 1
            self._skip(_SPACE)
            if self.text[self.at] == ",":
                self.at += 1

    def _inline(self, path: Path) -> None:
        self.at += 1
        while True:
            self._skip(_SPACE)
            if self.text[self.at] == "}":
                self.at += 1
                return
            self._pair(path)
            self._skip(_SPACE)
            if self.text[self.at] == ",":
                self.at += 1

    # --- where --------------------------------------------------------------------------------------------------------

    def _skip(self, pattern: re.Pattern[str]) -> None:
        found = pattern.match(self.text, self.at)
        if found is not None:
            self.at = found.end()

    def _here(self) -> int:
        self._line += self.text.count("\n", self._counted_to, self.at)
        self._counted_to = self.at
        return self._line

    def _note(self, path: Path, line: int) -> None:
        self.lines.setdefault(path, line)


def _unquoted(key: str) -> str:
    if key[0] not in "\"'":
        return key
    value: Any = tomllib.loads(f"key = {key}")["key"]
    return str(value)
