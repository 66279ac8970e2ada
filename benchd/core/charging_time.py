"""How many ampere-hours a battery still wants, how long a charger takes to give them, and what to beware of meanwhile.

Not a measurement: the share of the current that is stored and the taper near the end differ from battery to battery
and from charger to charger, so hours come as a range. Both figures below are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: Of the ampere-hours put in, what is stored. Common practice, no source: 1.1 to 1.25 times what was taken out.
EFFICIENCY = (0.80, 0.90)

#: From here on the battery takes less and less: on average about half the charger's current. Common practice, no source.
TAPER_FROM = 0.80
TAPER_PART = 0.5

#: More amps than this share of the ampere-hours make a small battery hot and gassing. Common practice, no source.
MOST_RATE = 0.25

CHARGING = (
    "Charging makes explosive gas: room aired, no flame or spark, eyes covered, caps as the battery's maker says.",
    "Charger off before its leads are clipped on or off.",
)
HOT = "Stop if the battery gets warmer than the hand bears (about 50 degC) or spits acid; let it cool, charge slower."


class ChargeRefused(ValueError):
    """Why this battery must not be put on a charger now, or why the question makes no sense."""


@dataclass(frozen=True, slots=True)
class ChargeNeeded:
    """Ampere-hours to put in and hours for it, each as (least, most)."""

    amp_hours: tuple[float, float]
    hours: tuple[float, float]
    amps: float
    to_charge: float
    cautions: tuple[str, ...]

    @property
    def sentence(self) -> str:
        if self.amp_hours[1] <= 0:
            return f"It is charged to {100 * self.to_charge:.0f} % already."
        ah, hours = _span(*self.amp_hours), _span(*self.hours)
        return f"About {ah} Ah to bring it to {100 * self.to_charge:.0f} %: {hours} h on a {self.amps:g} A charger."


def _span(low: float, high: float) -> str:
    ends = [f"{one:.0f}" if high >= 10 else f"{one:.1f}" for one in (low, high)]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def charge_needed(
    capacity: float, charge: float, amps: float, *, to_charge: float = 1.0, u_charge: float = 0.0, frozen: bool = False
) -> ChargeNeeded:
    """What it takes to bring a battery of `capacity` Ah from `charge` to `to_charge` (0..1) with a charger of `amps`.

    `u_charge` is the standard uncertainty of the charge. ChargeRefused if it may be frozen (it can burst), or for a
    capacity, a current or a charge that makes no sense.
    """
    if frozen:
        raise ChargeRefused(
            "The battery may be frozen: no charging, it can burst. Let it thaw indoors, look for cracks."
        )
    for name, value in (("capacity in Ah", capacity), ("charger's current in A", amps)):
        if not (value > 0 and math.isfinite(value)):
            raise ChargeRefused(f"The {name} is {value:g}: it must be above 0.")
    if not (0 <= charge <= 1 and 0 < to_charge <= 1):
        raise ChargeRefused(f"Charge goes from 0 to 1, not from {charge:g} to {to_charge:g}.")
    least = _wanted(capacity, min(charge + u_charge, 1.0), to_charge, amps, EFFICIENCY[1])
    most = _wanted(capacity, max(charge - u_charge, 0.0), to_charge, amps, EFFICIENCY[0])
    return ChargeNeeded(
        (least[0], most[0]), (least[1], most[1]), amps, to_charge, (*CHARGING, *_too_fast(amps, capacity), HOT)
    )


def _wanted(capacity: float, charge: float, to_charge: float, amps: float, efficiency: float) -> tuple[float, float]:
    """(ampere-hours, hours), the taper near the end counted."""
    bulk = max(min(to_charge, TAPER_FROM) - charge, 0.0) * capacity / efficiency
    taper = max(to_charge - max(charge, TAPER_FROM), 0.0) * capacity / efficiency
    return bulk + taper, bulk / amps + taper / (TAPER_PART * amps)


def _too_fast(amps: float, capacity: float) -> tuple[str, ...]:
    if amps <= MOST_RATE * capacity:
        return ()
    return (f"{amps:g} A is much for a battery of {capacity:g} Ah: at most about {MOST_RATE * capacity:.0f} A.",)
