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
#: A check that moves no cause by more than this, on the average, is done to be sure.
FAINT = 0.004


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
    if now.repaired and wanted in now.due():
        return f"It comes before the run that proves the repair: {items[wanted].text}."
    reason = _own(worth, now, wanted)
    return f"It comes before this: {items[wanted].text} ({reason})."


def closed(text: str) -> str:
    """A text as the end of a sentence."""
    return text if text.endswith(("?", ".", "!")) else f"{text}."


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
        return f"Then: {closed(model.knowledge.repairs[made.mend.repair].title)}"
    if made.chain:
        return f"Then: {closed(model.knowledge.items[made.chain[0]].text)}"
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
    held = now.belief.causes()
    moves = _moves(model, now, id)
    size = np.abs(moves).sum(axis=0)  # [N]: how far a check is expected to move each cause
    order = [int(at) for at in np.argsort(-size)[:NAMED] if held[at] >= LEAST]
    if not order or size[order[0]] < FAINT:
        return "to be sure that nothing else is wrong"
    first = order[0]
    # What goes up where the first goes down is what it is told from.
    against = [at for at in order[1:] if float(moves[:, first] @ moves[:, at]) < 0 and size[at] >= size[first] / 8]
    one = _named(model, model.causes[first], held[first])
    if against:
        words = f"can tell {one} from {_named(model, model.causes[against[0]], held[against[0]])}"
    elif held[first] > 0.5:
        words = f"can tell whether it is really {one}"
    else:
        words = f"can show {one}"
    if _cheapest(worth, now, id, first, size[first]):
        return f"the cheapest check that {words}"
    return f"for its {model.knowledge.items[id].minutes:g} minutes it is the best that {words}"


def _moves(model: Model, now: Standing, id: str) -> Array:
    """[outcomes, N]: how far each outcome moves each cause, times the outcome's probability."""
    belief = now.belief.posterior
    joint = model.likelihood(id) * belief
    found: Array = joint @ model.members - np.outer(joint.sum(axis=1), belief @ model.members)
    return found


def _cheapest(worth: Worth, now: Standing, id: str, cause: int, size: float) -> bool:
    """No cheaper check that may be done at once moves this cause about as far."""
    return not any(
        worth.price[cheap] < worth.price[id]
        and now.open(cheap)
        and now.chain(cheap) == (cheap,)
        and float(np.abs(_moves(worth.model, now, cheap)[:, cause]).sum()) >= ALIKE * size
        for cheap in worth.model.knowledge.items
    )


def _named(model: Model, cause: str, p: float) -> str:
    return f"“{model.knowledge.causes[cause].title}” ({percent(p)})"


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]
