"""The visit's screens without a terminal: keys to actions, and the sheet as text."""

from __future__ import annotations

import pytest
import visit_bodies as bodies
from benchd_dashboards.look import Look
from benchd_dashboards.visit.desk import PAGES, Desk
from benchd_dashboards.visit.sheet import TITLES, sheet


def desk(page: str = "plan", **more) -> Desk:
    made = Desk(knowledge=bodies.KNOWLEDGE, machines=["caldmoor-z42", "hollin-t18"])
    made.show(bodies.body(**more))
    made.page = PAGES.index(page)
    return made


def press(at: Desk, *keys: str) -> list[tuple[str, ...]]:
    """Named keys as they are; any other text is typed letter by letter."""
    named = {"up", "down", "left", "right", "enter", "escape", "backspace", "tab", "end", "ctrl+c"}
    actions = []
    for key in keys:
        for one in [key] if key in named else key:
            actions += at.press(one, "" if one in named else one)
    return actions


def shown(at: Desk, columns: int = 80, rows: int = 24, **look: bool) -> list[str]:
    return [line.plain for line in sheet(at, columns, rows, Look(**look))]


def test_a_question_is_answered_by_arrows_or_by_its_number() -> None:
    at = desk("talk")
    assert press(at, "down", "enter") == []
    assert press(at, "down", "enter") == [("answer", "cranks", "slow")]
    assert press(at, "enter", "3", "enter") == [("answer", "cranks", "not")]
    assert press(at, "enter", "end", "enter") == [("answer", "cranks", "skip")]


def test_a_number_that_is_no_choice_is_refused_and_asked_again() -> None:
    at = desk("talk")
    press(at, "enter", "7", "enter")
    assert at.picker is not None
    assert "'7' is none of 1 to 3" in at.note
    assert press(at, "1", "enter") == [("answer", "holds-charge", "yes")]


def test_a_scanner_may_be_used_anywhere() -> None:
    """What it types is a serial or an order's number at the rows, and a part where one is asked for."""
    assert press(desk("plan"), "T18-0042", "enter") == [("scan", "T18-0042")]
    at = desk("do")
    press(at, *["down"] * 1)  # '+ write down a repair'
    assert [row.text for row in at.rows()][1] == "+ write down a repair"
    assert press(at, "enter", "enter") == []
    assert press(at, "BAT-18-A", "enter") == [("repair", "new-battery", "BAT-18-A")]


def test_the_advised_repair_stands_first_and_is_one_enter_away() -> None:
    advice = {"repair": "clean-terminals", "title": "Clean and tighten", "causes": ["joint-loose"], "probability": 0.9}
    advice |= {"why": "It is loose.", "minutes": 10.0, "cost": 0.0, "caution": ""}
    plan = bodies.body()["plan"] | {"next": "repair", "advice": advice}
    at = desk("plan", plan=plan)
    assert at.rows()[0].text == "next: repair: Clean and tighten"
    assert press(at, "enter", "enter", "enter") == [("repair", "clean-terminals", "")]


def test_the_next_step_is_one_enter_away() -> None:
    at = desk("plan")
    press(at, "enter")
    assert at.picker is not None
    assert at.picker.caution == ""
    assert press(at, "down", "enter") == [("find", "terminals", "loose")]
    at = desk("plan")
    assert press(at, "down", "enter") == [("run", "charge")]


def test_a_note_and_a_photo_belong_to_what_was_found() -> None:
    found = {"at": "", "by": "", "check": "terminals", "title": "", "outcome": "loose", "text": "loose", "note": ""}
    at = desk("look", findings=[found | {"photos": []}])
    press(at, "down", "enter", "down", "down", "enter")
    assert press(at, "green crust", "enter") == [("find+note", "terminals", "loose", "green crust")]
    fresh = desk("look")
    press(fresh, "down", "enter", "down", "down", "enter")
    assert fresh.note == "First choose what was found."


def test_closing_without_proof_asks_why() -> None:
    at = desk("do")
    press(at, "end", "enter")
    assert press(at, "enter") == []  # a reason is wanted
    assert at.asked is not None
    assert press(at, "customer needs it today", "enter") == [("close", "customer needs it today")]
    proven = desk("do", proof={"proven": True, "missing": [], "runs": ["r1"]})
    assert press(proven, "end", "enter") == [("close", "")]


def test_a_closed_order_takes_nothing_more() -> None:
    at = desk("talk", state="proven", closed="2026-11-25T20:00:00+00:00")
    assert press(at, "enter") == []
    assert "nothing can be added" in at.note


def test_a_machine_that_comes_in() -> None:
    at = Desk(
        knowledge=bodies.KNOWLEDGE, machines=["caldmoor-z42", "hollin-t18"], orders=[bodies.listed("1001", "A-1")]
    )
    assert press(at, "enter") == [("open", "1001")]
    press(at, "down", "enter", "down", "enter", "T18-0099", "enter")
    assert press(at, "will not start", "enter") == [("new", "hollin-t18", "T18-0099", "will not start")]


def test_escape_takes_back_one_thing_at_a_time() -> None:
    at = desk("talk")
    press(at, "enter", "12")
    press(at, "escape")
    assert (at.typed, at.picker is None) == ("", False)
    press(at, "escape")
    assert at.picker is None
    assert press(at, "escape") == [("orders",)]
    at.show(None)
    assert press(at, "escape") == [("leave",)]


# --- the sheet --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (40, 12), (132, 43), (20, 6)])
@pytest.mark.parametrize("ascii", [False, True])
def test_every_page_fits_every_terminal(page: str, columns: int, rows: int, ascii: bool) -> None:
    at = desk(page)
    for _ in range(len(at.rows())):
        lines = shown(at, columns, rows, ascii=ascii)
        assert len(lines) == rows
        assert max(map(len, lines)) <= columns
        assert not ascii or "\n".join(lines).isascii()
        press(at, "down")


def test_the_plan_says_what_why_and_what_would_follow() -> None:
    text = "\n".join(shown(desk("plan")))
    assert "Order 1001 · Hollin T18 garden tractor · T18-0042" in text
    assert "[plan]" in text
    for words in ("next: Battery terminals and cables", "It costs least.", "CAUTION: Negative cable off first."):
        assert words in text
    assert "40 % loose or corroded: then tighten them" in text
    assert "not yet: Regulator run" in text


def test_another_machine_s_run_is_no_outcome_of_a_test() -> None:
    foreign = {
        "run": "r1", "run_no": 1, "procedure": "charge", "status": "judged", "verdict": "pass", "suspect": "none",
        "started": "2026-11-25T19:10:00", "reasons": [], "foreign": True, "spec": "Caldmoor Z42",
    }  # fmt: skip
    (row,) = [line for line in shown(desk("run", runs=[foreign])) if "State of charge" in line]
    assert row.rstrip().endswith("-")
    told = "\n".join(shown(desk("do", runs=[foreign])))
    assert "of another machine" in told
    assert "(Caldmoor Z42): it says nothing here" in told


def test_causes_show_their_reasons() -> None:
    text = "\n".join(shown(desk("causes")))
    assert "62 %  #######.....  Loose or corroded terminal" in text
    assert "for it, odds x 3.4: It cranks: slowly" in text
    assert "against it, odds / 2.5: Grounds: good" in text
    assert "before anything was known: 10 %" in text


def test_what_was_closed_without_proof_says_so_at_the_head_of_every_page() -> None:
    for page in PAGES:
        at = desk(page, state="closed without proof", closed="2026", closed_reason="customer took it")
        assert "NOT PROVEN" in shown(at)[0], page


def test_a_caution_stands_where_the_choice_is_made() -> None:
    at = desk("look")
    press(at, "enter")
    assert "CAUTION: A frozen battery bursts." in "\n".join(shown(at))


def test_the_tabs_name_all_seven_steps() -> None:
    tabs = shown(desk("look"))[2]
    assert "[look]" in tabs
    assert all(title in tabs for title in TITLES.values())


def test_nothing_from_outside_moves_a_cursor() -> None:
    at = desk("talk", complaint="\x1b[2J boo \x07")
    assert all(line.isprintable() for line in shown(at))
