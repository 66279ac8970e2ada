"""Continuity and insulation with an ohmmeter, nothing powered: breaker, switch positions, stator to ground and across.

One step after the other; every step may be skipped. A closed contact is seen by itself once the leads, open before, have
been on it for three seconds; an open one needs the operator's 'done', since leads in the air read the same. The meter's overload is open, which is good
to ground and bad across a breaker.

Prompts (id: answers), each: done | skip | enough, or the ohms as read from a meter that is not on the bench (OL = open)
    hook-up               done
    leads                 the tips together, which zeroes the leads
    breaker
    switch:POSITION:K     K = 1 .. the pairs of terminals in the order in which [wiring.switch] names them
    stator-ground:K       K = 1 .. the leads in the order in which lead_pairs names them
    stator-pair:K         K = 1 .. the lead pairs

A recording of ohms alone cannot be judged: nobody says what the leads were on. Steps and their answers are in a run's
journal, which can.

It passes when breaker, switch, stator to ground and stator across were each measured at least once, as far as the machine
file has them; with a whole part left out nothing bad is undecided.

Findings: good, breaker-open, switch-bad, stator-grounded, stator-open.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from benchd.core.budget import Component, rectangular
from benchd.core.events import Answer, Caution, JudgeEvent, Phase, Prompt, Standing
from benchd.core.procedures.averaged import Amount
from benchd.core.procedures.contacts import (
    ASSUMED_LEADS,
    ASSUMED_LEADS_HALF,
    CLOSED_OHMS,
    UNASKED_S,
    Bounds,
    Contact,
    steps_of,
)
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.watched import ENDED, Watched
from benchd.core.readings import Flag
from benchd.core.samples import Sample, Value
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.verdicts import Measured, Outcome, Suspect

SETTLE_S = 0.5  # after 'done': an autoranging meter looks for its range
LONGEST_S = 15.0  # after 'done': a reading that does not stand still
CHOICES = ("done", "skip", "enough")
NOT_STILL = "The reading does not stand still: press the tips on harder, on bare metal. "
BELOW_ZERO = "Below zero ohm is no reading: take the battery's negative cable off, let it stand, then again. "
DEAD_CIRCUIT = (
    "Nothing powered: engine stopped and cool, key off, the battery's negative cable off. An ohmmeter on a live circuit reads "
    "nonsense and may be damaged."
)
_OHMS = re.compile(r"([0-9]{1,9}(?:[.,][0-9]{1,4})?)\s*([kKmM]?)\s*(?:ohms?|Ω)?")
_TIMES = {"": 1.0, "k": 1e3, "m": 1e6}

PARTS = {
    "breaker-open": (Suspect.CONNECTION, "Reset or replace the breaker, and find what tripped it; measure again."),
    "switch-bad": (Suspect.CONNECTION, "Clean the switch's plug; replace the switch if it stays so; measure again."),
    "stator-grounded": (Suspect.STATOR, "Look for a chafed lead first; else replace the stator. Stator run as proof."),
    "stator-open": (Suspect.STATOR, "Look at leads and plug first; else replace the stator. Stator run as proof."),
}


class ContinuityTest(Watched):
    """One continuity test, judged as its samples come."""

    name = "continuity"
    channels_needed: tuple[str, ...] = ("circuit_ohms",)
    channels_used: tuple[str, ...] = ("circuit_ohms",)

    def __init__(self, spec: MachineSpec, metrology: Metrology, earlier: Mapping[str, str], **timing: Any) -> None:
        super().__init__(spec, metrology, earlier, **timing)
        self.steps = steps_of(spec)
        self.contacts: dict[str, Contact] = {}
        self.at = 0
        self.hands_on = True  # a meter between two steps may show anything
        self._done_s: float | None = None  # since when the tips are where they should be
        self._open_seen = False  # the leads have been in the air since the step began
        self._asked = 0
        self._enough = False
        self._powered_told = False
        self._again: str = ""
        self._typed = False  # this step's ohms come from the keys, not from the meter on the bench

    # --- the conversation -------------------------------------------------------------------------------------------

    def opening(self) -> Sequence[JudgeEvent]:
        return [
            Caution(0, DEAD_CIRCUIT),
            Prompt(
                0,
                "hook-up",
                "Meter on ohms, automatic range, two tips. Battery's negative cable off, key out, engine stopped. Each step can "
                "be skipped.",
                ("done",),
                DEAD_CIRCUIT,
            ),
            self._ask(0),
        ]

    def _ask(self, t_ns: int, why: str = "") -> Prompt:
        step = self.steps[self.at]
        number = f"{self.at + 1} of {len(self.steps)}"
        return Prompt(t_ns, step.id, f"{why}{number}: {step.ask}", CHOICES)

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        text, ids = answer.text.strip(), [step.id for step in self.steps]
        if answer.id not in ids or not text:
            return []
        typed = _typed_ohms(text)
        if text.lower() not in CHOICES and typed is None:
            said = f"{text!r} is none of the answers: {', '.join(CHOICES)}, or ohms such as 0.4 or 12k or OL. "
            return [Prompt(answer.t_ns, answer.id, said + self.steps[ids.index(answer.id)].ask, CHOICES)]
        if text.lower() == "enough":
            self._enough = True
        if self.at >= len(self.steps) or answer.id != self.steps[self.at].id:
            return []
        step = self.steps[self.at]
        if typed is not None:
            step.readings = [(answer.t_ns / 1e9 + 1.5 * count, typed) for count in range(3)]
            self._done_s, self._typed = answer.t_ns / 1e9, True
        elif text.lower() == "skip":
            step.skipped = True
            self._next()
        elif text.lower() == "done":
            step.readings.clear()
            self._done_s, self._typed = answer.t_ns / 1e9, False
            self.hands_off(self._done_s)
        return []

    def _next(self) -> None:
        self.at += 1
        self._done_s = None
        self._open_seen = self._typed = False
        self.hands_on = True

    def _as_present(self, sample: Sample) -> Sample:
        """Overload is an answer here, not a missing reading."""
        value = sample.values.get("circuit_ohms")
        if value is None or not _is_open(value):
            return sample
        return replace(sample, values={**sample.values, "circuit_ohms": Value(math.inf, value.resolution)})

    def _take(self, sample: Sample) -> None:
        value = sample.values.get("circuit_ohms")
        if value is None or self.at >= len(self.steps):
            return
        ohms = math.inf if _is_open(value) else self.number(sample, "circuit_ohms")
        if ohms is None:
            return
        self._seen.add("circuit_ohms")
        self._open_seen = self._open_seen or math.isinf(ohms)
        if self._typed:
            return
        if self._done_s is not None and sample.t_s < self._done_s + SETTLE_S:
            return
        if self._done_s is not None or (self._open_seen and not math.isinf(ohms)):
            self.steps[self.at].readings.append((sample.t_s, ohms))
        elif math.isinf(ohms):
            self.steps[self.at].readings.clear()

    # --- judging ------------------------------------------------------------------------------------------------------

    @property
    def bounds(self) -> Bounds:
        found = self.contacts.get("leads")
        leads = found.ohms if found is not None and found.call == "good" else None
        if leads is None:
            part = Component("meter's leads, assumed", rectangular(ASSUMED_LEADS_HALF))
            leads = Amount(ASSUMED_LEADS, "ohm", (part,))
        return Bounds(self.spec, leads, self.facts["circuit_ohms"])

    def _judge(self) -> Finding | None:
        if self._enough or self.at >= len(self.steps):
            return self._finding("every step was made" if not self._enough else "the operator had enough")
        self._contact()
        return None if self.at < len(self.steps) else self._finding("every step was made")

    def _contact(self) -> None:
        """The step's contact, if its readings stand: with 'done' whatever they are, without it only a plain closed one."""
        step = self.steps[self.at]
        found = None if step.powered else self.bounds.contact(step)
        if found is None:
            if self._done_s is not None and self.now_s - self._done_s > LONGEST_S:
                self._again = BELOW_ZERO if step.powered else NOT_STILL
                self._done_s, self._typed = None, False
                step.readings.clear()
            return
        if self._done_s is None and (step.expect == "open" or found.call != "good" or step.span_s < UNASKED_S):
            return
        if step.expect == "leads" and found.call == "bad":
            self._again = f"{found.text} "
            self._done_s, self._typed = None, False
            step.readings.clear()
            return
        self.contacts[step.id] = found
        self._next()

    def _finding(self, because: str) -> Finding:
        made = [one for one in self.contacts.values() if one.step.part != "meter"]
        if not made:
            return Finding(
                Outcome.VOID, Suspect.UNKNOWN, ("Nothing was measured.",), because,
                "Run again, with the leads on each contact in turn.",
            )  # fmt: skip
        told = tuple(one.text for one in self.contacts.values())
        bad = [one for one in made if one.call == "bad"]
        if bad:
            suspect, step = PARTS[bad[0].slug]
            suspects = tuple(dict.fromkeys(PARTS[one.slug][0] for one in bad))
            head = tuple(one.text for one in bad)
            return Finding(
                Outcome.FAIL, suspect, (*head, *(one for one in told if one not in head)), _because(bad[0]), step, suspects,
                slug=bad[0].slug,
            )  # fmt: skip
        return self._not_bad(made, told, because)

    def _not_bad(self, made: Sequence[Contact], told: tuple[str, ...], because: str) -> Finding:
        unclear = [one for one in made if one.call == "unclear"]
        if unclear:
            stator = all(one.step.part.startswith("stator") for one in unclear)
            return Finding(
                Outcome.UNDECIDED, Suspect.STATOR if stator else Suspect.CONNECTION, told, "a reading tells neither way",
                "Clean and dry it and measure again; the stator run decides about a winding.",
                slug=next((one.slug for one in unclear if one.slug), "good"),
            )  # fmt: skip
        left = [step.where for step in self.steps if step.part != "meter" and step.id not in self.contacts]
        left_out = (f"Left out: {', '.join(left)}.",) if left else ()
        parts, measured = (
            {one.part for one in steps} - {"meter"} for steps in (self.steps, [one.step for one in made])
        )
        if parts - measured:
            return Finding(
                Outcome.UNDECIDED, Suspect.UNKNOWN, (*told, *left_out, "What was measured is good, but whole parts were left out."),
                "parts were left out", "Measure what was left out.", slug="good",
            )  # fmt: skip
        return Finding(
            Outcome.PASS, Suspect.NONE, (*told, *left_out), because,
            "What was measured is good. Battery's negative cable on again, last of all.", slug="good",
        )  # fmt: skip

    def _at_end(self, because: str) -> Finding:
        if because == ENDED and not any(one.step.part != "meter" for one in self.contacts.values()):
            return Finding(
                Outcome.VOID, Suspect.UNKNOWN,
                ("A recording of ohms does not tell what the leads were on: a continuity test needs its answers.",), because,
                "Do it as a run: benchd run continuity.",
            )  # fmt: skip
        return self._finding(because)

    # --- what is due ----------------------------------------------------------------------------------------------------

    def _say(self, t_ns: int) -> list[JudgeEvent]:
        if self.at >= len(self.steps):
            return []
        events: list[JudgeEvent] = []
        if self.steps[self.at].powered and not self._powered_told:
            self._powered_told = True
            events.append(
                Caution(t_ns, f"The meter reads below zero: there is voltage on this circuit. {DEAD_CIRCUIT}")
            )
        if self._again:
            why, self._again = self._again, ""
            return [*events, self._ask(t_ns, why)]
        if self.at > self._asked:
            self._asked = self.at
            events.append(self._ask(t_ns))
        return events

    # --- how it stands, and what was measured -----------------------------------------------------------------------------

    def _standing(self, t_ns: int) -> Standing:
        if self.at >= len(self.steps):
            return self._stands(t_ns, Phase.MEASURING, "Every step was made.")
        step = self.steps[self.at]
        calls = {one.call for one in self.contacts.values() if one.step.part != "meter"}
        leaning = "fail" if "bad" in calls else "undecided" if "unclear" in calls or not calls else "pass"
        why = f"{self.at + 1} of {len(self.steps)}: {step.where}" + (
            ": measuring." if self._done_s is not None else "."
        )
        before = list(self.contacts.values())[-1:]
        ohms = before[0].ohms if before else None
        estimates = {} if ohms is None else {"circuit_ohms": ohms.estimate()}
        told = f" Before: {before[0].text}" if before else ""
        return Standing(t_ns, Phase.MEASURING, leaning, 0.0, why + told, estimates=estimates)

    def _measured(self) -> dict[str, Measured]:
        return {
            re.sub(r"\W+", "_", id).strip("_") + "_ohms": one.ohms.measured()
            for id, one in self.contacts.items()
            if one.ohms is not None
        }

    def _limits(self) -> dict[str, Any]:
        stator = self.spec.stator
        return {
            "closed_ohms": CLOSED_OHMS,
            "min_ground_ohms": None if stator is None else stator.min_ground_ohms,
            "lead_ohms": None if stator is None or stator.lead_ohms is None else list(stator.lead_ohms),
        }

    def _extra(self) -> dict[str, Any]:
        rows = []
        for step in self.steps:
            one = self.contacts.get(step.id)
            ohms = None if one is None or one.ohms is None else one.ohms.value
            state = "skipped" if one is None else one.call
            rows.append({"id": step.id, "where": step.where, "expected": step.expect, "ohms": ohms, "call": state})
        return {"contacts": rows}


def _because(contact: Contact) -> str:
    return {"breaker-open": "the breaker is open", "switch-bad": "the switch is bad", "stator-grounded": "stator grounded",
            "stator-open": "stator open"}[contact.slug]  # fmt: skip


def _is_open(value: Value) -> bool:
    return value.value is None and Flag.OVERLOAD in value.flags


def _typed_ohms(text: str) -> float | None:
    """Ohms as people type them: '0.4', '12k', '1.5 M', 'OL'; None for anything else."""
    if text.upper() in ("OL", "O.L", "OPEN"):
        return math.inf
    found = _OHMS.fullmatch(text)
    return None if found is None else float(found[1].replace(",", ".")) * _TIMES[found[2].lower()]
