"""Gauge study against published results, an independent library, and simulation.

Data and results: AIAG Measurement Systems Analysis, 4th edition 2010, chapter III B (figures III-B 6 and III-B 15), as reproduced in five
independent stored files that agree digit for digit; the manual itself was not seen. Status: read (secondary).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.core.lots.gauge_study import anova, average_and_range, d2_star, mls_interval, study

#: (appraiser, trial) -> ten parts.
READ = {
    ("A", 1): "0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36",
    ("A", 2): "0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25",
    ("A", 3): "0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31",
    ("B", 1): "0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68",
    ("B", 2): "0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62",
    ("B", 3): "0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50",
    ("C", 1): "0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49",
    ("C", 2): "-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77",
    ("C", 3): "-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16",
}
DATA = np.array(
    [[[float(READ[rater, trial].split()[part]) for trial in (1, 2, 3)] for rater in "ABC"] for part in range(10)]
)
PARTS = [str(one) for one in range(1, 11)]


def sds(found: dict) -> dict[str, float]:  # type: ignore[type-arg]
    return {one["name"]: one["sd"] for one in found["components"]}


def test_the_published_analysis_of_variance() -> None:
    found = anova(DATA, tolerance=6.0)
    rows = {one["source"]: one for one in found["rows"]}
    assert found["pooled"]
    assert found["interaction_p"] == pytest.approx(0.974, abs=5e-4)
    assert {name: round(rows[name]["ss"], 3) for name in rows} == {
        "units": 88.362, "raters": 3.167, "repeatability": 3.118, "total": 94.647,
    }  # fmt: skip
    assert (rows["repeatability"]["df"], rows["total"]["df"]) == (78, 89)
    assert [round(rows[name]["ms"], 3) for name in ("units", "raters", "repeatability")] == [9.818, 1.584, 0.040]
    published = {
        "repeatability": 0.19993,
        "reproducibility": 0.22684,
        "gauge": 0.30237,
        "units": 1.0423,
        "total": 1.0853,
    }
    assert sds(found) == pytest.approx(published, abs=5e-5)
    shares = {one["name"]: one for one in found["components"]}
    assert shares["gauge"]["percent_study"] == pytest.approx(27.86, abs=0.005)
    assert shares["gauge"]["percent_contribution"] == pytest.approx(7.76, abs=0.005)
    assert shares["gauge"]["percent_tolerance"] == pytest.approx(30.24, abs=0.005)
    assert found["categories"] == 4


@pytest.mark.parametrize(
    ("name", "parts", "published"),
    [
        ("EV", [(1.0, "e")], (0.177, 0.231)),
        ("AV", [(1 / 30, "r"), (-1 / 30, "e")], (0.128, 1.014)),
        ("GRR", [(1 / 30, "r"), (29 / 30, "e")], (0.235, 1.033)),
        ("PV", [(1 / 9, "p"), (-1 / 9, "e")], (0.759, 1.717)),
    ],
)
def test_the_published_90_percent_limits(
    name: str, parts: list[tuple[float, str]], published: tuple[float, float]
) -> None:
    rows = {one["source"][0]: one for one in anova(DATA)["rows"]}
    mean_squares = {"p": (rows["u"]["ms"], 9.0), "e": (3.117933 / 78, 78.0), "r": (3.167262 / 2, 2.0)}
    low, high = mls_interval([(c, *mean_squares[key]) for c, key in parts], 0.90)
    assert (math.sqrt(low), math.sqrt(high)) == pytest.approx(published, abs=6e-4), name


def test_the_published_average_and_range_results() -> None:
    found = average_and_range(DATA, 6.0, PARTS, list("ABC"))
    assert found["mean_range"] == pytest.approx(0.3417, abs=5e-5)
    assert found["range_high"] == pytest.approx(0.880, abs=5e-4)
    assert found["over"] == [["4", "B"]]
    # K1..K3 are printed to four places; the exact ones differ in the fourth digit of the results.
    published = {
        "repeatability": 0.20188,
        "reproducibility": 0.22963,
        "gauge": 0.30575,
        "units": 1.10456,
        "total": 1.14610,
    }
    assert sds(found) == pytest.approx(published, abs=2e-4)
    shares = {one["name"]: one["percent_study"] for one in found["components"]}
    assert shares == pytest.approx(
        {"repeatability": 17.62, "reproducibility": 20.04, "gauge": 26.68, "units": 96.38, "total": 100.0}, abs=0.02
    )
    assert found["categories"] == 5
    assert [round(1 / d2_star(n), 4) for n in (3, 10)] == [0.5231, 0.3146]  # K2, K3; status: memory, 1/d2* read


def test_both_numbers_of_categories_are_told_and_why_they_differ() -> None:
    body = study(DATA, PARTS, list("ABC"), low=-3.0, high=3.0, unit="mm")
    assert (body["anova"]["categories"], body["range"]["categories"]) == (4, 5)
    assert any("4 and 5 categories" in one for one in body["says"])
    assert any("to be used with care" in one for one in body["says"])
    bias = {one["rater"]: one for one in body["bias"]}
    assert bias["A"]["mean"] == pytest.approx(0.1903, abs=5e-5)
    assert bias["C"]["high"] < 0 < bias["A"]["low"]


def test_the_interaction_model_against_statsmodels() -> None:
    import pandas as pd
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    chance = np.random.default_rng(4)
    data = (
        chance.normal(0, 1, (6, 1, 1))
        + chance.normal(0, 0.4, (1, 4, 1))
        + chance.normal(0, 0.5, (6, 4, 1))
        + chance.normal(0, 0.1, (6, 4, 3))
    )
    found = anova(data)
    assert not found["pooled"]
    table = pd.DataFrame([{"y": y, "p": i, "o": j} for (i, j, _), y in np.ndenumerate(data)])
    theirs = anova_lm(ols("y ~ C(p) * C(o)", table).fit())
    rows = {one["source"]: one for one in found["rows"]}
    for name, key in (
        ("units", "C(p)"),
        ("raters", "C(o)"),
        ("interaction", "C(p):C(o)"),
        ("repeatability", "Residual"),
    ):
        assert rows[name]["ss"] == pytest.approx(theirs.loc[key, "sum_sq"], rel=1e-9)
        assert rows[name]["df"] == theirs.loc[key, "df"]
    assert rows["interaction"]["f"] == pytest.approx(theirs.loc["C(p):C(o)", "F"])


#: NIST Statistical Reference Datasets, SiRstv: 5 instruments x 5 readings, ohm cm; certified F and residual standard deviation of the one-way
#: analysis of variance. Status: read, as copied in a public library's test data.
RESISTIVITY = """
196.3052 196.1240 196.1890 196.2569 196.3403
196.3042 196.3825 196.1669 196.3257 196.0422
196.1303 196.2005 196.2889 196.0343 196.1811
196.2795 196.1748 196.1494 196.1485 195.9885
196.2119 196.1051 196.1850 196.0052 196.2090
"""


def test_a_certified_analysis_of_variance() -> None:
    """The instruments as units; a second rater with the same readings doubles both sums of squares and adds none of its own."""
    read = np.array([[float(one) for one in row.split()] for row in RESISTIVITY.strip().splitlines()])
    rows = {one["source"]: one for one in anova(np.stack([read, read], axis=1))["rows"]}
    assert rows["raters"]["ss"] == pytest.approx(0.0, abs=1e-20)
    within = rows["repeatability"]["ss"] / 2 / 20
    assert rows["units"]["ss"] / 2 / 4 / within == pytest.approx(1.18046237440255, rel=1e-11)
    assert math.sqrt(within) == pytest.approx(0.104076068334656, rel=1e-11)


def test_a_missing_trial_is_named_and_its_unit_left_out() -> None:
    data = DATA.copy()
    data[3, 1, 2] = np.nan
    body = study(data, PARTS, list("ABC"))
    assert body["missing"] == [["4", "B", 3]]
    assert body["n"]["units"] == 9
    assert "4" not in body["complete"]
    assert body["anova"] is not None


def test_too_little_is_said_not_computed() -> None:
    body = study(np.full((1, 3, 3), 1.0), ["1"], list("ABC"))
    assert body["anova"] is None
    assert "too few" in body["says"][0]
    same = study(np.full((3, 2, 2), 1.0), list("abc"), ["x", "y"])
    assert same["anova"]["categories"] is None


def test_the_intervals_hold_what_they_promise() -> None:
    """Of 600 simulated studies, the 95 % interval of the gauge's spread holds the true one in 92 to 98 % (simulation, no source)."""
    chance = np.random.default_rng(8)
    inside = 0
    for _ in range(600):
        data = chance.normal(0, 1, (10, 1, 1)) + chance.normal(0, 0.2, (1, 3, 1)) + chance.normal(0, 0.3, (10, 3, 3))
        gauge = next(one for one in anova(data)["components"] if one["name"] == "gauge")
        inside += gauge["low"] <= math.hypot(0.2, 0.3) <= gauge["high"]
    assert 0.92 * 600 <= inside <= 0.98 * 600
