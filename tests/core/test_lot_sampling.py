"""Sampling plans: what is decided when, what is said, the operating characteristic against a count."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.core.lots.sampling import (
    AQLS,
    LEVELS,
    SAMPLES,
    chance_of_acceptance,
    decided,
    decided_in_order,
    letter_of,
    operating_characteristic,
    plan_of,
)

PLAN = plan_of("attributes, general II, AQL 1.0", 1000)  # 80 units, at most 2


def test_the_sample_is_the_first_units_that_were_tested() -> None:
    """Two bad ones within the sample are accepted, though more turn up after it."""
    passed = np.ones(200, bool)
    passed[[3, 70, 90, 120]] = False
    found = decided_in_order(PLAN, passed)
    assert (found["inspected"], found["found"], found["decision"]) == (80, 2, "accept")
    assert decided(PLAN, 200, 4)["decision"] == "reject"


def test_a_lot_is_rejected_as_soon_as_it_must_be() -> None:
    passed = [False, True, False, False]
    found = decided_in_order(PLAN, passed)
    assert (found["decision"], found["inspected"]) == ("reject", 4)
    assert decided_in_order(PLAN, passed[:3])["decision"] is None
    assert decided_in_order(PLAN, [])["says"].startswith("Not decided: 80 more units are")
    assert "1 more unit is" in decided_in_order(PLAN, [True] * 79)["says"]


def test_acceptance_says_what_it_says_of_untested_units() -> None:
    assert "Of the 920 units that were not tested" in decided(PLAN, 80, 0)["says"]
    assert "drawn at random" in decided(PLAN, 80, 0)["says"]
    whole = plan_of("attributes, general II, AQL 0.10", 60)
    assert "not tested" not in decided(whole, 60, 0)["says"]


@pytest.mark.parametrize(("inspected", "found"), [(10, 11), (10, -1)])
def test_counts_that_cannot_be(inspected: int, found: int) -> None:
    with pytest.raises(ValueError, match="cannot be"):
        decided(PLAN, inspected, found)


def test_the_operating_characteristic_is_what_is_counted() -> None:
    """20,000 random samples of a lot with 2.5 % bad units."""
    chance = np.random.default_rng(1)
    accepted = (chance.binomial(PLAN.size, 0.025, 20_000) <= PLAN.accept).mean()
    assert chance_of_acceptance(PLAN, 0.025) == pytest.approx(accepted, abs=0.012)
    bad, found = operating_characteristic(PLAN)
    assert (bad[0], found[0]) == (0.0, 1.0)
    assert (np.diff(found) <= 0).all()
    assert found[-1] < 0.01


def test_a_lot_that_is_tested_whole_is_decided_by_what_is_in_it() -> None:
    whole = plan_of("attributes, general II, AQL 0.10", 60)
    assert (whole.size, whole.accept) == (60, 0)
    assert [chance_of_acceptance(whole, one) for one in (0.0, 1 / 60, 0.5)] == [1.0, 0.0, 0.0]
    with pytest.raises(ValueError, match="between 0 and 1"):
        chance_of_acceptance(whole, 1.5)


def test_every_level_and_aql_makes_a_plan() -> None:
    for level in LEVELS:
        words = f"special {level}" if level.startswith("S") else f"general {level}"
        for aql in AQLS:
            for size in (2, 100, 5000, 10**6):
                plan = plan_of(f"Attributes, {words}, AQL {aql}", size)
                assert 0 <= plan.accept < plan.reject <= plan.size <= size or plan.size == size
                assert plan.size in (size, SAMPLES[plan.letter])


@pytest.mark.parametrize("size", [0, 1, -5])
def test_a_lot_of_one_needs_no_plan(size: int) -> None:
    with pytest.raises(ValueError, match="test every unit"):
        plan_of("attributes, general II, AQL 1.0", size)


def test_an_unknown_level_is_named() -> None:
    with pytest.raises(ValueError, match="expected one of S-1"):
        letter_of(100, "IV")
