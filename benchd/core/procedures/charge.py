"""State of charge: rested volts and specific gravity, weak cell, freezing point.

Prompts (id: what it takes; every one can be left out with Enter or 'skip'):

    hook-up            done
    charged-lately     no | yes: charged, or run, within the last hours
    battery-celsius    a temperature with its unit (20C, 68F); not asked where the bench has the channel
    gravity:1 .. :6    hydrometer readings; 'skip' leaves one cell out, 'none' all, 'ice' says that it is frozen; not
                       asked for a sealed battery
    take-off           done | skip: the surface charge was taken off by a load (seen by itself in load_amps); a 'done'
                       without a dip in the volts is asked about once

Findings: charged, discharged, weak-cell, frozen, surface-charge, disagree, unsure, cut-short; 'instrument' where a
meter is in the way. It ends as soon as the volts stand and nothing is left to be answered.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from benchd.core import ratings
from benchd.core.events import Answer, Caution, Decided, JudgeEvent, Phase, Prompt, Standing
from benchd.core.procedures import battery_words, charge_judging, charge_state, charge_telling
from benchd.core.procedures.asking import CELSIUS_ID, SKIP, ask_temperature, temperature
from benchd.core.procedures.base import Range
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.hydrometer import PREFIX, Hydrometer
from benchd.core.procedures.presence import Presence
from benchd.core.procedures.resting import STEADY_S, Rest
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.verdicts import Outcome, Suspect, Verdict

EVERY_S = 0.99
LOOK_PART = 0.01  # of the time so far: longer runs are looked at less often
PATIENCE_S = 60.0  # for an answer at the keys
HYDROMETER_PATIENCE_S = 240.0  # for a cell to be opened and drawn
WAIT_S = 180.0  # after the load that takes surface charge off; one published list waits 3 min
WAIT_LEAST_S = 60.0  # unless the volts stand before
LOAD_ON_AMPS, LOAD_LEAST_S = 5.0, 10.0
DIP_VOLTS = 0.15  # lamps pull at least so much from a small battery
SEEN_DIP_VOLTS = 0.05  # less than any load does: without it nothing was switched on


class ChargeTest:
    """One state-of-charge test, judged as its samples and answers come."""

    name = "charge"
    channels_needed: tuple[str, ...] = ("battery_volts",)
    channels_used: tuple[str, ...] = ("battery_volts", "battery_celsius", "load_amps")
    spec_needs: tuple[str, ...] = ()

    def __init__(
        self,
        spec: MachineSpec,
        metrology: Metrology,
        earlier: Mapping[str, str],
        *,
        wait_s: float = 20.0,
        max_run_s: float = 1800.0,
        quiet: bool = False,
    ) -> None:
        self.spec, self.metrology = spec, metrology
        self.max_run_s, self.quiet = max_run_s, quiet
        battery = spec.battery
        self.sealed = battery is not None and battery.sealed
        self.full_gravity = None if battery is None else battery.full_gravity
        self.presence = Presence(self.channels_needed, wait_s)
        self.volts = ChannelFacts("battery_volts", metrology.channels.get("battery_volts"))
        self.rest = Rest(self.volts)
        self.hydrometer = Hydrometer(not self.sealed)
        self.celsius: float | None = None
        self.celsius_skipped = False
        self.charged_lately: bool | None = None
        self.lately_skipped = False
        self.stage = "resting"  # then 'take off', 'waiting'; 'unrested' if it was skipped
        self.surface_why = ""
        self.samples = 0
        self.first_s: float | None = None
        self.now_s = 0.0
        self._heard_s = 0.0
        self._looked_s = -math.inf
        self._measuring = False
        self._load_since_s: float | None = None
        self._before_dip: float | None = None
        self._dips = 0  # readings well below, since the load was asked for
        self.unseen_load = False  # 'done' was said, and the volts showed nothing of it
        self._negative = 0
        self._verdict: Verdict | None = None

    @staticmethod
    def spec_complaints(spec: MachineSpec) -> Sequence[str]:
        return ()

    def least_ranges(self) -> Sequence[Range]:
        return (Range("battery_volts", 15.0, "V", "a battery just off the charger"),)

    @property
    def verdict(self) -> Verdict | None:
        return self._verdict

    # --- the conversation -------------------------------------------------------------------------------------------

    def opening(self) -> Sequence[JudgeEvent]:
        events = battery_words.charge_opening()
        if "battery_celsius" not in self.metrology.channels:
            events.append(ask_temperature(0))
        return [*events, *self.hydrometer.next(0)]

    def feed(self, item: Sample | Answer) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        if isinstance(item, Answer):
            return self._answer(item)
        events: list[JudgeEvent] = list(self.presence.feed(item))
        events += self._take(item)
        if item.t_s - self._looked_s < max(EVERY_S, LOOK_PART * (item.t_s - (self.first_s or 0.0))):
            return events
        self._looked_s = item.t_s
        return events + self._look(item.t_ns)

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        return self._conclude(int(self.now_s * 1e9), self._unfinished(because))

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        self._heard_s = max(self.now_s, answer.t_ns / 1e9)
        text = answer.text.strip().lower()
        if answer.id == CELSIUS_ID:
            found = temperature(text)
            self.celsius_skipped = found.skipped
            self.celsius = found.celsius
            return [ask_temperature(answer.t_ns, found.ask)] if found.ask else []
        if answer.id.startswith(PREFIX):
            return list(self.hydrometer.answer(answer))
        if answer.id == battery_words.CHARGED_ID:
            return self._lately(answer, text)
        if answer.id == battery_words.TAKE_OFF_ID and self.stage == "take off":
            if text == "done" and self._dips < 2 and not self.unseen_load and self._before_dip is not None:
                self.unseen_load, why = True, "No load was seen in the volts."
                return [battery_words.take_off(answer.t_ns, why, self._amps())]
            if text == "done":
                self._taken_off()
            elif text in SKIP:
                self.stage = "unrested"
            else:
                return [battery_words.take_off(answer.t_ns, f"{answer.text!r} is neither done nor skip.", self._amps())]
        return []

    def _lately(self, answer: Answer, text: str) -> list[JudgeEvent]:
        known = {"no": False, "n": False, "yes": True, "y": True}
        if text not in known and text not in SKIP:
            again = f"{answer.text!r} is neither no nor yes: was it charged or run within the last hours?"
            return [Prompt(answer.t_ns, battery_words.CHARGED_ID, again, ("no", "yes"))]
        self.charged_lately = known.get(text)
        self.lately_skipped = text in SKIP
        return []

    def _amps(self) -> float | None:
        """The standard load, where the spec tells the battery's cold-cranking amps."""
        if self.spec.battery is None:
            return None
        try:
            return ratings.cold_cranking(self.spec.battery).load
        except ratings.RatingRefused:
            return None

    # --- taking in ----------------------------------------------------------------------------------------------------

    def _take(self, sample: Sample) -> list[JudgeEvent]:
        self.samples += 1
        t_s = self.now_s = sample.t_s
        if self.first_s is None:
            self.first_s = self._heard_s = t_s
        if (celsius := sample.number("battery_celsius")) is not None:
            self.celsius = celsius
        volts, amps = sample.number("battery_volts"), sample.number("load_amps")
        if volts is not None:
            self.volts.see(sample.values["battery_volts"])
            self._negative = self._negative + 1 if volts < -1.0 else 0
            if self._before_dip is not None and self.stage == "take off":
                self._dips += volts < self._before_dip - SEEN_DIP_VOLTS
        if self._under_load(t_s, volts, amps):
            return []
        if volts is not None:
            self.rest.feed(t_s, volts)
        return []

    def _under_load(self, t_s: float, volts: float | None, amps: float | None) -> bool:
        """Whether a load is on: by its amps; while one is asked for also by how far the volts dip."""
        on = None if amps is None else abs(amps) >= LOAD_ON_AMPS
        if on is None and self.stage == "take off" and volts is not None and self._before_dip is not None:
            on = volts < self._before_dip - DIP_VOLTS
        if on:
            if self._load_since_s is None:
                self._load_since_s = t_s
            return True
        if on is False and self._load_since_s is not None:
            long_enough = t_s - self._load_since_s >= LOAD_LEAST_S
            self._load_since_s = None
            self.rest.begin()
            if long_enough:
                self._taken_off()
        return self._load_since_s is not None

    @property
    def loaded(self) -> bool:
        """Whether a load is on now."""
        return self._load_since_s is not None

    def _taken_off(self) -> None:
        self.stage = "waiting"
        self.unseen_load = self.unseen_load and self._dips < 2
        self._load_since_s = None
        self.rest.begin()

    # --- judging ------------------------------------------------------------------------------------------------------

    @property
    def rested(self) -> bool:
        """Whether nothing hides in the volts: hours of rest, or the surface charge taken off and waited for."""
        if self.stage == "waiting":
            return not charge_state.above_full(self)
        return self.stage == "resting" and self.charged_lately is False

    def pending(self) -> float:
        """Seconds for which the answers that are still out are waited for; 0 if none is."""
        if self.hydrometer.pending is not None:
            return HYDROMETER_PATIENCE_S
        asked = "battery_celsius" not in self.metrology.channels
        out = (self.charged_lately is None and not self.lately_skipped and self.stage == "resting") or (
            asked and self.celsius is None and not self.celsius_skipped
        )
        return PATIENCE_S if out else 0.0

    @property
    def answered(self) -> bool:
        """Whether nothing more will be answered: all said, or nobody there."""
        return self.now_s - max(self._heard_s, self.rest.since_s or 0.0) >= self.pending()

    def _look(self, t_ns: int) -> list[JudgeEvent]:
        for rule in charge_judging.RULES:
            finding = rule(self)
            if finding is not None:
                return self._conclude(t_ns, finding)
        if self.now_s - (self.first_s or 0.0) >= self.max_run_s:
            because = f"longest allowed time ({self.max_run_s / 60:.0f} min) reached"
            return self._conclude(t_ns, charge_judging.judged(self, because))
        return [*self._advance(t_ns), *([] if self.quiet else [self._standing(t_ns)])]

    @property
    def negative(self) -> bool:
        return self._negative >= 3

    def waited(self) -> bool:
        """Whether the volts may be taken as rest volts now."""
        if self.stage == "take off" or self._load_since_s is not None:
            return False
        steady, span = self.rest.steady(self.now_s), self.rest.span_s(self.now_s)
        if self.stage == "waiting":
            return span >= WAIT_S or (span >= WAIT_LEAST_S and steady)
        return steady

    def _advance(self, t_ns: int) -> list[JudgeEvent]:
        """Surface charge recognised: ask for the load that takes it off."""
        if self.stage != "resting" or self._load_since_s is not None:
            return []
        why = charge_state.surface_charge(self)
        if not why or charge_state.may_be_frozen(self, rested=False):
            return []
        self.stage, self.surface_why, self._heard_s = "take off", why, self.now_s
        level = self.rest.level(self.now_s)
        self._before_dip = None if level is None else level.value
        return [battery_words.take_off(t_ns, why, self._amps())]

    def take_off_overdue(self) -> bool:
        """Nobody took the surface charge off."""
        return self.stage == "take off" and self.now_s - self._heard_s >= HYDROMETER_PATIENCE_S

    def _standing(self, t_ns: int) -> Standing:
        lean, sure, why = charge_telling.leaning(self)
        self._measuring = self._measuring or self.rest.level(self.now_s) is not None
        phase = Phase.MEASURING if self._measuring else Phase.CHECKING
        left = None
        if self.stage == "waiting":
            span = self.rest.span_s(self.now_s)
            left = max((WAIT_LEAST_S if span < WAIT_LEAST_S else WAIT_S) - span, 0.0)
        elif self.stage == "resting" and not self.pending():
            left = max(STEADY_S - self.rest.span_s(self.now_s), 0.0)
        limit = max(self.max_run_s - (self.now_s - (self.first_s or 0.0)), 0.0)
        return Standing(
            t_ns, phase, lean, round(sure, 3), why, left, limit, estimates=charge_telling.estimates(self)
        )  # fmt: skip

    def _unfinished(self, because: str) -> Finding:
        if because == "stopped by the operator":
            told = ("The operator stopped the test.",)
            return Finding(Outcome.VOID, Suspect.UNKNOWN, told, because, "Run again.", slug="cut-short")
        if self.rest.level(self.now_s) is None:
            objection = self.presence.missing_reason() or self.presence.objection()
            if objection is not None:
                return replace(Finding.of(objection), slug="instrument")
            reason = "Too few readings of the resting battery to say anything."
            return Finding(Outcome.VOID, Suspect.UNKNOWN, (reason,), because, "Run again.", slug="cut-short")
        return charge_judging.judged(self, because)

    def _conclude(self, t_ns: int, finding: Finding) -> list[JudgeEvent]:
        self._verdict = charge_telling.verdict(self, finding)
        return [*(Caution(t_ns, one) for one in finding.cautions), Decided(t_ns, self._verdict)]
