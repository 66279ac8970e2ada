"""Consumer's and producer's risk against published examples and tables, and counted."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import special

from benchd.core.budget import decide, guard_band, probability_within
from benchd.core.lots.risk import gamma, global_risk, guard_for, guard_of, lot_risk, normal, together
from benchd.core.specs import Rule

BALLS = gamma(4.0, 4.0)
SPAN = (0.0, 12.0)


def test_the_ball_bearings_of_jcgm_106() -> None:
    """JCGM 106:2012, 9.5.4: prior gamma, limit 2 um, u = 0.25 um. Status: read, as coded in a public repository."""
    found = global_risk(BALLS, SPAN, 0.25, None, 2.0)
    assert 1 - found.good == pytest.approx(0.04238, abs=5e-6)
    assert found.consumer == pytest.approx(0.00802, abs=5e-6)
    assert found.producer == pytest.approx(0.0174, abs=5e-5)  # computed


def test_the_guard_band_that_holds_their_risk_to_one_in_a_thousand() -> None:
    """The same: acceptance limit 1.672 um, guard band 0.328 um. Status: read; producer's risk 7.55 % computed."""
    width = guard_for(BALLS, SPAN, 0.25, None, 2.0, 0.001)
    assert width == pytest.approx(0.328, abs=5e-4)
    found = global_risk(BALLS, SPAN, 0.25, None, 2.0, (0.0, width))
    assert found.consumer == pytest.approx(0.001, abs=1e-9)
    assert found.producer == pytest.approx(0.0755, abs=5e-5)


@pytest.mark.parametrize(
    ("inside", "accepted_bad", "given", "refused_good"),
    [
        (0.60, 4.83860, 8.26008, 6.26045),
        (0.70, 3.92234, 5.72322, 5.38853),
        (0.80, 2.85583, 3.63227, 4.23202),
        (0.90, 1.59995, 1.79880, 2.65459),
        (0.95, 0.87101, 0.92390, 1.59539),
        (0.99, 0.19992, 0.20244, 0.44564),
    ],
)
def test_the_table_by_in_tolerance_probability(
    inside: float, accepted_bad: float, given: float, refused_good: float
) -> None:
    """NCSLI RP-19 draft table: limits +/-1, measurement's spread a quarter of the process'. Status: read, secondary; last column computed."""
    process = 1 / float(special.ndtri((1 + inside) / 2))
    found = global_risk(normal(0.0, process), (-9 * process, 9 * process), process / 4, -1.0, 1.0)
    assert 100 * found.consumer == pytest.approx(accepted_bad, abs=1e-5)
    assert found.consumer_given is not None
    assert 100 * found.consumer_given == pytest.approx(given, abs=2e-5)
    assert 100 * found.producer == pytest.approx(refused_good, abs=1e-5)


def test_the_classic_check() -> None:
    """Process spread 4, measurement 1, limits +/-8: 0.8 % and 1.5 %. Status: read."""
    found = global_risk(normal(0.0, 4.0), (-36.0, 36.0), 1.0, -8.0, 8.0)
    assert (round(found.consumer, 3), round(found.producer, 3)) == (0.008, 0.015)


@pytest.mark.parametrize(
    ("r", "worst"),
    [(3.0, 9.87e-10), (1.5, 0.00135), (1.0, 0.02275), (0.83, 0.0485), (0.0, 0.5)],
)
def test_the_guard_bands_of_ilac_g8(r: float, worst: float) -> None:
    """ILAC-G8:09/2019, guard band w = r U, U = 2 u: risk of a value exactly on the acceptance limit. Tabulated < 1 ppm, < 0.16 %, < 2.5 %,
    < 5 %, < 50 %: read; exact figures computed."""
    u = 0.01
    on_limit = 15.0 - r * 2 * u
    assert 1 - probability_within(on_limit, u, None, 15.0) == pytest.approx(worst, rel=5e-3)


def test_benchds_guard_band_is_that_of_iso_14253_1() -> None:
    """ISO 14253-1:2017: 1.65 u one-sided, 95 %. Status: read, quoted with its page in a calibration set-up file."""
    assert guard_of(Rule.GUARDED_ACCEPTANCE, 0.05, 1.0) == pytest.approx(1.65, abs=0.006)
    assert guard_band(1.0, 0.05) == pytest.approx(guard_of(Rule.GUARDED_ACCEPTANCE, 0.05, 1.0))


def test_predicted_risks_are_what_is_counted() -> None:
    """100,000 simulated units by the judge's own rule: the prediction lies within the 99.9 % interval of the count."""
    chance = np.random.default_rng(11)
    mean, sd, u, low, high = 14.3, 0.15, 0.03, 14.0, 14.6
    truth = chance.normal(mean, sd, 100_000)
    shown = truth + chance.normal(0, u, truth.size)
    width = guard_of(Rule.GUARDED_ACCEPTANCE, 0.05, u)
    passed = (shown >= low + width) & (shown <= high - width)
    for value in (low + width - 0.001, low + width + 0.001):  # the rule and its guard band are one thing
        said = decide(Rule.GUARDED_ACCEPTANCE, probability_within(value, u, low, high), low <= value <= high, 0.05)
        assert (said == "pass") == (value > low + width)
    good = (truth >= low) & (truth <= high)
    found = global_risk(normal(mean, sd), (mean - 9 * sd, mean + 9 * sd), u, low, high, (width, width))
    for predicted, counted in (
        (found.consumer, int((passed & ~good).sum())),
        (found.producer, int((~passed & good).sum())),
    ):
        reach = 3.29 * math.sqrt(predicted * truth.size)
        assert abs(counted - predicted * truth.size) <= reach


def test_the_lots_own_spread_gives_the_same_risks() -> None:
    chance = np.random.default_rng(12)
    truth = chance.normal(14.3, 0.15, 20_000)
    shown = truth + chance.normal(0, 0.05, truth.size)
    found = lot_risk(shown, np.full(truth.size, 0.05), 14.0, 14.6, Rule.GUARDED_ACCEPTANCE)
    width = guard_of(Rule.GUARDED_ACCEPTANCE, 0.05, 0.05)
    exact = global_risk(normal(14.3, 0.15), (12.0, 17.0), 0.05, 14.0, 14.6, (width, width))
    assert found.consumer == pytest.approx(exact.consumer, rel=0.08)
    assert found.producer == pytest.approx(exact.producer, rel=0.08)
    both = together([found, found])
    assert both[0] is not None
    assert 1.5 * exact.consumer < both[0] < 2 * exact.consumer * 1.1


@pytest.mark.parametrize(
    ("values", "u", "limits", "told"),
    [
        ([14.0] * 5, [0.01] * 5, (13.0, 15.0), "5 units show no spread"),
        ([14.0] * 20, [math.nan] * 20, (13.0, 15.0), "uncertainty is not known"),
    ],
)
def test_what_cannot_be_known_is_said(
    values: list[float], u: list[float], limits: tuple[float | None, float | None], told: str
) -> None:
    found = lot_risk(values, u, *limits, Rule.GUARDED_ACCEPTANCE)
    assert found.consumer is None
    assert told in found.says
    assert together([found])[0] is None


def test_a_spread_that_the_measurement_explains_is_said() -> None:
    values = np.random.default_rng(3).normal(14.3, 0.01, 50)
    assert "explains nearly all" in lot_risk(values, np.full(50, 0.02), 14.0, 14.6, Rule.GUARDED_ACCEPTANCE).says


def test_a_guard_band_that_leaves_nothing_accepts_nothing() -> None:
    found = global_risk(normal(0.0, 1.0), (-9.0, 9.0), 1.0, -1.0, 1.0, (1.5, 1.5))
    assert (found.accepted, found.consumer) == (0.0, 0.0)
    assert found.consumer_given is None
    assert found.producer == pytest.approx(found.good)
