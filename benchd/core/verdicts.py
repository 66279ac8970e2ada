"""What a run says in the end, as an object and as the JSON that outsiders rely on."""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


class Outcome(enum.StrEnum):
    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"  # measured well, but too close or not settled
    VOID = "void"  # conditions not met


class Suspect(enum.StrEnum):
    NONE = "none"
    BATTERY = "battery"
    STATOR = "stator"
    REGULATOR = "regulator"
    CONNECTION = "connection"
    ENGINE_SPEED = "engine speed"
    INSTRUMENT = "instrument"
    NOT_DISCHARGED = "not discharged"
    UNKNOWN = "unknown"


EXIT_CODES = {Outcome.PASS: 0, Outcome.FAIL: 1, Outcome.UNDECIDED: 3, Outcome.VOID: 4}

#: The worst of several verdicts decides a command's exit code; worst last.
WORST_LAST = (Outcome.PASS, Outcome.UNDECIDED, Outcome.VOID, Outcome.FAIL)


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its expanded uncertainty; None where it is not known (never zero)."""

    value: float
    unit: str
    expanded_uncertainty: float | None
    coverage_factor: float | None
    probability_of_conformity: float | None = None
    budget: tuple[Mapping[str, Any], ...] = ()

    def to_json(self) -> dict[str, Any]:
        found: dict[str, Any] = {
            "value": self.value,
            "unit": self.unit,
            "expanded_uncertainty": self.expanded_uncertainty,
            "coverage_factor": self.coverage_factor,
        }
        if self.probability_of_conformity is not None:
            found["probability_of_conformity"] = self.probability_of_conformity
        if self.budget:
            found["budget"] = [dict(line) for line in self.budget]
        return found


@dataclass(frozen=True, slots=True)
class Verdict:
    """The judge's answer. Times are seconds since the run began; the shell adds run id, spec and wall clock.

    `ended_because` is one of the short phrases in ENDINGS. `duration_s` counts from the first sample to the decision.
    `suspects` lists every part that may be at fault where `suspect` alone cannot say it.
    """

    procedure: str
    outcome: Outcome
    suspect: Suspect
    reasons: tuple[str, ...]
    measured: Mapping[str, Measured]
    limits: Mapping[str, Any]
    ended_because: str
    duration_s: float
    samples: int
    rpm: tuple[float, float, float] | None  # min, mean, max at full throttle
    suspects: tuple[Suspect, ...] = ()
    decision_rule: str = ""
    next_step: str = ""
    cautions: tuple[str, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """The judge's part of the contract object."""
        rpm = None if self.rpm is None else dict(zip(("min", "mean", "max"), self.rpm, strict=True))
        return {
            "procedure": self.procedure,
            "verdict": str(self.outcome),
            "suspect": str(self.suspect),
            "suspects": [str(one) for one in self.suspects],
            "reasons": list(self.reasons),
            "measured": {name: one.to_json() for name, one in self.measured.items()},
            "limits": dict(self.limits),
            "decision_rule": self.decision_rule,
            "ended_because": self.ended_because,
            "duration_s": self.duration_s,
            "samples": self.samples,
            "rpm": rpm,
            "next_step": self.next_step,
            "cautions": list(self.cautions),
            **dict(self.extra),
        }
