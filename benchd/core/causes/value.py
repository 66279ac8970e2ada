"""What a belief is worth: minutes (or money) still to come, and what each check or repair would make of them. Numbers only.

Written W: weights of the hypotheses [..., H], adding up to the probability of the branch they belong to, so that values
of branches just add up. Masses and minutes in, expected minutes out.

A repair's price is its minutes and the proving run after it (`base`), and what the part costs where it was not the cause
(`waste`). Being wrong at the end costs `back`: the machine comes back. Three figures of a belief:

    blind(W)   repairs alone, the likeliest for its price first, each proven, until it pays better to stop
    floor(W)   if somebody knew: every cause's own repair, nothing else. Linear, so no check changes its expectation
    excess     blind - floor: what not knowing costs. Checks are done to take it away
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.core.causes.infer import Array, Model
from benchd.core.causes.knowledge import Item, Repair
from benchd.core.causes.standing import PROOF

#: One unit of money in minutes of the bench, for `by="minutes"`: a wrong part is as bad as so many minutes. Estimate.
MINUTES_PER_COST = 1.0
#: What one minute of the bench costs, for `by="cost"`. Estimate.
COST_PER_MINUTE = 1.0
#: The machine comes back: a day of the bench lost, and some of the customer's trust. Estimate.
BACK_MINUTES = 480.0
#: Groups of causes less probable than this are left out of the values (never out of the belief).
LEAST_GROUP = 2e-3


@dataclass(frozen=True, slots=True)
class Prices:
    """What steps cost in the unit that is minimised."""

    by: str = "minutes"
    back: float = BACK_MINUTES

    def time(self, minutes: float) -> float:
        return minutes if self.by == "minutes" else COST_PER_MINUTE * minutes

    def item(self, item: Item) -> float:
        """At least a trifle, so that nothing is done for nothing."""
        return max(self.time(item.minutes) + (0.0 if self.by == "minutes" else item.cost), 0.05)

    def waste(self, repair: Repair) -> float:
        return repair.cost * (MINUTES_PER_COST if self.by == "minutes" else 1.0)


class Worth:
    """The values of one model under one kind of price. G groups of causes: alike in their cheapest repair and in whether
    the proving run shows them."""

    def __init__(self, model: Model, prices: Prices) -> None:
        knowledge = model.knowledge
        self.model = model
        self.prices = prices
        self.price = {id: prices.item(item) for id, item in knowledge.items.items()}
        self.base = {id: prices.time(one.minutes + knowledge.prove_minutes) for id, one in knowledge.repairs.items()}
        self.waste = {id: prices.waste(one) for id, one in knowledge.repairs.items()}
        cures = [self._cure(cause) for cause in model.causes]
        seen = [self._seen(cause) for cause in model.causes]
        groups = [(cure, told >= 0.5) for cure, told in zip(cures, seen, strict=True)]
        self.groups = tuple(dict.fromkeys(one for one in groups if one[0] is not None))
        belongs = np.array([[mine == one for one in self.groups] for mine in groups], dtype=float)
        needs = (model.members.astype(float) @ belongs.reshape(len(cures), -1) > 0).astype(float)
        repairs = [knowledge.repairs[str(id)] for id, _ in self.groups]
        # A repair that does not always cure is done as often again.
        self._base = np.array([self.base[one.id] / max(one.right, 0.1) for one in repairs])
        self._waste = np.array([self.waste[one.id] for one in repairs])
        self._prove = prices.time(knowledge.prove_minutes)
        self._seen_by_proof = belongs.T @ np.array(seen) / np.maximum(belongs.sum(axis=0), 1.0)
        floor = np.minimum(needs @ self._base, prices.back)
        # A cause that no repair mends costs the same whatever is done: it is left out.
        wrong = needs.max(axis=1, initial=0.0)
        #: [H, G+3]: by one product W @ table come the masses of each group's causes, of all, of wrong, and the floor.
        self.table: Array = np.column_stack([needs, np.ones(len(needs)), wrong, floor])
        mends = np.array([[cause in one.mends for cause in model.causes] for one in knowledge.repairs.values()], float)
        members = model.members.astype(float)
        #: [H, repairs]: which hypothesis holds something that a repair (of all of the knowledge) mends.
        self.needed: Array = (members @ mends.reshape(-1, len(cures)).T > 0).astype(float)
        cheapest = np.array([self.waste[cure] if cure else 0.0 for cure in cures])
        spared = members @ (mends.reshape(-1, len(cures)) * cheapest).T
        #: [H, repairs]: what a repair's part costs beyond what would have mended the same; all of it, if nothing.
        self.wasted: Array = np.maximum(np.array(list(self.waste.values())) - spared, 0.0)

    def _cure(self, cause: str) -> str | None:
        fit = [id for id, one in self.model.knowledge.repairs.items() if cause in one.mends]
        return min(fit, key=lambda id: self.base[id] + self.waste[id], default=None)

    def _seen(self, cause: str) -> float:
        """How probably the proving run shows a cause."""
        item = self.model.knowledge.items.get(PROOF)
        return 1.0 if item is None else 1.0 - item.given.get(cause, (1.0,))[0]

    def columns(self, belief: Array) -> NDArray[np.int64]:
        """The columns of `table` that count under this belief: groups that are not all but out of the question."""
        there = np.flatnonzero(belief @ self.table[:, :-3] > LEAST_GROUP)
        return np.concatenate([there, len(self.groups) + np.arange(3)])

    def blind(self, found: Array, columns: NDArray[np.int64]) -> tuple[Array, Array]:
        """(blind, excess) from W @ table[:, columns].

        What the proving run shows is mended only where it is still there; what it does not show, in any case.
        """
        mass, total, wrong, floor = found[..., :-3], found[..., -3, None], found[..., -2, None], found[..., -1]
        if not mass.shape[-1]:
            return floor, np.zeros_like(floor)
        groups = columns[:-3]
        base, waste = self._base[groups], self._waste[groups]
        told = self._seen_by_proof[groups]
        order = np.argsort(-mass / ((base + waste) * (total - told * (total - wrong)) + 1e-12), axis=-1)
        sorted_mass = np.take_along_axis(mass, order, axis=-1)
        left = np.minimum(np.cumsum(sorted_mass[..., ::-1], axis=-1)[..., ::-1], wrong)  # still wrong before each
        done = total - told[order] * (total - left)
        spent = done * base[order] + waste[order] * np.maximum(done - sorted_mass, 0.0)
        upto = np.cumsum(spent, axis=-1)
        stop = (upto - spent + self.prices.back * left).min(axis=-1)
        # Where nothing may be wrong, a proof tells whether anything is, or the first repair is done for nothing.
        first, price = order[..., 0], base + waste
        at_once = (total - left)[..., 0] * (told * price)[first]
        value = np.minimum(stop, upto[..., -1]) + np.minimum(self._prove * wrong[..., 0], at_once)
        return value, np.maximum(value - floor, 0.0)
