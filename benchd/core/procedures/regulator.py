"""Regulator operation: DC volts across the battery and DC amps into it, together, at full throttle.

The order of the rules is the order of `CONDITIONS`, then `RULES`: safety first, then what cannot be
judged (speed, meters), then what is certain early (no output, dead cell), then the settled volts from the source line
(core/settle.py), then output below the spec, then the battery, last the clock. A rule answers a Finding or None.

How the trade reads it: volts reach the window and amps fall from rated toward nothing: pass. Amps stay high and volts
pass the ceiling: regulator. Amps at rated and volts never reach the window though the charge is in: battery. Amps
below the spec: regulator if this work's stator run passed, else stator or regulator.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from benchd.core.budget import coverage_factor, probability_within
from benchd.core.events import Answer, Caution, Decided, JudgeEvent
from benchd.core.procedures import rules_conditions, rules_output, rules_settled, words
from benchd.core.procedures.base import Range
from benchd.core.procedures.charging import AMPS, VOLTS
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.picture import Picture
from benchd.core.procedures.presence import Presence
from benchd.core.procedures.regulator_standing import standing
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.verdicts import Measured, Outcome, Suspect, Verdict

EVERY_S = 0.99  # of recorded time between two looks
AMPS_RESERVE = 1.1  # a fuse at its rating may hold or may not
VOLTS_RESERVE = 1.1  # the ceiling must be seen crossed, not as an overload
LOOK_PART = 0.01  # of the time at full throttle: longer runs are looked at less often

Rule = Callable[[Picture], Finding | None]
CONDITIONS: tuple[Rule, ...] = (
    rules_conditions.ceiling,
    rules_conditions.frozen,
    rules_conditions.leads,
    rules_conditions.meters,
    rules_conditions.speed,
    rules_conditions.held,
)
RULES: tuple[Rule, ...] = (
    rules_output.joint_opens,
    rules_output.vanished,
    rules_output.no_output,
    rules_output.dead_cell,
    rules_settled.settled,
    rules_settled.above_window,
    rules_output.low_output,
    rules_output.full_battery,
    rules_output.charge_is_in,
)


class RegulatorRun:
    """One regulator run, judged as its samples come."""

    name = "regulator"
    channels_needed: tuple[str, ...] = ("battery_volts", "charge_amps", "engine_rpm")
    channels_used: tuple[str, ...] = ("battery_volts", "charge_amps", "engine_rpm", "battery_celsius")
    spec_needs: tuple[str, ...] = ("regulator",)

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
        self.picture = Picture(spec, metrology, earlier, Presence(self.channels_needed, wait_s))
        self.max_run_s, self.quiet = max_run_s, quiet
        self._verdict: Verdict | None = None
        self._looked_s = -math.inf
        self._rest_spoken_of = False

    @staticmethod
    def spec_complaints(spec: MachineSpec) -> Sequence[str]:
        return ()

    def least_ranges(self) -> Sequence[Range]:
        rated, ceiling = self.picture.limits.rated_amps, self.picture.limits.ceiling_volts
        volts_why = f"{VOLTS_RESERVE:g} x ceiling {ceiling:g} V"
        return (
            Range("charge_amps", AMPS_RESERVE * rated, "A", f"{AMPS_RESERVE:g} x rated {rated:g} A"),
            Range("battery_volts", VOLTS_RESERVE * ceiling, "V", volts_why),
        )

    @property
    def verdict(self) -> Verdict | None:
        return self._verdict

    def opening(self) -> Sequence[JudgeEvent]:
        return words.regulator_opening(self.picture.spec)

    def feed(self, item: Sample | Answer) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        if isinstance(item, Answer):
            return self._answer(item)
        events: list[JudgeEvent] = list(self.picture.presence.feed(item))
        paired = self.picture.seen.feed(item)
        if paired:
            self.picture.watch_dropouts()
        due = item.t_s - self._looked_s >= max(EVERY_S, LOOK_PART * self.picture.seen.measuring_s)
        if not (due or self.picture.seen.over_since_s is not None):
            return events
        self._looked_s = item.t_s
        return events + self._look(item.t_ns)

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        t_ns = int(self.picture.seen.now_s * 1e9)
        return self._conclude(t_ns, self._unfinished(because))

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        if answer.id == "battery-celsius" and answer.text.strip():
            try:
                self.picture.seen.celsius = float(answer.text)
            except ValueError:
                return [words.ask_celsius(answer.t_ns)]
        return []

    def _look(self, t_ns: int) -> list[JudgeEvent]:
        self.picture.look()
        # What was true before a gap need not be true now: nothing of the charging system is said in one.
        for rule in CONDITIONS if self.picture.blind else (*CONDITIONS, *RULES):
            finding = rule(self.picture)
            if finding is not None:
                return self._conclude(t_ns, finding)
        if (finding := self._out_of_time()) is not None:
            return self._conclude(t_ns, finding)
        return [*self._before_start(t_ns), *([] if self.quiet else [standing(self, t_ns)])]

    def _before_start(self, t_ns: int) -> list[JudgeEvent]:
        """What the resting battery already says, while the engine stands."""
        rest = self.picture.seen.rest_volts
        if (
            rest is None
            or not self.picture.throttle.engine_stands
            or self._rest_spoken_of
            or self.picture.seen.now_s < 2.0
        ):
            return []
        self._rest_spoken_of = True
        return words.rest_volts_says(t_ns, rest, self.picture.spec)

    def _out_of_time(self) -> Finding | None:
        if self.picture.seen.measuring_s < self.max_run_s:
            return None
        return self._unsettled(f"longest allowed time ({self.max_run_s / 60:.0f} min) reached")

    def _unsettled(self, because: str) -> Finding:
        """Measured well, but no answer: the best estimate, and what stands in the way."""
        seen = self.picture.seen
        volts, amps = seen.level(VOLTS, 30.0), seen.level(AMPS, 30.0)
        low, high = self.picture.limits.settled_volts
        if volts is None or amps is None:
            reason = "Too few readings at full throttle to say anything."
        elif self.picture.regulating() and (end := self.picture.end_volts()) is not None:
            inside = probability_within(end[0], end[1], low, high)
            reason = (
                f"The volts would end at about {end[0]:.2f} +/- {2 * end[1]:.2f} V ({words.percent(inside)} likely inside "
                f"{low:.1f} to {high:.1f} V): not certain enough."
            )
        elif amps.value >= 0.8 * seen.peak_amps and amps.value > self.picture.limits.near_zero_amps:
            where = "inside the window" if low <= volts.value <= high else "below the window"
            reason = (
                f"Amps stay high ({amps.value:.1f} A) with the volts at {volts.value:.2f} V, {where}: the battery still "
                f"takes all it is given after {seen.ampere_hours:.1f} Ah, so the regulator was never seen at work."
            )
        else:
            reason = f"Volts stand at {volts.value:.2f} V with {amps.value:.1f} A: no settled state was seen."
        return Finding(
            Outcome.UNDECIDED,
            Suspect.UNKNOWN,
            (reason,),
            because,
            "Charge the battery with a charger and test it first; then run again. A discharged, large or faulty battery "
            "holds the volts down.",
            suspects=(Suspect.BATTERY, Suspect.REGULATOR),
        )

    def _unfinished(self, because: str) -> Finding:
        if because == "stopped by the operator":
            return Finding(Outcome.VOID, Suspect.UNKNOWN, ("The operator stopped the run.",), because, "Run again.")
        if self.picture.throttle.full_since_s is None or not len(self.picture.seen.track):
            missing = self.picture.presence.missing_reason() or self.picture.presence.objection()
            objection = missing or self.picture.throttle.not_reached()
            return Finding.of(objection)
        if because != "the recording ended":
            return Finding(
                Outcome.VOID, Suspect.INSTRUMENT, (f"The run was cut short: {because}.",), because, "Run again."
            )
        return self._unsettled(because)

    def _conclude(self, t_ns: int, finding: Finding) -> list[JudgeEvent]:
        seen = self.picture.seen
        self._verdict = finding.verdict(
            procedure=self.name,
            measured=self._measured(),
            limits=self._limits(),
            duration_s=max(seen.now_s - (seen.first_s or 0.0), 0.0),
            samples=seen.samples,
            rpm=self.picture.throttle.rpm,
            rule=self.picture.metrology.rule,
            assumptions=(*self.picture.presence.came_back(), *words.assumptions(seen.volts, seen.amps)),
        )
        events: list[JudgeEvent] = [Caution(t_ns, one) for one in finding.cautions]
        if not self.picture.throttle.engine_stands:
            events.append(words.close_throttle(t_ns))
        return [*events, Decided(t_ns, self._verdict)]

    def _limits(self) -> dict[str, Any]:
        limits = self.picture.limits
        return {
            "settled_volts": list(limits.settled_volts),
            "ceiling_volts": limits.ceiling_volts,
            "rated_amps": limits.rated_amps,
            "min_amps": limits.min_amps,
            "max_drop_volts": limits.max_drop_volts,
            "full_throttle_rpm": list(self.picture.spec.full_throttle_rpm),
        }

    def _measured(self) -> dict[str, Measured]:
        seen, found = self.picture.seen, dict[str, Measured]()
        k = coverage_factor(math.inf)
        low, high = self.picture.limits.settled_volts
        end = self.picture.end_volts() if self.picture.regulating() else None
        if end is not None and self.picture.line is not None:
            volts, u, known = end
            inside = probability_within(volts, u, low, high)
            found["settled_volts"] = Measured(volts, "V", k * u if known else None, k if known else None, inside)
            rated = self.picture.limits.rated_amps
            found["drop_at_rated_amps"] = Measured(
                self.picture.line.ohms * rated, "V", k * self.picture.line.u_ohms * rated, k
            )
        for name, column, facts in (("battery_volts", VOLTS, seen.volts), ("charge_amps", AMPS, seen.amps)):
            level = seen.level(column, 10.0)
            if level is not None:
                found[name] = self._quantity(
                    facts.u(level.value), level.value, level.u, "V" if column == VOLTS else "A"
                )
        if seen.peak_amps > 0:
            found["greatest_amps"] = self._quantity(seen.amps.u(seen.peak_amps), seen.peak_amps, 0.0, "A")
        if seen.rest_volts is not None:
            found["rest_volts"] = self._quantity(seen.volts.u(seen.rest_volts), seen.rest_volts, 0.0, "V")
        found["charge_delivered"] = Measured(seen.ampere_hours, "Ah", None, None)
        return found

    def _quantity(self, stated: float | None, value: float, u: float, unit: str) -> Measured:
        if stated is None:
            return Measured(value, unit, None, None)
        k = coverage_factor(math.inf)
        return Measured(value, unit, k * math.hypot(stated, u), k)
