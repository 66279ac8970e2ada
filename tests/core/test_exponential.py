"""Exponential fits on curves like a charge's: where they end, how sure, and no fit where there is none to have."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.core import fits


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-20, 20).filter(lambda a: abs(a) > 0.01),
    st.floats(0.5, 20),
    st.floats(-20, 20),
    st.floats(0, 1e4),
)
def test_an_exact_curve_is_found(amplitude, constants, offset, scale) -> None:
    """Over half a time constant to twenty, whatever the units of time."""
    x = np.linspace(0, 1, 60) * (1 + scale)
    rate = constants / (1 + scale)
    found, why = fits.exponential_rise(x, offset + amplitude * -np.expm1(-rate * x), with_offset=True)
    assert found is not None, why
    assert found.end == pytest.approx(offset + amplitude, abs=1e-5 * abs(amplitude) + 1e-9)
    assert found.rate == pytest.approx(rate, rel=1e-4)


@pytest.mark.parametrize("seen_constants", [1.0, 2.0, 4.0])
def test_the_end_is_within_its_uncertainty(seen_constants) -> None:
    random = np.random.default_rng(4)
    x = np.arange(0, 200 * seen_constants, 1.0)
    held = 0
    for _ in range(200):
        y = np.round(12.6 + 1.7 * -np.expm1(-x / 200) + random.normal(0, 0.01, x.size), 2)
        found, why = fits.exponential_rise(x, y, with_offset=True, correlated=True, resolution=0.01)
        assert found is not None, why
        held += abs(found.end - 14.3) < 2 * found.u_end
    assert held / 200 >= 0.90


def test_falling_amps_fit_as_well() -> None:
    x = np.arange(0, 600, 2.0)
    found, _ = fits.exponential_rise(x, 1.0 + 14.0 * np.exp(-x / 120), with_offset=True)
    assert found is not None
    assert found.amplitude == pytest.approx(-14.0)
    assert found.end == pytest.approx(1.0)
    assert found.time_constant == pytest.approx(120.0)
    assert found.x_within(0.1) == pytest.approx(120 * math.log(140))


@pytest.mark.parametrize("start", [(1e9, 1e-9), (-3.0, 5.0), (0.0, 0.0), (1.7, -1.0), (1.7, 1 / 200)])
def test_no_start_does_harm(start) -> None:
    x = np.arange(0, 800, 2.0)
    found, why = fits.exponential_rise(x, 12.6 + 1.7 * -np.expm1(-x / 200), start, with_offset=True)
    assert found is not None, why
    assert found.end == pytest.approx(14.3, abs=1e-6)


def test_correlation_and_rounding_only_widen() -> None:
    random = np.random.default_rng(9)
    x = np.arange(0, 500, 1.0)
    y = 12.6 + 1.7 * -np.expm1(-x / 200) + np.repeat(random.normal(0, 0.02, 50), 10)
    plain, _ = fits.exponential_rise(x, y, with_offset=True)
    wide, _ = fits.exponential_rise(x, y, with_offset=True, correlated=True, resolution=0.1)
    assert plain is not None
    assert wide is not None
    assert wide.end == plain.end
    assert wide.u_end > 1.5 * plain.u_end
    assert wide.dof < plain.dof


def test_a_straight_line_has_no_end_yet() -> None:
    x = np.arange(0, 60, 1.0)
    found, why = fits.exponential_rise(x, 13.0 + 0.001 * x, with_offset=True)
    assert found is None or found.u_end > 10 * 0.06 or found.rate * 60 < 0.01, why
    noisy = np.round(13.0 + 0.0003 * x + np.random.default_rng(1).normal(0, 0.003, 60), 2)
    found, why = fits.exponential_rise(x, noisy, with_offset=True, correlated=True, resolution=0.01)
    assert found is None or found.u_end > 0.005


@pytest.mark.parametrize(
    ("x", "y", "says"),
    [
        ([0, 1], [0, 1], "too few"),
        ([1, 1, 1, 1], [0, 1, 2, 3], "same x"),
        ([0, 1, 2, 3], [0, 1, math.nan, 3], "finite"),
        ([0, 1, 2, 3, 4], [0.0, 1.0, 2.0, 3.0, 4.0], "straight line"),
    ],
)
def test_what_cannot_be_fitted_says_why(x, y, says) -> None:
    found, why = fits.exponential_rise(x, y, with_offset=True)
    assert found is None
    assert says in why


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(-1e4, 1e4), min_size=4, max_size=30), st.booleans())
def test_arbitrary_points_give_a_fit_or_a_reason(y, with_offset) -> None:
    found, why = fits.exponential_rise(np.arange(len(y)), y, with_offset=with_offset, correlated=True)
    assert (found is None) == bool(why)
    if found is not None:
        assert math.isfinite(found.end)
        assert found.rate > 0
        assert found.u_end >= 0


def test_a_bulk_charge_misleads_the_fit() -> None:
    """Why the fit's docstring forbids it: five minutes of a fast rise and a slow ramp end at the plateau, 'surely'."""
    t = np.arange(0, 300, 1.0)
    found, why = fits.exponential_rise(
        t, 12.9 + 0.8 * -np.expm1(-t / 3) + 0.0004 * t, with_offset=True, correlated=True
    )
    assert found is not None, why
    assert found.end < 13.9
    assert found.u_end < 0.1
    late, _ = fits.exponential_rise(t[60:] - 60, 13.7 + 0.0004 * t[60:], with_offset=True)
    assert late is None
