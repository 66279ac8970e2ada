"""Benchmark (e): whole visits, simulated: minutes to the cause by the plan, by a fixed order, by the best policy there is.

    python tests/bench/visits.py [--visits 2000] [--seed 1] [--jobs 2] [--knowledge FILE ...]

The machine of a visit holds none, one or two causes, drawn as often as the knowledge says they occur (by frequency), or
each cause and each pair alike (evenly). Every answer, look and test is drawn from the rows, false ones included; a
repair fails as often as its `right` says. `perturbed`: the machines are not as the planner believes: every row and
frequency of their world differs from the planner's by noise.

Policies, all with the same inference, the same prices, and the same rule when to repair, prove and stop (Planner.decide):

    plan     the next check is the planner's
    fixed    the next check is the first of ORDER that is open: looks, battery, breaker, stator, regulator, then the rest
    talk+    the same after all questions

A visit ends well if what was wrong is mended and the regulator run has proven it. Minutes are those of checks, repairs
and proving runs, all of them, until it ended.
"""

from __future__ import annotations

import argparse
import random
import statistics
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from benchd.core.causes.infer import Model
from benchd.core.causes.knowledge import Item, Knowledge
from benchd.core.causes.plan import Decision, Planner
from benchd.core.causes.standing import PROOF, Standing, standing
from benchd.visits.knowledge import load_knowledge

#: The fixed order: what is seen, battery, breaker, stator, regulator; then what is left, as it comes.
ORDER = (
    "frozen", "battery-case", "terminals", "electrolyte-level", "stator-leads", "regulator-plug", "regulator-case",
    "grounds", "charge", "load", "breaker", "stator", "regulator",
    "switch", "run-machine", "crank", "draw", "drop", "continuity",
)  # fmt: skip
QUESTIONS = (
    "takes-charge", "holds-charge", "runs-down", "onset", "cranks", "hard-start", "added-load", "last-repair", "use",
)  # fmt: skip
POLICIES = ("plan", "fixed", "talk+")
MOST_STEPS = 80
#: A part that costs this much and was not the cause was wasted.
DEAR = 20.0


@dataclass(frozen=True)
class Ended:
    """One visit. `right`: proven, and nothing is left."""

    held: tuple[str, ...]
    right: bool
    proven: bool
    minutes: float
    checks: int
    repairs: int
    wasted: int


@dataclass
class Cases:
    """The machines, each with its own seed: (what is wrong, seed)."""

    name: str
    held: list[tuple[tuple[str, ...], int]] = field(default_factory=list)


def by_frequency(model: Model, visits: int, seed: int) -> Cases:
    dice = np.random.default_rng(seed)
    drawn = dice.choice(len(model.prior), size=visits, p=model.prior / model.prior.sum())
    return Cases("by frequency", [(model.hypotheses[at], seed * 1_000_003 + n) for n, at in enumerate(drawn)])


def evenly(model: Model, visits: int, seed: int) -> Cases:
    """Half of them single causes, half pairs that can be; each alike."""
    dice = random.Random(seed)
    can = [held for held, p in zip(model.hypotheses, model.prior, strict=True) if p > 0]
    ones, twos = ([held for held in can if len(held) == size] for size in (1, 2))
    held = [ones[n // 2 % len(ones)] if n % 2 else dice.choice(twos) for n in range(visits)]
    return Cases("evenly", [(one, seed * 1_000_003 + n) for n, one in enumerate(held)])


def perturbed(knowledge: Knowledge, seed: int, weight: float = 20.0, spread: float = 0.35) -> Knowledge:
    """A world that differs: rows drawn from Dirichlet distributions around the planner's (as if each had been counted on
    `weight` cases), frequencies times lognormal noise."""
    dice = np.random.default_rng(seed)

    def row(given: Sequence[float]) -> tuple[float, ...]:
        there = np.array(given) > 0
        found = np.zeros(len(given))
        found[there] = dice.dirichlet(weight * np.array(given)[there] + 0.02)
        return tuple((found / found.sum()).tolist())

    def item(one: Item) -> Item:
        given = {cause: row(outcomes) for cause, outcomes in one.given.items()}
        return replace(one, background=row(one.background), given=given)

    causes = {
        id: replace(one, frequency=one.frequency * float(np.exp(spread * dice.standard_normal())))
        for id, one in knowledge.causes.items()
    }
    return replace(knowledge, causes=causes, items={id: item(one) for id, one in knowledge.items.items()})


class World:
    """One machine: what is wrong with it, and dice of its own for every item, so that policies meet the same luck."""

    def __init__(self, model: Model, held: tuple[str, ...], seed: int) -> None:
        self.model = model
        self.at_start = self.held = held
        self.seed = seed
        self.times: Counter[str] = Counter()

    def _luck(self, what: str) -> float:
        self.times[what] += 1
        return random.Random(f"{self.seed} {what} {self.times[what]}").random()

    def shows(self, id: str) -> str:
        item = self.model.knowledge.items[id]
        held = self.at_start if item.kind == "question" else self.held
        row = self.model.likelihood(id)[:, self.model.hypotheses.index(held)]
        at = int(np.searchsorted(np.cumsum(row), self._luck(id) * row.sum(), side="right"))
        return item.outcomes[min(at, len(row) - 1)].id

    def mend(self, id: str) -> bool:
        """Whether it was needed."""
        repair = self.model.knowledge.repairs[id]
        needed = any(cause in repair.mends for cause in self.held)
        if self._luck(id) < repair.right:
            self.held = tuple(cause for cause in self.held if cause not in repair.mends)
        return needed


class Visits:
    """Conducts visits by a policy. Decisions are kept: the first ones of all visits are alike."""

    def __init__(self, model: Model, policy: str) -> None:
        self.planner = Planner(model)
        self.model = model
        self.policy = policy
        self.order = {"plan": (), "fixed": ORDER, "talk+": (*QUESTIONS, *ORDER)}[policy]
        self.kept: dict[tuple[object, ...], Decision] = {}

    def conduct(self, world: World) -> Ended:
        now, way = standing(self.model, ()), ()
        minutes, checks, repairs, wasted = 0.0, 0, 0, 0
        items, fixes = self.model.knowledge.items, self.model.knowledge.repairs
        for _ in range(MOST_STEPS):
            made = self.decision(now, way)
            if made.next == "none":
                break
            if made.next == "repair" and made.mend:
                id = made.mend.repair
                needed = world.mend(id)
                wasted += not needed and fixes[id].cost >= DEAR
                minutes, repairs = minutes + fixes[id].minutes, repairs + 1
                now, way = now.repair(id), (*way, id)
                continue
            id = self.check(now, made)
            outcome = world.shows(id)
            minutes += self.model.knowledge.prove_minutes if id == PROOF and now.repaired else items[id].minutes
            checks += 1
            now, way = now.observed(id, outcome), (*way, (id, outcome))
        proven = not now.due()
        return Ended(world.at_start, proven and not world.held, proven, minutes, checks, repairs, wasted)

    def decision(self, now: Standing, way: tuple[object, ...]) -> Decision:
        # What was seen between two repairs is the same in any order.
        cuts = [at for at, one in enumerate(way) if isinstance(one, str)]
        key: tuple[object, ...] = tuple(
            (frozenset(way[start:end]), way[end] if end < len(way) else "")
            for start, end in zip([0, *(at + 1 for at in cuts)], [*cuts, len(way)], strict=True)
        )
        if key not in self.kept:
            self.kept[key] = self.planner.decide(now)
        return self.kept[key]

    def check(self, now: Standing, made: Decision) -> str:
        if made.next == "check" and made.mend is None and now.open(made.chain[-1]):
            for id in self.order:
                chain = now.chain(id) if now.open(id) else None
                if chain:
                    return chain[0]
        return made.chain[0]


def conduct(task: tuple[Knowledge, Knowledge, str, list[tuple[tuple[str, ...], int]]]) -> list[Ended]:
    believed, real, policy, cases = task
    model = Model(believed)
    world = model if real is believed else Model(real)
    visits = Visits(model, policy)
    return [visits.conduct(World(world, held, seed)) for held, seed in cases]


def ways(
    pool: ProcessPoolExecutor, believed: Knowledge, real: Knowledge, cases: Cases, policies: Sequence[str] = POLICIES
) -> dict[str, list[Ended]]:
    futures = {name: pool.submit(conduct, (believed, real, name, cases.held)) for name in policies}
    return {name: future.result() for name, future in futures.items()}


def lines(found: dict[str, list[Ended]]) -> Iterator[str]:
    yield f"    {'':<8}{'right':>8}{'proven':>8}{'minutes':>9}{'of fixed':>9}{'median':>8}{'checks':>8}{'repairs':>8}{'wasted':>8}"
    base = statistics.mean(one.minutes for one in found["fixed"]) if "fixed" in found else float("nan")
    for name, ended in found.items():
        minutes = [one.minutes for one in ended]
        share = [statistics.mean(part) for part in zip(*((one.right, one.proven) for one in ended), strict=True)]
        rest = [statistics.mean(part) for part in zip(*((one.checks, one.repairs, one.wasted) for one in ended), strict=True)]
        yield (
            f"    {name:<8}{share[0]:>8.1%}{share[1]:>8.1%}{statistics.mean(minutes):>9.1f}{statistics.mean(minutes) / base:>9.2f}"
            f"{statistics.median(minutes):>8.0f}{rest[0]:>8.1f}{rest[1]:>8.2f}{rest[2]:>8.2f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--visits", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    knowledge = load_knowledge()
    model = Model(knowledge)
    with ProcessPoolExecutor(given.jobs) as pool:
        for real, cases, name in (
            (knowledge, by_frequency(model, given.visits, given.seed), "by frequency"),
            (knowledge, evenly(model, given.visits, given.seed), "evenly"),
            (perturbed(knowledge, given.seed), by_frequency(Model(perturbed(knowledge, given.seed)), given.visits, given.seed), "perturbed"),
        ):
            start = time.perf_counter()
            found = ways(pool, knowledge, real, cases)
            print(f"{name}, {given.visits} visits, seed {given.seed} ({time.perf_counter() - start:.0f} s)", flush=True)
            print("\n".join(lines(found)), flush=True)


if __name__ == "__main__":
    main()
