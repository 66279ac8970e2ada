"""The shift's screen: what keys mean, and what is drawn. No terminal is needed."""

from __future__ import annotations

from typing import Any

import pytest
from benchd_dashboards.look import Look
from benchd_dashboards.lot.page import page, table_lines
from benchd_dashboards.lot.shift import Shift, told

SPEC = {
    "part": {"number": "VR-20"},
    "test": [
        {"id": "leakage", "title": "reverse leakage"},
        {"id": "set_light", "title": "set-point, light load"},
        {"id": "set_rated", "title": "set-point, rated load"},
    ],
}
BODY: dict[str, Any] = {
    "lot": "VR20-0117",
    "part": "VR-20",
    "counts": {"units": 23, "passed": 20, "failed": 2, "undecided": 1, "void": 0, "retests": 1},
    "benches": [{"bench": "rig-1", "fit": True, "reasons": [], "do": [], "standards": [{"says": "REF-1 in control"}]}],
    "last": [
        {
            "serial": "VR20-0041",
            "verdict": "fail",
            "title": "set-point too low",
            "bench": "rig-1",
            "started": "2026-11-26T01:02:03",
        }
    ],
}
TEST = {
    "serial": "VR20-0042",
    "verdict": "pass",
    "title": "",
    "bench": "rig-2",
    "started": "2026-11-26T01:02:03.000+00:00",
    "lot": "VR20-0117",
}


def shift() -> Shift:
    made = Shift("rig-1", "Ines Calder")
    made.body = BODY
    return made


def typed(shift: Shift, text: str) -> list[tuple[str, ...]]:
    for char in text:
        assert shift.press(char, char) == []
    return shift.press("enter", "\r")


def drawn(shift: Shift, columns: int = 80, rows: int = 24, **look: bool) -> list[str]:
    lines = page(shift, columns, rows, Look(**look))
    assert len(lines) == rows
    assert all(line.cell_len <= columns for line in lines)
    return [line.plain.rstrip() for line in lines]


def under_test(made: Shift) -> Shift:
    assert made.answered({"action": "test", "serial": "VR20-0042", "history": []})
    made.began("VR20-0042")
    assert made.state is not None
    for record in (
        {"kind": "run-opened", "procedure": "unit", "spec": SPEC},
        {"kind": "prompt", "t_ns": 0, "id": "set", "text": "Drive: 3600 rpm. Load: 2 A.", "choices": [], "caution": ""},
        {"kind": "caution", "t_ns": 0, "text": "Hands off turning parts."},
        {"kind": "sample", "t_ns": 10**9, "values": {"battery_volts": [14.31, 0.001, [], 0.1], "engine_rpm": [3601.0, 1.0, [], 0.1]}},
        {
            "kind": "standing", "t_ns": 10**9, "phase": "measuring", "leaning": "pass", "sure": 0.5, "why": "Light load.", "left_s": 40.0,
            "estimates": {"leakage": {"value": 0.4, "unit": "mA", "u": 0.02, "low": None, "high": 2.0},
                          "set_light": {"value": 14.05, "unit": "V", "u": 0.004, "low": 14.1, "high": 14.6}},
        },
    ):  # fmt: skip
        made.state.apply(record)
    return made


def test_a_scanner_that_types_and_ends_with_enter_is_all_that_is_needed() -> None:
    made = shift()
    assert typed(made, "VR20-0042") == [("scan", "VR20-0042", "")]
    assert made.typed == ""


def test_what_a_damaged_label_reads_is_handed_on_as_it_is() -> None:
    made = shift()
    made.paste("VR20\x02-0042")
    assert made.press("enter", "\r") == [("scan", "VR20\x02-0042", "")]
    assert drawn(made)


def test_an_empty_scan_is_asked_about_by_the_door_not_swallowed() -> None:
    assert shift().press("enter", "\r") == [("scan", "", "")]


def test_a_unit_judged_before_is_tested_again_only_if_it_is_scanned_again() -> None:
    made = shift()
    assert not made.answered(
        {"action": "ask", "serial": "VR20-0042", "why": "It passed in this lot.", "history": [TEST]}
    )
    text = "\n".join(drawn(made))
    assert "It passed in this lot." in text
    assert "PASS: 2026-11-26 01:02 UTC on rig-2 in VR20-0117" in text
    assert typed(made, "VR20-0043") == [("scan", "VR20-0043", "")]
    made.answered({"action": "ask", "serial": "VR20-0042", "why": "", "history": []})
    assert typed(made, "VR20-0042") == [("scan", "VR20-0042", "again")]
    assert typed(made, "VR20-0042") == [("scan", "VR20-0042", "")]


def test_nothing_is_scanned_into_a_test_under_way_and_ctrl_c_stops_it() -> None:
    made = under_test(shift())
    assert typed(made, "VR20-0043") == []
    assert "scan the next one when it is mounted" in made.said
    assert made.press("escape", "") == []
    assert made.press("ctrl+c", "") == [("stop",)]
    made.ended()
    assert made.press("ctrl+c", "") == [("leave",)]


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (160, 50), (40, 12)])
@pytest.mark.parametrize("ascii", [False, True])
def test_a_test_under_way_shows_what_to_do_and_how_every_characteristic_stands(
    columns: int, rows: int, ascii: bool
) -> None:
    lines = drawn(under_test(shift()), columns, rows, ascii=ascii)
    text = "\n".join(lines)
    assert "Drive: 3600 rpm. Load: 2 A." in text
    assert "14.31 V" in text
    assert "3601 rpm" in text
    if columns < 80:
        return
    assert next(line for line in lines if "reverse leakage" in line).endswith("in")
    assert next(line for line in lines if "set-point, light" in line).endswith("OUT")
    assert "at most 2" in text
    assert "14.1 to 14.6" in text
    assert "Hands off turning parts." in text
    assert not ascii or text.isascii()


def test_the_verdict_stands_large_with_its_failure_mode_until_the_next_scan() -> None:
    made = under_test(shift())
    assert made.state is not None
    made.state.apply(
        {
            "kind": "verdict", "t_ns": 5, "verdict": "fail", "suspect": "regulator", "finding": "set-point-low",
            "reasons": ["The set-point at light load is 14.05 V; at least 14.1 V is wanted."], "next_step": "Set it aside.",
            "characteristics": [{"id": "set_light", "value": 14.05, "u": 0.004, "unit": "V", "low": 14.1, "high": 14.6, "outcome": "fail"}],
        }
    )  # fmt: skip
    made.ended()
    lines = drawn(made)
    text = "\n".join(lines)
    assert "VR20-0042: FAIL, set-point too low" in text
    assert "█" in text  # large letters
    assert "at least 14.1 V is wanted" in text
    assert next(line for line in lines if "set-point, rated" in line).endswith("not measured")
    assert "SCAN THE NEXT UNIT" in lines[-1]


@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (40, 12)])
def test_what_can_hurt_whoever_reaches_for_the_unit_stands_over_the_reasons(columns: int, rows: int) -> None:
    made = under_test(shift())
    assert made.state is not None
    for record in (
        {"kind": "prompt", "t_ns": 4, "id": "done", "text": "Drive: stopped. Load: off.", "choices": [], "caution": "It is hot."},
        {
            "kind": "verdict", "t_ns": 5, "verdict": "fail", "suspect": "regulator", "finding": "over-ceiling",
            "reasons": ["16.2 V, over the ceiling of 15 V."], "cautions": ["STOP THE DRIVE NOW: volts over the ceiling."],
        },
    ):  # fmt: skip
        made.state.apply(record)
    made.ended()
    lines = drawn(made, columns, rows)
    text = " ".join(" ".join(lines).split())
    assert "CAUTION: STOP THE DRIVE NOW: volts over the ceiling." in text
    assert "Drive: stopped. Load: off. It is hot." in text
    assert text.index("STOP THE DRIVE") < text.index("Drive: stopped")


def test_the_step_and_its_caution_stand_together_before_the_table_gives_way() -> None:
    made = under_test(shift())
    assert made.state is not None
    made.state.apply(
        {"kind": "prompt", "t_ns": 2, "id": "set", "text": "Load: off.", "choices": [], "caution": "The volts jump."}
    )
    text = "\n".join(drawn(made, 80, 12))
    assert "CAUTION: The volts jump." in text
    assert "CAUTION: Hands off turning parts." in text


def test_a_bench_that_is_not_fit_says_why_and_what_to_do_at_the_top() -> None:
    made = shift()
    gate = {
        "bench": "rig-1",
        "fit": False,
        "reasons": ["REF-1 is out of control: rule 1."],
        "do": ["Check the leads."],
        "standards": [],
    }
    made.body = {**BODY, "benches": [gate]}
    lines = drawn(made)
    assert "NOT FIT FOR LOTS: REF-1 is out of control: rule 1." in lines[1]
    assert "DO: Check the leads." in lines[2]


def test_what_a_scanner_or_a_meter_says_moves_no_cursor() -> None:
    made = shift()
    made.say("\x1b[2Jgone", "\x07bell")
    assert not any(char in "\n".join(drawn(made)) for char in "\x1b\x07")


def test_a_void_test_in_the_history_is_told_with_its_place() -> None:
    assert told(
        {"verdict": None, "status": "interrupted", "bench": "rig-3", "started": "2026-11-26T01:02:03"}
    ).startswith("INTERRUPTED: ")


def test_a_table_without_a_value_says_nothing_of_the_outcome() -> None:
    made = shift()
    made.began("X")
    assert made.state is not None
    made.state.apply({"kind": "run-opened", "procedure": "unit", "spec": SPEC})
    assert table_lines(made.state, 80, Look())[0].plain.split() == ["reverse", "leakage"]
