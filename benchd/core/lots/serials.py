"""What of a unit goes into a journal's list of tests and into a time-series store, the same into both. Imports no library."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from math import isfinite, nan
from typing import Any

VERDICTS = ("pass", "fail", "undecided", "void", "open")  # open: under way, or cut short before it was judged
JUDGED = VERDICTS[:3]  # the others say nothing of a unit
DIGITS = 12
KEY_BITS = 48  # a store that keeps numbers alone keeps these exactly


def serial_key(serial: str) -> int:
    """A serial number as a whole number of KEY_BITS bits, for stores that keep no text: two serials of a lot of 100,000 have
    the same with a probability of 2e-5."""
    return int.from_bytes(hashlib.sha256(serial.encode("utf-8", "replace")).digest()[: KEY_BITS // 8], "big")


def rounded(value: float) -> float:
    """The value as it is kept: DIGITS significant digits."""
    return float(f"{value:.{DIGITS - 1}e}")


def numbers_of(measured: Mapping[str, Any] | None) -> tuple[float, float]:
    """(value, standard uncertainty) of one entry of a verdict's `measured`, rounded; NaN where there is none."""
    one = measured or {}
    value, spread, factor = one.get("value"), one.get("expanded_uncertainty"), one.get("coverage_factor")
    if not isinstance(value, int | float) or not isfinite(value):
        return nan, nan
    if (
        not isinstance(spread, int | float)
        or not isfinite(spread)
        or not isinstance(factor, int | float)
        or not factor > 0
    ):
        return rounded(float(value)), nan
    return rounded(float(value)), rounded(float(spread) / float(factor))
