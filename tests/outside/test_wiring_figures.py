"""Limits of voltage drop, key-off draw and cranking against the figures that are published, with their spread.

They are trade rules, not standards; where pages differ every figure is kept. Status of each row: 'read' = seen in stored
text, 'memory' = recalled, 'computed' = worked out here.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace

import pytest

from benchd.core import ratings
from benchd.core.procedures import make, rules_cranking, rules_draw, rules_drop
from benchd.core.samples import Sample, Value
from benchd.core.specs import BatterySpec, MachineSpec, RegulatorSpec, WiringSpec
from benchd.core.verdicts import Verdict

# (what, least, largest, condition, source, status), volts
DROPS = [
    ("side", 0.2, 0.2, "about 2000 rpm, charging, ground side", "car-maker training page, output circuit ground side", "read"),
    ("joint", 0.10, 0.10, "loaded; some want 0.05 V with electronics", "installation manual, voltage drop test", "read"),
    ("side", 0.2, 0.2, "engine running with load, positive side", "electrical-shop page, alternator voltage drop", "read"),
    ("side", 0.5, 0.5, "20 A held with a carbon pile, positive side", "1985 passenger-car service manual", "read"),
    ("side", 0.2, 0.5, "0.2-0.3 typical, 0.5 at heavy load", "web guide, charging system voltage drop", "read"),
    ("side", 0.3, 0.5, "loaded", "vocational flash cards, voltage drop testing", "read"),
    ("joint", 0.1, 0.1, "loaded", "vocational flash cards, voltage drop testing", "read"),
    ("joint", 0.2, 0.2, "wire or cable, loaded", "installation manual, as above", "read"),
    ("total", 0.6, 0.6, "5 % of 12.6 V", "tool-maker article, voltage drop", "read"),
    ("side", 0.3, 0.3, "10-25 A small-engine harness, rated current", "common practice, no source", "memory"),
]  # fmt: skip
#: Kept, and not used as limits: see rules_drop's docstring.
OUTLIERS = [
    ("ground connection with electronics", 0.05, "installation manual, as above", "read"),
    ("switch", 0.3, "installation manual, as above", "read"),
    ("circuit in good order", 1.0, "1994 passenger-car manual: old rule", "read"),
]
# (mA, condition, source, status)
DRAWS = [
    (1.0, "small tractor without electronics", "common practice, no source", "memory"),
    (25.0, "by equipment, modules asleep", "2023 passenger-car service manual, battery drain check", "read"),
    (35.0, "above this called excessive", "car-maker training module, battery service, page 17", "read"),
    (50.0, "modules asleep, at least 75 min", "2023 passenger-car service manual, battery drain check", "read"),
]
#: Kept, and not used: typical drains and fault thresholds of whole cars, above every limit for a garden machine.
CAR_DRAWS = [(120.0, "battery FAQ of March 2003", "read"), (85.0, "web article on parasitic draw", "read")]

REGULATOR = RegulatorSpec(20.0, 3600, (13.8, 14.7), 15.0, min_amps=18.0, near_zero_amps=2.0)
SILENT = MachineSpec("any", "manual", (3350, 3650), regulator=REGULATOR, wiring=WiringSpec(("a joint",)))


@pytest.mark.parametrize(
    ("kind", "limits"), [("joint", rules_drop.JOINT), ("side", rules_drop.SIDE), ("total", rules_drop.TOTAL)]
)
def test_the_spread_of_the_published_drops_is_ours(kind: str, limits: tuple[float, float]) -> None:
    least = min(row[1] for row in DROPS if row[0] == kind)
    largest = max(row[2] for row in DROPS if row[0] == kind)
    assert limits == (least, largest)


@pytest.mark.parametrize("row", DROPS, ids=lambda row: row[4] if isinstance(row, tuple) else None)
def test_no_published_limit_is_contradicted(row: tuple[str, float, float, str, str, str]) -> None:
    """Clearly below the least is good and clearly above the largest bad by every page; what lies between is left open."""
    kind, least, largest = row[:3]
    limit = getattr(rules_drop.Limits.of(SILENT), kind)
    assert limit.low <= least
    assert limit.high >= largest


def test_outliers_are_outside_of_what_is_used() -> None:
    values = [value for _, value, _, _ in OUTLIERS]
    low, high = rules_drop.JOINT
    assert all(not low <= value <= high for value in values)


def drop(ohms: float, amps: float, spec: MachineSpec = SILENT, digit: float = 0.001) -> Verdict:
    """A recording of one joint."""
    rng = random.Random(1)
    procedure = make("drop", spec)
    procedure.opening()
    for count in range(40):
        volts = ohms * amps + rng.gauss(0, digit / 3)
        procedure.feed(Sample(count * 500_000_000, {
            "joint_volts": Value(round(volts / digit) * digit, digit),
            "charge_amps": Value(round(amps + rng.gauss(0, 0.03), 2), 0.01), "engine_rpm": Value(3500.0, 1.0),
        }))  # fmt: skip
    procedure.finish("the recording ended")
    assert procedure.verdict is not None
    return procedure.verdict


# Electrical-shop page 'Alternator Voltage Drop Test' (read): 0.01 ohm of added resistance costs 1 V at 100 A.
# Arithmetic (computed): 5 A through 0.04 ohm are 0.2 V. 20 A through 0.03 ohm are 0.6 V and 12 W.
@pytest.mark.parametrize(
    ("ohms", "amps", "volts", "watts"), [(0.01, 100.0, 1.0, 100.0), (0.04, 5.0, 0.2, 1.0), (0.03, 20.0, 0.6, 12.0)]
)
def test_ohms_law_of_a_joint(ohms: float, amps: float, volts: float, watts: float) -> None:
    rated = replace(SILENT, regulator=replace(REGULATOR, rated_amps=amps))
    row = drop(ohms, amps, rated).extra["joints"][0]
    assert row["ohms"] == pytest.approx(ohms, rel=0.02)
    assert row["volts"] == pytest.approx(volts, rel=0.02)
    assert row["watts_at_rated"] == pytest.approx(watts, rel=0.03)


# Annealed copper, 1.724e-8 ohm m at 20 degC (IEC 60028: memory). 2 m of 2.5 mm2: 13.8 mOhm, which at 20 A is 0.276 V: more
# than any page allows a wire. 1 m of 6 mm2: 2.87 mOhm, 0.057 V: good (both computed).
@pytest.mark.parametrize(("metres", "mm2", "outcome"), [(2.0, 2.5, "fail"), (1.0, 6.0, "pass")])
def test_a_copper_wire_that_is_too_thin_fails(metres: float, mm2: float, outcome: str) -> None:
    ohms = 1.724e-8 * metres / (mm2 * 1e-6)
    assert drop(ohms, 15.0).outcome == outcome


def test_the_spread_of_the_published_draws_is_ours_and_named() -> None:
    assert min(row[0] for row in DRAWS) == pytest.approx(1000 * rules_draw.LEAST_PUBLISHED)
    assert max(row[0] for row in DRAWS) == pytest.approx(1000 * rules_draw.LARGEST_PUBLISHED)
    for milliamps, *_ in DRAWS:
        assert f"{milliamps:g}" in rules_draw.SPREAD
    assert all(milliamps > 1000 * rules_draw.LARGEST_PUBLISHED for milliamps, _, _ in CAR_DRAWS)


def draw(milliamps: float, spec: MachineSpec, seconds: float = 120.0) -> Verdict:
    rng = random.Random(1)
    procedure = make("draw", spec)
    procedure.opening()
    for count in range(round(seconds)):
        amps = 0.001 * milliamps + rng.gauss(0, 0.00001)
        procedure.feed(Sample(count * 1_000_000_000, {"draw_amps": Value(round(amps, 5), 0.00001)}))
    procedure.finish("the recording ended")
    assert procedure.verdict is not None
    return procedure.verdict


@pytest.mark.parametrize(
    ("milliamps", "outcome"),
    [(0.5, "pass"), (10.0, "undecided"), (30.0, "undecided"), (40.0, "undecided"), (60.0, "fail"), (200.0, "fail")],
)
def test_a_draw_is_only_called_where_all_pages_agree(milliamps: float, outcome: str) -> None:
    assert draw(milliamps, SILENT).outcome == outcome


# Arithmetic (computed): a 28 Ah battery loses half its charge, 14 Ah, to 50 mA in 280 h, to 1 A in 14 h.
@pytest.mark.parametrize(("milliamps", "hours"), [(51.0, 274.5), (1000.0, 14.0)])
def test_hours_until_half_charge(milliamps: float, hours: float) -> None:
    battery = replace(SILENT, battery=BatterySpec(28.0))
    found = draw(milliamps, battery).measured["hours_to_half"]
    assert found.value == pytest.approx(hours, rel=0.01)


# US Army TM 5-4210-230-14&P-1, table 5, and passenger-car service manuals 2004-2012 (read): least volts at half the CCA.
@pytest.mark.parametrize(
    ("fahrenheit", "volts"),
    [(70, 9.6), (60, 9.5), (50, 9.4), (40, 9.3), (30, 9.1), (20, 8.9), (10, 8.7), (0, 8.5)],
)
def test_the_cranking_limit_in_the_cold_is_the_load_tests(fahrenheit: float, volts: float) -> None:
    celsius = (fahrenheit - 32) / 1.8
    found = rules_cranking.bounds(SILENT, celsius)
    assert found.volts == 9.6, "9.6 V while cranking, at 70 degF: common practice, the load test's figure"
    if found.cold_volts is not None:
        assert found.cold_volts == pytest.approx(volts, abs=0.01)
    else:
        assert fahrenheit >= 59
    assert ratings.least_load_volts(celsius) == pytest.approx(volts, abs=0.01)


# Computed from that table: from 12.6 V at rest to 9.6 V at half of 300 A is 20 mOhm; at 0 degF, to 8.5 V, 27.3 mOhm.
@pytest.mark.parametrize(("celsius", "milliohms"), [(21.1, 20.0), (-17.8, 27.3)])
def test_the_inner_resistance_of_a_battery_that_just_passes(celsius: float, milliohms: float) -> None:
    machine = replace(SILENT, battery=BatterySpec(28.0, 300))
    judge = rules_cranking.Judge(None, rules_cranking.bounds(machine, celsius), machine, None, {}, celsius)  # type: ignore[arg-type]
    held = judge.held_ohms
    assert held is not None
    assert 1000 * held == pytest.approx(milliohms, rel=0.01)


def crank(rest: float, ohms: float, amps: float) -> Iterator[Sample]:
    rng = random.Random(2)
    for count in range(100):
        t = count * 0.25
        pulls = amps * (1 + rng.gauss(0, 0.02)) if 10 <= t < 15 else 0.0
        volts = rest - pulls * ohms + rng.gauss(0, 0.01)
        yield Sample(
            round(t * 1e9), {"battery_volts": Value(round(volts, 2), 0.01), "crank_amps": Value(round(pulls, 1), 0.1)}
        )


def test_ohms_law_of_a_crank() -> None:
    """12.6 V at rest, 11.1 V at 100 A: 15 mOhm (computed)."""
    procedure = make("crank", SILENT)
    procedure.opening()
    for sample in crank(12.6, 0.015, 100.0):
        procedure.feed(sample)
    procedure.finish("the recording ended")
    assert procedure.verdict is not None
    found = procedure.verdict.measured["battery_ohms"]
    assert found.value == pytest.approx(0.015, abs=found.expanded_uncertainty or 0)
    assert found.expanded_uncertainty is not None
    assert found.expanded_uncertainty < 0.001
