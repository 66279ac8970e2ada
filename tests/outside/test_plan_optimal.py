"""The plan against the best policy there is, found by brute force on small problems (computed: best_policy.py, arithmetic
of its own), and against the textbook rule of perfect checks: by falling probability over minutes (from memory)."""

from __future__ import annotations

import random
import statistics

import pytest
from best_policy import Problem, Solver
from small_plans import Ours, cut, drawn

from benchd.visits.knowledge import load_knowledge

SIZES = [(2, 3), (3, 3), (3, 4), (4, 3), (4, 4), (5, 3)]


@pytest.mark.parametrize("kind", ["drawn", "out of the shipped file"])
def test_the_plan_is_within_5_percent_of_the_best_policy(kind: str) -> None:
    shipped = load_knowledge()
    ratios = []
    for seed, (causes, checks) in enumerate(SIZES):
        problem = drawn(seed, causes, checks) if kind == "drawn" else cut(shipped, seed, causes, checks)
        solver = Solver(problem)
        best, ours = solver.best(solver.start()), solver.follow(solver.start(), Ours(problem))
        assert ours >= best - 1e-6, "nothing is better than the best"
        ratios.append(ours / best)
    assert statistics.mean(ratios) <= 1.05
    assert max(ratios) <= 1.20


def test_the_solver_agrees_with_a_sum_by_hand() -> None:
    """Two causes, 0.6 and 0.4, no check: mend the likelier for its price, prove, mend the other, prove (computed by hand)."""
    problem = Problem((0.0, 0.6, 0.4), (), (), (0.0, 20.0, 10.0), (0.0, 0.0, 0.0), 12.0)
    solver = Solver(problem)
    first = 20 + 12 + 0.4 * (10 + 12)  # 40.8
    other = 10 + 12 + 0.6 * (20 + 12)  # 41.2
    both = 20 + 10 + 12  # 42
    assert solver.best(solver.start()) == pytest.approx(min(first, other, both))


@pytest.mark.parametrize("seed", range(4))
def test_perfect_checks_come_by_probability_over_minutes(seed: int) -> None:
    """One cause at a time, each with a perfect check of its own, found means done: the order that takes the least minutes
    is by falling p/c. A result of search theory and of troubleshooting, from memory."""
    dice = random.Random(seed)
    causes = 5
    weights = [dice.uniform(0.5, 1.5) for _ in range(causes)]
    nothing = 0.3  # so that the last is not known without its check
    prior = (nothing, *((1 - nothing) * one / sum(weights) for one in weights))
    rows = tuple(tuple((0.0, 1.0) if h == at + 1 else (1.0, 0.0) for h in range(causes + 1)) for at in range(causes))
    minutes = tuple(dice.uniform(1.0, 4.0) for _ in range(causes))
    problem = Problem(prior, rows, minutes, (0.0, *[60.0] * causes), (0.0, *[300.0] * causes), 60.0)
    ours, way, order = Ours(problem), (), []
    while (action := ours(way))[0] == "check":
        order.append(action[1])
        way = (*way, ("check", action[1], 0))
    assert order == sorted(range(causes), key=lambda at: -prior[at + 1] / minutes[at])
    assert action == ("prove", 0)
