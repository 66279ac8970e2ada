"""Voltage drop along the charging circuit, joint by joint, while the engine charges.

Each joint is read as volts along it at the amps that flow, which gives its resistance; what is judged is its drop at
rated amps (rules_drop.py says by which limits, and why marginal is undecided). A joint ends by itself when it no longer
changes; then the next one is asked for.

Prompts (id: answers):
    hook-up        done
    joint:N        done | skip | enough   N = 1 .. as in the machine file: joints, then ground_joints. 'done': the tips are
                   on; 'enough': judge what was measured so far
    start-engine, close-throttle   (lines to read)

A recording has nobody to say 'done': there the column joint_volts is left empty for at least 2 s between two joints, and
the stretches are taken for the joints in their order.

Findings: joints-good, bad-joint, bad-ground.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchd.core.events import Answer, Caution, JudgeEvent, Phase, Prompt, Standing
from benchd.core.procedures import words
from benchd.core.procedures.averaged import Amount, average
from benchd.core.procedures.base import Range
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.joint import LEAST_S, Joint, JointResult, part, result, stretches
from benchd.core.procedures.rules_drop import Called, Circuit, Limits, call_joint
from benchd.core.procedures.throttle import Throttle
from benchd.core.procedures.watched import ENDED, Watched, ask_again
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.track import Track
from benchd.core.verdicts import Measured, Outcome, Suspect

LEAST_AMPS = 5.0
LEAST_PART = 1 / 3  # of rated amps, where that is less
LONGEST_S = 20.0  # for one joint: what is still open then is called as it stands
ALIGN_S = 1.3
SETTLE_S = 0.5  # after the operator says that the tips are on
NO_JOINT_VOLTS = 4.0  # nothing but the battery itself
LITTLE_S = 30.0  # the engine runs, and so long too few amps flow
PATIENCE_S = 240.0
FULL_VOLTS = 13.5  # few amps at so many volts: the battery takes no more
GAP_S = 2.0
PROBING = (
    "Clip the leads on with the engine stopped, or use insulated tips well clear of belts, fan and muffler. Never take a "
    "joint apart while it charges."
)
CHOICES = ("done", "skip", "enough")
BATTERYS_OWN = "That is the battery's own volts, not a joint's: the tips are on plus and minus. "
NOTHING_READ = "It reads nothing at all, which no joint does at such amps: press the tips through paint and rust. "
WORST_FIRST = ("fail", "undecided", "pass")


class DropTest(Watched):
    """One voltage drop test, judged as its samples come."""

    name = "drop"
    channels_needed: tuple[str, ...] = ("joint_volts", "charge_amps")
    channels_used: tuple[str, ...] = ("joint_volts", "charge_amps", "engine_rpm", "battery_volts")
    spec_needs: tuple[str, ...] = ("wiring",)

    def __init__(self, spec: MachineSpec, metrology: Metrology, earlier: Mapping[str, str], **timing: Any) -> None:
        super().__init__(spec, metrology, earlier, **timing)
        wiring = spec.wiring
        if wiring is None or not (wiring.joints or wiring.ground_joints):
            raise ValueError(f"{spec.source or spec.name}: no joints under [wiring] in this spec, so no drop test")
        sides = [(name, False) for name in wiring.joints] + [(name, True) for name in wiring.ground_joints]
        self.joints = [Joint(number, name, ground) for number, (name, ground) in enumerate(sides, start=1)]
        self.limits = Limits.of(spec)
        self.rated = spec.regulator.rated_amps if spec.regulator else None
        self.least_amps = LEAST_AMPS if self.rated is None else min(LEAST_AMPS, LEAST_PART * self.rated)
        self.throttle = Throttle(*spec.full_throttle_rpm)
        self.called: dict[int, Called] = {}
        self.at = 0
        self.unsaid = Track(3)  # read before anybody said 'done': a recording's joints
        self._on_s: float | None = None  # since when the tips are on the joint
        self._enough = False
        self._answered = False
        self._asked = 1  # the newest joint that was asked for
        self._again = ""  # why the joint is asked for once more
        self._doubted: set[int] = set()  # joints that read nothing and were asked for once more
        self._amps: tuple[float, float] | None = None
        self._little_s: float | None = None
        self._battery_volts: float | None = None

    @staticmethod
    def spec_complaints(spec: MachineSpec) -> Sequence[str]:
        if spec.wiring is None or spec.wiring.joints or spec.wiring.ground_joints:
            return ()
        return (
            "[wiring] names neither 'joints' nor 'ground_joints': list what is measured one by one, from the regulator to the "
            "battery's plus, and from the regulator's case to the battery's minus.",
        )

    def least_ranges(self) -> Sequence[Range]:
        most = 5 * self.limits.joint.high
        found = [Range("joint_volts", most, "V", f"5 x the joint's limit of {self.limits.joint.high:g} V")]
        if self.rated is not None:
            found.append(Range("charge_amps", 1.1 * self.rated, "A", f"1.1 x rated {self.rated:g} A"))
        return found

    # --- the conversation -------------------------------------------------------------------------------------------

    def opening(self) -> Sequence[JudgeEvent]:
        return [
            Caution(0, words.EXHAUST),
            Caution(0, words.TURNING),
            Caution(0, words.GAS),
            Caution(0, words.NEVER_OPEN),
            Prompt(
                0,
                "hook-up",
                f"Hook-up, engine stopped: everything plugged in. {words.AMPS_LEADS} A second meter on DC volts, mV if it has "
                "them, with two tips. The battery must be a bit discharged, or lamps on, so that amps flow.",
                ("done",),
                words.GAS,
            ),
            self._ask_joint(0),
            words.start_stator(0, self.spec),
        ]

    def _ask_joint(self, t_ns: int, why: str = "") -> Prompt:
        joint = self.joints[self.at]
        side = "ground side" if joint.ground else "positive side"
        return Prompt(
            t_ns,
            f"joint:{joint.number}",
            f"{why}Joint {joint.number} of {len(self.joints)} ({side}): one tip on either end of {joint.name}, on the metal "
            "itself. Say done when they are on.",
            CHOICES,
            PROBING,
        )

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        text = answer.text.strip().lower()
        if not answer.id.startswith("joint:") or not text:
            return []
        if text not in CHOICES:
            return [ask_again(answer, CHOICES)]
        if text == "enough":
            self._enough = True
        if self.at >= len(self.joints) or answer.id != f"joint:{self.joints[self.at].number}":
            return []
        self._answered = True
        self.hands_off(answer.t_ns / 1e9)
        if text == "skip":
            self.joints[self.at].skipped = True
            self._next()
        elif text == "done":
            self._on_s = answer.t_ns / 1e9
            self._little_s = None
        return []

    def _next(self) -> None:
        self.at += 1
        self._on_s = self._little_s = None
        self._again = ""

    def _take(self, sample: Sample) -> None:
        t_s = sample.t_s
        rpm = self.number(sample, "engine_rpm")
        if rpm is not None:
            self.throttle.feed(t_s, rpm)
        battery = self.number(sample, "battery_volts")
        self._battery_volts = self._battery_volts if battery is None else battery
        amps = self.number(sample, "charge_amps")
        if amps is not None:
            self._amps = (t_s, amps)
            self._watch_amps(t_s, 0.0 if self._stands_still() else abs(amps))
        volts = self.number(sample, "joint_volts")
        if volts is None or self._amps is None or t_s - self._amps[0] > ALIGN_S:
            return
        if abs(self._amps[1]) < self.least_amps or self._stands_still():
            return
        if self._on_s is not None:
            if t_s >= self._on_s + SETTLE_S:
                self.joints[self.at].track.append(t_s, volts, self._amps[1])
        elif not self._answered:
            self.unsaid.append(t_s, volts, self._amps[1])

    def _stands_still(self) -> bool:
        """Whether the tachometer shows that nothing charges, whatever a clamp that was not zeroed reads."""
        return self.was_read("engine_rpm") and self.throttle.running_since_s is None

    def _watch_amps(self, t_s: float, amps: float) -> None:
        if amps >= self.least_amps:
            self._little_s = None
        elif self._little_s is None:
            self._little_s = t_s

    # --- judging ------------------------------------------------------------------------------------------------------

    def _judge(self) -> Finding | None:
        if self._enough and not self.called:
            return self._nothing("nothing was measured")
        if self._enough or self.at >= len(self.joints):
            return self._circuit().finding() if self.called else self._nothing("nothing was measured")
        return self._too_little() or self._joint()

    def _joint(self) -> Finding | None:
        """The joint under the tips; the finding, if it was the last one."""
        if self._on_s is None:
            return None
        joint = self.joints[self.at]
        found = self._result(joint)
        if found is None:
            return None
        if found.volts.value > NO_JOINT_VOLTS or (found.silent and joint.number not in self._doubted):
            self._again = BATTERYS_OWN
            if found.silent:
                self._again = NOTHING_READ
                self._doubted.add(joint.number)
            self._on_s = None
            joint.track = Track(3)
            return None
        called = call_joint(found, self.limits, self.metrology, last=joint.span_s >= LONGEST_S)
        if called is None:
            return None
        self.called[joint.number] = called
        self._next()
        return self._circuit().finding() if self.at >= len(self.joints) else None

    def _result(self, joint: Joint) -> JointResult | None:
        rated = self.rated
        if rated is None:  # no rated amps: what flows is what it is judged at
            seen = [abs(one) for one in joint.track.column(2).tolist()]
            rated = round(sum(seen) / len(seen), 1) if seen else 1.0
        return result(joint, rated, self.facts["joint_volts"], self.facts["charge_amps"])

    def _circuit(self) -> Circuit:
        return Circuit(self.joints, list(self.called.values()), self.limits, self.metrology)

    def _too_little(self) -> Finding | None:
        """Amps that are too few tell nothing of a joint."""
        if self._on_s is None or self._little_s is None:
            return None
        running_s = self.throttle.running_since_s
        runs = running_s is not None
        # Before the engine ran no amps could flow.
        waited = self.now_s - max(self._little_s, self._on_s, self._on_s if running_s is None else running_s)
        if waited < (LITTLE_S if runs else PATIENCE_S):
            return None
        return self._little(runs)

    def _little(self, runs: bool, because: str = "too little current") -> Finding:
        amps = abs(self._amps[1]) if self._amps else 0.0
        full = self._battery_volts is not None and self._battery_volts > FULL_VOLTS
        told = f"Too little current: {amps:.1f} A, at least {self.least_amps:.1f} A are needed to tell a joint's drop."
        if not runs and self.was_read("engine_rpm"):
            told += " The engine did not run."
            if amps >= self.least_amps:
                told = f"By the tachometer the engine did not run: the {amps:.1f} A are of a clamp that was not zeroed, or it sees nothing."
        done = self._circuit().facts()
        return Finding(
            Outcome.VOID, Suspect.NOT_DISCHARGED if full else Suspect.UNKNOWN, (told, *done), because,
            "Full throttle, lamps on, or discharge the battery a bit first; if no amps flow at all, do the regulator run. Then "
            "run again.",
        )  # fmt: skip

    def _nothing(self, because: str) -> Finding:
        return Finding(
            Outcome.VOID, Suspect.UNKNOWN, ("No joint was measured.",), because, "Run again, with the tips on each joint in turn."
        )  # fmt: skip

    def _at_end(self, because: str) -> Finding:
        if because == ENDED and not self._answered:
            return self._recorded(because)
        joint = self.joints[self.at] if self.at < len(self.joints) else None
        found = self._result(joint) if joint is not None and self._on_s is not None else None
        if found is not None and joint is not None and found.volts.value <= NO_JOINT_VOLTS:
            called = call_joint(found, self.limits, self.metrology, last=True)
            if called is not None:
                self.called[joint.number] = called
        return self._circuit().finding(because) if self.called else self._nothing(because)

    def _recorded(self, because: str) -> Finding:
        """A recording: its stretches are the joints in their order."""
        found = stretches(self.unsaid, GAP_S)
        if not found:
            return self._little(self.throttle.running_since_s is not None, because)
        if len(found) > len(self.joints):
            return Finding(
                Outcome.VOID, Suspect.INSTRUMENT,
                (f"The recording has {len(found)} stretches of joint_volts, the machine file names {len(self.joints)} joints.",),
                because, f"One stretch a joint, with the column empty for {GAP_S:g} s or more in between.",
            )  # fmt: skip
        for joint, rows in zip(self.joints, found, strict=False):
            joint.track = part(self.unsaid, rows)
            one = self._result(joint)
            called = None if one is None else call_joint(one, self.limits, self.metrology, last=True)
            if called is not None:
                self.called[joint.number] = called
        self.at = len(self.joints)
        return self._circuit().finding(because) if self.called else self._nothing(because)

    # --- what is due ----------------------------------------------------------------------------------------------------

    def _say(self, t_ns: int) -> list[JudgeEvent]:
        if self.at >= len(self.joints):
            return []
        if self._again:
            why, self._again = self._again, ""
            self.hands_on = True
            return [self._ask_joint(t_ns, why)]
        if self.at + 1 > self._asked:
            self._asked = self.at + 1
            self.hands_on = True
            return [self._ask_joint(t_ns)]
        return []

    def _closing(self, t_ns: int) -> list[JudgeEvent]:
        return [] if self.throttle.engine_stands else [words.close_throttle(t_ns)]

    # --- how it stands, and what was measured -----------------------------------------------------------------------------

    def _standing(self, t_ns: int) -> Standing:
        if self.at >= len(self.joints):
            return self._stands(t_ns, Phase.MEASURING, "Every joint was measured.")
        joint = self.joints[self.at]
        if self._on_s is None:
            return self._between_joints(t_ns, joint)
        found = self._result(joint)
        if found is None:
            few = self._little_s is not None
            why = f"waiting for {self.least_amps:.1f} A: full throttle" if few else "measuring"
            return self._stands(
                t_ns, Phase.MEASURING, f"Joint {joint.number}, {joint.name}: {why}.", left_s=None if few else LEAST_S
            )
        limit = self.limits.joint
        good, bad = found.at_rated.within(None, limit.low), 1 - found.at_rated.within(None, limit.high)
        now = "pass" if good >= 0.5 else "fail" if bad >= 0.5 else "undecided"
        return Standing(
            t_ns, Phase.MEASURING, min(now, self._leaning(), key=WORST_FIRST.index), round(max(good, bad, 0.0), 3),
            self._told(found), left_s=max(LONGEST_S - joint.span_s, 0.0),
            limit_s=max(self.max_run_s - self.run_s, 0.0), estimates=self._estimates(found),
        )  # fmt: skip

    def _between_joints(self, t_ns: int, joint: Joint) -> Standing:
        """The joint before as it came out, and the next one."""
        next_one = f"Joint {joint.number}, {joint.name}: put the tips on, say done."
        before = self.called.get(joint.number - 1)
        if before is None:
            return self._stands(t_ns, Phase.CHECKING, next_one)
        return Standing(
            t_ns, Phase.MEASURING, self._leaning(), 0.0, f"{before.call}: {self._told(before.result)} {next_one}",
            limit_s=max(self.max_run_s - self.run_s, 0.0), estimates=self._estimates(before.result),
        )  # fmt: skip

    def _leaning(self) -> str:
        words_of = {"bad": "fail", "marginal": "undecided", "good": "pass"}
        return min((words_of[one.call] for one in self.called.values()), key=WORST_FIRST.index, default="pass")

    def _told(self, found: JointResult) -> str:
        joint = found.joint
        at = f"{found.at_rated.text(2)} at {found.rated_amps:g} A"
        return f"Joint {joint.number}, {joint.name}: {at}, {self.limits.joint.text()}."

    def _estimates(self, found: JointResult) -> dict[str, dict[str, float | str | None]]:
        """`joint_volts` as the meter shows them, with the limit that holds at the amps that flow."""
        high = self.limits.joint.high
        now = round(high * found.amps.value / found.rated_amps, 4)
        return {
            "joint_volts": found.volts.estimate(None, now),
            "joint_volts_at_rated": found.at_rated.estimate(None, high),
            "joint_ohms": found.ohms.estimate(),
        }

    def _measured(self) -> dict[str, Measured]:
        found: dict[str, Measured] = {}
        for number, one in sorted(self.called.items()):
            found[f"joint_{number}_volts"] = one.result.volts.measured()
            found[f"joint_{number}_ohms"] = one.result.ohms.measured()
            found[f"joint_{number}_volts_at_rated"] = one.result.at_rated.measured(None, self.limits.joint.high)
        names = {"positive side": "positive_volts", "ground side": "ground_volts", "both sides": "total_volts"}
        if self.called:
            for name, volts, limit, call, _ in self._circuit().sums():
                if call != "incomplete":
                    found[names[name]] = volts.measured(None, limit.high)
            found["charge_amps"] = self._mean_amps().measured()
        return found

    def _mean_amps(self) -> Amount:
        amps = [abs(one) for called in self.called.values() for one in called.result.joint.track.column(2).tolist()]
        return average(self.facts["charge_amps"], amps, "A")

    def _limits(self) -> dict[str, Any]:
        found: dict[str, Any] = {"least_amps": round(self.least_amps, 3), "rated_amps": self.rated}
        for name in ("joint", "side", "total"):
            limit = getattr(self.limits, name)
            found[f"max_{name}_volts"] = limit.high if limit.low == limit.high else [limit.low, limit.high]
            found[f"max_{name}_volts_from"] = limit.source
        return found

    def _extra(self) -> dict[str, Any]:
        """The joints as a table, for papers."""
        rows = []
        for joint in self.joints:
            called = self.called.get(joint.number)
            row: dict[str, Any] = {
                "number": joint.number,
                "name": joint.name,
                "side": "ground" if joint.ground else "positive",
            }
            if called is None:
                rows.append(row | {"call": "not measured"})
                continue
            one = called.result
            rows.append(row | {
                "call": called.call, "loose": called.loose, "volts": one.volts.value, "amps": one.amps.value,
                "ohms": one.ohms.value, "volts_at_rated": one.at_rated.value, "watts_at_rated": one.watts.value,
            })  # fmt: skip
        return {"joints": rows}

    def _rpm(self) -> tuple[float, float, float] | None:
        return self.throttle.rpm
