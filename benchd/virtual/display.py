"""A four-digit display: how a value stands on it. Shared by the handheld meters' frames."""

from __future__ import annotations

import math
from dataclasses import dataclass

DIGITS = 4


@dataclass(frozen=True, slots=True)
class Display:
    """Four digits as characters, how many of them stand behind the point, and the sign."""

    digits: str
    decimals: int
    negative: bool


def on_display(value: float, digit: float) -> Display | None:
    """The display of `value` at one count `digit` (a power of ten) or coarser if it does not fit; None: over range."""
    decimals = min(max(0, round(-math.log10(digit))), DIGITS - 1)
    while decimals >= 0:
        counts = round(abs(value) * 10**decimals)
        if counts < 10**DIGITS:
            return Display(f"{counts:0{DIGITS}d}", decimals, value < 0 and counts > 0)
        decimals -= 1
    return None
