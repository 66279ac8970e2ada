"""The state-of-charge judge on closed-form batteries and typed answers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from battery_runs import BATTERY, MACHINE, RESTED, SIX, Loaded, Played, Resting, once, play
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.core.procedures import make
from benchd.core.readings import Flag, Quantity
from benchd.core.samples import Sample, Value
from benchd.core.specs import AccuracyLine, ChannelModel, Metrology

FINE = Metrology({"battery_volts": ChannelModel("battery_volts", (AccuracyLine(Quantity.DC_VOLTS, 0.05, 3, 0.001),))})
NONE = {"gravity:1": "none"}
TAKEN_OFF: dict[str, Any] = {"take-off": ["done", "done"]}  # said twice: these batteries' volts show no load


def cells(*gravities: float) -> dict[str, str]:
    return {f"gravity:{cell}": f"{one:.3f}" for cell, one in enumerate(gravities, 1)}


def at(volts: float, answers: dict[str, str], seconds: float = 900, **more: object) -> Played:
    return once("charge", Resting(volts), seconds, answers, **more)


@pytest.mark.parametrize(
    ("volts", "gravity", "outcome", "finding"),
    [(12.63, 1.265, "pass", "charged"), (12.55, 1.245, "pass", "charged"), (12.24, 1.195, "fail", "discharged"),
     (11.9, 1.125, "fail", "discharged")],
)  # fmt: skip
def test_volts_and_gravity_together_decide(volts: float, gravity: float, outcome: str, finding: str) -> None:
    found = at(volts, RESTED | cells(*[gravity] * 6))
    assert (found.verdict.outcome, found.finding) == (outcome, finding)
    assert found.verdict.duration_s <= 40, "it ends by itself once the volts stand and all is answered"
    charge = found.verdict.measured["state_of_charge"]
    assert charge.unit == "%"
    assert charge.expanded_uncertainty is not None
    assert {f"gravity_cell_{cell}" for cell in range(1, 7)} <= set(found.verdict.measured)
    # Typed at 20 degC: 0.0048 is taken off to refer it to 80 degF.
    assert found.verdict.measured["gravity_cell_3"].value == pytest.approx(gravity - 0.0048, abs=1e-4)


def test_volts_alone_decide_where_there_is_no_hydrometer() -> None:
    assert at(12.63, RESTED | NONE, metrology=FINE).finding == "charged"
    assert at(12.1, RESTED | NONE, metrology=FINE).finding == "discharged"
    close = at(12.45, RESTED | NONE, metrology=FINE)
    assert (close.verdict.outcome, close.finding) == ("undecided", "unsure")


def test_next_step_says_ampere_hours_and_hours() -> None:
    found = at(12.1, RESTED | cells(*[1.165] * 6)).verdict
    assert "Ah" in found.next_step
    assert "4 A charger" in found.next_step
    low, high = found.extra["charge_needed"]["amp_hours"]
    assert 0.6 * 28 < low < high < 28
    assert any("explosive gas" in one for one in found.cautions)


def test_a_weak_cell_is_named() -> None:
    found = at(12.4, RESTED | cells(1.260, 1.260, 1.260, 1.185, 1.260, 1.255))
    assert (found.verdict.outcome, found.verdict.suspect, found.finding) == ("fail", "battery", "weak-cell")
    assert "Cell 4" in found.verdict.reasons[0]
    assert found.verdict.measured["gravity_spread"].value == pytest.approx(0.075)


def test_a_spread_at_the_limit_is_undecided_and_a_small_one_is_told() -> None:
    close = at(12.5, RESTED | cells(1.260, 1.260, 1.260, 1.210, 1.260, 1.260))
    assert close.verdict.outcome == "undecided"
    told = at(12.6, RESTED | cells(1.265, 1.265, 1.265, 1.233, 1.265, 1.265))
    assert told.finding == "charged"
    assert any("cell 4" in one for one in told.verdict.reasons)


def test_charged_acid_but_a_cell_of_volts_missing() -> None:
    found = at(10.55, RESTED | SIX)
    assert (found.verdict.outcome, found.finding) == ("fail", "weak-cell")
    assert "one cell gives nothing" in found.verdict.reasons[0]


def test_so_low_that_a_dead_cell_and_an_empty_battery_look_alike() -> None:
    found = at(10.6, RESTED | NONE)
    assert found.finding == "discharged"
    assert any("cannot tell which" in one for one in found.verdict.reasons)


@pytest.mark.parametrize(
    ("volts", "gravity", "word"), [(12.62, 1.180, "water was added"), (12.05, 1.255, "still draws")]
)
def test_volts_and_gravity_that_disagree_are_explained(volts: float, gravity: float, word: str) -> None:
    found = at(volts, RESTED | cells(*[gravity] * 6), metrology=FINE)
    assert (found.verdict.outcome, found.finding) == ("undecided", "disagree")
    assert word in found.verdict.reasons[0]


# --- surface charge -----------------------------------------------------------------------------------------------------


def test_surface_charge_is_recognised_by_its_volts_and_waited_for() -> None:
    found = play("charge", Resting(12.62, surface=0.5).samples(900), RESTED | NONE | TAKEN_OFF)
    assert "150 A" in found.prompts("take-off")[0].text, "half the cold-cranking amps"
    assert found.verdict.duration_s > 60
    waiting = [one for one in found.standings() if "settle" in one.why]
    assert waiting[0].left_s is not None
    assert waiting[0].left_s <= 180


def test_surface_charge_is_recognised_by_what_the_operator_says() -> None:
    found = at(12.6, RESTED | NONE | {"charged-lately": "yes"} | TAKEN_OFF, metrology=FINE)
    assert found.prompts("take-off")
    assert found.finding == "charged"


def test_surface_charge_is_recognised_by_its_fall() -> None:
    falling = Resting(12.45, surface=0.15, decay_s=300.0, noise=0.001, digit=0.001)
    found = play(
        "charge", falling.samples(900), {"battery-celsius": "20C"} | NONE | {"take-off": "done"}, metrology=FINE
    )
    assert "falling" in found.prompts("take-off")[0].text


def test_surface_charge_left_in_place_is_no_verdict() -> None:
    skipped = play("charge", Resting(12.4, surface=0.4).samples(900), RESTED | NONE | {"take-off": "skip"})
    assert (skipped.verdict.outcome, skipped.finding) == ("void", "surface-charge")
    nobody = play("charge", Resting(12.4, surface=0.4).samples(900), RESTED | NONE)
    assert (nobody.verdict.outcome, nobody.finding) == ("void", "surface-charge")
    assert nobody.verdict.duration_s < 300


def test_a_load_that_took_too_little_off_does_not_count_as_rest() -> None:
    still = play("charge", Resting(12.9).samples(900), RESTED | NONE | TAKEN_OFF, metrology=FINE)
    assert (still.verdict.outcome, still.finding) == ("void", "surface-charge")
    assert any("took too little off" in one for one in still.verdict.reasons)
    backed = play("charge", Resting(12.9).samples(900), RESTED | SIX | TAKEN_OFF, metrology=FINE)
    assert backed.finding == "charged", "the acid says so as well"


def test_the_load_is_seen_in_load_amps() -> None:
    loaded = Loaded(rest=12.62, surface=0.25, rest_s=60.0, hold_s=15.0, step_s=1.0).samples(600)
    found = play("charge", loaded, RESTED | NONE, metrology=FINE)
    assert found.prompts("take-off")
    assert found.finding == "charged"
    assert found.verdict.duration_s > 60 + 15 + 60


def dipping(from_s: float, until_s: float) -> Iterator[Sample]:
    """12.90 V just charged; a load holds them at 12.2 V, then they come back to 12.62 V."""
    for sample in Resting(12.9).samples(600):
        volts = sample.number("battery_volts") if sample.t_s < from_s else 12.2 if sample.t_s < until_s else 12.62
        yield Sample(sample.t_ns, {"battery_volts": Value(volts, 0.01)})


def test_a_load_that_nobody_saw_is_asked_about_once() -> None:
    found = at(12.6, RESTED | NONE | {"charged-lately": "yes", "take-off": "done"}, metrology=FINE)
    assert len(found.prompts("take-off")) == 2
    assert "No load was seen" in found.prompts("take-off")[1].text
    assert (found.verdict.outcome, found.finding) == ("void", "surface-charge")
    insists = at(12.6, RESTED | NONE | {"charged-lately": "yes"} | TAKEN_OFF, metrology=FINE)
    assert any("the volts showed none" in one for one in insists.verdict.reasons)
    seen = play("charge", dipping(6.0, 12.0), RESTED | NONE | TAKEN_OFF, metrology=FINE)
    assert seen.finding == "charged"
    assert not any("showed none" in one for one in seen.verdict.reasons)


def test_a_load_that_stays_on_ends_with_no_verdict() -> None:
    """Lamps left on: no rest volts ever, and not an exception."""
    left_on = play("charge", dipping(40.0, 600.0), RESTED | NONE, metrology=FINE)
    assert (left_on.verdict.outcome, left_on.finding) == ("void", "surface-charge")
    assert "a load is still on" in left_on.verdict.reasons[0]
    clamp = ({**one.values, "load_amps": Value(6.0, 0.1)} for one in Resting(12.62).samples(60))
    never = play("charge", (Sample(t * 10**9, one) for t, one in enumerate(clamp)), RESTED | NONE, max_run_s=50.0)
    assert (never.verdict.outcome, never.finding) == ("void", "cut-short")


def test_low_volts_after_a_charge_need_no_load_to_be_sure() -> None:
    found = at(12.1, RESTED | NONE | {"charged-lately": "yes"}, metrology=FINE)
    assert not found.prompts("take-off")
    assert found.finding == "discharged"


def test_a_charger_still_on_is_named() -> None:
    found = at(13.8, RESTED | NONE)
    assert "charger or the engine still on" in found.prompts("take-off")[0].text


# --- frost --------------------------------------------------------------------------------------------------------------


def test_a_battery_that_may_be_frozen_locks_charging_out() -> None:
    found = at(11.9, RESTED | NONE | {"battery-celsius": "10F"})
    assert (found.verdict.outcome, found.finding) == ("void", "frozen")
    assert found.verdict.duration_s < 10, "said at once"
    assert found.verdict.extra["charging_locked_out"] is True
    assert "charge_needed" not in found.verdict.extra
    assert "burst" in found.cautions()


def test_gravity_clears_what_volts_alone_could_not() -> None:
    """-14 degC and 12.3 V of unknown history may be frozen; acid of 1.215 is not."""
    cold = {"battery-celsius": "-14C", "charged-lately": "skip"}
    assert at(12.3, cold | NONE).finding == "frozen"
    assert at(12.3, cold | cells(*[1.235] * 6)).finding != "frozen"


def test_ice_in_a_cell_says_it_all() -> None:
    found = at(12.5, RESTED | {"gravity:1": "ice"})
    assert found.finding == "frozen"


def test_a_warm_battery_is_never_frozen() -> None:
    assert at(11.0, RESTED | cells(*[1.020] * 6)).finding != "frozen"


# --- bad input ----------------------------------------------------------------------------------------------------------


def test_slips_of_the_hydrometer_are_asked_about_by_name() -> None:
    answers = (
        RESTED | SIX | {"gravity:2": ["12.65", "1.265"], "gravity:3": ["1265", "yes"], "gravity:5": ["1,250", "no"]}
    )
    found = play("charge", Resting(12.62).samples(900), answers)
    assert "'12.65'" in found.prompts("gravity:2")[1].text
    assert "'1265'" in found.prompts("gravity:3")[1].text
    assert "'1,250'" in found.prompts("gravity:5")[1].text
    measured = found.verdict.measured
    assert measured["gravity_cell_2"].value == pytest.approx(1.265 - 0.0048, abs=1e-4)
    assert measured["gravity_cell_3"].value == pytest.approx(1.265 - 0.0048, abs=1e-4)
    assert "gravity_cell_5" not in measured, "a 'no' is not a reading: it stays out until it is typed again"


def test_one_yes_to_points_settles_the_form() -> None:
    answers = RESTED | {f"gravity:{cell}": "1260" for cell in range(2, 7)} | {"gravity:1": ["1265", "yes"]}
    found = play("charge", Resting(12.62).samples(900), answers)
    assert all(len(found.prompts(f"gravity:{cell}")) == 1 for cell in range(2, 7))
    assert found.verdict.measured["gravity_cell_6"].value == pytest.approx(1.2552, abs=1e-4)


def test_fahrenheit_for_celsius_is_asked_about() -> None:
    found = at(12.62, RESTED | SIX | {"battery-celsius": ["77", "77F"]})  # type: ignore[dict-item]
    assert "degF?" in found.prompts("battery-celsius")[1].text
    assert found.verdict.measured["battery_temperature"].value == pytest.approx(25.0)


def test_skipped_cells_are_left_out_and_all_can_be() -> None:
    found = at(12.62, RESTED | SIX | {"gravity:2": "skip", "gravity:4": ""})
    assert {one for one in found.verdict.measured if one.startswith("gravity_cell")} == {
        "gravity_cell_1", "gravity_cell_3", "gravity_cell_5", "gravity_cell_6",
    }  # fmt: skip


def test_a_sealed_battery_is_not_asked_for_gravity() -> None:
    sealed = replace(MACHINE, battery=replace(BATTERY, sealed=True))
    found = play("charge", Resting(12.85).samples(900), RESTED, spec=sealed, metrology=FINE)
    assert not any(one.startswith("gravity") for one in (event.id for event in found.events if hasattr(event, "id")))
    assert found.finding == "charged"


def test_a_bench_with_a_thermometer_does_not_ask() -> None:
    with_probe = Metrology({"battery_celsius": ChannelModel("battery_celsius", (), assumed=True)})
    found = at(12.62, {"charged-lately": "no"} | SIX, metrology=with_probe)
    assert not found.prompts("battery-celsius")


def test_nobody_answers_and_it_still_ends() -> None:
    found = at(12.62, {})
    assert found.verdict.outcome == "undecided"
    assert found.verdict.duration_s < 300


def test_without_a_battery_table_it_still_judges() -> None:
    found = at(12.1, RESTED | SIX | cells(*[1.165] * 6), spec=replace(MACHINE, battery=None))
    assert found.finding == "discharged"
    assert "charge_needed" not in found.verdict.extra


# --- meters -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("digit", [0.001, 0.01])
@pytest.mark.parametrize("noise", [0.0, 0.004])
def test_displays_and_noise(digit: float, noise: float) -> None:
    found = play("charge", Resting(12.63, digit=digit, noise=noise).samples(900), RESTED | SIX)
    assert found.finding == "charged"
    assert found.verdict.duration_s <= 60


@pytest.mark.parametrize(("step_s", "digit", "noise"), [(2.0, 0.01, 0.002), (5.0, 0.1, 0.002), (1.0, 0.01, 0.02)])
def test_slow_coarse_or_noisy_readings_take_longer_and_end(step_s: float, digit: float, noise: float) -> None:
    """They went on to the longest time allowed: half a minute of them never told that the volts stand."""
    found = play(
        "charge", Resting(12.63, digit=digit, step_s=step_s, noise=noise).samples(900), RESTED | SIX, quiet=True
    )
    assert found.finding == "charged"
    assert 30 < found.verdict.duration_s <= 125


def test_a_coarse_display_is_not_sure() -> None:
    found = play("charge", Resting(12.63, digit=0.1).samples(900), RESTED | NONE)
    assert found.verdict.outcome == "undecided"


def test_glitches_change_nothing() -> None:
    spoilt = Resting(12.63, glitches={5.0: 0.0, 12.0: 14.9, 20.0: -0.5}).samples(900)
    assert play("charge", spoilt, RESTED | SIX).finding == "charged"


def test_wrong_leads_are_named() -> None:
    assert "reversed" in at(-12.6, RESTED).verdict.reasons[0]
    nothing = at(0.02, RESTED)
    assert (nothing.verdict.suspect, nothing.finding) == ("instrument", "instrument")


def test_a_silent_meter_voids_it() -> None:
    held = Value(None, None, frozenset({Flag.HOLD}))
    found = play("charge", (Sample(t * 10**9, {"battery_volts": held}) for t in range(60)), RESTED)
    assert (found.verdict.outcome, found.verdict.suspect) == ("void", "instrument")


def test_an_unknown_voltmeter_is_not_taken_for_a_perfect_one() -> None:
    unknown = Metrology({"battery_volts": ChannelModel("battery_volts", ())})
    found = at(12.62, RESTED | NONE, metrology=unknown)
    assert found.verdict.measured["rest_volts"].expanded_uncertainty is None


def test_quiet_or_not_the_verdict_is_the_same() -> None:
    loud, quiet = (at(12.5, RESTED | SIX, quiet=quiet) for quiet in (False, True))
    assert loud.verdict == quiet.verdict
    assert not quiet.standings()


def test_stopped_by_the_operator() -> None:
    procedure = make("charge", MACHINE)
    procedure.opening()
    procedure.finish("stopped by the operator")
    assert procedure.verdict is not None
    assert procedure.verdict.outcome == "void"


# --- properties ---------------------------------------------------------------------------------------------------------

WORST_FIRST = {"fail": 0, "undecided": 1, "pass": 2}


@settings(max_examples=12, deadline=None)
@given(st.floats(11.4, 12.6), st.floats(0.0, 0.3), st.booleans())
def test_more_volts_never_turn_pass_into_fail(volts: float, more: float, rested: bool) -> None:
    answers = {"charged-lately": "no" if rested else "skip", "battery-celsius": "20C"} | NONE
    low, high = (
        play("charge", Resting(one, noise=0.0, digit=0.001).samples(100), answers, metrology=FINE, quiet=True).verdict
        for one in (volts, volts + more)
    )
    assert {str(low.outcome), str(high.outcome)} != {"pass", "fail"} or low.outcome == "fail"
    if "void" not in (low.outcome, high.outcome):  # surface charge above a full battery's volts
        assert WORST_FIRST[high.outcome] >= WORST_FIRST[low.outcome]


@settings(max_examples=12, deadline=None)
@given(st.integers(1110, 1270), st.integers(0, 30), st.floats(11.9, 12.65))
def test_more_gravity_never_turns_pass_into_fail(points: int, more: int, volts: float) -> None:
    low, high = (
        play(
            "charge", Resting(volts, noise=0.0).samples(60), RESTED | cells(*[one / 1000] * 6), metrology=FINE, quiet=True
        ).verdict
        for one in (points, points + more)
    )  # fmt: skip
    assert not (low.outcome == "pass" and high.outcome == "fail")
