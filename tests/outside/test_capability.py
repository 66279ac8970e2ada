"""Capability, its intervals and the normality check against published figures, exact distributions and other libraries. Each source and
its status beside its check."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import special, stats
from statsmodels.stats.diagnostic import normal_ad

from benchd.core.lots import capability as judged
from benchd.core.lots import charts, factors
from benchd.core.lots.normality import normality

# Inside diameter of forged piston rings, thousandths of a millimetre above 74 mm, the 25 preliminary subgroups of 5: Montgomery,
# Introduction to Statistical Quality Control, as data file of the public R package repository luca-scr/qcc (read).
RINGS = """
30 2 19 -8 8
-5 -8 1 11 4
-12 24 21 5 2
2 -4 -7 15 9
-8 7 15 -11 14
9 -6 -3 -15 -7
-5 6 -6 0 5
-15 3 -7 15 -12
8 -5 9 5 4
-2 0 -10 7 -5
-6 -2 -6 -5 -10
4 0 7 0 -4
-17 2 -2 -3 12
6 -33 -6 0 -16
12 14 -2 -1 7
0 -16 5 -2 -4
-6 12 -14 5 7
6 10 18 3 0
-16 2 3 5 -3
0 10 13 20 3
-12 1 9 5 -4
4 -1 -10 6 9
10 -11 -10 9 14
15 8 -7 0 10
-18 -16 -5 17 13
"""


@pytest.fixture(scope="module")
def rings() -> np.ndarray:
    return 74.0 + np.array(RINGS.split(), float) / 1000.0


def of_rings(rings: np.ndarray, low: float, high: float, target: float | None = None) -> judged.Capability:
    return judged.capability(rings, low, high, chart=charts.x_bar_r(rings, 5)[0], target=target)


def test_piston_rings(rings: np.ndarray) -> None:
    """Limits 73.95 .. 74.05: Cp 1.703, Cpl 1.743, Cpu 1.663, Cpk 1.663, Cpm 1.69 (read, in the package's article); Pp 1.6551, Ppk 1.6162
    with s = 0.0100700 (computed outside)."""
    found = of_rings(rings, 73.95, 74.05)
    assert found.method == "normal"
    got = [one.value for one in (found.cp, found.cpl, found.cpu, found.cpk, found.cpm) if one]
    assert got == pytest.approx([1.703, 1.743, 1.663, 1.663, 1.69], abs=5e-3)
    assert (found.cp.value, found.cpk.value) == pytest.approx((1.7032, 1.6632), abs=6e-5)  # type: ignore[union-attr]
    assert found.overall_sd == pytest.approx(0.0100700, abs=5e-8)
    assert (found.pp.value, found.ppk.value) == pytest.approx((1.6551, 1.6162), abs=6e-5)  # type: ignore[union-attr]


def test_piston_rings_against_other_limits(rings: np.ndarray) -> None:
    """Target 74.02: Cpm 0.786; 73.99 .. 74.01: Cp 0.341, Cpk 0.301; 73.99 .. 74.10: Cp 1.874, Cpk 0.381 (read)."""
    assert of_rings(rings, 73.95, 74.05, 74.02).cpm.value == pytest.approx(0.786, abs=1e-3)  # type: ignore[union-attr]
    for high, cp, cpk in ((74.01, 0.341, 0.301), (74.10, 1.874, 0.381)):
        found = of_rings(rings, 73.99, high)
        assert (found.cp.value, found.cpk.value) == pytest.approx((cp, cpk), abs=1e-3)  # type: ignore[union-attr]


def test_piston_rings_published_intervals(rings: np.ndarray) -> None:
    """Cp 1.49 .. 1.91, Cpk 1.45 .. 1.88 (read): made with 124 degrees of freedom, as if R-bar knew as much as all 125 values. Ranges of 25
    subgroups of 5 know about 90, so the intervals given with Cp and Cpk are wider; those of Pp and Ppk have the 124."""
    found = of_rings(rings, 73.95, 74.05)
    assert found.cp is not None
    assert found.cpk is not None
    cp = judged.chi_square_interval(found.cp.value, 124.0)
    cpk = judged.bissell_interval(found.cpk.value, 125, 124.0)
    assert (cp.low, cp.high) == pytest.approx((1.49, 1.91), abs=6e-3)
    assert (cpk.low, cpk.high) == pytest.approx((1.45, 1.88), abs=6e-3)
    assert found.cpm is not None
    cpm = judged.cpm_interval(found.cpm.value, 125, 125.0, (found.mean - 74.0) / found.within_sd)  # type: ignore[operator]
    assert (cpm.low, cpm.high) == pytest.approx((1.48, 1.90), abs=6e-3)  # as the article has it (memory)
    assert 88.0 < (found.within_dof or 0.0) < 94.0
    assert found.cp.low < cp.low < cp.high < found.cp.high
    assert found.cpk.low < cpk.low < cpk.high < found.cpk.high


def test_textbook_intervals() -> None:
    """Montgomery, section 8.3: n = 20, Cp 2.29: 1.57 .. 3.01; n = 20, Cpk 1.33: 0.88 .. 1.78 (memory; the formulas are read)."""
    cp = judged.chi_square_interval(2.29, 19.0)
    assert (cp.low, cp.high) == pytest.approx((1.57, 3.01), abs=6e-3)
    cpk = judged.bissell_interval(1.33, 20, 19.0)
    assert (cpk.low, cpk.high) == pytest.approx((0.88, 1.78), abs=6e-3)


@pytest.mark.parametrize("dof", [7.0, 24.0, 91.3, 999.0, 99_999.0])
def test_chi_square_interval_against_scipy_stats(dof: float) -> None:
    made = judged.chi_square_interval(1.5, dof, 0.9)
    wanted = 1.5 * np.sqrt(stats.chi2.ppf([0.05, 0.95], dof) / dof)
    assert (made.low, made.high) == pytest.approx(tuple(wanted), rel=1e-9)


@pytest.mark.parametrize(("n", "off"), [(25, 0.011), (50, 0.006), (125, 0.003), (1000, 0.001)])
@pytest.mark.parametrize("true", [0.5, 1.0, 1.33, 2.0])
def test_bissell_against_the_exact_noncentral_t(n: int, off: float, true: float) -> None:
    """3 sqrt(n) Cpu of a sample is noncentral t with n - 1 degrees of freedom and 3 sqrt(n) Cpu: so how often the interval holds the
    truth is known exactly (scipy's noncentral t)."""
    z, dof = float(special.ndtri(0.975)), n - 1.0
    curve = 1.0 - z * z / (2.0 * dof)  # estimates c with (c - true)^2 <= z^2 (1/(9n) + c^2/(2 dof))
    middle = true / curve
    reach = math.sqrt(middle * middle - (true * true - z * z / (9.0 * n)) / curve)
    for edge in (middle - reach, middle + reach):  # at its edges the interval just touches the truth
        made = judged.bissell_interval(edge, n, dof)
        assert min(abs(made.low - true), abs(made.high - true)) < 1e-9
    holds = np.diff(
        stats.nct.cdf(3.0 * math.sqrt(n) * np.array([middle - reach, middle + reach]), dof, 3.0 * math.sqrt(n) * true)
    )
    assert holds[0] == pytest.approx(0.95, abs=off)


def share_held(draw: Callable[[np.random.Generator], bool], runs: int) -> float:
    random = np.random.default_rng(20261126)
    return sum(draw(random) for _ in range(runs)) / runs


@pytest.mark.parametrize("size", [1, 5])
def test_how_often_intervals_within_subgroups_hold_the_truth(size: int) -> None:
    """By simulation: moving ranges of 60 values, and R of 24 subgroups of 5."""

    def both(random: np.random.Generator) -> tuple[bool, bool]:
        values = random.normal(0.0, 1.0, 60 if size == 1 else 120)
        chart = charts.charts_of(values, size=size)[0]
        found = judged.capability(values, -4.0, 5.0, chart=chart, alpha=0.0)
        assert found.cp is not None
        assert found.cpk is not None
        return found.cp.low <= 1.5 <= found.cp.high, found.cpk.low <= 4.0 / 3.0 <= found.cpk.high

    random = np.random.default_rng(8)
    held = np.array([both(random) for _ in range(800)]).mean(axis=0)
    assert held == pytest.approx([0.95, 0.95], abs=0.023)  # three standard deviations of the count


def test_effective_degrees_of_freedom_by_simulation() -> None:
    """1/(2 V) + 1/4 of the estimates' own relative variance V over many samples."""
    random = np.random.default_rng(3)
    values = random.normal(size=(8000, 40))
    steps = np.abs(np.diff(values, axis=1))
    groups = values.reshape(8000, 8, 5)
    cases = [
        (steps.mean(axis=1), factors.dof_mean_moving_range(40)),
        (np.median(steps, axis=1), factors.dof_median_moving_range(40)),
        (np.ptp(groups, axis=2).mean(axis=1), factors.dof_mean_range(5, 8)),
        (groups.std(axis=2, ddof=1).mean(axis=1), factors.dof_mean_sd(5, 8)),
    ]
    for estimates, wanted in cases:
        relative = float(estimates.var() / estimates.mean() ** 2)
        assert factors.dof_of(relative) == pytest.approx(wanted, rel=0.05)


SHAPES: dict[str, Callable[[np.random.Generator, int], np.ndarray]] = {
    "normal": lambda random, n: random.normal(14.25, 0.05, n),
    "exponential": lambda random, n: random.exponential(1.0, n),
    "uniform": lambda random, n: random.uniform(0.0, 1.0, n),
    "coarse": lambda random, n: np.round(random.normal(14.25, 0.05, n), 2),
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("n", [8, 20, 100, 1000])
def test_anderson_darling_against_statsmodels(shape: str, n: int) -> None:
    """statsmodels' normal_ad gives A2 unadjusted and the same published p."""
    for seed in range(5):
        values = SHAPES[shape](np.random.default_rng(seed), n)
        statistic, p = normal_ad(values)
        found = normality(values)
        assert found.statistic == pytest.approx(statistic * (1.0 + 0.75 / n + 2.25 / n**2), rel=1e-7)
        assert found.p == pytest.approx(p, rel=1e-5, abs=2e-30)  # where the published pieces end, p is given as 0


def test_anderson_darling_rejects_normal_values_as_often_as_it_says() -> None:
    random = np.random.default_rng(11)
    p = np.array([normality(random.normal(size=50)).p for _ in range(3000)], float)
    for level in (0.01, 0.05, 0.10, 0.5):
        assert (p < level).mean() == pytest.approx(level, abs=3.5 * math.sqrt(level * (1 - level) / 3000))


def exponential_limits() -> tuple[float, float, float]:
    """(low, high, true Pp) about an exponential distribution of mean 1, with 1.3 and 1.2 of its tails within the limits."""
    bottom, middle, top = (-math.log1p(-p) for p in (judged.LOW, judged.MIDDLE, judged.HIGH))
    low, high = middle - 1.3 * (middle - bottom), middle + 1.2 * (top - middle)
    return low, high, (high - low) / (top - bottom)


def test_percentile_indices_of_a_large_lot_hold_the_truth() -> None:
    """Order statistics: no distribution assumed, 95 % held (by simulation of exponential lots of 4,000)."""
    low, high, pp = exponential_limits()

    def held(random: np.random.Generator) -> bool:
        found = judged.capability(random.exponential(1.0, 4000), low, high)
        assert found.method == "percentiles"
        assert found.pp is not None
        assert found.ppk is not None
        return found.pp.low <= pp <= found.pp.high and found.ppk.low <= 1.2 <= found.ppk.high

    assert share_held(held, 150) == pytest.approx(0.95, abs=0.05)


def test_percentile_interval_is_the_order_statistics_own() -> None:
    """For one percentile the drawn interval is that of the binomial: values number r and s of n with P(r <= Bin(n, p) < s) = 95 %
    (scipy's binomial)."""
    ordered = np.arange(1.0, 20_001.0)
    drawn = judged._order_percentiles(ordered, judged._drawn_ranks(len(ordered)))[:, 2]
    wanted = stats.binom.ppf([0.025, 0.975], len(ordered), judged.HIGH)
    assert np.percentile(drawn, [2.5, 97.5]) == pytest.approx(wanted, abs=1.5)


@pytest.mark.parametrize(
    ("shape", "least_held"), [("normal", 0.97), ("exponential", 0.85)]
)  # nominal 0.975: a bootstrap of a tail with 30 values falls short where the tail is just exponential
def test_percentile_indices_of_a_small_lot_are_on_the_safe_side(shape: str, least_held: float) -> None:
    """300 units: Pp's lower end holds for tails no heavier than exponential, its upper end always (by simulation)."""
    ends = {"normal": stats.norm(14.25, 0.05), "exponential": stats.expon(), "uniform": stats.uniform()}[shape]
    bottom, top = ends.ppf([judged.LOW, judged.HIGH])
    middle, spread = (top + bottom) / 2.0, top - bottom
    random = np.random.default_rng(5)
    low_held = high_held = 0
    for _ in range(60):
        found = judged.capability(SHAPES[shape](random, 300), middle - 0.6 * spread, middle + 0.6 * spread, alpha=1.1)
        assert found.method == "percentiles"
        assert found.pp is not None
        low_held += found.pp.low <= 1.2
        high_held += found.pp.high >= 1.2
    assert low_held >= 60 * least_held
    assert high_held >= 58
