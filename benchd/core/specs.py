"""The limits of one machine, and what is known of the meters, as the judging code sees them. Parsed elsewhere."""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.core.readings import Quantity


class Rule(enum.StrEnum):
    """How uncertainty weighs in a verdict (ISO 14253-1, ILAC-G8)."""

    SIMPLE = "simple acceptance"
    GUARDED_ACCEPTANCE = "guarded acceptance"
    GUARDED_REJECTION = "guarded rejection"


@dataclass(frozen=True, slots=True)
class StatorSpec:
    """Open-circuit stator volts, regulator unplugged.

    `table` holds (rpm, least volts) rows by rising rpm where the manual prints one; else `min_volts_ac` at `at_rpm`
    is scaled in proportion to rpm. `lead_pairs` names every pair to be measured.
    """

    min_volts_ac: float
    at_rpm: float
    magnet_poles: int | None = None
    lead_pairs: tuple[str, ...] = ("lead 1 - lead 2",)
    table: tuple[tuple[float, float], ...] = ()
    max_volts_ac: float | None = None
    lead_ohms: tuple[float, float] | None = None
    min_ground_ohms: float | None = None


@dataclass(frozen=True, slots=True)
class RegulatorSpec:
    rated_amps: float
    at_rpm: float
    settled_volts: tuple[float, float]
    ceiling_volts: float
    min_amps: float  # least output that still counts as rated; default 0.9 of rated_amps
    near_zero_amps: float  # default 0.1 of rated_amps
    max_drop_volts: float = 0.6  # regulator to battery, both sides, at rated amps (shop figure: 0.6 V both sides)


@dataclass(frozen=True, slots=True)
class BatterySpec:
    """The battery that belongs in the machine. `cold_cranking_amps` is CCA; any other rating stands in `rating_amps` with
    the standard that it follows (`rating_standard`, e.g. 'CA', 'MCA', 'EN', 'IEC', 'DIN') and is converted only where a
    published relation exists. `full_gravity`: what the acid is filled for, 1.265 or 1.280 (None: not known)."""

    amp_hours: float
    cold_cranking_amps: float | None = None
    rating_amps: float | None = None
    rating_standard: str | None = None
    full_gravity: float | None = None
    sealed: bool = False  # no caps: no gravity can be taken, no water added


@dataclass(frozen=True, slots=True)
class StartingSpec:
    """Limits of a cranking test. None: the manual does not say, and common practice stands in where there is one."""

    min_cranking_volts: float | None = None
    min_cranking_rpm: float | None = None
    max_starter_amps: float | None = None
    max_crank_s: float = 10.0  # of one go on the starter
    rest_s: float = 60.0  # of the starter between two


@dataclass(frozen=True, slots=True)
class WiringSpec:
    """Limits of the wiring tests. `joints` names what is measured one by one at charging current, regulator to battery,
    positive side first; `ground_joints` the negative side. None: published figures stand in, with their spread."""

    joints: tuple[str, ...] = ()
    ground_joints: tuple[str, ...] = ()
    max_joint_volts: float | None = None
    max_side_volts: float | None = None
    max_total_volts: float | None = None
    max_key_off_amps: float | None = None
    breaker_amps: float | None = None
    #: Switch position -> the pairs of terminals that are joined in it, by the manual.
    switch: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


class Measures(enum.StrEnum):
    """What one characteristic of a regulator is; its value's unit stands in CHARACTERISTIC_UNITS."""

    LEAKAGE = "reverse leakage"  # battery into the regulator, alternator stopped
    FIRST_OUTPUT = "first output speed"  # the least rpm at which it charges
    SET_POINT = "set-point"  # volts at a load and a speed
    LOAD_REGULATION = "load regulation"  # how far the set-point falls from one load to another
    GREATEST_OUTPUT = "greatest output"  # amps at a speed, pulled down to some volts
    RIPPLE = "ripple"  # AC volts on the DC side
    WARM_UP = "warm-up drift"  # how far the set-point moves while it warms up
    CEILING = "ceiling"  # the most volts ever seen


CHARACTERISTIC_UNITS = {
    Measures.LEAKAGE: "mA",
    Measures.FIRST_OUTPUT: "rpm",
    Measures.SET_POINT: "V",
    Measures.LOAD_REGULATION: "mV",
    Measures.GREATEST_OUTPUT: "A",
    Measures.RIPPLE: "mV",
    Measures.WARM_UP: "mV",
    Measures.CEILING: "V",
}


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One thing that a unit of a lot is measured for, in the order of the part's file.

    `low`, `high`: limits in `unit` (None = open). `rpm`, `amps`: windows of drive speed and load in which it is measured
    (None: any). `settle_s`: how long the conditions must hold before readings count; `longest_s`: how long it is waited for and
    measured at most. `safety`: a fail ends the unit at once.
    """

    id: str  # slug: the key in `measured`, in exports and in the time-series store
    measures: Measures
    title: str
    unit: str
    low: float | None = None
    high: float | None = None
    rpm: tuple[float, float] | None = None
    amps: tuple[float, float] | None = None
    settle_s: float = 2.0
    longest_s: float = 60.0
    safety: bool = False
    at_amps: float | None = None  # FIRST_OUTPUT: from these amps on it charges
    at_volts: float | None = None  # GREATEST_OUTPUT: pulled down to these volts; LEAKAGE: with at least these on it
    over_s: float | None = None  # WARM_UP: from the first seconds at its load to this long after
    between: tuple[str, str] | None = None  # LOAD_REGULATION: ids of the set-points at light and at rated load


@dataclass(frozen=True, slots=True)
class PartSpec:
    """What a unit of one part number is measured for on a motor-driven bench. `ceiling_volts` and `max_rpm` are watched all
    the time."""

    number: str
    name: str
    rated_amps: float
    rated_rpm: tuple[float, float]
    max_rpm: float
    ceiling_volts: float
    characteristics: tuple[Characteristic, ...]
    rule: Rule = Rule.GUARDED_ACCEPTANCE
    risk: float = 0.05  # accepted probability that a passed characteristic does not conform

    @property
    def ids(self) -> tuple[str, ...]:
        return tuple(one.id for one in self.characteristics)


@dataclass(frozen=True, slots=True)
class MachineSpec:
    """A machine's limits from its technical manual; `manual` says where they stand.

    A part that is tested on a motor-driven bench is read as one too: `part` is what it is measured for, and
    `full_throttle_rpm` the drive's rated speed.
    """

    name: str
    manual: str
    full_throttle_rpm: tuple[float, float]
    stator: StatorSpec | None = None
    regulator: RegulatorSpec | None = None
    battery: BatterySpec | None = None
    source: str = ""  # the file it was read from
    starting: StartingSpec | None = None
    wiring: WiringSpec | None = None
    part: PartSpec | None = None


@dataclass(frozen=True, slots=True)
class AccuracyLine:
    """+/-(percent of reading + counts x resolution) for one function, up to a reading of `up_to` (same unit).

    `min_hertz`, `max_hertz`: the band in which the line holds (AC functions). `confidence` None = limits taken as
    rectangular (u = a/sqrt 3); else the maker's coverage, e.g. 0.99 (u = a/2.58).
    """

    function: Quantity
    percent: float
    counts: float
    resolution: float
    up_to: float | None = None
    min_hertz: float | None = None
    max_hertz: float | None = None
    confidence: float | None = None


@dataclass(frozen=True, slots=True)
class ChannelModel:
    """What stands between a channel's true value and its number: meter statement, shunt/clamp/divider, limits.

    channel value = meter reading x ratio - offset; `ratio_percent` is the tolerance of the ratio (limits),
    `offset_limit` that of the offset, in the channel's unit. `instrument_max` is the most the meter's jack or range
    takes, in the channel's unit. `assumed` marks a model that nobody stated (recorded data from anywhere).
    """

    channel: str
    lines: tuple[AccuracyLine, ...] = ()
    ratio: float = 1.0
    offset: float = 0.0
    ratio_percent: float = 0.0
    offset_limit: float = 0.0
    instrument_max: float | None = None
    average_responding: bool = False
    instrument: str = ""
    assumed: bool = False


@dataclass(frozen=True, slots=True)
class Metrology:
    """The channel models of one bench, and its decision rule."""

    channels: Mapping[str, ChannelModel] = field(default_factory=dict)
    rule: Rule = Rule.SIMPLE
    risk: float = 0.05  # accepted probability of a wrong pass (or fail)
