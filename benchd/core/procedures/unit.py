"""The unit's test: one regulator of a lot on a motor-driven bench, walked through its part's characteristics.

It goes on by itself as soon as speed and load are there; no prompt needs an answer (their ids: unit_words.py). Each
characteristic ends when it is certain, the unit at the first failure that touches safety. Others go on to the end, so that
all failure modes are known, but for those that mean nothing after what was found (no output: nothing to regulate).

The verdict object has beside what every run has: `finding` the main failure mode ('' on a pass, 'not-measured' where
conditions were not met), `modes` all of them, `characteristics` a line each in order of testing (unit_verdict.row_of),
`probability_of_conformity` of the unit (the product: as if its characteristics were independent; None where one is not
known). `measured` is by the ids of the characteristics.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from benchd.core.events import Answer, Caution, Decided, JudgeEvent, Phase, Prompt, Standing
from benchd.core.procedures import unit_words as words
from benchd.core.procedures.base import Range
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.presence import Presence
from benchd.core.procedures.standstill import Standstill
from benchd.core.procedures.unit_amounts import Result, call, most
from benchd.core.procedures.unit_held import FRESH_S, STANDS_RPM, Peak, Row
from benchd.core.procedures.unit_steps import NEED_OUTPUT, Step, called, usual_s
from benchd.core.procedures.unit_verdict import NOT_MEASURED, explained, finding, joint_probability, modes, row_of
from benchd.core.procedures.watched import STOPPED, Watched
from benchd.core.readings import NOT_A_MEASUREMENT, Flag
from benchd.core.samples import Sample, Value
from benchd.core.series import median
from benchd.core.specs import Characteristic, MachineSpec, Measures, Metrology, PartSpec
from benchd.core.verdicts import Measured, Outcome

ALWAYS = ("battery_volts", "charge_amps", "engine_rpm")
REMIND_S = 20.0
LOOK_BACK_ROWS = 400
REST_ROWS = 30
DISCHARGED_VOLTS = 11.8  # at rest
FRESH_VOLTS = 13.2
OUTPUT_GOES_ON = 1.5  # of rated amps: what the ammeter must take
DRAW_ROOM = 1.5  # of the leakage limit: what the milliammeter must take


class UnitTest(Watched):
    """One unit, judged as its samples come; see base.Procedure."""

    name = "unit"
    channels_needed: tuple[str, ...] = ALWAYS
    channels_used = (*ALWAYS, "draw_amps", "ripple_volts", "regulator_celsius")
    spec_needs = ("part",)

    def __init__(self, spec: MachineSpec, metrology: Metrology, earlier: Mapping[str, str], **timing: Any) -> None:
        if spec.part is None:
            raise ValueError("a unit's test goes by a regulator file: this spec has no part")
        self.part: PartSpec = spec.part
        kinds = {one.measures for one in self.part.characteristics}
        more = {"draw_amps": Measures.LEAKAGE, "ripple_volts": Measures.RIPPLE}
        self.channels_needed = (*ALWAYS, *(name for name, kind in more.items() if kind in kinds))
        super().__init__(spec, replace(metrology, rule=self.part.rule, risk=self.part.risk), earlier, **timing)
        self.presence = Presence(ALWAYS, self._wait_s)  # the others are missed only while they are measured
        self.results: dict[str, Result] = {}
        self.step: Step | None = None
        self.peak = Peak(self.part.ceiling_volts)
        self.over = ""
        self._rows: deque[Row] = deque(maxlen=LOOK_BACK_ROWS)
        self._rest: deque[float] = deque(maxlen=REST_ROWS)
        self._newest: dict[str, tuple[float, float]] = {}
        self._flags: dict[str, frozenset[Flag]] = {}
        self._still = Standstill()
        self._said: set[str] = set()
        self._too_fast = 0
        self._speeds: list[float] = []
        self._ended = ""  # the last result has come

    def least_ranges(self) -> Sequence[Range]:
        rated = self.part.rated_amps
        found = [
            Range("battery_volts", self.part.ceiling_volts + 1.0, "V", "the ceiling and a volt over it"),
            Range("charge_amps", OUTPUT_GOES_ON * rated, "A", "rated output with room for a load that is set too high"),
        ]
        highs = [one.high for one in self._all() if one.measures is Measures.LEAKAGE and one.high is not None]
        if highs:
            why = "leakage with the drive stopped; the meter is bridged before the drive starts"
            found.append(Range("draw_amps", DRAW_ROOM * max(highs) / 1000, "A", why))
        return found

    def opening(self) -> Sequence[JudgeEvent]:
        text = f"{self.part.number} on the rig. Drive stopped, load off, battery connected."
        return [Caution(0, words.GAS), Prompt(0, "hook-up", text, (), words.NEVER_OPEN)]

    def _all(self) -> tuple[Characteristic, ...]:
        return self.part.characteristics

    # --- samples --------------------------------------------------------------------------------------------------------

    def _as_present(self, sample: Sample) -> Sample:
        """A tachometer that shows no number at a drive that stands is no lost one."""
        rpm = sample.values.get("engine_rpm")
        if rpm is None or not self._shows_nothing(rpm):
            return sample
        return replace(sample, values={**sample.values, "engine_rpm": Value(0.0, rpm.resolution)})

    def _shows_nothing(self, rpm: Value) -> bool:
        before = self._newest.get("engine_rpm", (0.0, 0.0))[1]
        return rpm.value is None and rpm.flags & NOT_A_MEASUREMENT == {Flag.NO_NUMBER} and before < 300.0

    def _take(self, sample: Sample) -> None:
        sample = self._as_present(sample)
        t_s = sample.t_s
        for name, value in sample.values.items():
            self._flags[name] = value.flags
        for name in ("engine_rpm", "charge_amps"):
            if (number := self.number(sample, name)) is not None:
                self._newest[name] = (t_s, number)
        read = {name: self.number(sample, name) for name in self.channels_used if name not in ("engine_rpm",)}
        row = Row(
            t_s, read["battery_volts"], read["charge_amps"], self._fresh("charge_amps", t_s), self._fresh("engine_rpm", t_s),
            read["ripple_volts"], read["draw_amps"], read["regulator_celsius"],
        )  # fmt: skip
        self._rows.append(row)
        self._watch(row)
        if self.step is None and not self._ended:
            self._next()
        if self.step is not None:
            self.step.feed(row, self._flags.get(self.step.channel, frozenset()))

    def _fresh(self, name: str, t_s: float) -> float | None:
        at_s, value = self._newest.get(name, (-1e9, 0.0))
        return value if t_s - at_s <= FRESH_S else None

    def _watch(self, row: Row) -> None:
        """What is watched all the time: ceiling, speed, rest volts, digits that stand."""
        if row.volts is not None:
            self.peak.feed(row.volts, self.facts["battery_volts"].u(row.volts) or 0.0)
            self._still.feed(row.t_s, row.volts)
            if row.rpm is not None and row.rpm <= STANDS_RPM:
                self._rest.append(row.volts)
        if row.rpm is not None:
            self._too_fast = self._too_fast + 1 if row.rpm > self.part.max_rpm else 0
            if self.part.rated_rpm[0] <= row.rpm <= self.part.rated_rpm[1]:
                self._speeds.append(row.rpm)

    @property
    def rest_volts(self) -> float | None:
        return median(list(self._rest)) if self._rest else None

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        return []  # nothing is asked

    # --- from one characteristic to the next ----------------------------------------------------------------------------

    def _next(self) -> None:
        """The next characteristic, those left out that mean nothing any more."""
        self.step = None
        no_output = any(one.mode == "no-output" for one in self.results.values())
        for one in self._all():
            if one.id in self.results:
                continue
            if no_output and (
                one.measures in NEED_OUTPUT or one.measures in (Measures.LOAD_REGULATION, Measures.CEILING)
            ):
                self._put(Result(one, "skipped", "Not measured: there is no output.", self.now_s))
                continue
            rows = list(self._rows)
            self.step = Step(one, self.part, self.facts, self.results, rows, self.rest_volts, self.now_s, self._wait_s)
            return

    def _put(self, result: Result) -> None:
        self.results[result.one.id] = result

    def _judge(self) -> Finding | None:
        if self.peak.crossed and not self.over:
            self._cross()
            return self._finding("the volts went over the ceiling", stopped=True)
        while self.step is not None:
            result = self.step.result()
            if result is None:
                return self._frozen()
            self._put(result)
            if result.outcome == "fail" and result.one.safety:
                self._leave("the unit was stopped", "skipped")
                return self._finding(f"{result.one.id} failed, and it touches safety", stopped=True)
            self._next()
        if len(self.results) < len(self._all()):
            return None
        return self._finding("every characteristic is certain")

    def _cross(self) -> None:
        volts = self.peak.crossing
        self.over = f"{volts:.2f} V, over the ceiling of {self.part.ceiling_volts:g} V, reading after reading."
        for one in self._all():
            if one.measures is Measures.CEILING:
                amount = most(self.facts["battery_volts"], volts, self.peak.readings)
                self._put(called(one, "fail", amount, self.now_s))
        self._leave("the unit was stopped", "skipped")

    def _leave(self, why: str, outcome: str, cause: str = "") -> None:
        """What was not measured is named."""
        self.step, self._ended = None, why
        for one in self._all():
            if one.id not in self.results:
                self._put(Result(one, outcome, f"Not measured: {why}.", self.now_s, cause=cause))

    def _frozen(self) -> Finding | None:
        rpm = self._fresh("engine_rpm", self.now_s)
        if rpm is None or rpm <= STANDS_RPM or not self._still.still(self.now_s):
            return None
        self._leave("the voltmeter's digits stand still, as on hold", "void", "battery_volts")
        return self._finding("battery_volts stands still")

    def _finding(self, because: str, *, stopped: bool = False) -> Finding:
        self._finish_ceilings()
        ordered = explained([self.results[one.id] for one in self._all()])
        self.results = {one.one.id: one for one in ordered}
        return finding(ordered, self.part, self.over, because, stopped)

    def _finish_ceilings(self) -> None:
        """The most volts of the whole test, where their place in the order was reached."""
        for one in self._all():
            found = self.results.get(one.id)
            if (
                one.measures is Measures.CEILING
                and found is not None
                and found.outcome == "pass"
                and self.peak.volts is not None
            ):
                amount = most(self.facts["battery_volts"], self.peak.volts, self.peak.readings)
                self._put(called(one, call(one, amount, self.part, last=True) or "undecided", amount, self.now_s))

    def _missing(self) -> Finding | None:
        found = super()._missing()
        return None if found is None else self._lost(found)

    def _lost(self, found: Finding) -> Finding:
        """A meter is gone: what failed before has failed all the same."""
        self._leave(found.because, "void", next((one for one in ALWAYS if one in found.because), ""))
        if any(one.outcome == "fail" for one in self.results.values()):
            return self._finding(found.because)
        return replace(found, slug=NOT_MEASURED)

    def _unfinished(self, because: str) -> Finding:
        found = super()._unfinished(because)
        self._leave(because, "void")
        return replace(found, slug=NOT_MEASURED) if found.outcome is Outcome.VOID or because == STOPPED else found

    def _at_end(self, because: str) -> Finding:
        while self.step is not None:
            result = self.step.result(last=True)
            if result is not None:
                self._put(result)
            break
        self._leave(because, "void")
        return self._finding(because)

    # --- what is due ----------------------------------------------------------------------------------------------------

    def _say(self, t_ns: int) -> list[JudgeEvent]:
        events: list[JudgeEvent] = [Caution(t_ns, text) for text in self._warnings()]
        step = self.step
        if step is None or not step.waits:
            return events
        one = step.one
        drives = one.measures is not Measures.LEAKAGE
        if drives and "turning" not in self._said:
            self._said.add("turning")
            if self.was_read("draw_amps"):
                events.append(Prompt(t_ns, "bridge-ammeter", "Bridge the milliammeter.", (), words.BRIDGE))
            events += [Caution(t_ns, words.TURNING), Caution(t_ns, words.HOT)]
        if f"set-{one.id}" not in self._said:
            self._said.add(f"set-{one.id}")
            text = words.wanted(one) + words.more(one, "draw_amps" in self.channels_needed)
            caution = words.DUMP if one.measures is Measures.CEILING else words.TURNING if drives else ""
            return [*events, Prompt(t_ns, f"set-{one.id}", text, (), caution)]
        return events + self._again(t_ns, step)

    def _again(self, t_ns: int, step: Step) -> list[JudgeEvent]:
        one, id = step.one, f"again-{step.one.id}"
        if step.ramp is not None and step.ramp.from_above and f"{id}-{step.retries}" not in self._said:
            self._said.add(f"{id}-{step.retries}")
            return [Prompt(t_ns, id, words.slower(one), (), words.TURNING)]
        if id in self._said or self.now_s - step.started_s < REMIND_S:
            return []
        self._said.add(id)
        return [Prompt(t_ns, id, f"{words.wanted(one)} Waiting: {step.unmet()}.", ())]

    def _warnings(self) -> list[str]:
        found = []
        if self._too_fast == 2:
            found.append(f"Slow the drive down: above {self.part.max_rpm:g} rpm.")
        rest = self.rest_volts
        if rest is not None and len(self._rest) >= 4 and "battery" not in self._said:
            self._said.add("battery")
            if rest < DISCHARGED_VOLTS:
                found.append(words.DISCHARGED.format(rest))
            elif rest > FRESH_VOLTS:
                found.append(words.FRESH.format(rest))
        return found

    def _closing(self, t_ns: int) -> list[JudgeEvent]:
        return [Prompt(t_ns, "done", "Drive: stopped. Load: off.", (), words.UNCLIP)]

    # --- how it stands, and what was measured -----------------------------------------------------------------------------

    def _standing(self, t_ns: int) -> Standing:
        done = list(self.results.values())
        failed = [one for one in done if one.outcome == "fail"]
        estimates = {
            one.one.id: one.amount.estimate(one.one.low, one.one.high) for one in done if one.amount is not None
        }
        chances = [one.probability for one in done if one.probability is not None]
        leaning = "fail" if failed else "pass" if chances else "undecided"
        sure = 1.0 if failed else min(chances, default=0.0)
        step = self.step
        why = "Every characteristic is measured." if step is None else step.one.title
        phase = Phase.MEASURING
        if step is not None:
            if unmet := step.unmet():
                phase = Phase.CHECKING if step.one.measures is Measures.LEAKAGE else Phase.MEASURING
                why = f"{step.one.title}: waiting for {unmet}."
            else:
                why = f"{step.one.title}: measuring."
        limit_s = max(self.max_run_s - self.run_s, 0.0)
        return Standing(
            t_ns, phase, leaning, round(sure, 3), why, left_s=round(self._left_s(), 1), limit_s=limit_s, estimates=estimates
        )  # fmt: skip

    def _left_s(self) -> float:
        if self.step is None:
            return 0.0
        left = [one for one in self._all() if one.id not in self.results and one.id != self.step.one.id]
        return self.step.left_s() + sum(usual_s(one) for one in left)

    def _measured(self) -> dict[str, Measured]:
        return {
            one.id: found.amount.measured(one.low, one.high)
            for one in self._all()
            if (found := self.results.get(one.id)) is not None and found.amount is not None
        }

    def _limits(self) -> dict[str, Any]:
        found: dict[str, Any] = {one.id: [one.low, one.high] for one in self._all()}
        return {**found, "ceiling_volts": self.part.ceiling_volts, "limits_from": self.spec.manual}

    def _rpm(self) -> tuple[float, float, float] | None:
        x = self._speeds
        return (min(x), sum(x) / len(x), max(x)) if x else None

    def _extra(self) -> dict[str, Any]:
        ordered = [self.results[one.id] for one in self._all() if one.id in self.results]
        return {
            "part": self.part.number,
            "modes": list(modes(ordered, ("over-ceiling",) if self.over else ())),
            "characteristics": [row_of(one) for one in ordered],
            "probability_of_conformity": joint_probability(ordered),
            "probability_assumes": "uncertainties of the characteristics are independent",
            "volts_glitches": self.peak.glitches,
        }

    def _conclude(self, t_ns: int, finding: Finding) -> list[JudgeEvent]:
        events = super()._conclude(t_ns, finding)
        verdict = self._verdict
        assert verdict is not None
        extra = {"finding": finding.slug, **verdict.extra}
        if finding.slug == NOT_MEASURED:
            extra["modes"] = [NOT_MEASURED]
        self._verdict = replace(verdict, extra=extra)
        return [*events[:-1], Decided(t_ns, self._verdict)]
