"""Ratings, typed hydrometer readings and temperatures, charging time: what is refused and how it is said."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from battery_runs import MACHINE
from hypothesis import given
from hypothesis import strategies as st

from benchd.core import charging_time, electrolyte, lead_acid, ratings
from benchd.core.procedures import asking
from benchd.core.procedures.load import LoadTest
from benchd.core.specs import BatterySpec


@pytest.mark.parametrize(
    ("battery", "key"),
    [
        (BatterySpec(28.0), "cold_cranking_amps"),
        (BatterySpec(28.0, None, 300.0), "rating_standard"),
        (BatterySpec(28.0, None, 300.0, "EN 50342"), "rating_standard"),
        (BatterySpec(28.0, 0.0), "cold_cranking_amps"),
        (BatterySpec(28.0, None, -5.0, "CA"), "rating_amps"),
    ],
)
def test_a_load_test_is_refused_by_key_before_it_starts(battery: BatterySpec, key: str) -> None:
    (told,) = LoadTest.spec_complaints(replace(MACHINE, battery=battery))
    assert f"[battery] {key}" in told


def test_a_spec_with_cold_cranking_amps_has_no_complaint() -> None:
    assert LoadTest.spec_complaints(MACHINE) == ()
    assert LoadTest.spec_complaints(replace(MACHINE, battery=None)) == (), "the missing table is told elsewhere"


@given(st.floats(-18.0, 60.0), st.floats(0.0, 10.0))
def test_a_warmer_battery_never_needs_less(celsius: float, warmer: float) -> None:
    here, there = ratings.least_load_volts(celsius), ratings.least_load_volts(celsius + warmer)
    assert 8.5 <= here <= there <= 9.6
    assert there - here <= warmer * 0.0361 + 1e-9


@pytest.mark.parametrize("text", ["1.265", "1.26", "1.2650", " 1.120 "])
def test_a_plain_reading_is_taken(text: str) -> None:
    found = electrolyte.typed(text)
    assert found.gravity == pytest.approx(float(text))
    assert not found.ask


@pytest.mark.parametrize("text", ["12.65", "1265", "1,265", "126.5", "265", "0.1265", "12,65"])
def test_slips_are_asked_about_and_never_taken(text: str) -> None:
    found = electrolyte.typed(text)
    assert found.gravity == pytest.approx(1.265)
    assert text in found.ask
    assert "?" in found.ask


def test_volts_typed_for_gravity_are_named() -> None:
    assert "volts" in electrolyte.typed("12.65").ask


@pytest.mark.parametrize("text", ["", "abc", "1.5", "0.9", "2.65", "-1.265", "1.265.1", "nan", "1_265", "1.9", "١.265"])
def test_nonsense_is_refused(text: str) -> None:
    found = electrolyte.typed(text)
    assert found.gravity is None
    assert found.ask


@given(st.text(max_size=8))
def test_any_text_is_taken_plainly_or_asked_about(text: str) -> None:
    found = electrolyte.typed(text)
    if not found.ask:
        assert found.gravity is not None
        assert text.strip().startswith("1.")
    if found.gravity is not None:
        assert electrolyte.LOWEST <= found.gravity <= electrolyte.HIGHEST


@pytest.mark.parametrize(
    ("text", "celsius"),
    [("20", 20.0), ("20C", 20.0), ("68F", 20.0), ("68 degF", 20.0), ("-5 c", -5.0), ("77f", 25.0), ("18,5", 18.5)],
)
def test_temperatures_that_are_taken(text: str, celsius: float) -> None:
    assert asking.temperature(text).celsius == pytest.approx(celsius)


@pytest.mark.parametrize("text", ["77", "68", "40", "-40"])
def test_a_bare_number_that_may_be_fahrenheit_is_asked_about(text: str) -> None:
    found = asking.temperature(text)
    assert found.celsius is None
    assert "degF?" in found.ask


@pytest.mark.parametrize("text", ["200F", "99C", "warm", "20K", "nan", "1e3"])
def test_impossible_temperatures_are_asked_again(text: str) -> None:
    found = asking.temperature(text)
    assert found.celsius is None
    assert found.ask


@pytest.mark.parametrize("text", ["", "skip", " "])
def test_a_temperature_may_be_left_out(text: str) -> None:
    assert asking.temperature(text) == asking.Temperature(skipped=True)


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0.5, 20.0))
def test_the_emptier_the_longer(charge: float, other: float, amps: float) -> None:
    low, high = sorted((charge, other))
    more, less = charging_time.charge_needed(28.0, low, amps), charging_time.charge_needed(28.0, high, amps)
    assert more.hours[1] >= less.hours[1] - 1e-9
    assert more.amp_hours[0] <= more.amp_hours[1]
    assert more.hours[0] >= more.amp_hours[0] / amps - 1e-9


@pytest.mark.parametrize(
    ("numbers", "named"),
    [((0.0, 0.5, 4.0), "capacity"), ((28.0, 0.5, 0.0), "current"), ((28.0, 1.5, 4.0), "Charge"), ((math.nan, 0.5, 4.0), "capacity")],
)  # fmt: skip
def test_charging_that_makes_no_sense_is_refused(numbers: tuple[float, float, float], named: str) -> None:
    with pytest.raises(charging_time.ChargeRefused, match=named):
        charging_time.charge_needed(*numbers)


def test_a_frozen_battery_is_locked_out_of_charging() -> None:
    with pytest.raises(charging_time.ChargeRefused, match="frozen"):
        charging_time.charge_needed(28.0, 0.2, 4.0, frozen=True)


def test_a_charger_too_strong_is_told() -> None:
    assert any("10 A is much" in one for one in charging_time.charge_needed(18.0, 0.2, 10.0).cautions)
    assert not any("is much" in one for one in charging_time.charge_needed(28.0, 0.2, 4.0).cautions)


def test_sealed_and_unrested_batteries_are_less_sure() -> None:
    flooded = lead_acid.charge_by_volts(12.55, 0.01, rested=True)
    sealed = lead_acid.charge_by_volts(12.55, 0.01, rested=True, sealed=True)
    unrested = lead_acid.charge_by_volts(12.55, 0.01)
    assert sealed[1] > flooded[1]
    assert sealed[0] < flooded[0]
    assert unrested[1] > flooded[1]
