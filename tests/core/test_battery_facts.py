"""What rest volts may mean: always an interval, always on the safe side."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core import lead_acid

volts = st.floats(9, 14)
celsius = st.floats(-40, 50)


@given(volts, celsius, st.booleans())
def test_charge_is_an_interval_between_empty_and_full(v, temperature, rested) -> None:
    low, high = lead_acid.rest_charge(v, temperature, rested=rested)
    assert 0 <= low <= high <= 1


@given(volts, volts, celsius)
def test_more_volts_never_mean_less_charge_or_more_frost(one, other, temperature) -> None:
    lower, upper = sorted((one, other))
    weak, strong = lead_acid.rest_charge(lower, temperature), lead_acid.rest_charge(upper, temperature)
    assert weak[0] <= strong[0] + 1e-12
    assert weak[1] <= strong[1] + 1e-12
    assert lead_acid.may_be_frozen(lower, temperature) or not lead_acid.may_be_frozen(upper, temperature)


def test_surface_charge_is_not_taken_for_a_full_battery() -> None:
    low, high = lead_acid.rest_charge(13.1)
    assert low < 0.8
    assert high == 1


def test_a_cold_battery_rests_lower_at_equal_charge() -> None:
    assert lead_acid.rest_charge(12.4, -10, rested=True) > lead_acid.rest_charge(12.4, 25, rested=True)


@pytest.mark.parametrize(
    ("rest_volts", "celsius", "frozen"),
    [
        (12.65, 0, False),
        (12.65, -25, False),
        (12.2, 0, False),
        (12.2, -20, True),
        (11.8, -8, True),
        (11.8, 5, False),
        (10.5, 0, True),  # over-discharged acid is nearly water
        (10.5, 10, False),
        (12.65, -60, True),
    ],
)
def test_frost(rest_volts, celsius, frozen) -> None:
    assert lead_acid.may_be_frozen(rest_volts, celsius) is frozen


@pytest.mark.parametrize(
    ("rest_volts", "dead"),
    [
        (12.65, False),
        (11.6, False),
        (11.1, False),
        (10.9, True),
        (10.55, True),
        (8.4, True),
        (0.2, False),
        (-12, False),
    ],
)
def test_dead_cell(rest_volts, dead) -> None:
    assert lead_acid.looks_like_dead_cell(rest_volts) is dead
