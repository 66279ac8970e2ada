"""What rest volts tell of a six-cell lead-acid battery: charge, frost, a dead cell.

Two acid families exist (full at 1.265 and at 1.280) and a handful of shop tables; they disagree by up to 0.09 V at
equal charge. A battery of unknown make gets the interval over all of them, never one number.
Tables: published shop and army tables, see tests/outside/test_lead_acid.py.
"""

from __future__ import annotations

import math

import numpy as np

_QUARTERS = (0.0, 0.25, 0.5, 0.75, 1.0)

#: Rest volts at those charges, a table a row.
_REST_VOLTS = (
    (11.89, 12.06, 12.24, 12.45, 12.65),  # acid filled for 1.265
    (11.70, 12.00, 12.20, 12.40, 12.60),  # volts only, after lamps and 3 min rest
    (11.89, 12.15, 12.30, 12.45, 12.66),  # acid filled for 1.280; it prints no empty row: the first table's stands in
    (11.60, 12.00, 12.20, 12.40, 12.60),  # rule of thumb
)

#: Rows of _REST_VOLTS that hold for one family only, by its full-charge gravity; the others do not say.
_FAMILY_ROWS = {1.265: 0, 1.280: 2}

#: The fullest rested flooded battery of any table; more than this is surface charge, or another kind of battery.
FULL_REST_VOLTS = 12.66

#: Lowest specific gravity that any table gives at charge 0, 1/4, 1/2, 3/4, 1.
_LEAST_GRAVITY = (1.110, 1.155, 1.180, 1.215, 1.255)

#: Specific gravity -> freezing point in degC: the warmer one where published tables differ. One widely copied table
#: that prints -10 degF at 1.120 is left out: it is 25 degF too cold, which is the unsafe side.
_FREEZING = (
    (1.000, 1.050, 1.100, 1.120, 1.150, 1.155, 1.190, 1.200, 1.225, 1.250, 1.265, 1.280),
    (0.0, -2.8, -7.2, -9.4, -15.0, -15.0, -26.1, -26.7, -37.2, -52.2, -59.4, -67.8),
)

#: Surface charge after a charge lifts rest volts, a load just taken off leaves them low. Common practice, no source.
SURFACE_CHARGE_VOLTS = 0.2
SAG_AFTER_LOAD_VOLTS = 0.1

#: Rest volts rise by about this much a degree (six cells). From memory: 0.2 mV a cell.
_VOLTS_PER_DEGREE = 0.0012

#: Below this no healthy six-cell battery rests: the emptiest table row is 11.6 V; five cells full, with surface
#: charge, rest at up to 11.0 V.
DEAD_CELL_VOLTS = 11.0

#: Below this there is no battery at the leads.
NO_BATTERY_VOLTS = 1.0

_FROST_MARGIN_CELSIUS = 2.0


#: Sealed batteries rest higher by up to so much. Common practice, no source.
SEALED_VOLTS = 0.2

#: A rested battery full enough for a load test or a regulator run.
READY_CHARGE = 0.75


def _charges(volts: float, full_gravity: float | None = None) -> list[float]:
    left_out = set[int]()
    if full_gravity is not None:
        nearest = min(_FAMILY_ROWS, key=lambda full: abs(full - full_gravity))
        left_out = {row for full, row in _FAMILY_ROWS.items() if full != nearest}
    return [float(np.interp(volts, row, _QUARTERS)) for at, row in enumerate(_REST_VOLTS) if at not in left_out]


def rest_charge(
    volts: float, celsius: float = 25.0, *, rested: bool = False, full_gravity: float | None = None
) -> tuple[float, float]:
    """Least and most charge (0..1) that rest volts of a flooded six-cell battery may mean, over both acid families
    unless `full_gravity` tells which (the nearer of 1.265 and 1.280).

    Unless `rested` (hours, or lamps on and then minutes off) surface charge may hide 0.2 V, or more where the volts
    stand above a full battery's; a load just taken off may leave them 0.1 V low. Both widen the interval. Sealed
    batteries rest higher: for them the answer is too full.
    """
    at_25 = volts + _VOLTS_PER_DEGREE * (25.0 - celsius)
    if rested:
        found = _charges(at_25, full_gravity)
        return min(found), max(found)
    low = min(at_25, FULL_REST_VOLTS) - SURFACE_CHARGE_VOLTS
    return min(_charges(low, full_gravity)), max(_charges(at_25 + SAG_AFTER_LOAD_VOLTS, full_gravity))


def charge_by_volts(
    volts: float,
    u_volts: float,
    celsius: float = 25.0,
    *,
    rested: bool = False,
    full_gravity: float | None = None,
    sealed: bool = False,
) -> tuple[float, float]:
    """State of charge (0..1) by rest volts, and its standard uncertainty: meter, tables, and what is not known of the
    battery (history unless `rested`, family unless `full_gravity`, how high a sealed one rests)."""
    low, high = rest_charge(volts, celsius, rested=rested, full_gravity=full_gravity)
    if sealed:
        low = rest_charge(volts - SEALED_VOLTS, celsius, rested=rested, full_gravity=full_gravity)[0]
    slope = 0.25 / 0.15  # charge a volt, the steepest quarter of any table
    return (low + high) / 2, math.hypot((high - low) / 2 / math.sqrt(3), slope * u_volts)


def least_gravity(rest_volts: float, celsius: float = 25.0, *, rested: bool = False) -> float:
    """Lowest specific gravity (at 80 degF) that rest volts may mean.

    Below the tables' empty row the rule gravity = volts per cell - 0.84 goes on down to water.
    """
    charge = rest_charge(rest_volts, celsius, rested=rested)[0]
    if charge > 0:
        return float(np.interp(charge, _QUARTERS, _LEAST_GRAVITY))
    hidden = 0.0 if rested else SURFACE_CHARGE_VOLTS
    return min(_LEAST_GRAVITY[0], max(1.0, (rest_volts - hidden) / 6 - 0.84))


def freezing_celsius(gravity: float) -> float:
    """Freezing point of battery acid in degC by its specific gravity at 80 degF (1.000 .. 1.280; beyond: the end)."""
    return float(np.interp(gravity, *_FREEZING))


def freezing_of_charge(charge: float) -> float:
    """Warmest freezing point in degC that a state of charge (0..1) may mean."""
    return freezing_celsius(float(np.interp(charge, _QUARTERS, _LEAST_GRAVITY)))


def may_be_frozen(rest_volts: float, celsius: float) -> bool:
    """Whether the battery may be frozen: it must then not be charged or jump-started, it can burst.

    On the safe side: the weakest acid that the volts allow, surface charge assumed, and 2 degC of margin.
    """
    return celsius <= freezing_celsius(least_gravity(rest_volts, celsius)) + _FROST_MARGIN_CELSIUS


def looks_like_dead_cell(rest_volts: float) -> bool:
    """Whether the volts are those of a battery with a shorted cell, or of one discharged far beyond empty.

    Rest volts cannot tell the two apart; neither is fit for a regulator run.
    """
    return NO_BATTERY_VOLTS <= rest_volts < DEAD_CELL_VOLTS


def bulk_floor(c_rate: float) -> float:
    """Least terminal volts of a healthy six-cell battery after a minute on charge at `c_rate` (amps per ampere-hour).

    For ten seconds to five minutes after the start; `c_rate` from the amps into the battery itself. Below it a cell
    is missing; above it nothing is proven: five well-charged cells get there too, and within ten minutes so do others.

    The figures stand between an electrochemical model's curves (tests/outside/test_lead_acid.py): at 0.5 C the emptiest
    healthy one (10 % charged) is 0.59 V above, five cells at 60 % are 0.38 V below. That model reads about 0.15 V
    high in the first minutes, so the room below the healthy curves is left the larger.
    """
    return 11.75 + 1.6 * c_rate
