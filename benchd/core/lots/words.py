"""How numbers stand in the sentences of a lot."""

from __future__ import annotations

import math

_SMALLER = {"V": "mV", "A": "mA"}
_THOUSAND = 1000.0


def shown(value: float, unit: str, digits: int = 3) -> str:
    """A difference or a spread with its unit, in the smaller one where that reads better: 0.031 V is 31 mV."""
    if unit in _SMALLER and 0.0 < abs(value) < 1.0:
        value, unit = value * _THOUSAND, _SMALLER[unit]
    return f"{plain(value, digits)} {unit}".rstrip()


def span(low: float, high: float, unit: str, digits: int = 3) -> str:
    """An interval, both ends in the same unit."""
    if unit in _SMALLER and 0.0 < max(abs(low), abs(high)) < 1.0:
        low, high, unit = low * _THOUSAND, high * _THOUSAND, _SMALLER[unit]
    return f"{plain(low, digits)} to {plain(high, digits)} {unit}".rstrip()


def plain(value: float, digits: int = 3) -> str:
    """So many significant digits, never as a power of ten between 1e-4 and 1e7."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{places}f}" if 1e-4 <= abs(value) < 1e7 else f"{value:.{digits}g}"


def p_shown(p: float) -> str:
    return f"p = {p:.3f}" if p >= 0.001 else "p < 0.001"


def percent(part: float) -> str:
    """A part as per cent, with a digit more where it is small or near all."""
    return f"{part:.2%}" if 0.0 < part < 0.01 or 0.99 < part < 1.0 else f"{part:.1%}"


def counted(count: int, what: str = "unit") -> str:
    """'1 unit', '2 units'."""
    return f"{count:,} {what}" + "s" * (count != 1)
