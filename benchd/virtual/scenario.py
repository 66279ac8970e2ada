"""What a virtual bench is made of: one machine, its battery, its meters, and what is wrong with them."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

from benchd.virtual.battery import Battery


@dataclass(frozen=True, slots=True)
class Fault:
    """Something wrong, with a strength: `usual` for the demo, drawn between `low` and `high` for benchmarks."""

    title: str
    usual: float = 1.0
    low: float = 1.0
    high: float = 1.0
    unit: str = ""


#: Faults that a stator or a regulator run shows, on a machine that comes in for one run.
RUN_FAULTS: dict[str, Fault] = {
    "weak-magnets": Fault("flywheel magnets weak", 0.35, 0.30, 0.6, "part of the field lost"),
    "shorted-turns": Fault("stator turns shorted", 0.35, 0.30, 0.6, "part of the turns lost"),
    "open-phase": Fault("stator winding open"),
    "regulator-dead": Fault("regulator gives nothing"),
    "regulator-weak": Fault("regulator gives too little", 0.6, 0.3, 0.78, "of rated amps"),
    "regulator-stuck-on": Fault("regulator does not regulate"),
    "regulator-set-high": Fault("set-point too high", 0.55, 0.45, 0.75, "V above a good one"),
    "regulator-set-low": Fault("set-point too low", 0.9, 0.7, 1.3, "V below a good one"),
    "scr-open": Fault("one thyristor of the regulator open"),
    "battery-sulphated": Fault("battery sulphated", 0.12, 0.05, 0.2, "of its acceptance left"),
    "battery-dead-cell": Fault("one cell of the battery shorted"),
    "battery-leaking": Fault("battery leaks inside", 0.3, 0.15, 0.5, "of rated amps leaked"),
    "battery-nearly-full": Fault("battery nearly full", 0.96, 0.93, 0.99, "charge at the start"),
    "battery-deeply-discharged": Fault("battery deeply discharged", 0.06, 0.02, 0.12, "charge at the start"),
    "battery-frozen": Fault("battery frozen", -15.0, -25.0, -11.0, "degC"),
    "joint-bad": Fault("a joint has resistance", 0.12, 0.08, 0.3, "ohm"),
    "joint-intermittent": Fault("a joint opens and closes", 9.0, 5.0, 20.0, "s between openings"),
    "governor-low": Fault("engine governed too slow", 3000.0, 2700.0, 3250.0, "rpm"),
    "governor-hunting": Fault("engine hunts", 400.0, 330.0, 600.0, "rpm either way"),
    "tach-wrong-pulses": Fault("tachometer set to wrong pulses", 0.5, 0.5, 2.0, "times the true speed"),
    "meter-sleep": Fault("a meter goes to sleep", 20.0, 12.0, 40.0, "s after the start"),
    "meter-hold": Fault("a meter is on hold", 18.0, 12.0, 40.0, "s after the start"),
    "meter-overload": Fault("a meter is over range", 14.0, 12.0, 30.0, "s after the start"),
    "meter-wrong-dial": Fault("a meter's dial is on another function"),
    "meter-leads-reversed": Fault("a meter's leads are reversed"),
    "meter-cut-frames": Fault("a meter's frames come cut", 0.3, 0.1, 0.5, "of the frames"),
    "meter-unplugged": Fault("a meter is unplugged and plugged in again", 6.0, 3.0, 12.0, "s away"),
    "meter-clock-skew": Fault("a meter answers late", 0.8, 0.3, 1.2, "s"),
    "meter-fuse-blown": Fault("the ammeter's fuse blows", 20.0, 14.0, 60.0, "s after the start"),
}
#: Faults that need a whole visit: the machine has a starter, a harness of joints and acid in its cells (machine.py).
VISIT_FAULTS: dict[str, Fault] = {
    "battery-undersized": Fault("battery too small for the machine", 0.5, 0.4, 0.6, "of the right size"),
    "battery-discharged": Fault("battery discharged, nothing broken", 0.3, 0.15, 0.4, "charge at the start"),
    "short-trips": Fault("used for short trips only: battery low", 0.4, 0.3, 0.5, "charge at the start"),
    "surface-charge": Fault("battery just taken off a charger", 0.35, 0.2, 0.5, "V on the surface"),
    "joint-loose": Fault("battery terminal loose", 0.12, 0.08, 0.3, "ohm"),
    "ground-bad": Fault("ground connection bad", 0.12, 0.08, 0.3, "ohm"),
    "plug-regulator": Fault("regulator plug burnt", 0.12, 0.08, 0.3, "ohm"),
    "breaker-open": Fault("breaker open"),
    "switch-bad": Fault("key switch does not make at start", 60.0, 15.0, 900.0, "ohm of its contact"),
    "solenoid-joint": Fault("joint at the solenoid bad", 0.06, 0.05, 0.08, "ohm"),
    "stator-grounded": Fault("stator winding touches ground", 3.0, 0.5, 50.0, "ohm to ground"),
    "regulator-leaking-back": Fault("regulator leaks backwards", 0.15, 0.08, 0.5, "A with the key off"),
    "key-off-draw": Fault("something stays on with the key off", 0.4, 0.15, 2.0, "A with the key off"),
    "starter-dragging": Fault("starter drags", 1.9, 1.6, 2.3, "times the usual amps"),
    "engine-out-of-tune": Fault("engine out of tune: long cranking", 8.0, 5.0, 14.0, "s of cranking to start it"),
}
FAULTS: dict[str, Fault] = RUN_FAULTS | VISIT_FAULTS

#: What a fault leaves in the battery by the time somebody complains; the least of several counts.
LEAVES_CHARGE = {
    "joint-loose": 0.45, "joint-bad": 0.45, "ground-bad": 0.45, "plug-regulator": 0.45, "breaker-open": 0.3,
    "open-phase": 0.3, "stator-grounded": 0.35, "regulator-dead": 0.3, "key-off-draw": 0.3,
    "regulator-leaking-back": 0.35, "battery-leaking": 0.4, "battery-dead-cell": 0.55, "battery-sulphated": 0.45,
    "engine-out-of-tune": 0.45, "regulator-set-low": 0.4, "weak-magnets": 0.4, "shorted-turns": 0.4,
}  # fmt: skip


START_CHARGE = 0.52


@dataclass(frozen=True, slots=True)
class Scenario:
    """One machine on one bench. Volts, amps, ohms, seconds, rpm, degC; strengths of faults by name."""

    seed: int = 1
    name: str = "Hollin T18 garden tractor"
    rated_amps: float = 15.0
    capability: float = 1.03  # of rated: what regulator and stator really give
    amp_hours: float = 28.0
    set_volts: float = 14.35
    soft_volts: float = 0.03  # how far the set-point sags at rated amps
    start_charge: float = START_CHARGE
    celsius: float = 21.0
    inner_ohms: float = 0.022  # of a 28 Ah battery; smaller batteries have more
    wire_ohms: float = 0.012
    key_amps: float = 0.4
    poles: int = 12
    phases: int = 1  # 3: three stator leads, three pairs to be measured in turn
    stator_volts_at_3600: float = 33.5
    stator_margin: float = 1.19  # healthy volts over the spec's least
    full_rpm: float = 3540.0
    idle_rpm: float = 1800.0
    sealed: bool = False
    volts_digit: float = 0.01
    amps_digit: float = 0.01
    volts_percent: float = 0.1
    amps_percent: float = 0.8
    stator_percent: float = 0.8
    rpm_percent: float = 0.1
    ripple_volts: float = 0.006
    meter_period_s: float = 0.5
    meter_delay_s: float = 0.15
    meter_lag_s: float = 0.25
    #: A machine that stays for a whole visit: see machine.py.
    visit: bool = False
    crank_ohms: float = 0.0095  # inner resistance of a 28 Ah battery that cranks
    faults: dict[str, float] = field(default_factory=dict)

    def strength(self, name: str) -> float | None:
        return self.faults.get(name)

    @property
    def half_cranking_amps(self) -> float:
        """What a load tester is set to for the battery that belongs in the machine."""
        return 0.5 * round(self.amp_hours * 10.7)

    @property
    def min_volts_ac(self) -> float:
        return round(self.stator_volts_at_3600 / self.stator_margin, 1)

    @property
    def lead_pairs(self) -> tuple[str, ...]:
        return ("lead 1 - lead 2",) if self.phases == 1 else ("lead 1 - lead 2", "lead 2 - lead 3", "lead 1 - lead 3")

    @property
    def spec_toml(self) -> str:
        """The machine's spec file, as its manual would give it."""
        return f"""[machine]
name = "{self.name}"
manual = "service manual, section 6, page 14"

[engine]
full_throttle_rpm = [3350, 3650]

[stator]
min_volts_ac = {self.min_volts_ac}
at_rpm = 3600
magnet_poles = {self.poles}
lead_pairs = [{", ".join(f'"{pair}"' for pair in self.lead_pairs)}]

[regulator]
rated_amps = {self.rated_amps:g}
at_rpm = 3600
settled_volts = [13.8, 14.7]
ceiling_volts = 15.0

[battery]
amp_hours = {self.amp_hours:g}
cold_cranking_amps = {round(self.amp_hours * 10.7)}
"""

    def with_fault(self, name: str, strength: float | None = None) -> Scenario:
        """The same bench with one more fault; its usual strength if none is given. KeyError for an unknown name."""
        found = FAULTS[name]
        value = found.usual if strength is None else strength
        changed = replace(self, faults={**self.faults, name: value})
        if name in ("battery-nearly-full", "battery-deeply-discharged"):
            return replace(changed, start_charge=value)
        if name == "battery-frozen":
            return replace(changed, start_charge=0.1, celsius=value)
        return replace(changed, visit=True) if name in VISIT_FAULTS else changed

    def for_visit(self) -> Scenario:
        """The same machine as it comes in with a complaint: its battery shows what the faults did to it."""
        left = [charge for name, charge in LEAVES_CHARGE.items() if name in self.faults]
        told = [self.faults[name] for name in ("battery-discharged", "short-trips") if name in self.faults]
        given = [self.start_charge] if self.start_charge != START_CHARGE else []
        charge = min(told or given or left or [self.start_charge])
        return replace(self, visit=True, start_charge=charge)


def _a_bit_discharged(scenario: Scenario, rng: random.Random) -> float:
    """A start charge from which a good regulator comes to work within minutes: the procedure asks for one.

    From the charge at which this battery, taking all that is given, stands at the set-point; less up to 14 minutes' worth.
    """
    battery = Battery(scenario.amp_hours, 0.5, scenario.celsius, scenario.inner_ohms, scenario.sealed)
    amps = scenario.rated_amps * scenario.capability
    charges = [0.02 * step for step in range(1, 49)]
    arrives = charges[-1]
    for charge in charges:
        battery.charge = charge
        if battery.rest_volts + battery.eta(amps) + amps * battery.ohms >= scenario.set_volts:
            arrives = charge
            break
    minutes = rng.uniform(0.3, 14.0)
    return min(max(arrives - amps * minutes / 60.0 / scenario.amp_hours, 0.05), 0.9)


def draw(rng: random.Random, fault: str | None = None) -> Scenario:
    """A machine drawn wide: 9-20 A, 18-50 Ah, 1 and 10 mV meters, readings every 0.5-2 s; with one fault or none."""
    rated = rng.choice([9.0, 10.0, 12.0, 15.0, 16.0, 18.0, 20.0])
    fine = rng.random() < 0.5
    healthy = rng.uniform(24.0, 48.0)
    made = Scenario(
        seed=rng.randrange(2**31),
        name="drawn machine",
        rated_amps=rated,
        capability=rng.uniform(0.99, 1.08),
        amp_hours=round(rng.uniform(18.0, 50.0)),
        set_volts=rng.uniform(14.05, 14.5),
        soft_volts=rng.uniform(0.0, 0.06),
        start_charge=rng.uniform(0.35, 0.62),
        celsius=rng.uniform(12.0, 32.0),
        inner_ohms=rng.uniform(0.015, 0.03),
        wire_ohms=rng.uniform(0.004, 0.02),
        key_amps=rng.uniform(0.1, 0.03 * rated),
        poles=rng.choice([12, 14, 16, 18]),
        stator_volts_at_3600=healthy,
        stator_margin=rng.uniform(1.08, 1.35),
        full_rpm=rng.uniform(3430.0, 3590.0),
        sealed=rng.random() < 0.4,
        volts_digit=0.001 if fine else 0.01,
        amps_digit=rng.choice([0.01, 0.01, 0.1]),
        volts_percent=0.05 if fine else 0.2,
        amps_percent=rng.uniform(0.5, 1.0),
        stator_percent=rng.uniform(0.5, 1.0),
        ripple_volts=rng.uniform(0.001, 0.012),
        meter_period_s=rng.choice([0.5, 1.0, 2.0]),
        meter_delay_s=rng.uniform(0.05, 0.3),
        meter_lag_s=rng.uniform(0.1, 0.4),
    )
    made = replace(made, start_charge=_a_bit_discharged(made, rng))
    if fault is None:
        return made
    kind = FAULTS[fault]
    strength = rng.uniform(kind.low, kind.high)
    if fault == "tach-wrong-pulses":
        strength = rng.choice([0.5, 2.0])
    return made.with_fault(fault, strength)
