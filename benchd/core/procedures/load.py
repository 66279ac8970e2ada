"""Load test: half the cold-cranking amps for 15 s, least volts by battery temperature, recovery after.

Prompts (id: what it takes):

    hook-up            done
    battery-celsius    a temperature with its unit (20C, 68F), Enter or 'skip' to leave it out; not asked where the
                       bench has the channel
    apply-load         no answer: switch the load on now (it is seen in load_amps)
    hold               no answer: the load is on, hold it
    let-go             no answer: switch it off (15 s are over, or the answer is certain)
    recovery           no answer: the load is off, the volts are watched for 10 s more

Findings: holds, weak, dead-cell, not-charged, frozen, too-cold, no-load, off-nominal, cut-short, unsure; 'instrument'
where a meter is in the way. It ends by itself: at once when the volts collapse, else after the recovery.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from benchd.core import ratings
from benchd.core.events import Answer, Caution, Decided, JudgeEvent, Phase, Prompt, Standing
from benchd.core.procedures import battery_words, load_judging, load_state, load_telling
from benchd.core.procedures.asking import CELSIUS_ID, ask_temperature, temperature
from benchd.core.procedures.base import Range
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.load_curve import LoadCurve
from benchd.core.procedures.presence import Presence
from benchd.core.procedures.resting import Rest
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.verdicts import Outcome, Suspect, Verdict

EVERY_S = 0.49
REST_EVERY_S = 0.99
ON_PART = 0.25  # of the load asked for: from here on it counts as a load
LEAST_ON_AMPS = 10.0
CELSIUS_PATIENCE_S = 45.0
RECOVERY_S = 10.0
OVERLONG_S = 2.0  # after the 15 s
NEVER_OFF_S = 15.0


class LoadTest:
    """One load test, judged as its samples come."""

    name = "load"
    channels_needed: tuple[str, ...] = ("battery_volts", "load_amps")
    channels_used: tuple[str, ...] = ("battery_volts", "load_amps", "battery_celsius")
    spec_needs: tuple[str, ...] = ("battery",)

    def __init__(
        self,
        spec: MachineSpec,
        metrology: Metrology,
        earlier: Mapping[str, str],
        *,
        wait_s: float = 20.0,
        max_run_s: float = 1200.0,
        quiet: bool = False,
    ) -> None:
        if spec.battery is None:
            raise ValueError(f"{spec.source or spec.name}: no [battery] in this spec, so no load test")
        self.spec, self.metrology, self.earlier = spec, metrology, earlier
        self.battery, self.rating = spec.battery, ratings.cold_cranking(spec.battery)
        self.max_run_s, self.quiet = max_run_s, quiet
        self.presence = Presence(self.channels_needed, wait_s)
        self.volts = ChannelFacts("battery_volts", metrology.channels.get("battery_volts"))
        self.amps = ChannelFacts("load_amps", metrology.channels.get("load_amps"))
        self.rest = Rest(self.volts)
        self.curve: LoadCurve | None = None
        self.released_s: float | None = None
        self.celsius: float | None = None
        self.celsius_asked = "battery_celsius" not in metrology.channels
        self.reversed = False
        self.recovery = Rest(self.volts)
        self.last_amps: float | None = None
        self.dip_since_s: float | None = None
        self.negative = 0
        self.samples = 0
        self.first_s: float | None = None
        self.now_s = 0.0
        self.told_apply_s: float | None = None
        self._on_since_s: float | None = None
        self._off_since_s: float | None = None
        self._said: set[str] = set()
        self._looked_s = -math.inf
        self.results: dict[float, load_state.Result | None] = {}  # by seconds of load; between two samples they stand
        self._verdict: Verdict | None = None

    @staticmethod
    def spec_complaints(spec: MachineSpec) -> Sequence[str]:
        if spec.battery is None:
            return ()
        try:
            ratings.cold_cranking(spec.battery)
        except ratings.RatingRefused as error:
            return (str(error),)
        return ()

    def least_ranges(self) -> Sequence[Range]:
        most = (1 + load_state.OFF_NOMINAL) * self.load
        why = f"{1 + load_state.OFF_NOMINAL:g} x half of {self.rating.amps:.0f} A cold-cranking"
        return (
            Range("load_amps", most, "A", f"{why}; a clamp or a shunt, never a meter's jack"),
            Range("battery_volts", 15.0, "V", "a battery just off the charger"),
        )

    @property
    def load(self) -> float:
        """Amps of the test: half the cold-cranking amps."""
        return self.rating.load

    @property
    def on_amps(self) -> float:
        return max(ON_PART * self.load, min(LEAST_ON_AMPS, 0.5 * self.load))

    @property
    def verdict(self) -> Verdict | None:
        return self._verdict

    # --- the conversation -------------------------------------------------------------------------------------------

    def opening(self) -> Sequence[JudgeEvent]:
        events = battery_words.load_opening(self.load)
        return [*events, ask_temperature(0)] if self.celsius_asked else events

    def feed(self, item: Sample | Answer) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        if isinstance(item, Answer):
            return self._answer(item)
        events: list[JudgeEvent] = list(self.presence.feed(item))
        self._take(item)
        if item.t_s - self._looked_s < (REST_EVERY_S if self.curve is None else EVERY_S):
            return events
        self._looked_s = item.t_s
        return events + self._look(item.t_ns)

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        return self._conclude(int(self.now_s * 1e9), self._unfinished(because))

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        if answer.id != CELSIUS_ID:
            return []
        found = temperature(answer.text)
        if found.ask:
            return [ask_temperature(answer.t_ns, found.ask)]
        self.celsius, self.celsius_asked = found.celsius, False
        self.results.clear()
        return []

    # --- taking in ----------------------------------------------------------------------------------------------------

    def _take(self, sample: Sample) -> None:
        self.samples += 1
        self.results.clear()
        t_s = self.now_s = sample.t_s
        if self.first_s is None:
            self.first_s = t_s
        if (celsius := sample.number("battery_celsius")) is not None:
            self.celsius, self.celsius_asked = celsius, False
        volts, amps = sample.number("battery_volts"), sample.number("load_amps")
        if volts is not None:
            self.volts.see(sample.values["battery_volts"])
            self.negative = self.negative + 1 if volts < -1.0 else 0
        if amps is not None:
            self.amps.see(sample.values["load_amps"])
            self.last_amps = amps
            self._switched(t_s, abs(amps) >= self.on_amps, amps < 0)
        self._sort(t_s, volts, amps)

    def _switched(self, t_s: float, on: bool, negative: bool) -> None:
        """The load came on or went off: two readings in a row, so that a glitch is neither."""
        if self.curve is None:
            if not on:
                self._on_since_s = None
            elif self._on_since_s is None:
                self._on_since_s = t_s
            else:
                self.curve, self.reversed = LoadCurve(self._on_since_s, self.volts, self.amps), negative
        elif self.released_s is None:
            if on:
                self._off_since_s = None
            elif self._off_since_s is None:
                self._off_since_s = t_s
            else:
                self.released_s = self._off_since_s

    def _sort(self, t_s: float, volts: float | None, amps: float | None) -> None:
        """Volts go to the rest before, to the loaded curve, or to the recovery after."""
        size = None if amps is None else abs(amps)
        if self.curve is None:
            if volts is not None and self._on_since_s is None:
                self._rests(t_s, volts)
        elif self.released_s is not None:
            if volts is not None:
                self.recovery.feed(t_s, volts)
        elif self._off_since_s is None:
            self.curve.feed(t_s, volts, size)

    def _rests(self, t_s: float, volts: float) -> None:
        level = self.rest.level(t_s)
        if level is not None and volts < level.value - load_judging.DIP_VOLTS:
            self.dip_since_s = t_s if self.dip_since_s is None else self.dip_since_s
            return
        self.dip_since_s = None
        self.rest.feed(t_s, volts)

    # --- judging ------------------------------------------------------------------------------------------------------

    @property
    def loaded_s(self) -> float:
        """Seconds under load so far (in the end: for which it was on); 0 before."""
        if self.curve is None:
            return 0.0
        return (self.now_s if self.released_s is None else self.released_s) - self.curve.began_s

    def _look(self, t_ns: int) -> list[JudgeEvent]:
        for rule in load_judging.RULES:
            finding = rule(self)
            if finding is not None:
                return self._conclude(t_ns, finding)
        if self.now_s - (self.first_s or 0.0) >= self.max_run_s:
            because = f"longest allowed time ({self.max_run_s / 60:.0f} min) reached"
            return self._conclude(t_ns, load_judging.unfinished(self, because))
        return [*self._advance(t_ns), *([] if self.quiet else [self._standing(t_ns)])]

    @property
    def recovered(self) -> bool:
        """Whether the time after the load is over, and nothing is left to wait for."""
        if self.released_s is None:
            return self.loaded_s >= ratings.LOAD_S + NEVER_OFF_S
        if self.loaded_s < load_judging.CUT_S:
            return True
        wanted = self.celsius_asked and load_judging.temperature_decides(self)
        return self.now_s - self.released_s >= (CELSIUS_PATIENCE_S if wanted else RECOVERY_S)

    def _advance(self, t_ns: int) -> list[JudgeEvent]:
        """The next thing to be told, once each."""
        rested = self.rest.span_s(self.now_s)
        if self.curve is None and rested >= load_judging.REST_S:
            if not self.celsius_asked or rested >= CELSIUS_PATIENCE_S:
                return self._once("apply", battery_words.apply_load(t_ns, self.load, ratings.LOAD_S))
        elif self.curve is not None and self.released_s is None:
            events: list[JudgeEvent] = self._once("hold", battery_words.hold(t_ns, self.load))
            if self.loaded_s >= ratings.LOAD_S:
                events += self._once("let go", battery_words.let_go(t_ns))
            if self.loaded_s >= ratings.LOAD_S + OVERLONG_S:
                told = f"The load has been on for {self.loaded_s:.0f} s: LET GO, tester and battery overheat."
                events += self._once("overlong", Caution(t_ns, told))
            return events
        elif self.released_s is not None:
            return self._once("recovery", battery_words.recovery(t_ns))
        return []

    def _once(self, key: str, event: Prompt | Caution) -> list[JudgeEvent]:
        if key in self._said:
            return []
        self._said.add(key)
        if key == "apply":
            self.told_apply_s = self.now_s
        return [event]

    def _standing(self, t_ns: int) -> Standing:
        lean, sure, why = load_telling.leaning(self)
        phase = Phase.CHECKING if self.curve is None else Phase.MEASURING
        left = None
        if self.curve is not None and self.released_s is None:
            left = max(ratings.LOAD_S - self.loaded_s, 0.0)
        elif self.released_s is not None:
            left = max(RECOVERY_S - (self.now_s - self.released_s), 0.0)
        return Standing(
            t_ns,
            phase,
            lean,
            round(sure, 3),
            why,
            left,
            estimates=load_telling.estimates(self),
            expected=load_telling.expected(self),
        )

    def _unfinished(self, because: str) -> Finding:
        if because == "stopped by the operator":
            told = ("The operator stopped the test.",)
            return Finding(Outcome.VOID, Suspect.UNKNOWN, told, because, "Run again.", slug="cut-short")
        return load_judging.unfinished(self, because)

    def _conclude(self, t_ns: int, finding: Finding) -> list[JudgeEvent]:
        self._verdict = load_telling.verdict(self, finding)
        events: list[JudgeEvent] = [Caution(t_ns, one) for one in finding.cautions]
        if self.curve is not None and self.released_s is None:
            events += self._once("let go", battery_words.let_go(t_ns))
        return [*events, Decided(t_ns, self._verdict)]
