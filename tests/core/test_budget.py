"""Budgets combine as they should, and a decision rule never says more than the figures do."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core import budget
from benchd.core.budget import Component
from benchd.core.specs import Rule

small = st.floats(1e-9, 1e3)
dofs = st.one_of(st.just(math.inf), st.floats(1, 1e6))
components = st.lists(st.builds(Component, st.just("part"), small, dofs), min_size=1, max_size=6)


@given(components)
def test_the_whole_is_no_less_than_its_greatest_part_and_no_more_than_their_sum(parts) -> None:
    u, _ = budget.combine(parts)
    assert max(one.u for one in parts) <= u * (1 + 1e-12)
    assert u <= sum(one.u for one in parts) * (1 + 1e-12)


@given(components)
def test_effective_dof_lies_between_the_least_and_the_sum(parts) -> None:
    _, dof = budget.combine(parts)
    assert min(one.dof for one in parts) * (1 - 1e-9) <= dof
    assert dof <= sum(one.dof for one in parts) * (1 + 1e-6)


@given(components, st.floats(1e-6, 1e6))
def test_dof_does_not_depend_on_the_unit(parts, factor) -> None:
    _, before = budget.combine(parts)
    _, after = budget.combine([one.scaled(-factor) for one in parts])
    assert after == pytest.approx(before, rel=1e-6)


def test_nothing_known_is_infinite_not_zero() -> None:
    assert budget.combine([]) == (math.inf, math.inf)
    assert budget.combine([Component("known", 1.0), Component("unknown", math.inf)])[0] == math.inf


def test_a_single_part_keeps_its_dof_even_when_tiny() -> None:
    assert budget.combine([Component("microvolts", 1e-90, 7)]) == pytest.approx((1e-90, 7))


def test_dof_is_truncated_and_never_below_one() -> None:
    assert budget.coverage_factor(4.99) == budget.coverage_factor(4)
    assert budget.coverage_factor(0.3) == budget.coverage_factor(1)


limits = st.one_of(st.none(), st.floats(-20, 20))


@given(st.floats(-20, 20), small, limits, limits, dofs)
def test_a_probability_is_one(value, u, low, high, dof) -> None:
    assert 0 <= budget.probability_within(value, u, low, high, dof) <= 1


@given(st.floats(-20, 20), st.floats(0.01, 10), st.floats(-20, 20), dofs)
def test_beyond_and_within_make_one(value, u, limit, dof) -> None:
    within = budget.probability_within(value, u, None, limit, dof)
    assert within + budget.probability_within(value, u, limit, None, dof) == pytest.approx(1)


def test_open_on_both_sides_is_certain() -> None:
    assert budget.probability_within(14.0, 0.1, None, None) == 1


def test_an_unknown_uncertainty_decides_nothing() -> None:
    probability = budget.probability_within(14.2, math.inf, 13.8, 14.7)
    assert budget.decide(Rule.SIMPLE, probability, True, 0.05) == "undecided"


@pytest.mark.parametrize("u", [0.0, -0.1, math.nan])
def test_zero_uncertainty_is_refused(u) -> None:
    with pytest.raises(ValueError, match="above zero"):
        budget.probability_within(14.2, u, 13.8, 14.7)


# (rule, estimate against a window of 13.8..14.7 V with u = 0.05 V, what it says at a risk of 5 %)
@pytest.mark.parametrize(
    ("rule", "volts", "expected"),
    [
        (Rule.SIMPLE, 14.20, "pass"),
        (Rule.SIMPLE, 14.68, "undecided"),
        (Rule.SIMPLE, 14.72, "undecided"),
        (Rule.SIMPLE, 14.90, "fail"),
        (Rule.GUARDED_ACCEPTANCE, 14.20, "pass"),
        (Rule.GUARDED_ACCEPTANCE, 14.68, "undecided"),
        (Rule.GUARDED_ACCEPTANCE, 14.72, "fail"),
        (Rule.GUARDED_REJECTION, 14.68, "pass"),
        (Rule.GUARDED_REJECTION, 14.72, "undecided"),
        (Rule.GUARDED_REJECTION, 14.90, "fail"),
    ],
)
def test_rules(rule, volts, expected) -> None:
    probability = budget.probability_within(volts, 0.05, 13.8, 14.7)
    assert budget.decide(rule, probability, 13.8 <= volts <= 14.7, 0.05) == expected


@given(st.sampled_from(Rule), st.floats(13, 16), st.floats(1e-4, 100), dofs, st.floats(0.001, 0.49))
def test_no_rule_passes_what_reads_outside_nor_fails_what_reads_inside(rule, volts, u, dof, risk) -> None:
    inside = 13.8 <= volts <= 14.7
    said = budget.decide(rule, budget.probability_within(volts, u, 13.8, 14.7, dof), inside, risk)
    assert said != ("fail" if inside else "pass")


@given(st.floats(1e-4, 1), st.floats(0.001, 0.4), st.floats(-0.5, 0.5))
def test_guarded_acceptance_is_the_guard_band(u, risk, room) -> None:
    probability = budget.probability_within(14.7 - room, u, None, 14.7)
    said = budget.decide(Rule.GUARDED_ACCEPTANCE, probability, room >= 0, risk)
    band = budget.guard_band(u, risk)
    if abs(room - band) > 1e-6:
        assert (said == "pass") == (room > band)
