"""A displayed number: its value, its last digit, and what is no number."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.readings import CURES, NOT_A_MEASUREMENT, Flag, Quantity, Reading


@given(st.decimals(min_value=-99999, max_value=99999, places=4), st.integers(0, 4), st.sampled_from([-6, -3, 0, 3]))
def test_value_and_resolution_are_those_of_exact_decimal_arithmetic(
    number: Decimal, places: int, exponent: int
) -> None:
    text = f"{number:.{places}f}"
    reading = Reading.of_text(Quantity.DC_VOLTS, text, exponent)
    assert reading.value == Decimal(text).scaleb(exponent)
    assert reading.resolution == Decimal(1).scaleb(exponent - places)


@pytest.mark.parametrize(("text", "resolution"), [("+1.440E+01", "0.01"), ("12.", "1"), (".5", "0.1"), ("3e2", "100")])
def test_the_last_digit_of_other_forms(text: str, resolution: str) -> None:
    reading = Reading.of_text(Quantity.DC_VOLTS, text)
    assert reading.value == Decimal(text)
    assert reading.resolution == Decimal(resolution)


@pytest.mark.parametrize("text", ["nan", "inf", "1_2", "１２", "", "+", "1.2.3", "0x10", "1e999", " 1", "9" * 50])
def test_what_is_no_displayed_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a displayed number"):
        Reading.of_text(Quantity.DC_VOLTS, text)


def test_a_flagged_number_is_no_measurement_and_every_flag_has_a_cure() -> None:
    reading = Reading.of_text(Quantity.DC_VOLTS, "12.65")
    assert reading.usable
    assert not any(reading.flagged(flag).usable for flag in NOT_A_MEASUREMENT)
    assert set(CURES) == set(Flag)
    assert not Reading(Quantity.DC_VOLTS, None).usable
