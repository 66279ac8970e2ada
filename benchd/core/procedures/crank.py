"""Cranking: volts at the battery's posts, amps and speed while the starter turns an engine that must not start.

The step from rest into the crank gives the battery's inner resistance; the mean after the starter's first gulp is what
is judged. A crank is seen by itself; the starter is given its rest between two.

Prompts (id: answers):
    hook-up            done
    spark-off          done            the spark is disabled as the manual says
    battery-celsius    a temperature with its unit, or nothing
    crank, crank:2, crank:3   clicks | nothing   said only if the engine does not turn; a crank needs no answer
    release            (a line to read)
    rest               (a line to read)  the starter rests

Findings: cranks, slow, battery-sags, starter-dragging, no-current, high-resistance; where the run is void: frozen,
engine-started, no-crank-seen, too-short.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from benchd.core import lead_acid
from benchd.core.events import Answer, Caution, JudgeEvent, Phase, Prompt, Standing
from benchd.core.procedures import words
from benchd.core.procedures.asking import CELSIUS_ID, ask_temperature, temperature
from benchd.core.procedures.base import Range
from benchd.core.procedures.cranking import Crank, Cranked, Starter, cranked
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.rules_cranking import Bounds, Judge, bounds
from benchd.core.procedures.throttle import RUNNING_RPM
from benchd.core.procedures.watched import Watched, ask_again
from benchd.core.readings import Flag
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec, Metrology, StartingSpec
from benchd.core.verdicts import Measured, Outcome, Suspect

ENOUGH_S = 4.0  # of cranking, or
ENOUGH_PART = 0.8  # of the longest that the manual allows
OVERLONG_S = 3.0  # past the longest: what there is is judged though the key is held
PATIENCE_S = 240.0
MOST_TRIES = 3
RISEN_VOLTS = 0.5  # above rest after a crank: the alternator charges, so the engine runs
CURVE_POINTS = 60


class CrankTest(Watched):
    """One cranking test, judged as its samples come."""

    name = "crank"
    channels_needed: tuple[str, ...] = ("battery_volts",)
    channels_used: tuple[str, ...] = ("battery_volts", "crank_amps", "engine_rpm", "battery_celsius")
    look_s = 0.0  # a crank lasts a few samples: each is looked at

    def __init__(self, spec: MachineSpec, metrology: Metrology, earlier: Mapping[str, str], **timing: Any) -> None:
        super().__init__(spec, metrology, earlier, **timing)
        limits = spec.starting or StartingSpec()
        self.starter = Starter(limits.max_crank_s, limits.rest_s)
        self.celsius: float | None = None
        self._said = ""  # the operator's 'clicks' or 'nothing'
        self._told: set[str] = set()
        self._tries = 1
        self._waiting_since_s: float | None = None
        self._risen = 0
        self._amps_over = 0  # readings of the clamp over its range while cranking

    def least_ranges(self) -> Sequence[Range]:
        most = self.spec.starting.max_starter_amps if self.spec.starting else None
        if most is None:
            return ()
        return (Range("crank_amps", 2 * most, "A", f"2 x the manual's most {most:g} A, for the first gulp"),)

    @property
    def enough_s(self) -> float:
        return min(ENOUGH_S, ENOUGH_PART * self.starter.max_crank_s)

    @property
    def limits(self) -> Bounds:
        return bounds(self.spec, self.celsius)

    # --- the conversation -------------------------------------------------------------------------------------------

    def opening(self) -> Sequence[JudgeEvent]:
        events: list[JudgeEvent] = [
            Caution(0, words.FROZEN),
            Caution(0, words.GAS),
            Caution(0, words.TURNING),
            Prompt(
                0,
                "hook-up",
                "Hook-up, key off: voltmeter (DC volts) on the battery's posts themselves, red to plus. If there is one, a "
                "DC clamp around the starter's cable, zeroed: never a meter's current jack. Park brake on, blades and "
                "belts disengaged.",
                ("done",),
                "A starter takes more than a hundred amps: through a meter's jack they burn it.",
            ),
            Prompt(
                0,
                "spark-off",
                "Disable the spark as the manual says (kill wire or module to ground; never just the plug lead in the air).",
                ("done",),
                "The engine must not start.",
            ),
            ask_temperature(0),
        ]
        return [*events, self._ask_crank(0)]

    def _ask_crank(self, t_ns: int) -> Prompt:
        number = "" if self._tries == 1 else f":{self._tries}"
        return Prompt(
            t_ns,
            f"crank{number}",
            f"Turn the key to start and hold it for about {min(ENOUGH_S + 1, self.starter.max_crank_s):.0f} s (at most {self.starter.max_crank_s:g} s); it is "
            "seen by itself. If the solenoid only clicks, or nothing happens, say so.",
            ("clicks", "nothing"),
            f"At most {self.starter.max_crank_s:g} s at a time, then {self.starter.rest_s:g} s of rest for the starter.",
        )

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        text = answer.text.strip().lower()
        if answer.id == CELSIUS_ID:
            found = temperature(answer.text)
            if found.ask:
                return [ask_temperature(answer.t_ns, found.ask)]
            self.celsius = self.celsius if found.celsius is None else found.celsius
        elif answer.id.partition(":")[0] == "crank" and text:
            if text not in ("clicks", "nothing", "done"):
                return [ask_again(answer, ("clicks", "nothing"))]
            self._said = text if text != "done" else self._said
        return []

    def _take(self, sample: Sample) -> None:
        found = self.number(sample, "battery_celsius")
        if found is not None:
            self.celsius = found
        volts = self.number(sample, "battery_volts")
        before = self.starter.crank
        amps = sample.values.get("crank_amps")
        if before is not None and amps is not None and Flag.OVERLOAD in amps.flags:
            self._amps_over += 1
        self.starter.feed(sample.t_s, volts, self.number(sample, "crank_amps"), self.number(sample, "engine_rpm"))
        rest = self.starter.rest_volts
        if self._waiting_since_s is None or self.starter.crank is not before:
            self._waiting_since_s = sample.t_s
        if volts is not None and rest is not None and self.starter.cranks and self.starter.crank is None:
            self._risen = self._risen + 1 if volts > rest + RISEN_VOLTS else 0

    # --- judging ----------------------------------------------------------------------------------------------------

    def _judge(self) -> Finding | None:
        return self._hooked_up() or self._started() or self._cranked() or self._silent() or self._patience()

    def _hooked_up(self) -> Finding | None:
        rest = self.starter.rest_volts
        if rest is None or self.run_s < 2.0 or self.starter.cranks:
            return None
        if rest < lead_acid.NO_BATTERY_VOLTS:
            turned = rest < -lead_acid.NO_BATTERY_VOLTS
            why = "the voltmeter's leads are swapped" if turned else "there is no battery at the voltmeter's leads"
            return Finding(
                Outcome.VOID, Suspect.INSTRUMENT, (f"Battery volts read {rest:.2f} V: {why}.",), "voltmeter hooked up wrong",
                "Red to plus, black to minus, on the posts; then run again.",
            )  # fmt: skip
        if self.celsius is not None and lead_acid.may_be_frozen(rest, self.celsius):
            return Finding(
                Outcome.VOID, Suspect.BATTERY,
                (f"At {self.celsius:g} degC and {rest:.2f} V at rest the battery may be frozen. {words.FROZEN}",),
                "the battery may be frozen", "Let it thaw indoors, look for cracks, then test it.",
                cautions=(words.FROZEN,), slug="frozen",
            )  # fmt: skip
        return None

    def _started(self) -> Finding | None:
        """It runs: what was measured of the crank before counts, if it is enough."""
        if self.starter.started_s is None and self._risen < 3:
            return None
        figures = self._figures()
        cautions = ("The engine runs: key off now. " + words.EXHAUST,)
        if figures is None:
            return Finding(
                Outcome.VOID, Suspect.UNKNOWN, ("The engine started: too little cranking was seen to judge anything.",),
                "the engine started", "Key off. Disable the spark as the manual says, then run again.",
                cautions=cautions, slug="engine-started",
            )  # fmt: skip
        found = self._judged(figures)
        said = "The engine started though it must not: what was read before is judged. Disable the spark next time."
        return replace(found, reasons=(*found.reasons, said), cautions=(*found.cautions, *cautions))

    def _figures(self) -> Cranked | None:
        """The newest crank that can be judged."""
        for crank in reversed(self.starter.cranks):
            found = cranked(crank, self.starter, self.facts, self.now_s)
            if found is not None:
                return found
        return None

    def _cranked(self) -> Finding | None:
        if not self.starter.cranks:
            return None
        crank = self.starter.cranks[-1]
        held = crank.ended_s is None and crank.seconds(self.now_s) < self.starter.max_crank_s + OVERLONG_S
        figures = None if held else self._figures()
        if figures is not None:
            return self._judged(figures)
        if not held and len(self.starter.cranks) >= MOST_TRIES:
            return Finding(
                Outcome.VOID, Suspect.UNKNOWN, (f"{MOST_TRIES} cranks were each too short to judge.{self._slow_meter()}",), "cranks too short",
                f"Let the starter rest {self.starter.rest_s:g} s; then hold the key for {self.enough_s:.0f} s.", slug="too-short",
            )  # fmt: skip
        return None

    def _slow_meter(self) -> str:
        """Told where a crank was long enough and the readings were too few."""
        long_ones = any(crank.seconds(self.now_s) >= self.enough_s for crank in self.starter.cranks)
        return (
            " The key was held long enough, but the readings come too slowly: half a second apart or less."
            if long_ones
            else ""
        )

    def _judged(self, figures: Cranked) -> Finding:
        found = Judge(figures, self.limits, self.spec, self.metrology, self.earlier, self.celsius).finding()
        return replace(found, reasons=(*found.reasons, *self._clamp(figures)))

    def _clamp(self, figures: Cranked) -> tuple[str, ...]:
        """What is to be said of the clamp."""
        if figures.amps is None and self._amps_over >= 2:
            return ("The clamp was over its range while cranking: choose a higher one, the amps are missing.",)
        if self.starter.clamp_turned:
            return ("The clamp's arrow points to the battery: its amps were taken without their sign.",)
        return ()

    def _silent(self) -> Finding | None:
        """The operator says that nothing turned, and the volts bear him out."""
        rest = self.starter.rest_volts
        if not self._said or rest is None or self.starter.crank is not None:
            return None
        pulls = self._said == "clicks" or self.starter.coil_seen
        steady = f"The battery's volts stayed at {rest:.2f} V" + (
            " and no starter amps flowed." if self.was_read("crank_amps") else "."
        )
        if self.starter.dips >= 2:
            return Finding(
                Outcome.FAIL, Suspect.BATTERY,
                (f"The solenoid chatters: the volts fall from {rest:.2f} V as soon as it closes and it lets go again.",
                 "Points to a battery that is discharged or weak, or to a bad joint at its terminals."),
                "the solenoid chatters", "Charge and test the battery, clean its terminals; then crank again.",
                (Suspect.BATTERY, Suspect.CONNECTION), slug="battery-sags",
            )  # fmt: skip
        where = (
            "The solenoid's coil is fed, so the control circuit works: points to the solenoid's big contacts or its joints, "
            "the starter's cable, its ground, or an open starter."
            if pulls
            else "Not even the coil drew anything: points to the control circuit: breaker or fuse, key switch, seat, blade "
            "or brake interlock, the small wire at the solenoid, the solenoid's ground."
        )
        return Finding(
            Outcome.FAIL, Suspect.CONNECTION, (steady, where), "nothing turned",
            "Check breaker and switch by continuity, then volts at the solenoid's small terminal with the key at start.",
            (Suspect.CONNECTION, Suspect.UNKNOWN), slug="no-current",
        )  # fmt: skip

    def _patience(self) -> Finding | None:
        since = self._waiting_since_s
        if since is None or self.starter.crank is not None:
            return None
        if self.now_s - since - self.starter.rest_left_s(self.now_s) < PATIENCE_S:
            return None
        return self._at_end("no crank was seen")

    def _at_end(self, because: str) -> Finding:
        figures = self._figures()
        if figures is not None:
            return self._judged(figures)
        if self.starter.cranks:
            return Finding(
                Outcome.VOID, Suspect.UNKNOWN, (f"The crank was too short: at least two seconds after the first gulp are needed.{self._slow_meter()}",),
                because, f"Crank again and hold the key for {self.enough_s:.0f} s.", slug="too-short",
            )  # fmt: skip
        rest = self.starter.rest_volts
        stood = "" if rest is None else f"; the volts stood at {rest:.2f} V"
        if self.starter.falls:
            stood += ". They had fallen, but the clamp read no starter's amps and nothing turned: if the key was on, the clamp is not around its cable"
        return Finding(
            Outcome.VOID, Suspect.UNKNOWN,
            (f"No crank was seen{stood}. If the key was turned and nothing happened, say 'nothing' or 'clicks' when asked: "
             "that is a finding.",),
            because, "Run again: key to start, and answer if nothing happens.", slug="no-crank-seen",
        )  # fmt: skip

    # --- what is due --------------------------------------------------------------------------------------------------

    def _say(self, t_ns: int) -> list[JudgeEvent]:
        crank = self.starter.crank
        if crank is not None:
            return self._while_cranking(t_ns, crank, len(self.starter.cranks))
        events: list[JudgeEvent] = []
        rest = self.starter.rest_volts
        if rest is not None and not self.starter.cranks and self.run_s >= 2.0 and rest < 12.0 and self._once("low"):
            events.append(
                Caution(
                    t_ns,
                    f"The battery rests at {rest:.2f} V, discharged: this crank will say little of the starter. Charge and "
                    "test it first; in the cold it may be frozen.",
                )
            )
        number = len(self.starter.cranks)
        if number and number == self._tries and number < MOST_TRIES:  # it was too short, or it would be judged
            self._tries += 1
            left = self.starter.rest_left_s(self.now_s)
            if left > 0:
                events.append(Prompt(t_ns, "rest", f"Too short to judge. Let the starter rest for {left:.0f} s.", ()))
            events.append(self._ask_crank(t_ns))
        return events

    def _while_cranking(self, t_ns: int, crank: Crank, number: int) -> list[JudgeEvent]:
        events: list[JudgeEvent] = []
        if number > 1 and self._once(f"rested:{number}"):
            before = self.starter.cranks[number - 2]
            assert before.ended_s is not None
            missing = self.starter.rest_s - (crank.began_s - before.ended_s)
            if missing > 0 and self.starter.used_s(crank.began_s) >= 0.5 * self.starter.max_crank_s:
                events.append(Caution(t_ns, f"The starter should have rested for {missing:.0f} s more: it overheats."))
        if crank.seconds(self.now_s) >= self.enough_s and crank.judgeable and self._once(f"enough:{number}"):
            events.append(Prompt(t_ns, "release", "Enough: release the key.", ()))
        if self.starter.used_s(self.now_s) > self.starter.max_crank_s and self._once(f"overlong:{number}"):
            events.append(
                Caution(
                    t_ns,
                    f"RELEASE THE KEY: the starter has turned for more than {self.starter.max_crank_s:g} s. Let it rest for "
                    f"{self.starter.rest_s:g} s.",
                )
            )
        return events

    def _once(self, key: str) -> bool:
        if key in self._told:
            return False
        self._told.add(key)
        return True

    def _closing(self, t_ns: int) -> list[JudgeEvent]:
        if not self.starter.cranks:
            return []
        return [
            Prompt(t_ns, "key-off", "Key off. Give the engine its spark back when you have finished cranking.", ()),
        ]

    # --- how it stands, and what was measured ---------------------------------------------------------------------------

    def _standing(self, t_ns: int) -> Standing:
        crank, limits = self.starter.crank, self.limits
        if crank is None:
            left = self.starter.rest_left_s(self.now_s)
            rest = self.starter.rest_volts
            why = (
                "Reading the battery at rest." if rest is None else f"Battery at rest: {rest:.2f} V. Crank when ready."
            )
            if left > 0:
                why = f"The starter rests for {left:.0f} s more."
            return self._stands(t_ns, Phase.CHECKING, why, left_s=left or None)
        left = max(self.enough_s - crank.seconds(self.now_s), 0.0)
        longest = max(self.starter.max_crank_s - crank.seconds(self.now_s), 0.0)
        figures = cranked(crank, self.starter, self.facts, self.now_s)
        if figures is None:
            return self._stands(t_ns, Phase.MEASURING, "Cranking.", left_s=left, limit_s=longest)
        found = self._judged(figures)
        sure = figures.volts.within(limits.volts, None)
        estimates = {"cranking_volts": figures.volts.estimate(limits.volts, None)}
        if figures.amps is not None:
            estimates["starter_amps"] = figures.amps.estimate(None, limits.amps)
        if figures.rpm is not None:
            estimates["cranking_rpm"] = figures.rpm.estimate(limits.rpm, None)
        return Standing(
            t_ns, Phase.MEASURING, str(found.outcome), round(max(sure, 1 - sure), 3), found.reasons[0],
            left_s=left, limit_s=longest, estimates=estimates,
        )  # fmt: skip

    def _measured(self) -> dict[str, Measured]:
        figures, limits = self._figures(), self.limits
        found: dict[str, Measured] = {}
        if figures is None:
            rest = self.starter.rest_volts
            return {} if rest is None else {"rest_volts": Measured(rest, "V", None, None)}
        found["cranking_volts"] = figures.volts.measured(limits.volts, None)
        found["rest_volts"] = figures.rest.measured()
        found["crank_seconds"] = Measured(figures.seconds, "s", None, None)
        if figures.amps is not None:
            found["starter_amps"] = figures.amps.measured(None, limits.amps)
        if figures.rpm is not None:
            found["cranking_rpm"] = figures.rpm.measured(limits.rpm, None)
            if figures.volts.value > lead_acid.NO_BATTERY_VOLTS:
                found["cranking_rpm_per_volt"] = Measured(figures.rpm.value / figures.volts.value, "rpm/V", None, None)
        if figures.ohms is not None:
            found["battery_ohms"] = figures.ohms.measured()
        if self.starter.least_volts is not None:
            found["least_volts"] = Measured(self.starter.least_volts, "V", None, None)
        if self.starter.greatest_amps:
            found["inrush_amps"] = Measured(self.starter.greatest_amps, "A", None, None)
        return found

    def _limits(self) -> dict[str, Any]:
        limits = self.limits
        return {
            "min_cranking_volts": limits.volts,
            "min_cranking_volts_from": limits.volts_from,
            "min_cranking_rpm": limits.rpm,
            "min_cranking_rpm_from": limits.rpm_from,
            "max_starter_amps": limits.amps,
            "max_crank_s": self.starter.max_crank_s,
            "rest_s": self.starter.rest_s,
        }

    def _extra(self) -> dict[str, Any]:
        """Cranking volts against speed, a point a reading, for the paper."""
        points = []
        for crank in self.starter.cranks:
            volts = dict(zip(*(crank.volts.column(one).tolist() for one in (0, 1)), strict=True))
            speed = dict(zip(*(crank.rpm.column(one).tolist() for one in (0, 1)), strict=True))
            points += [[round(rpm, 1), round(volts[t], 4)] for t, rpm in speed.items() if t in volts]
        return {"volts_against_rpm": points[:CURVE_POINTS]} if points else {}

    def _rpm(self) -> tuple[float, float, float] | None:
        figures = self._figures()
        if figures is None or figures.rpm is None:
            return None
        seen = [one for crank in self.starter.cranks for one in crank.rpm.column(1).tolist() if one < RUNNING_RPM]
        return (min(seen), figures.rpm.value, max(seen))
