"""The load-test judge on closed-form batteries under a load tester."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import pytest
from battery_runs import MACHINE, Loaded, Played, once, play
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.core.events import Answer, Phase
from benchd.core.procedures import make
from benchd.core.readings import Quantity
from benchd.core.samples import Sample, Value
from benchd.core.specs import AccuracyLine, BatterySpec, ChannelModel, Metrology

WARM = {"battery-celsius": "20C"}
CHARGED = {"charge": "pass"}
FINE = Metrology(
    {
        "battery_volts": ChannelModel("battery_volts", (AccuracyLine(Quantity.DC_VOLTS, 0.05, 3, 0.001),)),
        "load_amps": ChannelModel("load_amps", (AccuracyLine(Quantity.DC_AMPS, 1.0, 3, 0.1),)),
    }
)


def load(
    battery: Loaded, answers: Mapping[str, Any] = WARM, earlier: Mapping[str, str] = CHARGED, **more: Any
) -> Played:
    return once("load", battery, 300, answers, earlier=earlier, **more)


@pytest.mark.parametrize(
    ("battery", "outcome", "finding"),
    [
        (Loaded(ohms=0.011), "pass", "holds"),
        (Loaded(ohms=0.011, step_s=1.0), "pass", "holds"),
        (Loaded(ohms=0.011, step_s=0.1, noise=0.01), "pass", "holds"),
        (Loaded(ohms=0.022), "fail", "weak"),
        (Loaded(ohms=0.014, sag=1.6), "fail", "weak"),
        (Loaded(ohms=0.011, cell_dies_s=5.0), "fail", "dead-cell"),
        (Loaded(ohms=0.0168, sag=0.6), "undecided", "unsure"),
    ],
)
def test_volts_under_load_decide(battery: Loaded, outcome: str, finding: str) -> None:
    found = load(battery)
    assert (found.verdict.outcome, found.finding) == (outcome, finding)
    assert found.verdict.suspect == ("none" if outcome == "pass" else "battery")


def test_the_internal_resistance_comes_from_the_step() -> None:
    found = load(Loaded(ohms=0.011)).verdict.measured["internal_resistance"]
    assert found.expanded_uncertainty is not None
    # A tenth of the slow part has come in by the time the step is read.
    assert found.value == pytest.approx(0.011, abs=found.expanded_uncertainty + 0.0005)
    assert 0.0001 < found.expanded_uncertainty < 0.002


def test_a_collapse_fails_at_once() -> None:
    found = load(Loaded(ohms=0.025, hold_s=15.0))
    assert found.verdict.ended_because == "the volts collapsed"
    assert found.verdict.duration_s < 20 + 5
    assert found.prompts("let-go"), "and the operator is told to let go"


def test_a_dead_cell_shows_in_the_curve_and_ends_it() -> None:
    found = load(Loaded(cell_dies_s=5.0))
    assert found.verdict.duration_s < 20 + 10
    assert "a cell gave out" in " ".join(found.verdict.reasons)


@pytest.mark.parametrize(("celsius", "outcome"), [("21C", "fail"), ("-10C", "pass"), ("14F", "pass")])
def test_the_limit_goes_with_the_temperature(celsius: str, outcome: str) -> None:
    """9.25 V is too low at 21 degC (9.6) and enough at -10 degC (8.8)."""
    found = load(Loaded(ohms=0.0201), {"battery-celsius": celsius}, metrology=FINE)
    assert found.verdict.outcome == outcome


def test_an_unknown_temperature_decides_nothing_between_the_ends_of_the_table() -> None:
    assert load(Loaded(ohms=0.011), {}).verdict.outcome == "pass", "above 9.6 V at any temperature"
    assert load(Loaded(ohms=0.030), {}).verdict.outcome == "fail", "below 8.5 V at any"
    between = load(Loaded(ohms=0.020), {})
    assert (between.verdict.outcome, between.finding) == ("undecided", "unsure")
    assert "temperature is not known" in between.verdict.reasons[0]


def test_a_temperature_given_late_still_counts() -> None:
    procedure = make("load", MACHINE, FINE, CHARGED)
    asked = [event for event in procedure.opening() if getattr(event, "id", "") == "battery-celsius"]
    assert len(asked) == 1

    for sample in Loaded(ohms=0.020, sag=0.2).samples(300):
        procedure.feed(sample)
        if sample.t_s == 45.0:
            procedure.feed(Answer(sample.t_ns, "battery-celsius", "-10C"))
        if procedure.verdict is not None:
            break
    assert procedure.verdict is not None
    assert procedure.verdict.outcome == "pass"


# --- the load itself ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("amps", [125.0, 150.0, 175.0])
def test_a_load_off_nominal_is_corrected_by_the_measured_resistance(amps: float) -> None:
    found = load(Loaded(amps=amps), metrology=FINE)
    assert found.verdict.outcome == "pass"
    volts = found.verdict.measured["load_volts"]
    assert volts.expanded_uncertainty is not None
    true = 12.65 - 150 * 0.011 - 0.4 * (1 - 2.718281828 ** (-15 / 8.0))
    assert volts.value == pytest.approx(true, abs=volts.expanded_uncertainty)


def test_the_further_off_the_less_sure() -> None:
    spreads = [load(Loaded(amps=amps), metrology=FINE).verdict.measured["load_volts"] for amps in (150.0, 125.0)]
    assert spreads[1].expanded_uncertainty > spreads[0].expanded_uncertainty  # type: ignore[operator]


def test_a_load_too_far_off_is_void_unless_it_proves_more() -> None:
    low = load(Loaded(amps=100.0))
    assert (low.verdict.outcome, low.finding) == ("void", "off-nominal")
    assert "100 A" in low.verdict.reasons[0]
    assert load(Loaded(amps=195.0)).finding == "holds", "more load than asked and still enough volts"
    assert load(Loaded(amps=100.0, ohms=0.035)).finding == "weak", "less load and still too few"
    high = load(Loaded(amps=195.0, ohms=0.0165))
    assert (high.verdict.outcome, high.finding) == ("void", "off-nominal")


def test_a_load_of_0_a_is_refused_by_name() -> None:
    found = load(Loaded(clamp=0.0))
    assert (found.verdict.outcome, found.verdict.suspect, found.finding) == ("void", "instrument", "no-load")
    assert "0 A" in found.verdict.reasons[0]
    assert "clamp" in found.verdict.next_step
    assert "tester on" in found.verdict.next_step
    assert found.verdict.duration_s < 20 + 8, "seen within seconds, not after a patience"


def test_no_load_at_all_is_refused_too() -> None:
    never = load(Loaded(amps=0.0))
    assert (never.verdict.outcome, never.finding) == ("void", "no-load")
    short = play("load", Loaded(amps=0.0).samples(30), WARM, earlier=CHARGED)
    assert (short.verdict.outcome, short.finding) == ("void", "no-load")


def test_it_ends_when_the_longest_time_is_over() -> None:
    found = load(Loaded(amps=0.0), max_run_s=40.0)
    assert found.verdict.outcome == "void"
    assert "longest allowed time" in found.verdict.ended_because


def test_a_clamp_the_wrong_way_round_is_told_and_taken() -> None:
    found = load(Loaded(clamp=-1.0))
    assert found.finding == "holds"
    assert any("arrow points the wrong way" in one for one in found.verdict.reasons)


def test_let_go_too_early_is_void() -> None:
    found = load(Loaded(hold_s=8.0))
    assert (found.verdict.outcome, found.finding) == ("void", "cut-short")
    assert found.verdict.duration_s < 20 + 12


def test_held_too_long_is_warned_about_and_judged_at_15_s() -> None:
    found = load(Loaded(hold_s=60.0))
    assert found.finding == "holds"
    assert "LET GO" in found.cautions()
    assert found.verdict.measured["load_volts_read"].value == pytest.approx(load(Loaded()).verdict.measured["load_volts_read"].value, abs=0.02)  # fmt: skip


def test_the_load_before_the_rest_was_seen_is_void() -> None:
    assert load(Loaded(rest_s=0.0)).finding == "cut-short"


def test_recovery_is_measured_and_a_poor_one_is_told() -> None:
    assert load(Loaded()).verdict.measured["recovery_volts"].value > 12.4
    procedure = make("load", MACHINE, FINE, CHARGED)
    procedure.opening()
    for sample in Loaded().samples(300):
        volts, amps = sample.number("battery_volts"), sample.number("load_amps")
        assert volts is not None
        low = min(volts, 11.0) if sample.t_s > 37 else volts
        procedure.feed(Sample(sample.t_ns, {"battery_volts": Value(low, 0.01), "load_amps": Value(amps, 0.1)}))
    assert procedure.verdict is not None
    assert procedure.verdict.outcome == "undecided"
    assert "11.2" in procedure.verdict.reasons[0]


# --- conditions ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rest", "earlier"),
    [(12.2, {}), (12.2, CHARGED), (12.5, {"charge": "fail"}), (10.6, {}), (11.8, {"charge": "undecided"})],
)
def test_a_battery_that_is_not_charged_is_charged_first(rest: float, earlier: dict[str, str]) -> None:
    found = load(Loaded(rest=rest), earlier=earlier)
    assert (found.verdict.outcome, found.finding) == ("void", "not-charged")
    assert found.verdict.duration_s < 20, "before the load is asked for"
    assert not found.prompts("apply-load")
    assert "Charge it" in found.verdict.next_step


@pytest.mark.parametrize("earlier", [{}, CHARGED, {"charge": "undecided"}])
def test_a_published_12_4_v_is_enough_to_begin(earlier: dict[str, str]) -> None:
    assert load(Loaded(rest=12.4, ohms=0.008, sag=0.2), earlier=earlier).finding == "holds"


def test_a_weak_battery_of_doubtful_charge_is_not_condemned() -> None:
    found = load(Loaded(rest=12.45, ohms=0.022), earlier={})
    assert (found.verdict.outcome, found.finding) == ("undecided", "weak")
    assert "charge test" in found.verdict.next_step
    assert load(Loaded(rest=12.45, ohms=0.022)).verdict.outcome == "fail", "with a charge test that passed it is"


def test_frozen_and_too_cold_are_locked_out_before_the_load() -> None:
    frozen = load(Loaded(rest=12.2), {"battery-celsius": "-20C"}, earlier={})
    assert (frozen.verdict.outcome, frozen.finding) == ("void", "frozen")
    cold = load(Loaded(), {"battery-celsius": "-25C"})
    assert (cold.verdict.outcome, cold.finding) == ("void", "too-cold")
    assert not frozen.prompts("apply-load")
    assert not cold.prompts("apply-load")


def test_the_load_is_asked_for_only_after_the_temperature_or_a_patience() -> None:
    assert load(Loaded(rest_s=60.0), {}).prompts("apply-load")[0].t_ns > 40e9
    assert load(Loaded()).prompts("apply-load")[0].t_ns < 15e9


def test_no_cold_cranking_amps_no_test() -> None:
    bare = replace(MACHINE, battery=BatterySpec(28.0))
    with pytest.raises(ValueError, match="cold_cranking_amps"):
        make("load", bare)
    with pytest.raises(ValueError, match=r"no \[battery\]"):
        make("load", replace(MACHINE, battery=None))


def test_a_converted_rating_widens_the_answer_and_is_told() -> None:
    mca = replace(MACHINE, battery=BatterySpec(28.0, None, 382.0, "MCA"))
    found = load(Loaded(), spec=mca, metrology=FINE)
    assert any("MCA x 0.77 to 0.8" in one for one in found.verdict.reasons)
    plain = load(Loaded(), metrology=FINE)
    assert any(one["name"] == "rating converted" for one in found.verdict.measured["load_volts"].budget)
    assert not any(one["name"] == "rating converted" for one in plain.verdict.measured["load_volts"].budget)


def test_the_clamp_must_take_the_load() -> None:
    ranges = {one.channel: one for one in make("load", MACHINE).least_ranges()}
    assert ranges["load_amps"].least == pytest.approx(180.0)
    assert "never a meter's jack" in ranges["load_amps"].why


# --- what is shown ------------------------------------------------------------------------------------------------------


def test_countdown_and_bands_are_live() -> None:
    found = load(Loaded())
    loaded = [one for one in found.standings() if one.phase is Phase.MEASURING and "more" in one.why]
    left = [one.left_s for one in loaded if one.left_s is not None]
    assert left == sorted(left, reverse=True)
    assert left[0] > 13
    assert left[-1] < 1.5
    assert len(left) >= 14, "about once a second or oftener"
    last = loaded[-1]
    assert (last.estimates["load_amps"]["low"], last.estimates["load_amps"]["high"]) == (120.0, 180.0)
    assert last.estimates["battery_volts"]["low"] == pytest.approx(9.58)
    assert last.expected["battery_volts"][0] == pytest.approx(9.58)


def test_the_operator_is_told_how_to_trim_the_load() -> None:
    assert any("up to 150 A" in one.why for one in load(Loaded(amps=125.0)).standings())
    assert any("down to 150 A" in one.why for one in load(Loaded(amps=178.0)).standings())


def test_cautions_come_before_the_load() -> None:
    told = load(Loaded()).cautions()
    for word in ("Sparks", "explosive gas", "hot enough", "meter's jack", "frozen"):
        assert word in told


# --- meters -------------------------------------------------------------------------------------------------------------


def test_glitches_change_nothing() -> None:
    good = Loaded(glitches={9.0: 3.0, 23.0: 1.0, 30.0: 25.0, 34.5: 0.0})
    assert load(good).finding == "holds"
    weak = Loaded(ohms=0.0185, sag=0.9, glitches={26.0: 14.0})
    assert load(weak).verdict.outcome == "fail"


@pytest.mark.parametrize(("volts_digit", "amps_digit"), [(0.001, 0.1), (0.01, 1.0), (0.1, 1.0)])
def test_displays(volts_digit: float, amps_digit: float) -> None:
    found = load(Loaded(volts_digit=volts_digit, amps_digit=amps_digit, noise=0.0))
    assert found.finding == "holds"
    spread = found.verdict.measured["load_volts"].expanded_uncertainty
    assert spread is not None
    assert spread > volts_digit / 2


def test_meters_of_two_clocks() -> None:
    """Trap 15: volts and amps come in turn, half a second apart."""
    both = list(Loaded(step_s=0.5).samples(200))
    one_by_one = (
        Sample(one.t_ns, {name: one.values[name] for name in (("battery_volts",), ("load_amps",))[at % 2]})
        for at, one in enumerate(both)
    )
    found = play("load", one_by_one, WARM, earlier=CHARGED)
    assert found.finding == "holds"


def late(battery: Loaded, channel: str, by_s: float) -> Iterator[Sample]:
    """The battery's samples with one channel's readings `by_s` late."""
    both = list(battery.samples(60))
    shift = round(by_s / battery.step_s)
    for at, one in enumerate(both):
        yield replace(one, values={**one.values, channel: both[max(at - shift, 0)].values[channel]})


@pytest.mark.parametrize("step_s", [0.1, 0.5, 2.0])
def test_a_clamp_that_is_late_leaves_the_recovery_out(step_s: float) -> None:
    """9.57 V where 9.58 are asked: the volts that came back while the clamp still showed the load made a pass of it."""
    weak = Loaded(ohms=0.0183, step_s=step_s, hold_s=16.0)
    found = play("load", late(weak, "load_amps", max(1.0, step_s)), WARM, earlier=CHARGED, quiet=True)
    assert found.verdict.outcome == "undecided"
    assert found.verdict.measured["load_volts"].value == pytest.approx(9.57, abs=0.05)


@pytest.mark.parametrize("step_s", [0.1, 0.5])
def test_a_voltmeter_that_is_late_makes_no_dead_cell_of_a_weak_battery(step_s: float) -> None:
    found = play(
        "load", late(Loaded(ohms=0.022, step_s=step_s), "battery_volts", 1.0), WARM, earlier=CHARGED, quiet=True
    )
    assert (found.verdict.outcome, found.finding) == ("fail", "weak")
    assert found.verdict.measured["internal_resistance"].value == pytest.approx(0.022, abs=0.0015)
    dead = play("load", late(Loaded(cell_dies_s=4.0), "battery_volts", 1.0), WARM, earlier=CHARGED, quiet=True)
    assert dead.finding == "dead-cell"


def test_slow_meters_are_enough() -> None:
    """A reading every 2.5 s, as of a busy line: six of them under the load."""
    found = load(Loaded(step_s=2.5, rest_s=22.5))
    assert found.finding == "holds"
    assert found.verdict.measured["internal_resistance"].value == pytest.approx(0.011, abs=0.002)


def test_a_meter_with_no_statement_leaves_it_undecided() -> None:
    unknown = Metrology({"battery_volts": ChannelModel("battery_volts", ())})
    found = load(Loaded(), metrology=unknown)
    assert (found.verdict.outcome, found.finding) == ("undecided", "instrument")


def test_a_lost_clamp_voids_it_by_name() -> None:
    samples = (Sample(one.t_ns, {"battery_volts": one.values["battery_volts"]}) for one in Loaded().samples(120))
    found = play("load", samples, WARM, earlier=CHARGED)
    assert found.verdict.outcome == "void"
    assert "Load amps" in found.verdict.reasons[0]


def test_quiet_or_not_the_verdict_is_the_same() -> None:
    assert load(Loaded()).verdict == load(Loaded(), quiet=True).verdict


# --- property -----------------------------------------------------------------------------------------------------------


@settings(max_examples=8, deadline=None)
@given(st.floats(0.006, 0.026), st.floats(0.0, 0.01), st.floats(12.4, 12.66))
def test_more_resistance_never_turns_fail_into_pass(ohms: float, more: float, rest: float) -> None:
    better, worse = (
        load(Loaded(rest=rest, ohms=one, rest_s=14.0, step_s=1.0, noise=0.0, volts_digit=0.001), metrology=FINE, quiet=True)
        for one in (ohms, ohms + more)
    )  # fmt: skip
    rank = {"fail": 0, "undecided": 1, "pass": 2}
    assert rank[worse.verdict.outcome] <= rank[better.verdict.outcome]


@settings(max_examples=8, deadline=None)
@given(st.floats(11.8, 12.6), st.floats(0.0, 0.3))
def test_more_charge_never_turns_pass_into_fail(rest: float, more: float) -> None:
    """The same battery, fuller: with no charge test before."""
    emptier, fuller = (
        load(Loaded(rest=one, ohms=0.018, rest_s=14.0, step_s=1.0, noise=0.0), earlier={}, metrology=FINE, quiet=True)
        for one in (rest, rest + more)
    )
    assert not (emptier.verdict.outcome == "pass" and fuller.verdict.outcome in ("fail", "void"))
