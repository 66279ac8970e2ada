"""The regulator judge on closed-form traces: every rule, and what must never happen."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator
from dataclasses import replace

import pytest
from traces import SPEC, Bench, digits, drive, judged

from benchd.core.events import Answer, Caution, Decided, FlagChanged, Phase, Prompt, Standing
from benchd.core.procedures import make
from benchd.core.readings import Flag, Quantity
from benchd.core.samples import Sample, Value
from benchd.core.specs import AccuracyLine, BatterySpec, ChannelModel, Metrology, Rule
from benchd.core.verdicts import Verdict

LONG_S = 1400.0


def changed(samples: Iterator[Sample], **channels: object) -> Iterator[Sample]:
    """The same samples with some channels passed through functions (t, value) -> Value or None."""
    for sample in samples:
        values = dict(sample.values)
        for name, function in channels.items():
            found = function(sample.t_s, values.get(name))  # type: ignore[operator]
            values.pop(name, None)
            if found is not None:
                values[name] = found
        yield Sample(sample.t_ns, values)


def test_a_healthy_machine_passes_within_two_minutes() -> None:
    found = judged("regulator", Bench().samples(LONG_S))
    assert (found.outcome, found.suspect) == ("pass", "none")
    assert found.duration_s < 120
    settled = found.measured["settled_volts"]
    assert settled.expanded_uncertainty is not None
    assert abs(settled.value - 14.3) < settled.expanded_uncertainty
    assert settled.probability_of_conformity is not None
    assert settled.probability_of_conformity > 0.97


@pytest.mark.parametrize("step_s", [0.1, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("seed", range(4))
def test_the_sampling_rate_changes_no_verdict(step_s: float, seed: int) -> None:
    assert judged("regulator", Bench(step_s=step_s, seed=seed).samples(LONG_S)).outcome == "pass"
    low = judged("regulator", Bench(step_s=step_s, seed=seed, set_volts=13.3).samples(LONG_S))
    assert (low.outcome, low.suspect) == ("fail", "regulator")


def test_bulk_rise_of_any_slowness_is_never_settled() -> None:
    """Trap 1: amps at rated, volts creeping inside the window at 0.05 to 1 mV/s."""
    for rise in (0.02, 0.08, 0.15):
        found = judged("regulator", Bench(ohms=0.1, rest=12.2, rise_per_ah=rise, set_volts=15.5).samples(LONG_S))
        assert found.outcome == "undecided", rise
        assert "never seen at work" in found.reasons[0]


def test_amps_that_sag_with_a_warming_alternator_are_no_taper() -> None:
    """8 % in twenty minutes at flat volts inside the window: not the regulator's doing."""
    samples = Bench(ohms=0.1, rest=12.3, rise_per_ah=0.02, set_volts=15.5).samples(LONG_S)

    def sag(t: float, value: Value) -> Value:
        assert value.value is not None
        return digits(value.value * (1 - 0.08 * min(t / 1200.0, 1.0)), 0.01)

    assert judged("regulator", changed(samples, charge_amps=sag)).outcome == "undecided"


@pytest.mark.parametrize(("set_volts", "word"), [(13.3, "low"), (14.93, "high")])
def test_a_wrong_set_point_is_the_regulator(set_volts: float, word: str) -> None:
    found = judged("regulator", Bench(set_volts=set_volts, volts_digit=0.001).samples(LONG_S))
    assert (found.outcome, found.suspect) == ("fail", "regulator")
    assert word in found.ended_because or "above" in found.ended_because


def test_a_set_point_at_the_limit_is_too_close_to_call() -> None:
    found = judged("regulator", Bench(set_volts=13.8, volts_digit=0.001).samples(LONG_S))
    assert (found.outcome, found.ended_because) == ("undecided", "too close to call")


def test_the_ceiling_ends_the_run_within_two_seconds_and_says_so_loudly() -> None:
    bench = Bench(set_volts=18.0, rise_per_ah=40.0)
    over_at = next(s.t_s for s in bench.samples(LONG_S) if (s.number("battery_volts") or 0) > 15.0)
    found = judged("regulator", bench.samples(LONG_S))
    assert (found.outcome, found.suspect, found.ended_because) == ("fail", "regulator", "ceiling crossed")
    assert found.duration_s - over_at <= 2.0
    assert found.cautions


def test_one_glitch_is_no_crossing() -> None:
    """Trap 8."""

    def glitch(t: float, value: Value) -> Value:
        return digits(16.4, 0.01) if t in (14.0, 22.5) else value

    assert judged("regulator", changed(Bench().samples(LONG_S), battery_volts=glitch)).outcome == "pass"


@pytest.mark.parametrize(
    ("earlier", "suspect"), [({}, "unknown"), ({"stator": "pass"}, "regulator"), ({"stator": "fail"}, "stator")]
)
@pytest.mark.parametrize(("limit_amps", "because"), [(0.0, "no output"), (9.0, "output below the spec")])
def test_too_little_output_names_the_part_by_the_stator_run(
    earlier: dict[str, str], suspect: str, limit_amps: float, because: str
) -> None:
    found = judged("regulator", Bench(limit_amps=limit_amps).samples(LONG_S), earlier=earlier)
    assert (found.outcome, found.suspect, found.ended_because) == ("fail", suspect, because)
    assert found.duration_s < 60


def test_no_output_with_an_ammeter_never_seen_alive_says_prove_it() -> None:
    found = judged("regulator", Bench(limit_amps=0.0).samples(LONG_S))
    assert any("prove it" in reason for reason in found.reasons)


def test_a_full_battery_voids_the_run() -> None:
    """Trap 6: amps fall before rated output was ever shown."""
    found = judged("regulator", Bench(rest=13.5).samples(LONG_S))
    assert (found.outcome, found.suspect) == ("void", "not discharged")
    assert "15 s" in found.next_step


def test_rated_amps_for_a_moment_count_when_what_follows_bears_them_out() -> None:
    """Trap 6: a strong alternator on a small battery is at the set-point in seconds: no fault and not full."""
    found = judged("regulator", Bench(rest=12.62, ohms=0.1, rise_per_ah=0.8).samples(LONG_S, idle_s=2.0))
    assert found.outcome == "pass"


def test_a_dead_cell_is_the_battery() -> None:
    found = judged("regulator", Bench(dead_volts=2.1).samples(LONG_S))
    assert (found.outcome, found.suspect) == ("fail", "battery")


def test_a_bad_joint_is_neither_regulator_nor_battery() -> None:
    for wire in (0.1, 0.2, 0.3):
        found = judged("regulator", Bench(wire=wire).samples(LONG_S))
        assert (found.outcome, found.suspect) == ("fail", "connection"), wire


def test_a_joint_that_opens_and_closes_is_found() -> None:
    def opened(t: float, share: float) -> bool:
        return t > 16 and (t % 9.0) < share

    def volts(t: float, value: Value) -> Value:
        assert value.value is not None
        return digits(value.value - 0.6, 0.01) if opened(t, 1.0) else value

    def amps(t: float, value: Value) -> Value:
        return digits(0.0, 0.01) if opened(t, 1.0) else value

    found = judged("regulator", changed(Bench(rise_per_ah=0.2).samples(LONG_S), battery_volts=volts, charge_amps=amps))
    assert (found.outcome, found.suspect) == ("fail", "connection")


def test_an_ammeter_that_goes_to_nothing_mid_run_is_not_read_as_a_taper() -> None:
    """Trap 9: the fuse of a 10 A jack blows and the meter reads zero."""

    def amps(t: float, value: Value) -> Value:
        return digits(0.0, 0.01) if t > 18 else value

    def volts(t: float, value: Value) -> Value:
        return digits(12.75, 0.01) if t > 18 else value

    found = judged("regulator", changed(Bench().samples(LONG_S), battery_volts=volts, charge_amps=amps))
    assert (found.outcome, found.suspect) == ("void", "instrument")
    assert "fuse" in found.next_step


def fuse_blows(
    bench: Bench, at_s: float, base: float, relax_s: float, gaps: dict[str, list[tuple[float, float]]]
) -> Verdict:
    """The ammeter's fuse opens the charging wire while a meter is not read, so that nobody saw the moment."""
    before = 0.0

    def samples() -> Iterator[Sample]:
        nonlocal before
        for sample in bench.samples(300.0):
            values = dict(sample.values)
            if sample.t_s < at_s:
                before = sample.number("battery_volts") or 0.0
            else:
                fallen = base + (before - base) * math.exp((at_s - sample.t_s) / relax_s)
                values |= {"charge_amps": digits(0.0, 0.01), "battery_volts": digits(fallen, 0.01)}
            away = [name for name, of in gaps.items() if any(a <= sample.t_s < b for a, b in of)]
            yield Sample(sample.t_ns, {name: one for name, one in values.items() if name not in away})

    return judged("regulator", samples())


LATE = [(43.0, 45.0), (46.65, 50.65), (54.1, 68.1), (68.55, 82.55)]


@pytest.mark.parametrize(
    ("bench", "at_s", "base", "relax_s", "gaps"),
    [
        (Bench(rest=12.08, ohms=0.077, rise_per_ah=1.3, wire=0.03, step_s=0.2), 35.0, 12.74, 30.0, {"battery_volts": [(28.9, 36.9)]}),
        (Bench(rest=12.29, ohms=0.054, rise_per_ah=1.4, wire=0.03, step_s=1.0), 56.4, 12.93, 30.0, {"battery_volts": [(16.6, 20.6), (46.2, 57.2)]}),
        (Bench(rest=12.38, ohms=0.087, rise_per_ah=1.8, set_volts=14.16, step_s=0.2), 24.0, 13.22, 10.0, {"battery_volts": [(22.8, 33.8)]}),
        (Bench(rest=12.23, ohms=0.054, rise_per_ah=1.9, set_volts=14.23), 49.9, 12.49, 4.0, {"charge_amps": LATE, "battery_volts": LATE}),
        (Bench(rest=12.4), 40.0, 12.7, 8.0, {}),
    ],
)  # fmt: skip
def test_a_fuse_that_blows_while_nobody_reads_is_never_the_regulator(
    bench: Bench, at_s: float, base: float, relax_s: float, gaps: dict[str, list[tuple[float, float]]]
) -> None:
    """A step from all to nothing across a gap looks like a source line that ends too low."""
    found = fuse_blows(bench, at_s, base, relax_s, gaps)
    assert (found.outcome, found.suspect) == ("void", "instrument"), found.ended_because


def test_nothing_is_passed_while_a_meter_is_silent() -> None:
    bench = Bench(rest=12.584, ohms=0.111, rise_per_ah=1.7, set_volts=14.37, step_s=0.2)
    found = judged(
        "regulator", changed(bench.samples(300.0), battery_volts=lambda t, v: None if 21.6 < t < 32.6 else v)
    )
    assert found.outcome == "pass"
    assert found.duration_s > 32.6


def test_reversed_leads_are_named() -> None:
    def turned(t: float, value: Value) -> Value:
        assert value.value is not None
        return Value(-value.value, value.resolution)

    volts = judged("regulator", changed(Bench().samples(LONG_S), battery_volts=turned))
    assert (volts.outcome, volts.suspect) == ("void", "instrument")
    assert "voltmeter" in volts.reasons[0]
    amps = judged("regulator", changed(Bench().samples(LONG_S), charge_amps=turned))
    assert (amps.outcome, amps.suspect) == ("void", "instrument")


def test_a_meter_that_goes_silent_is_named_and_voids_the_run() -> None:
    run = make("regulator", SPEC, wait_s=20.0)
    events = []
    silent = changed(Bench(rise_per_ah=0.1).samples(LONG_S), charge_amps=lambda t, v: v if t < 15 else None)
    for sample in silent:
        events += run.feed(sample)
    named = next(one for one in events if isinstance(one, FlagChanged))
    assert (named.channel, named.flag, named.state) == ("charge_amps", "no reading", "on")
    assert named.t_ns / 1e9 <= 15 + 3.5
    assert run.verdict is not None
    assert (run.verdict.outcome, run.verdict.suspect) == ("void", "instrument")
    assert run.verdict.duration_s == pytest.approx(35, abs=1.5)


def test_a_meter_that_comes_back_is_forgiven() -> None:
    gone = changed(Bench().samples(LONG_S), battery_volts=lambda t, v: None if 15 < t < 25 else v)
    found = judged("regulator", gone)
    assert found.outcome == "pass"
    assert any("battery_volts was not read for 10 s" in reason for reason in found.reasons)


@pytest.mark.parametrize("flag", [Flag.OVERLOAD, Flag.HOLD, Flag.WRONG_FUNCTION])
def test_what_is_no_measurement_is_never_read_as_one(flag: Flag) -> None:
    def flagged(t: float, value: Value) -> Value:
        return Value(None, None, frozenset({flag})) if t > 12 else value

    found = judged("regulator", changed(Bench().samples(LONG_S), battery_volts=flagged))
    assert (found.outcome, found.suspect) == ("void", "instrument")
    assert str(flag) in found.reasons[0]


@pytest.mark.parametrize("channel", ["battery_volts", "charge_amps"])
def test_a_meter_on_hold_that_does_not_say_so_is_found_by_its_digits(channel: str) -> None:
    """Trap 14: lively digits that stop dead; else frozen volts with falling amps would blame the regulator."""
    held: list[Value] = []

    def hold(t: float, value: Value) -> Value:
        if t < 14:
            return value
        held.append(value)
        return held[0]

    bench = Bench(noise=0.008, rise_per_ah=0.3, volts_digit=0.001)
    found = judged("regulator", changed(bench.samples(LONG_S), **{channel: hold}))
    assert (found.outcome, found.suspect) == ("void", "instrument")
    assert "stood at" in found.reasons[0]


def test_volts_that_never_answer_rated_amps_are_no_dead_cell() -> None:
    found = judged("regulator", changed(Bench().samples(LONG_S), battery_volts=lambda t, v: digits(12.4, 0.01)))
    assert (found.outcome, found.suspect) == ("void", "instrument")
    assert "no battery does that" in found.reasons[0]


def test_quiet_digits_are_not_taken_for_hold() -> None:
    """Trap 2: a regulated battery on a 10 mV meter repeats its digits for minutes."""
    assert judged("regulator", Bench(noise=0.001).samples(LONG_S)).outcome == "pass"


@pytest.mark.parametrize("rpm", [2900.0, 3200.0, 3900.0])
def test_an_engine_off_its_speed_voids_the_run(rpm: float) -> None:
    found = judged("regulator", Bench(rpm=rpm).samples(LONG_S))
    assert (found.outcome, found.suspect) == ("void", "engine speed")


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_wrong_pulses_per_revolution_are_the_tachometer(factor: float) -> None:
    def wrong(t: float, value: Value) -> Value:
        assert value.value is not None
        return digits(value.value * factor, 1.0)

    found = judged("regulator", changed(Bench(rise_per_ah=0.2).samples(LONG_S), engine_rpm=wrong))
    assert (found.outcome, found.suspect) == ("void", "instrument")


def test_hunting_too_wide_voids_and_a_little_does_not() -> None:
    def hunting(width: float) -> Iterator[Sample]:
        def rpm(t: float, value: Value) -> Value:
            return digits(3500 + width * math.sin(t * 2.0), 1.0) if t > 9 else value

        return changed(Bench().samples(LONG_S), engine_rpm=rpm)

    wide = judged("regulator", hunting(400))
    assert (wide.outcome, wide.suspect) == ("void", "engine speed")
    assert judged("regulator", hunting(120)).outcome == "pass"


def test_an_engine_that_stops_voids_the_run() -> None:
    def stops(t: float, value: Value) -> Value:
        return digits(0.0, 1.0) if t > 20 else value

    found = judged("regulator", changed(Bench(rise_per_ah=0.1).samples(LONG_S), engine_rpm=stops))
    assert (found.outcome, found.suspect) == ("void", "engine speed")


def test_a_battery_that_may_be_frozen_is_refused_before_the_start() -> None:
    run = make("regulator", SPEC)
    run.feed(Answer(0, "battery-celsius", "-15"))
    found = drive(run, Bench(rest=11.8).samples(LONG_S))
    assert (found.outcome, found.suspect) == ("void", "battery")
    assert found.duration_s < 5
    assert "burst" in found.cautions[0]


def test_the_resting_battery_is_spoken_of_before_the_start() -> None:
    def first(rest: float) -> list[object]:
        run = make("regulator", SPEC)
        events: list[object] = []
        for sample in itertools.islice(Bench(rest=rest).samples(60), 9):
            events += [one for one in run.feed(sample) if isinstance(one, Caution | Prompt)]
        return events

    assert [one.id for one in first(12.9) if isinstance(one, Prompt)] == ["discharge"]
    assert any(isinstance(one, Caution) and "dead cell" in one.text for one in first(10.5))
    assert first(12.4) == []


def test_correlated_noise_is_not_counted_as_independent() -> None:
    """Trap 3: a regulator that hunts slowly by 0.1 V makes the foretold volts less sure, and never a wrong fail."""
    calm = judged("regulator", Bench(volts_digit=0.001).samples(LONG_S))
    rng = random.Random(5)
    phase = rng.uniform(0, 6)
    hunting = Bench(volts_digit=0.001, wobble=lambda t: 0.1 * math.sin(t / 2.0 + phase))
    found = judged("regulator", hunting.samples(LONG_S))
    assert found.outcome in ("pass", "undecided")
    assert calm.outcome == "pass"
    if found.outcome == "pass":
        settled = found.measured["settled_volts"]
        assert settled.expanded_uncertainty is not None
        assert abs(settled.value - 14.3) < 0.15


def test_volts_and_amps_that_never_come_together_are_not_paired() -> None:
    """Trap 15: one second's volts are not divided by another second's amps."""

    def every(n: int, offset: float) -> object:
        return lambda t, v: v if (t + offset) % n == 0 else None

    apart = changed(Bench(step_s=1.0).samples(LONG_S), battery_volts=every(6, 0), charge_amps=every(6, 3))
    run = make("regulator", SPEC)
    found = drive(run, apart)
    assert "settled_volts" not in found.measured
    near = changed(Bench(step_s=0.5).samples(LONG_S), battery_volts=every(1, 0), charge_amps=every(1, 0.5))
    assert judged("regulator", near).outcome == "pass"


def test_an_unstated_accuracy_is_said_and_a_bad_statement_is_undecided() -> None:
    found = judged("regulator", Bench().samples(LONG_S))
    assert any("No accuracy statement for battery_volts" in reason for reason in found.reasons)
    mute = Metrology({"battery_volts": ChannelModel("battery_volts", ())})
    assert judged("regulator", Bench().samples(LONG_S), metrology=mute).outcome == "undecided"


def test_the_decision_rule_moves_the_verdict_near_a_limit() -> None:
    """13.87 V against 13.8 with u = 0.05: probably good, not proven."""
    model = ChannelModel("battery_volts", (AccuracyLine(Quantity.DC_VOLTS, 0.6, 1, 0.001),))
    amps = ChannelModel("charge_amps", (AccuracyLine(Quantity.DC_AMPS, 0.5, 1, 0.01),))

    def outcome(rule: Rule) -> str:
        metrology = Metrology({"battery_volts": model, "charge_amps": amps}, rule)
        bench = Bench(set_volts=13.87, volts_digit=0.001, amps_digit=0.001, wire=0.001)
        return judged("regulator", bench.samples(LONG_S), metrology=metrology).outcome

    assert outcome(Rule.SIMPLE) == "undecided"
    assert outcome(Rule.GUARDED_ACCEPTANCE) == "undecided"
    assert outcome(Rule.GUARDED_REJECTION) == "pass"


def test_the_longest_time_ends_in_undecided_with_the_best_estimate() -> None:
    found = judged("regulator", Bench(ohms=0.03, rise_per_ah=0.05).samples(LONG_S))
    assert found.outcome == "undecided"
    assert found.duration_s == pytest.approx(1209.5, abs=12)
    assert "battery_volts" in found.measured


def test_the_charge_is_in_and_the_volts_are_not_is_the_battery() -> None:
    small = replace(SPEC, battery=BatterySpec(8.0))
    found = judged("regulator", Bench(ohms=0.03, rise_per_ah=0.05, rest=12.5).samples(LONG_S), spec=small)
    assert (found.outcome, found.suspect) == ("fail", "battery")


def test_a_recording_that_ends_early_is_undecided_and_an_abort_is_void() -> None:
    assert judged("regulator", Bench(rise_per_ah=0.1).samples(20.0)).outcome == "undecided"
    run = make("regulator", SPEC)
    for sample in Bench().samples(15.0):
        run.feed(sample)
    run.finish("stopped by the operator")
    assert run.verdict is not None
    assert run.verdict.outcome == "void"


def test_a_recording_without_rpm_or_amps_is_void_and_names_the_channel() -> None:
    for channel in ("engine_rpm", "charge_amps", "battery_volts"):
        gone = changed(Bench().samples(LONG_S), **{channel: lambda t, v: None})
        found = judged("regulator", gone)
        assert (found.outcome, found.suspect) == ("void", "instrument"), channel
        assert channel in found.reasons[0]


def test_nothing_at_all_is_void() -> None:
    found = judged("regulator", iter(()))
    assert found.outcome == "void"
    assert found.rpm is None


def test_standings_tell_the_phase_and_end_with_the_verdict() -> None:
    run = make("regulator", SPEC)
    events = [event for sample in Bench().samples(LONG_S) for event in run.feed(sample)]
    phases = [one.phase for one in events if isinstance(one, Standing)]
    assert list(dict.fromkeys(phases)) == [Phase.CHECKING, Phase.WAITING, Phase.MEASURING]
    assert isinstance(events[-1], Decided)
    assert {one.leaning for one in events if isinstance(one, Standing)} <= {"pass", "undecided"}
    last = [one for one in events if isinstance(one, Standing)][-1]
    assert set(last.expected) == {"battery_volts", "charge_amps"}
    assert run.feed(Sample(10**13, {})) == ()


def test_quiet_and_watched_runs_say_the_same() -> None:
    watched = judged("regulator", Bench().samples(LONG_S))
    quiet = judged("regulator", Bench().samples(LONG_S), quiet=True)
    assert watched == quiet


def test_a_spec_without_regulator_is_refused() -> None:
    with pytest.raises(ValueError, match="no \\[regulator\\]"):
        make("regulator", replace(SPEC, regulator=None))
    with pytest.raises(ValueError, match="no procedure 'lamp'"):
        make("lamp", SPEC)
