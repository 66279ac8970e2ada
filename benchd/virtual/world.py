"""The machine: engine and governor, permanent-magnet alternator, regulator, wiring, battery. True values only."""

from __future__ import annotations

import math
import random

from benchd.virtual.battery import Battery
from benchd.virtual.scenario import Scenario

STEP_S = 0.1
CRANK_RPM = 320.0
RAMP_RPM_PER_S = 900.0
DROOP_RPM_PER_AMP = 1.5
JITTER_RPM = 6.0
JITTER_TAU_S = 1.5
HUNT_PERIOD_S = 2.7
DIODES_VOLTS = 1.6
CRANK_AMPS_PER_CCA = 0.35


class World:
    """Advance it in time, act on it, read it. `lead_pair` is where the stator voltmeter is clipped (from 1)."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self._rng = random.Random(scenario.seed)
        self.t_s = 0.0
        self.rpm = 0.0
        self.lead_pair = 1
        self.regulator_plugged = True
        self.key_on = False
        self._engine = "stopped"  # stopped, cranking, running
        self._throttle = 0.0
        self._jitter = 0.0
        self.charge_amps = 0.0
        self.limited = False  # whether the alternator gives all it has
        self.battery = self._battery()
        self.battery_volts = self.battery.emf()
        self._joint_open_until_s = -1.0
        self._joint_next_s = math.inf
        self._running_since_s = math.inf
        self._emf_part, self._short_amps_part, self._limit_amps, self._set_volts, self._wire = self._faulty()

    # --- what the technician does -------------------------------------------------------------------------------

    def crank(self, on: bool) -> None:
        self._engine = "cranking" if on else ("stopped" if self._engine == "cranking" else self._engine)

    def start_engine(self) -> None:
        self.key_on = True
        self._engine = "running"
        self._running_since_s = self.t_s
        self._joint_next_s = self.t_s + 8.0

    def stop_engine(self) -> None:
        self._engine, self._throttle, self.key_on = "stopped", 0.0, False

    def throttle(self, part: float) -> None:
        """0 idle, 1 wide open."""
        self._throttle = min(max(part, 0.0), 1.0)

    def plug_regulator(self, plugged: bool) -> None:
        self.regulator_plugged = plugged

    def key(self, on: bool) -> None:
        self.key_on = on

    # --- what is true now ------------------------------------------------------------------------------------------

    @property
    def celsius(self) -> float:
        return self.scenario.celsius

    @property
    def running_s(self) -> float:
        """Seconds since the engine was started; negative before."""
        return self.t_s - self._running_since_s

    @property
    def stator_hertz(self) -> float:
        return self.rpm * self.scenario.poles / 120.0

    @property
    def stator_volts(self) -> float:
        """Open-circuit RMS volts at the leads the meter is clipped to (loaded volts are not modelled)."""
        open_here = self.scenario.strength("open-phase") is not None and (
            self.scenario.phases == 1 or self.lead_pair > 1
        )
        if open_here:
            return 0.02 * self.rpm / 3600.0
        volts: float = self.scenario.stator_volts_at_3600 * self._emf_part * self.rpm / 3600.0
        return volts

    # --- time --------------------------------------------------------------------------------------------------------

    def advance(self, to_s: float) -> None:
        """Let time pass up to `to_s`."""
        while self.t_s < to_s - 1e-9:
            step = min(STEP_S, to_s - self.t_s)
            self._turn(step)
            self._charge(step)
            self.t_s += step

    def _turn(self, step: float) -> None:
        scenario, rng = self.scenario, self._rng
        full = scenario.faults.get("governor-low", scenario.full_rpm)
        want = 0.0 if self._engine == "stopped" else self._cranking_rpm()
        if self._engine == "running":
            want = scenario.idle_rpm + (full - scenario.idle_rpm) * self._throttle
            want -= DROOP_RPM_PER_AMP * max(self.charge_amps, 0.0)
        self._jitter += -self._jitter * step / JITTER_TAU_S + JITTER_RPM * math.sqrt(
            2 * step / JITTER_TAU_S
        ) * rng.gauss(0, 1)
        base = self.rpm - self._swing
        change = max(min(want - base, RAMP_RPM_PER_S * step), -RAMP_RPM_PER_S * step)
        base = max(base + change, 0.0)
        hunting = scenario.strength("governor-hunting")
        self._swing = 0.0
        if self._engine == "running":
            self._swing = self._jitter
            if hunting is not None and self._throttle > 0.5:
                self._swing += hunting * math.sin(2 * math.pi * self.t_s / HUNT_PERIOD_S)
        self.rpm = max(base + self._swing, 0.0)

    _swing = 0.0

    def _cranking_rpm(self) -> float:
        return CRANK_RPM

    def _charge(self, step: float) -> None:
        battery = self.battery
        out = self._regulator_amps() if self._engine == "running" and self.regulator_plugged else 0.0
        draw = self.scenario.key_amps if self.key_on and not self._fuse_is_blown() else 0.0
        # The ammeter sits between regulator and battery: starter current does not go through it.
        self.charge_amps = out - draw
        crank = self._crank_amps() if self._engine == "cranking" else 0.0
        battery.step(self.charge_amps - crank, step)
        self.battery_volts = battery.emf() + (self.charge_amps - crank) * battery.ohms

    def _crank_amps(self) -> float:
        """A starter takes what the battery can give above its own standstill volts."""
        wanted = CRANK_AMPS_PER_CCA * 10.7 * self.scenario.amp_hours
        return min(wanted, max(self.battery.emf() - 6.0, 0.0) / self.battery.ohms)

    def _regulator_amps(self) -> float:
        """What alternator, regulator and wiring push into the battery, with a soft knee between limit and set-point."""
        if self._joint_is_open() or self._fuse_is_blown():
            return 0.0
        emf, ohms = self.battery.emf(), self.battery.ohms
        limit = min(self._alternator_amps(self.battery_volts), self._limit_amps)
        if limit <= 0.0:
            self.limited = True
            return 0.0
        soft = self.scenario.soft_volts / self.scenario.rated_amps
        held = (self._set_volts - emf) / (ohms + self._wire + soft)
        self.limited = held >= limit
        if held <= 0.0:
            return 0.0
        ratio = min(held, limit) / max(held, limit)
        amps: float = min(held, limit) / (1.0 + ratio**20) ** (1.0 / 20.0)
        return amps

    def _alternator_amps(self, volts: float) -> float:
        """Inductance-limited: short-circuit amps hardly depend on speed, the volts they can push against do."""
        open_volts = 0.9 * self.scenario.stator_volts_at_3600 * self._emf_part * self.rpm / 3600.0
        part = max(volts + DIODES_VOLTS, 0.0) / open_volts if open_volts > 1.0 else 1.0
        if part >= 1.0:
            return 0.0
        amps: float = self._short_amps_part * self._short_amps * math.sqrt(1.0 - part * part)
        return amps

    def _joint_is_open(self) -> bool:
        every = self.scenario.strength("joint-intermittent")
        if every is None or self._throttle < 0.5:
            return False
        if self.t_s >= self._joint_next_s:
            self._joint_open_until_s = self.t_s + self._rng.uniform(1.0, 2.5) + self.scenario.meter_period_s
            self._joint_next_s = self._joint_open_until_s + every * self._rng.uniform(0.7, 1.3)
        return self.t_s < self._joint_open_until_s

    def _fuse_is_blown(self) -> bool:
        after = self.scenario.strength("meter-fuse-blown")
        return after is not None and self.running_s > after

    # --- set-up --------------------------------------------------------------------------------------------------------

    def _battery(self) -> Battery:
        s = self.scenario
        battery = Battery(s.amp_hours, s.start_charge, s.celsius, s.inner_ohms, s.sealed)
        acceptance = s.strength("battery-sulphated")
        if acceptance is not None:
            battery.acceptance, battery.ohms_factor = acceptance, 3.0
        if s.strength("battery-dead-cell") is not None:
            battery.cells = 5
        leak = s.strength("battery-leaking")
        if leak is not None:
            battery.leak_ohms = 14.0 / (leak * s.rated_amps)
        if s.strength("battery-frozen") is not None:
            battery.acceptance, battery.ohms_factor = 0.01, 30.0
        return battery

    def _faulty(self) -> tuple[float, float, float, float, float]:
        """(part of the EMF, part of the short-circuit amps, amps limit, set-point, ohms to the battery)."""
        s = self.scenario
        lost = s.strength("weak-magnets") or s.strength("shorted-turns") or 0.0
        one_winding_open = s.strength("open-phase") is not None and s.phases == 1
        emf = 0.0 if one_winding_open else 1.0 - lost
        # A good stator gives the rated amps against 14 V at full throttle with a little to spare.
        part = (14.0 + DIODES_VOLTS) / (0.9 * s.stator_volts_at_3600 * s.full_rpm / 3600.0)
        self._short_amps = 1.06 * s.capability * s.rated_amps / math.sqrt(max(1.0 - part * part, 0.05))
        limit = s.capability * s.rated_amps
        limit *= s.faults.get("regulator-weak", 1.0)
        if s.strength("scr-open") is not None or s.strength("open-phase") is not None:
            limit *= 0.5
        if s.strength("regulator-dead") is not None:
            limit = 0.0
        set_volts = s.set_volts + (s.strength("regulator-set-high") or 0.0) - (s.strength("regulator-set-low") or 0.0)
        if s.strength("regulator-stuck-on") is not None:
            set_volts = 99.0
        return emf, 1.0 - lost, limit, set_volts, s.wire_ohms + (s.strength("joint-bad") or 0.0)
