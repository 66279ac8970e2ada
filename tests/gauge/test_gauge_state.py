"""The fold: what each kind of record changes, and that it stays bounded."""

from __future__ import annotations

import gauge_runs as runs
import pytest
from benchd_dashboards.state import MOST_POINTS, STALE_S, State

from benchd.core.events import Answer, Caution, Decided, FlagChanged, Phase, Prompt, Standing, record, sample_record
from benchd.core.readings import Flag
from benchd.core.samples import Sample, Value
from benchd.core.verdicts import Outcome, Suspect, Verdict


def folded(records) -> State:
    state = State()
    for one in records:
        state.apply(one)
    return state


def until(records, t_s: float) -> list:
    """The records up to a moment of the run."""
    return [one for one in records if one.get("t_ns", 0 if one["kind"] == "run-opened" else 10**18) <= runs.ns(t_s)]


def test_numbers_are_the_newest_and_leave_when_stale():
    state = folded(until(runs.meter_lost(), 100))
    assert state.number("battery_volts") == pytest.approx(runs.regulator_volts(85), abs=0.006)
    state.apply(runs.sample(100 + STALE_S + 1, charge_amps=14.0))
    assert state.number("battery_volts") is None
    assert state.number("charge_amps") == 14.0


def test_a_curve_of_any_length_keeps_its_ends_and_extremes_in_bounded_memory():
    state = State()
    for n in range(10 * MOST_POINTS):
        state.apply(runs.sample(n / 2, battery_volts=15.7 if n == 5000 else 12.0 + n / 1e4))
    points = state.tracks["battery_volts"].points
    assert len(points) <= MOST_POINTS
    assert points[0][0] == 0
    assert max(high for _, _, high in points) == 15.7
    assert points[-1][0] > 0.99 * state.t_s


def test_one_glitch_above_the_ceiling_is_no_crossing():
    assert folded(until(runs.ceiling_crossing(), 6)).bells == 0
    state = folded(until(runs.ceiling_crossing(), 8.5))
    assert state.over_ceiling
    assert state.bells == 1


def test_the_end_rings_once_more():
    assert folded(runs.ceiling_crossing()).bells == 2
    assert folded(runs.regulator_pass()).bells == 1
    closed_only = folded([*runs.preparations("stator"), runs.close("interrupted", "power was lost")])
    assert closed_only.bells == 1


def test_questions_wait_for_their_answer_and_preparations_end_with_the_measuring():
    records = list(runs.regulator_pass(40))
    waiting = folded(until(records, 0))
    assert [ask.id for ask in waiting.questions] == ["hook-up"]
    started = folded(until(records, 4))
    assert started.questions == []
    assert started.instruction.id == "start-engine"
    assert folded(until(records, 20)).instruction is None


def test_figures_may_still_be_typed_while_it_measures():
    state = folded(runs.preparations("regulator"))
    state.apply(runs.prompt(1, "battery-celsius", "How warm is the battery?", None))
    state.apply(runs.standing(5, "measuring", "undecided", 0.1, ""))
    assert [ask.id for ask in state.questions] == ["battery-celsius"]


def test_flags_and_gaps_come_and_go():
    state = State()
    on = {"kind": "flag", "t_ns": 0, "channel": "battery_volts", "flag": "hold", "cure": "press HOLD", "state": "on"}
    lost = {"kind": "gap", "t_ns": runs.ns(9), "instrument": "volts", "text": "no answer", "state": "lost"}
    state.apply(on)
    state.apply(lost)
    assert state.flags_now() == {("battery_volts", "hold"): "press HOLD"}
    assert state.gaps["volts"].t_s == 9
    state.apply(on | {"state": "off"})
    state.apply(lost | {"state": "back"})
    assert (state.flags_now(), state.gaps) == ({}, {})


def test_time_left_runs_on_between_standings():
    state = State()
    state.apply(runs.standing(10, "measuring", "pass", 0.5, "", left_s=30.0))
    state.apply(runs.sample(14, battery_volts=13.0))
    assert state.left_s() == pytest.approx(26)
    state.apply(runs.sample(100, battery_volts=13.0))
    assert state.left_s() == 0


def test_a_second_run_begins_with_nothing_of_the_first():
    state = folded([*runs.ceiling_crossing(), runs.opened("stator")])
    assert (state.procedure, state.tracks, state.verdict, state.cautions, state.t_s) == ("stator", {}, {}, [], 0)
    assert state.bells == 2  # counted on, or a screen would miss the next


def test_control_characters_of_an_instrument_do_not_reach_the_screen():
    state = State()
    state.apply({"kind": "mark", "t_ns": 0, "text": "a\x1b[2Jb\r\n\x07"})
    assert state.mark.text.isprintable()


def test_unknown_kinds_are_left_alone():
    state = State()
    state.apply({"kind": "weather", "t_ns": runs.ns(3), "text": "rain"})
    assert (state.news, state.t_s) == (0, 3)


def test_the_core_events_fold_as_they_are_recorded():
    """The records of benchd.core.events, not a copy of their shape."""
    state = State()
    state.apply(sample_record(Sample(runs.ns(1), {"battery_volts": Value(None, None, frozenset({Flag.HOLD}))})))
    state.apply(record(Standing(runs.ns(2), Phase.MEASURING, "pass", 0.9, "why", expected={"battery_volts": (1, 2)})))
    state.apply(record(Prompt(runs.ns(2), "battery-celsius", "How warm?", None)))
    state.apply(record(Caution(runs.ns(2), "hot")))
    state.apply(record(FlagChanged(runs.ns(2), "charge_amps", Flag.OVERLOAD, "on", "higher range")))
    assert state.flags_now() == {("battery_volts", "hold"): "", ("charge_amps", "overload"): "higher range"}
    assert state.expected["battery_volts"].points == [(2.0, 1.0, 2.0)]
    assert state.phase == "measuring"
    state.apply(record(Answer(runs.ns(3), "battery-celsius", "21")))
    assert state.questions == []
    told = Verdict("stator", Outcome.PASS, Suspect.NONE, ("fine",), {}, {}, "steady", 9.0, 18, None)
    state.apply(record(Decided(runs.ns(4), told)))
    assert state.verdict["reasons"] == ["fine"]
    assert state.ended
