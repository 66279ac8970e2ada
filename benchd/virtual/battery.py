"""A 12 V lead-acid battery: rest volts, ohmic part, two polarisation times, charge acceptance, gassing, temperature.

    V = E(charge) + I R0 + p1 + p2     D C dp1/dt = I - taken(p1)     TAU dp2/dt = ACID I / C - p2

p1 drives the charge reaction and charges the double layer first. Two things stand in a row: the reaction's own speed,
k C (1 - charge)^m (exp(p1 / ETA) - 1), and the supply of lead sulfate, at most S C (1 - charge)^q amps; so at a
set-point the amps fall with the charge that is still missing, and in the cold the battery takes less. ETA, k, m, S, q
and ACID were fitted by least squares to 280 points of an independent electrochemical model, 2 min to 1 h, 54 mV RMS
(tests/outside/test_virtual_battery.py holds the battery to it); D, TAU and the slope of the cold are assumed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

ETA_VOLTS = 0.34
REACTION_PER_HOUR, REACTION_POWER = 0.23, 2.2  # k, m
SUPPLY_PER_HOUR, SUPPLY_POWER = 1.14, 0.73  # S, q
LAYER_FARADS_PER_AH = 2.0  # D
ACID_VOLT_HOURS, ACID_TAU_S = 0.23, 110.0
DISCHARGE_VOLT_HOURS = 0.25
GAS_AMPS_PER_AH = 0.000563  # at 13.38 V
GAS_PER_VOLT = 11.0 / 6.0
COLD_PER_DEGREE = 0.06


@dataclass
class Battery:
    """State and parameters; amps are positive into the battery."""

    amp_hours: float
    charge: float
    celsius: float
    inner_ohms: float
    sealed: bool = False
    acceptance: float = 1.0
    cells: int = 6
    leak_ohms: float = math.inf
    ohms_factor: float = 1.0
    p1: float = 0.0
    p2: float = 0.0

    @property
    def rest_volts(self) -> float:
        """Equilibrium volts; a dead cell takes its sixth away."""
        six = 11.61 + 1.16 * self.charge + (0.226 if self.sealed else 0.0)
        return six * self.cells / 6.0

    @property
    def ohms(self) -> float:
        return self.inner_ohms * 28.0 / self.amp_hours * self.ohms_factor * (1.0 + 0.01 * max(25.0 - self.celsius, 0.0))

    def _speeds(self) -> tuple[float, float]:
        """(amps of the reaction at exp(p1 / ETA) - 1 = 1, most amps that the supply allows)."""
        takes = math.exp(COLD_PER_DEGREE * (self.celsius - 25.0)) * self.acceptance * self.amp_hours
        free = max(1.0 - self.charge, 0.004)
        reaction: float = REACTION_PER_HOUR * takes * free**REACTION_POWER
        supply: float = SUPPLY_PER_HOUR * takes * free**SUPPLY_POWER
        return reaction, supply

    def taken(self, p1: float) -> float:
        """Amps that the charge reaction takes at this overvoltage of six cells; negative when discharging."""
        if p1 <= 0.0:
            return p1 * self.amp_hours / DISCHARGE_VOLT_HOURS
        reaction, supply = self._speeds()
        wanted = reaction * math.expm1(min(p1 / ETA_VOLTS, 50.0))
        return wanted / (1.0 + wanted / supply)

    def eta(self, amps: float) -> float:
        """p1 + p2 once these amps have flowed for some minutes; beyond the supply's limit it has no end: cut off."""
        if amps <= 0.0:
            return DISCHARGE_VOLT_HOURS * amps / self.amp_hours
        reaction, supply = self._speeds()
        driving = ETA_VOLTS * math.log1p(amps / reaction / (1.0 - min(amps / supply, 0.97)))
        return (driving + ACID_VOLT_HOURS * amps / self.amp_hours) * self.cells / 6.0

    def emf(self) -> float:
        """Volts behind the ohmic part right now."""
        return self.rest_volts + self.p1 + self.p2

    def step(self, amps: float, seconds: float) -> None:
        """Let `amps` flow for a short time."""
        volts = self.emf() + amps * self.ohms
        gas = GAS_AMPS_PER_AH * self.amp_hours * math.exp(GAS_PER_VOLT * (volts * 6.0 / self.cells - 13.38))
        leak = volts / self.leak_ohms
        useful = amps - leak - (min(gas, max(amps, 0.0)) if amps > 0 else 0.0)
        part = self.cells / 6.0
        taken = self.taken(self.p1 / part)
        layer = LAYER_FARADS_PER_AH * self.amp_hours * max(self.acceptance, 0.05)  # sulphate and ice cover the plates
        self.p1 += part * (useful - taken) * seconds / layer
        slow = part * ACID_VOLT_HOURS * max(taken, 0.0) / self.amp_hours
        self.p2 += (slow - self.p2) * -math.expm1(-seconds / ACID_TAU_S)
        self.charge = min(max(self.charge + taken * seconds / 3600.0 / self.amp_hours, 0.0), 0.9995)
