"""A check standard on one bench: its baseline, the rule that broke, the way back, the En number."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.core.lots import run_rules
from benchd.core.lots.standing import IN_CONTROL, MAKING, OUT_OF_CONTROL, Standing, en_number, standing

# Ten measurements about 14.20 V; SIGMA is their mean moving range over d2(2).
BASE = [14.20, 14.21, 14.19, 14.205, 14.195, 14.21, 14.19, 14.20, 14.205, 14.195]
SIGMA = float(np.abs(np.diff(BASE)).mean()) / 1.128379


def of(*later: float, **more: object) -> Standing:
    return standing([*BASE, *later], unit="V", name="set-point", **more)  # type: ignore[arg-type]


def test_until_the_baseline_is_made_it_is_not_fit_without_a_reference() -> None:
    found = standing(BASE[:7], name="set-point")
    assert (found.state, found.missing, found.fit, found.chart) == (MAKING, 3, False, None)
    assert found.says == ("set-point: 3 more measurements until the baseline of 10 is made",)
    assert standing([]).state == MAKING


def test_a_reference_stands_in_for_the_baseline() -> None:
    assert standing([14.21], reference=(14.20, 0.01), expanded=[0.02]).fit
    assert not standing([14.25], reference=(14.20, 0.01), expanded=[0.02]).fit


def test_limits_come_from_the_baseline_alone() -> None:
    for found in (of(), of(14.205), of(14.205, 14.195)):
        assert found.state == IN_CONTROL
        assert found.fit
        assert found.chart is not None
        assert found.chart.centre == pytest.approx(14.2, abs=1e-9)
        assert found.chart.high == pytest.approx(14.2 + 3.0 * SIGMA, abs=1e-6)
        assert found.chart.baseline == 10


def test_a_point_beyond_a_limit_and_the_good_one_after_it() -> None:
    far = 14.2 + 3.5 * SIGMA
    found = of(far)
    assert (found.state, found.fit) == (OUT_OF_CONTROL, False)
    assert [one.rule for one in found.now] == ["we1"]
    assert found.says[0].startswith("set-point: measurement 11: one point beyond three sigma (14.2")
    assert "leads" in found.do[0]
    back = of(far, 14.2)
    assert (back.state, back.fit, back.now) == (IN_CONTROL, True, ())
    assert [one.rule for one in back.broken] == ["we1"]
    assert "back in control after measurement 11" in back.says[0]


def test_a_second_measurement_still_far_off_is_no_way_back() -> None:
    found = of(14.2 + 3.5 * SIGMA, 14.2 + 2.5 * SIGMA)
    assert [one.rule for one in found.now] == ["we2"]
    assert found.state == OUT_OF_CONTROL


def test_a_lasting_shift_cannot_be_measured_away() -> None:
    shift = 14.2 + 0.8 * SIGMA
    runs = [of(*[shift] * count).state for count in range(12)]
    # the last baseline measurement lies below the centre: the run begins with the first after it
    assert runs == [IN_CONTROL] * 8 + [OUT_OF_CONTROL] * 4
    found = of(*[shift] * 9)
    assert [one.rule for one in found.now] == ["we4"]
    assert found.says == (
        "set-point: measurements 11 to 19: eight points in a row on one side of the centre line "
        f"({shift:.6g} V at measurement 18)",
    )
    assert "measuring again does not undo a lasting shift" in found.do[-1]
    assert of(*[shift] * 9, 14.2 - 0.3 * SIGMA).state == IN_CONTROL  # on the other side of the centre line
    cleared = of(*[shift] * 9, shift, cleared=19)  # the cause was found and put right after measurement 19
    assert (cleared.state, cleared.broken) == (IN_CONTROL, ())


def test_a_slip_in_the_baseline_is_left_out_and_told() -> None:
    found = standing([*BASE[:4], 14.6, *BASE[4:]], name="set-point")
    assert found.state == IN_CONTROL
    assert found.left_out == (4,)
    assert found.chart is not None
    assert found.chart.centre == pytest.approx(14.2, abs=1e-9)
    assert "measurement 5 left out of the baseline" in found.says[-1]
    short = standing([*BASE[:4], 14.6, *BASE[4:9]])
    assert (short.state, short.missing) == (MAKING, 1)


def test_a_baseline_with_a_step_in_it_is_no_baseline() -> None:
    step = [14.200, 14.201, 14.199, 14.200, 14.201, 14.4, 14.401, 14.399, 14.4, 14.401, 14.4, 14.4]
    found = standing(step)
    assert (found.state, found.fit) == (OUT_OF_CONTROL, False)
    assert "it is no baseline" in found.says[0]


def test_the_newest_measurement_s_en_number_counts_beside_the_chart() -> None:
    """ISO/IEC 17043: En = (x - X)/sqrt(U_x^2 + U_ref^2), here (14.2 - 14.15)/sqrt(0.03^2 + 0.04^2) = 1."""
    assert en_number(14.20, 0.03, 14.15, 0.04) == pytest.approx(1.0)
    found = of(14.2, reference=(14.10, 0.04), expanded=[0.03] * 11)
    assert found.state == IN_CONTROL
    assert (found.en, found.en_satisfactory, found.fit) == (pytest.approx(2.0), False, False)
    assert found.says[0] == (
        "set-point: 14.2 V against the reference 14.1, En = 2.00: beyond what both uncertainties explain (|En| > 1)"
    )
    assert "meter" in found.do[0]


@pytest.mark.parametrize(
    ("reference", "expanded", "words"),
    [
        (None, None, "no reference value"),
        ((14.2, None), [0.02] * 10, "the uncertainty of the reference value is not known"),
        ((14.2, 0.02), None, "the uncertainty of the newest measurement is not known"),
        ((14.2, 0.02), [0.02] * 9 + [None], "the uncertainty of the newest measurement is not known"),
        ((14.2, 0.0), [0.0] * 10, "both uncertainties are given as 0"),
    ],
)
def test_no_en_number_without_both_uncertainties(
    reference: tuple[float, float | None] | None, expanded: list[float | None] | None, words: str
) -> None:
    found = standing(BASE, reference=reference, expanded=expanded)
    assert found.en is None
    assert words in found.en_says
    assert found.fit  # by its chart


def test_a_display_that_never_moves_has_limits_by_its_steps() -> None:
    stiff = [14.2] * 10
    assert standing([*stiff, 14.2]).state == IN_CONTROL
    assert standing([*stiff, 14.21]).state == OUT_OF_CONTROL
    assert standing([*stiff, 14.21], least_sigma=0.01 / 12**0.5).state == OUT_OF_CONTROL
    assert standing([*stiff, 14.208], least_sigma=0.01 / 12**0.5).state == IN_CONTROL


@pytest.mark.parametrize(
    ("baseline", "rules", "share"), [(10, run_rules.WESTERN_ELECTRIC, 0.07), (10, ("we1",), 0.025)]
)
def test_false_alarms_are_what_the_docstring_says(baseline: int, rules: tuple[str, ...], share: float) -> None:
    random = np.random.default_rng(6)
    later = 25
    flagged = sum(
        standing(random.normal(14.2, 0.01, baseline + later), baseline=baseline, rules=rules).state == OUT_OF_CONTROL
        for _ in range(700)
    )
    assert flagged / 700 == pytest.approx(share, abs=3.0 * (share * (1.0 - share) / 700) ** 0.5)


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="one row of numbers"):
        standing([14.2, float("nan")])
    with pytest.raises(ValueError, match="a baseline of 3 measurements sets no limits"):
        standing(BASE, baseline=3)
    with pytest.raises(ValueError, match="10 measurements, but 2 uncertainties"):
        standing(BASE, reference=(14.2, 0.1), expanded=[0.1, 0.1])
    with pytest.raises(ValueError, match="above 0"):
        en_number(1.0, 0.0, 1.0, 0.0)
