"""Correlated and rounded series: coverage is measured on simulated series, not asserted by formula."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from benchd.core import budget, series


def hunting(random: np.random.Generator, n: int, rho: float, sd: float = 1.0) -> np.ndarray:
    """First-order correlated noise that begins in its steady state."""
    shocks = random.normal(0, sd * math.sqrt(1 - rho**2), n)
    shocks[0] = random.normal(0, sd)
    return lfilter([1.0], [1.0, -rho], shocks)


def test_a_constant_series_is_worth_all_its_readings() -> None:
    assert series.effective_size([12.65] * 40) == 40


@pytest.mark.parametrize(("rho", "low", "high"), [(0.0, 150, 200), (0.5, 45, 90), (0.8, 14, 35), (0.95, 2, 14)])
def test_effective_size_is_about_that_of_the_process(rho, low, high) -> None:
    random = np.random.default_rng(5)
    found = np.median([series.effective_size(hunting(random, 200, rho)) for _ in range(100)])
    assert low <= found <= high, f"{200 * (1 - rho) / (1 + rho):.0f} expected"


@settings(max_examples=60)
@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=80))
def test_effective_size_stays_between_one_and_n(values) -> None:
    assert 1 <= series.effective_size(values) <= len(values)


@pytest.mark.parametrize(("n", "rho", "least"), [(60, 0.0, 0.92), (60, 0.5, 0.90), (60, 0.8, 0.86), (200, 0.8, 0.89)])
def test_intervals_hold_the_truth(n, rho, least) -> None:
    """Ordinary standard errors would hold it in about half the cases at rho = 0.8."""
    random = np.random.default_rng(11)
    t, held_mean, held_slope, runs = np.arange(n), 0, 0, 300
    for _ in range(runs):
        x = hunting(random, n, rho)
        average, fitted = series.mean(x), series.line(t, x)
        held_mean += abs(average.value) < budget.coverage_factor(average.dof) * average.u
        held_slope += abs(fitted.slope) < budget.coverage_factor(fitted.dof) * fitted.u_slope
    assert held_mean / runs >= least
    assert held_slope / runs >= least


def test_repeated_digits_are_not_free_of_uncertainty() -> None:
    found = series.mean([13.02] * 60, resolution=0.01)
    assert found.u == pytest.approx(0.01 / math.sqrt(12))
    assert series.mean([13.02] * 60).u == math.inf


def test_rounding_is_not_averaged_away() -> None:
    random = np.random.default_rng(2)
    many = np.round(14.2 + random.normal(0, 0.02, 5000), 2)
    assert series.mean(many, 0.01).u >= 0.01 / math.sqrt(12)


def test_one_reading() -> None:
    assert series.mean([14.2]).u == math.inf
    assert series.mean([14.2], 0.01).u == pytest.approx(0.01 / math.sqrt(12))
    with pytest.raises(ValueError, match="no readings"):
        series.mean([])


def test_noise_sees_scatter_and_not_drift_or_a_step() -> None:
    random = np.random.default_rng(3)
    x = 13 + 0.001 * np.arange(400) + random.normal(0, 0.02, 400)
    x[200:] += 5
    assert series.noise(x) == pytest.approx(0.02, rel=0.25)


def test_noise_is_never_below_the_rounding() -> None:
    assert series.noise([13.0] * 10, 0.01) == pytest.approx(0.01 / math.sqrt(12))
    assert series.noise([13.0] * 9 + [13.01]) == pytest.approx(0.01 / math.sqrt(12), rel=1e-6)
    assert series.noise([13.0]) == math.inf


@pytest.mark.parametrize("mv_per_s", [0.3, 0.5, 1.0])
@pytest.mark.parametrize("noise_volts", [0.0, 0.004])
def test_a_bulk_charge_is_not_called_flat(mv_per_s, noise_volts) -> None:
    """0.3 to 1 mV/s over 30 s at 10 mV looks flat and is not: the trap of every short window."""
    random = np.random.default_rng(7)
    t = np.arange(0, 30, 0.5)
    for _ in range(50):
        true = 13.2 + random.uniform(0, 0.01) + mv_per_s / 1000 * t + random.normal(0, 1, t.size) * noise_volts
        assert series.flat(t, np.round(true, 2), 0.0001, 0.01) < 0.95


def test_a_settled_series_is_called_flat_once_the_window_is_long_enough() -> None:
    random = np.random.default_rng(8)
    t = np.arange(0, 180, 0.5)
    x = np.round(14.3 + random.normal(0, 0.004, t.size), 2)
    assert series.flat(t, x, 0.0001, 0.01) > 0.95
    assert series.flat(t[:20], x[:20], 0.0001, 0.01) < 0.95
    assert series.flat(t[:2], x[:2], 0.0001, 0.01) == 0


def test_rounding_hides_a_slope_of_a_count_over_the_window() -> None:
    t = np.arange(0, 30, 0.5)
    fitted = series.line(t, np.full(t.size, 13.2), 0.01)
    assert fitted.slope == 0
    assert fitted.u_slope > 0.01 / math.sqrt(12) / 30


@given(st.floats(-5, 5), st.floats(-100, 100), st.floats(0, 1000))
def test_a_line_is_found_wherever_its_origin_is(slope, intercept, shift) -> None:
    x = np.arange(20.0) + shift
    y = intercept + slope * x + np.array([0.1, -0.1] * 10)
    fitted = series.line(x, y)
    assert series.at(fitted, shift + 9.5)[0] == pytest.approx(intercept + slope * (shift + 9.5), abs=0.02)
    near, far = (series.at(fitted, shift + where)[1] for where in (9.5, 100))
    assert 0 < near < far


@pytest.mark.parametrize(("x", "y"), [([1, 2], [1, 2]), ([1, 2, 3], [1, 2]), ([2, 2, 2], [1, 2, 3])])
def test_a_line_through_too_little_is_refused(x, y) -> None:
    with pytest.raises(ValueError, match="line"):
        series.line(x, y)
