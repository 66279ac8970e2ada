"""What a rule found: the part of a verdict that a rule knows; the run adds what was measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchd.core.procedures.throttle import Objection
from benchd.core.specs import Rule
from benchd.core.verdicts import Measured, Outcome, Suspect, Verdict


@dataclass(frozen=True, slots=True)
class Finding:
    outcome: Outcome
    suspect: Suspect
    reasons: tuple[str, ...]
    because: str
    next_step: str = ""
    suspects: tuple[Suspect, ...] = ()
    cautions: tuple[str, ...] = ()
    slug: str = ""  # what was found, in one word of the procedure's: key 'finding' of the verdict object

    @classmethod
    def of(cls, objection: Objection) -> Finding:
        return cls(objection.outcome, objection.suspect, (objection.reason,), objection.because, objection.next_step)

    def verdict(
        self,
        *,
        procedure: str,
        measured: Mapping[str, Measured],
        limits: Mapping[str, Any],
        duration_s: float,
        samples: int,
        rpm: tuple[float, float, float] | None,
        rule: Rule,
        assumptions: tuple[str, ...],
    ) -> Verdict:
        """The whole verdict; assumptions stand after the reasons, in the reader's sight."""
        return Verdict(
            procedure=procedure,
            outcome=self.outcome,
            suspect=self.suspect,
            reasons=self.reasons + assumptions,
            measured=measured,
            limits=limits,
            ended_because=self.because,
            duration_s=round(duration_s, 9),
            samples=samples,
            rpm=rpm,
            suspects=self.suspects or (() if self.suspect is Suspect.NONE else (self.suspect,)),
            decision_rule=str(rule),
            next_step=self.next_step,
            cautions=self.cautions,
            extra={"finding": self.slug} if self.slug else {},
        )
