"""Key-off draw: the amps that leave the battery with everything switched off, once they have settled.

The limit is the machine file's `max_key_off_amps`. Without it the published figures stand in, and they differ: a small
tractor without electronics should draw practically nothing (1 mA, common practice, from memory), car pages call 35, 50
or more too much after their modules sleep. Below the least of them is a pass, above the largest a fail; between them
nobody can say. A draw is then followed up: with the regulator unplugged it falls if it goes backwards through it.

Nothing passes before the operator said that the ammeter is hooked up (a recording is judged when it ends): a clamp that
lies on the bench shows no draw either. One high reading is waited out; where they come again, or no level ever stands,
the mean of a whole minute counts, peaks included.

Prompts (id: answers):
    hook-up            done
    prove-ammeter      done | skip   only if the meter has shown nothing but zero
    low-range          (a line to read)
    unplug-regulator   done | skip   only if there is a draw

Findings: no-draw, draw, draw-through-regulator.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from benchd.core import series
from benchd.core.budget import Component, decide
from benchd.core.events import Answer, Caution, JudgeEvent, Phase, Prompt, Standing
from benchd.core.procedures.asking import YES
from benchd.core.procedures.averaged import SCATTER, Amount, average, resolution_of, stated
from benchd.core.procedures.base import Range
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.rules_draw import (
    COARSE_PART,
    FALLEN_PART,
    LARGEST_PUBLISHED,
    LEAST_PUBLISHED,
    NOT_UNPLUGGED,
    SPREAD,
    Draw,
    milliamps,
)
from benchd.core.procedures.watched import ENDED, Watched, ask_again
from benchd.core.samples import Sample
from benchd.core.series import median
from benchd.core.settle import Trend, trend
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.track import Array, Track
from benchd.core.verdicts import Measured, Outcome, Suspect

SURE = 0.975
WINDOW_S = 15.0
LEAST_S = 8.0  # of readings before anything is said
LEAST_READINGS = 6
STEADY_S = 60.0  # over the limit so long and steady: it is a draw
PLAIN_AMPS, PLAIN_S = 1.0, 20.0  # so much is a lamp or a relay, no module that goes to sleep
RESTLESS_S = 60.0  # over which a draw that comes and goes is averaged
LONE_S = 30.0  # after one high reading: was it a glitch, or the first of many?
HIGH_COUNTS = 5.0  # a reading so many digits above the others, and over the limit, is high
FOLLOW_S = 10.0  # after the regulator is unplugged
STEP_READINGS = 40
PATIENCE_S = 150.0  # for hands that unplug a regulator or prove an ammeter

METER_CAUTION = (
    "Never turn the key to start, or to on with the lamps on, while the amps go through a meter's jack: the starter or the "
    "lamps blow its fuse (10 A at most). Use a clamp, or keep the key out."
)
BRIDGE = (
    "Begin on the meter's highest current jack; keep the battery connected by a jumper until the meter is in series, so that "
    "modules stay awake or asleep as they are."
)


class DrawTest(Watched):
    """One key-off draw test, judged as its samples come."""

    name = "draw"
    channels_needed: tuple[str, ...] = ("draw_amps",)
    channels_used: tuple[str, ...] = ("draw_amps", "battery_volts")

    def __init__(self, spec: MachineSpec, metrology: Metrology, earlier: Mapping[str, str], **timing: Any) -> None:
        super().__init__(spec, metrology, earlier, **timing)
        stated = spec.wiring.max_key_off_amps if spec.wiring else None
        self.low, self.high = (LEAST_PUBLISHED, LARGEST_PUBLISHED) if stated is None else (stated, stated)
        self.stated = stated is not None
        self.track = Track(2)  # seconds, amps
        self.volts: list[float] = []
        self.before: Amount | None = None  # the draw before the regulator was unplugged
        self._from_s: float | None = None  # the first reading of the machine
        self._since_s: float | None = None  # the first reading of the level that stands now
        self._hooked_up = False
        self._came_and_went = False  # the draw that is followed up is the mean of something that pulses
        self._alive = False  # the ammeter has shown more than a digit of zero
        self._said_at_s: dict[str, float] = {}  # prompts that were shown
        self._answers: dict[str, tuple[str, float]] = {}
        self._level: Amount | None = None
        self._level_of: tuple[int, float | None] | None = None
        self._trend_now: tuple[Trend, float] | None = None
        self._trend_of: tuple[int, float | None] | None = None

    def least_ranges(self) -> Sequence[Range]:
        why = "the manual's limit" if self.stated else "the largest published limit"
        return (Range("draw_amps", 2 * self.high, "A", f"2 x {why}, {self.high:g} A; better the 10 A jack or a clamp"),)

    # --- the conversation -------------------------------------------------------------------------------------------

    def opening(self) -> Sequence[JudgeEvent]:
        return [
            Caution(0, METER_CAUTION),
            Prompt(
                0,
                "hook-up",
                "Engine stopped, key off and out, lamps off. Ammeter in series between the battery's negative post and its "
                f"cable (red to the cable), or a mA clamp around that cable. {BRIDGE} Everything stays plugged in.",
                ("done",),
                METER_CAUTION,
            ),
        ]

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        text, t_s = answer.text.strip().lower(), answer.t_ns / 1e9
        if answer.id == "hook-up" and text:
            if text not in ("done", *YES):
                return [ask_again(answer, ("done",))]
            self._hooked_up = True
            self._since_s = self._from_s = t_s  # what was read before was not the machine
        elif answer.id in ("unplug-regulator", "prove-ammeter") and text:
            if text not in ("done", "skip"):
                return [ask_again(answer, ("done", "skip"))]
            if answer.id not in self._said_at_s:
                return []  # nobody asked yet: what was unplugged before says nothing of a draw that was not seen
            self._answers.setdefault(answer.id, (text, t_s))
            self.hands_off(t_s)
            if answer.id == "prove-ammeter":
                self._since_s = self._from_s = t_s  # the test lamp is gone
        return []

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        self._hooked_up = self._hooked_up or because == ENDED
        return super().finish(because)

    def _take(self, sample: Sample) -> None:
        amps = self.number(sample, "draw_amps")
        volts = self.number(sample, "battery_volts")
        if volts is not None:
            self.volts.append(volts)
        if amps is None:
            return
        self._alive = self._alive or abs(amps) > 1.5 * self._count
        self.track.append(sample.t_s, amps)
        if self._from_s is None:
            self._from_s = sample.t_s
        if self._since_s is None or self._stepped():
            self._since_s = sample.t_s

    @property
    def _count(self) -> float:
        return resolution_of(self.facts["draw_amps"]) or 0.0

    def _stepped(self) -> bool:
        """The last two readings are away from those before: something went to sleep, woke, or was unplugged."""
        assert self._since_s is not None
        x = self.track.column(1, max(self.track.since(self._since_s), len(self.track) - STEP_READINGS))
        if len(x) < 6:
            return False
        middle = median(x[:-2])
        spread = 1.4826 * median(np.abs(x[:-2] - middle))
        return bool(np.all(np.abs(x[-2:] - middle) > max(6 * spread, 3 * self._count, 0.1 * abs(middle))))

    def _conclude(self, t_ns: int, finding: Finding) -> list[JudgeEvent]:
        told = ""
        if self._came_and_went or self.restless:
            told = f"The amps come and go: the mean of {RESTLESS_S:.0f} s counts."
        elif finding.outcome is Outcome.PASS:
            told = f"Watched for {self.level_s:.0f} s: what comes on more seldom is not seen. If it still runs down, watch longer."
        reasons = (*finding.reasons, told) if told else finding.reasons
        return super()._conclude(t_ns, replace(finding, reasons=reasons))

    # --- what is drawn now --------------------------------------------------------------------------------------------

    def level(self) -> Amount | None:
        """Amps of the last seconds of this level, without their sign; None while there is too little."""
        key = (len(self.track), self._since_s)
        if self._level_of != key:
            self._level_of, self._level = key, self._new_level()
        return self._level

    def _new_level(self) -> Amount | None:
        if self.restless:
            x = self.track.column(1, self.track.since(max(self._from_s or 0.0, self.now_s - RESTLESS_S)))
            facts = self.facts["draw_amps"]
            mean = series.mean(x, self._count)
            parts = (Component(SCATTER, mean.u, mean.dof), *stated(facts, mean.value))
            return Amount(abs(mean.value), "A", parts, len(x))
        if self._since_s is None or not len(self.track) or self.track.last(0) - self._since_s < LEAST_S:
            return None
        t = self.track.column(0)  # slow meters: further back, as far as this level goes
        slow_s = float(t[-LEAST_READINGS]) if len(t) >= LEAST_READINGS else self.now_s
        return self._mean(max(self._since_s, min(self.now_s - WINDOW_S, slow_s)))

    def _mean(self, since_s: float) -> Amount | None:
        x = self.track.column(1, self.track.since(since_s))
        if len(x) < LEAST_READINGS:
            return None
        found = average(self.facts["draw_amps"], x, "A", drifts=True)  # while it falls the mean is on the safe side
        return Amount(abs(found.value), "A", found.parts, found.n)

    @property
    def level_s(self) -> float:
        """Seconds that this level stands."""
        since_s = self._from_s if self.restless else self._since_s
        return 0.0 if since_s is None else self.now_s - since_s

    @property
    def restless(self) -> bool:
        """Whether the draw comes and goes: high readings that come again, or steps in the last minute that never let a level
        stand."""
        if self._from_s is None or self.now_s - self._from_s < RESTLESS_S or self.before is not None:
            return False
        return len(self._peaks()) > 1 or ((self._since_s or 0.0) > self.now_s - LEAST_S and self._steps() > 2)

    def _peaks(self) -> list[float]:
        """When, in the last minute, the amps stood over the limit and away from all others: seconds, one for each time."""
        start = self.track.since(max(self._from_s or 0.0, self.now_s - RESTLESS_S))
        t, x = self.track.column(0, start), np.abs(self.track.column(1, start))
        if len(x) < LEAST_READINGS:
            return []
        high = x > max(self.low, 2 * (middle := median(x)), middle + HIGH_COUNTS * self._count)
        begins = high & ~np.concatenate(([False], high[:-1]))
        return [float(one) for one in t[begins]]

    def _steps(self) -> int:
        """How often, in the last minute, the amps crossed the middle between their least and their most."""
        x = np.abs(self.track.column(1, self.track.since(max(self._from_s or 0.0, self.now_s - RESTLESS_S))))
        if len(x) < LEAST_READINGS or float(np.ptp(x)) <= max(HIGH_COUNTS * self._count, 0.1 * self.low):
            return 0
        above = x > (float(x.min()) + float(x.max())) / 2
        return int(np.count_nonzero(above[1:] != above[:-1]))

    def _trend(self) -> tuple[Trend, float] | None:
        """Change over the last half minute of this level, and its mean."""
        key = (len(self.track), self._since_s)
        if self._trend_of != key:
            self._trend_of, self._trend_now = key, self._new_trend()
        return self._trend_now

    def _new_trend(self) -> tuple[Trend, float] | None:
        start = self.track.since(max(self._since_s or 0.0, self.now_s - 2 * WINDOW_S))
        start = max(min(start, len(self.track) - LEAST_READINGS), self.track.since(self._since_s or 0.0))
        t: Array = self.track.column(0, start)
        x: Array = np.abs(self.track.column(1, start))
        return (trend(t, x, self._count), float(np.mean(x))) if len(x) >= LEAST_READINGS else None

    def falls(self) -> bool:
        """Whether the amps still fall by more than can be noise."""
        found = self._trend()
        return found is None or found[0].falls(max(0.03 * found[1], 0.1 * self.low))

    def rises(self) -> bool:
        found = self._trend()
        return found is not None and found[0].rises(0.1 * self.low)

    def _rules(self) -> Draw:
        rest = median(self.volts[-40:]) if self.volts else None
        return Draw(self.spec, self.low, self.high, self.stated, self._count, rest)

    # --- judging ------------------------------------------------------------------------------------------------------

    def _judge(self) -> Finding | None:
        level, rules = self.level(), self._rules()
        if self.before is not None:
            return self._follow(self.before, rules)
        if level is None or self._waits_for("prove-ammeter"):
            return None
        if not math.isfinite(level.u):
            return rules.unstated(level) if self.level_s >= STEADY_S else None
        if self._over(level):
            self._came_and_went = self.restless
            self.before = level
            return None
        if not self._hooked_up:
            return None
        if level.within(None, self.low) >= SURE and not self.rises():
            return None if self._peaks() and not self._peaks_over() else self._none(level, rules)
        return self._between(level, rules)

    def _waits_for(self, id: str) -> bool:
        """Whether the operator was asked, has not answered, and may still."""
        asked_s = self._said_at_s.get(id)
        return asked_s is not None and id not in self._answers and self.now_s - asked_s < PATIENCE_S

    def _peaks_over(self) -> bool:
        """Whether the one high reading was waited out, or the mean of a minute has them all in it."""
        return self.restless or self.now_s - self._peaks()[-1] >= LONE_S

    def _over(self, level: Amount) -> bool:
        """Surely a draw: over every limit, steady, and for as long as modules may take to doze off."""
        if level.within(None, self.high) > 1 - SURE or (self.falls() and not self.restless):
            return False
        return self.level_s >= (PLAIN_S if level.value > max(PLAIN_AMPS, 2 * self.high) else STEADY_S)

    def _none(self, level: Amount, rules: Draw) -> Finding | None:
        if self._alive:
            return rules.none(level)
        if "prove-ammeter" not in self._said_at_s:
            return None
        return rules.unproven(level, self._answers.get("prove-ammeter", ("", 0.0))[0] == "done")

    def _between(self, level: Amount, rules: Draw) -> Finding | None:
        """Steady for long enough, and still neither surely below nor surely above."""
        if self.level_s < STEADY_S + WINDOW_S or (self.falls() and not self.restless):
            return None
        call = decide(self.metrology.rule, level.within(None, self.low), level.value <= self.low, self.metrology.risk)
        if call == "pass":
            return self._none(level, rules)
        if rules.too_coarse(level) or (self.stated and call != "fail"):
            return rules.undecided(level)
        self.before = level  # no limit tells, but where it goes can be found out
        return None

    def _follow(self, before: Amount, rules: Draw) -> Finding | None:
        """There is a draw: does it go through the regulator?"""
        id = "unplug-regulator"
        if id not in self._said_at_s or self._waits_for(id):
            return None
        said, at_s = self._answers.get(id, ("skip", 0.0))
        if said == "skip":
            return rules.elsewhere(before, NOT_UNPLUGGED)
        now = self._mean(at_s + 1.0)
        if now is None or self.now_s - at_s < FOLLOW_S:
            return None
        # One meter, read twice: its statement is of both.
        told = 3 * math.hypot(before.parts[0].u, now.parts[0].u)
        if before.value - now.value > max(FALLEN_PART * before.value, told):
            return rules.through_regulator(before, now)
        self.before = now  # the newer of the two has settled more
        return rules.elsewhere(
            now, f"It stays at {milliamps(now)} with the regulator unplugged: that is not where it goes."
        )

    def _at_end(self, because: str) -> Finding:
        level, rules = self.level(), self._rules()
        if self.before is not None:
            fell = level is not None and level.value < FALLEN_PART * self.before.value
            if fell and level is not None:
                return rules.fell_unsaid(self.before, level, because)
            return rules.elsewhere(self.before, NOT_UNPLUGGED)
        if level is None or not self._hooked_up:
            told = (
                "Nobody said that the ammeter is hooked up."
                if level
                else "Too few readings of one level to say anything."
            )
            return Finding(
                Outcome.VOID, Suspect.INSTRUMENT, (told,), because,
                f"Hook up, say done, and leave everything alone for {LEAST_S + WINDOW_S:.0f} s or more.",
            )  # fmt: skip
        if not self._alive and level.value <= self.low:
            return rules.unproven(level, False)
        if self.falls() or rules.over(level):
            return rules.too_soon(level, self.falls(), STEADY_S, because)
        return rules.undecided(level, because)

    # --- what is due ----------------------------------------------------------------------------------------------------

    def _say(self, t_ns: int) -> list[JudgeEvent]:
        level = self.level()
        if self.before is not None:
            return self._ask(
                t_ns,
                "unplug-regulator",
                f"There is a draw of {milliamps(self.before)}. Unplug the regulator, key off, nothing else; then say done.",
                "Do not turn the key, do not break the meter's circuit.",
            )
        if level is None or not self._hooked_up:
            return []
        if not self._alive and level.within(None, self.low) >= SURE:
            return self._ask(
                t_ns,
                "prove-ammeter",
                "The ammeter shows nothing but zero. Prove it: hold a test lamp of at most 5 W from plus to the machine's side of "
                "the meter, see the amps, take it away; then say done.",
                METER_CAUTION,
            )
        if self._count > COARSE_PART * self.low and level.value < 0.2 and "low-range" not in self._said_at_s:
            self._said_at_s["low-range"] = self.now_s
            text = (
                f"{milliamps(level)} is too coarse here: go to the mA jack (below its fuse's rating), circuit bridged."
            )
            return [Prompt(t_ns, "low-range", text, (), METER_CAUTION)]
        return []

    def _ask(self, t_ns: int, id: str, text: str, caution: str) -> list[JudgeEvent]:
        if id in self._said_at_s:
            return []
        self._said_at_s[id] = self.now_s
        self.hands_on = True
        return [Prompt(t_ns, id, text, ("done", "skip"), caution)]

    # --- how it stands, and what was measured -----------------------------------------------------------------------------

    def _standing(self, t_ns: int) -> Standing:
        level = self.level()
        limit_s = max(self.max_run_s - self.run_s, 0.0)
        if level is None or not (self._hooked_up or self.before):
            why = "Waiting for the amps to settle." if self._hooked_up else "Hook up the ammeter, then say done."
            return self._stands(t_ns, Phase.MEASURING, why, limit_s=limit_s)
        estimates = {"draw_amps": level.estimate(None, self.low if level.value <= self.low else self.high)}
        hours = self._rules().hours_to_half(level)
        if hours is not None and self._rules().told(level):
            estimates["hours_to_half"] = hours.estimate()
        if self.before is not None:
            why = f"A draw of {milliamps(self.before)}; now {milliamps(level)}. Unplug the regulator and say done."
            return Standing(t_ns, Phase.MEASURING, "fail", SURE, why, limit_s=limit_s, estimates=estimates)
        under, over = level.within(None, self.low), 1 - level.within(None, self.high)
        leaning, sure = ("pass", under) if under >= 0.5 else ("fail", over) if over >= 0.5 else ("undecided", 0.0)
        why = f"{milliamps(level)}, {'still falling' if self.falls() else f'steady for {self.level_s:.0f} s'}."
        left = None if self.falls() else 0.0 if leaning == "pass" else max(STEADY_S - self.level_s, 0.0)
        return Standing(
            t_ns, Phase.MEASURING, leaning, round(sure, 3), why, left_s=left, limit_s=limit_s, estimates=estimates
        )

    def _measured(self) -> dict[str, Measured]:
        found: dict[str, Measured] = {}
        level = self.before or self.level()
        if level is not None:
            found["draw_amps"] = level.measured(None, self.high)
            hours = self._rules().hours_to_half(level)
            if hours is not None and hours.value > 0 and self._rules().told(level):
                found["hours_to_half"] = hours.measured()
        said, at_s = self._answers.get("unplug-regulator", ("", 0.0))
        if said == "done" and (after := self._mean(at_s + 1.0)) is not None:
            found["draw_without_regulator"] = after.measured(None, self.high)
        if self.volts:
            found["battery_volts"] = average(self.facts["battery_volts"], self.volts[-40:], "V").measured()
        return found

    def _limits(self) -> dict[str, Any]:
        if self.stated:
            return {"max_key_off_amps": self.high, "max_key_off_amps_from": self.spec.manual}
        return {
            "max_key_off_amps": [self.low, self.high],
            "max_key_off_amps_from": f"published figures differ: {SPREAD}",
        }
