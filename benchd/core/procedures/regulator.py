"""Regulator operation: DC volts across the battery and DC amps into it, together, at full throttle.

The order of the rules is the order of `RULES` at the foot of `RegulatorRun`: safety first, then what cannot be
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

import numpy as np

from benchd.core import lead_acid
from benchd.core.budget import coverage_factor, decide, probability_within
from benchd.core.events import Answer, Caution, Decided, JudgeEvent
from benchd.core.procedures import words
from benchd.core.procedures.charging import AMPS, SECONDS, VOLTS, Charging
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.presence import Presence
from benchd.core.procedures.regulator_standing import standing
from benchd.core.procedures.throttle import Throttle
from benchd.core.samples import Sample
from benchd.core.settle import SourceLine, Trend, best_line, trend
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.verdicts import Measured, Outcome, Suspect, Verdict

EVERY_S = 0.99  # of recorded time between two looks; longer runs are looked at less often (LOOK_PART of their length)
LOOK_PART = 0.01
SURE = 0.975  # to end early: the answer no longer changes
WATCH_S = 20.0  # least time at full throttle before settled volts are believed
FALLEN = 0.06  # of rated: amps must have left what the alternator gives by so much before the regulator is seen at work
FALLING = 0.015  # of rated, within the window of the line: amps still on their way down
SAGGING = 1.5  # times (amps over capacity): the least fall per ampere-hour that counts as a battery's taper
NO_OUTPUT_S = 10.0
DEAD_CELL_S = 60.0
LOW_OUTPUT_S = 15.0
FULL_BATTERY_S = 45.0
ENOUGH_S = 150.0  # of regulating: what is still too close then stays too close
VANISHED_S = 15.0
JOINT_SLOPE = 1.0  # A/V per 15 A rated: an alternator's own droop is 0.3-0.6, a bad joint 2 and more


class RegulatorRun:
    """One regulator run, judged as its samples come."""

    name = "regulator"
    channels_needed: tuple[str, ...] = ("battery_volts", "charge_amps", "engine_rpm")
    channels_used: tuple[str, ...] = ("battery_volts", "charge_amps", "engine_rpm", "battery_celsius")

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
        if spec.regulator is None:
            raise ValueError(f"{spec.source or spec.name}: no [regulator] in this spec, so no regulator run")
        self.spec, self.limits, self.metrology = spec, spec.regulator, metrology
        self.earlier, self.max_run_s, self.quiet = earlier, max_run_s, quiet
        low, high = spec.full_throttle_rpm
        self.throttle = Throttle(low, high)
        self.presence = Presence(self.channels_needed, wait_s)
        self.seen = Charging(spec, metrology, self.throttle)
        self.line: SourceLine | None = None
        self._verdict: Verdict | None = None
        self._looked_s = -math.inf
        self._dropouts = 0
        self._dropout_at_s = -math.inf
        self._dropped = False
        self._discharge_asked = False
        self._trend_of: dict[float, tuple[Trend, Trend, float] | None] = {}

    @property
    def verdict(self) -> Verdict | None:
        return self._verdict

    # --- the conversation ---------------------------------------------------------------------------------------

    def opening(self) -> Sequence[JudgeEvent]:
        return words.regulator_opening(self.spec)

    def feed(self, item: Sample | Answer) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        if isinstance(item, Answer):
            return self._answer(item)
        events: list[JudgeEvent] = list(self.presence.feed(item))
        paired = self.seen.feed(item)
        if paired:
            self._watch_dropouts()
        due = item.t_s - self._looked_s >= max(EVERY_S, LOOK_PART * self.seen.measuring_s)
        if not (due or self.seen.over_since_s is not None):
            return events
        self._looked_s = item.t_s
        return events + self._look(item.t_ns)

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        t_ns = int(self.seen.now_s * 1e9)
        return self._conclude(t_ns, self._unfinished(because))

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        if answer.id == "battery-celsius" and answer.text.strip():
            try:
                self.seen.celsius = float(answer.text)
            except ValueError:
                return [words.ask_celsius(answer.t_ns)]
        return []

    def _look(self, t_ns: int) -> list[JudgeEvent]:
        self._trend_of.clear()
        self.line = self._find_line() if len(self.seen.track) >= 8 else None
        for rule in self.RULES:
            finding = rule(self)
            if finding is not None:
                return self._conclude(t_ns, finding)
        return [*self._before_start(t_ns), *([] if self.quiet else [standing(self, t_ns)])]

    def _before_start(self, t_ns: int) -> list[JudgeEvent]:
        """What the resting battery already says, while the engine stands."""
        rest = self.seen.rest_volts
        if rest is None or not self.throttle.engine_stands or self._discharge_asked or self.seen.now_s < 2.0:
            return []
        self._discharge_asked = True
        return words.rest_volts_says(t_ns, rest, self.spec)

    # --- rules ----------------------------------------------------------------------------------------------------

    def _rule_ceiling(self) -> Finding | None:
        if not self.seen.ceiling_confirmed:
            return None
        return Finding(
            Outcome.FAIL,
            Suspect.REGULATOR,
            (
                f"Battery volts passed the ceiling of {self.limits.ceiling_volts:.1f} V and stayed above it "
                f"({self.seen.over_peak:.2f} V, {self.seen.over_count} readings in a row): "
                "the regulator does not hold the volts down.",
            ),
            "ceiling crossed",
            "Close the throttle now. Replace the regulator, then run this test again as proof.",
            cautions=(words.OVERVOLTAGE,),
        )

    def _rule_frozen(self) -> Finding | None:
        rest, celsius = self.seen.rest_volts, self.seen.celsius
        if rest is None or celsius is None or self.throttle.full_since_s is not None:
            return None
        if not lead_acid.may_be_frozen(rest, celsius):
            return None
        return Finding(
            Outcome.VOID,
            Suspect.BATTERY,
            (
                f"The battery rests at {rest:.2f} V and {celsius:.0f} degC: so discharged and cold, "
                "its acid may be frozen.",
            ),
            "the battery may be frozen",
            "Do not start, charge or load-test it. Let it thaw indoors, look for cracks, then test the battery first.",
            cautions=(words.FROZEN,),
        )

    def _rule_leads(self) -> Finding | None:
        if self.seen.negative_row >= 3:
            return self._instrument(
                "Battery volts read negative: the voltmeter's leads are reversed.", "voltmeter leads reversed", "Swap"
            )
        amps = self.seen.level(AMPS, 5.0)
        volts = self.seen.level(VOLTS, 5.0)
        if amps is None or volts is None or self.seen.measuring_s < 5.0 or amps.n < 4:
            return None
        rest = self.seen.rest_volts if self.seen.rest_volts is not None else 12.6
        if amps.value < -0.2 * self.limits.rated_amps and volts.value > rest + 0.25:
            return self._instrument(
                f"The volts rise ({volts.value:.2f} V) while the ammeter reads {amps.value:.1f} A: "
                "its leads or the clamp are the wrong way round.",
                "ammeter leads reversed",
                "Swap",
            )
        return None

    def _instrument(self, reason: str, because: str, verb: str) -> Finding:
        return Finding(
            Outcome.VOID,
            Suspect.INSTRUMENT,
            (reason,),
            because,
            f"{verb} the leads (or turn the clamp) with the engine stopped, then run again.",
        )

    def _rule_meters(self) -> Finding | None:
        objection = self.presence.objection()
        return None if objection is None else Finding.of(objection)

    def _rule_speed(self) -> Finding | None:
        half_wrong = self.seen.peak_amps >= 0.8 * self.limits.rated_amps
        objection = self.throttle.objection(self.seen.now_s, half_is_wrong=half_wrong)
        return None if objection is None else Finding.of(objection)

    def _watch_dropouts(self) -> None:
        """Volts and amps fall away together for a moment while the engine runs on: a joint opens and closes."""
        t, _, v, i = self.seen.window(25.0)
        if len(t) < 8:
            return
        usual_i, usual_v = float(np.median(i[:-1])), float(np.median(v[:-1]))
        noise_v = 1.5 * float(np.median(np.abs(v[:-1] - usual_v))) + self.seen.volts.resolution
        noise_i = 1.5 * float(np.median(np.abs(i[:-1] - usual_i))) + self.seen.amps.resolution
        away = (
            i[-1] < 0.7 * usual_i
            and usual_i - i[-1] > max(6 * noise_i, 0.05 * self.limits.rated_amps)
            and usual_v - v[-1] > max(4 * noise_v, 0.05)
        )
        if away and not self._dropped:
            self._dropout_at_s = float(t[-1])
        if self._dropped and not away and float(t[-1]) - self._dropout_at_s < VANISHED_S:
            self._dropouts += 1
        self._dropped = bool(away)

    def _rule_joint_opens(self) -> Finding | None:
        if self._dropouts < 2:
            return None
        return Finding(
            Outcome.FAIL,
            Suspect.CONNECTION,
            (
                f"Volts and amps fell away together {self._dropouts} times and came back while the engine ran on: "
                "a joint or plug between regulator and battery opens and closes.",
            ),
            "output drops out and returns",
            "Find the loose joint (regulator plug, breaker, ring terminals, ground) before any part is replaced.",
        )

    def _rule_vanished(self) -> Finding | None:
        """Output that was there and is gone at once: a blown meter fuse or an open joint looks just like it."""
        amps = self.seen.level(AMPS, VANISHED_S)
        nothing = max(3 * self.seen.amps.resolution, 0.02 * self.limits.rated_amps)
        if amps is None or self.seen.peak_amps < 0.3 * self.limits.rated_amps or abs(amps.value) > nothing:
            return None
        t, _, v, i = self.seen.window(VANISHED_S + 20.0)
        gone = np.flatnonzero(np.abs(i) > nothing)
        if not len(gone) or t[-1] - t[gone[-1]] < VANISHED_S or i[gone[-1]] < 0.25 * self.limits.rated_amps:
            return None
        if v[-1] >= v[gone[-1]] - 0.03:
            return None
        return Finding(
            Outcome.VOID,
            Suspect.INSTRUMENT,
            (
                f"Amps fell from {i[gone[-1]]:.1f} A to nothing at once and stayed there: most often the ammeter's "
                "fuse has blown or its lead came off.",
                "A joint that opened, or a regulator that gave up, would look the same on these meters.",
            ),
            "output vanished at once",
            "Check the ammeter's fuse and leads (or use a clamp), then the joints; run again. If it vanishes again "
            "with the meter proven good, suspect the regulator.",
            suspects=(Suspect.INSTRUMENT, Suspect.CONNECTION, Suspect.REGULATOR),
        )

    def _rule_no_output(self) -> Finding | None:
        seen, rated = self.seen, self.limits.rated_amps
        amps, volts = seen.level(AMPS, NO_OUTPUT_S), seen.level(VOLTS, NO_OUTPUT_S)
        if seen.measuring_s < NO_OUTPUT_S or amps is None or volts is None or amps.n < 4:
            return None
        if seen.peak_amps > 0.05 * rated or abs(amps.value) > 0.05 * rated:
            return None
        rest = seen.rest_volts
        charging_volts = rest + 0.35 if rest is not None else 13.0
        if volts.value < charging_volts:
            return self._weak(
                f"At full throttle the regulator delivers nothing: {amps.value:.2f} A of {rated:.0f} A rated, and the "
                f"battery stays at {volts.value:.2f} V.",
                "no output",
                extra=() if seen.amps_alive else (words.PROVE_AMMETER,),
            )
        if rest is not None and rest < 12.6 and abs(amps.value) <= 2 * max(seen.amps.resolution, 0.01):
            return self._instrument(
                f"The volts rose from {rest:.2f} V to {volts.value:.2f} V as if charging, but the ammeter shows "
                "nothing: it is not in the battery's wire, or its clamp is open.",
                "ammeter not in the circuit",
                "Check",
            )
        return None

    def _weak(self, reason: str, because: str, extra: tuple[str, ...] = ()) -> Finding:
        """No or too little output: which part, by what the stator run said."""
        stator = self.earlier.get("stator")
        if stator == "pass":
            suspect, part = Suspect.REGULATOR, "The stator run of this work order passed, so the regulator is at fault."
            step = "Check the regulator's ground and plug, then replace the regulator and run this test as proof."
        elif stator == "fail":
            suspect, part = Suspect.STATOR, "The stator run of this work order failed: that comes first."
            step = "Repair the stator, then run this test again."
        else:
            suspect = Suspect.UNKNOWN
            part = "Stator or regulator: no stator run of this work order says which."
            step = "Do the stator run; if it passes, the regulator is at fault."
        both = (Suspect.STATOR, Suspect.REGULATOR) if suspect is Suspect.UNKNOWN else ()
        return Finding(Outcome.FAIL, suspect, (reason, part, *extra), because, step, suspects=both)

    def _rule_dead_cell(self) -> Finding | None:
        seen = self.seen
        rate, volts = seen.c_rate, seen.level(VOLTS, 10.0)
        if seen.measuring_s < DEAD_CELL_S or rate is None or volts is None or rate < 0.1:
            return None
        floor = lead_acid.bulk_floor(rate)
        rest = seen.rest_volts
        low = volts.value + 3 * volts.u < floor
        told = rest is not None and lead_acid.looks_like_dead_cell(rest) and volts.value < floor + 0.8
        if not (low or told):
            return None
        reasons = [
            f"{self._amps_text()} go in, yet after {seen.measuring_s:.0f} s the battery is only at {volts.value:.2f} V; "
            f"six sound cells would stand above {floor:.1f} V at that rate.",
        ]
        if rest is not None and rest < 11.6:
            reasons.append(f"It rested at {rest:.2f} V before the start: about one cell short of a healthy battery.")
        return Finding(
            Outcome.FAIL,
            Suspect.BATTERY,
            tuple(reasons),
            "battery volts too low for the charge it takes",
            "Confirm with gravity of each cell and a load test; replace the battery, then run this test as proof.",
        )

    def _amps_text(self) -> str:
        level = self.seen.level(AMPS, 10.0)
        return "Amps" if level is None else f"{level.value:.1f} A"

    # --- settled volts --------------------------------------------------------------------------------------------

    def _find_line(self) -> SourceLine | None:
        seen = self.seen
        start = seen.track.since((self.throttle.full_since_s or 0.0) + 1.0)
        t, q, v, i = (seen.track.column(one, start) for one in range(4))
        if len(t) < 8:
            return None
        return best_line(t, q, v, i, seen.volts.resolution, seen.amps.resolution, self.limits.rated_amps)

    def _regulating(self) -> bool:
        """Amps have left the alternator's limit and go on falling while the volts do not rise to match."""
        line = self.line
        if line is None or self.seen.measuring_s < WATCH_S:
            return False
        rated = self.limits.rated_amps
        reference = max(self.seen.peak_amps, 0.05 * rated)
        small = line.amps_now < 0.5 * rated
        falling = line.fall.falls(FALLING * (line.amps_now if small else rated))
        fallen = reference - line.amps_now >= FALLEN * rated
        return fallen and falling and self._plausible(line) and self._falls_as_batteries_do(line)

    def _falls_as_batteries_do(self, line: SourceLine) -> bool:
        """A battery at the set-point takes its amps to nothing before its capacity is in; an alternator that warms up
        or an engine that tires sags far more slowly, and says nothing of the set-point."""
        capacity = self.spec.battery.amp_hours if self.spec.battery is not None else 2.0 * self.limits.rated_amps
        charge = line.amps_now * line.window_s / 3600.0
        return charge > 0.0 and -line.fall.change / charge > SAGGING * line.amps_now / capacity

    def _plausible(self, line: SourceLine) -> bool:
        return -0.03 < line.ohms < 0.8 and line.u_ohms * self.limits.rated_amps < 2.0

    def _end_volts(self) -> tuple[float, float, bool] | None:
        """(volts, standard uncertainty, whether accuracy is known) where the volts will end."""
        if self.line is None:
            return None
        stated = self.seen.volts.u(self.line.end_volts)
        return self.line.end_volts, math.hypot(self.line.u_end_volts, stated or 0.0), stated is not None

    def _rule_settled(self) -> Finding | None:
        """The set-point, once the regulator is seen at work and the answer no longer changes."""
        if not self._regulating():
            return None
        assert self.line is not None
        end = self._end_volts()
        assert end is not None
        volts, u, known = end
        low, high = self.limits.settled_volts
        probability = probability_within(volts, u, low, high)
        if not known:
            return self._close_call("The voltmeter has no accuracy statement, so no limit can be judged.")
        joint = self._joint(volts, u)
        if joint is not None:
            return joint
        drop_ok = self._drop_probability()
        if probability >= SURE and drop_ok >= 0.8:
            return self._settled_inside(volts, u)
        if probability <= 1 - SURE and drop_ok >= 0.5:
            return self._settled_outside(volts, u)
        return self._stays_close(volts, u, probability)

    def _stays_close(self, volts: float, u: float, probability: float) -> Finding | None:
        """End when the reading can get no better: what is left is the meter's own accuracy."""
        assert self.line is not None
        stated = self.seen.volts.u(volts) or 0.0
        if self.line.u_end_volts > 0.5 * stated or self.line.window_s < ENOUGH_S:
            return None
        low, high = self.limits.settled_volts
        call = decide(self.metrology.rule, probability, low <= volts <= high, self.metrology.risk)
        if call == "pass":
            return self._settled_inside(volts, u)
        if call == "fail":
            return self._settled_outside(volts, u)
        return self._close_call(
            f"The volts will end at {volts:.2f} +/- {2 * u:.2f} V; the limits are {low:.1f} and {high:.1f} V: too close "
            f"to call ({100 * probability:.0f} % likely inside)."
        )

    def _close_call(self, reason: str) -> Finding:
        return Finding(
            Outcome.UNDECIDED,
            Suspect.UNKNOWN,
            (reason,),
            "too close to call",
            "Use a voltmeter with a better accuracy statement, or have the set-point watched in use.",
        )

    def _drop_probability(self) -> float:
        """Probability that the drop between regulator and battery at rated amps is within the limit."""
        line = self.line
        assert line is not None
        rated = self.limits.rated_amps
        return probability_within(line.ohms * rated, line.u_ohms * rated, None, self.limits.max_drop_volts)

    def _joint(self, volts: float, u: float) -> Finding | None:
        line = self.line
        assert line is not None
        rated = self.limits.rated_amps
        low, high = self.limits.settled_volts
        drop, u_drop = line.ohms * rated, line.u_ohms * rated
        if self._drop_probability() > 1 - SURE or u_drop > 0.35 * drop:
            return None
        if probability_within(volts, u, low - 0.8, high + 0.8) < 0.7 or drop < 1.3 * self.limits.max_drop_volts:
            return None
        return Finding(
            Outcome.FAIL,
            Suspect.CONNECTION,
            (
                f"The battery's volts rise by {line.ohms:.2f} V for every amp that the charge falls: "
                f"{drop:.1f} V would be lost at {rated:.0f} A between regulator and battery "
                f"(limit {self.limits.max_drop_volts:.1f} V).",
                f"With no amps the volts would end at {volts:.2f} V, so the regulator itself is not the first suspect.",
            ),
            "volts lost on the way to the battery",
            "Measure the drop on both sides under charge; clean and tighten joints, grounds and plug; run again.",
        )

    def _settled_inside(self, volts: float, u: float) -> Finding | None:
        low, high = self.limits.settled_volts
        shown = self._output_shown()
        if shown == "shown":
            if self._dropouts and self.seen.now_s - self._dropout_at_s < 120.0:
                return None  # fell away once: watch whether it does so again
            if self._dropouts:
                return self._fell_away_once()
            return Finding(
                Outcome.PASS,
                Suspect.NONE,
                (
                    f"Rated output was shown: {self.seen.peak_amps:.1f} A of {self.limits.rated_amps:.0f} A.",
                    f"The regulator is at work: amps have fallen to {self.line_amps:.1f} A and go on falling, and the "
                    f"volts will end at {volts:.2f} +/- {2 * u:.2f} V, inside {low:.1f} to {high:.1f} V.",
                ),
                "settled volts are certain",
                "The charging system does its work. This says nothing of how well the battery holds its charge.",
            )
        if shown == "close":
            if self.seen.measuring_s < ENOUGH_S:
                return None
            return self._output_close()
        return self._full_battery(f"the volts will end at {volts:.2f} V")

    @property
    def line_amps(self) -> float:
        return 0.0 if self.line is None else self.line.amps_now

    def _fell_away_once(self) -> Finding:
        return Finding(
            Outcome.UNDECIDED,
            Suspect.CONNECTION,
            ("Volts and amps fell away together once while the engine ran on; everything else is in order.",),
            "output dropped out once",
            "Wiggle plug, joints and test leads with the engine stopped, then run again.",
        )

    def _settled_outside(self, volts: float, u: float) -> Finding:
        low, high = self.limits.settled_volts
        which = "below" if volts < low else "above"
        word = "low" if volts < low else "high"
        limit = low if volts < low else high
        return Finding(
            Outcome.FAIL,
            Suspect.REGULATOR,
            (
                f"Amps fall, so the regulator is at work, but the volts will end at {volts:.2f} +/- {2 * u:.2f} V, "
                f"{which} the limit of {limit:.1f} V: its set-point is too {word}.",
            ),
            f"set-point too {word}",
            "Check the regulator's ground first; then replace the regulator and run this test again as proof.",
        )

    def _rule_above_window(self) -> Finding | None:
        """Volts held above the window: high whatever the amps do, for they only rise from here."""
        volts = self.seen.level(VOLTS, 30.0)
        if volts is None or self.seen.measuring_s < WATCH_S or volts.n < 10:
            return None
        stated = self.seen.volts.u(volts.value)
        if stated is None or probability_within(volts.value, math.hypot(volts.u, stated), None, self.high) > 1 - SURE:
            return None
        t, _, v, _ = self.seen.window(30.0)
        if t[-1] - t[0] < 0.6 * WATCH_S or trend(t, v, self.seen.volts.resolution).falls(0.02):
            return None
        if self._regulating():
            return self._settled_outside(volts.value, math.hypot(volts.u, stated))
        return Finding(
            Outcome.FAIL,
            Suspect.REGULATOR,
            (
                f"The volts have passed the window's top of {self.high:.1f} V and stay above it ({volts.value:.2f} V with "
                f"{self._amps_text()}); they only rise from here.",
            ),
            "volts above the window",
            "Close the throttle. Check the regulator's ground; then replace the regulator and run this test as proof.",
            cautions=(words.OVERVOLTAGE,),
        )

    @property
    def high(self) -> float:
        return self.limits.settled_volts[1]

    # --- output and battery -----------------------------------------------------------------------------------------

    def _output_shown(self) -> str:
        """'shown', 'close' or 'not': whether rated output was seen in this run."""
        peak, least = self.seen.peak_amps, self.limits.min_amps
        u = self.seen.amps.u(peak)
        if u is None:
            return "close"
        probability = probability_within(peak, u, least, None)
        if peak >= least and probability >= 1 - self.metrology.risk:
            return "shown"
        return "close" if probability > self.metrology.risk else "not"

    def _output_close(self) -> Finding:
        return Finding(
            Outcome.UNDECIDED,
            Suspect.UNKNOWN,
            (
                f"The greatest output seen is {self.seen.peak_amps:.1f} A, too close to the least that counts as rated "
                f"({self.limits.min_amps:.1f} A) for this ammeter.",
            ),
            "too close to call",
            "Discharge the battery a little more and use a better ammeter or shunt, then run again.",
        )

    def _rule_low_output(self) -> Finding | None:
        """Amps stand below the spec while the volts rise: the source gives all it has."""
        seen = self.seen
        if seen.measuring_s < LOW_OUTPUT_S or self._output_shown() == "shown" or self._dropouts:
            return None
        amps = seen.level(AMPS, 30.0)
        stated = None if amps is None else seen.amps.u(amps.value)
        if amps is None or stated is None or amps.n < 8:
            return None
        u = math.hypot(stated, amps.u)
        if probability_within(amps.value, u, self.limits.min_amps, None) > 1 - SURE:
            return None
        if not self._limiting():
            return None
        return self._weak(
            f"Amps stand at {amps.value:.1f} +/- {2 * u:.1f} A while the volts still rise: that is all it gives, and "
            f"at least {self.limits.min_amps:.1f} A (rated {self.limits.rated_amps:.0f} A) is asked.",
            "output below the spec",
        )

    def _trends(self, seconds: float) -> tuple[Trend, Trend, float] | None:
        """(volts, amps) changes over the window after the first second of full throttle, and its length."""
        if seconds not in self._trend_of:
            self._trend_of[seconds] = self._find_trends(seconds)
        return self._trend_of[seconds]

    def _find_trends(self, seconds: float) -> tuple[Trend, Trend, float] | None:
        seen = self.seen
        since = (self.throttle.full_since_s or 0.0) + 1.0
        start = seen.track.since(max(since, seen.now_s - seconds))
        t, v, i = (seen.track.column(one, start) for one in (SECONDS, VOLTS, AMPS))
        if len(t) < 8:
            return None
        return trend(t, v, seen.volts.resolution), trend(t, i, seen.amps.resolution), float(t[-1] - t[0])

    def _limiting(self) -> bool:
        """Volts rise and amps do not answer as they would to a regulator or through a bad joint."""
        scale = self.limits.rated_amps / 15.0
        for seconds in (20.0, 40.0, 80.0, 160.0, 320.0):
            found = self._trends(seconds)
            if found is None or found[2] < 0.6 * seconds:
                return False
            volts, amps, _ = found
            if not volts.rises(0.015):
                continue
            slope = amps.change / volts.change
            u = math.hypot(amps.u, slope * volts.u) / volts.change
            if slope - 2.0 * u > -JOINT_SLOPE * scale:
                return True
        return False

    def _rule_full_battery(self) -> Finding | None:
        """Volts at the set-point but rated output never asked for: the run proves nothing about output."""
        seen = self.seen
        volts, amps = seen.level(VOLTS, 15.0), seen.level(AMPS, 15.0)
        if seen.measuring_s < FULL_BATTERY_S or volts is None or amps is None:
            return None
        if self._output_shown() != "not" or volts.value < self.limits.settled_volts[0] - 0.05:
            return None
        return self._full_battery(f"the volts stand at {volts.value:.2f} V")

    def _full_battery(self, found: str) -> Finding:
        seen = self.seen
        rest, rate = seen.rest_volts, seen.c_rate
        reasons = [
            f"The greatest output seen is {seen.peak_amps:.1f} A of {self.limits.rated_amps:.0f} A: the battery would "
            f"take no more; {found}. The run proves nothing about the output.",
        ]
        tired = rest is not None and rest <= 12.4 and rate is not None and rate < 0.25
        if tired:
            assert rest is not None
            reasons.append(
                f"It rested at {rest:.2f} V, so it is not full, and yet it takes only {self._amps_text()}: "
                "sulphated, frozen, or very cold."
            )
            step = (
                "Warm the battery, do the battery test (gravity, load), and run again with a battery that takes charge."
            )
        else:
            step = words.CRANK_AND_COOL
        return Finding(
            Outcome.VOID,
            Suspect.BATTERY if tired else Suspect.NOT_DISCHARGED,
            tuple(reasons),
            "rated output never shown",
            step,
            cautions=(words.CRANKING,),
        )

    def _rule_charge_is_in(self) -> Finding | None:
        """Amps at rated, the charge is in, the volts still below the window: the battery."""
        seen = self.seen
        volts = seen.level(VOLTS, 15.0)
        if seen.rest_volts is None or self.spec.battery is None or volts is None or self._output_shown() != "shown":
            return None
        if volts.value + 3 * volts.u >= self.limits.settled_volts[0] or self._regulating():
            return None
        start = min(lead_acid.rest_charge(seen.rest_volts)[0], 0.85)
        charge = start + seen.ampere_hours / self.spec.battery.amp_hours
        if charge < 1.0:
            return None
        return Finding(
            Outcome.FAIL,
            Suspect.BATTERY,
            (
                f"Amps stay at {self._amps_text()} and {seen.ampere_hours:.1f} Ah are in, on top of at least "
                f"{100 * start:.0f} % from the start: a sound {self.spec.battery.amp_hours:.0f} Ah battery would be "
                f"full, yet it is at {volts.value:.2f} V.",
            ),
            "the charge is in and the volts are not",
            "Test the battery (gravity of each cell, load test); check that its size is the machine's own.",
        )

    def _rule_time(self) -> Finding | None:
        if self.seen.measuring_s < self.max_run_s:
            return None
        return self._unsettled(f"longest allowed time ({self.max_run_s / 60:.0f} min) reached")

    RULES: tuple[Callable[[RegulatorRun], Finding | None], ...] = (
        _rule_ceiling,
        _rule_frozen,
        _rule_leads,
        _rule_meters,
        _rule_speed,
        _rule_joint_opens,
        _rule_vanished,
        _rule_no_output,
        _rule_dead_cell,
        _rule_settled,
        _rule_above_window,
        _rule_low_output,
        _rule_full_battery,
        _rule_charge_is_in,
        _rule_time,
    )

    # --- ending -----------------------------------------------------------------------------------------------------

    def _unsettled(self, because: str) -> Finding:
        """Measured well, but no answer: the best estimate, and what stands in the way."""
        seen = self.seen
        volts, amps = seen.level(VOLTS, 30.0), seen.level(AMPS, 30.0)
        low, high = self.limits.settled_volts
        if volts is None or amps is None:
            reason = "Too few readings at full throttle to say anything."
        elif self._regulating() and (end := self._end_volts()) is not None:
            inside = probability_within(end[0], end[1], low, high)
            reason = (
                f"The volts would end at about {end[0]:.2f} +/- {2 * end[1]:.2f} V ({100 * inside:.0f} % likely inside "
                f"{low:.1f} to {high:.1f} V): not certain enough."
            )
        elif amps.value >= 0.8 * seen.peak_amps and amps.value > self.limits.near_zero_amps:
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
        if self.throttle.full_since_s is None or not len(self.seen.track):
            missing = self.presence.missing_reason() or self.presence.objection()
            objection = missing or self.throttle.not_reached()
            return Finding.of(objection)
        if because != "the recording ended":
            return Finding(
                Outcome.VOID, Suspect.INSTRUMENT, (f"The run was cut short: {because}.",), because, "Run again."
            )
        return self._unsettled(because)

    def _conclude(self, t_ns: int, finding: Finding) -> list[JudgeEvent]:
        seen = self.seen
        self._verdict = finding.verdict(
            procedure=self.name,
            measured=self._measured(),
            limits=self._limits(),
            duration_s=max(seen.now_s - (seen.first_s or 0.0), 0.0),
            samples=seen.samples,
            rpm=self.throttle.rpm,
            rule=self.metrology.rule,
            assumptions=words.assumptions(seen.volts, seen.amps),
        )
        events: list[JudgeEvent] = [Caution(t_ns, one) for one in finding.cautions]
        if not self.throttle.engine_stands:
            events.append(words.close_throttle(t_ns))
        return [*events, Decided(t_ns, self._verdict)]

    def _limits(self) -> dict[str, Any]:
        limits = self.limits
        return {
            "settled_volts": list(limits.settled_volts),
            "ceiling_volts": limits.ceiling_volts,
            "rated_amps": limits.rated_amps,
            "min_amps": limits.min_amps,
            "max_drop_volts": limits.max_drop_volts,
            "full_throttle_rpm": list(self.spec.full_throttle_rpm),
        }

    def _measured(self) -> dict[str, Measured]:
        seen, found = self.seen, dict[str, Measured]()
        k = coverage_factor(math.inf)
        low, high = self.limits.settled_volts
        end = self._end_volts() if self._regulating() else None
        if end is not None and self.line is not None:
            volts, u, known = end
            inside = probability_within(volts, u, low, high)
            found["settled_volts"] = Measured(volts, "V", k * u if known else None, k if known else None, inside)
            rated = self.limits.rated_amps
            found["drop_at_rated_volts"] = Measured(self.line.ohms * rated, "V", k * self.line.u_ohms * rated, k)
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
