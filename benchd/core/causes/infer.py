"""Which causes are how probable, and why: exact inference over none, one and two causes at once.

A hypothesis is a set of at most two causes. There are few enough of them (352 for 26 causes) to hold a probability for
each and to multiply it with what every piece of evidence says: nothing is approximated, nothing sampled.

**Prior.** Each cause is there or not by itself; `nothing` is the share of visits where nothing is wrong, `two` that of
visits with two causes; pairs of `together` count so many times. The weights are solved for so that every cause comes
up as often as its frequency says (frequencies are taken in proportion to one another, to fit `nothing` and `two`).

**Evidence.** Noisy-max (see knowledge.py). What is not answered is not there, and says nothing.

**Repairs.** Evidence is about the machine as it stood then. A repair done right (Repair.right) takes away what it mends,
else it changes nothing; both are followed. What the operator tells is about the time before the visit, whenever he is
asked, so answers to questions always speak of the machine as it came in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from benchd.core.causes.knowledge import Item, Knowledge
from benchd.core.visit import Mended, Observed

Array: TypeAlias = NDArray[np.float64]
Evidence: TypeAlias = Sequence[Observed | Mended]

#: How often a repair that is in no list cures what it was for.
RIGHT = 0.97


class Model:
    """Knowledge made ready to be asked often; make it once. N causes, H hypotheses (none, every one, every two)."""

    def __init__(self, knowledge: Knowledge) -> None:
        self.knowledge = knowledge
        self.causes: tuple[str, ...] = tuple(knowledge.causes)
        pairs = combinations(self.causes, 2)
        self.hypotheses: tuple[tuple[str, ...], ...] = ((), *((one,) for one in self.causes), *pairs)
        #: bool[H, N]: which hypothesis holds which cause.
        self.members: NDArray[np.bool_] = np.array(
            [[cause in held for cause in self.causes] for held in self.hypotheses], dtype=bool
        ).reshape(len(self.hypotheses), len(self.causes))
        self.prior: Array = _prior(knowledge, self.members, self.hypotheses)
        self._places = {frozenset(held): at for at, held in enumerate(self.hypotheses)}
        self._tables = {id: _table(item, self.causes, self.members) for id, item in knowledge.items.items()}
        self._without: dict[frozenset[str], NDArray[np.int64]] = {}

    def likelihood(self, item: str) -> Array:
        """[outcomes, H]: how probable each outcome is under each hypothesis. KeyError if there is no such item."""
        return self._tables[item]

    def likely(self, item: str, outcome: str) -> Array:
        """[H]: how probable one outcome is under each hypothesis."""
        row: Array = self._tables[item][self.knowledge.items[item].index(outcome)]
        return row

    def without(self, mends: Sequence[str]) -> NDArray[np.int64]:
        """[H]: the place of the hypothesis that is left of each when these causes are gone."""
        gone = frozenset(mends)
        if gone not in self._without:
            self._without[gone] = np.array([self._places[frozenset(held) - gone] for held in self.hypotheses])
        return self._without[gone]

    def start(self) -> Belief:
        return Belief(self, self.prior)


@dataclass(frozen=True, slots=True)
class Belief:
    """Probabilities of the hypotheses as the machine stands now. `weights` [H] adds up to the probability of all that
    was observed so far (1 at the start)."""

    model: Model
    weights: Array

    @property
    def posterior(self) -> Array:
        """[H], adding up to 1; nan if what was observed cannot be."""
        found: Array = self.weights / self.weights.sum()
        return found

    def observed(self, item: str, outcome: str) -> Belief:
        return Belief(self.model, self.weights * self.model.likely(item, outcome))

    def mended(self, mends: Sequence[str], right: float = RIGHT) -> Belief:
        """After a repair that takes these causes away with probability `right`, else changes nothing."""
        places = self.model.without(mends)
        moved = np.bincount(places, weights=self.weights, minlength=len(self.weights))
        return Belief(self.model, right * moved + (1 - right) * self.weights)

    def outcomes(self, item: str) -> Array:
        """[outcomes]: how probable each outcome of an item is now."""
        found: Array = self.model.likelihood(item) @ self.posterior
        return found

    def causes(self) -> Array:
        """[N]: how probable each cause is now."""
        found: Array = self.posterior @ self.model.members
        return found


def believe(model: Model, evidence: Evidence) -> Belief:
    """The belief after this evidence, of any order: `at` sorts it, answers to questions come first.

    Of one item the newest counts between two repairs. Items, outcomes and causes that the knowledge does not have
    (an order of an older file) are passed over.
    """
    belief = model.start()
    for one in counted(model, evidence):
        if isinstance(one, Observed):
            belief = belief.observed(one.item, one.outcome)
        else:
            belief = belief.mended(one.mends, _right(model.knowledge, one.repair))
    return belief


def posterior(model: Model, evidence: Evidence) -> Array:
    """[H]: how probable each hypothesis is as the machine stands NOW, after the repairs."""
    return believe(model, evidence).posterior


def counted(model: Model, evidence: Evidence) -> list[Observed | Mended]:
    """The evidence that counts, in the order in which it works on the belief."""
    known = [one for one in evidence if isinstance(one, Mended) or _known(model.knowledge, one)]
    asked: dict[str, Observed | Mended] = {}
    found: list[Observed | Mended] = []
    since: dict[str, Observed | Mended] = {}
    for one in sorted(known, key=lambda one: one.at):
        if isinstance(one, Mended):
            found += [*since.values(), one]
            since = {}
        elif model.knowledge.items[one.item].kind == "question":
            asked[one.item] = one
        else:
            since[one.item] = one
    return [*asked.values(), *found, *since.values()]


def _known(knowledge: Knowledge, one: Observed) -> bool:
    item = knowledge.items.get(one.item)
    return item is not None and any(outcome.id == one.outcome for outcome in item.outcomes)


def _right(knowledge: Knowledge, repair: str) -> float:
    found = knowledge.repairs.get(repair)
    return RIGHT if found is None else found.right


# --- what the model is made of ----------------------------------------------------------------------------------------


def _table(item: Item, causes: Sequence[str], members: NDArray[np.bool_]) -> Array:
    """[outcomes, H] by noisy-max: at most the k-th outcome comes out if everything that is there drew at most that."""
    silent = np.ones(len(item.outcomes))
    below = np.array([np.cumsum(item.given[one]) if one in item.given else silent for one in causes])
    most = np.cumsum(item.background)[:, None] * np.ones(len(members))
    for at in range(len(causes)):
        most = np.where(members[:, at], most * below[at][:, None], most)
    found: Array = np.diff(most, axis=0, prepend=0.0)
    return np.maximum(found, 0.0)


def _prior(knowledge: Knowledge, members: NDArray[np.bool_], hypotheses: Sequence[tuple[str, ...]]) -> Array:
    """[H]: `nothing` for the empty one, the rest so that every cause comes up by its frequency."""
    prior = np.zeros(len(hypotheses))
    prior[0] = knowledge.nothing
    if len(hypotheses) == 1:
        prior[0] = 1.0
        return prior
    frequency = np.array([one.frequency for one in knowledge.causes.values()])
    share = frequency / frequency.sum()
    # No cause can be in more visits than there are: with very unequal frequencies there are fewer pairs.
    two = min(knowledge.two / (1 - knowledge.nothing), 0.5 * (1 / share.max() - 1))
    if two <= 0:
        prior[1 : 1 + len(share)] = (1 - knowledge.nothing) * share
        return prior
    times = {frozenset((one.first, one.second)): one.times for one in knowledge.together}
    weights = np.log([times.get(frozenset(held), 1.0) for held in hypotheses[1:]])
    prior[1:] = (1 - knowledge.nothing) * _solved(weights, members[1:].astype(float), share * (1 + two))
    return prior


def _solved(base: Array, held: Array, wanted: Array) -> Array:
    """The distribution exp(base + held @ theta) / Z with held.T @ it = wanted: Newton's way on a convex function."""
    theta = np.log(wanted)

    def of(theta: Array) -> tuple[float, Array]:
        raised = base + held @ theta
        top = raised.max()
        shares = np.exp(raised - top)
        return float(top + np.log(shares.sum()) - wanted @ theta), shares / shares.sum()

    value, found = of(theta)
    for _ in range(200):
        gap = wanted - held.T @ found
        if np.abs(gap).max() < 1e-13:
            break
        mean = held.T @ found
        spread = (held.T * found) @ held - np.outer(mean, mean)
        step, size = np.linalg.solve(spread + 1e-14 * np.eye(len(gap)), gap), 1.0
        while size > 1e-8:
            tried, there = of(theta + size * step)
            if tried <= value + 1e-12:
                break
            size /= 2
        theta, value, found = theta + size * step, tried, there
    return found
