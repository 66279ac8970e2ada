"""Capability: when it switches to percentiles, when it gives nothing, and what it says then."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.core.lots.capability import LEAST, LEAST_PERCENTILES, READABLE, capability
from benchd.core.lots.normality import normality

RANDOM = np.random.default_rng(17)
NORMAL = RANDOM.normal(14.25, 0.05, 200)
SKEWED = 3.0 + RANDOM.gamma(1.5, 0.5, 200)


def test_normal_values() -> None:
    found = capability(NORMAL, 14.0, 14.5)
    assert found.method == "normal"
    assert found.says.startswith("capability by the normal distribution: nothing speaks against a normal distribution")
    assert found.cp is not None
    assert found.cp.low < found.cp.value < found.cp.high
    assert found.cpk == min((found.cpl, found.cpu), key=lambda one: one.value if one else 9.0)
    assert found.percentiles is None


def test_one_limit_has_no_cp() -> None:
    found = capability(NORMAL, None, 14.5)
    assert found.cp is found.pp is found.cpm is found.cpl is None
    assert found.cpk == found.cpu
    assert "Cp and Pp need two limits, and there is only an upper one" in found.says
    skewed = capability(SKEWED, 2.9, None)
    assert skewed.pp is None
    assert skewed.ppk == skewed.ppl
    assert "there is only a lower one" in skewed.says


def test_values_that_are_not_normal_switch_to_percentiles_and_say_so() -> None:
    found = capability(SKEWED, 2.5, 9.0)
    assert found.method == "percentiles"
    assert found.cp is found.cpk is found.cpm is None
    assert found.ppk is not None
    assert found.ppk.low < found.ppk.value < found.ppk.high
    assert found.says.startswith(
        "not normally distributed (Anderson-Darling, p < 0.001, 200 values): so Pp and Ppk come from the"
    )
    assert f"200 units are fewer than the {READABLE}" in found.says
    assert found == capability(SKEWED, 2.5, 9.0)  # the same draws every time
    many = capability(3.0 + RANDOM.gamma(1.5, 0.5, READABLE), 2.5, 9.0)
    assert "read off the values, no distribution assumed" in many.says


def test_a_skewed_lot_is_not_flattered_by_the_normal_formula() -> None:
    high = float(np.quantile(3.0 + np.random.default_rng(0).gamma(1.5, 0.5, 400_000), 0.99865))
    found = capability(3.0 + RANDOM.gamma(1.5, 0.5, 20_000), None, high)
    normal = (high - found.mean) / (3.0 * found.overall_sd)  # type: ignore[operator]
    assert found.ppk is not None
    assert found.ppk.low < 1.0 < found.ppk.high
    assert normal > 1.3


@pytest.mark.parametrize(
    ("values", "limits", "words"),
    [
        (NORMAL[: LEAST - 1], (14.0, 14.5), f"{LEAST - 1} units: capability needs at least {LEAST}"),
        (NORMAL, (None, None), "it has no limits"),
        (np.full(50, 14.2), (14.0, 14.5), "all values are alike"),
        (
            SKEWED[: LEAST_PERCENTILES - 1],
            (2.5, 9.0),
            f"by percentiles needs at least {LEAST_PERCENTILES} units, and there are 99",
        ),
        ([], (14.0, 14.5), "0 units: capability needs at least"),
    ],
)
def test_too_little_gives_no_index_and_a_sentence(
    values: np.ndarray, limits: tuple[float | None, float | None], words: str
) -> None:
    found = capability(values, *limits)
    assert found.method == "none"
    assert [found.cp, found.cpl, found.cpu, found.cpk, found.cpm, found.pp, found.ppl, found.ppu, found.ppk] == [
        None
    ] * 9
    assert words in found.says


def test_a_process_that_is_not_stable_is_told() -> None:
    assert "the process is not stable" in capability(NORMAL, 14.0, 14.5, in_control=False).says


def test_values_heaped_on_one_side_of_a_limit_give_no_infinite_index() -> None:
    leakage = np.maximum(RANDOM.normal(-1.0, 1.0, 4000), 0.0)  # most read zero
    assert capability(leakage, -0.5, None).ppk is None
    found = capability(leakage, None, 5.0)
    assert found.ppk is not None
    assert np.isfinite((found.ppk.low, found.ppk.value, found.ppk.high)).all()


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match=r"low limit 14.5 is not below the high limit 14"):
        capability(NORMAL, 14.5, 14.0)
    with pytest.raises(ValueError, match="1 of 2 values are no numbers"):
        capability([14.2, float("nan")], 14.0, 14.5)


def test_what_the_normality_check_says() -> None:
    assert normality([1.0] * 7).says == "not tested for a normal distribution: 7 values, at least 8"
    assert normality([2.0] * 20).normal is None
    coarse = normality(np.round(RANDOM.normal(14.2, 0.02, 2000), 2))
    assert "steps, and a coarse display alone can do that" in coarse.says
    many = normality(RANDOM.gamma(300.0, 1.0, 20_000))
    assert many.normal is False
    assert "even departures that are too small to matter" in many.says
