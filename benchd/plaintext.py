"""Text from outside, fit for a terminal: no escape sequence, no direction override, nothing that moves a cursor."""

from __future__ import annotations

import unicodedata
from typing import Any


def harmless(text: object) -> str:
    """One line: whatever does not print is a blank."""
    found = str(text)
    return found if found.isprintable() else "".join(char if char.isprintable() else " " for char in found)


def harmless_lines(text: object) -> str:
    """The same, with the line ends kept."""
    return "\n".join(harmless(line) for line in str(text).split("\n"))


def harmless_record(body: Any) -> Any:
    """A JSON-ready body with all its texts harmless; the body itself where they are."""
    if isinstance(body, str):
        return harmless(body)
    if isinstance(body, dict):
        made = {harmless(key): harmless_record(one) for key, one in body.items()}
        return body if made == body else made
    if isinstance(body, list | tuple):
        return [harmless_record(one) for one in body]
    return body


def harmless_json(body: object) -> str:
    """One line of JSON in which whatever does not print is escaped (a C1 control is legal in JSON, and a terminal's
    command)."""
    import json

    found = json.dumps(body, ensure_ascii=False, allow_nan=False)
    return found if found.isprintable() else "".join(_escaped(char) for char in found)


def _escaped(char: str) -> str:
    import json

    return char if char.isprintable() else json.dumps(char)[1:-1]


def one_line(text: str) -> str:
    """A name or a number as it is kept: what cannot be seen is a blank, blanks are squeezed; a scanner's line end is no
    part of it."""
    return " ".join(harmless(text).split())


def plain_text(text: str) -> str:
    """A text as it is kept: no control characters other than line ends and tabs, nothing that no file can hold."""
    found = (
        char if char in "\n\t" or unicodedata.category(char) not in ("Cc", "Cs") else " "
        for char in text.replace("\r\n", "\n")
    )
    return "".join(found).strip()
