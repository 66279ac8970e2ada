"""What to do next, and the order of checks as it stands now. Made anew after every result.

**What is minimised** (`by="minutes"`): the expected minutes until the machine is mended and proven, namely

    the minutes of all checks that are done, those that others need before them included
    + for every repair: its minutes and the proving run after it, and, where the part was not the cause, what it cost,
      taken as minutes (value.MINUTES_PER_COST): a part replaced by guess is a loss, however quick it was
    + going on from there where that was not all
    + value.BACK_MINUTES times the probability that something is still wrong when the order is closed.

`by="cost"` counts money: what checks and wrong parts cost and every minute at value.COST_PER_MINUTE.

**How.** Exact beliefs; a look two checks ahead over every check that may be done (ahead.py). A check is next if what it
is expected to save is more than what it takes; a repair is advised if no check is, or if it is likely all there is to do:
then the proof and what is checked after it tell of the rest. After a repair comes the proof: the
stator run where the stator was touched, then the regulator run; unless a second repair is so sure, too, that proving
before it would be lost time. Nothing is proposed against its needs (standing.py), and `locked` says why.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from functools import lru_cache

from benchd.core.causes import tell
from benchd.core.causes.ahead import Ahead, Look, Mend
from benchd.core.causes.answers import Advice, Branch, Plan, Step
from benchd.core.causes.infer import Evidence, Model
from benchd.core.causes.knowledge import Knowledge
from benchd.core.causes.standing import PROOF, Standing, standing
from benchd.core.causes.value import Prices, Worth

#: Steps of the order that are told; what comes after so many results cannot be known.
MOST_STEPS = 8
#: A repair as sure as this is done although something that forbids others has to be seen again.
SURE = 0.8
#: What locks the proof is mended if it is at least as probable as this, else it is seen again.
EVEN = 0.5
#: A repair that is needed, and then leaves nothing wrong, as probably as this is done before any other check.
ALL = 0.85
#: Where not knowing would cost x by repairs alone, factor * x ** power is spent with checks: fitted to simulated visits.
SPENT, SPENT_POWER = 1.1, 0.6


@dataclass(frozen=True, slots=True)
class Decision:
    """`next` as in Plan. `chain`: the checks that come now, the one that is wanted last; `mend`: the repair."""

    next: str
    look: Look
    chain: tuple[str, ...] = ()
    mend: Mend | None = None


class Planner:
    """Plans visits by one model; make it once. `by` is 'minutes' or 'cost' (else ValueError)."""

    def __init__(self, model: Model, by: str = "minutes") -> None:
        if by not in ("minutes", "cost"):
            raise ValueError(f"a plan is made by minutes or by cost, not by {by!r}")
        self.model = model
        self.by = by
        self.worth = Worth(model, Prices(by))
        self.ahead = Ahead(self.worth)

    def plan(self, evidence: Evidence, skipped: Collection[str] = ()) -> Plan:
        """The plan after this evidence. `skipped`: questions and looks that were passed over and are not proposed
        again (a look still comes where something needs it first)."""
        now = standing(self.model, evidence, skipped)
        made = self.decide(now)
        steps = tuple(self._steps(now, made)) if made.next in ("check", "prove") else ()
        return Plan(
            next=made.next,
            why=self._why(now, made, steps),
            steps=steps,
            advice=self._advice(now, made),
            locked=now.locked(),
            expected_minutes=self._expected(now, made),
            by=self.by,
        )

    # --- deciding -----------------------------------------------------------------------------------------------------

    def decide(self, now: Standing, deep: bool = True) -> Decision:
        """What comes next. `deep=False`: one check ahead only, for what comes later in the order."""
        due = now.due()
        if now.repaired and due and now.open(due[0]):
            return self._proving(now, due[0])
        look = self.ahead.look(now, deep=deep)
        mend = look.mends[0] if look.mends else None
        pays = [check for check in look.checks if check.sure < look.blind]
        if mend and self._likely_all(now, mend):
            return self._mending(now, look, mend)
        if pays:
            # The talk comes before the tools: whoever knows the machine is here now.
            items = self.model.knowledge.items
            talk = next((check for check in pays if items[check.chain[0]].kind == "question"), pays[0])
            return Decision("check", look, talk.chain)
        again = now.again()
        if again and not (mend and mend.probability >= SURE):
            return Decision("check", look, (again,))
        if mend and mend.value < self._ending(now, look, due):
            return self._mending(now, look, mend)
        if due and now.open(due[0]) and now.chain(due[0]) is None:
            return self._unlocking(now, look, due[0])
        return self._closing(now, look, due)

    def _likely_all(self, now: Standing, mend: Mend) -> bool:
        """Whether a repair is likely all there is to do: then it is done first, since what is checked after it, with the
        proof, tells of the rest and of the repair as well."""
        repair = self.model.knowledge.repairs[mend.repair]
        after = now.belief.mended(repair.mends, 1.0).posterior
        return mend.probability >= ALL and float(after[0]) >= ALL

    def _proving(self, now: Standing, run: str) -> Decision:
        """After a repair. Another that is surer than proving now is worth comes first."""
        look = self.ahead.look(now, goals=())
        for mend in look.mends:
            loss = self.worth.base[mend.repair] - self.model.knowledge.prove_minutes + self.worth.waste[mend.repair]
            if mend.probability * self.model.knowledge.prove_minutes > (1 - mend.probability) * loss:
                return self._mending(now, look, mend)
        chain = now.chain(run)
        if chain is None:
            return self._unlocking(now, look, run)
        return Decision("prove" if len(chain) == 1 else "check", look, chain)

    def _unlocking(self, now: Standing, look: Look, run: str) -> Decision:
        """The proof is locked by what an item showed: mend that if it is so, else see it again, since it may not be."""
        lock = now.locks(run)
        lifts = now.lifts(lock) if lock else ()
        # The one that is worth most, not the surest: a dearer part that cures more besides is always a little surer.
        mend = next((one for one in look.mends if one.repair in lifts), None)
        if lock and (mend is None or (mend.probability < EVEN and lock not in now.twice)):
            return Decision("check", look, (lock,))
        return self._mending(now, look, mend) if mend else Decision("none", look)

    def _mending(self, now: Standing, look: Look, mend: Mend) -> Decision:
        chain = now.repair_chain(self.model.knowledge.repairs[mend.repair])
        return Decision("check", look, chain, mend) if chain else Decision("repair", look, mend=mend)

    def _ending(self, now: Standing, look: Look, due: tuple[str, ...]) -> float:
        """What is to come if no repair is done now: the proof and what it shows, or, proven, the machine coming back."""
        wrong = 1.0 - float(now.belief.posterior[0])
        if not due:
            return self.worth.prices.back * wrong
        if not now.open(due[0]):
            return float("inf")  # it failed: it will not pass without a repair
        chain = now.chain(due[0]) or due
        return look.floor + look.blind + wrong * sum(self.worth.price[id] for id in chain)

    def _closing(self, now: Standing, look: Look, due: tuple[str, ...]) -> Decision:
        chain = now.chain(due[0]) if due and now.open(due[0]) else None
        if chain is None:
            return Decision("none", look)
        return Decision("prove" if len(chain) == 1 else "check", look, chain)

    def _expected(self, now: Standing, made: Decision) -> float | None:
        """What is still to come on the average: mending what is wrong, what the proof needs, and a part of what not
        knowing would cost. In minutes, or in money by cost."""
        if made.next == "none":
            return None
        knowledge, due = self.model.knowledge, now.due()
        needed = frozenset[str]().union(*(now.before(run) for run in due))
        proof = float(now.belief.posterior[0]) * self.worth.prices.time(knowledge.prove_minutes) if due else 0.0
        told = SPENT * float(made.look.blind**SPENT_POWER)
        return made.look.floor + proof + sum(self.worth.price[id] for id in needed) + told

    # --- telling ------------------------------------------------------------------------------------------------------

    def _steps(self, now: Standing, made: Decision) -> Iterator[Step]:
        """The checks in order, on the way that is likeliest now."""
        first, count = True, 0
        while made.next in ("check", "prove") and made.chain and count < MOST_STEPS:
            id = made.chain[0]
            yield self._step(now, id, made, first)
            likely = now.belief.outcomes(id)
            now = now.observed(id, self.model.knowledge.items[id].outcomes[int(likely.argmax())].id)
            first, count = False, count + 1
            made = self.decide(now, deep=False)

    def _step(self, now: Standing, id: str, made: Decision, first: bool) -> Step:
        item = self.model.knowledge.items[id]
        prove = made.next == "prove"
        return Step(
            item=id,
            kind=item.kind,
            text=item.text,
            minutes=item.minutes,
            cost=item.cost,
            why=tell.why_proof(self.model, now, id) if prove else tell.why_check(self.worth, now, id, made),
            branches=tuple(self._branches(now, id, first)),
            run=item.run,
            how=tell.how(item),
            caution=item.caution,
        )

    def _branches(self, now: Standing, id: str, deciding: bool) -> Iterator[Branch]:
        """What each outcome would mean. What would come then is decided for the first step alone."""
        item = self.model.knowledge.items[id]
        for outcome, p in zip(item.outcomes, now.belief.outcomes(id).tolist(), strict=True):
            then = ""
            if p > 0:
                after = now.observed(id, outcome.id)
                then = tell.meaning(self.model, after)
                if deciding:
                    then += " " + tell.comes(self.model, after, self.decide(after))
            yield Branch(outcome.id, outcome.text, p, then.strip())

    def _advice(self, now: Standing, made: Decision) -> Advice | None:
        if made.next != "repair" or made.mend is None:
            return None
        repair = self.model.knowledge.repairs[made.mend.repair]
        return Advice(
            repair=repair.id,
            title=repair.title,
            causes=tell.mended_by(self.model, now, repair),
            probability=made.mend.probability,
            why=tell.why_repair(self.model, now, made),
            minutes=repair.minutes,
            cost=repair.cost,
            caution=repair.caution,
        )

    def _why(self, now: Standing, made: Decision, steps: tuple[Step, ...]) -> str:
        if made.next == "repair":
            return tell.why_repair(self.model, now, made)
        return steps[0].why if steps else tell.why_none(self.model, now)


@lru_cache(maxsize=4)
def _planner(model: Model, by: str) -> Planner:
    return Planner(model, by)


def plan(knowledge: Knowledge | Model, evidence: Evidence, by: str = "minutes", skipped: Collection[str] = ()) -> Plan:
    """The plan after this evidence (see Planner.plan). Give a Model where it is asked often: it is made ready once."""
    model = knowledge if isinstance(knowledge, Model) else Model(knowledge)
    return _planner(model, by).plan(evidence, skipped)


__all__ = ["PROOF", "Decision", "Planner", "plan"]
