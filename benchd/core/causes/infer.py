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

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from benchd.core.causes.answers import Ranked, Ranking, Reason
from benchd.core.causes.knowledge import Item, Knowledge
from benchd.core.visit import Mended, Observed

Array: TypeAlias = NDArray[np.float64]
Evidence: TypeAlias = Sequence[Observed | Mended]

#: Beside 0, where a logarithm or odds are asked for.
FLOOR = 1e-12
SOFT = 1e-6

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
        number = {cause: at for at, cause in enumerate(self.causes)}
        none = len(self.causes)
        held = np.array([([number[one] for one in held] + [none, none])[:2] for held in self.hypotheses])
        self._tables = {id: _table(item, self.causes, held) for id, item in knowledge.items.items()}
        self._surprises: dict[str, tuple[Array, Array]] = {}
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

    def surprise(self, item: str) -> tuple[Array, Array]:
        """[H] each: mean and variance of -log(probability of what is seen), if a hypothesis is true."""
        if item not in self._surprises:
            table = self._tables[item]
            told = -np.log(np.maximum(table, FLOOR))
            mean = (table * told).sum(axis=0)
            self._surprises[item] = mean, (table * told**2).sum(axis=0) - mean**2
        return self._surprises[item]

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
        """[outcomes]: how probable each outcome of an item is now. (Not of a question after a repair: its answer is about
        the time before.)"""
        found: Array = self.model.likelihood(item) @ self.posterior
        return found

    def causes(self) -> Array:
        """[N]: how probable each cause is now."""
        found: Array = self.posterior @ self.model.members
        return found


def believe(model: Model, evidence: Evidence) -> Belief:
    """The belief after this evidence, given in any order; see `counted`."""
    return _followed(model, counted(model, evidence))


def posterior(model: Model, evidence: Evidence) -> Array:
    """[H]: how probable each hypothesis is as the machine stands NOW, after the repairs."""
    return believe(model, evidence).posterior


def counted(model: Model, evidence: Evidence) -> list[Observed | Mended]:
    """The evidence that counts, in the order in which it works on the belief: answers to questions first, the rest by
    its `at`. Of one item the newest counts between two repairs. Items, outcomes and causes that the knowledge does not
    have (an order of an older file) are passed over.
    """
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


def _followed(model: Model, counts: Evidence) -> Belief:
    belief = model.start()
    for one in counts:
        belief = _step(model, one)(belief)
    if belief.weights.sum() > 0:
        return belief
    # What cannot be has been seen: better almost impossible everywhere than no answer at all.
    return _followed(_Softened(model), counts)


def _step(model: Model, one: Observed | Mended) -> Callable[[Belief], Belief]:
    """What one piece of evidence does to a belief, made ready to be done often."""
    if isinstance(one, Mended):
        right = _right(model.knowledge, one.repair)
        return lambda belief: belief.mended(one.mends, right)
    likely = model.likely(one.item, one.outcome)
    return lambda belief: Belief(model, belief.weights * likely)


def _without_each(model: Model, counts: Evidence) -> list[Belief]:
    """For every piece of evidence the belief after all others."""
    steps = [_step(model, one) for one in counts]
    found, belief = [], model.start()
    for at, step in enumerate(steps):
        rest = belief
        for later in steps[at + 1 :]:
            rest = later(rest)
        found.append(rest)
        belief = step(belief)
    return found


class _Softened(Model):
    """A model to which nothing is quite impossible."""

    def __init__(self, model: Model) -> None:
        super().__init__(model.knowledge)
        self._tables = {
            id: (1 - len(table) * SOFT) * table + SOFT
            for id, table in ((one, model.likelihood(one)) for one in model.knowledge.items)
        }


def _right(knowledge: Knowledge, repair: str) -> float:
    found = knowledge.repairs.get(repair)
    return RIGHT if found is None else found.right


# --- the ranking --------------------------------------------------------------------------------------------------------

#: Reasons that move the odds of a cause by less than this part are not told.
TOLD = 0.05
#: Factors are told up to this and down to its inverse, which stand for certain.
CERTAIN = 1e9
#: So many standard deviations more surprising than any hypothesis lets expect is a conflict.
CONFLICT = 3.0
ELSEWHERE = {"starting": "the starting circuit", "engine": "the engine", "use": "the way it is used"}


def rank(knowledge: Knowledge | Model, evidence: Evidence) -> Ranking:
    """Every cause with its probability now, and what moved it.

    A reason's factor is exact: the odds of the cause with all evidence, over its odds with all but this one piece. Give
    a Model where many rankings of one knowledge are wanted.
    """
    model = knowledge if isinstance(knowledge, Model) else Model(knowledge)
    counts = counted(model, evidence)
    belief = _followed(model, counts)
    odds = _odds(belief)
    factors = [odds / _odds(one) for one in _without_each(belief.model, counts)]
    now, before = belief.causes(), model.start().causes()
    texts = [_text(model.knowledge, one) for one in counts]
    causes = [
        Ranked(
            cause.id,
            cause.title,
            cause.system,
            float(now[at]),
            float(before[at]),
            cause.advice,
            _reasons(counts, texts, [float(one[at]) for one in factors]),
        )
        for at, cause in enumerate(model.knowledge.causes.values())
    ]
    causes.sort(key=lambda one: -one.probability)
    shares = belief.posterior
    best = np.argsort(-shares, kind="stable")[:8]
    sets = tuple((model.hypotheses[at], float(shares[at])) for at in best if shares[at] >= 0.001)
    return Ranking(tuple(causes), sets, float(shares[0]), _elsewhere(model, belief, causes), _conflict(model, counts))


def _odds(belief: Belief) -> Array:
    """[N]: odds of every cause, never 0 nor infinite."""
    there = belief.weights @ belief.model.members
    not_there = belief.weights @ ~belief.model.members
    total = belief.weights.sum()
    found: Array = np.maximum(there, FLOOR * total) / np.maximum(not_there, FLOOR * total)
    return found


def _reasons(counts: Evidence, texts: Sequence[str], factors: Sequence[float]) -> tuple[Reason, ...]:
    told = [
        Reason(*_of(one), text, min(max(factor, 1 / CERTAIN), CERTAIN))
        for one, text, factor in zip(counts, texts, factors, strict=True)
        if abs(math.log(factor)) > TOLD
    ]
    return tuple(sorted(told, key=lambda one: -abs(math.log(one.factor))))


def _of(one: Observed | Mended) -> tuple[str, str]:
    return (one.repair or "repair", "done") if isinstance(one, Mended) else (one.item, one.outcome)


def _text(knowledge: Knowledge, one: Observed | Mended) -> str:
    """'How does it crank? clicks only', 'Load test: holds', 'Repaired: Mend the ground'."""
    if isinstance(one, Mended):
        repair = knowledge.repairs.get(one.repair)
        named = [knowledge.causes[id].title for id in one.mends if id in knowledge.causes]
        return f"Repaired: {repair.title if repair else ', '.join(named) or 'something else'}"
    item = knowledge.items[one.item]
    return f"{item.text}{'' if item.text.endswith('?') else ':'} {item.outcomes[item.index(one.outcome)].text}"


def _elsewhere(model: Model, belief: Belief, ranked: Sequence[Ranked]) -> str:
    """Where most of the belief is in causes outside the charging system."""
    outside = np.array([cause.system in ELSEWHERE for cause in model.knowledge.causes.values()])
    if not outside.any():
        return ""
    share = float(belief.posterior @ (model.members @ outside))
    if share < 0.5:
        return ""
    first = next(one for one in ranked if one.system in ELSEWHERE)
    return (
        f"This points to {ELSEWHERE[first.system]} ({first.title}, {percent(first.probability)}), "
        "not to the charging system."
    )


def _conflict(model: Model, counts: Evidence) -> str:
    """Where what was found since the last repair is far more surprising than any hypothesis lets expect."""
    since: list[Observed] = []
    for one in counts:
        since = [] if isinstance(one, Mended) else [*since, one]
    if len(since) < 2:
        return ""
    told = np.array([-np.log(np.maximum(model.likely(one.item, one.outcome), FLOOR)) for one in since])
    expected = [model.surprise(one.item) for one in since]
    over = told - np.array([mean for mean, _ in expected])
    spread = np.sqrt(np.maximum(sum(variance for _, variance in expected), FLOOR))
    far = over.sum(axis=0) / spread
    best = int(np.argmin(far))
    if far[best] < CONFLICT:
        return ""
    odd = since[int(np.argmax(over[:, best]))]
    return (
        f"What was found hardly fits together, whatever is wrong. Check this again first: "
        f"'{_text(model.knowledge, odd)}'. Else more than two things are wrong, or something that is in no list."
    )


def percent(probability: float) -> str:
    """In percent, never claiming to be certain."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


# --- what the model is made of ----------------------------------------------------------------------------------------


def _table(item: Item, causes: Sequence[str], held: NDArray[np.int64]) -> Array:
    """[outcomes, H] by noisy-max: at most the k-th outcome comes out if everything that is there drew at most that.

    `held` [H, 2]: the places of the hypotheses' causes; what is not there has the place behind the last.
    """
    silent = np.ones(len(item.outcomes))
    rows = [np.cumsum(item.given[one]) if one in item.given else silent for one in causes]
    below = np.stack([*rows, silent])
    most = np.cumsum(item.background) * below[held[:, 0]] * below[held[:, 1]]
    found: Array = np.maximum(np.diff(most.T, axis=0, prepend=0.0), 0.0)
    return found


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
    with np.errstate(divide="ignore"):  # never together: a logarithm of -inf, a weight of 0
        weights = np.log([times.get(frozenset(held), 1.0) for held in hypotheses[1:]])
    prior[1:] = (1 - knowledge.nothing) * _solved(weights, members[1:].astype(float), share * (1 + two))
    return prior


def _solved(base: Array, held: Array, wanted: Array) -> Array:
    """The distribution exp(base + held @ theta) / Z with held.T @ it = wanted: the least value of a convex function, by
    Newton's steps, shortened (Levenberg, Marquardt) where they lead too far."""
    theta, damp = np.log(wanted), 1e-3
    value, found = _weighed(base, held, wanted, theta)
    for _ in range(400):
        mean = held.T @ found
        gap = wanted - mean
        if np.abs(gap).max() < 1e-12:
            return found
        spread = (held.T * found) @ held - np.outer(mean, mean)
        spread[np.diag_indices_from(spread)] *= 1 + damp
        step = np.linalg.solve(spread + 1e-15 * np.eye(len(gap)), gap)
        tried, there = _weighed(base, held, wanted, theta + step)
        better = tried < value or np.abs(held.T @ there - wanted).max() < np.abs(gap).max()
        if better and np.abs(step).max() < 30:
            theta, value, found, damp = theta + step, tried, there, max(damp / 10, 1e-13)
        else:
            damp *= 10
    raise ValueError(
        "the frequencies of the causes do not go with `two` and `together`: too many causes exclude one another"
    )


def _weighed(base: Array, held: Array, wanted: Array, theta: Array) -> tuple[float, Array]:
    """The function whose least value is where the distribution has the wanted means, and the distribution."""
    raised = base + held @ theta
    top = raised.max()
    shares = np.exp(raised - top)
    return float(top + np.log(shares.sum()) - wanted @ theta), shares / shares.sum()
