"""The voltage drop judge on joints of known resistance."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace

import pytest

from benchd.core.events import Answer, JudgeEvent, Prompt, Standing
from benchd.core.procedures import PROCEDURES, make
from benchd.core.readings import Flag
from benchd.core.samples import Sample, Value
from benchd.core.specs import BatterySpec, MachineSpec, RegulatorSpec, WiringSpec
from benchd.core.verdicts import Verdict

REGULATOR = RegulatorSpec(15.0, 3600, (13.8, 14.7), 15.0, min_amps=13.5, near_zero_amps=1.5)
SPEC = MachineSpec(
    "Hollin T18 garden tractor", "service manual, section 6, page 14", (3350, 3650), regulator=REGULATOR,
    battery=BatterySpec(28.0, 300),
    wiring=WiringSpec(("regulator plug", "breaker", "battery plus post"), ("battery minus post", "regulator case"),
                      max_joint_volts=0.1, max_side_volts=0.3, max_total_volts=0.5),
)  # fmt: skip
assert SPEC.wiring is not None
SILENT = replace(SPEC, wiring=WiringSpec(SPEC.wiring.joints, SPEC.wiring.ground_joints))
ONE = replace(SPEC, wiring=WiringSpec(("battery plus post",), max_joint_volts=0.1))
GOOD = (0.003, 0.004, 0.002, 0.002, 0.003)  # ohm


class Bench:
    """An engine that charges and an operator who puts the tips where he is asked to."""

    def __init__(
        self, ohms: tuple[float, ...] = GOOD, *, amps: float = 12.0, spec: MachineSpec = SPEC, digit: float = 0.001,
        noise: float = 0.0005, says: dict[int, str] | None = None, sign: float = 1.0, hands_s: float = 6.0, jump: float = 0.0,
        rpm: bool = True, fall: float = 0.0, starts_s: float = 8.0,
        idles_s: float = 0.0,
    ) -> None:  # fmt: skip
        self.ohms, self.amps, self.digit, self.noise, self.says = ohms, amps, digit, noise, says or {}
        self.sign, self.hands_s, self.jump, self.rpm, self.fall = sign, hands_s, jump, rpm, fall
        self.starts_s, self.idles_s = starts_s, idles_s
        self.procedure = make("drop", spec)
        self.rng = random.Random(4)
        self.events: list[JudgeEvent] = []
        self.due: list[tuple[float, str]] = []
        self.on = -1

    def hear(self, events: list[JudgeEvent], t_s: float) -> None:
        self.events += events
        for one in events:
            if isinstance(one, Prompt) and one.id.startswith("joint:"):
                self.on = -1
                self.due.append((t_s + self.hands_s, one.id))

    def sample(self, t_s: float) -> Sample:
        running = t_s > self.starts_s
        amps = (
            max(self.amps - self.fall * t_s, 0.0) + self.rng.gauss(0, 0.05)
            if t_s > self.starts_s + self.idles_s
            else 0.0
        )
        ohms = 0.0 if self.on < 0 else self.ohms[self.on]
        volts = self.sign * (ohms + (self.jump * (self.rng.random() < 0.4))) * amps + self.rng.gauss(0, self.noise)
        values = {
            "joint_volts": Value(round(volts / self.digit) * self.digit, self.digit),
            "charge_amps": Value(round(amps, 1), 0.1),
        }
        if self.rpm:
            values["engine_rpm"] = Value(round(3500 + self.rng.gauss(0, 5)) if running else 0.0, 1.0)
        return Sample(round(t_s * 1e9), values)

    def run(self, seconds: float = 500.0) -> Verdict:
        self.hear(list(self.procedure.opening()), 0.0)
        for count in range(round(seconds / 0.5)):
            t_s = count * 0.5
            while self.due and self.due[0][0] <= t_s:
                _, id = self.due.pop(0)
                number = int(id.partition(":")[2])
                self.on = number - 1
                said = self.says.get(number, "done")
                if said:
                    self.hear(list(self.procedure.feed(Answer(round(t_s * 1e9), id, said))), t_s)
            self.hear(list(self.procedure.feed(self.sample(t_s))), t_s)
            if self.procedure.verdict is not None:
                break
        self.events += self.procedure.finish("the recording ended")
        assert self.procedure.verdict is not None
        return self.procedure.verdict


def of(verdict: Verdict) -> tuple[str, str, str]:
    return str(verdict.outcome), str(verdict.suspect), str(verdict.extra.get("finding", ""))


def test_good_joints_pass_one_after_the_other() -> None:
    bench = Bench()
    found = bench.run()
    assert of(found) == ("pass", "none", "joints-good")
    assert found.duration_s < 5 * 12
    asked = [one.id for one in bench.events if isinstance(one, Prompt)]
    assert [one for one in asked if one.startswith("joint")] == [f"joint:{n}" for n in range(1, 6)]
    assert asked[-1] == "close-throttle"


def test_a_bad_joint_is_named_with_its_ohms_and_lost_watts() -> None:
    """0.03 ohm at 15 A: 0.45 V and 6.75 W."""
    found = Bench((0.003, 0.030, 0.002, 0.002, 0.003)).run()
    assert of(found) == ("fail", "connection", "bad-joint")
    assert "breaker" in found.reasons[0]
    assert "6.8 W" in found.reasons[0] or "6.7 W" in found.reasons[0]
    row = found.extra["joints"][1]
    assert row["ohms"] == pytest.approx(0.030, rel=0.02)
    assert row["volts"] == pytest.approx(0.36, rel=0.02)
    assert row["watts_at_rated"] == pytest.approx(6.75, rel=0.02)
    assert row["call"] == "bad"
    assert found.measured["joint_2_ohms"].expanded_uncertainty is not None


def test_a_bad_ground_is_told_from_a_bad_joint() -> None:
    assert of(Bench((0.003, 0.004, 0.002, 0.002, 0.030)).run()) == ("fail", "connection", "bad-ground")
    assert of(Bench((0.030, 0.004, 0.002, 0.002, 0.030)).run())[2] == "bad-joint"


def test_it_is_judged_at_rated_amps_not_at_those_that_flow() -> None:
    """0.05 V at 5.2 A is 0.15 V at 15 A."""
    found = Bench((0.003, 0.010, 0.002, 0.002, 0.003), amps=5.3).run()
    assert of(found) == ("fail", "connection", "bad-joint")
    assert found.measured["joint_2_volts"].value < 0.06


@pytest.mark.parametrize(
    ("ohms", "outcome"), [(0.004, "pass"), (0.010, "undecided"), (0.020, "fail")]
)  # 0.06, 0.15 and 0.30 V at 15 A
def test_without_limits_the_published_spread_decides(ohms: float, outcome: str) -> None:
    found = Bench((0.002, ohms, 0.002, 0.002, 0.002), spec=SILENT).run()
    assert found.outcome == outcome
    assert found.limits["max_joint_volts"] == [0.1, 0.2]
    if outcome == "undecided":
        assert "Marginal: breaker" in found.reasons[0]
        assert found.suspect == "connection"


def test_many_good_joints_can_be_too_much_together() -> None:
    """Three of 0.09 V pass alone; 0.27 V are under the side's 0.3. Three of 0.095 and the rest make 0.5 V both sides."""
    spec = replace(SPEC, wiring=replace(SPEC.wiring, max_side_volts=0.2)) if SPEC.wiring else SPEC
    found = Bench((0.0058, 0.0058, 0.0058, 0.002, 0.002), spec=spec).run()
    assert of(found) == ("fail", "connection", "bad-joint")
    assert "together" in found.reasons[0]
    assert found.measured["positive_volts"].value == pytest.approx(3 * 0.0058 * 15, rel=0.02)


def test_too_little_current_is_void() -> None:
    found = Bench(amps=2.0).run()
    assert of(found)[:2] == ("void", "unknown")
    assert "Too little current" in found.reasons[0]
    assert found.limits["least_amps"] == 5.0
    small = replace(SPEC, regulator=replace(REGULATOR, rated_amps=9.0))
    assert Bench(amps=4.0, spec=small).run().outcome == "pass"


def test_the_time_before_the_engine_ran_is_no_time_of_too_little_current() -> None:
    """Tips on at once, the engine a while later, and a while at idle before it charges."""
    assert Bench(starts_s=60.0, idles_s=6.0).run().outcome == "pass"


def test_current_that_fades_while_measuring_is_void_and_keeps_what_was_measured() -> None:
    found = Bench(amps=12.0, fall=0.25).run()
    assert found.outcome == "void"
    assert any("Regulator plug: good" in one for one in found.reasons)


def test_an_engine_that_is_never_started() -> None:
    class Still(Bench):
        def sample(self, t_s: float) -> Sample:
            return Sample(round(t_s * 1e9), {"joint_volts": Value(0.0, 0.001), "charge_amps": Value(0.0, 0.1),
                                             "engine_rpm": Value(0.0, 1.0)})  # fmt: skip

    found = Still().run()
    assert found.outcome == "void"
    assert "did not run" in found.reasons[0]


def test_swapped_tips_change_nothing_and_are_told() -> None:
    found = Bench((0.003, 0.030, 0.002, 0.002, 0.003), sign=-1.0).run()
    assert of(found) == ("fail", "connection", "bad-joint")
    assert any("other way round" in one for one in found.reasons)


def test_skipped_joints_leave_it_undecided_unless_one_is_bad() -> None:
    found = Bench(says={2: "skip"}).run()
    assert of(found) == ("undecided", "unknown", "joints-good")
    assert any("Not measured: breaker" in one for one in found.reasons)
    assert of(Bench((0.030, *GOOD[1:]), says={2: "skip"}).run())[0] == "fail"
    assert Bench(says=dict.fromkeys(range(1, 6), "skip")).run().outcome == "void"


def test_enough_ends_it_with_what_was_measured() -> None:
    found = Bench((0.030, *GOOD[1:]), says={2: "enough"}).run()
    assert of(found) == ("fail", "connection", "bad-joint")
    assert [one["call"] for one in found.extra["joints"]] == ["bad", *["not measured"] * 4]


def test_a_joint_that_jumps_is_loose() -> None:
    found = Bench((0.004, 0.004, 0.002, 0.002, 0.002), spec=SILENT, jump=0.03).run()
    assert of(found)[0] == "fail"
    assert any("loose" in one for one in found.reasons)


def test_the_batterys_own_volts_are_no_joints() -> None:
    bench = Bench((1.1, *GOOD[1:]))
    bench.run(60)
    again = [one for one in bench.events if isinstance(one, Prompt) and one.id == "joint:1"]
    assert len(again) > 1
    assert "plus and minus" in again[1].text


def test_coarse_digits_leave_it_open() -> None:
    found = Bench((0.003, 0.0062, 0.002, 0.002, 0.003), digit=0.1, noise=0.0).run()
    assert found.outcome == "undecided"


def test_a_reading_of_nothing_is_told() -> None:
    found = Bench((0.0, *GOOD[1:]), noise=0.0).run()
    assert any("be sure that both tips were on metal" in one for one in found.reasons)


def test_a_joint_that_reads_nothing_is_asked_for_once_more() -> None:
    """Tips on paint read 0.000 V, as does no joint that carries 12 A: a bad joint passed for the best of all."""

    class Paint(Bench):
        def sample(self, t_s: float) -> Sample:
            found = super().sample(t_s)
            asked = sum(isinstance(one, Prompt) and one.id == "joint:2" for one in self.events)
            on_paint = self.on == 1 and asked < 2
            return replace(found, values={**found.values, "joint_volts": Value(0.0, 0.001)}) if on_paint else found

    bench = Paint((0.003, 0.030, 0.002, 0.002, 0.003))
    assert of(bench.run()) == ("fail", "connection", "bad-joint")
    asked = [one for one in bench.events if isinstance(one, Prompt) and one.id == "joint:2"]
    assert len(asked) == 2
    assert "paint" in asked[1].text


def test_no_joint_at_all_that_shows_volts_is_no_pass() -> None:
    found = Bench((0.0,) * 5, noise=0.0).run()
    assert of(found)[:2] == ("undecided", "instrument")
    assert of(judged(recording((0.0,) * 5), SPEC))[0] == "undecided"


def test_a_clamp_that_was_not_zeroed_is_no_charging_current() -> None:
    """It reads 6 A beside an engine that stands: every joint was good."""

    class Offset(Bench):
        def sample(self, t_s: float) -> Sample:
            return Sample(round(t_s * 1e9), {"joint_volts": Value(0.001, 0.001), "charge_amps": Value(6.0, 0.1),
                                             "engine_rpm": Value(0.0, 1.0)})  # fmt: skip

    found = Offset().run()
    assert found.outcome == "void"
    assert "not zeroed" in found.reasons[0]


def test_a_meter_over_its_range_is_named() -> None:
    class Over(Bench):
        def sample(self, t_s: float) -> Sample:
            found = super().sample(t_s)
            return replace(found, values={**found.values, "joint_volts": Value(None, None, frozenset({Flag.OVERLOAD}))})

    found = Over().run()
    assert of(found)[:2] == ("void", "instrument")
    assert "overload" in found.reasons[0]


def test_a_lost_ammeter_is_named() -> None:
    class Lost(Bench):
        def sample(self, t_s: float) -> Sample:
            found = super().sample(t_s)
            if t_s < 20:
                return found
            return replace(found, values={name: one for name, one in found.values.items() if name != "charge_amps"})

    found = Lost().run()
    assert of(found)[:2] == ("void", "instrument")
    assert "charge_amps" in found.reasons[0]


def recording(ohms: tuple[float, ...], *, each_s: float = 12.0, gap_s: float = 3.0) -> Iterator[Sample]:
    rng = random.Random(6)
    for count in range(round(len(ohms) * (each_s + gap_s) / 0.5)):
        t_s = count * 0.5
        at, into = divmod(t_s, each_s + gap_s)
        amps = 12.0 + rng.gauss(0, 0.05)
        values = {"charge_amps": Value(round(amps, 1), 0.1), "engine_rpm": Value(3500.0, 1.0)}
        if into < each_s:
            values["joint_volts"] = Value(round(amps * ohms[int(at)] + rng.gauss(0, 0.0005), 3), 0.001)
        yield Sample(round(t_s * 1e9), values)


def judged(samples: Iterator[Sample], spec: MachineSpec) -> Verdict:
    procedure = make("drop", spec)
    procedure.opening()
    for sample in samples:
        procedure.feed(sample)
    procedure.finish("the recording ended")
    assert procedure.verdict is not None
    return procedure.verdict


def test_a_recording_with_a_stretch_for_each_joint() -> None:
    assert of(judged(recording(GOOD), SPEC)) == ("pass", "none", "joints-good")
    bad = judged(recording((0.003, 0.030, 0.002, 0.002, 0.003)), SPEC)
    assert of(bad) == ("fail", "connection", "bad-joint")
    assert "breaker" in bad.reasons[0]
    assert of(judged(recording((0.002,)), ONE)) == ("pass", "none", "joints-good")
    assert judged(recording((0.002,)), SPEC).outcome == "undecided"
    too_many = judged(recording(GOOD), ONE)
    assert of(too_many)[:2] == ("void", "instrument")
    assert "5 stretches" in too_many.reasons[0]


def test_a_machine_file_without_joints_is_complained_about() -> None:
    empty = replace(SPEC, wiring=WiringSpec())
    complaints = PROCEDURES["drop"].spec_complaints(empty)
    assert len(complaints) == 1
    assert "'joints'" in complaints[0]
    assert PROCEDURES["drop"].spec_complaints(SPEC) == ()
    with pytest.raises(ValueError, match="joints"):
        make("drop", empty)


def test_wrong_answers_are_asked_about_by_name() -> None:
    again = make("drop", SPEC).feed(Answer(0, "joint:1", "0.2"))
    assert isinstance(again[0], Prompt)
    assert "'0.2'" in again[0].text


def test_it_stands_with_estimates() -> None:
    bench = Bench()
    bench.run()
    found = [one for one in bench.events if isinstance(one, Standing) and one.estimates]
    assert found
    assert set(found[0].estimates) == {"joint_volts", "joint_volts_at_rated", "joint_ohms"}
    assert found[0].estimates["joint_volts"]["high"] == pytest.approx(0.1 * 12 / 15, rel=0.02)
    assert found[0].estimates["joint_volts_at_rated"]["high"] == 0.1
    assert found[0].leaning == "pass"
