"""The unit's test on a small closed-form rig whose operator does what the prompts say: each failure mode, and what goes wrong
on a bench. Not the virtual bench: a set-point that falls with the load, an output that ends, a battery."""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from benchd import config
from benchd.core.events import Caution, JudgeEvent, Prompt, Standing
from benchd.core.procedures import make
from benchd.core.readings import Flag
from benchd.core.samples import Sample, Value
from benchd.core.specs import MachineSpec, Metrology, Rule
from benchd.core.verdicts import Outcome, Suspect, Verdict
from benchd.judge import judge_trace

SPEC = config.load_spec(config.find_file("vantry-vr20", "regulator"))
KNOWN = config.metrology(config.load_bench(config.find_file("rig-1", "bench")))


@dataclass
class Rig:
    """`events` of the operator come from prompts; `spoil` may change what is displayed at a second."""

    set_volts: float = 14.32
    per_amp: float = 0.006
    limit: float = 21.0
    starts: float = 1400.0
    leak_ma: float = 0.4
    ripple_mv: float = 120.0
    drift_mv: float = 0.0  # in 20 s under rated load
    dump_volts: float = 0.0
    rest: float = 12.6
    ramp_rpm_s: float = 120.0
    stuck_rpm: float | None = None
    no_load: bool = False
    seed: int = 3
    settle_s: float = 0.6
    spoil: Callable[[float, dict[str, Value]], None] = lambda t, values: None
    rpm: float = 0.0
    load: float = 0.0
    wants: list[Any] = field(default_factory=lambda: [0.0, 0.0, 0.0])  # rpm, rpm per s, amps
    warm_s: float = 0.0
    volts: float = 12.6
    prompts: list[Prompt] = field(default_factory=list)

    def hear(self, event: JudgeEvent) -> None:
        if not isinstance(event, Prompt):
            return
        self.prompts.append(event)
        if "Drive: stopped" in event.text:
            self.wants[0], self.wants[1] = 0.0, 3000.0
        elif found := re.search(r"slowly up to (\d+) rpm", event.text):
            self.wants[:] = [float(found[1]), self.ramp_rpm_s, 0.6]
            if below := re.search(r"below (\d+) rpm", event.text):
                self.rpm, self.ramp_rpm_s = float(below[1]) - 50, self.ramp_rpm_s / 8
                self.wants[1] = self.ramp_rpm_s
        elif found := re.search(r"Drive: (\d+) rpm", event.text):
            self.wants[0], self.wants[1] = float(found[1]), 900.0
        if self.stuck_rpm is not None:
            self.wants[0] = min(self.wants[0], self.stuck_rpm)
        if self.no_load:
            return
        if "Load: off" in event.text:
            self.wants[2] = 0.0
        elif "slowly" not in event.text and (found := re.search(r"Load: ([\d.]+) A", event.text)):
            self.wants[2] = float(found[1]) - 1.4
        elif found := re.search(r"up until ([\d.]+) V", event.text):
            self.wants[2] = self.limit - (float(found[1]) - 12.9) / 1.0

    def step(self, t: float, dt: float, rng: random.Random) -> Sample:
        change = self.wants[0] - self.rpm
        self.rpm += max(-self.wants[1] * dt, min(self.wants[1] * dt, change))
        self.load += max(-12.0 * dt, min(12.0 * dt, self.wants[2] - self.load))
        able = max(0.0, min(self.limit, (self.rpm - self.starts) * 0.02 + 0.3)) if self.rpm >= self.starts else 0.0
        self.warm_s += dt if self.load > 10 else 0.0
        aim = self.set_volts + self.drift_mv / 1000 * min(self.warm_s / 20.0, 2.0)
        dump = self.dump_volts if self.load < 1 and self.rpm > 3000 and self.warm_s > 0 else 0.0
        amps = self.load + (aim - 12.9)
        volts = aim - self.per_amp * amps + dump
        if amps > able:
            amps = able
            volts = (12.9 if able else self.rest) + (able - self.load) * (1.0 if able else 0.05)
        self.volts += (volts - self.volts) * min(1.0, dt / self.settle_s)
        values = {
            "battery_volts": shown(self.volts + rng.gauss(0, 0.002), 0.001),
            "charge_amps": shown(amps + rng.gauss(0, 0.01), 0.01),
            "engine_rpm": shown(self.rpm + (rng.gauss(0, 2) if self.rpm else 0), 1.0),
            "ripple_volts": shown(self.ripple_mv / 1000 * (amps / 18.0) + abs(rng.gauss(0, 0.001)), 0.001),
        }
        if self.rpm < 30:
            values["draw_amps"] = shown(self.leak_ma / 1000 + rng.gauss(0, 0.00001), 0.00001)
        self.spoil(t, values)
        return Sample(round(t * 1e9), values)


def shown(value: float, digit: float) -> Value:
    return Value(round(round(value / digit) * digit, 9), digit)


def run(
    rig: Rig, spec: MachineSpec = SPEC, known: Metrology = KNOWN, *, seconds: float = 400.0, step_s: float = 0.5
) -> tuple[Verdict, list[JudgeEvent], list[Sample]]:
    procedure = make("unit", spec, known)
    rng = random.Random(rig.seed)
    events: list[JudgeEvent] = list(procedure.opening())
    samples: list[Sample] = []
    for count in range(round(seconds / step_s)):
        samples.append(rig.step(count * step_s, step_s, rng))
        found = procedure.feed(samples[-1])
        for event in found:
            rig.hear(event)
        events += found
        if procedure.verdict is not None:
            break
    events += procedure.finish("the recording ended")
    assert procedure.verdict is not None
    return procedure.verdict, events, samples


def of(verdict: Verdict) -> tuple[str, str, list[str]]:
    return str(verdict.outcome), str(verdict.extra["finding"]), list(verdict.extra["modes"])


def row(verdict: Verdict, id: str) -> dict[str, Any]:
    return next(dict(one) for one in verdict.extra["characteristics"] if one["id"] == id)


def cautions(events: Sequence[JudgeEvent]) -> str:
    return " ".join(one.text for one in events if isinstance(one, Caution))


def test_a_good_unit_passes_without_a_key_in_under_ninety_seconds() -> None:
    rig = Rig()
    verdict, events, _ = run(rig)
    assert of(verdict) == ("pass", "", [])
    assert verdict.suspect is Suspect.NONE
    assert [one["id"] for one in verdict.extra["characteristics"]] == list(SPEC.part.ids)  # type: ignore[union-attr]
    assert all(one["outcome"] == "pass" for one in verdict.extra["characteristics"])
    assert 40 <= verdict.duration_s <= 90
    assert verdict.extra["probability_of_conformity"] > 0.9
    assert verdict.decision_rule == str(Rule.GUARDED_ACCEPTANCE)
    assert all(one.choices == () for one in rig.prompts)
    assert {one.id for one in rig.prompts} >= {"set-first-output", "bridge-ammeter", "set-ceiling", "done"}
    assert row(verdict, "set-point-light")["value"] == pytest.approx(14.32 - 0.006 * 2.5, abs=0.006)
    assert row(verdict, "load-regulation")["value"] == pytest.approx(0.006 * 15.5 * 1000, abs=8)
    assert row(verdict, "first-output")["value"] == pytest.approx(1440, abs=40)
    assert row(verdict, "greatest-output")["value"] == pytest.approx(21.0, abs=0.3)
    assert row(verdict, "leakage")["value"] == pytest.approx(0.4, abs=0.02)
    assert "guards on" in cautions(events)


def test_what_is_measured_has_its_budget_and_its_probability() -> None:
    verdict, _, _ = run(Rig())
    found = verdict.measured["load-regulation"]
    assert found.unit == "mV"
    assert found.expanded_uncertainty is not None
    # The gain error of one meter is common to both: 0.03 % of 14 V and 3 mV would alone be 5 mV and more.
    assert found.expanded_uncertainty < 6.0
    assert any("common to both" in line["name"] for line in found.budget)
    for id, one in verdict.measured.items():
        assert one.probability_of_conformity is not None, id
        assert one.expanded_uncertainty is not None, id
        assert one.expanded_uncertainty > 0, id


@pytest.mark.parametrize(
    ("rig", "main"),
    [
        (Rig(leak_ma=6.0), "leaks-back"),
        (Rig(starts=1900.0), "starts-late"),
        (Rig(starts=9000.0), "no-output"),
        (Rig(set_volts=13.8), "set-point-low"),
        (Rig(set_volts=14.75), "set-point-high"),
        (Rig(per_amp=0.018, set_volts=14.4), "load-regulation"),
        (Rig(limit=18.5), "output-low"),
        (Rig(limit=12.0), "output-low"),
        (Rig(ripple_mv=500.0), "ripple-high"),
        (Rig(drift_mv=-260.0, set_volts=14.5), "drifts"),
        (Rig(set_volts=15.6), "over-ceiling"),
        (Rig(dump_volts=1.5), "over-ceiling"),
    ],
)
def test_each_failure_mode_is_named(rig: Rig, main: str) -> None:
    verdict, _, _ = run(rig)
    assert verdict.outcome is Outcome.FAIL
    assert verdict.suspect is Suspect.REGULATOR
    assert verdict.extra["finding"] == main
    assert verdict.extra["modes"][0] == main


def test_over_the_ceiling_stops_at_once_and_loudly() -> None:
    verdict, events, samples = run(Rig(set_volts=15.6))
    assert "STOP THE DRIVE NOW" in cautions(events)
    over = [one.t_s for one in samples if (one.number("battery_volts") or 0) > 15.02]
    assert over[-1] - over[0] <= 1.5
    assert row(verdict, "ceiling")["outcome"] == "fail"
    assert row(verdict, "warm-up")["outcome"] == "skipped"


def test_one_glitch_is_no_crossing() -> None:
    def spoil(t: float, values: dict[str, Value]) -> None:
        if t == 40.0:
            values["battery_volts"] = Value(19.9, 0.001)

    verdict, _, _ = run(Rig(spoil=spoil))
    assert of(verdict) == ("pass", "", [])
    assert verdict.extra["volts_glitches"] == 1
    assert row(verdict, "ceiling")["value"] < 14.6


def test_several_modes_are_all_known() -> None:
    verdict, _, _ = run(Rig(leak_ma=5.0, ripple_mv=600.0))
    assert of(verdict) == ("fail", "leaks-back", ["leaks-back", "ripple-high"])


def test_no_output_leaves_out_what_means_nothing() -> None:
    verdict, _, _ = run(Rig(starts=9000.0))
    assert row(verdict, "leakage")["outcome"] == "pass"
    for id in ("set-point-light", "load-regulation", "ripple", "warm-up", "greatest-output"):
        assert row(verdict, id)["outcome"] == "skipped"
    assert any("Not measured" in one for one in verdict.reasons)
    assert verdict.duration_s < 70


def test_in_the_guard_band_is_undecided() -> None:
    verdict, _, _ = run(Rig(set_volts=14.6 + 0.012 * 2.5 - 0.001, per_amp=0.012))
    assert of(verdict) == ("undecided", "", [])
    assert row(verdict, "set-point-light")["outcome"] == "undecided"
    assert "too close to call" in row(verdict, "set-point-light")["says"]


def test_a_safety_characteristic_ends_the_unit() -> None:
    part = SPEC.part
    assert part is not None
    safe = replace(part, characteristics=tuple(
        replace(one, safety=one.id == "leakage") for one in part.characteristics
    ))  # fmt: skip
    verdict, events, _ = run(Rig(leak_ma=9.0), replace(SPEC, part=safe))
    assert of(verdict) == ("fail", "leaks-back", ["leaks-back"])
    assert verdict.duration_s < 10
    assert "STOP THE DRIVE" in cautions(events)


def test_a_speed_that_is_never_reached_is_void_and_named() -> None:
    verdict, events, _ = run(Rig(stuck_rpm=2450.0), seconds=700)
    assert of(verdict) == ("void", "not-measured", ["not-measured"])
    assert verdict.suspect is Suspect.ENGINE_SPEED
    assert "3500" in " ".join(verdict.reasons)
    assert any(isinstance(one, Prompt) and one.id == "again-set-point-light" for one in events)


def test_a_load_that_is_never_set_is_void_and_named() -> None:
    verdict, _, _ = run(Rig(no_load=True), seconds=700)
    assert of(verdict) == ("void", "not-measured", ["not-measured"])
    assert "load" in " ".join(verdict.reasons)


@pytest.mark.parametrize("flag", [Flag.HOLD, Flag.WRONG_FUNCTION, None])
def test_a_lost_meter_is_void_and_named(flag: Flag | None) -> None:
    def spoil(t: float, values: dict[str, Value]) -> None:
        if t > 30:
            values.pop("battery_volts")
            if flag is not None:
                values["battery_volts"] = Value(None, 0.001, frozenset({flag}))

    verdict, _, _ = run(Rig(spoil=spoil))
    assert of(verdict) == ("void", "not-measured", ["not-measured"])
    assert verdict.suspect is Suspect.INSTRUMENT
    assert "attery volts" in verdict.reasons[0]


def test_a_milliammeter_that_says_nothing_is_named_and_the_rest_is_measured() -> None:
    def spoil(t: float, values: dict[str, Value]) -> None:
        values.pop("draw_amps", None)

    verdict, _, _ = run(Rig(spoil=spoil))
    assert of(verdict) == ("void", "not-measured", ["not-measured"])
    assert "draw_amps" in verdict.reasons[0]
    assert row(verdict, "set-point-light")["outcome"] == "pass"


def test_leakage_over_the_meters_range_is_leakage() -> None:
    def spoil(t: float, values: dict[str, Value]) -> None:
        if "draw_amps" in values:
            values["draw_amps"] = Value(None, None, frozenset({Flag.OVERLOAD}))

    verdict, _, _ = run(Rig(spoil=spoil))
    assert of(verdict) == ("fail", "leaks-back", ["leaks-back"])


def test_a_ramp_that_was_too_fast_is_asked_for_again() -> None:
    rig = Rig(ramp_rpm_s=2400.0, starts=1500.0)
    verdict, _, _ = run(rig)
    assert any(one.id == "again-first-output" for one in rig.prompts)
    assert row(verdict, "first-output")["outcome"] == "pass"


def test_a_drive_that_overshoots_is_told_and_waited_for() -> None:
    def spoil(t: float, values: dict[str, Value]) -> None:
        if 36.0 <= t < 42.0:
            values["engine_rpm"] = Value(4200.0, 1.0)

    verdict, events, _ = run(Rig(spoil=spoil))
    assert of(verdict) == ("pass", "", [])
    assert "Slow the drive down" in cautions(events)


def test_a_hunting_drive_makes_no_ripple() -> None:
    def spoil(t: float, values: dict[str, Value]) -> None:
        if values["engine_rpm"].value and values["engine_rpm"].value > 3450:
            values["engine_rpm"] = Value(3600.0 + (85.0 if int(t * 2) % 2 else -85.0), 1.0)

    verdict, _, _ = run(Rig(spoil=spoil))
    assert row(verdict, "ripple")["outcome"] == "undecided"
    assert "hunts" in row(verdict, "ripple")["says"]


def test_a_set_point_that_settles_slowly_is_waited_for() -> None:
    verdict, _, _ = run(Rig(settle_s=4.0))
    assert of(verdict) == ("pass", "", [])
    assert row(verdict, "set-point-rated")["value"] == pytest.approx(14.32 - 0.006 * 18, abs=0.03)


def test_a_discharged_battery_is_named() -> None:
    _, events, _ = run(Rig(rest=11.4, volts=11.4), seconds=20)
    assert "discharged" in cautions(events)


def test_the_same_samples_say_the_same() -> None:
    verdict, _, samples = run(Rig(ripple_mv=500.0))
    again = judge_trace("unit", samples, SPEC, KNOWN)
    assert again.to_json() == verdict.to_json()
    quiet = judge_trace("unit", samples, SPEC, KNOWN, timing={"quiet": True})
    assert quiet.to_json() == verdict.to_json()


def test_a_recording_that_ends_early_is_void() -> None:
    verdict, _, _ = run(Rig(), seconds=30)
    assert of(verdict) == ("void", "not-measured", ["not-measured"])
    assert row(verdict, "leakage")["outcome"] == "pass"


def test_standings_show_what_is_measured_so_far() -> None:
    _, events, _ = run(Rig())
    last = [one for one in events if isinstance(one, Standing)][-1]
    assert {"leakage", "set-point-light", "warm-up"} <= set(last.estimates)
    assert all(set(one) == {"value", "unit", "u", "low", "high"} for one in last.estimates.values())
    first = next(one for one in events if isinstance(one, Standing))
    assert first.left_s is not None
    assert first.left_s > 40


def test_the_milliammeter_needs_no_room_for_the_output() -> None:
    ranges = {one.channel: one for one in make("unit", SPEC, KNOWN).least_ranges()}
    assert ranges["draw_amps"].least < 0.01
    assert ranges["charge_amps"].least == 30.0
    assert ranges["battery_volts"].least == 16.0
