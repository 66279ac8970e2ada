"""Looking ahead: what every check and every repair that may come next would make of what is believed. Numbers only.

A check is looked at with the needs that come before it and two steps deep: after each of its outcomes the best check
that may follow there, or the repairs. What is not known after that is taken to cost `excess / rate`: `rate` is the
excess that the best check takes away a minute, a part of it trusted, so that a cheap check before a dear one gets its
due. All branches are one matrix product.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.core.causes.infer import Array
from benchd.core.causes.standing import Standing
from benchd.core.causes.value import Worth

#: Hypotheses less probable than this are left out of the look ahead (never out of the belief).
LEAST = 1e-4
#: Branches less probable than this are not gone on with: they are worth what is believed there.
THIN = 0.004
#: So many checks, the best by value and the best by rate, are looked at two steps deep.
FIRST = 4
#: A repair comes before another only if its probability over its price is at least so much of the best one's.
LIKELY = 0.35
#: How much of the best check's rate the checks after the second are trusted with.
TRUST = 0.1
#: What is left of the price of a check that the proof needs done before it in any case.
SUNK = 0.5


@dataclass(frozen=True, slots=True)
class Check:
    """`chain`: its needs that are not met yet and the item itself. `value`: what is to come by it, less what would
    come anyway if somebody knew (Look.floor), what is not known at the end taken away at a good check's rate; `sure`:
    the same with nothing but repairs after the checks that were looked at."""

    chain: tuple[str, ...]
    spent: float
    value: float
    sure: float


@dataclass(frozen=True, slots=True)
class Mend:
    """`probability`: that something is there which it mends. `price`: of it and its proof, and what is wasted on it."""

    repair: str
    value: float
    probability: float
    price: float


@dataclass(frozen=True, slots=True)
class Look:
    """`checks` and `mends` by their value, the best first; repairs that are far less probable for their price behind
    the others. `blind`: without any further check, less `floor`."""

    floor: float
    blind: float
    checks: tuple[Check, ...]
    mends: tuple[Mend, ...]


@dataclass(frozen=True, slots=True)
class _View:
    """What is believed, cut down to what counts here: H hypotheses, F columns of Worth.table."""

    now: Standing
    weights: Array  # [H], adding up to 1
    features: Array  # [H, F]
    columns: NDArray[np.int64]  # [F]
    likely: Mapping[str, Array]  # item -> [outcomes, H]
    price: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class _Leaves:
    """Branches of one chain: weights [K, H], what was shown in each, and price paid times probability."""

    weights: Array
    shown: list[dict[str, str]]
    spent: float


class Ahead:
    """Looks ahead with one Worth; keeps nothing of a visit."""

    def __init__(self, worth: Worth) -> None:
        self.worth = worth
        self.items = worth.model.knowledge.items
        linked = {id: {*item.needs, *item.needs_outcome, *item.never_after} for id, item in self.items.items()}
        self._leans = {id: [other for other in self.items if id in linked[other]] for id in self.items}

    def look(self, now: Standing, goals: Sequence[str] | None = None, deep: bool = True) -> Look:
        """`goals`: the items that come into question (None: all). `deep=False`: one check ahead only."""
        view = self._view(now)
        found = view.weights @ view.features
        _, excess = self.worth.blind(found, view.columns)
        chains = (now.chain(id) for id in (self.items if goals is None else goals) if now.open(id))
        open_chains = [chain for chain in chains if chain is not None]
        checks = self._checks(view, open_chains, float(excess), deep) if open_chains else ()
        return Look(float(found[-1]), float(excess), checks, self._mends(view))

    def _view(self, now: Standing) -> _View:
        belief = now.belief.posterior
        kept = np.flatnonzero(belief > LEAST)
        columns = self.worth.columns(belief)
        sunk = frozenset[str]().union(*(now.before(run) for run in now.due()))
        return _View(
            now,
            belief[kept] / belief[kept].sum(),
            self.worth.table[np.ix_(kept, columns)],
            columns,
            {id: self.worth.model.likelihood(id)[:, kept] for id in self.items},
            {id: price * (SUNK if id in sunk else 1.0) for id, price in self.worth.price.items()},
        )

    # --- repairs ------------------------------------------------------------------------------------------------------

    def _mends(self, view: _View) -> tuple[Mend, ...]:
        worth, now, repairs = self.worth, view.now, self.worth.model.knowledge.repairs
        belief = now.belief.posterior
        needed = dict(zip(repairs, (belief @ worth.needed).tolist(), strict=True))
        wasted = dict(zip(repairs, (belief @ worth.wasted).tolist(), strict=True))
        ids = [id for id, one in repairs.items() if needed[id] >= 1e-3 and now.repair_chain(one) is not None]
        if not ids:
            return ()
        after = np.array([now.belief.mended(repairs[id].mends, repairs[id].right).posterior for id in ids])
        blind, _ = worth.blind(after @ worth.table[:, view.columns], view.columns)
        price = {id: worth.base[id] + wasted[id] for id in ids}
        found = [
            Mend(id, price[id] + rest, needed[id], price[id]) for id, rest in zip(ids, blind.tolist(), strict=True)
        ]
        most = max(one.probability / one.price for one in found)
        return tuple(sorted(found, key=lambda one: (one.probability / one.price < LIKELY * most, one.value)))

    # --- checks -------------------------------------------------------------------------------------------------------

    def _checks(self, view: _View, chains: Sequence[tuple[str, ...]], excess: float, deep: bool) -> tuple[Check, ...]:
        leaves = [self._leaves(view, chain) for chain in chains]
        spent = np.array([one.spent for one in leaves])
        after = self._after(view, leaves)
        sure = spent + np.array([one.sum() for one in after])
        value = sure.copy()
        if deep:
            rates = (excess - (sure - spent)) / spent
            rate = 1 + TRUST * max(float(rates.max()) - 1, 0.0)
            first = sorted({*np.argsort(sure)[:FIRST].tolist(), *np.argsort(-rates)[:FIRST].tolist()})
            # What is looked at less far must not look worse for it: all are compared with what is unknown at `rate`.
            value = spent + (sure - spent) / rate
            rated, full = self._second(view, [leaves[at] for at in first], [after[at] for at in first], rate)
            value[first] = spent[first] + rated
            sure[first] = spent[first] + full
        checks = [Check(*one) for one in zip(chains, spent.tolist(), value.tolist(), sure.tolist(), strict=True)]
        return tuple(sorted(checks, key=lambda one: (one.value, one.spent)))

    def _after(self, view: _View, leaves: Sequence[_Leaves]) -> list[Array]:
        """The excess of every branch, of all chains by one product."""
        _, excess = self.worth.blind(np.concatenate([one.weights for one in leaves]) @ view.features, view.columns)
        return np.split(excess, np.cumsum([len(one.weights) for one in leaves[:-1]]))

    def _leaves(self, view: _View, chain: tuple[str, ...]) -> _Leaves:
        """A chain is gone on with where what was shown allows it."""
        ended: list[Array] = []
        ended_shown: list[dict[str, str]] = []
        going, shown = view.weights[None, :], [dict[str, str]()]
        spent = 0.0
        for at, id in enumerate(chain):
            goes = np.array([self._allowed(id, {**view.now.shown, **one}, view.now) for one in shown], dtype=bool)
            goes &= (going.sum(axis=1) >= THIN) | (at == 0)
            if at and not goes.all():
                ended.append(going[~goes])
                ended_shown += [one for one, on in zip(shown, goes, strict=True) if not on]
                going, shown = going[goes], [one for one, on in zip(shown, goes, strict=True) if on]
            spent += view.price[id] * float(going.sum())
            going = (going[:, None, :] * view.likely[id][None]).reshape(-1, going.shape[1])
            shown = [{**one, id: outcome.id} for one in shown for outcome in self.items[id].outcomes]
        return _Leaves(np.concatenate([*ended, going]), ended_shown + shown, spent)

    def _allowed(self, id: str, shown: Mapping[str, str], now: Standing) -> bool:
        """Whether an item's needs are met, with what is shown on this branch."""
        item = self.items[id]
        lifted = now.lifted
        if any(need in self.items and need not in shown and need not in now.skipped for need in item.needs):
            return False
        for need, wanted in item.needs_outcome.items():
            if need in self.items and shown.get(need) not in wanted and need not in lifted:
                return False
        return not any(shown.get(one) in bad and one not in lifted for one, bad in item.never_after.items())

    def _second(
        self, view: _View, leaves: Sequence[_Leaves], after: Sequence[Array], rate: float
    ) -> tuple[Array, Array]:
        """[chains]: the branches of each with the best second check, what is not known after that at `excess / rate`;
        and the same at its full excess."""
        rated = np.concatenate(after)
        full = rated.copy()
        starts = np.cumsum([0, *(len(one) for one in after[:-1])])
        stacked = np.concatenate([one.weights for one in leaves])
        shown = [shown for one in leaves for shown in one.shown]
        thick = np.flatnonzero(stacked.sum(axis=1) >= THIN)
        follow, may = self._may(view.now, [shown[at] for at in thick])
        if follow:
            tables = [view.likely[id] for id in follow]
            found = _two(stacked[thick], np.concatenate(tables), view.features)
            _, excess = self.worth.blind(found, view.columns)
            price = np.array([view.price[id] for id in follow])
            spent = np.where(may, price * stacked[thick].sum(axis=1)[:, None], np.inf)
            rest = np.add.reduceat(excess, np.cumsum([0, *(len(one) for one in tables[:-1])]), axis=1)
            rated[thick] = np.minimum(rated[thick], (spent + rest / rate).min(axis=1))
            full[thick] = np.minimum(full[thick], (spent + rest).min(axis=1))
        return np.add.reduceat(rated, starts), np.add.reduceat(full, starts)

    def _may(self, now: Standing, branches: Sequence[Mapping[str, str]]) -> tuple[list[str], NDArray[np.bool_]]:
        """The second checks that may be done after some branch, and [K, J]: which after which."""
        items = [id for id in self.items if now.open(id)]
        place = {id: at for at, id in enumerate(items)}
        base = np.array([self._allowed(id, now.shown, now) for id in items], dtype=bool)
        rows = np.tile(base, (len(branches), 1))
        for row, shown in zip(rows, branches, strict=True):
            for other in {other for done in shown for other in self._leans[done] if other in place}:
                row[place[other]] = self._allowed(other, {**now.shown, **shown}, now)
            row[[place[done] for done in shown if done in place]] = False
        some = rows.any(axis=0)
        return [items[at] for at in np.flatnonzero(some)], rows[:, some]


def _two(weights: Array, table: Array, features: Array) -> Array:
    """[K, K2, F]: the features of every branch [K, H] with every outcome [K2, H] of a second check."""
    spread = (weights[:, None, :] * features.T[None]).reshape(-1, weights.shape[1])
    found: Array = (spread @ table.T).reshape(len(weights), features.shape[1], -1).transpose(0, 2, 1)
    return found
