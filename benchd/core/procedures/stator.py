"""Stator output: open-circuit AC volts at full throttle, regulator unplugged, every lead pair, judged at the spec's rpm.

Volts are proportional to speed, so each reading is brought to the spec's rpm with the rpm read beside it; what counts
is the mean of those, with the uncertainty of volts and rpm combined. Frequency against rpm and poles tells whether the
tachometer and the spec belong together (trap 11). The end comes when the mean is steady and no longer changes the answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from benchd.core import accuracy, alternator
from benchd.core.budget import coverage_factor, decide
from benchd.core.events import Answer, Caution, Decided, JudgeEvent, Phase, Prompt, Standing
from benchd.core.procedures import sweep, words
from benchd.core.procedures.base import Range
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.lead_pair import LEAST_READINGS, LEAST_S, LeadPair, PairResult, result
from benchd.core.procedures.presence import Presence
from benchd.core.procedures.standstill import Standstill
from benchd.core.procedures.throttle import Throttle
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.track import Track
from benchd.core.verdicts import Measured, Outcome, Suspect, Verdict

VOLTS_RESERVE = 2.0  # a healthy stator gives well above the manual's least volts
SURE = 0.975
LONGEST_S = 90.0  # for one pair: what is still too close then stays too close
DEAD_PART = 0.05  # of the least volts: nothing there at all
HERTZ_PART = 0.04  # frequency and rpm must agree so well
HIGH_PART = 1.7  # volts this far above the least, at a reading of half speed, are no stator's
UNBALANCE = 0.10  # between lead pairs (common practice, no source)
PAIR_CHANNELS = ("stator_volts", "stator_volts_2", "stator_volts_3")
ALIGN_S = 1.3
SWEEP_STEADY = 0.015  # rpm from one reading to the next while the throttle is swept slowly


class StatorRun:
    """One stator run, judged as its samples come."""

    name = "stator"
    channels_needed: tuple[str, ...] = ("stator_volts", "engine_rpm")
    channels_used: tuple[str, ...] = (
        "stator_volts", "stator_volts_2", "stator_volts_3", "stator_hertz", "engine_rpm",
        "stator_ohms", "stator_ground_ohms",
    )  # fmt: skip
    spec_needs: tuple[str, ...] = ("stator",)

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
        if spec.stator is None:
            raise ValueError(f"{spec.source or spec.name}: no [stator] in this spec, so no stator run")
        self.spec, self.limits, self.metrology, self.earlier = spec, spec.stator, metrology, earlier
        self.max_run_s, self.quiet = max_run_s, quiet
        low, high = spec.full_throttle_rpm
        self.throttle = Throttle(low, high)
        self.presence = Presence(self.channels_needed, wait_s)
        self.volts = ChannelFacts("stator_volts", metrology.channels.get("stator_volts"))
        self.rpm = ChannelFacts("engine_rpm", metrology.channels.get("engine_rpm"))
        self.pairs = [LeadPair(name) for name in self.limits.lead_pairs]
        self.results: dict[str, PairResult] = {}
        self.ohms: dict[str, float] = {}
        self.sweep = Track(2)  # rpm, volts of the first pair, from idle up
        self.hertz = Track(2)  # hertz, rpm
        self.at = 0  # the pair being measured where one meter serves them in turn
        self.parallel = False
        self.samples = 0
        self.first_s: float | None = None
        self.now_s = 0.0
        self._rpm: tuple[float, float] | None = None
        self._full = False
        self._looked_s = -math.inf
        self._waiting_for_stop = False
        self._verdict: Verdict | None = None
        self._peak_scaled = 0.0
        self.still = Standstill()
        self._rpm_stands = False

    @staticmethod
    def spec_complaints(spec: MachineSpec) -> Sequence[str]:
        return ()

    def least_ranges(self) -> Sequence[Range]:
        least = max((self.limits.min_volts_ac, *(volts for _, volts in self.limits.table)))
        why = f"{VOLTS_RESERVE:g} x the manual's least {least:g} V"
        return [Range(channel, VOLTS_RESERVE * least, "V", why) for channel in PAIR_CHANNELS]

    @property
    def verdict(self) -> Verdict | None:
        return self._verdict

    # --- the conversation -------------------------------------------------------------------------------------------

    def opening(self) -> Sequence[JudgeEvent]:
        return words.stator_opening(self.spec)

    def feed(self, item: Sample | Answer) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        if isinstance(item, Answer):
            return self._answer(item)
        events: list[JudgeEvent] = list(self.presence.feed(item))
        self._take(item)
        if item.t_s - self._looked_s < 0.49:
            return events
        self._looked_s = item.t_s
        return events + self._look(item.t_ns)

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        return self._conclude(int(self.now_s * 1e9), self._unfinished(because))

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        text = answer.text.strip()
        if answer.id.startswith("lead-pair:"):
            self._next_ready()
        elif answer.id.startswith(("lead-ohms:", "ground-ohms")) and text:
            ohms = math.inf if text.upper() == "OL" else _number(text)
            if ohms is None:
                return [Prompt(answer.t_ns, answer.id, f"{text!r} is no number of ohms; a number, OL, or Enter:", None)]
            self.ohms[answer.id] = ohms
        return []

    def _next_ready(self) -> None:
        self._waiting_for_stop = False
        self.throttle.full_since_s = None

    # --- taking in ----------------------------------------------------------------------------------------------------

    def _take(self, sample: Sample) -> None:
        self.samples += 1
        t_s = self.now_s = sample.t_s
        if self.first_s is None:
            self.first_s = t_s
        rpm = sample.number("engine_rpm")
        if rpm is not None:
            self.rpm.see(sample.values["engine_rpm"])
            self._full = self.throttle.feed(t_s, rpm)
            # Volts and rpm read a moment apart belong together only while the speed stands (trap 15).
            self._rpm_stands = self._rpm is not None and abs(rpm - self._rpm[1]) <= SWEEP_STEADY * rpm
            self._rpm = (t_s, rpm)
            if self._waiting_for_stop and self.throttle.stopped_since_s is not None:
                self._next_ready()
        for channel, key in (("stator_ohms", f"lead-ohms:{self.at + 1}"), ("stator_ground_ohms", "ground-ohms")):
            ohms = sample.number(channel)
            if ohms is not None and self.throttle.engine_stands:
                self.ohms[key] = ohms
        if self._rpm is None or t_s - self._rpm[0] > ALIGN_S:
            return
        self._take_hertz(sample, self._rpm[1])
        self._take_volts(sample, t_s, self._rpm[1])

    def _take_hertz(self, sample: Sample, rpm: float) -> None:
        hertz = sample.number("stator_hertz")
        if hertz is not None and hertz > 10.0 and rpm > 600.0:
            self.hertz.append(hertz, rpm)

    def _take_volts(self, sample: Sample, t_s: float, rpm: float) -> None:
        present = [sample.number(channel) for channel in PAIR_CHANNELS[: len(self.pairs)]]
        self.parallel = self.parallel or any(one is not None for one in present[1:])
        for index, volts in enumerate(present):
            if volts is None or rpm < 600.0:
                continue
            self.volts.see(sample.values[PAIR_CHANNELS[index]])
            if index == 0:
                self.still.feed(t_s, volts)
            pair = self.pairs[index] if self.parallel or index else self.pairs[self.at]
            scaled = alternator.at_spec_rpm(volts, rpm, self.limits)
            self._peak_scaled = max(self._peak_scaled, scaled)
            if index == 0 and self.at == 0 and self._rpm_stands:
                self.sweep.append(rpm, volts)
            if self._full and not self._waiting_for_stop:
                pair.since_s = t_s if pair.since_s is None else pair.since_s
                pair.track.append(t_s, scaled, volts, rpm)

    # --- judging ------------------------------------------------------------------------------------------------------

    def _look(self, t_ns: int) -> list[JudgeEvent]:
        for rule in self.RULES:
            finding = rule(self)
            if finding is not None:
                return self._conclude(t_ns, finding)
        return [*self._advance(t_ns), *([] if self.quiet else [self._standing(t_ns)])]

    def _rule_meters(self) -> Finding | None:
        objection = self.presence.objection()
        if objection is None:
            return None
        return Finding.of(objection)

    def _rule_held(self) -> Finding | None:
        """Volts that stand still while rpm moves: a meter on hold that does not say so."""
        if self.parallel or not self.still.still(self.now_s):
            return None
        return Finding(
            Outcome.VOID,
            Suspect.INSTRUMENT,
            (
                f"Stator volts moved up and down all the time and then stood at {self.still.value:g} V: the meter is on hold.",
            ),
            "a meter's digits stand still",
            "Press HOLD on the meter, then run again.",
        )

    def _rule_tachometer(self) -> Finding | None:
        """Frequency against rpm and poles: agreement, or exactly half or double, or another machine's spec."""
        if self.limits.magnet_poles is None or len(self.hertz) < 6:
            return None
        recent = slice(max(len(self.hertz) - 12, 0), None)
        hertz, rpm = self.hertz.column(0)[recent], self.hertz.column(1)[recent]
        ratio = float(np.median(120.0 * hertz / self.limits.magnet_poles / rpm))
        spread = float(np.ptp(rpm)) / float(np.mean(rpm))
        if spread > 0.06 or abs(ratio - 1.0) <= HERTZ_PART:
            return None
        true_rpm = ratio * float(np.mean(rpm))
        for times, word in ((2.0, "half"), (0.5, "double"), (4.0, "a quarter"), (0.25, "four times")):
            if abs(ratio / times - 1.0) <= HERTZ_PART:
                return self._wrong_pulses(float(np.mean(rpm)), true_rpm, word)
        if len(self.hertz) < 12 or not self._full or abs(ratio - 1.0) < 0.08:
            return None
        return Finding(
            Outcome.VOID,
            Suspect.INSTRUMENT,
            (
                f"Stator frequency says {true_rpm:.0f} rpm with {self.limits.magnet_poles} poles, the tachometer "
                f"{float(np.mean(rpm)):.0f} rpm: tachometer, frequency meter or the spec's magnet_poles is wrong.",
            ),
            "frequency and tachometer disagree",
            "Check pulses_per_rev, the frequency meter's hook-up, and magnet_poles in the spec; then run again.",
        )

    def _wrong_pulses(self, rpm: float, true_rpm: float, word: str) -> Finding:
        return Finding(
            Outcome.VOID,
            Suspect.INSTRUMENT,
            (
                f"The tachometer reads {rpm:.0f} rpm, {word} of the {true_rpm:.0f} rpm that stator frequency and "
                f"{self.limits.magnet_poles} poles give: wrong pulses per revolution.",
            ),
            "the tachometer reads wrong",
            "Set the tachometer's pulses per revolution (pulses_per_rev in the bench file), then run again.",
        )

    def _rule_speed(self) -> Finding | None:
        if self._waiting_for_stop:
            return None
        required = alternator.required_volts(self.limits, self.limits.at_rpm)
        half_wrong = self._peak_scaled > HIGH_PART * required
        objection = self.throttle.objection(self.now_s, half_is_wrong=half_wrong)
        return None if objection is None else Finding.of(objection)

    def _rule_ohms(self) -> Finding | None:
        ground = self.ohms.get("ground-ohms")
        least = self.limits.min_ground_ohms
        if ground is not None and least is not None and ground < least:
            return self._bad(
                (f"Stator lead to ground reads {ground:g} ohm, at least {least:g} ohm is asked: grounded.",),
                "stator grounded",
            )
        if self.limits.lead_ohms is None:
            return None
        for key, ohms in self.ohms.items():
            if key.startswith("lead-ohms:") and ohms > 10 * self.limits.lead_ohms[1]:
                pair = self.pairs[int(key.partition(":")[2]) - 1].name
                return self._bad(
                    (f"{pair} reads {ohms:g} ohm, up to {self.limits.lead_ohms[1]:g} is asked: open.",), "stator open"
                )
        return None

    def _bad(self, reasons: tuple[str, ...], because: str) -> Finding:
        return Finding(
            Outcome.FAIL,
            Suspect.STATOR,
            reasons,
            because,
            "Check the stator's leads and plug, then stator and flywheel magnets by the manual; "
            "run this test again as proof.",
        )

    def _result(self, pair: LeadPair) -> PairResult | None:
        return result(pair, self.limits, self.volts, self.rpm)

    def _rule_pairs(self) -> Finding | None:
        """Every pair judged, as soon as its answer no longer changes."""
        active = self.pairs if self.parallel else [self.pairs[self.at]]
        for pair in active:
            if pair.name in self.results and not self.parallel:
                continue
            result = self._result(pair)
            if result is None:
                continue
            finding = self._judge(pair, result)
            if finding is not None:
                self.results[pair.name] = result
                return finding
        if len(self.results) == len(self.pairs):
            return self._all_good()
        return None

    def _judge(self, pair: LeadPair, result: PairResult) -> Finding | None:
        least = alternator.required_volts(self.limits, self.limits.at_rpm)
        if not self.throttle.holds:
            return None
        expired = pair.span_s >= LONGEST_S
        if not result.known:
            return self._out_of_band()
        if result.volts < DEAD_PART * least:
            return self._dead(result, least) if pair.span_s >= LEAST_S else None
        if not (result.steady or expired):
            return None
        if result.probability >= SURE:
            self.results[pair.name] = result
            return None
        if result.probability <= 1 - SURE and pair.span_s >= LEAST_S + 1.0:
            return self._low(result, least)
        return self._close(pair, result, least) if expired or self._hopeless(result, pair) else None

    def _hopeless(self, result: PairResult, pair: LeadPair) -> bool:
        """The meter's own accuracy is what stands between: more readings cannot help."""
        scatter = next(one.u for one in result.budget if one.name == "scatter of the mean")
        return pair.span_s >= 20.0 and scatter < 0.3 * result.u

    def _low(self, result: PairResult, least: float) -> Finding:
        high = self.limits.max_volts_ac
        if high is not None and result.volts > high:
            return Finding(
                Outcome.VOID,
                Suspect.INSTRUMENT,
                (f"{result.name}: {result.volts:.1f} V at {self.limits.at_rpm:.0f} rpm is above the {high:g} V that the "
                 "spec allows: no stator gains volts by a fault, so meter, range or spec is wrong.",),
                "volts above the spec's range",
                "Check the meter's function and range and that the spec is this machine's.",
            )  # fmt: skip
        return self._bad(
            (
                f"{result.name}: {result.volts:.1f} +/- {2 * result.u:.1f} V AC at {self.limits.at_rpm:.0f} rpm, at least "
                f"{least:.1f} V is asked.",
            ),
            "volts below the spec",
        )

    def _dead(self, result: PairResult, least: float) -> Finding:
        return self._bad(
            (
                f"{result.name}: {result.volts:.1f} V AC at full throttle, at least {least:.1f} V is asked: an open or "
                "shorted winding.",
                "Before a part is bought: be sure that the clips touch metal and that the meter is on AC volts.",
            ),
            "no stator volts",
        )

    def _close(self, pair: LeadPair, result: PairResult, least: float) -> Finding | None:
        call = decide(self.metrology.rule, result.probability, result.volts >= least, self.metrology.risk)
        if call == "pass":
            self.results[pair.name] = result
            return None
        if call == "fail":
            return self._low(result, least)
        return Finding(
            Outcome.UNDECIDED,
            Suspect.UNKNOWN,
            (
                f"{result.name}: {result.volts:.1f} +/- {2 * result.u:.1f} V AC at {self.limits.at_rpm:.0f} rpm against "
                f"at least {least:.1f} V: too close to call ({words.percent(result.probability)} likely enough).",
            ),
            "too close to call" if result.steady else "not steady",
            "Use meters with a better accuracy statement; a stator so near its limit deserves a second look.",
        )

    def _out_of_band(self) -> Finding:
        poles = self.limits.magnet_poles
        hertz = alternator.hertz(self.limits.at_rpm, poles) if poles else 0.0
        told = accuracy.out_of_band(self.volts.model, hertz) or "The meters' accuracy at this reading is not stated."
        return Finding(
            Outcome.UNDECIDED,
            Suspect.INSTRUMENT,
            (told.rstrip(".") + ".",),
            "accuracy unknown",
            "Use a meter whose AC band covers the stator's frequency, or state its accuracy in the bench file.",
        )

    def _all_good(self) -> Finding:
        least = alternator.required_volts(self.limits, self.limits.at_rpm)
        reasons = [
            f"{one.name}: {one.volts:.1f} +/- {2 * one.u:.1f} V AC at {self.limits.at_rpm:.0f} rpm, at least {least:.1f} V "
            "is asked."
            for one in self.results.values()
        ]
        found = [one.volts for one in self.results.values()]
        if len(found) > 1 and (max(found) - min(found)) / max(found) > UNBALANCE:
            reasons.append(
                f"The pairs differ by {100 * (max(found) - min(found)) / max(found):.0f} %: each is enough, but look for "
                "shorted turns in the weakest."
            )
        reasons += [told for told in (self._sweep_caution(), *self._ohms_text()) if told]
        return Finding(
            Outcome.PASS, Suspect.NONE, tuple(reasons), "stator volts are certain",
            "The stator is good. Plug the regulator in and do the regulator run.",
        )  # fmt: skip

    def _swept(self) -> sweep.Sweep | None:
        return sweep.fit(self.sweep.column(0), self.sweep.column(1))

    def _sweep_caution(self) -> str:
        swept = self._swept()
        return "" if swept is None else swept.caution

    def _ohms_text(self) -> list[str]:
        limits = self.limits.lead_ohms
        if limits is None:
            return []
        return [
            f"Lead resistance {ohms:g} ohm is outside {limits[0]:g} to {limits[1]:g}: below about 1 ohm few ohmmeters can "
            "tell, the volts decide."
            for key, ohms in self.ohms.items()
            if key.startswith("lead-ohms:") and not limits[0] <= ohms <= limits[1]
        ]

    # --- ending ---------------------------------------------------------------------------------------------------------

    def _advance(self, t_ns: int) -> list[JudgeEvent]:
        """One meter for several pairs: when this one is settled, ask for the next."""
        if self.parallel or self._waiting_for_stop or self.pairs[self.at].name not in self.results:
            return []
        self.at += 1
        self._waiting_for_stop = True
        self.throttle.full_since_s = None
        return [*words.move_leads(t_ns, self.at + 1, self.pairs[self.at].name), words.start_stator(t_ns, self.spec)]

    RULES: tuple[Callable[[StatorRun], Finding | None], ...] = (
        _rule_ohms,
        _rule_meters,
        _rule_held,
        _rule_tachometer,
        _rule_speed,
        _rule_pairs,
    )

    def _unfinished(self, because: str) -> Finding:
        if because == "stopped by the operator":
            return Finding(Outcome.VOID, Suspect.UNKNOWN, ("The operator stopped the run.",), because, "Run again.")
        missing = self.presence.missing_reason() or self.presence.objection()
        if missing is not None:
            return Finding.of(missing)
        if self.throttle.full_since_s is None and not self.results:
            return Finding.of(self.throttle.not_reached())
        if because != "the recording ended":
            return Finding(
                Outcome.VOID, Suspect.INSTRUMENT, (f"The run was cut short: {because}.",), because, "Run again."
            )
        open_pairs = [pair.name for pair in self.pairs if pair.name not in self.results]
        return Finding(
            Outcome.UNDECIDED,
            Suspect.UNKNOWN,
            (f"The recording ended before {', '.join(open_pairs)} could be judged.",),
            because,
            "Record at least ten seconds of steady full throttle for every lead pair.",
        )

    def _conclude(self, t_ns: int, finding: Finding) -> list[JudgeEvent]:
        self._verdict = finding.verdict(
            procedure=self.name,
            measured=self._measured(),
            limits=self._limits(),
            duration_s=max(self.now_s - (self.first_s or 0.0), 0.0),
            samples=self.samples,
            rpm=self.throttle.rpm,
            rule=self.metrology.rule,
            assumptions=(*self.presence.came_back(), *words.assumptions(self.volts, self.rpm)),
        )
        events: list[JudgeEvent] = [Caution(t_ns, one) for one in finding.cautions]
        if not self.throttle.engine_stands:
            events.append(words.close_throttle(t_ns))
        return [*events, Decided(t_ns, self._verdict)]

    def _limits(self) -> dict[str, Any]:
        return {
            "min_volts_ac": alternator.required_volts(self.limits, self.limits.at_rpm),
            "at_rpm": self.limits.at_rpm,
            "full_throttle_rpm": list(self.spec.full_throttle_rpm),
        }

    def _measured(self) -> dict[str, Measured]:
        found: dict[str, Measured] = {}
        results = dict(self.results)
        for pair in self.pairs:
            result = results.get(pair.name) or self._result(pair)
            if result is not None:
                results[pair.name] = result
        for index, result in enumerate(results.values(), start=1):
            name = "stator_volts" if index == 1 else f"stator_volts_{index}"
            k = coverage_factor(result.dof)
            lines = tuple({"name": one.name, "u": one.u} for one in result.budget)
            known = result.known and math.isfinite(result.u)
            found[name] = Measured(
                result.volts, "V", k * result.u if known else None, k if known else None,
                result.probability if known else None, lines,
            )  # fmt: skip
        if len(self.hertz):
            found["stator_hertz"] = Measured(float(np.median(self.hertz.column(0)[-LEAST_READINGS:])), "Hz", None, None)
        swept = self._swept()
        if swept is not None:
            found["volts_per_1000_rpm"] = Measured(swept.volts_per_1000_rpm, "V/1000 rpm", None, None)
            found["sweep_bow"] = Measured(swept.bow, "", None, None)
        for key, ohms in self.ohms.items():
            if math.isfinite(ohms):
                found[key.replace("-", "_").replace(":", "_")] = Measured(ohms, "ohm", None, None)
        return found

    # --- how it stands --------------------------------------------------------------------------------------------------

    def _standing(self, t_ns: int) -> Standing:
        pair = self.pairs[min(self.at, len(self.pairs) - 1)]
        low, high = self.spec.full_throttle_rpm
        least = alternator.required_volts(self.limits, self.limits.at_rpm)
        if self._waiting_for_stop:
            return Standing(
                t_ns, Phase.WAITING, "undecided", 0.0, f"Next: {pair.name}. Stop the engine, move the leads."
            )
        if self.throttle.full_since_s is None:
            phase = Phase.CHECKING if self.throttle.engine_stands else Phase.WAITING
            why = f"Open the throttle fully: {low:.0f} to {high:.0f} rpm."
            return Standing(t_ns, phase, "undecided", 0.0, why)
        result = self._result(pair)
        if result is None:
            return Standing(t_ns, Phase.MEASURING, "undecided", 0.0, f"{pair.name}: measuring.", left_s=LEAST_S)
        leaning = "pass" if result.volts >= least else "fail"
        sure = result.probability if leaning == "pass" else 1 - result.probability
        why = f"{pair.name}: {result.volts:.1f} V at {self.limits.at_rpm:.0f} rpm, at least {least:.1f} asked."
        u = result.u if math.isfinite(result.u) else None
        estimate = {
            "value": round(result.volts, 3),
            "unit": "V",
            "u": u,
            "low": least,
            "high": self.limits.max_volts_ac,
        }
        left = None if pair.since_s is None else max(LONGEST_S - pair.span_s, 0.0)
        return Standing(
            t_ns, Phase.MEASURING, leaning, round(sure, 3), why,
            left_s=0.0 if result.steady and sure >= SURE else None, limit_s=left, estimates={"stator_volts": estimate},
        )  # fmt: skip


def _number(text: str) -> float | None:
    try:
        found = float(text)
    except ValueError:
        return None
    return found if math.isfinite(found) and found >= 0 else None
