"""Gauge study: against plain sums, the interaction kept, what is missing or alike, more units than ranges serve."""

from __future__ import annotations

import json
import math
from itertools import product

import numpy as np
import pytest

from benchd.core.lots.gauge_study import anova, average_and_range, study

NAMES = [f"VR20-{number:06d}" for number in range(1, 41)]
RATERS = ["Ines Calder", "Tomas Rue", "rig 3"]


def values(seed: int, shape: tuple[int, int, int], parts: float, raters: float, cross: float, repeat: float):  # type: ignore[no-untyped-def]
    p, o, _ = shape
    chance = np.random.default_rng(seed)
    return (
        14.3
        + chance.normal(0, parts, (p, 1, 1))
        + chance.normal(0, raters, (1, o, 1))
        + chance.normal(0, cross, (p, o, 1))
        + chance.normal(0, repeat, shape)
    )


def variances(found: dict) -> dict[str, float]:  # type: ignore[type-arg]
    return {one["name"]: one["variance"] for one in found["components"]}


def test_sums_of_squares_against_plain_loops() -> None:
    data = values(1, (5, 3, 4), 0.1, 0.05, 0.05, 0.02)
    p, o, r = data.shape
    grand = sum(data[i, j, k] for i, j, k in product(range(p), range(o), range(r))) / (p * o * r)
    cells = {(i, j): sum(data[i, j]) / r for i, j in product(range(p), range(o))}
    parts = {i: sum(cells[i, j] for j in range(o)) / o for i in range(p)}
    raters = {j: sum(cells[i, j] for i in range(p)) / p for j in range(o)}
    plain = {
        "units": o * r * sum((one - grand) ** 2 for one in parts.values()),
        "raters": p * r * sum((one - grand) ** 2 for one in raters.values()),
        "interaction": r * sum((cells[i, j] - parts[i] - raters[j] + grand) ** 2 for i, j in cells),
        "repeatability": sum((data[i, j, k] - cells[i, j]) ** 2 for i, j, k in product(range(p), range(o), range(r))),
        "total": sum((one - grand) ** 2 for one in data.ravel()),
    }
    found = anova(data)
    assert not found["pooled"]
    assert {row["source"]: row["ss"] for row in found["rows"]} == pytest.approx(plain, rel=1e-9)
    ms = {row["source"]: row["ms"] for row in found["rows"]}
    cross = (ms["interaction"] - ms["repeatability"]) / r
    wanted = {
        "repeatability": ms["repeatability"],
        "reproducibility": (ms["raters"] - ms["interaction"]) / (p * r) + cross,
        "units": (ms["units"] - ms["interaction"]) / (o * r),
    }
    assert {name: variances(found)[name] for name in wanted} == pytest.approx(wanted)
    assert variances(found)["gauge"] == pytest.approx(wanted["repeatability"] + wanted["reproducibility"])


def test_components_come_out_on_the_average() -> None:
    """Mean of 300 studies of 10 x 4 x 3 with an interaction: the variances that went in."""
    made = [variances(anova(values(seed, (10, 4, 3), 0.1, 0.04, 0.03, 0.02))) for seed in range(300)]
    mean = {name: float(np.mean([one[name] for one in made])) for name in made[0]}
    assert mean["repeatability"] == pytest.approx(0.02**2, rel=0.02)
    assert mean["reproducibility"] == pytest.approx(0.04**2 + 0.03**2, rel=0.12)
    assert mean["units"] == pytest.approx(0.1**2, rel=0.08)


def test_intervals_hold_with_an_interaction_too() -> None:
    """Of 500 studies the 95 % interval of the gauge's spread holds the true one in 91 to 99 %."""
    true = math.hypot(0.04, 0.05, 0.03)
    inside = 0
    for seed in range(500):
        gauge = next(
            one
            for one in anova(values(seed, (10, 3, 3), 0.1, 0.04, 0.05, 0.03))["components"]
            if one["name"] == "gauge"
        )
        inside += gauge["low"] <= true <= gauge["high"]
    assert 0.91 * 500 <= inside <= 0.99 * 500


@pytest.mark.parametrize("mean", [0.0, 14.3, 1e7])
def test_a_large_mean_costs_no_digits(mean: float) -> None:
    data = values(2, (6, 3, 3), 0.1, 0.05, 0.0, 0.02)
    data = np.round(data * 2**20) / 2**20  # so that adding the mean is exact
    assert variances(anova(data + mean)) == pytest.approx(variances(anova(data)), rel=1e-9)


def test_both_methods_agree_on_the_average() -> None:
    """Over 100 studies; ranges lose little at three trials."""
    by_anova, by_range = [], []
    for seed in range(100):
        data = values(seed, (10, 3, 3), 0.1, 0.03, 0.0, 0.02)
        by_anova.append(variances(anova(data))["gauge"])
        by_range.append(variances(average_and_range(data, None, NAMES, RATERS))["gauge"])
    assert np.mean(by_range) == pytest.approx(np.mean(by_anova), rel=0.1)


def test_bias_is_found_where_it_was_put() -> None:
    data = values(3, (10, 3, 3), 0.1, 0.0, 0.0, 0.01)
    data[:, 2] += 0.05
    bias = {one["rater"]: one for one in study(data, NAMES[:10], RATERS, unit="V")["bias"]}
    assert bias["rig 3"]["low"] < 0.05 < bias["rig 3"]["high"]
    assert sum(one["bias"] for one in bias.values()) == pytest.approx(0.0, abs=1e-12)
    assert any(one.startswith("rig 3 reads +0.0") for one in study(data, NAMES[:10], RATERS, unit="V")["says"])


def test_the_interval_of_a_bias_holds_what_it_promises() -> None:
    inside = 0
    for seed in range(200):
        data = values(seed, (10, 3, 3), 0.1, 0.0, 0.0, 0.02)
        data[:, 0] += 0.03
        one = study(data, NAMES[:10], RATERS)["bias"][0]
        inside += one["low"] <= 0.03 <= one["high"]
    assert 0.91 * 200 <= inside <= 0.99 * 200


def test_missing_trials_are_named_from_one() -> None:
    data = values(4, (4, 3, 2), 0.1, 0.0, 0.0, 0.02).tolist()
    data[1][2][1] = None
    data[3][0][0] = math.inf
    body = study(data, NAMES[:4], RATERS)
    assert body["missing"] == [[NAMES[1], "rig 3", 2], [NAMES[3], "Ines Calder", 1]]
    assert body["complete"] == [NAMES[0], NAMES[2]]
    assert len(body["means"]) == len(body["ranges"]) == len(body["by_unit"]) == 2
    assert "2 trials are missing: only the 2 units" in body["says"][0]
    data[0][0][0] = None
    assert study(data, NAMES[:4], RATERS)["anova"] is None


@pytest.mark.parametrize("shape", [(1, 3, 3), (3, 1, 3), (3, 3, 1), (0, 3, 3)])
def test_what_is_too_few_is_counted_out(shape: tuple[int, int, int]) -> None:
    body = study(np.zeros(shape), NAMES[: shape[0]], RATERS[: shape[1]])
    assert body["anova"] is body["range"] is None
    assert f"{shape[0]} complete units, {shape[1]} raters, {shape[2]} trials" in body["says"][0]
    json.dumps(body, allow_nan=False)


def test_a_display_that_is_too_coarse_is_said() -> None:
    """Values without any scatter divide by nothing: no infinity in the body, no praise of the gauge."""
    alike = study(np.full((3, 3, 2), 14.3), NAMES[:3], RATERS, low=14.0, high=14.6)
    assert "All values are alike" in alike["says"][-1]
    steps = study(np.tile(np.array([14.2, 14.3, 14.4])[:, None, None], (1, 3, 2)), NAMES[:3], RATERS, low=14.0, high=14.6)  # fmt: skip
    assert "display is too coarse" in steps["says"][0]
    assert steps["anova"]["categories"] is None
    for body in (alike, steps):
        json.dumps(body, allow_nan=False)


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [(14.0, None, "one limit only"), (None, None, "no limit"), (14.0, 14.6, "of the tolerance of 0.6 V")],
)
def test_percent_of_tolerance_needs_two_limits(low: float | None, high: float | None, told: str) -> None:
    body = study(values(5, (5, 3, 2), 0.1, 0.0, 0.0, 0.02), NAMES[:5], RATERS, low=low, high=high, unit="V")
    assert any(told in one for one in body["says"])
    gauge = next(one for one in body["anova"]["components"] if one["name"] == "gauge")
    assert (gauge["percent_tolerance"] is None) is (low is None or high is None)
    if high is not None and low is not None:
        assert gauge["percent_tolerance"] == pytest.approx(100 * 6 * gauge["sd"] / 0.6)


def test_more_units_than_ranges_serve() -> None:
    body = study(values(6, (40, 3, 2), 0.1, 0.0, 0.0, 0.02), NAMES, RATERS)
    assert body["range"] is None
    assert body["anova"]["categories"] >= 5
    assert any("Ranges were not used" in one for one in body["says"])


def test_values_that_do_not_fit_the_names() -> None:
    with pytest.raises(ValueError, match="4 units and 3 raters are wanted"):
        study(np.zeros((3, 3, 2)), NAMES[:4], RATERS)
