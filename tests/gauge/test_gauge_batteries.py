"""The gauge in the tests of battery and wiring: their own channels, limits from the standing, no engine where none runs."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import gauge_runs as runs
import pytest
from benchd_dashboards.dials import dial, main_channels
from benchd_dashboards.keys import Hand
from benchd_dashboards.look import Look
from benchd_dashboards.plain import Printer
from benchd_dashboards.state import State
from benchd_dashboards.view import page

HOLD = runs.prompt(22, "hold", "Hold 150 A until you are told to let go.", [])
LET_GO = runs.prompt(26, "let-go", "LET GO of the load now. Leave the meters on: the volts come back.", [])
UNDER_LOAD = {
    "battery_volts": {"value": 10.72, "unit": "V", "u": 0.045, "low": 9.58, "high": None},
    "load_amps": {"value": 149.8, "unit": "A", "u": 1.42, "low": 120.0, "high": 180.0},
    "internal_resistance": {"value": 11.4, "unit": "mohm", "u": 0.13, "low": None, "high": None},
}


def folded(records: Iterable[dict[str, Any]]) -> State:
    state = State()
    for record in records:
        state.apply(record)
    return state


def text(state: State, columns: int = 80, rows: int = 24, *, ascii: bool = False) -> str:
    return "\n".join(line.plain.rstrip() for line in page(state, columns, rows, Look(ascii=ascii), Hand()))


def load_test(phase: str = "measuring", until: int = 30, **more: Any) -> list[dict[str, Any]]:
    """A load test at 22 s and later: 12.65 V at rest, 10.7 V and 150 A under load."""
    hook_up = runs.prompt(0, "hook-up", "Tester OFF, its clips on the posts.", ["done"])
    records = [runs.opened("load"), hook_up, runs.standing(1, "checking", "undecided", 0.0, "Rests at 12.65 V.")]
    for t in range(until + 1):
        loaded = t >= 20
        records.append(runs.sample(t, battery_volts=10.72 if loaded else 12.65, load_amps=149.8 if loaded else 0.2))
    body = {"left_s": 5.0, "limit_s": None, "estimates": UNDER_LOAD}
    records.append(runs.standing(until, phase, "pass", 0.99, "5 s more, 150 A, hold it.", **(body | more)))
    return [*records, HOLD]


def test_a_load_test_shows_volts_and_load_with_their_limits_and_a_countdown() -> None:
    shown = text(folded(load_test()))
    assert shown.startswith("LOAD TEST")
    for wanted in (
        "BATTERY VOLTS",
        "ENOUGH",
        "LOAD AMPS",
        "IN THE BAND",
        "9.58",
        "120",
        "180",
        "0:05 to go",
        "5 s more",
        "HOLD",
    ):
        assert wanted in shown.replace("Hold", "HOLD")
    assert "internal resistance 11.40 ± 0.26 mohm" in shown
    assert "13.8" not in shown, "the regulator's window is none of a load test's business"
    assert "ENGINE" not in shown
    assert "Tester OFF" not in shown, "the hook-up is done once the load is on"


def test_nothing_is_called_too_low_before_the_load_is_on() -> None:
    state = folded(load_test("checking", until=10, estimates={"load_amps": UNDER_LOAD["load_amps"]})[:-1])
    assert dial(state, "load_amps").word == ""
    assert dial(state, "load_amps").bands == ((120.0, 180.0),)
    assert "BELOW" not in text(state)


def test_one_sided_limits_have_their_words() -> None:
    low = {"battery_volts": {"value": 9.2, "unit": "V", "u": 0.05, "low": 9.58, "high": None}}
    state = folded([*load_test(), runs.sample(31, battery_volts=9.2, load_amps=150.0)])
    state.apply(runs.standing(31, "measuring", "fail", 0.9, "Too low.", estimates=low))
    assert (dial(state, "battery_volts").word, dial(state, "battery_volts").role) == ("TOO LOW", "warn")


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (40, 12), (120, 40), (30, 8)])
@pytest.mark.parametrize("ascii", [False, True])
def test_the_page_fits_every_terminal(columns: int, rows: int, ascii: bool) -> None:
    lines = text(folded(load_test()), columns, rows, ascii=ascii).split("\n")
    assert len(lines) == rows
    assert all(len(line) <= columns for line in lines)
    if ascii:
        assert all(line.isascii() for line in lines)


def ended(prompts: list[dict[str, Any]], rows: int = 24) -> str:
    verdict = runs.verdict(26, "fail", "battery", ["9.47 V after 5 s at 150 A."]) | {"procedure": "load"}
    return text(folded([*load_test(until=25), *prompts, verdict]), rows=rows)


def test_the_end_page_asks_for_what_the_end_asks_for() -> None:
    assert "LET GO of the load" in ended([LET_GO])
    assert "Close the throttle" not in ended([LET_GO])
    assert "LET GO" not in ended([LET_GO | {"t_ns": runs.ns(20)}]), "let go long ago"


def test_the_plain_screen_speaks_of_no_throttle_and_no_rpm() -> None:
    printer = Printer()
    verdict = runs.verdict(26, "fail", "battery", ["9.47 V after 5 s."]) | {"procedure": "load", "rpm": None}
    more = [runs.sample(t, battery_volts=10.7, load_amps=149.8) for t in range(26, 33)]
    said = "\n".join(line for record in [*load_test(until=25), *more, verdict] for line in printer.lines(record))
    assert "load amps 149.80 A (in the band)" in said
    assert "throttle" not in said
    assert "rpm" not in said


def charge_test(estimates: dict[str, Any]) -> list[dict[str, Any]]:
    lately = runs.prompt(0, "charged-lately", "Was it charged within the last hours?", ["no", "yes"])
    records = [
        runs.opened("charge"),
        lately,
        runs.standing(0, "checking", "undecided", 0.0, "The first readings come in."),
    ]
    records += [runs.sample(t, battery_volts=12.62) for t in range(10)]
    return [*records, runs.standing(9, "measuring", "pass", 0.99, "12.62 V: 94 % charged.", estimates=estimates)]


def test_a_charge_test_shows_the_charge_large() -> None:
    charge = {"state_of_charge": {"value": 94.3, "unit": "%", "u": 2.6, "low": 75.0, "high": None}}
    state = folded(charge_test(charge))
    shown = text(state)
    assert shown.startswith("STATE OF CHARGE")
    assert "CHARGE, PERCENT" in shown
    assert "ENOUGH" in shown
    assert "state of charge 94.3 ± 5.2 %" in shown
    assert dial(state, "state_of_charge").text() == "94"
    assert dial(state, "state_of_charge").unit == "%"
    assert "NOT KNOWN YET" in text(folded(charge_test({})))


def test_a_charge_test_goes_on_asking_while_it_measures() -> None:
    assert "Was it charged" in text(folded(charge_test({})))


def test_a_crank_shows_its_limits_and_the_speed_of_cranking() -> None:
    estimates = {
        "cranking_volts": {"value": 10.88, "unit": "V", "u": 0.015, "low": 9.6, "high": None},
        "starter_amps": {"value": 90.5, "unit": "A", "u": 1.3, "low": None, "high": 150.0},
        "cranking_rpm": {"value": 168.3, "unit": "rpm", "u": 2.3, "low": 250.0, "high": None},
    }
    records = [
        runs.opened("crank"),
        *(runs.sample(t, battery_volts=10.88, crank_amps=91.0, engine_rpm=168) for t in range(5)),
    ]
    state = folded([*records, runs.standing(4, "measuring", "fail", 0.99, "Slow.", estimates=estimates)])
    assert main_channels(state) == ("battery_volts", "crank_amps")
    shown = text(state)
    for wanted in ("STARTER AMPS", "LOW ENOUGH", "ENGINE 168 rpm  TOO LOW", "from 250"):
        assert wanted in shown
    assert "3350" not in shown, "full throttle is none of a crank's business"
    without = [runs.opened("crank"), runs.sample(1, battery_volts=12.6)]
    assert main_channels(folded(without)) == ("battery_volts",)


def test_milliamps_are_shown_to_the_milliamp() -> None:
    sample = {"kind": "sample", "t_ns": runs.ns(1), "values": {"draw_amps": [0.0563, 0.0001, [], 0.1]}}
    draw = {"draw_amps": {"value": 0.0563, "unit": "A", "u": 0.006, "low": None, "high": 0.01}}
    state = folded(
        [runs.opened("draw"), sample, runs.standing(1, "measuring", "fail", 0.9, "Too much.", estimates=draw)]
    )
    assert dial(state, "draw_amps").text() == "0.056"
    assert "TOO HIGH" in text(state)
    assert "draw amps 0.056 ± 0.012 A" in text(state)


def test_an_open_circuit_is_an_answer_in_a_continuity_test_and_a_fault_elsewhere() -> None:
    sample = {"kind": "sample", "t_ns": runs.ns(1), "values": {"circuit_ohms": [None, None, ["overload"], 0.1]}}
    asked = folded([runs.opened("continuity"), sample])
    assert "OPEN" in text(asked)
    assert "OVER RANGE" not in text(asked)
    assert "OVER RANGE" in text(folded([runs.opened("stator"), sample]))


def test_volts_lost_stand_beside_the_charging_current() -> None:
    records = [
        runs.opened("drop"),
        *(runs.sample(t, joint_volts=0.023, charge_amps=9.7, engine_rpm=3520) for t in range(4)),
    ]
    records[1]["values"]["joint_volts"][1] = 0.001
    shown = text(folded(records))
    assert "VOLTS LOST" in shown
    assert "CHARGE AMPS" in shown
    assert "ENGINE 3520 rpm  IN THE BAND" in shown


def test_aborting_a_load_test_says_what_to_switch_off() -> None:
    hand = Hand(live=True, aborted=True)
    shown = "\n".join(line.plain for line in page(folded(load_test()), 80, 24, Look(), hand))
    assert "LET GO, SWITCH OFF" in shown
