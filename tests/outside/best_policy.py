"""The best policy of a small troubleshooting problem by brute force, and what another policy costs on it. Own arithmetic:
shares nothing with benchd.core.causes. One cause at a time (or none), the proof is perfect, every repair cures.

After every result all that may follow is tried: each check not done yet, each repair, the proof. Costs as the plan's
docstring states them: minutes of checks, minutes of a repair and of the proof after it, and what its part cost where it
was not the cause. It ends with a proof that passes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Problem:
    """`prior[0]` is nothing wrong, `prior[h]` cause h alone. `rows[check][h]`: a distribution over its outcomes.
    `minutes`, `parts`: of the repair of each cause (place 0 unused)."""

    prior: tuple[float, ...]
    rows: tuple[tuple[tuple[float, ...], ...], ...]
    check_minutes: tuple[float, ...]
    minutes: tuple[float, ...]
    parts: tuple[float, ...]
    prove: float


@dataclass(frozen=True)
class State:
    """`weights`: joint probability of what was seen and each hypothesis as at the start; `mended`: causes repaired and not
    yet proven; `proven`: a proof was made since the last repair (and failed, else it would be over)."""

    weights: tuple[float, ...]
    done: frozenset[int] = frozenset()
    mended: frozenset[int] = frozenset()
    proven: bool = False

    @property
    def mass(self) -> float:
        return sum(self.weights)

    def wrong(self, h: int) -> bool:
        return h > 0 and h not in self.mended


Action = tuple[str, int]


@dataclass
class Solver:
    problem: Problem
    kept: dict[object, float] = field(default_factory=dict)

    def start(self) -> State:
        return State(self.problem.prior)

    def actions(self, state: State) -> list[Action]:
        checks = [("check", at) for at in range(len(self.problem.rows)) if at not in state.done]
        repairs = [("repair", h) for h in range(1, len(state.weights)) if state.wrong(h) and state.weights[h] > 1e-12]
        return [*checks, *repairs] + ([] if state.proven else [("prove", 0)])

    def after(self, state: State, action: Action) -> tuple[float, list[State]]:
        """(minutes times probability, what may come)."""
        kind, at = action
        p, problem = state.mass, self.problem
        if kind == "check":
            rows = problem.rows[at]
            states = [
                State(
                    tuple(w * rows[h if state.wrong(h) else 0][outcome] for h, w in enumerate(state.weights)),
                    state.done | {at},
                    state.mended,
                    state.proven,
                )
                for outcome in range(len(rows[0]))
            ]
            return p * problem.check_minutes[at], [one for one in states if one.mass > 1e-12]
        if kind == "repair":
            spent = p * problem.minutes[at] + problem.parts[at] * (p - state.weights[at])
            return spent, [State(state.weights, state.done, state.mended | {at}, False)]
        failed = tuple(w if state.wrong(h) else 0.0 for h, w in enumerate(state.weights))
        left = State(failed, state.done, frozenset(), True)
        return p * problem.prove, [left] if left.mass > 1e-12 else []

    def least(self, state: State) -> float:
        """Less it cannot be: the repair of what is wrong and one proof, if somebody knew."""
        if state.proven and not state.mended:
            known = [w * (self.problem.minutes[h] + self.problem.prove) for h, w in enumerate(state.weights) if h]
            return sum(known)
        wrong = sum(w * self.problem.minutes[h] for h, w in enumerate(state.weights) if state.wrong(h))
        return wrong + state.mass * self.problem.prove

    def best(self, state: State) -> float:
        """The least expected minutes from here, times the state's probability."""
        mass = state.mass
        shares = tuple(round(w / mass, 10) for w in state.weights)
        key = (shares, state.done, state.mended, state.proven)
        if key not in self.kept:
            found = float("inf")
            tried = []
            for action in self.actions(state):
                spent, states = self.after(state, action)
                tried.append((spent + sum(self.least(one) for one in states), spent, states))
            for bound, _, states in sorted(tried, key=lambda one: one[0]):
                value = bound
                for one in states:
                    if value >= found:
                        break
                    value += self.best(one) - self.least(one)
                found = min(found, value)
            self.kept[key] = found / mass
        return self.kept[key] * mass

    def follow(
        self, state: State, policy: Callable[[tuple[object, ...]], Action], way: tuple[object, ...] = ()
    ) -> float:
        """What a policy costs from here, times the state's probability. It is asked with the way so far: ('check', at,
        outcome), ('repair', h), ('failed',)."""
        action = policy(way)
        kind, at = action
        spent, states = self.after(state, action)
        if kind == "check":
            rows = self.problem.rows[at]
            outcomes = [
                outcome
                for outcome in range(len(rows[0]))
                if sum(w * rows[h if state.wrong(h) else 0][outcome] for h, w in enumerate(state.weights)) > 1e-12
            ]
            ways = [(*way, ("check", at, outcome)) for outcome in outcomes]
        else:
            ways = [(*way, ("repair", at) if kind == "repair" else ("failed",))] * len(states)
        return spent + sum(self.follow(one, policy, next_) for one, next_ in zip(states, ways, strict=True))
