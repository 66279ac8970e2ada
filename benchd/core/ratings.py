"""Starting-battery ratings: cold-cranking amps from other ratings where a relation is published, the load that a load
test asks for, and the least volts under it.

Cold-cranking amps (CCA): what a fully charged 12 V battery gives for 30 s at 0 degF (-18 degC) with 7.2 V or more at
its posts. Cranking amps (CA, MCA) are the same at 32 degF (0 degC). EN, IEC and DIN test at -18 degC too, but to other
volts after other times, and no relation between them and CCA was found that anybody publishes with its source: they
are refused, not guessed. Figures and sources: tests/outside/test_battery_tables.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchd.core.specs import BatterySpec

#: CCA over CA or MCA: two battery sellers' explanations print 0.77 and 'about 20 % less'; both are kept.
CCA_OF_CRANKING_AMPS = (0.77, 0.80)

#: How each standard tests: (degC, volts, seconds). Told where a rating is refused.
_TESTS = {
    "EN": "-18 degC, 7.5 V after 10 s",
    "IEC": "-18 degC, 8.4 V after 60 s",
    "DIN": "-18 degC, 9.0 V after 30 s",
}
_LIKE_CCA = ("CCA", "SAE")
_LIKE_CA = ("CA", "MCA")

LOAD_S = 15.0
LEAST_FAHRENHEIT = 0.0  # the table's last row: below it nothing is published that two sources agree on

#: degF, least volts of a 12 V battery after 15 s at half its CCA.
_LEAST_VOLTS = (
    (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0),
    (8.5, 8.7, 8.9, 9.1, 9.3, 9.4, 9.5, 9.6),
)


class RatingRefused(ValueError):
    """A rating that cannot be used; the sentence names the key, what stands there, and what to do."""


@dataclass(frozen=True, slots=True)
class ColdCranking:
    """Cold-cranking amps with the half width of their limits, and the words for where they come from."""

    amps: float
    half_width: float
    origin: str

    @property
    def load(self) -> float:
        """Amps of the load test: half of it."""
        return self.amps / 2


def cold_cranking(battery: BatterySpec) -> ColdCranking:
    """The battery's CCA, converted where a relation is published. RatingRefused names the key otherwise."""
    if battery.cold_cranking_amps is not None:
        return ColdCranking(_positive("cold_cranking_amps", battery.cold_cranking_amps), 0.0, "the battery's CCA")
    if battery.rating_amps is None:
        raise RatingRefused(
            "[battery] cold_cranking_amps is missing: the load is half of it. Copy the CCA from the battery's label; "
            f"{battery.amp_hours:g} Ah alone does not tell it (no published relation; 'three times the ampere-hours' is "
            "a rule from memory)."
        )
    amps = _positive("rating_amps", battery.rating_amps)
    standard = (battery.rating_standard or "").strip().upper()
    if standard in _LIKE_CCA:
        return ColdCranking(amps, 0.0, f"rated {amps:g} A by {standard}, which is CCA")
    if standard in _LIKE_CA:
        low, high = CCA_OF_CRANKING_AMPS
        return ColdCranking(
            amps * (low + high) / 2,
            amps * (high - low) / 2,
            f"{amps:g} A {standard} x {low:g} to {high:g}, as battery sellers publish it",
        )
    raise RatingRefused(_refusal(amps, standard))


def _refusal(amps: float, standard: str) -> str:
    if not standard:
        return (
            f"[battery] rating_standard is missing: {amps:g} A by which standard? 'CA' or 'MCA' can be converted, else "
            "give cold_cranking_amps."
        )
    known = next((test for name, test in _TESTS.items() if standard.startswith(name)), None)
    how = f" It is tested otherwise ({known}), and" if known else ""
    return (
        f"[battery] rating_standard {standard!r}: {amps:g} A cannot be turned into cold-cranking amps.{how} no relation "
        "to CCA is published that could be relied on. Give cold_cranking_amps from the label or the maker's list."
    )


def _positive(key: str, amps: float) -> float:
    if not (amps > 0 and math.isfinite(amps)):
        raise RatingRefused(f"[battery] {key} is {amps:g}: a battery's rating is above 0 A.")
    return amps


def least_load_volts(celsius: float) -> float:
    """Least volts of a 12 V battery after 15 s at half its CCA, by its temperature: linear between the published rows,
    9.6 V at and above 70 degF. RatingRefused below 0 degF: published tables end or contradict each other there."""
    fahrenheit = celsius * 1.8 + 32.0
    if fahrenheit < LEAST_FAHRENHEIT - 0.5:  # a row printed as -18 degC is -0.4 degF
        raise RatingRefused(
            f"The battery is at {celsius:.0f} degC ({fahrenheit:.0f} degF): no agreed least volts are published below "
            "0 degF (-18 degC). Let it warm up indoors, then test it."
        )
    return float(np.interp(fahrenheit, *_LEAST_VOLTS))


def least_load_volts_slope(celsius: float) -> float:
    """Volts a degC at which that limit changes, the steeper side of a row."""
    around = [least_load_volts(max(celsius + step, -18.0)) for step in (-1.0, 0.0, 1.0)]
    return max(around[1] - around[0], around[2] - around[1], 0.0)
