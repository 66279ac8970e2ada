"""Risks of a lot: the exact sums against quadrature, the acceptance interval against the rule itself, odd lots."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.core.budget import decide, probability_within
from benchd.core.lots.risk import Risk, gamma, global_risk, guard_of, lot_risk, moments_risk, normal, together
from benchd.core.lots.risk_spread import Spread, own_spread, probabilities, spread_of
from benchd.core.specs import Rule

GUARDED = Rule.GUARDED_ACCEPTANCE


def figures(found: Risk) -> list[float]:
    return [found.consumer, found.producer, found.good, found.accepted]


@pytest.mark.parametrize("u", [1e-4, 0.02, 0.1, 0.5])
@pytest.mark.parametrize(
    ("low", "high"), [(14.0, 14.6), (14.0, None), (None, 14.25), (13.0, 16.0), (14.5, 14.6), (14.3, None)]
)
def test_exact_sums_and_quadrature_agree(low: float | None, high: float | None, u: float) -> None:
    one = Spread(np.array([14.3]), np.array([0.1]), np.ones(1), u)
    guard = (0.3 * u, -0.2 * u)
    assert probabilities(one, u, low, high, guard).tolist() == pytest.approx(
        figures(global_risk(normal(14.3, 0.1), (13.4, 15.2), u, low, high, guard)), abs=1e-9
    )


def test_a_mixture_is_the_sum_of_its_parts() -> None:
    two = Spread(np.array([14.0, 14.8]), np.array([0.1, 0.05]), np.array([0.25, 0.75]), 0.03)
    parts = [
        global_risk(normal(mean, sd), (mean - 9 * sd, mean + 9 * sd), 0.03, 14.1, 14.9)
        for mean, sd in ((14.0, 0.1), (14.8, 0.05))
    ]
    wanted = [0.25 * one + 0.75 * other for one, other in zip(*map(figures, parts), strict=True)]
    assert probabilities(two, 0.03, 14.1, 14.9).tolist() == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize("rule", list(Rule))
@pytest.mark.parametrize("limits", [(14.0, 14.6), (14.0, 14.08), (14.0, None), (None, 14.6)])
@pytest.mark.parametrize("risk", [0.05, 0.01])
def test_the_acceptance_interval_is_where_the_rule_passes(
    rule: Rule, limits: tuple[float | None, float | None], risk: float
) -> None:
    """Just inside of the guarded limit budget.decide passes, just outside it does not; between two near limits too."""
    u = 0.02
    low, high = limits
    width = guard_of(rule, risk, u, low, high)
    if math.isinf(width):
        middle = (low + high) / 2  # type: ignore[operator]
        assert decide(rule, probability_within(middle, u, low, high), True, risk) != "pass"
        return
    for end, inwards in ((low, 1.0), (high, -1.0)):
        if end is None:
            continue
        for step, passes in ((1e-6, True), (-1e-6, False)):
            value = end + inwards * (width + step)
            inside = (low is None or value >= low) and (high is None or value <= high)
            said = decide(rule, probability_within(value, u, low, high), inside, risk)
            assert (said == "pass") is passes, (end, step, said)


def test_between_near_limits_more_is_kept_off_than_from_one() -> None:
    single = guard_of(GUARDED, 0.05, 0.02)
    assert guard_of(GUARDED, 0.05, 0.02, 14.0, 14.6) == pytest.approx(single)
    assert guard_of(GUARDED, 0.05, 0.02, 14.0, 14.08) > 1.05 * single
    assert math.isinf(guard_of(GUARDED, 0.05, 0.02, 14.0, 14.07))


def test_limits_that_no_value_can_be_proven_between_are_said() -> None:
    values = np.random.default_rng(1).normal(14.03, 0.01, 100)
    found = lot_risk(values, np.full(100, 0.02), 14.0, 14.06, GUARDED)
    assert (found.consumer, found.guard) == (0.0, None)
    assert found.producer == pytest.approx(found.good)
    assert "too near to each other" in found.says


def test_units_far_from_all_others_do_not_widen_the_process() -> None:
    """A twentieth without output: the others' risk stays what it was, and the dead ones are surely not passed."""
    chance = np.random.default_rng(2)
    truth = chance.normal(14.3, 0.1, 1000)
    shown = truth + chance.normal(0, 0.03, truth.size)
    whole = lot_risk(shown, np.full(truth.size, 0.03), 14.0, 14.6, GUARDED)
    shown[::20] = 12.6 + chance.normal(0, 0.03, 50)
    found = lot_risk(shown, np.full(truth.size, 0.03), 14.0, 14.6, GUARDED)
    assert whole.producer is not None
    assert found.good == pytest.approx(0.95 * whole.good, abs=0.002)  # type: ignore[operator]
    assert found.producer == pytest.approx(0.95 * whole.producer, rel=0.1)
    assert "50 units far from all others" in found.says


def test_a_skewed_lot_is_judged_by_its_own_shape() -> None:
    """Values that lie against zero, as leakage does, with a long tail upwards; against a count and the true prior."""
    chance = np.random.default_rng(3)
    n, u, high = 40_000, 0.1, 4.0
    truth = chance.gamma(2.0, 0.7, n)
    shown = truth + chance.normal(0, u, n)
    found = lot_risk(shown, np.full(n, u), None, high, GUARDED)
    passed = shown <= high - guard_of(GUARDED, 0.05, u)
    counted = (passed & (truth > high)).mean(), (~passed & (truth <= high)).mean()
    exact = global_risk(gamma(2.0, 1 / 0.7), (0.0, 25.0), u, None, high, (0.0, guard_of(GUARDED, 0.05, u)))
    plain = moments_risk(n, float(shown.mean()), float(shown.std()), u, None, high, GUARDED)
    for said, was, true, normally in (
        (found.consumer, counted[0], exact.consumer, plain.consumer),
        (found.producer, counted[1], exact.producer, plain.producer),
    ):
        assert said == pytest.approx(was, abs=3 * math.sqrt(true / n))
        assert said == pytest.approx(true, rel=0.15)
        assert abs(normally - true) > 0.3 * true  # type: ignore[operator]
    assert "not by a normal one" in found.says


def test_a_small_lot_that_looks_normal_is_taken_as_normal() -> None:
    values = np.random.default_rng(4).normal(14.3, 0.1, 60)
    one = spread_of(values, np.full(60, 0.02))
    assert (one.normal, one.apart, len(one.centres)) == (True, 0, 1)
    found = lot_risk(values, np.full(60, 0.02), 14.0, 14.6, GUARDED)
    same = moments_risk(60, float(values.mean()), float(values.std(ddof=1)), 0.02, 14.0, 14.6, GUARDED)
    assert (found.consumer, found.producer) == pytest.approx((same.consumer, same.producer))


@pytest.mark.parametrize("n", [300, 20_000])
def test_variances_subtract(n: int) -> None:
    chance = np.random.default_rng(5)
    shown = chance.choice([14.2, 14.4], n) + chance.normal(0, 0.05, n)
    one = spread_of(shown, np.full(n, 0.04))
    mean = one.weights @ one.centres
    variance = one.weights @ (one.sds**2 + (one.centres - mean) ** 2)
    assert not one.normal
    assert one.weights.sum() == pytest.approx(1.0)
    assert mean == pytest.approx(shown.mean(), abs=1e-9)
    assert variance == pytest.approx(shown.var(ddof=1) - 0.04**2, rel=0.01)


def test_a_spread_is_never_taken_for_nothing() -> None:
    assert own_spread(0.01, 0.02) == (pytest.approx(0.002), True)
    assert own_spread(0.0, 0.02)[1]
    assert own_spread(0.1, 0.02) == (pytest.approx(math.sqrt(0.0096)), False)
    alike = lot_risk([14.3] * 20, [0.02] * 20, 14.0, 14.6, GUARDED)
    assert alike.consumer == pytest.approx(0.0, abs=1e-9)
    assert "explains nearly all" in alike.says


def test_one_wild_uncertainty_does_not_move_the_rest() -> None:
    chance = np.random.default_rng(6)
    values, u = chance.normal(14.3, 0.1, 200), np.full(200, 0.02)
    calm = lot_risk(values, u, 14.0, 14.6, GUARDED)
    u[7], values[7] = 0.8, 2.0
    wild = lot_risk(values, u, 14.0, 14.6, GUARDED)
    assert wild.producer == pytest.approx(calm.producer, rel=0.15)
    assert wild.guard == pytest.approx(calm.guard, rel=0.02)


def test_units_without_an_uncertainty_are_left_out_and_counted() -> None:
    values = np.random.default_rng(7).normal(14.3, 0.1, 40)
    u = np.full(40, 0.02)
    u[:3] = (math.nan, math.inf, 0.0)
    assert "3 units without a known uncertainty" in lot_risk(values, u, 14.0, 14.6, GUARDED).says


@pytest.mark.parametrize(
    ("n", "u", "told"), [(5, 0.02, "5 units show no spread"), (50, None, "not known"), (50, math.inf, "not known")]
)
def test_moments_that_say_nothing(n: int, u: float | None, told: str) -> None:
    found = moments_risk(n, 14.3, 0.1, u, 14.0, 14.6, GUARDED)
    assert found.consumer is None
    assert told in found.says


def test_a_characteristic_without_limits_adds_no_risk_to_a_unit() -> None:
    values = np.random.default_rng(8).normal(14.3, 0.12, 500)
    one = lot_risk(values, np.full(500, 0.02), 14.0, 14.6, GUARDED)
    free = lot_risk(values, np.full(500, 0.02), None, None, GUARDED)
    assert together([one, free])[:2] == pytest.approx((one.consumer, one.producer))


def test_of_two_characteristics_a_unit_risks_about_the_sum() -> None:
    """Counted over 200,000 units with independent characteristics."""
    chance = np.random.default_rng(9)
    n, u = 200_000, 0.03
    truth = chance.normal((14.3, 14.25), (0.12, 0.1), (n, 2))
    shown = truth + chance.normal(0, u, (n, 2))
    width = guard_of(GUARDED, 0.05, u)
    passed = ((shown >= 14.0 + width) & (shown <= 14.6 - width)).all(axis=1)
    good = ((truth >= 14.0) & (truth <= 14.6)).all(axis=1)
    each = [lot_risk(shown[:, place], np.full(n, u), 14.0, 14.6, GUARDED) for place in (0, 1)]
    consumer, producer, says = together(each)
    assert consumer == pytest.approx((passed & ~good).mean(), abs=3 * math.sqrt((passed & ~good).mean() / n))
    assert producer == pytest.approx((~passed & good).mean(), abs=3 * math.sqrt((~passed & good).mean() / n))
    assert "independent" in says
