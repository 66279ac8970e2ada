"""Text from outside, fit for a terminal: no escape sequence, no direction override, nothing that moves a cursor."""

from __future__ import annotations

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
