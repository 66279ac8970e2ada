"""Charts and run rules: the vectorised rules against plain loops, which chart a lot gets, what is refused."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from benchd.core.lots import charts, run_rules


def plain(rule: str, z: list[float]) -> list[bool]:
    """The same definitions, one point and one window at a time; z in sigmas from the centre."""
    return [_broken(rule, z[: place + 1]) for place in range(len(z))]


def _broken(rule: str, z: list[float]) -> bool:
    sides = (z, [-one for one in z])
    match rule:
        case "we1" | "nelson1":
            return abs(z[-1]) > 3
        case "we2" | "nelson5":
            return any(s[-1] > 2 and sum(one > 2 for one in s[-3:]) >= 2 for s in sides)
        case "we3" | "nelson6":
            return any(s[-1] > 1 and sum(one > 1 for one in s[-5:]) >= 4 for s in sides)
        case "we4" | "nelson2":
            n = 8 if rule == "we4" else 9
            return len(z) >= n and any(all(one > 0 for one in s[-n:]) for s in sides)
        case "nelson3":
            last = z[-6:]
            up = [after > before for before, after in pairwise(last)]
            down = [after < before for before, after in pairwise(last)]
            return len(last) == 6 and (all(up) or all(down))
        case "nelson4":
            last = z[-14:]
            steps = [after - before for before, after in pairwise(last)]
            return len(last) == 14 and all(a * b < 0 for a, b in pairwise(steps))
        case "nelson7":
            return len(z) >= 15 and all(abs(one) <= 1 for one in z[-15:])
        case _:
            last = z[-8:]
            return len(last) == 8 and all(abs(one) > 1 for one in last) and min(last) < 0 < max(last)


#: In which values each rule breaks for certain, so that the comparison is not between empty answers alone; else in 'jumpy' ones.
BREAKS_IN = {"nelson3": "drifting", "nelson7": "quiet"}


@pytest.mark.parametrize("rule", run_rules.TITLES)
@pytest.mark.parametrize("manner", ["noise", "quarters", "quiet", "jumpy", "drifting"])
def test_rules_against_plain_loops(rule: str, manner: str) -> None:
    random = np.random.default_rng(7)
    z = random.normal(0.0, {"quiet": 0.6, "jumpy": 2.2}.get(manner, 1.2), 600)
    if manner == "quarters":
        z = np.round(z * 4) / 4  # many points on the centre line and on zone lines, many equal neighbours
    if manner == "drifting":
        z = z / 3 + np.sin(np.arange(600) / 9) * 2
    if rule == "nelson4" and manner == "jumpy":
        z[100:140] = np.abs(z[100:140]) * np.tile([1, -1], 20)
    found = run_rules.flags(z, 0.0, 1.0, [rule])[rule]
    assert found.tolist() == plain(rule, z.tolist())
    if manner == BREAKS_IN.get(rule, "jumpy"):
        assert found.any()


def test_a_pattern_that_goes_on_is_one_signal_and_points_beyond_a_limit_are_each() -> None:
    points = [0.2] * 12 + [-0.1] + [3.5, 3.6]
    found = run_rules.signals(points, 0.0, 1.0)
    assert [(one.rule, one.from_index, one.index, one.until) for one in found] == [
        ("we4", 0, 7, 11),
        ("we1", 13, 13, 13),
        ("we1", 14, 14, 14),
        ("we2", 13, 14, 14),
    ]
    assert found[0].says == (
        "points 1 to 8: eight points in a row on one side of the centre line (the last is 0.2, above the centre 0)"
    )
    assert [one.rule for one in run_rules.signals(points, 0.0, 1.0, most=2)] == ["we4", "we1"]


def test_the_first_point_of_a_pattern_lies_beyond_its_line() -> None:
    found = run_rules.signals([2.5, 0.0, 0.0, 1.2, 0.3, 1.3, 1.4, 1.5], 0.0, 1.0, ["we3"])
    assert [(one.from_index, one.index) for one in found] == [(3, 7)]


def test_rules_for_charts_of_spread() -> None:
    every = (*run_rules.WESTERN_ELECTRIC, *run_rules.NELSON)
    assert run_rules.rules_for(charts.X_BAR, every) == every
    assert run_rules.rules_for(charts.RANGE, every) == ("we1", "we4", "nelson1", "nelson2", "nelson3", "nelson4")
    assert run_rules.rules_for(charts.MOVING_RANGE, every) == ("we1", "nelson1")
    with pytest.raises(ValueError, match="no such run rule: 'we9'"):
        run_rules.rules_for(charts.X_BAR, ["we9"])
    with pytest.raises(ValueError, match="no such run rule: 'we9'"):
        run_rules.flags([1.0], 0.0, 1.0, ["we9"])


def test_runs_on_moving_ranges_break_in_a_process_in_control() -> None:
    """Why rule 4 is not asked of a moving-range chart: every 100 points or so, where single values break it every 250 or so."""
    values = np.random.default_rng(1).normal(size=100_000)
    single, moving = charts.individuals(values)
    of_ranges = len(run_rules.signals(moving.points, moving.centre, moving.sigma, ["we4"]))
    of_values = len(run_rules.signals_of(single, ["we4"]))
    assert 80 < 100_000 / of_ranges < 110
    assert 230 < 100_000 / of_values < 290


def test_limits_of_a_spread_are_its_chart_s_own() -> None:
    """Below three sigma an R chart ends at zero, and a moving range of zero is no signal."""
    values = np.random.default_rng(2).normal(10.0, 1.0, 200)
    values[50:60] = 10.0
    _, ranges = charts.x_bar_r(values)
    assert ranges.low == 0.0
    assert run_rules.signals_of(ranges, ["we1"]) == []


@pytest.mark.parametrize(
    ("count", "kinds", "size"),
    [
        (7, (), 0),
        (8, ("individuals", "moving range"), 1),
        (99, ("individuals", "moving range"), 1),
        (100, ("x-bar", "R"), 5),
    ],
)
def test_which_charts_a_lot_gets(count: int, kinds: tuple[str, ...], size: int) -> None:
    made = charts.charts_of(np.random.default_rng(0).normal(size=count))
    assert tuple(one.kind for one in made) == kinds
    assert not made or made[0].size == size


def test_wanted_sizes() -> None:
    values = np.random.default_rng(0).normal(size=240)
    assert [one.kind for one in charts.charts_of(values, size=12)] == ["x-bar", "s"]
    assert [one.kind for one in charts.charts_of(values, size=1)] == ["individuals", "moving range"]
    assert charts.charts_of(values, baseline=30)[0].kind == "individuals"  # too few for limits of subgroups
    assert charts.charts_of(values, baseline=120)[0].baseline == 24
    assert charts.charts_of(values, baseline=5) == ()


def test_an_incomplete_last_subgroup_is_left_out_and_told() -> None:
    values = np.random.default_rng(0).normal(size=103)
    means, ranges = charts.charts_of(values)
    assert len(means.points) == len(ranges.points) == 20
    assert means.left_out == 3
    assert "the last 3 values filled no subgroup and are left out" in means.says
    assert means.values_of(19) == (95, 99)
    single, moving = charts.individuals(values)
    assert single.values_of(7) == (7, 7)
    assert moving.values_of(7) == (7, 8)


def test_the_median_moving_range_shrugs_off_a_wild_value() -> None:
    values = np.random.default_rng(4).normal(14.2, 0.01, 60)
    values[30] = 15.0
    wide, narrow = (charts.individuals(values, estimate=one)[0] for one in ("mean range", "median range"))
    assert narrow.sigma == pytest.approx(0.01, rel=0.3)
    assert wide.sigma > 2 * narrow.sigma


def test_values_all_alike_are_their_own_centre() -> None:
    for made in (*charts.individuals([14.1] * 10), *charts.x_bar_r([14.1] * 10)):
        assert run_rules.signals_of(made, (*run_rules.WESTERN_ELECTRIC, *run_rules.NELSON)) == []
    assert [one.index for one in run_rules.signals([14.1, 14.2, 14.1], 14.1, 0.0)] == [1]


def test_samples_of_unlike_sizes_have_limits_of_their_own() -> None:
    made = charts.p_chart([1, 2, 30], [50, 100, 100])
    assert made.centre.tolist() == [33 / 250] * 3
    assert made.high[0] > made.high[1] == made.high[2]
    assert made.low[0] == 0.0
    assert [one.index for one in run_rules.signals_of(made, ["we1"])] == [1, 2]


def test_what_is_refused() -> None:
    with pytest.raises(ValueError, match="1 of 9 values are no numbers"):
        charts.charts_of([1.0] * 8 + [float("nan")])
    with pytest.raises(ValueError, match="fill no subgroup of 5"):
        charts.x_bar_r([1.0, 2.0])
    with pytest.raises(ValueError, match="2 to 25 values, not 26"):
        charts.x_bar_r(np.arange(60.0), 26)
    with pytest.raises(ValueError, match="no such estimate"):
        charts.individuals([1.0, 2.0, 3.0], estimate="mode")
    with pytest.raises(ValueError, match="a baseline of 9 of 3 points"):
        charts.individuals([1.0, 2.0, 3.0], 9)
    with pytest.raises(ValueError, match="more nonconforming units than units"):
        charts.p_chart([3], [2])


def test_a_million_values() -> None:
    values = np.random.default_rng(0).normal(14.2, 0.05, 1_000_000)
    means, ranges = charts.charts_of(values)
    assert means.centre == pytest.approx(14.2, abs=2e-4)
    assert means.process_sd == pytest.approx(0.05, rel=2e-3)
    share = np.mean(run_rules.flags(means.points, means.centre, means.sigma, ["we1"])["we1"])
    assert share == pytest.approx(0.0027, abs=0.0004)
    assert len(ranges.points) == 200_000
