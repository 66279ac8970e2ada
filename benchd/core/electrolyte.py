"""What a hydrometer tells of a lead-acid battery: gravity at 80 degF, state of charge, cells apart, freezing point.

A float reads the acid as it is: warm acid is thin, so a reading taken hot is raised and one taken cold is lowered to
refer it to 80 degF. Two families of acid exist, full at 1.265 and full at 1.280; at equal charge they stand 0.025 to
0.035 apart, so a battery of unknown family gets the interval over both. Tables: tests/outside/test_battery_tables.py.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchd.core import lead_acid

REFERENCE_CELSIUS = (80.0 - 32.0) / 1.8
POINTS_PER_DEGREE = 0.004 / (10.0 / 1.8)  # 0.004 for 10 degF

#: Full-charge gravity -> (gravity, charge) rows. Both end at the row that their table prints as discharged.
FAMILIES: Mapping[float, tuple[tuple[float, ...], tuple[float, ...]]] = {
    1.265: ((1.120, 1.155, 1.190, 1.225, 1.265), (0.0, 0.25, 0.5, 0.75, 1.0)),
    1.280: ((1.130, 1.190, 1.220, 1.250, 1.280), (0.0, 0.25, 0.5, 0.75, 1.0)),
}
CELLS = 6

#: Cells further apart than this condemn a battery. Several maintenance manuals; others warn from 0.020 or 0.025 on.
SPREAD_LIMIT = 0.050
SPREAD_WARNING = 0.025

#: Of one reading: a shop hydrometer's scale is marked every 0.005 or 0.010. Common practice, no source. The part that
#: all cells share (the float's own error) and the part that differs from cell to cell (reading the meniscus).
U_SHARED, U_READING = 0.005 / math.sqrt(3), 0.002

#: What a table in print may be off at equal charge (one prints a band of 0.020 in place of a figure).
U_TABLE = 0.005 / math.sqrt(3)

#: The acid's temperature where nobody measured it: a shop between 5 and 35 degC.
UNKNOWN_CELSIUS, U_UNKNOWN_CELSIUS = 20.0, 15.0 / math.sqrt(3)

LOWEST, HIGHEST = 1.000, 1.330  # water; stronger than any battery is filled with


def corrected(reading: float, celsius: float) -> float:
    """The float's reading referred to 80 degF: 0.004 for every 10 degF, added to hot acid, taken from cold acid."""
    return reading + POINTS_PER_DEGREE * (celsius - REFERENCE_CELSIUS)


def families(full_gravity: float | None) -> tuple[float, ...]:
    """The families that a full-charge gravity leaves open: the nearer one, or both if it is not known."""
    if full_gravity is None:
        return tuple(FAMILIES)
    return (min(FAMILIES, key=lambda full: abs(full - full_gravity)),)


def charge_of(gravity: float, full: float) -> float:
    """State of charge (0..1) of acid of one family, by its gravity at 80 degF. KeyError for no such family."""
    return float(np.interp(gravity, *FAMILIES[full]))


@dataclass(frozen=True, slots=True)
class Cells:
    """The cells that were read, all referred to 80 degF: number (from 1) -> gravity."""

    gravities: Mapping[int, float]
    u_celsius: float = 2.0 / math.sqrt(3)

    @property
    def mean(self) -> float:
        return sum(self.gravities.values()) / len(self.gravities)

    @property
    def lowest(self) -> float:
        return min(self.gravities.values())

    @property
    def weakest(self) -> int:
        """The number of the cell that reads lowest."""
        return min(self.gravities, key=lambda cell: self.gravities[cell])

    @property
    def spread(self) -> float:
        """Highest less lowest; 0 for a single cell."""
        return max(self.gravities.values()) - self.lowest

    @property
    def u_spread(self) -> float:
        """The float's own error and the temperature are common to all cells and drop out."""
        return math.sqrt(2) * U_READING

    @property
    def u_one(self) -> float:
        """Standard uncertainty of one cell's gravity at 80 degF."""
        return math.hypot(U_SHARED, U_READING, POINTS_PER_DEGREE * self.u_celsius)

    @property
    def u_mean(self) -> float:
        return math.hypot(U_SHARED, U_READING / math.sqrt(len(self.gravities)), POINTS_PER_DEGREE * self.u_celsius)

    def charge(self, full_gravity: float | None) -> tuple[float, float]:
        """State of charge (0..1) and its standard uncertainty; the family, if it is not known, is part of that."""
        found = [charge_of(self.mean, full) for full in families(full_gravity)]
        slope = max(self._slope(full) for full in families(full_gravity))
        apart = (max(found) - min(found)) / 2 / math.sqrt(3)
        return (max(found) + min(found)) / 2, math.hypot(slope * math.hypot(self.u_mean, U_TABLE), apart)

    def _slope(self, full: float) -> float:
        """Charge for one unit of gravity about the mean; at the ends of the table that of the last rows."""
        gravities, charges = FAMILIES[full]
        middle = min(max(self.mean, gravities[0]), gravities[-1])
        at = min(max(int(np.searchsorted(gravities, middle)), 1), len(gravities) - 1)
        return (charges[at] - charges[at - 1]) / (gravities[at] - gravities[at - 1])

    @property
    def freezing_celsius(self) -> float:
        """Warmest freezing point that the weakest cell may have: two standard uncertainties on the safe side."""
        return lead_acid.freezing_celsius(self.lowest - 2 * self.u_one)


def cells(readings: Mapping[int, float], celsius: float | None) -> Cells:
    """Cells by what the float read in each. Without a temperature they are taken at 20 degC, widely unsure."""
    at = UNKNOWN_CELSIUS if celsius is None else celsius
    u_celsius = U_UNKNOWN_CELSIUS if celsius is None else 2.0 / math.sqrt(3)
    return Cells({cell: corrected(one, at) for cell, one in readings.items()}, u_celsius)


# --- what people type ---------------------------------------------------------------------------------------------------

_PLAIN = re.compile(r"1\.[0-9]{2,4}")
_POINTS = re.compile(r"1[0-9]{3}")
_COMMA = re.compile(r"1,[0-9]{2,4}")
_SLIP = re.compile(r"1[0-9](?:[.,][0-9]{1,3})|1[0-9]{2}[.,][0-9]{1,2}|0?[.,]1[0-9]{2,4}")
_AFTER_THE_ONE = re.compile(r"[0-3][0-9]{2}")


@dataclass(frozen=True, slots=True)
class Typed:
    """A hydrometer reading as typed: taken, or to be asked about again.

    `gravity` is the reading, or what it may have been meant to be where `ask` is a question. `form` names the way of
    writing, so that one 'yes' can stand for the rest: 'points', 'comma', '' for anything that must be asked each time.
    """

    gravity: float | None
    ask: str = ""
    form: str = ""


def typed(text: str) -> Typed:
    """What a typed hydrometer reading says. Only a plain 1.265 is taken; anything else is asked about by name."""
    text = text.strip()
    if _PLAIN.fullmatch(text):
        return _within(float(text), text)
    digits = re.sub(r"[^0-9]", "", text)
    if _POINTS.fullmatch(text):
        return _asked(text, digits, "points", "are these points")
    if _COMMA.fullmatch(text):
        return _asked(text, digits, "comma", "is the comma a decimal point")
    if _SLIP.fullmatch(text):
        volts = re.fullmatch(r"1[0-4]\.[0-9]{1,2}", text)
        what = "volts, points, or a slip of the decimal point" if volts else "points, or a slip of the decimal point"
        return _asked(text, digits.lstrip("0"), "", what)
    if _AFTER_THE_ONE.fullmatch(text):
        return _asked(text, f"1{text}", "", "is the leading 1. left out")
    return Typed(None, f"{text!r} is no hydrometer reading: a number such as 1.265.")


def _asked(text: str, digits: str, form: str, what: str) -> Typed:
    meant = Typed(float(f"1.{digits[1:]}"))
    if meant.gravity is None or not LOWEST <= meant.gravity <= HIGHEST:
        return Typed(None, f"{text!r} is no hydrometer reading: a number such as 1.265.")
    return Typed(
        meant.gravity, f"{text!r}: {what}? Read as {meant.gravity:.3f}? Answer yes, or type it again like 1.234.", form
    )


def _within(gravity: float, text: str) -> Typed:
    if LOWEST <= gravity <= HIGHEST:
        return Typed(gravity)
    return Typed(None, f"{text} is beyond any battery acid ({LOWEST:.3f} to {HIGHEST:.3f}): read it again.")


def names(numbers: Sequence[int]) -> str:
    """'cell 3', 'cells 3 and 4'."""
    if len(numbers) == 1:
        return f"cell {numbers[0]}"
    return "cells " + ", ".join(map(str, numbers[:-1])) + f" and {numbers[-1]}"
