"""Where a visit stands: what is believed, what was seen, what may be done next and what not, and why not. Pure.

Needs are kept here and nowhere else. An item is *open* when it can still tell something: a question until the first
repair (the operator tells of the machine as it came), a look until it was done and again when a repair changed what it
looks at, a test once between two repairs. What an outcome forbids stays forbidden until the item is seen again, or
until a repair mends what that outcome spoke of.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace

from benchd.core.causes.infer import RIGHT, Belief, Evidence, Model, counted
from benchd.core.causes.knowledge import Item, Knowledge, Repair
from benchd.core.visit import Observed

#: The runs that prove a machine, as items of the causes file.
PROOF, STATOR_PROOF = "regulator", "stator"


@dataclass(frozen=True, slots=True)
class Standing:
    """`shown`: item -> its newest outcome. `fresh`: seen since the last repair. `stale`: seen before a repair that
    changed what they tell of. `lifted`: their outcome spoke of what was mended since. `skipped`: not to be asked.
    `twice`: seen again without a repair between. `base`: what was believed at the last repair, before what was seen since."""

    belief: Belief
    base: Belief
    shown: Mapping[str, str] = field(default_factory=dict)
    fresh: frozenset[str] = frozenset()
    stale: frozenset[str] = frozenset()
    lifted: frozenset[str] = frozenset()
    skipped: frozenset[str] = frozenset()
    twice: frozenset[str] = frozenset()
    repaired: bool = False
    stator_due: bool = False

    @property
    def knowledge(self) -> Knowledge:
        return self.belief.model.knowledge

    def observed(self, item: str, outcome: str) -> Standing:
        due = self.stator_due
        if item == STATOR_PROOF and due:
            due = self.knowledge.items[item].index(outcome) > 0
        belief = self.belief
        if item in self.fresh:  # seen again: the newest counts, the one before never was
            belief = self.base
            for other in self.fresh - {item}:
                belief = belief.observed(other, self.shown[other])
        return replace(
            self,
            belief=belief.observed(item, outcome),
            shown={**self.shown, item: outcome},
            fresh=self.fresh | {item},
            twice=self.twice | ({item} & self.fresh),
            stale=self.stale - {item},
            lifted=self.lifted - {item},
            stator_due=due,
        )

    def mended(self, mends: Collection[str], touches: Collection[str] = (), right: float = RIGHT) -> Standing:
        items = self.knowledge.items
        touched = {id for id in self.shown if any(one in items[id].given for one in mends)}
        lifted = {id for id in touched if any(_speaks(items[id], self.shown[id], one) for one in mends)}
        belief = self.belief.mended(tuple(mends), right)
        return replace(
            self,
            belief=belief,
            base=belief,
            fresh=frozenset(),
            twice=frozenset(),
            stale=self.stale | touched,
            lifted=self.lifted | lifted,
            repaired=True,
            stator_due=self.stator_due or ("stator" in touches and STATOR_PROOF in items),
        )

    def repair(self, id: str) -> Standing:
        one = self.knowledge.repairs[id]
        return self.mended(one.mends, one.touches, one.right)

    # --- what is left to do -------------------------------------------------------------------------------------------

    def open(self, id: str) -> bool:
        """It could be done and would tell something, its needs aside."""
        item = self.knowledge.items[id]
        if item.kind == "question":
            return not self.repaired and id not in self.shown and id not in self.skipped
        if id in self.skipped:
            return False
        if item.kind == "look":
            return id not in self.shown or id in self.stale
        return id not in self.fresh

    def due(self) -> tuple[str, ...]:
        """The runs that are still to pass before the machine is proven: the stator run where it was touched, then the
        regulator run."""
        items = self.knowledge.items
        stator = (STATOR_PROOF,) if self.stator_due else ()
        passed = PROOF in self.fresh and items[PROOF].index(self.shown[PROOF]) == 0
        return stator if passed or PROOF not in items else (*stator, PROOF)

    def again(self) -> str | None:
        """What is to be seen again once it can have changed: it forbids a repair (a battery that may be frozen)."""
        for repair in self.knowledge.repairs.values():
            for id, outcomes in repair.never_after.items():
                if self._forbids(id, outcomes):
                    return id
        return None

    def chain(self, id: str) -> tuple[str, ...] | None:
        """What is to be done for an item, itself last: its unmet needs first. None while it is locked."""
        found: list[str] = []
        return tuple(found) if self._chain(id, found, set()) else None

    def locks(self, id: str) -> str | None:
        """The item whose outcome locks this one, itself or one of its needs; None where nothing does."""
        item = self.knowledge.items[id]
        for at, outcomes in item.never_after.items():
            if self._forbids(at, outcomes):
                return at
        for need in _needs(item):
            if self._met(need):
                if need in item.needs_outcome and not self._showed(need, item.needs_outcome[need]):
                    return need
            elif (found := self.locks(need)) is not None:
                return found
        return None

    def lifts(self, id: str) -> tuple[str, ...]:
        """The repairs that may be done and do away with what an item showed."""
        item = self.knowledge.items[id]
        return tuple(
            repair
            for repair, one in self.knowledge.repairs.items()
            if self.repair_chain(one) is not None and any(_speaks(item, self.shown[id], cause) for cause in one.mends)
        )

    def before(self, id: str) -> frozenset[str]:
        """What an item needs and was not done yet, whatever may forbid it now."""
        found: set[str] = set()
        asked = [id]
        while asked:
            for need in _needs(self.knowledge.items[asked.pop()]):
                if not self._met(need) and need not in found:
                    found.add(need)
                    asked.append(need)
        return frozenset(found)

    def repair_chain(self, repair: Repair) -> tuple[str, ...] | None:
        """The looks that must come before a repair; None while it is forbidden."""
        found: list[str] = []
        if any(self._forbids(at, outcomes) for at, outcomes in repair.never_after.items()):
            return None
        looks = [need for need in repair.needs if not self._met(need)]
        return tuple(found) if all(self._chain(need, found, set()) for need in looks) else None

    def _chain(self, id: str, found: list[str], above: set[str]) -> bool:
        item = self.knowledge.items[id]
        if id in above or any(self._forbids(at, outcomes) for at, outcomes in item.never_after.items()):
            return False
        for need in _needs(item):
            wanted = item.needs_outcome.get(need)
            if self._met(need):
                if wanted and not self._showed(need, wanted):
                    return False
            elif need not in found and not self._chain(need, found, above | {id}):
                return False
        found.append(id)
        return True

    def _met(self, id: str) -> bool:
        """It was done; a skipped question is as good as asked, and what the knowledge does not have asks for nothing."""
        if id not in self.knowledge.items or id in self.shown:
            return True
        return id in self.skipped and self.knowledge.items[id].kind == "question"

    def _showed(self, id: str, wanted: Collection[str]) -> bool:
        return id not in self.shown or id in self.lifted or self.shown[id] in wanted

    def _forbids(self, id: str, outcomes: Collection[str]) -> bool:
        return id not in self.lifted and self.shown.get(id) in outcomes

    # --- and why not --------------------------------------------------------------------------------------------------

    def locked(self) -> dict[str, str]:
        """Item or repair -> a sentence: why it may not be done yet. Only what could be done else."""
        found = {}
        for id, item in self.knowledge.items.items():
            if self.open(id):
                why = next(self._reasons(_needs(item), item.needs_outcome, item.never_after), "")
                if why:
                    found[id] = why
        for id, repair in self.knowledge.repairs.items():
            why = next(self._reasons(repair.needs, {}, repair.never_after), "")
            if why:
                found[id] = why
        return found

    def _reasons(
        self,
        needs: Collection[str],
        wanted: Mapping[str, tuple[str, ...]],
        never: Mapping[str, tuple[str, ...]],
    ) -> Iterator[str]:
        for id, outcomes in never.items():
            if self._forbids(id, outcomes):
                yield f"Not after this was found: {self._told(id)}.{self._cure(id)}"
        for id in needs:
            if not self._met(id):
                text = self.knowledge.items[id].text
                yield f"First comes: {text}" if text.endswith("?") else f"First comes: {text}."
            elif id in wanted and not self._showed(id, wanted[id]):
                item = self.knowledge.items[id]
                words = " or ".join(item.outcomes[item.index(one)].text for one in wanted[id])
                yield f"It needs this from before: {words}. Found was: {self._told(id)}.{self._cure(id)}"

    def _told(self, id: str) -> str:
        item = self.knowledge.items[id]
        return f"{item.text}: {item.outcomes[item.index(self.shown[id])].text}"

    def _cure(self, id: str) -> str:
        """What would do away with what was found."""
        titles = [self.knowledge.repairs[repair].title for repair in self.lifts(id)]
        lifted = f" It is lifted by: {' or '.join(titles[:2])}." if titles else ""
        return lifted + (" See again when that can have changed." if id == self.again() else "")


def standing(model: Model, evidence: Evidence, skipped: Collection[str] = ()) -> Standing:
    """Where the visit stands after this evidence. `skipped`: what was passed over and is not to be proposed again."""
    found = Standing(model.start(), model.start(), skipped=frozenset(skipped))
    for one in counted(model, evidence):
        if isinstance(one, Observed):
            found = found.observed(one.item, one.outcome)
        else:
            known = model.knowledge.repairs.get(one.repair)
            found = found.mended(one.mends, one.touches, RIGHT if known is None else known.right)
    repaired = max((one.at for one in evidence if not isinstance(one, Observed)), default=(-1, -1))
    since = [one.item for one in evidence if isinstance(one, Observed) and one.at > repaired]
    return replace(found, twice=frozenset(item for item in found.fresh if since.count(item) > 1))


def _needs(item: Item) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*item.needs, *item.needs_outcome)))


def _speaks(item: Item, outcome: str, cause: str) -> bool:
    """Whether a cause makes this outcome likelier than it is without any cause."""
    at = item.index(outcome)
    return cause in item.given and item.given[cause][at] > item.background[at]
