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

from benchd.core.causes.infer import Array, Model
from benchd.core.causes.knowledge import Item, Repair

#: One unit of money in minutes of the bench, for `by="minutes"`: a wrong part is as bad as so many minutes. Estimate.
MINUTES_PER_COST = 1.0
#: What one minute of the bench costs, for `by="cost"`. Estimate.
COST_PER_MINUTE = 1.0
#: The machine comes back: minutes lost then. Estimate.
BACK_MINUTES = 240.0


@dataclass(frozen=True, slots=True)
class Prices:
    """What steps cost in the unit that is minimised."""

    by: str = "minutes"
    back: float = BACK_MINUTES

    def item(self, item: Item) -> float:
        """At least a trifle, so that nothing is done for nothing."""
        minutes = item.minutes if self.by == "minutes" else COST_PER_MINUTE * item.minutes + item.cost
        return max(minutes, 0.05)

    def work(self, repair: Repair, prove_minutes: float) -> float:
        minutes = repair.minutes + prove_minutes
        return minutes if self.by == "minutes" else COST_PER_MINUTE * minutes

    def waste(self, repair: Repair) -> float:
        return repair.cost * (MINUTES_PER_COST if self.by == "minutes" else 1.0)


class Worth:
    """The values of one model under one kind of price. R repairs that are the cheapest cure of some cause."""

    def __init__(self, model: Model, prices: Prices) -> None:
        knowledge = model.knowledge
        self.model = model
        self.prices = prices
        self.price = {id: prices.item(item) for id, item in knowledge.items.items()}
        self.base = {id: prices.work(one, knowledge.prove_minutes) for id, one in knowledge.repairs.items()}
        self.waste = {id: prices.waste(one) for id, one in knowledge.repairs.items()}
        cures = [self._cure(cause) for cause in model.causes]
        self.repairs = tuple(id for id in knowledge.repairs if id in cures)
        belongs = np.array([[cure == id for id in self.repairs] for cure in cures], dtype=float)
        #: [H, R]: which hypothesis needs which repair.
        self.needs: Array = (model.members.astype(float) @ belongs.reshape(len(cures), -1) > 0).astype(float)
        self._base = np.array([self.base[id] for id in self.repairs])
        self._waste = np.array([self.waste[id] for id in self.repairs])
        floor = np.minimum(self.needs @ self._base, prices.back)
        # A cause that no repair mends costs the same whatever is done: it is left out.
        wrong = self.needs.max(axis=1, initial=0.0)
        #: [H, R+2]: by one product W @ table come the masses of each repair's causes, of wrong, and the floor.
        self.table: Array = np.column_stack([self.needs, wrong, floor])
        mends = [[cause in one.mends for cause in model.causes] for one in knowledge.repairs.values()]
        #: [H, repairs]: which hypothesis holds something that a repair (of all of the knowledge) mends.
        self.needed: Array = (model.members.astype(float) @ np.array(mends, dtype=float).T > 0).astype(float)

    def _cure(self, cause: str) -> str | None:
        fit = [id for id, one in self.model.knowledge.repairs.items() if cause in one.mends]
        return min(fit, key=lambda id: self.base[id] + self.waste[id], default=None)

    def blind(self, found: Array) -> tuple[Array, Array]:
        """(blind, excess) from W @ table, [..., R+2]."""
        mass, wrong, floor = found[..., :-2], found[..., -2], found[..., -1]
        order = np.argsort(-mass / (self._base + self._waste), axis=-1)
        sorted_mass = np.take_along_axis(mass, order, axis=-1)
        rest = np.cumsum(sorted_mass[..., ::-1], axis=-1)[..., ::-1]
        left = np.minimum(rest, wrong[..., None])  # still wrong before each repair
        spent = left * self._base[order] + self._waste[order] * np.maximum(left - sorted_mass, 0.0)
        before = np.cumsum(spent, axis=-1) - spent
        stop = (before + self.prices.back * left).min(axis=-1)
        value = np.minimum(stop, before[..., -1] + spent[..., -1]) if mass.shape[-1] else self.prices.back * wrong
        return value, np.maximum(value - floor, 0.0)
