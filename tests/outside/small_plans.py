"""Small problems as a causes file says them, and the plan as a policy for best_policy.Solver."""

from __future__ import annotations

import random

from best_policy import Action, Problem

from benchd.core.causes.infer import Model
from benchd.core.causes.knowledge import Cause, Item, Knowledge, Outcome, Repair
from benchd.core.causes.plan import Planner
from benchd.core.causes.standing import PROOF, standing
from benchd.core.visit import Mended, Observed


def drawn(seed: int, causes: int, checks: int) -> Problem:
    dice = random.Random(seed)

    def row(bad: bool, outcomes: int) -> tuple[float, ...]:
        shape = [0.6] * outcomes
        shape[dice.randrange(1, outcomes) if bad else 0] = 8.0 if bad else 12.0
        drawn = [dice.gammavariate(one, 1.0) for one in shape]
        return tuple(one / sum(drawn) for one in drawn)

    weights = [dice.uniform(0.05, 1.0) for _ in range(causes)]
    rows = []
    for _ in range(checks):
        outcomes = dice.choice((2, 3))
        usual = row(False, outcomes)
        rows.append((usual, *(noisy(row(True, outcomes), usual) if dice.random() < 0.5 else usual for _ in weights)))
    return Problem(
        (0.02, *(0.98 * one / sum(weights) for one in weights)),
        tuple(rows),
        tuple(dice.uniform(1, 12) for _ in rows),
        (0.0, *(dice.uniform(5, 60) for _ in weights)),
        (0.0, *(dice.uniform(0, 100) for _ in weights)),
        12.0,
    )


def noisy(one: tuple[float, ...], other: tuple[float, ...]) -> tuple[float, ...]:
    """The distribution of the later of two draws."""
    below = [sum(one[: at + 1]) * sum(other[: at + 1]) for at in range(len(one))]
    return tuple(now - before for now, before in zip(below, [0.0, *below], strict=False))


def knowledge(problem: Problem) -> Knowledge:
    """The same problem as a causes file says it: the row of a cause is what it makes of the background."""
    ids = [f"c{h}" for h in range(1, len(problem.prior))]
    items = {}
    for at, rows in enumerate(problem.rows):
        usual = rows[0]
        given = {
            id: unmixed(rows[h], usual)
            for h, id in enumerate(ids, 1)
            if max(map(abs, map(float.__sub__, rows[h], usual))) > 1e-12
        }
        outcomes = tuple(Outcome(f"o{n}", f"outcome {n}") for n in range(len(usual)))
        items[f"k{at}"] = Item(
            f"k{at}", "look", f"look {at}", outcomes, usual, given, "computed", problem.check_minutes[at]
        )
    shown = (Outcome("good", "good"), Outcome("bad", "bad"))
    items[PROOF] = Item(
        PROOF, "test", "run", shown, (1.0, 0.0), dict.fromkeys(ids, (0.0, 1.0)), "computed", problem.prove
    )
    return Knowledge(
        {id: Cause(id, id, "battery", problem.prior[h], "computed") for h, id in enumerate(ids, 1)},
        items,
        {
            f"r{h}": Repair(
                f"r{h}", f"mend {h}", (id,), ("battery",), problem.minutes[h], problem.parts[h], "computed", 1.0
            )
            for h, id in enumerate(ids, 1)
        },
        nothing=problem.prior[0],
        two=0.0,
        prove_minutes=problem.prove,
    )


def unmixed(mixed: tuple[float, ...], usual: tuple[float, ...]) -> tuple[float, ...]:
    below = [sum(mixed[: at + 1]) / sum(usual[: at + 1]) for at in range(len(mixed))]
    return tuple(max(now - before, 0.0) for now, before in zip(below, [0.0, *below], strict=False))


def cut(shipped: Knowledge, seed: int, causes: int, checks: int) -> Problem:
    """A small problem out of a large causes file: so many of its causes, one at a time, and the looks and tests that say
    most of them. Needs are left out; the proof is perfect."""
    dice = random.Random(seed)
    ids = sorted(shipped.causes)
    chosen = dice.sample(ids, causes, counts=[max(1, round(200 * shipped.causes[id].frequency)) for id in ids])
    chosen = sorted(set(chosen))
    items = [one for one in shipped.items.values() if one.id != PROOF and any(id in one.given for id in chosen)]
    items = dice.sample(items, min(checks, len(items)))
    rows = []
    for item in items:
        usual = item.background
        rows.append((usual, *(noisy(item.given[id], usual) if id in item.given else usual for id in chosen)))
    cures = [
        min((r for r in shipped.repairs.values() if id in r.mends), key=lambda r: r.minutes + r.cost) for id in chosen
    ]
    weights = [shipped.causes[id].frequency for id in chosen]
    return Problem(
        (0.02, *(0.98 * one / sum(weights) for one in weights)),
        tuple(rows),
        tuple(item.minutes for item in items),
        (0.0, *(one.minutes for one in cures)),
        (0.0, *(one.cost for one in cures)),
        shipped.prove_minutes,
    )


class Ours:
    """The plan as a policy. What was done once is not done again here, since the other may not either."""

    def __init__(self, problem: Problem) -> None:
        self.model = Model(knowledge(problem))
        self.planner = Planner(self.model)
        self.kept: dict[tuple[object, ...], Action] = {}

    def __call__(self, way: tuple[object, ...]) -> Action:
        if way not in self.kept:
            self.kept[way] = self._next(way)
        return self.kept[way]

    def _next(self, way: tuple[object, ...]) -> Action:
        evidence: list[Observed | Mended] = []
        done = set()
        for at, step in enumerate(way):
            kind, *rest = step  # type: ignore[misc]
            if kind == "check":
                done.add(f"k{rest[0]}")
                evidence.append(Observed((0, at), f"k{rest[0]}", f"o{rest[1]}"))
            elif kind == "repair":
                evidence.append(Mended((0, at), (f"c{rest[0]}",), ("battery",), f"r{rest[0]}"))
            else:
                evidence.append(Observed((0, at), PROOF, "bad"))
        made = self.planner.decide(standing(self.model, evidence, done))
        if made.next == "repair" and made.mend:
            return ("repair", int(made.mend.repair[1:]))
        return ("prove", 0) if made.chain[0] == PROOF else ("check", int(made.chain[0][1:]))
