"""The plan in words: why this check is next, what an outcome would mean, why a repair is worth it. Plain sentences."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from benchd.core.causes.infer import Array, Model
from benchd.core.causes.knowledge import Item, Repair
from benchd.core.causes.standing import PROOF, Standing
from benchd.core.causes.value import Worth

if TYPE_CHECKING:
    from benchd.core.causes.plan import Decision

#: Causes that a sentence may name, and the least probability with which it names one.
NAMED, LEAST = 6, 0.02
#: So much of the other check's difference a cheaper one must show to be called the cheapest that tells.
ALIKE = 0.6


def how(item: Item) -> str:
    """The command, the hand work, or both."""
    command = f"benchd run {item.run} --work-order N" if item.run else ""
    return " - ".join(part for part in (command, item.how) if part)


def percent(p: float) -> str:
    return "under 1 %" if p < 0.01 else "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"


def why_check(worth: Worth, now: Standing, id: str, made: Decision) -> str:
    """Why a check is next: for its own sake, or because what is wanted needs it first."""
    wanted = made.chain[-1]
    items = worth.model.knowledge.items
    if id in now.fresh:
        found = items[id].outcomes[items[id].index(now.shown[id])].text
        wait = "Wait until that can have changed, then see" if id == now.again() else "It fits badly with the rest: see"
        return f"Found was: {found}. {wait} it again; until then it forbids what would come next."
    if id == wanted and not made.mend:
        return f"{_sentence(_own(worth, now, id))}."
    if made.mend:
        return f"It comes before this repair: {worth.model.knowledge.repairs[made.mend.repair].title}."
    reason = _own(worth, now, wanted)
    return f"It comes before this: {items[wanted].text} ({reason})."


def why_proof(model: Model, now: Standing, id: str) -> str:
    if not now.repaired:
        return "Nothing more is worth a check: this run proves that the charging system does its work."
    if id != PROOF:
        return "The stator was touched: its run comes first, then the regulator run proves the whole."
    return "A repair is proven only by a full regulator run that passes; a new part by itself proves nothing."


def why_repair(model: Model, now: Standing, made: Decision) -> str:
    assert made.mend is not None
    causes = mended_by(model, now, model.knowledge.repairs[made.mend.repair])
    names = " or ".join(f"{model.knowledge.causes[one].title} ({percent(p)})" for one, p in _held(model, now, causes))
    if made.mend.probability >= 0.5:
        tail = "no check left is worth its minutes against that: mend it, then prove it"
    else:
        tail = "not sure, but no check left tells it apart from the others for less than trying it takes"
    return f"{names}: {tail}."


def why_none(model: Model, now: Standing) -> str:
    wrong = 1 - float(now.belief.posterior[0])
    if PROOF not in now.due() and not now.due():
        return f"The machine is proven: close the order. That something is still wrong: {percent(wrong)}."
    return "No check or repair that is known here would help further. Write down what was seen, and ask for help."


def meaning(model: Model, now: Standing) -> str:
    """What is believed on this branch: 'Points to Battery with a dead cell (71 %).'"""
    named = list(_top(model, now))[:2]
    nothing = float(now.belief.posterior[0])
    if nothing > 0.5 or not named:
        return f"Nothing wrong by then: {percent(nothing)}."
    words = [f"{model.knowledge.causes[id].title} ({percent(p)})" for id, p in named if p >= 0.6 * named[0][1]]
    return f"Points to {', '.join(words)}."


def comes(model: Model, now: Standing, made: Decision) -> str:
    """What would come then."""
    if made.next == "repair" and made.mend:
        return f"Then: {model.knowledge.repairs[made.mend.repair].title}."
    if made.chain:
        return f"Then: {model.knowledge.items[made.chain[0]].text}."
    return "Then: close the order." if not now.due() else ""


def mended_by(model: Model, now: Standing, repair: Repair) -> tuple[str, ...]:
    """The causes that a repair would mend and that are worth a word, the likeliest first; at least one."""
    found = _held(model, now, repair.mends)
    return tuple(id for id, p in found if p >= LEAST) or tuple(id for id, _ in found[:1])


def _held(model: Model, now: Standing, causes: tuple[str, ...]) -> list[tuple[str, float]]:
    p = dict(zip(model.causes, now.belief.causes().tolist(), strict=True))
    return sorted(((id, p[id]) for id in causes if id in p), key=lambda one: -one[1])


def _top(model: Model, now: Standing) -> Iterator[tuple[str, float]]:
    for id, p in _held(model, now, model.causes)[:NAMED]:
        if p >= LEAST:
            yield id, p


def _own(worth: Worth, now: Standing, id: str) -> str:
    """What a check tells apart, and how it stands among those that tell the same."""
    model = worth.model
    top = list(_top(model, now))
    if not top:
        return "to be sure that nothing else is wrong"
    rows = {cause: _row(model, id, cause) for cause, _ in top}
    against = now.belief.outcomes(id)
    if len(top) == 1 or top[0][1] > 0.9:
        return f"it tells whether it is really {_named(model, *top[0])}"
    pairs = [
        (min(p, q) * _apart(rows[one], rows[other]), (one, p), (other, q))
        for at, (one, p) in enumerate(top)
        for other, q in top[at + 1 :]
    ]
    most, one, other = max(pairs, key=lambda pair: pair[0])
    if most < 0.01:
        cause, p = max(top, key=lambda held: held[1] * _apart(rows[held[0]], against))
        return f"it may show {_named(model, cause, p)}"
    words = f"can tell {_named(model, *one)} from {_named(model, *other)}"
    if _cheapest(worth, now, id, one[0], other[0]):
        return f"the cheapest check that {words}"
    return f"for its {model.knowledge.items[id].minutes:g} minutes it {words} surest"


def _cheapest(worth: Worth, now: Standing, id: str, one: str, other: str) -> bool:
    """No cheaper check that may be done now tells these two apart about as well."""
    model, price = worth.model, worth.price
    mine = ALIKE * _apart(_row(model, id, one), _row(model, id, other))
    return not any(
        price[cheap] < price[id]
        and now.open(cheap)
        and now.chain(cheap) is not None
        and _apart(_row(model, cheap, one), _row(model, cheap, other)) >= mine
        for cheap in model.knowledge.items
    )


def _row(model: Model, id: str, cause: str) -> Array:
    """[outcomes]: what an item shows where this cause alone is there."""
    row: Array = model.likelihood(id)[:, 1 + model.causes.index(cause)]
    return row


def _apart(one: Array, other: Array) -> float:
    return 0.5 * float(np.abs(one - other).sum())


def _named(model: Model, cause: str, p: float) -> str:
    return f"“{model.knowledge.causes[cause].title}” ({percent(p)})"


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]
