"""A share of units, such as a yield, with its interval."""

from __future__ import annotations

from dataclasses import dataclass

from scipy import special

METHOD = "Clopper-Pearson"


@dataclass(frozen=True, slots=True)
class Share:
    """`count` of `of` units. `part`, `low` and `high`, between 0 and 1, are None for 0 of 0: nothing is known then."""

    part: float | None
    low: float | None
    high: float | None
    count: int
    of: int
    method: str
    confidence: float


def share(count: int, of: int, confidence: float = 0.95) -> Share:
    """With the exact two-sided interval of Clopper and Pearson (Biometrika 26, 1934; ISO 11453): it holds the true share in at least
    `confidence` of all lots, often in more, never in fewer. ValueError unless 0 <= count <= of."""
    if not 0 <= count <= of:
        raise ValueError(f"{count} of {of} units is no share")
    if of == 0:
        return Share(None, None, None, 0, 0, f"{METHOD}: no units, so nothing is known", confidence)
    rest = (1.0 - confidence) / 2.0
    low = float(special.betaincinv(count, of - count + 1, rest)) if count else 0.0
    high = float(special.betaincinv(count + 1, of - count, 1.0 - rest)) if count < of else 1.0
    return Share(count / of, low, high, count, of, f"{METHOD}, {100 * confidence:g} %", confidence)
