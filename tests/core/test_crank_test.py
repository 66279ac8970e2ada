"""The cranking judge on closed-form cranks: a battery of known resistance, a starter of known amps."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from benchd.core.events import Answer, Caution, JudgeEvent, Prompt, Standing
from benchd.core.procedures import make
from benchd.core.readings import Flag
from benchd.core.samples import Sample, Value
from benchd.core.specs import BatterySpec, MachineSpec, StartingSpec
from benchd.core.verdicts import Verdict

SPEC = MachineSpec(
    "Hollin T18 garden tractor", "service manual, section 6, page 14", (3350, 3650),
    battery=BatterySpec(28.0, 300), starting=StartingSpec(9.8, 300.0, 140.0, 10.0, 60.0),
)  # fmt: skip
SILENT = replace(SPEC, starting=None)


def shown(value: float, digit: float) -> Value:
    return Value(round(value / digit) * digit, digit)


def cranks(
    *,
    rest: float = 12.6,
    ohms: float = 0.012,
    amps: float = 110.0,
    rpm: float = 380.0,
    at: tuple[tuple[float, float], ...] = ((10.0, 5.0),),
    seconds: float = 25.0,
    step_s: float = 0.25,
    noise: float = 0.02,
    volts_digit: float = 0.01,
    without: tuple[str, ...] = (),
    seed: int = 3,
) -> Iterator[Sample]:
    """Cranks at (start, length). The first 0.25 s of each take three times the amps; compression makes them swing."""
    rng = random.Random(seed)
    for count in range(round(seconds / step_s)):
        t = count * step_s
        began = next((start for start, length in at if start <= t < start + length), None)
        pulls, turns = 0.0, 0.0
        if began is not None:
            pulls = (3.0 if t - began < 0.25 else 1.0) * amps * (1 + rng.gauss(0, 0.04))
            turns = 0.0 if t - began < 0.3 else rpm * (1 + rng.gauss(0, 0.02))
        values = {
            "battery_volts": shown(rest - pulls * ohms + rng.gauss(0, noise), volts_digit),
            "crank_amps": shown(pulls + rng.gauss(0, 0.2), 0.1),
            "engine_rpm": shown(turns, 1.0),
        }
        yield Sample(round(t * 1e9), {name: one for name, one in values.items() if name not in without})


def run(
    samples: Iterator[Sample] | list[Sample], spec: MachineSpec = SPEC, answers: dict[float, Answer] | None = None,
    earlier: dict[str, str] | None = None,
) -> tuple[Verdict, list[JudgeEvent]]:  # fmt: skip
    """The verdict and all events; `answers` by the second at which they come."""
    procedure = make("crank", spec, None, earlier)
    events = list(procedure.opening())
    waiting = sorted((answers or {}).items())
    for sample in samples:
        while waiting and waiting[0][0] <= sample.t_s:
            events += procedure.feed(waiting.pop(0)[1])
        events += procedure.feed(sample)
        if procedure.verdict is not None:
            break
    events += procedure.finish("the recording ended")
    assert procedure.verdict is not None
    return procedure.verdict, events


def of(verdict: Verdict) -> tuple[str, str, str]:
    return str(verdict.outcome), str(verdict.suspect), str(verdict.extra.get("finding", ""))


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ({}, ("pass", "none", "cranks")),
        ({"ohms": 0.030}, ("fail", "battery", "battery-sags")),  # 20 mOhm hold the load test of a 300 A battery
        ({"amps": 230.0, "rpm": 150.0}, ("fail", "unknown", "starter-dragging")),
        ({"amps": 45.0, "rpm": 140.0}, ("fail", "connection", "high-resistance")),
        ({"amps": 110.0, "rpm": 200.0}, ("fail", "unknown", "slow")),
        ({"rest": 11.4, "ohms": 0.02}, ("fail", "battery", "battery-sags")),
    ],
)
@pytest.mark.parametrize("step_s", [0.1, 0.5])
def test_each_fault_is_found(case: dict[str, float], expected: tuple[str, str, str], step_s: float) -> None:
    assert of(run(cranks(step_s=step_s, **case))[0]) == expected  # type: ignore[arg-type]


def test_it_ends_by_itself_when_the_key_is_released() -> None:
    found, events = run(cranks(seconds=100.0))
    assert found.duration_s < 17
    assert [one.id for one in events if isinstance(one, Prompt)][-2:] == ["release", "key-off"]


@pytest.mark.parametrize("ohms", [0.008, 0.012, 0.018])
def test_the_inner_resistance_comes_from_the_step_and_its_uncertainty_covers_it(ohms: float) -> None:
    errors = []
    for seed in range(8):
        one = run(cranks(ohms=ohms, seed=seed), replace(SPEC, starting=StartingSpec()))[0].measured["battery_ohms"]
        assert one.expanded_uncertainty is not None
        assert one.expanded_uncertainty < 0.25 * ohms
        errors.append(abs(one.value - ohms) / one.expanded_uncertainty)
    assert max(errors) < 1.0


def test_the_inrush_is_told_but_not_averaged() -> None:
    found = run(cranks(step_s=0.1))[0]
    assert found.measured["inrush_amps"].value == pytest.approx(330, rel=0.15)
    assert found.measured["starter_amps"].value == pytest.approx(110, rel=0.03)
    assert found.measured["cranking_volts"].value == pytest.approx(12.6 - 1.32, abs=0.05)
    assert found.measured["least_volts"].value < 9.3


def test_volts_against_speed_are_kept() -> None:
    found = run(cranks())[0]
    points = found.extra["volts_against_rpm"]
    assert len(points) > 10
    assert all(300 < rpm < 460 and 10 < volts < 12.7 for rpm, volts in points if rpm > 0)
    assert found.measured["cranking_rpm_per_volt"].value == pytest.approx(380 / 11.28, rel=0.03)


def test_without_limits_in_the_manual_common_practice_is_named() -> None:
    found = run(cranks(), SILENT)[0]
    assert found.limits["min_cranking_volts"] == 9.6
    assert "common practice" in found.limits["min_cranking_volts_from"]
    assert any("common practice at 70 degF" in one for one in found.reasons)


def test_volts_alone_cannot_tell_battery_from_starter() -> None:
    found = run(cranks(ohms=0.03, without=("crank_amps", "engine_rpm")))[0]
    assert of(found) == ("fail", "battery", "battery-sags")
    assert [str(one) for one in found.suspects] == ["battery", "unknown"]
    assert any("load test tells" in one for one in found.reasons)
    known_good = run(cranks(ohms=0.03, without=("crank_amps", "engine_rpm")), earlier={"load": "pass"})[0]
    assert of(known_good) == ("fail", "unknown", "starter-dragging")


def test_nothing_happens() -> None:
    quiet = cranks(at=(), seconds=60)
    found, _ = run(quiet, answers={8.0: Answer(8_000_000_000, "crank", "nothing")})
    assert of(found) == ("fail", "connection", "no-current")
    assert any("control circuit" in one for one in found.reasons)
    found, _ = run(cranks(at=(), seconds=60), answers={8.0: Answer(8_000_000_000, "crank", "clicks")})
    assert of(found) == ("fail", "connection", "no-current")
    assert any("big contacts" in one for one in found.reasons)


def test_a_coil_that_draws_is_told_from_a_dead_control_circuit() -> None:
    coil = cranks(at=((6.0, 3.0),), amps=8.0, rpm=0.0, seconds=60)
    found, _ = run(coil, answers={12.0: Answer(12_000_000_000, "crank", "nothing")})
    assert found.extra["finding"] == "no-current"
    assert any("coil is fed" in one for one in found.reasons)


def test_a_recording_in_which_nothing_turns_is_void_not_guessed() -> None:
    assert of(run(cranks(at=(), seconds=60))[0]) == ("void", "unknown", "no-crank-seen")
    assert of(run(cranks(at=(), seconds=400, step_s=0.5))[0]) == ("void", "unknown", "no-crank-seen")


def test_a_wrong_answer_is_asked_about_by_name() -> None:
    procedure = make("crank", SPEC)
    again = procedure.feed(Answer(0, "crank", "cranky"))
    assert isinstance(again[0], Prompt)
    assert "'cranky'" in again[0].text
    again = procedure.feed(Answer(0, "battery-celsius", "70"))
    assert isinstance(again[0], Prompt)
    assert "degF" in again[0].text


def test_a_frozen_battery_is_never_cranked() -> None:
    cold = {1.0: Answer(1_000_000_000, "battery-celsius", "-15C")}
    assert of(run(cranks(rest=11.7, at=()), answers=cold)[0]) == ("void", "battery", "frozen")


def test_the_cold_leaves_a_good_battery_fewer_volts() -> None:
    """9.1 V at 0 degF is no fault of a battery, and nothing proves that it is none: undecided, with the reason."""
    cold = {1.0: Answer(1_000_000_000, "battery-celsius", "0F")}
    weak = {"ohms": 0.027, "amps": 130.0}
    assert of(run(cranks(**weak), SILENT)[0])[0] == "fail"  # type: ignore[arg-type]
    found = run(cranks(**weak), SILENT, answers=cold)[0]  # type: ignore[arg-type]
    assert of(found)[0] == "undecided"
    assert any("8.5 V" in one for one in found.reasons)


def test_an_overlong_crank_is_told_off_and_judged() -> None:
    found, events = run(cranks(at=((10.0, 40.0),), seconds=60))
    assert any(isinstance(one, Caution) and "RELEASE THE KEY" in one.text for one in events)
    assert of(found) == ("pass", "none", "cranks")
    assert found.duration_s < 24


def test_a_crank_too_short_is_asked_for_again_and_the_starter_rests() -> None:
    short = cranks(at=((10.0, 0.9), (16.0, 4.5)), seconds=40)
    found, events = run(short)
    assert of(found) == ("pass", "none", "cranks")
    assert "crank:2" in [one.id for one in events if isinstance(one, Prompt)]
    hurried = cranks(at=((10.0, 0.9), (14.0, 0.9), (17.0, 5.0)), seconds=40)
    tired = replace(SPEC, starting=StartingSpec(9.8, 300.0, 140.0, 2.0, 60.0))
    _, events = run(hurried, tired)
    assert any(isinstance(one, Caution) and "should have rested" in one.text for one in events)


def test_an_engine_that_starts_is_told_at_once() -> None:
    def starting() -> Iterator[Sample]:
        for sample in cranks(at=((10.0, 1.0),), seconds=40):
            runs = sample.t_s > 11.0
            yield replace(sample, values={**sample.values, "engine_rpm": Value(1750.0 if runs else 0.0, 1.0)})

    found, events = run(starting())
    assert of(found) == ("void", "unknown", "engine-started")
    assert any(isinstance(one, Caution) and "key off" in one.text for one in events)

    def late() -> Iterator[Sample]:
        for sample in cranks(at=((10.0, 5.0),), seconds=40):
            yield (
                sample
                if sample.t_s < 15
                else replace(sample, values={**sample.values, "engine_rpm": Value(1750.0, 1.0)})
            )

    found, _ = run(late())
    assert of(found) == ("pass", "none", "cranks")


def test_an_engine_that_starts_unseen_by_a_tachometer_is_told_by_the_volts() -> None:
    def starting() -> Iterator[Sample]:
        for sample in cranks(at=((10.0, 0.8),), seconds=40, without=("engine_rpm",)):
            charging = {**sample.values, "battery_volts": Value(13.9, 0.01)}
            yield replace(sample, values=charging) if sample.t_s > 11.0 else sample

    assert of(run(starting())[0]) == ("void", "unknown", "engine-started")


def test_one_glitch_is_no_crank() -> None:
    def glitch() -> Iterator[Sample]:
        for sample in cranks(at=(), seconds=60):
            low = {**sample.values, "battery_volts": Value(3.1, 0.01)}
            yield replace(sample, values=low) if sample.t_s == 20.0 else sample

    assert of(run(glitch())[0]) == ("void", "unknown", "no-crank-seen")


def test_swapped_leads_and_a_turned_clamp() -> None:
    def swapped() -> Iterator[Sample]:
        for sample in cranks():
            value = sample.values["battery_volts"].value
            assert value is not None
            yield replace(sample, values={"battery_volts": Value(-value, 0.01)})

    found = run(swapped())[0]
    assert of(found)[:2] == ("void", "instrument")
    assert "swapped" in found.reasons[0]

    def turned() -> Iterator[Sample]:
        for sample in cranks():
            value = sample.values["crank_amps"].value
            assert value is not None
            yield replace(sample, values={**sample.values, "crank_amps": Value(-value, 0.1)})

    found = run(turned())[0]
    assert of(found) == ("pass", "none", "cranks")
    assert any("arrow" in one for one in found.reasons)


def test_a_clamp_over_its_range_is_told() -> None:
    over = Value(None, None, frozenset({Flag.OVERLOAD}))

    def clipped() -> Iterator[Sample]:
        for sample in cranks():
            pulls = sample.values["crank_amps"].value or 0.0
            yield replace(sample, values={**sample.values, "crank_amps": over if pulls > 40 else Value(pulls, 0.1)})

    found = run(clipped())[0]
    assert "starter_amps" not in found.measured
    assert any("over its range" in one for one in found.reasons)


def test_a_manual_that_allows_three_seconds_is_asked_for_no_more() -> None:
    brief = replace(SPEC, starting=StartingSpec(9.8, 300.0, 140.0, 3.0, 30.0))
    found, events = run(cranks(at=((10.0, 3.0),)), brief)
    assert of(found) == ("pass", "none", "cranks")
    asked = next(one for one in events if isinstance(one, Prompt) and one.id == "crank")
    assert "about 3 s (at most 3 s)" in asked.text
    assert "release" in [one.id for one in events if isinstance(one, Prompt)]


def shifted(channel: str, by: int, **more: Any) -> list[Sample]:
    """A crank with one channel's readings so many samples late."""
    both = list(cranks(**more))
    return [
        replace(one, values={**one.values, channel: both[max(at - by, 0)].values[channel]})
        for at, one in enumerate(both)
    ]


@pytest.mark.parametrize(("ohms", "outcome"), [(0.012, "pass"), (0.030, "fail")])
def test_a_clamp_that_is_a_second_late(ohms: float, outcome: str) -> None:
    """It still reads nothing when the volts have fallen: that is no release."""
    assert run(shifted("crank_amps", 10, step_s=0.1, ohms=ohms))[0].outcome == outcome


def from_rows(rows: list[tuple[float, float | None, float | None, float | None]]) -> list[Sample]:
    """Samples of (seconds, volts, amps, rpm); None where nothing had come."""
    names = (("battery_volts", 0.01), ("crank_amps", 0.02), ("engine_rpm", 1.0))
    return [
        Sample(round(t * 1e9), {name: Value(x, digit) for (name, digit), x in zip(names, row, strict=True) if x is not None})
        for t, *row in rows
    ]  # fmt: skip


def coming_to_rest(volts: float, tau_s: float, step_s: float, *, until_s: float = 60.0) -> list[Sample]:
    """The engine, or a charger, was stopped just now: the battery comes down to 12.62 V, and nothing turns."""
    steps = [n * step_s for n in range(round(until_s / step_s))]
    return from_rows([(t, round(12.62 + (volts - 12.62) * math.exp(-t / tau_s), 2), 0.2, 0.0) for t in steps])


@pytest.mark.parametrize("step_s", [0.1, 0.5])
@pytest.mark.parametrize("tau_s", [0.25, 8.0, 40.0])
@pytest.mark.parametrize("volts", [13.35, 14.4])
def test_volts_that_come_to_rest_are_no_crank(volts: float, tau_s: float, step_s: float) -> None:
    """They were taken for one that never ended, with an engine that stood: 'slow', or 'volts lost on the way'."""
    still = coming_to_rest(volts, tau_s, step_s)
    found, events = run(still)
    assert of(found) == ("void", "unknown", "no-crank-seen")
    assert "release" not in [one.id for one in events if isinstance(one, Prompt)]
    began = 10.0 + 4 * tau_s
    then = [
        replace(one, t_ns=one.t_ns + round(began * 1e9)) for one in cranks(step_s=step_s, at=((4.0, 5.0),), rest=12.62)
    ]
    found = run([one for one in coming_to_rest(volts, tau_s, step_s, until_s=200.0) if one.t_s < began] + then)[0]
    assert of(found) == ("pass", "none", "cranks")
    assert 12.6 < found.measured["rest_volts"].value < 12.9, "nothing of the charge is left in the rest"


#: Cranks of a good machine (11.3 V, 107 A, 355 rpm) as they were read by a computer that stood still for seconds at a time.
IN_CLUMPS = {
    "between the release and the run-up": [
        (19.54, 12.61, 8.98, 355), (20.0, 11.29, 106.98, 355), (20.5, 11.29, 108.62, 355), (21.71, None, 108.62, 355),
        (22.0, 11.29, 108.62, None), (22.5, 11.62, 107.52, 148), (23.32, 12.45, 22.92, 22), (23.5, 12.45, 22.92, 3),
        (24.0, 12.6, -0.26, 0), (24.5, 12.6, 0.2, 0),
    ],
    "little but the release": [
        (27.06, 11.30, 106.84, 355), (27.5, 11.29, 106.66, 354), (28.0, 12.06, 106.66, 108), (32.48, 12.52, 16.1, 11),
        (32.5, None, 2.48, 0), (33.0, 12.61, 0.8, 0), (33.5, 12.61, 0.8, 0),
    ],
    "a tachometer three seconds late": [
        (20.0, 11.29, 107.0, 0), (20.5, 11.29, 107.0, 0), (21.0, 11.29, 107.0, 0), (21.5, 11.29, 107.0, 0),
        (22.0, 11.29, 107.0, 0), (22.5, 11.29, 107.0, 0), (23.0, 11.29, 107.0, 355), (23.5, 11.29, 107.0, 354),
        (24.0, 11.29, 107.0, 355), (25.0, 12.6, 0.2, 355), (25.5, 12.6, 0.2, 355),
    ],
}  # fmt: skip


@pytest.mark.parametrize("case", list(IN_CLUMPS))
def test_readings_that_come_late_or_in_clumps_make_no_slow_crank(case: str) -> None:
    still: list[tuple[float, float | None, float | None, float | None]] = [
        (n / 2, 12.61 + n % 2 * 0.01, 0.2, 0.0) for n in range(30)
    ]
    found = run(from_rows([*still, *IN_CLUMPS[case]]))[0]
    assert of(found) == ("undecided", "unknown", "slow")
    assert any("come late" in one for one in found.reasons)
    assert "computer busy" in found.next_step


def test_an_engine_that_only_a_pickup_watches_is_not_called_slow() -> None:
    """It shows 0 rpm: with the spark off it sees nothing, whatever the engine does. Beside a clamp that is another matter."""
    found = run(cranks(rpm=0.0, without=("crank_amps",)))[0]
    assert of(found) == ("undecided", "unknown", "slow")
    assert any("spark off" in one for one in found.reasons)
    assert of(run(cranks(rpm=0.0, amps=45.0))[0])[0] == "fail"


def test_a_voltmeter_lost_while_cranking_condemns_nothing() -> None:
    """What the tachometer reads after the release was taken for slow cranking."""

    def lost() -> Iterator[Sample]:
        for sample in cranks(seconds=60):
            kept = {name: one for name, one in sample.values.items() if name != "battery_volts"}
            yield replace(sample, values=kept) if sample.t_s > 12.4 else sample

    assert run(lost())[0].outcome in ("pass", "void")


def test_a_crank_that_was_on_before_the_rest_was_seen_is_not_judged() -> None:
    assert of(run(cranks(at=((0.0, 5.0),), seconds=30))[0]) == ("void", "unknown", "no-crank-seen")


def test_readings_that_come_too_slowly_are_told() -> None:
    found = run(cranks(step_s=2.0, seconds=40))[0]
    assert of(found) == ("void", "unknown", "too-short")
    assert "half a second apart" in found.reasons[0]


def test_coarse_digits_widen_the_uncertainty() -> None:
    fine = run(cranks(noise=0.0))[0].measured["cranking_volts"].expanded_uncertainty
    coarse = run(cranks(noise=0.0, volts_digit=0.1))[0].measured["cranking_volts"].expanded_uncertainty
    assert fine is not None
    assert coarse is not None
    assert coarse > fine


def test_a_lost_voltmeter_is_named() -> None:
    def lost() -> Iterator[Sample]:
        for sample in cranks(seconds=60):
            yield replace(sample, values={}) if sample.t_s > 5 else sample

    found = run(lost())[0]
    assert of(found)[:2] == ("void", "instrument")
    assert "battery_volts" in found.reasons[0]


def test_it_stands_about_once_a_second_with_estimates() -> None:
    _, events = run(cranks(step_s=0.1))
    times = [one.t_ns / 1e9 for one in events if isinstance(one, Standing)]
    assert min(b - a for a, b in pairwise(times)) > 0.9
    last = next(one for one in reversed(events) if isinstance(one, Standing) and one.estimates)
    assert {"cranking_volts", "starter_amps", "cranking_rpm"} <= set(last.estimates)


def test_the_clamp_must_take_the_first_gulp() -> None:
    assert [(one.channel, one.least) for one in make("crank", SPEC).least_ranges()] == [("crank_amps", 280.0)]


def test_a_battery_that_gives_no_volts_at_all_while_the_starter_is_on() -> None:
    def shorted() -> Iterator[Sample]:
        for sample in cranks(amps=60.0, rpm=90.0):
            on = 10 <= sample.t_s < 15
            yield replace(sample, values={**sample.values, "battery_volts": Value(0.0 if on else 12.6, 0.01)})

    found = run(shorted(), SILENT)[0]
    assert of(found) == ("fail", "battery", "battery-sags")
    assert "cranking_rpm_per_volt" not in found.measured


@pytest.mark.parametrize("seed", range(6))
def test_meters_that_average_over_the_run_up_and_the_release(seed: int) -> None:
    """Each display lags by half a second: gulp, run-up and release are smeared over the readings beside them."""

    def lagging() -> Iterator[Sample]:
        held: dict[str, float] = {}
        for sample in cranks(noise=0.002, seed=seed, at=((10.0, 5.2),)):
            for name, one in sample.values.items():
                assert one.value is not None
                held[name] = held.get(name, one.value) + (one.value - held.get(name, one.value)) * 0.4
            yield replace(sample, values={name: Value(round(value, 2), 0.01) for name, value in held.items()})

    found = run(lagging())[0]
    assert of(found) == ("pass", "none", "cranks")
    assert found.measured["cranking_rpm"].value == pytest.approx(380, rel=0.03)
    assert found.measured["battery_ohms"].value == pytest.approx(0.012, rel=0.05)
