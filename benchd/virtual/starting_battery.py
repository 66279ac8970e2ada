"""The battery of a whole visit: one that can crank, with acid of its own in every cell.

The charging side is `Battery`'s. What a visit needs besides: rest volts that go with the acid (about gravity + 0.843 V
a cell, a little more when empty: rule of thumb of the trade), a hydrometer's float that reads low in warm acid, and an
inner resistance that lets a starter turn. The fit of `Battery` is of slow charges; its resistance would not crank.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from benchd.virtual.battery import ACID_TAU_S, ACID_VOLT_HOURS, LAYER_FARADS_PER_AH, Battery

CELLS = 6
GRAVITY_EMPTY, GRAVITY_SPAN = 1.120, 0.145  # of acid filled for 1.265
DEAD_GRAVITY = 1.075
FLOAT_PER_DEGREE, FLOAT_CELSIUS = 0.00072, 26.7  # a float made for 80 degF stands lower in warmer acid
CELL_VOLTS, EMPTY_VOLTS = 0.843, 0.020
PULL_VOLT_HOURS = 0.06  # polarisation of a fresh discharge
EMPTY_OHMS = 0.5  # how much the resistance grows on the way to empty


@dataclass
class StartingBattery(Battery):
    """`spread`: what each cell's gravity is off the others; `dead`: the shorted cell's number from 1, 0 for none."""

    spread: tuple[float, ...] = (0.0,) * CELLS
    dead: int = 0
    locked: float = 0.0  # part of the sulfate that no charge brings back
    leak_amps: float = 0.0

    def gravities(self) -> tuple[float, ...]:
        """Of each cell at 26.7 degC (80 degF), from the positive post on."""
        even = GRAVITY_EMPTY + GRAVITY_SPAN * self.charge
        return tuple(
            DEAD_GRAVITY if number == self.dead else even + off for number, off in enumerate(self.spread, start=1)
        )

    def float_reads(self, cell: int) -> float:
        """What a hydrometer's float shows in this cell (from 1): not yet brought to 80 degF."""
        return self.gravities()[cell - 1] - FLOAT_PER_DEGREE * (self.celsius - FLOAT_CELSIUS)

    @property
    def rest_volts(self) -> float:
        good = [gravity for number, gravity in enumerate(self.gravities(), start=1) if number != self.dead]
        sealed = 0.226 if self.sealed else 0.0
        return sum(good) + len(good) * (CELL_VOLTS + EMPTY_VOLTS * (1.0 - self.charge) + sealed / CELLS)

    @property
    def ohms(self) -> float:
        cold = 1.0 + 0.01 * max(25.0 - self.celsius, 0.0)
        empty = 1.0 + EMPTY_OHMS * (1.0 - self.charge)
        return self.inner_ohms * 28.0 / self.amp_hours * self.ohms_factor * cold * empty

    @property
    def _pull(self) -> float:
        """Amps that a volt of discharge polarisation drives."""
        return self.amp_hours / PULL_VOLT_HOURS * max(self.acceptance, 0.2)

    def taken(self, p1: float) -> float:
        return p1 * self._pull if p1 <= 0.0 else super().taken(p1)

    def step(self, amps: float, seconds: float) -> None:
        """As `Battery`'s under charge; a starter's pull, whose time constant is short, is followed exactly."""
        if amps > 0.0 and self.p1 >= 0.0:
            super().step(amps, seconds)
        else:
            self._rest_or_pull(amps, seconds)
        self.charge = max(self.charge - self.leak_amps * seconds / 3600.0 / self.amp_hours, 0.0)

    def _rest_or_pull(self, amps: float, seconds: float) -> None:
        part, before = self.cells / CELLS, self.p1
        layer = LAYER_FARADS_PER_AH * self.amp_hours * max(self.acceptance, 0.05)
        if before > 0.0:  # the charge on the surface goes first
            self.p1 = max(before + part * (amps - self.taken(before / part)) * seconds / layer, 0.0)
        else:
            goal = part * amps / self._pull
            self.p1 = goal + (before - goal) * math.exp(-seconds * self._pull / layer)
        self.p2 *= math.exp(-seconds / ACID_TAU_S)
        self.charge = min(max(self.charge + amps * seconds / 3600.0 / self.amp_hours, 0.0), 0.9995)

    def charged(self, to: float = 0.97) -> None:
        """From a charger, rested since; a sulphated one does not come so far."""
        self.charge = max(self.charge, to * (1.0 - self.locked))
        self.p1, self.p2 = 0.0, 0.0

    def surface_charge(self, volts: float) -> None:
        """As a charger has just left it."""
        self.p1, self.p2 = volts, ACID_VOLT_HOURS * 0.1


def spread_of(rng: random.Random) -> tuple[float, ...]:
    """What the cells of a used battery differ by."""
    return tuple(rng.uniform(-0.003, 0.003) for _ in range(CELLS))
