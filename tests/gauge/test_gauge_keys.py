"""Keys without a terminal: what each press tells the run."""

from __future__ import annotations

import gauge_runs as runs
import pytest
from benchd_dashboards.keys import Hand, choice
from benchd_dashboards.plain import typed
from benchd_dashboards.state import Ask, State
from test_gauge_state import folded


def asking(choices: list[str] | None) -> State:
    return folded([runs.opened("regulator"), runs.prompt(0, "q", "?", choices)])


def press(hand: Hand, state: State, *keys: str) -> list:
    """Single characters are typed, longer words are named keys."""
    return [action for key in keys for action in hand.press(key, key if len(key) == 1 else "", state)]


def test_abort_asks_once_more():
    hand, state = Hand(), asking(["done"])
    assert press(hand, state, "a") == []
    assert hand.mode == "sure?"
    assert press(hand, state, "n", "a", "enter") == []
    assert press(hand, state, "a", "y") == [("abort", "key", "aborted at the gauge")]
    assert press(hand, state, "a", "y") == []  # told once


def test_ctrl_c_aborts_at_once_even_while_typing():
    hand, state = Hand(), asking(None)
    press(hand, state, "m", "x")
    assert press(hand, state, "ctrl+c") == [("abort", "ctrl-c", "Ctrl-C at the gauge")]
    assert hand.leaving


def test_a_mark_with_words_and_without():
    hand, state = Hand(), asking([])
    assert press(hand, state, "m", *"mis", "x", "backspace", "enter") == [("mark", "", "mis")]
    assert press(hand, state, "m", "enter") == [("mark", "", "mark")]
    assert press(hand, state, "m", "a", "escape") == []
    assert hand.mode == "watch"


@pytest.mark.parametrize(
    ("choices", "keys", "answer"),
    [
        (["done"], ["enter"], "done"),
        (["done"], ["1"], "done"),
        (["done"], ["d"], "done"),
        (["done", "skip"], ["2"], "skip"),
        (["done", "skip"], ["s"], "skip"),
        (["done", "skip"], ["enter"], None),
        (["done", "skip"], ["3"], None),
        (["done", "skip"], ["0"], None),
        (["skip", "stop"], ["s"], None),
        (["again", "done"], ["a", "n"], None),  # 'a' stays the abort key
        (None, [*"-4.5", "enter"], "-4.5"),
        (None, ["enter", "enter"], ""),
        (None, ["enter", *"cold", "enter"], "cold"),
        (None, ["x", "enter", "enter"], ""),
    ],
)
def test_answers(choices, keys, answer):
    assert press(Hand(), asking(choices), *keys) == ([] if answer is None else [("answer", "q", answer)])


def test_an_answer_goes_to_the_question_that_is_shown():
    state = asking(["done"])
    state.apply(runs.prompt(1, "r", "?", ["yes", "no"]))
    assert press(Hand(), state, "enter") == [("answer", "q", "done")]


def test_a_watcher_can_only_scroll_and_leave():
    hand, state = Hand(live=False), asking(["done"])
    assert press(hand, state, "a", "y", "m", "enter", "1") == []
    assert press(hand, state, "q") == []
    assert hand.leaving


def test_a_live_run_is_not_left_by_q():
    hand, state = Hand(), asking([])
    press(hand, state, "q", "escape")
    assert not hand.leaving


def test_typing_is_bounded_and_pasting_stays_on_the_line():
    hand, state = Hand(), asking(None)
    hand.paste("ignored")
    press(hand, state, "m")
    hand.paste("x\n\x1b" * 1000)
    assert hand.typed == "x" * 200


def test_no_key_is_an_answer_by_accident():
    ask = Ask("q", "?", ("done", "skip"), "", 0)
    assert [choice(ask, key, "") for key in ("up", "f1", "tab", "")] == [None] * 4


@pytest.mark.parametrize(
    ("line", "choices", "action"),
    [
        ("abort", ["done"], ("abort", "key", "aborted at the keyboard")),
        ("mark misfire", [], ("mark", "", "misfire")),
        ("", ["done"], ("answer", "q", "done")),
        ("2", ["done", "skip"], ("answer", "q", "skip")),
        ("skip", ["done", "skip"], ("answer", "q", "skip")),
        ("", ["done", "skip"], None),
        ("21.5 ", None, ("answer", "q", "21.5")),
        ("", None, ("answer", "q", "")),
        ("hello", [], None),
    ],
)
def test_typed_lines_on_the_plain_screen(line, choices, action):
    assert typed(line, asking(choices)) == action
