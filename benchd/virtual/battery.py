"""A 12 V lead-acid battery: rest volts, ohmic part, two polarisation times, charge acceptance, gassing, temperature.

    V = E(charge) + I R0 + p1 + p2        dp_k/dt = (share_k * eta(I) - p_k) / tau_k

eta is the overvoltage that drives the charge reaction: I = i0 (1 - charge) C (exp(eta / ETA) - 1), so at a set-point the
amps fall in proportion to the charge that is still missing, and in the cold the battery takes less. Parameters were
chosen on a grid against an independent electrochemical model (tests/outside/test_virtual_battery.py holds them to it).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

ETA_VOLTS = 0.73
I0_PER_HOUR = 0.15
SHARES = (0.93, 0.07)
TAUS_S = (5.0, 110.0)
GAS_AMPS_PER_AH = 0.000563  # at 13.38 V
GAS_PER_VOLT = 11.0 / 6.0
COLD_PER_DEGREE = 0.05


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
        six = 11.6 + 1.16 * self.charge + (0.2 if self.sealed else 0.0)
        return six * self.cells / 6.0

    @property
    def ohms(self) -> float:
        return self.inner_ohms * 28.0 / self.amp_hours * self.ohms_factor * (1.0 + 0.01 * max(25.0 - self.celsius, 0.0))

    def eta(self, amps: float) -> float:
        """Overvoltage that the charge reaction wants at these amps (negative when discharging, small)."""
        if amps <= 0.0:
            return 0.25 * amps / self.amp_hours
        cold = math.exp(COLD_PER_DEGREE * (self.celsius - 25.0))
        free = max(1.0 - self.charge, 0.004)
        rate = I0_PER_HOUR * cold * self.acceptance * self.amp_hours * free
        return ETA_VOLTS * math.log1p(amps / rate) * self.cells / 6.0

    def emf(self) -> float:
        """Volts behind the ohmic part right now."""
        return self.rest_volts + self.p1 + self.p2

    def step(self, amps: float, seconds: float) -> None:
        """Let `amps` flow for a short time."""
        volts = self.emf() + amps * self.ohms
        gas = GAS_AMPS_PER_AH * self.amp_hours * math.exp(GAS_PER_VOLT * (volts * 6.0 / self.cells - 13.38))
        leak = volts / self.leak_ohms
        useful = amps - leak - (min(gas, max(amps, 0.0)) if amps > 0 else 0.0)
        eta = self.eta(useful)
        self.p1 += (SHARES[0] * eta - self.p1) * -math.expm1(-seconds / TAUS_S[0])
        self.p2 += (SHARES[1] * eta - self.p2) * -math.expm1(-seconds / TAUS_S[1])
        self.charge = min(max(self.charge + useful * seconds / 3600.0 / self.amp_hours, 0.0), 0.9995)
