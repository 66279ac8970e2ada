"""Checks of a driver's own keys in a bench file, with messages that say what was found and what is expected."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

Complaints = list[tuple[str, str]]
Check = Callable[[Any], str | None]


def check_keys(options: Mapping[str, Any], checks: Mapping[str, Check], within: str = "") -> Complaints:
    """(key, complaint) for every unknown key and every value that its check refuses."""
    found: Complaints = []
    for key, value in options.items():
        if key not in checks:
            found.append((within + key, f"unknown key; this driver takes {', '.join(sorted(checks)) or 'none'}"))
        elif complaint := checks[key](value):
            found.append((within + key, complaint))
    return found


def one_of(*allowed: Any) -> Check:
    def check(value: Any) -> str | None:
        if any(value == one and type(value) is type(one) for one in allowed):
            return None
        return f"is {value!r}, expected {' or '.join(repr(one) for one in allowed)}"

    return check


def number(low: float, high: float, unit: str = "") -> Check:
    def check(value: Any) -> str | None:
        fits = isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high
        return None if fits else f"is {value!r}, expected a number from {low:g} to {high:g} {unit}".rstrip()

    return check


def whole(low: int, high: int) -> Check:
    def check(value: Any) -> str | None:
        fits = isinstance(value, int) and not isinstance(value, bool) and low <= value <= high
        return None if fits else f"is {value!r}, expected a whole number from {low} to {high}"

    return check


def boolean(value: Any) -> str | None:
    return None if isinstance(value, bool) else f"is {value!r}, expected true or false"


def text(value: Any) -> str | None:
    return None if isinstance(value, str) and value else f"is {value!r}, expected a text"


def word_of(allowed: Collection[str]) -> Check:
    return one_of(*sorted(allowed))
