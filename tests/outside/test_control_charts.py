"""Control charts and run rules against published factors, data, limits and run lengths. Each source and its status beside its check."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.core.lots import charts, factors, run_rules

# Factors. Printed: Montgomery, Introduction to Statistical Quality Control, Appendix VI, as reproduced in a public test file and a
# scanned textbook table (read). Exact: worked out outside this project by numerical integration from the definitions, good to
# about 2e-6 (computed; D4 of n = 2 there is 3.266534, by the closed form d3 = sqrt(2 - 4/pi) it is 3.266532).
# n, printed A2 A3 c4 B3 B4 d2 d3 D3 D4
PRINTED = """
2 1.880 2.659 0.7979 0.000 3.267 1.128 0.853 0.000 3.267
3 1.023 1.954 0.8862 0.000 2.568 1.693 0.888 0.000 2.574
4 0.729 1.628 0.9213 0.000 2.266 2.059 0.880 0.000 2.282
5 0.577 1.427 0.9400 0.000 2.089 2.326 0.864 0.000 2.114
6 0.483 1.287 0.9515 0.030 1.970 2.534 0.848 0.000 2.004
7 0.419 1.182 0.9594 0.118 1.882 2.704 0.833 0.076 1.924
8 0.373 1.099 0.9650 0.185 1.815 2.847 0.820 0.136 1.864
9 0.337 1.032 0.9693 0.239 1.761 2.970 0.808 0.184 1.816
10 0.308 0.975 0.9727 0.284 1.716 3.078 0.797 0.223 1.777
11 0.285 0.927 0.9754 0.321 1.679 3.173 0.787 0.256 1.744
12 0.266 0.886 0.9776 0.354 1.646 3.258 0.778 0.283 1.717
13 0.249 0.850 0.9794 0.382 1.618 3.336 0.770 0.307 1.693
14 0.235 0.817 0.9810 0.406 1.594 3.407 0.763 0.328 1.672
15 0.223 0.789 0.9823 0.428 1.572 3.472 0.756 0.347 1.653
16 0.212 0.763 0.9835 0.448 1.552 3.532 0.750 0.363 1.637
17 0.203 0.739 0.9845 0.466 1.534 3.588 0.744 0.378 1.622
18 0.194 0.718 0.9854 0.482 1.518 3.640 0.739 0.391 1.608
19 0.187 0.698 0.9862 0.497 1.503 3.689 0.734 0.403 1.597
20 0.180 0.680 0.9869 0.510 1.490 3.735 0.729 0.415 1.585
21 0.173 0.663 0.9876 0.523 1.477 3.778 0.724 0.425 1.575
22 0.167 0.647 0.9882 0.534 1.466 3.819 0.720 0.434 1.566
23 0.162 0.633 0.9887 0.545 1.455 3.858 0.716 0.443 1.557
24 0.157 0.619 0.9892 0.555 1.445 3.895 0.712 0.451 1.548
25 0.153 0.606 0.9896 0.565 1.435 3.931 0.708 0.459 1.541
"""
EXACT = """
2 1.879971 2.658681 0.797885 0.000000 3.266532 1.128379 0.852503 0.000000 3.266534
3 1.023327 1.954410 0.886227 0.000000 2.568170 1.692569 0.888369 0.000000 2.574593
4 0.728597 1.628103 0.921318 0.000000 2.266047 2.058751 0.879809 0.000000 2.282053
5 0.576819 1.427299 0.939986 0.000000 2.088998 2.325929 0.864083 0.000000 2.114500
6 0.483246 1.287128 0.951533 0.030363 1.969637 2.534413 0.848041 0.000000 2.003831
7 0.419284 1.181916 0.959369 0.117685 1.882315 2.704357 0.833206 0.075707 1.924293
8 0.372527 1.099095 0.965030 0.185090 1.814910 2.847201 0.819832 0.136170 1.863830
9 0.336697 1.031661 0.969311 0.239133 1.760867 2.970026 0.807835 0.184012 1.815988
10 0.308264 0.975350 0.972659 0.283706 1.716294 3.077505 0.797052 0.223022 1.776978
11 0.285084 0.927394 0.975350 0.321280 1.678720 3.172873 0.787316 0.255581 1.744419
12 0.265778 0.885906 0.977559 0.353512 1.646488 3.258455 0.778479 0.283268 1.716732
13 0.249417 0.849546 0.979406 0.381556 1.618444 3.335980 0.770417 0.307175 1.692825
14 0.235351 0.817336 0.980971 0.406245 1.593755 3.406763 0.763024 0.328080 1.671920
15 0.223109 0.788541 0.982316 0.428200 1.571800 3.471827 0.756212 0.346558 1.653442
16 0.212345 0.762595 0.983484 0.447888 1.552112 3.531983 0.749909 0.363041 1.636959
17 0.202796 0.739058 0.984506 0.465676 1.534324 3.587884 0.744053 0.377862 1.622138
18 0.194257 0.717576 0.985410 0.481849 1.518151 3.640064 0.738592 0.391281 1.608719
19 0.186569 0.697868 0.986214 0.496638 1.503362 3.688963 0.733483 0.403505 1.596495
20 0.179606 0.679701 0.986934 0.510231 1.489769 3.734950 0.728687 0.414701 1.585299
21 0.173265 0.662885 0.987583 0.522779 1.477221 3.778336 0.724174 0.425005 1.574995
22 0.167462 0.647259 0.988170 0.534410 1.465590 3.819385 0.719916 0.434530 1.565470
23 0.162128 0.632690 0.988705 0.545230 1.454770 3.858323 0.715888 0.443369 1.556631
24 0.157206 0.619063 0.989193 0.555330 1.444670 3.895348 0.712069 0.451600 1.548400
25 0.152647 0.606281 0.989640 0.564786 1.435214 3.930629 0.708442 0.459291 1.540709
"""
NAMES = ("A2", "A3", "c4", "B3", "B4", "d2", "d3", "D3", "D4")


def rows(table: str) -> list[tuple[int, list[float]]]:
    found = [line.split() for line in table.strip().splitlines()]
    return [(int(line[0]), [float(text) for text in line[1:]]) for line in found]


@pytest.mark.parametrize(("table", "tolerance"), [(PRINTED, 1.02e-3), (EXACT, 2.5e-6)], ids=["printed", "exact"])
def test_factors_of_2_to_25(table: str, tolerance: float) -> None:
    read = rows(table)
    assert [n for n, _ in read] == list(range(2, 26))
    for n, wanted in read:
        made = factors.factors(n)
        assert [getattr(made, name) for name in NAMES] == pytest.approx(wanted, abs=tolerance), n


def test_d2_and_d3_to_four_places() -> None:
    """ASTM E2587, n = 2..10, as quoted in a public test file (read)."""
    d2 = [1.1284, 1.6926, 2.0588, 2.3259, 2.5344, 2.7044, 2.8472, 2.9700, 3.0775]
    d3 = [0.8525, 0.8884, 0.8798, 0.8641, 0.8480, 0.8332, 0.8198, 0.8078, 0.7971]
    assert [factors.factors(n).d2 for n in range(2, 11)] == pytest.approx(d2, abs=5.1e-5)
    assert [factors.factors(n).d3 for n in range(2, 11)] == pytest.approx(d3, abs=5.1e-5)


def test_closed_forms_of_pairs_and_threes() -> None:
    """d2(2) = 2/sqrt(pi), d3(2) = sqrt(2 - 4/pi), d2(3) = 3/sqrt(pi); E2 = 3/d2 is tabulated as 2.66, the median moving range's divisor
    as 0.954 (E2: read as a definition, 2.66 memory; 0.954 read)."""
    two = factors.factors(2)
    assert two.d2 == pytest.approx(2.0 / math.sqrt(math.pi), rel=1e-12)
    assert two.d3 == pytest.approx(math.sqrt(2.0 - 4.0 / math.pi), rel=1e-12)
    assert factors.factors(3).d2 == pytest.approx(3.0 / math.sqrt(math.pi), rel=1e-12)
    assert abs(two.E2 - 2.66) < 2e-3
    assert abs(factors.D4_MEDIAN - 0.954) < 5e-4


# Inside diameter of forged piston rings, less 74 mm, in thousandths of a millimetre: 40 subgroups of 5, the first 25 preliminary. Montgomery, Introduction to
# Statistical Quality Control, as data file of the public R package repository luca-scr/qcc, cross-checked with two pages (read).
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
12 15 30 -14 0
-5 10 -10 15 1
-13 -1 -15 0 -10
8 10 3 -9 6
3 0 1 -14 -3
-6 3 15 20 4
8 2 18 -5 5
1 4 -10 -4 -2
15 0 16 25 0
30 5 0 16 12
1 -10 -5 10 24
15 20 24 5 19
35 10 12 15 26
17 13 36 25 26
10 5 29 0 20
"""


def piston_rings() -> np.ndarray:
    return 74.0 + np.array([[float(text) for text in line.split()] for line in RINGS.strip().splitlines()]) / 1000.0


def test_piston_rings_x_bar_and_r() -> None:
    """The package's article (read) has grand mean 74.00118, R-bar 0.02276, limits 73.98805 .. 74.0143 and 0 .. 0.04812533, sigma
    0.009785039 with d2 rounded to 2.326; exact d2 gives 73.988048 .. 74.014304 and 0.048126 (computed)."""
    means, ranges = charts.x_bar_r(piston_rings(), 5, 25)
    assert (means.centre, ranges.centre) == (pytest.approx(74.001176, abs=1e-9), pytest.approx(0.02276, abs=1e-9))
    assert (means.low, means.high) == (pytest.approx(73.98805, abs=5e-6), pytest.approx(74.0143, abs=5e-6))
    assert (ranges.low, ranges.high) == (0.0, pytest.approx(0.04812533, abs=2e-6))
    assert means.process_sd * factors.factors(5).d2 / 2.326 == pytest.approx(0.009785039, rel=1e-6)
    beyond = [one.index + 1 for one in run_rules.signals_of(means, ("we1",))]
    assert beyond == [
        37,
        38,
        39,
    ]  # the later subgroups that lie above the limit (computed from the same data elsewhere)
    assert run_rules.signals_of(ranges) == []


def test_piston_rings_x_bar_and_s() -> None:
    """s-bar 0.009240037, sigma s-bar/c4 0.009829977, s limits 0 .. 0.01930242 (read)."""
    means, sds = charts.x_bar_s(piston_rings(), 5, 25)
    assert sds.centre == pytest.approx(0.009240037, rel=1e-6)
    assert means.process_sd == pytest.approx(0.009829977, rel=1e-6)
    assert (sds.low, sds.high) == (0.0, pytest.approx(0.01930242, rel=1e-6))
    assert (means.low, means.high) == (pytest.approx(73.987988, abs=1e-6), pytest.approx(74.014364, abs=1e-6))


# Viscosity of primer paint, batches 1 to 35 (Montgomery 5th ed. pp. 232-235, in the same repository; read).
BATCHES = """
34.05 34.40 33.59 35.96 34.70 33.51 33.79 34.04 34.52 33.75 33.27 33.71 34.03 34.58 34.02 33.97 34.05 34.04 33.73 34.05
34.39 33.75 33.40 33.27 34.65 34.80 34.55 35.40 34.75 34.50 34.70 34.29 34.61 34.49 35.03
"""
VISCOSITY = np.array(BATCHES.split(), float)


def test_viscosity_individuals() -> None:
    """20 batches: centre 34.088, sigma (MR-bar/1.128) 0.5076521, limits 32.56504 .. 35.61096, batch 4 out (read); with exact d2
    0.507482, 32.565555 .. 35.610445, MR limit 1.8708 by MR-bar 0.572632 x 3.267 (computed)."""
    single, moving = charts.individuals(VISCOSITY, 20)
    assert single.centre == pytest.approx(34.088, abs=1e-9)
    assert single.sigma * factors.factors(2).d2 / 1.128 == pytest.approx(0.5076521, rel=1e-6)
    assert (single.low, single.high) == (pytest.approx(32.565555, abs=2e-6), pytest.approx(35.610445, abs=2e-6))
    assert moving.centre == pytest.approx(0.572632, abs=1e-6)
    assert moving.high == pytest.approx(1.8708, abs=4e-4)
    assert [one.index + 1 for one in run_rules.signals_of(single, ("we1",))] == [4]


def test_viscosity_by_the_standard_deviation_of_all() -> None:
    """s/c4: sigma 0.5769854, limits 32.35704 .. 35.81896 (read)."""
    single, _ = charts.individuals(VISCOSITY, 20, estimate="sd")
    assert single.sigma == pytest.approx(0.5769854, rel=1e-6)
    assert (single.low, single.high) == (pytest.approx(32.35704, abs=5e-6), pytest.approx(35.81896, abs=5e-6))


def test_viscosity_without_the_batch_of_the_failed_controller() -> None:
    """Batch 4 left out: centre 33.98947, sigma 0.4117415, limits 32.75425 .. 35.2247 with d2 = 1.128 (read); batch 28 is above (computed)."""
    chosen = np.arange(35) < 20
    chosen[3] = False
    single, _ = charts.individuals(VISCOSITY, chosen)
    assert single.centre == pytest.approx(33.98947, abs=5e-6)
    assert single.sigma * factors.factors(2).d2 / 1.128 == pytest.approx(0.4117415, rel=1e-6)
    assert (single.low, single.high) == (pytest.approx(32.75425, abs=5e-4), pytest.approx(35.2247, abs=5e-4))
    assert [one.index + 1 for one in run_rules.signals_of(single, ("we1",))] == [4, 28]


# Counts: frozen orange juice cans, 30 samples of 50; printed circuit boards, 26 samples of 100; personal computers, 20 samples of 5.
# Data files and limits of the same repository (read).
CANS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
BOARDS = [21, 24, 16, 12, 15, 5, 28, 20, 31, 25, 20, 24, 16, 19, 10, 17, 13, 22, 18, 39, 30, 24, 16, 19, 17, 15]
COMPUTERS = [10, 12, 8, 14, 10, 16, 11, 7, 10, 15, 9, 5, 7, 11, 12, 6, 8, 10, 7, 5]


def without(counts: list[int], *samples: int) -> np.ndarray:
    return np.array([place + 1 not in samples for place in range(len(counts))])


def test_parts_nonconforming() -> None:
    chart = charts.p_chart(CANS, 50)
    assert (chart.centre[0], chart.low[0], chart.high[0]) == pytest.approx((0.2313333, 0.05242755, 0.4102391), rel=1e-6)
    assert [one.index + 1 for one in run_rules.signals_of(chart, ("we1",))] == [15, 23]
    again = charts.p_chart(CANS, 50, without(CANS, 15, 23))
    assert (again.centre[0], again.low[0], again.high[0]) == pytest.approx((0.215, 0.04070284, 0.3892972), rel=1e-6)
    numbers = charts.np_chart(CANS, 50)
    assert (numbers.centre[0], numbers.low[0], numbers.high[0]) == pytest.approx(
        (11.56667, 2.621377, 20.51196), rel=1e-6
    )


def test_counts_of_nonconformities() -> None:
    chart = charts.c_chart(BOARDS)
    assert (chart.centre[0], chart.low[0], chart.high[0]) == pytest.approx((19.84615, 6.481447, 33.21086), rel=1e-6)
    assert [one.index + 1 for one in run_rules.signals_of(chart, ("we1",))] == [6, 20]
    again = charts.c_chart(BOARDS, without(BOARDS, 6, 20))
    assert (again.centre[0], again.low[0], again.high[0]) == pytest.approx((19.66667, 6.362532, 32.9708), rel=1e-6)
    units = charts.u_chart(COMPUTERS, 5)
    assert (units.centre[0], units.low[0], units.high[0]) == pytest.approx((1.93, 0.06613305, 3.793867), rel=1e-6)


# Run rules. The patterns are written down from the published definitions, in sigmas from the centre: Western Electric Statistical
# Quality Control Handbook 1956 (memory; a textbook's quotation of it: read), Nelson 1984 as three glossary pages give it (read).
# (rule, points, places from 1 that carry the flag)
PATTERNS = [
    ("we1", [0.1, 3.01, -0.2, -3.01, 2.99], [2, 4]),
    ("we2", [0.0, 2.1, 0.3, 2.2], [4]),
    ("we2", [2.1, 2.2, 0.3], [2]),  # the third point of a window need not be there yet
    ("we2", [2.1, 0.0, 0.0, 2.2], []),  # two of four
    ("we2", [2.1, -2.2, 0.1], []),  # not on the same side
    ("we2", [2.1, 2.2, 0.1, 0.1], [2]),  # the point that carries the flag lies beyond the line itself
    ("we3", [1.1, 1.2, 0.4, 1.3, 1.4], [5]),
    ("we3", [1.1, 1.2, -1.3, 1.4, 1.1], [5]),
    ("we3", [1.1, 1.2, -1.3, -1.4, 1.1], []),
    ("we3", [1.1, 1.2, 1.3, 1.4, 0.2], [4]),
    ("we4", [0.1] * 7, []),
    ("we4", [0.1] * 9, [8, 9]),
    ("we4", [-0.1] * 4 + [0.0] + [-0.1] * 7, []),  # a point on the centre line breaks the run
    ("nelson2", [0.1] * 8, []),
    ("nelson2", [0.1] * 10, [9, 10]),
    ("nelson3", [-0.5, -0.4, -0.1, 0.2, 0.3, 0.9], [6]),
    ("nelson3", [0.9, 0.3, 0.2, -0.1, -0.4, -0.5, -0.6], [6, 7]),
    ("nelson3", [-0.5, -0.4, -0.1, -0.1, 0.3, 0.9, 1.0], []),  # equal neighbours break it
    ("nelson4", [0.1, -0.1] * 6 + [0.1], []),
    ("nelson4", [0.1, -0.1] * 7, [14]),
    ("nelson4", [0.1, 0.2] * 7, [14]),  # by turns up and down, whichever side
    ("nelson5", [2.1, 0.3, 2.2], [3]),
    ("nelson6", [-1.1, -1.2, 0.4, -1.3, -1.4], [5]),
    ("nelson7", [0.9, -0.9, 0.2] * 5, [15]),
    ("nelson7", [0.9, -0.9, 0.2] * 4 + [0.9, 1.1, 0.2], []),
    ("nelson8", [1.1, -1.2] * 4, [8]),
    ("nelson8", [1.1, -1.2, 0.9, 1.3, -1.1, -1.2, 1.4, -1.1, 1.2, 1.1], []),
    ("nelson8", [1.1] * 8, []),  # on one side: rule 6 says that
    ("nelson8", [1.1] * 7 + [-1.1], [8]),
]


@pytest.mark.parametrize(("rule", "points", "places"), PATTERNS)
def test_published_patterns(rule: str, points: list[float], places: list[int]) -> None:
    for centre, sigma in ((0.0, 1.0), (14.25, 0.5)):  # powers of two: no rounding moves a point over a line
        found = run_rules.flags(centre + sigma * np.array(points), centre, sigma, [rule])[rule]
        assert (np.flatnonzero(found) + 1).tolist() == places
        mirrored = run_rules.flags(centre - sigma * np.array(points), centre, sigma, [rule])[rule]
        assert (np.flatnonzero(mirrored) + 1).tolist() == places


def test_average_run_lengths_in_control() -> None:
    """Champ & Woodall, Exact Results for Shewhart Control Charts with Supplementary Runs Rules, Technometrics 29 (1987): all four 91.75
    (read in an encyclopedia's page); with rule 1: two of three 225.44, four of five 166.05, eight on one side 152.73 (memory)."""
    runs, length, gap = 3000, 800, 15
    points = np.random.default_rng(20261126).normal(size=(runs, gap + length))
    points[:, :gap] = 0.0  # the centre line breaks every run: each row starts afresh
    found = run_rules.flags(points.ravel(), 0.0, 1.0, run_rules.WESTERN_ELECTRIC)
    for rules, wanted in (("12", 225.44), ("13", 166.05), ("14", 152.73), ("1234", 91.75)):
        flagged = np.logical_or.reduce([found[f"we{number}"] for number in rules]).reshape(runs, -1)[:, gap:]
        seen = flagged.any(axis=1)
        first = np.where(seen, flagged.argmax(axis=1) + 1, length)
        assert first.sum() / seen.sum() == pytest.approx(wanted, rel=3.0 / math.sqrt(seen.sum())), rules
