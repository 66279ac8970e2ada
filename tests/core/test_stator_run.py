"""The stator judge on closed-form traces."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from traces import SPEC, digits, drive, judged, stator_samples

from benchd.core.events import Answer, Prompt
from benchd.core.procedures import make
from benchd.core.readings import Quantity
from benchd.core.samples import Sample
from benchd.core.specs import AccuracyLine, ChannelModel, Metrology, StatorSpec

THREE = replace(SPEC, stator=StatorSpec(26.0, 3600, 12, ("a - b", "b - c", "a - c")))


@pytest.mark.parametrize(
    ("volts", "outcome", "suspect"), [(33, "pass", "none"), (24, "fail", "stator"), (0.2, "fail", "stator")]
)
def test_volts_decide(volts: float, outcome: str, suspect: str) -> None:
    found = judged("stator", stator_samples(volts))
    assert (found.outcome, found.suspect) == (outcome, suspect)
    assert found.duration_s < 25
    assert found.measured["stator_volts"].value == pytest.approx(volts, abs=0.3)


@pytest.mark.parametrize("rpm", [3360.0, 3500.0, 3640.0])
def test_it_is_judged_at_the_specs_rpm_never_raw(rpm: float) -> None:
    """Trap 12: 28.9 V at 3600 reads 27.0 raw at 3360 rpm and is still good; 27.0 at 3600 read at 3640 is still weak."""
    assert judged("stator", stator_samples(28.9, rpm=rpm)).outcome == "pass"
    assert judged("stator", stator_samples(27.0, rpm=rpm)).outcome == "fail"


def test_the_uncertainty_of_rpm_counts_with_that_of_volts() -> None:
    fine = ChannelModel("stator_volts", (AccuracyLine(Quantity.AC_VOLTS, 0.1, 1, 0.01),))

    def u(percent: float) -> float:
        rpm = ChannelModel("engine_rpm", (AccuracyLine(Quantity.SPEED, percent, 1, 1.0),))
        metrology = Metrology({"stator_volts": fine, "engine_rpm": rpm})
        found = judged("stator", stator_samples(33), metrology=metrology).measured["stator_volts"].expanded_uncertainty
        assert found is not None
        return found

    assert u(2.0) > 3 * u(0.1)


def test_too_close_to_call_is_said() -> None:
    found = judged("stator", stator_samples(28.05))
    assert (found.outcome, found.ended_because) == ("undecided", "too close to call")


@pytest.mark.parametrize("pulses", [0.5, 2.0])
@pytest.mark.parametrize("hertz", [True, False])
def test_wrong_pulses_per_revolution(pulses: float, hertz: bool) -> None:
    """Trap 11: by frequency and poles; without a frequency by what no engine or stator does."""
    found = judged("stator", stator_samples(33, pulses=pulses, hertz=hertz))
    assert (found.outcome, found.suspect) == ("void", "instrument")
    assert "pulses per revolution" in found.reasons[0]


def test_another_pole_count_than_the_specs_is_not_called_a_tachometer_of_half_speed() -> None:
    found = judged("stator", stator_samples(33, poles=16))
    assert (found.outcome, found.suspect) == ("void", "instrument")
    assert "magnet_poles" in found.reasons[0]


def test_engine_off_speed_is_void() -> None:
    found = judged("stator", stator_samples(33, rpm=3000.0))
    assert (found.outcome, found.suspect) == ("void", "engine speed")


def test_unsteady_volts_wait_and_do_not_pass_at_once() -> None:
    """Volts that still climb are not judged while they do: steady is decided from the trend, not by a timer."""

    def climbing() -> list[Sample]:
        found = []
        for sample in stator_samples(30, seconds=200, noise=0.01):
            volts = sample.number("stator_volts")
            assert volts is not None
            climb = 1.0 - 0.1 * math.exp(-max(sample.t_s - 11.0, 0.0) / 15.0)
            found.append(Sample(sample.t_ns, {**sample.values, "stator_volts": digits(volts * climb, 0.01)}))
        return found

    assert judged("stator", iter(climbing())).duration_s > 40
    assert judged("stator", stator_samples(30, noise=0.01)).duration_s < 25


def test_a_meter_outside_its_ac_band_cannot_judge() -> None:
    """Trap 10: 360 Hz on a meter stated to 100 Hz."""
    model = ChannelModel("stator_volts", (AccuracyLine(Quantity.AC_VOLTS, 1.0, 3, 0.01, max_hertz=100.0),))
    found = judged("stator", stator_samples(33), metrology=Metrology({"stator_volts": model}))
    assert (found.outcome, found.suspect) == ("undecided", "instrument")
    assert "band" in found.reasons[0]


def test_three_pairs_read_together() -> None:
    def together(third: float) -> list[Sample]:
        found = []
        for sample in stator_samples(33):
            value = sample.values["stator_volts"]
            assert value.value is not None
            more = {"stator_volts_2": value, "stator_volts_3": digits(value.value * third, 0.01)}
            found.append(Sample(sample.t_ns, {**sample.values, **more}))
        return found

    good = judged("stator", iter(together(1.0)), spec=THREE)
    assert good.outcome == "pass"
    assert {"stator_volts", "stator_volts_2", "stator_volts_3"} <= set(good.measured)
    bad = judged("stator", iter(together(0.02)), spec=THREE)
    assert (bad.outcome, bad.suspect) == ("fail", "stator")
    uneven = judged("stator", iter(together(0.85)), spec=THREE)
    assert uneven.outcome == "pass"
    assert any("differ" in reason for reason in uneven.reasons)


def test_three_pairs_one_meter_moves_from_pair_to_pair_when_the_engine_stops() -> None:
    run = make("stator", THREE)
    asked = []
    t_ns = 0
    for volts in (33.0, 32.5, 3.0):
        for sample in stator_samples(volts, seconds=45):
            events = run.feed(Sample(t_ns + sample.t_ns, sample.values))
            asked += [one.id for one in events if isinstance(one, Prompt) and one.id.startswith("lead-pair")]
            if asked and run.verdict is None and len(run.results) > len(asked):  # type: ignore[attr-defined]
                break
        t_ns += int(45e9)
        run.feed(Sample(t_ns, {"engine_rpm": digits(0.0, 1.0), "stator_volts": digits(0.0, 0.01)}))
        t_ns += int(1e9)
    assert asked == ["lead-pair:2", "lead-pair:3"]
    assert run.verdict is not None
    assert (run.verdict.outcome, run.verdict.suspect) == ("fail", "stator")
    assert "a - c" in run.verdict.reasons[0]


def test_a_grounded_stator_is_found_by_ohms_alone() -> None:
    spec = replace(SPEC, stator=StatorSpec(28.0, 3600, 12, lead_ohms=(0.1, 0.2), min_ground_ohms=1e5))
    run = make("stator", spec)
    asked = [one.id for one in run.opening() if isinstance(one, Prompt)]
    assert {"lead-ohms:1", "ground-ohms"} <= set(asked)
    assert run.feed(Answer(0, "ground-ohms", "a lot")) != []
    run.feed(Answer(0, "ground-ohms", "12"))
    found = drive(run, stator_samples(33))
    assert (found.outcome, found.ended_because) == ("fail", "stator grounded")


def test_an_open_winding_and_ohms_beyond_what_an_ohmmeter_can_tell() -> None:
    spec = replace(SPEC, stator=StatorSpec(28.0, 3600, 12, lead_ohms=(0.1, 0.2), min_ground_ohms=1e5))
    run = make("stator", spec)
    run.feed(Answer(0, "lead-ohms:1", "OL"))
    assert drive(run, stator_samples(33)).ended_because == "stator open"
    run = make("stator", spec)
    run.feed(Answer(0, "lead-ohms:1", "0.5"))
    found = drive(run, stator_samples(33))
    assert found.outcome == "pass"
    assert any("few ohmmeters" in reason for reason in found.reasons)


def swept(bend: float) -> list[Sample]:
    """The throttle opened slowly, a hundred rpm every four seconds, then left open."""
    kept = []
    for step in range(400):
        t = step / 2
        rpm = 0.0 if t < 4 else min(1800.0 + 100.0 * int((t - 4) / 4), 3550.0)
        volts = 33.0 * rpm / 3600.0 * (1.0 + bend * (1.0 - rpm / 3550.0))
        values = {"stator_volts": digits(volts, 0.01), "engine_rpm": digits(rpm, 1.0)}
        kept.append(Sample(int(t * 1e9), values))
    return kept


def test_the_throttle_sweep_gives_volts_per_thousand_rpm_and_flags_a_bow() -> None:
    straight = judged("stator", iter(swept(0.0)))
    assert straight.measured["volts_per_1000_rpm"].value == pytest.approx(33 / 3.6, rel=0.01)
    assert not any("straight" in reason for reason in straight.reasons)
    bowed = judged("stator", iter(swept(0.8)))
    assert any("straight" in reason for reason in bowed.reasons)


def test_a_throttle_that_is_thrown_open_says_nothing_of_a_bow() -> None:
    """Trap 15: volts and rpm read a moment apart on the way up do not belong together."""
    for seed in range(5):
        found = judged("stator", stator_samples(33, seed=seed))
        assert not any("straight" in reason for reason in found.reasons)


def test_volts_no_stator_makes_are_the_meter_or_the_spec() -> None:
    spec = replace(SPEC, stator=StatorSpec(28.0, 3600, 12, max_volts_ac=45.0))
    found = judged("stator", stator_samples(60), spec=spec)
    assert (found.outcome, found.suspect) == ("void", "instrument")


def test_a_short_recording_is_undecided() -> None:
    assert judged("stator", stator_samples(33, seconds=13)).outcome == "undecided"
    assert judged("stator", stator_samples(33, seconds=6)).outcome == "void"
