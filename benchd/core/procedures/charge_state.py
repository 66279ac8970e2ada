"""What a state-of-charge test knows: charge by volts, by gravity and by both, frost, surface charge. Decides nothing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchd.core import electrolyte, lead_acid
from benchd.core.budget import probability_within
from benchd.core.electrolyte import Cells

if TYPE_CHECKING:
    from benchd.core.procedures.charge import ChargeTest

READY = lead_acid.READY_CHARGE
FROST_MARGIN_CELSIUS = 2.0
U_REST_VOLTS = 0.01  # what the volts of a rested battery still move within the hour. Common practice, no source
U_UNKNOWN_METER = 0.1  # V, where the bench says that nothing is known of the voltmeter
CHARGING_VOLTS = 13.2  # no resting battery stands so high: a charger or the engine is on, or just came off
SURFACE_MARGIN = 0.05  # V above a full battery's before it is called surface charge: tables and meters
WARM_FOR_FROST_CELSIUS = 3.0  # above it no acid is frozen, not even water


@dataclass(frozen=True, slots=True)
class Charge:
    """State of charge (0..1) as far as it is known, by both ways and together."""

    value: float
    u: float
    by_volts: tuple[float, float]
    by_gravity: tuple[float, float] | None

    @property
    def probability(self) -> float:
        return probability_within(self.value, self.u, READY, None)

    @property
    def gap(self) -> float:
        """How far gravity stands above volts, in units of their combined uncertainty."""
        if self.by_gravity is None:
            return 0.0
        return (self.by_gravity[0] - self.by_volts[0]) / math.hypot(self.by_gravity[1], self.by_volts[1])

    @property
    def agree(self) -> bool:
        return abs(self.gap) <= 2.0


def cells(test: ChargeTest) -> Cells | None:
    """The cells that were read, or None."""
    return electrolyte.cells(test.hydrometer.readings, test.celsius) if test.hydrometer.readings else None


def rest_volts(test: ChargeTest) -> tuple[float, float] | None:
    """Rest volts and their standard uncertainty."""
    level = test.rest.level(test.now_s)
    if level is None:
        return None
    u = test.rest.u(level)
    return level.value, math.hypot(U_UNKNOWN_METER if u is None else u, U_REST_VOLTS)


def charge(test: ChargeTest) -> Charge | None:
    """Both estimates, and what they come to; None without rest volts.

    Together they are weighed by their uncertainties, but not taken as independent: the tables have common roots, so
    the better one's uncertainty stays.
    """
    volts = rest_volts(test)
    if volts is None:
        return None
    celsius = 25.0 if test.celsius is None else test.celsius
    by_volts = lead_acid.charge_by_volts(
        *volts, celsius, rested=test.rested, full_gravity=test.full_gravity, sealed=test.sealed
    )
    acid = cells(test)
    if acid is None:
        return Charge(*by_volts, by_volts, None)
    by_gravity = acid.charge(test.full_gravity)
    weights = [1 / one[1] ** 2 for one in (by_volts, by_gravity)]
    value = (weights[0] * by_volts[0] + weights[1] * by_gravity[0]) / sum(weights)
    return Charge(value, min(by_volts[1], by_gravity[1]), by_volts, by_gravity)


def freezing_celsius(test: ChargeTest, *, rested: bool) -> float | None:
    """Warmest freezing point that acid or volts allow; None while nothing is known."""
    acid, volts = cells(test), rest_volts(test)
    if acid is not None:
        return acid.freezing_celsius
    if volts is None:
        return None
    celsius = 25.0 if test.celsius is None else test.celsius
    return lead_acid.freezing_celsius(lead_acid.least_gravity(volts[0] - 2 * volts[1], celsius, rested=rested))


def may_be_frozen(test: ChargeTest, *, rested: bool) -> bool:
    """Whether it may be frozen at its temperature, by the weakest acid that is possible."""
    if test.hydrometer.ice:
        return True
    if test.celsius is None or test.celsius > WARM_FOR_FROST_CELSIUS:
        return False
    freezing = freezing_celsius(test, rested=rested)
    return freezing is not None and test.celsius <= freezing + FROST_MARGIN_CELSIUS


def above_full(test: ChargeTest) -> bool:
    """Whether the volts stand surely above those of any full battery at rest of this kind."""
    volts = rest_volts(test)
    roof = lead_acid.FULL_REST_VOLTS + SURFACE_MARGIN + (lead_acid.SEALED_VOLTS if test.sealed else 0.0)
    return volts is not None and volts[0] - 2 * volts[1] > roof


def surface_charge(test: ChargeTest) -> str:
    """Why the volts are taken for surface charge, as a sentence; '' if they are not."""
    volts = rest_volts(test)
    if volts is None or test.rest.span_s(test.now_s) < 5.0:
        return ""
    if volts[0] >= CHARGING_VOLTS:
        return f"{volts[0]:.2f} V: is a charger or the engine still on? Off with it."
    if test.charged_lately and lead_acid.rest_charge(volts[0] + 2 * volts[1])[1] >= READY:
        return f"{volts[0]:.2f} V after a charge or a run is more than the battery holds."
    if above_full(test):
        return f"{volts[0]:.2f} V is above a full battery's {lead_acid.FULL_REST_VOLTS:.2f} V."
    if test.rest.falling(test.now_s):
        return f"{volts[0]:.2f} V and falling by itself."
    return ""


def charge_of(test: ChargeTest) -> Charge:
    found = charge(test)
    assert found is not None
    return found


def percent(share: float) -> str:
    return f"{100 * share:.0f} %"
