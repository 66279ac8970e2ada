"""Yields, trends and comparisons of lots against statsmodels and scipy (computed) and published examples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_oneway
from statsmodels.stats.proportion import proportion_confint

from benchd.core.lots.compare import Figures, bench_means, between_benches, holm, lots
from benchd.core.lots.drift import drift
from benchd.core.lots.shares import share


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_share_is_statsmodels_exact_interval(confidence: float) -> None:
    """Computed: statsmodels proportion_confint(method='beta')."""
    for count, of in ((0, 1), (1, 1), (0, 60), (60, 60), (3, 60), (54, 60), (99_990, 100_000), (7, 1_000_000)):
        found = share(count, of, confidence)
        low, high = proportion_confint(count, of, 1.0 - confidence, method="beta")
        assert (found.low, found.high) == pytest.approx((low if count else 0.0, high if count < of else 1.0), rel=1e-9)
        assert found.part == count / of


def test_share_as_published() -> None:
    """Known by heart: of 0 in n the upper bound is 1 - 0.025^(1/n) (the 'rule of three' with both tails); Clopper & Pearson's own example,
    3 of 10, is 0.067 to 0.652 (tabulated widely; memory)."""
    assert share(0, 20).high == pytest.approx(1.0 - 0.025 ** (1.0 / 20.0), rel=1e-12)
    found = share(3, 10)
    assert (round(found.low or 0, 3), round(found.high or 0, 3)) == (0.067, 0.652)


def test_nothing_of_nothing_is_no_share() -> None:
    found = share(0, 0)
    assert (found.part, found.low, found.high) == (None, None, None)
    assert "nothing is known" in found.method
    with pytest.raises(ValueError, match="3 of 2"):
        share(3, 2)


def test_share_holds_the_truth_as_often_as_it_says() -> None:
    """Exact: the chance of every count, summed over those whose interval holds the true share."""
    for of in (10, 60):
        held = [share(count, of) for count in range(of + 1)]
        for true in (0.5, 0.9, 0.97):
            chance = stats.binom.pmf(np.arange(of + 1), of, true)
            inside = [one.low <= true <= one.high for one in held]  # type: ignore[operator]
            assert chance[np.array(inside)].sum() >= 0.95


def test_drift_is_scipys_theil_sen_and_kendall() -> None:
    """Computed: scipy theilslopes (slope and interval) and the variance of kendalltau's asymptotic p; values without autocorrelation."""
    dice = np.random.default_rng(3)
    place = np.sort(dice.choice(500, 80, replace=False)).astype(float)
    values = 14.2 + 0.0004 * place + 0.03 * dice.standard_normal(80)
    found = drift(values, place)
    slope, _, low, high = stats.theilslopes(values, place, 0.95)
    assert found.per_100 == pytest.approx(100 * slope, rel=1e-12)
    assert (found.low, found.high) == pytest.approx((100 * low, 100 * high), abs=100 * abs(high - low) * 0.02)
    tau = stats.kendalltau(place, values, method="asymptotic")
    assert found.p == pytest.approx(tau.pvalue, rel=0.05)  # a continuity correction more


def test_drift_of_coarse_values_knows_ties() -> None:
    """Computed: kendalltau's asymptotic p counts ties as var S does."""
    values = np.round(np.random.default_rng(4).standard_normal(60), 0)
    tau = stats.kendalltau(np.arange(60), values, method="asymptotic")
    assert drift(values).p == pytest.approx(tau.pvalue, rel=0.05)


def test_between_benches_is_welch_and_brown_forsythe() -> None:
    """Computed: statsmodels anova_oneway(use_var='unequal', welch_correction=True), scipy levene(center='median')."""
    dice = np.random.default_rng(5)
    groups = [dice.normal(14.2 + shift, sd, n) for shift, sd, n in ((0, 0.03, 12), (0.02, 0.08, 25), (0, 0.03, 9))]
    values = np.concatenate(groups)
    bench = np.repeat([0, 1, 2], [12, 25, 9])
    found = between_benches(values, bench, ("rig 1", "rig 2", "rig 3"), "V")
    welch = anova_oneway(groups, use_var="unequal", welch_correction=True)
    assert found is not None
    assert (found.statistic, found.p) == pytest.approx((welch.statistic, welch.pvalue), rel=1e-9)
    assert found.dof == pytest.approx((welch.df_num, welch.df_denom), rel=1e-9)
    assert found.p_spread == pytest.approx(stats.levene(*groups, center="median").pvalue, rel=1e-9)


def test_bias_of_two_benches_and_of_two_lots_is_welchs_t() -> None:
    """Computed: scipy ttest_ind(equal_var=False) with its interval."""
    dice = np.random.default_rng(6)
    one, other = dice.normal(14.25, 0.03, 20), dice.normal(14.2, 0.05, 31)
    t = stats.ttest_ind(one, other, equal_var=False)
    span = t.confidence_interval(0.95)
    first = bench_means(np.concatenate([one, other]), np.repeat([0, 1], [20, 31]), ("rig 1", "rig 2"))[0]
    assert (first.p, first.low, first.high) == pytest.approx((t.pvalue, span.low, span.high), rel=1e-9)
    figures = [Figures(len(x), float(x.mean()), float(x.std(ddof=1))) for x in (one, other)]
    found = lots(*figures)
    assert (found.p_mean, found.low, found.high) == pytest.approx((t.pvalue, span.low, span.high), rel=1e-9)
    ratio = one.var(ddof=1) / other.var(ddof=1)
    assert found.p_sd == pytest.approx(2 * min(stats.f.cdf(ratio, 19, 30), stats.f.sf(ratio, 19, 30)), rel=1e-9)


def test_holm_is_statsmodels() -> None:
    """Computed: multipletests(method='holm')."""
    p = [0.01, 0.04, 0.03, 0.005, 0.9]
    assert holm([*p, None])[:-1] == pytest.approx(multipletests(p, method="holm")[1])
    assert holm([None]) == [None]
    # Published: Holm 1979 compares ordered p with 0.05/n, 0.05/(n-1) ...: 0.01 with 0.05/4, 0.005 with 0.05/5.
    assert [one is not None and one < 0.05 for one in holm(p)] == [True, False, False, True, False]
