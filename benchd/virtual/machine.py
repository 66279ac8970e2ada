"""The machine of a whole visit: what a World has, and a starter, a harness of joints, a load tester, leads to clip on.

It lasts: what it was charged, drawn and mended stays with it from run to run. Resistances of the harness lie in the
order in which the charging current meets them; a fault sits in one of them. True values only.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace

from benchd.virtual.scenario import Scenario
from benchd.virtual.starting_battery import StartingBattery, spread_of
from benchd.virtual.world import CRANK_RPM, World

#: Part of the harness -> (its share of the wiring's ohms when good, the faults whose ohms are added to it).
HARNESS: dict[str, tuple[float, tuple[str, ...]]] = {
    "regulator plug": (0.20, ("plug-regulator",)),
    "breaker": (0.25, ()),
    "switch": (0.15, ()),
    "solenoid": (0.10, ("solenoid-joint",)),
    "positive post": (0.05, ("joint-loose", "joint-bad")),
    "ground": (0.15, ("ground-bad",)),
    "negative post": (0.10, ()),
}
GROUND_SIDE = ("ground", "negative post")
OPEN_OHMS = 1e9  # what an ohmmeter has nothing to say to
CONTACT_OHMS, LEADS_OHMS, WINDING_OHMS = 0.04, 0.12, 0.35

# The starter: torque of a good engine asks for these amps; turning faster takes a little more.
STARTER_AMPS = 105.0
STANDSTILL_PART = 0.75
CABLES_OHMS, ARMATURE_OHMS = 0.002, 0.035
BACK_VOLTS = 6.6  # of the starter at the engine's usual cranking speed
BITES = 0.35  # a loose post under the starter's pull has less resistance than at charging current
DRAG = "starter-dragging"

STANDBY_AMPS = 0.0004  # hour meter
SETTLES_AMPS, SETTLES_S = 0.08, 15.0  # what a module takes until it sleeps
LEAST_PILE_OHMS = 0.012
NEW_BATTERY_CHARGE = 0.95
RESTED_S = 8 * 3600.0

#: What a repair that means this cause (benchd's id) takes away. The battery's own causes end with the old battery.
MENDS: dict[str, tuple[str, ...]] = {
    "joint-loose": ("joint-loose", "joint-bad", "joint-intermittent"),
    "ground-bad": ("ground-bad",),
    "breaker-open": ("breaker-open",),
    "switch-bad": ("switch-bad",),
    "solenoid-joint": ("solenoid-joint",),
    "plug-regulator": ("plug-regulator",),
    "stator-open": ("open-phase",),
    "stator-shorted": ("shorted-turns",),
    "stator-grounded": ("stator-grounded",),
    "magnets-weak": ("weak-magnets",),
    "regulator-dead": ("regulator-dead",),
    "regulator-weak": ("regulator-weak", "scr-open"),
    "regulator-stuck-on": ("regulator-stuck-on",),
    "regulator-set-low": ("regulator-set-low",),
    "regulator-set-high": ("regulator-set-high",),
    "regulator-leaking-back": ("regulator-leaking-back",),
    "key-off-draw": ("key-off-draw",),
    "engine-slow": ("governor-low", "governor-hunting"),
    "starter-dragging": (DRAG,),
    "engine-out-of-tune": ("engine-out-of-tune",),
    "short-trips": ("short-trips",),
    "battery-discharged": ("battery-discharged", "battery-deeply-discharged"),
}
NEW_BATTERY = ("battery-dead-cell", "battery-sulphated", "battery-leaking", "battery-undersized")
GONE_WITH_THE_OLD = (*NEW_BATTERY, "battery-frozen", "battery-nearly-full", *MENDS["battery-discharged"])
#: New parts take all their faults away, whichever of them the repair was meant for.
WHOLE_PARTS = (
    ("regulator-dead", "regulator-weak", "regulator-stuck-on", "regulator-set-low", "regulator-set-high",
     "regulator-leaking-back"),
    ("stator-open", "stator-shorted", "stator-grounded"),
)  # fmt: skip


class Machine(World):
    """`joint`, `circuit`, `ammeter_in`: where the technician's leads are; see `joint_volts` and `circuit_ohms`."""

    battery: StartingBattery

    def __init__(self, scenario: Scenario) -> None:
        self.pile_ohms = math.inf
        self.starter_amps = self.load_amps = 0.0
        self.joint: str | None = None
        self.circuit: str | None = None
        self._lent = 0.0  # charge of the battery before it was let down
        self.ammeter_in = False  # the milliammeter in the battery's cable
        self._charged_s = -RESTED_S
        self._off_since_s = -3600.0
        super().__init__(scenario)

    # --- what the technician does -------------------------------------------------------------------------------

    def load(self, amps: float | None) -> None:
        """Wind the carbon pile to so many amps, as the tester's own meter shows them now; None: off."""
        if amps is None or amps <= 0.0:
            self.pile_ohms = math.inf
            return
        battery = self.battery
        self.pile_ohms = max(battery.emf() / amps - battery.ohms, LEAST_PILE_OHMS)

    def stop_engine(self) -> None:
        super().stop_engine()
        self._off_since_s = self.t_s

    def key(self, on: bool) -> None:
        if self.key_on and not on:
            self._off_since_s = self.t_s
        super().key(on)

    def put_ammeter_in(self) -> None:
        """Into the battery's cable; whatever slept wakes, since the cable was off."""
        self.ammeter_in, self._off_since_s = True, self.t_s

    def stand(self, seconds: float) -> None:
        """Time that nobody waits for: a battery that was charged or cranked just now comes to rest, and so does the engine."""
        for _ in range(round(seconds)):
            self.battery.step(0.0, 1.0)
        self._charged_s -= seconds
        self._off_since_s -= seconds
        self.battery_volts = max(self.battery.emf(), 0.0)
        if self._engine == "stopped":
            self.rpm = self._swing = self.charge_amps = self.starter_amps = 0.0

    def let_down(self, to: float) -> None:
        """Lamps and load tester until the battery has only so much charge, and an hour's rest: between two runs."""
        if self.battery.charge > to:
            self._lent = self.battery.charge
            self._rested(to)

    def give_back(self) -> None:
        """What was let out before a run is put back by the charger."""
        if self._lent > self.battery.charge:
            self._rested(self._lent)
        self._lent = 0.0

    def _rested(self, charge: float) -> None:
        self.battery.charge, self.battery.p1, self.battery.p2 = charge, 0.0, 0.0
        self.battery_volts = max(self.battery.emf(), 0.0)

    def tidy(self) -> None:
        """Between two runs: everything off, plugged in again, the leads put away."""
        self.stop_engine()
        self.crank(False)
        self.load(None)
        self.regulator_plugged, self.lead_pair = True, 1
        self.joint = self.circuit = None
        self.ammeter_in = False
        self._running_since_s = math.inf

    def mend(self, ids: Sequence[str]) -> None:
        """Take away what these causes (benchd's ids) stand for; unknown ids do nothing."""
        meant = {*ids}
        for part in WHOLE_PARTS:
            if meant & {*part}:
                meant |= {*part}
        gone = {fault for id in meant for fault in MENDS.get(id, ())}
        new_battery = bool(meant & {*NEW_BATTERY})
        if new_battery:
            gone |= {*GONE_WITH_THE_OLD}
        charged = "battery-discharged" in meant
        self.scenario = replace(
            self.scenario, faults={name: one for name, one in self.scenario.faults.items() if name not in gone}
        )
        if new_battery:
            self.battery = self._battery()
            self.battery.charge = NEW_BATTERY_CHARGE
        elif charged:
            self.battery.charged()
        if new_battery or charged:
            self._charged_s, self._lent = self.t_s - RESTED_S, 0.0
            self.battery_volts = self.battery.emf()
        self._emf_part, self._short_amps_part, self._limit_amps, self._set_volts, self._wire = self._faulty()

    # --- what is true now ------------------------------------------------------------------------------------------

    @property
    def since_charge_s(self) -> float:
        """Since the battery was last charged."""
        return self.t_s - self._charged_s

    @property
    def loaded(self) -> bool:
        return not math.isinf(self.pile_ohms)

    @property
    def cranking(self) -> bool:
        return self._engine == "cranking"

    @property
    def crank_needed_s(self) -> float:
        """How long this engine is cranked until it runs."""
        return self.scenario.strength("engine-out-of-tune") or 1.2

    def ohms_of(self, part: str) -> float:
        """Resistance of one part of the harness at charging current."""
        share, faults = HARNESS[part]
        return share * self.scenario.wire_ohms + sum(self.scenario.strength(one) or 0.0 for one in faults)

    @property
    def joint_volts(self) -> float:
        """Along what the leads are on: a part of the harness, 'positive side', 'ground side' or 'all'."""
        return self.charge_amps * sum(map(self.ohms_of, parts_of(self.joint)))

    @property
    def circuit_ohms(self) -> float:
        """Between the ohmmeter's tips: a key of the table below, or nothing: open."""
        found = {
            "leads": 0.0,
            "breaker": OPEN_OHMS if self.scenario.strength("breaker-open") is not None else CONTACT_OHMS,
            "switch": CONTACT_OHMS,
            "switch start": CONTACT_OHMS + (self.scenario.strength("switch-bad") or 0.0),
            "stator ground": self.scenario.strength("stator-grounded") or OPEN_OHMS,
            "stator": OPEN_OHMS if self.scenario.strength("open-phase") is not None else WINDING_OHMS,
        }
        return found.get(self.circuit or "", OPEN_OHMS) + LEADS_OHMS

    @property
    def draw_amps(self) -> float:
        """Through the milliammeter, if it is in the cable."""
        return self._key_off_amps() if self.ammeter_in else 0.0

    @property
    def crank_amps(self) -> float:
        return self.starter_amps

    def _key_off_amps(self) -> float:
        if self.rpm > 0.0 or self._engine != "stopped":
            return 0.0
        s = self.scenario
        amps = STANDBY_AMPS + (s.strength("key-off-draw") or 0.0) + (s.key_amps if self.key_on else 0.0)
        if self.regulator_plugged:
            amps += s.strength("regulator-leaking-back") or 0.0
        return amps + SETTLES_AMPS * math.exp(-(self.t_s - self._off_since_s) / SETTLES_S)

    # --- time --------------------------------------------------------------------------------------------------------

    def _charge(self, step: float) -> None:
        battery = self.battery
        out = self._regulator_amps() if self._engine == "running" and self.regulator_plugged else 0.0
        running = self._engine == "running" and self.key_on and not self._fuse_is_blown()
        self.charge_amps = out - (self.scenario.key_amps if running else 0.0)
        if self.charge_amps > 0.5:
            self._charged_s = self.t_s
        self.starter_amps = self._starter()[1] if self._engine == "cranking" else 0.0
        self.load_amps = (
            0.0 if math.isinf(self.pile_ohms) else max(battery.emf(), 0.0) / (battery.ohms + self.pile_ohms)
        )
        net = self.charge_amps - self.starter_amps - self.load_amps - self._key_off_amps()
        battery.step(net, step)
        self.battery_volts = max(battery.emf() + net * battery.ohms, 0.0)

    def _cranking_rpm(self) -> float:
        return self._starter()[0]

    def _starter(self) -> tuple[float, float]:
        """(speed it comes to, amps): a torque that hardly depends on speed, against the battery's sag."""
        s = self.scenario
        if s.strength("switch-bad") is not None:  # its start contact does not pull the solenoid in
            return 0.0, 0.0
        asked = STARTER_AMPS * (s.strength(DRAG) or 1.0)
        extra = (s.strength("solenoid-joint") or 0.0) + BITES * (
            (s.strength("joint-loose") or 0.0) + (s.strength("joint-bad") or 0.0)
        )
        ohms = self.battery.ohms + CABLES_OHMS + ARMATURE_OHMS + extra
        emf = max(self.battery.emf(), 0.0)
        part = (emf - asked * STANDSTILL_PART * ohms) / (BACK_VOLTS + asked * (1.0 - STANDSTILL_PART) * ohms)
        if part <= 0.05:  # it does not turn: all that the circuit lets through
            return 0.0, emf / ohms
        return CRANK_RPM * part, asked * (STANDSTILL_PART + (1.0 - STANDSTILL_PART) * part)

    # --- set-up --------------------------------------------------------------------------------------------------------

    def _battery(self) -> StartingBattery:
        s = self.scenario
        rng = random.Random(s.seed ^ 0xACED)
        battery = StartingBattery(
            s.amp_hours * (s.strength("battery-undersized") or 1.0),
            s.start_charge,
            s.celsius,
            s.crank_ohms,
            s.sealed,
            spread=spread_of(rng),
        )
        if (acceptance := s.strength("battery-sulphated")) is not None:
            battery.acceptance, battery.ohms_factor, battery.locked = acceptance, 3.5, 0.3
            battery.charge = min(battery.charge, 1.0 - battery.locked)
        if s.strength("battery-dead-cell") is not None:
            battery.cells, battery.dead, battery.ohms_factor = 5, rng.randint(2, 5), 1.6
        if (leak := s.strength("battery-leaking")) is not None:
            battery.leak_ohms, battery.leak_amps = 14.0 / (leak * s.rated_amps), 0.1 * leak * s.rated_amps
        if s.strength("battery-frozen") is not None:
            battery.acceptance, battery.ohms_factor = 0.01, 30.0
        if (volts := s.strength("surface-charge")) is not None:
            battery.surface_charge(volts)
            self._charged_s = 0.0
        return battery

    def _faulty(self) -> tuple[float, float, float, float, float]:
        emf, short, limit, set_volts, _ = super()._faulty()
        s = self.scenario
        if s.strength("breaker-open") is not None:
            limit = 0.0
        if s.strength("stator-grounded") is not None:  # the regulator's ground is the short's way back
            limit *= 0.45
        return emf, short, limit, set_volts, sum(map(self.ohms_of, HARNESS))


def parts_of(joint: str | None) -> tuple[str, ...]:
    """The parts of the harness between the voltmeter's tips."""
    if joint is None:
        return ()
    if joint == "all":
        return tuple(HARNESS)
    if joint in ("positive side", "ground side"):
        return tuple(part for part in HARNESS if (part in GROUND_SIDE) == (joint == "ground side"))
    return (joint,)
