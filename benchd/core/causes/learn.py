"""Frequencies and rows counted from closed, proven orders: Beta and Dirichlet counting over a prior of so many visits.

The prior is the knowledge as it is: its frequencies weigh as much as `weight` visits would, its rows as `row_weight`
orders with that cause alone. After N orders, n of them with a cause, its frequency is (weight * frequency + n) /
(weight + N): the mean of Beta(weight * frequency + n, weight * (1 - frequency) + N - n). `nothing` and `two` are counted
alike, and rows with a Dirichlet distribution.

What an order's cause was: something that its repairs mend, all of it, since the machine was then proven good. A new
battery mends several: the order then counts for each by how probable it was with all that was seen, shares that add up
to 1. What is seen of a row is the last of its draw and the background's (noisy-max), so a draw counts by how probable it
was behind what was seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from benchd.core.causes.infer import Array, Evidence, Model, counted
from benchd.core.causes.knowledge import Item, Knowledge
from benchd.core.visit import Mended, Observed

WEIGHT, ROW_WEIGHT = 50.0, 20.0
LEAST_SHARE = 0.05  # of an order for its evidence to count into a row


@dataclass(frozen=True, slots=True)
class Lesson:
    """A closed, proven order: all its evidence, its repairs among it."""

    work_order: str
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class Count:
    """A number before and after, and in how many orders it was so (a sum of shares)."""

    id: str
    before: float
    count: float
    after: float

    def to_json(self) -> dict[str, Any]:
        return {"id": self.id, "before": self.before, "count": self.count, "after": self.after}


@dataclass(frozen=True, slots=True)
class RowCount:
    """A row before and after, and how often each outcome was drawn."""

    item: str
    cause: str
    before: tuple[float, ...]
    counts: tuple[float, ...]
    after: tuple[float, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "item": self.item,
            "cause": self.cause,
            "before": list(self.before),
            "counts": list(self.counts),
            "after": list(self.after),
        }


@dataclass(frozen=True, slots=True)
class Learned:
    """What was counted. `passed_over`: orders whose evidence fits nothing that was repaired."""

    orders: int
    weight: float
    row_weight: float
    nothing: Count
    two: Count
    causes: tuple[Count, ...]
    rows: tuple[RowCount, ...]
    passed_over: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return {
            "orders": self.orders,
            "weight": self.weight,
            "row_weight": self.row_weight,
            "nothing": self.nothing.to_json(),
            "two": self.two.to_json(),
            "causes": [one.to_json() for one in self.causes],
            "rows": [one.to_json() for one in self.rows],
            "passed_over": list(self.passed_over),
        }


def learn(
    knowledge: Knowledge | Model, lessons: Sequence[Lesson], weight: float = WEIGHT, row_weight: float = ROW_WEIGHT
) -> Learned:
    """Count these orders. ValueError if a weight is not above 0."""
    if not (weight > 0 and row_weight > 0):
        raise ValueError(f"the prior's weights must be above 0, not {weight:g} and {row_weight:g}")
    model = knowledge if isinstance(knowledge, Model) else Model(knowledge)
    told = [(lesson, was(model, lesson.evidence)) for lesson in lessons]
    counts = [(lesson, shares) for lesson, shares in told if shares is not None]
    total = sum((shares for _, shares in counts), np.zeros(len(model.hypotheses)))
    sizes = model.members.sum(axis=1)

    def count(id: str, where: Array) -> Count:
        before, seen = float(model.prior @ where), float(total @ where)
        return Count(id, before, seen, (weight * before + seen) / (weight + len(counts)))

    return Learned(
        len(counts),
        weight,
        row_weight,
        count("nothing", (sizes == 0).astype(float)),
        count("two", (sizes == 2).astype(float)),
        tuple(count(cause, model.members[:, at].astype(float)) for at, cause in enumerate(model.causes)),
        tuple(_rows(model, counts, row_weight)),
        tuple(lesson.work_order for lesson, shares in told if shares is None),
    )


def was(model: Model, evidence: Evidence) -> Array | None:
    """[H]: what was wrong when the machine came in, given that nothing is now, that its repairs were done right, and that
    nobody repaired for nothing; None if that cannot be."""
    now = np.arange(len(model.hypotheses))  # what is left by now of each hypothesis
    weights = model.prior.copy()
    for one in counted(model, evidence):
        if isinstance(one, Mended):
            now = model.without([id for id in one.mends if id in model.knowledge.causes])[now]
        else:
            weights = weights * model.likely(one.item, one.outcome)[now]
    weights = np.where(now == 0, weights, 0.0)
    if any(isinstance(one, Mended) for one in evidence):
        weights[0] = 0.0
    total = weights.sum()
    return weights / total if total > 0 else None


def _rows(model: Model, counts: Sequence[tuple[Lesson, Array]], row_weight: float) -> list[RowCount]:
    """Rows of causes that were there alone, from what was seen before anything was repaired."""
    drawn: dict[tuple[str, str], Array] = {}
    for lesson, shares in counts:
        seen = _as_it_came(model, lesson.evidence)
        for at, cause in enumerate(model.causes, 1):  # the hypotheses of one cause follow the empty one
            if shares[at] < LEAST_SHARE:
                continue
            for one in seen:
                item = model.knowledge.items[one.item]
                if cause in item.given:
                    row = drawn.setdefault((item.id, cause), np.zeros(len(item.outcomes)))
                    row += shares[at] * draw(item, cause, item.index(one.outcome))
    return [
        _row(model.knowledge.items[item], cause, drawn[item, cause], row_weight)
        for item in model.knowledge.items
        for cause in model.causes
        if (item, cause) in drawn
    ]


def _as_it_came(model: Model, evidence: Evidence) -> list[Observed]:
    found: list[Observed] = []
    for one in counted(model, evidence):
        if isinstance(one, Mended):
            break
        found.append(one)
    return found


def draw(item: Item, cause: str, seen: int) -> Array:
    """[outcomes]: how probable each draw of the cause is behind the outcome that was seen, the background's beside it."""
    row, background = item.given[cause], item.background
    found = np.zeros(len(row))
    for drawn in range(seen):
        found[drawn] = row[drawn] * background[seen]
    found[seen] = row[seen] * sum(background[: seen + 1])
    total = found.sum()
    return found / total if total > 0 else found


def _row(item: Item, cause: str, counts: Array, row_weight: float) -> RowCount:
    before = item.given[cause]
    after = (row_weight * np.array(before) + counts) / (row_weight + counts.sum())
    return RowCount(item.id, cause, before, tuple(map(float, counts)), tuple(map(float, after)))


def applied(knowledge: Knowledge, learned: Learned) -> Knowledge:
    """The knowledge with what was learned."""
    after = {one.id: one.after for one in learned.causes}
    given: dict[str, dict[str, tuple[float, ...]]] = {}
    for one in learned.rows:
        given.setdefault(one.item, {})[one.cause] = one.after
    return replace(
        knowledge,
        causes={id: replace(one, frequency=after[id]) for id, one in knowledge.causes.items()},
        items={
            id: replace(one, given={**one.given, **given[id]}) if id in given else one
            for id, one in knowledge.items.items()
        },
        nothing=learned.nothing.after,
        two=learned.two.after,
        learned=summary(learned),
    )


def summary(learned: Learned) -> str:
    orders = f"{learned.orders} closed, proven order{'s' * (learned.orders != 1)}"
    return f"from {orders}; the prior weighs {learned.weight:g} visits, each row {learned.row_weight:g} orders"
