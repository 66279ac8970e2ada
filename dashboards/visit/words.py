"""Words and figures of the visit's pages."""

from __future__ import annotations


def chance(probability: float) -> str:
    """A probability in percent that never claims to be certain."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def minutes(value: float) -> str:
    return "under a minute" if value < 1 else f"{value:.0f} min"


def moved(factor: float) -> str:
    """What a piece of evidence did to the odds of a cause."""
    if factor >= 1:
        return f"for it, odds x {factor:.2g}" if factor < 1000 else "all but proves it"
    return f"against it, odds / {1 / factor:.2g}" if factor > 0.001 else "all but rules it out"


def day(at: str | None) -> str:
    return "" if not at else str(at)[5:16].replace("T", " ")
