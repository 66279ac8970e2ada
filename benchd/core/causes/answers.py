"""What inference and planning answer: JSON-ready, the same for the command line, the screens, the API and the reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Reason:
    """One piece of evidence and what it did to one cause: `factor` is what the odds of the cause were multiplied
    with by it, all else that is known being known (above 1: for it; below 1: against it)."""

    item: str
    outcome: str
    text: str  # 'Does it hold its charge overnight: no'
    factor: float

    def to_json(self) -> dict[str, Any]:
        return {"item": self.item, "outcome": self.outcome, "text": self.text, "factor": self.factor}


@dataclass(frozen=True, slots=True)
class Ranked:
    """A cause with its probability now and before any evidence; the reasons that moved it most come first."""

    id: str
    title: str
    system: str
    probability: float
    prior: float
    advice: str
    reasons: tuple[Reason, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "title": self.title,
            "system": self.system,
            "probability": self.probability,
            "prior": self.prior,
            "advice": self.advice,
            "reasons": [one.to_json() for one in self.reasons],
        }


@dataclass(frozen=True, slots=True)
class Ranking:
    """Causes by falling probability. They may add up to more than 1, since two can be there together; `sets` are the
    likeliest explanations of the whole (none, one or two causes), which add up to at most 1."""

    causes: tuple[Ranked, ...]
    sets: tuple[tuple[tuple[str, ...], float], ...]
    nothing: float  # probability that nothing is (still) wrong
    elsewhere: str = ""  # a sentence where the evidence points outside the charging system
    conflict: str = ""  # a sentence where the evidence hardly fits any cause

    def to_json(self) -> dict[str, Any]:
        return {
            "causes": [one.to_json() for one in self.causes],
            "sets": [{"causes": list(ids), "probability": p} for ids, p in self.sets],
            "nothing": self.nothing,
            "elsewhere": self.elsewhere,
            "conflict": self.conflict,
        }


@dataclass(frozen=True, slots=True)
class Branch:
    """One outcome that a step may have: how probable it is, and what would come then, in a sentence."""

    outcome: str
    text: str
    probability: float
    then: str

    def to_json(self) -> dict[str, Any]:
        return {"outcome": self.outcome, "text": self.text, "probability": self.probability, "then": self.then}


@dataclass(frozen=True, slots=True)
class Step:
    """One check of the plan. `run` is the procedure that does it, '' where it is done by hand."""

    item: str
    kind: str
    text: str
    minutes: float
    cost: float
    why: str
    branches: tuple[Branch, ...]
    run: str = ""
    how: str = ""
    caution: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "item": self.item,
            "kind": self.kind,
            "text": self.text,
            "minutes": self.minutes,
            "cost": self.cost,
            "why": self.why,
            "branches": [one.to_json() for one in self.branches],
            "run": self.run,
            "how": self.how,
            "caution": self.caution,
        }


@dataclass(frozen=True, slots=True)
class Advice:
    """A repair that is worth more than another check now: which, for what, how sure."""

    repair: str
    title: str
    causes: tuple[str, ...]
    probability: float
    why: str
    minutes: float
    cost: float
    caution: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "repair": self.repair,
            "title": self.title,
            "causes": list(self.causes),
            "probability": self.probability,
            "why": self.why,
            "minutes": self.minutes,
            "cost": self.cost,
            "caution": self.caution,
        }


@dataclass(frozen=True, slots=True)
class Plan:
    """What to do next. `next` is 'check' (steps[0]), 'repair' (`advice`), 'prove' (the run after a repair) or 'none'
    (nothing left that would help). `steps` is the order of checks as it stands now, re-planned after every result.
    `locked`: item -> why it may not be done yet. `expected_minutes`: to the cause, by this plan."""

    next: str
    why: str
    steps: tuple[Step, ...]
    advice: Advice | None
    locked: Mapping[str, str]
    expected_minutes: float | None
    by: str = "minutes"

    def to_json(self) -> dict[str, Any]:
        return {
            "next": self.next,
            "why": self.why,
            "steps": [one.to_json() for one in self.steps],
            "advice": None if self.advice is None else self.advice.to_json(),
            "locked": dict(self.locked),
            "expected_minutes": self.expected_minutes,
            "by": self.by,
        }
