"""The pages as text, at the sizes and with the looks that a shop's terminals have."""

from __future__ import annotations

import re

import gauge_runs as runs
import pytest
from benchd_dashboards.dials import dial, least_stator_volts, scale
from benchd_dashboards.glyphs import ASCII_FACES, FACES, LINED, big, face_for
from benchd_dashboards.keys import Hand
from benchd_dashboards.look import Look
from benchd_dashboards.view import page
from benchd_dashboards.words import FLAG_WORDS, percent
from test_gauge_state import folded, until

from benchd.core.readings import CURES, Flag

FANCY = Look()
SIZES = [(20, 5), (40, 12), (40, 24), (80, 24), (120, 40), (200, 60)]
RUNS = [
    runs.regulator_pass,
    runs.ceiling_crossing,
    runs.meter_lost,
    runs.stator_run,
    runs.undecided_at_limit,
    runs.void_run,
]


def text(state, columns: int, rows: int, look: Look = FANCY, hand: Hand | None = None) -> str:
    return "\n".join(line.plain.rstrip() for line in page(state, columns, rows, look, hand or Hand()))


def measuring() -> object:
    return folded(until(runs.regulator_pass(), 120))


@pytest.mark.parametrize(("columns", "rows"), SIZES)
@pytest.mark.parametrize("run", RUNS)
def test_every_moment_fits_every_terminal(run, columns, rows):
    """Exactly `rows` lines of at most `columns`; in ASCII nothing else, without colour no colour."""
    records = list(run())
    for end in (0, 1, 6, len(records) // 3, 2 * len(records) // 3, len(records)):
        state = folded(records[:end])
        for look in (Look(), Look(ascii=True, no_color=True)):
            lines = page(state, columns, rows, look, Hand())
            assert len(lines) == rows
            assert all(line.cell_len <= columns for line in lines)
            if look.ascii:
                assert all(line.plain.isascii() for line in lines)
                styles = {str(span.style) for line in lines for span in line.spans} | {str(one.style) for one in lines}
                assert not {style for style in styles if "#" in style}


def test_the_page_of_a_run_at_80_x_24():
    found = text(measuring(), 80, 24, Look(ascii=True, no_color=True)).splitlines()
    assert found[0].startswith("REGULATOR RUN | Hollin T18 garden tractor | bay 1 | order 1042")
    assert found[0].endswith("MEASURING 2:00")
    assert found[1].startswith("CAUTION: ")
    assert re.fullmatch(r"BATTERY VOLTS +IN THE BAND  \| CHARGE AMPS +UNDER RATED", found[3])
    assert found[4:10] == [
        "     ##  ##   ##           ##  #######  | ##   ##      #######  #######",
        "     ##  ##   ##           ##  ##       | ##   ##      ##   ##  ##",
        "     ##  #######           ##  #######  | #######      #######  #######",
        "     ##       ##           ##       ##  |      ##      ##   ##       ##",
        "     ##       ##  ##       ##  #######  |      ##  ##  #######  #######",
        "---------------------[==^====]--!-----  | [==]------^----------------[==========",
    ]
    assert found[10].split() == ["13.8", "14.7", "15", "max", "|", "0", "1.5", "13.5"]
    assert re.fullmatch(r" LEANS TO PASS, 82 % sure +about 1:25 left, 18:00 at most", found[11])
    assert "settled volts 14.31 +/- 0.04 V (passes 13.8 to 14.7) | 0.37 Ah in" in found[14]
    assert found[15].startswith("ENGINE 3589 rpm  IN THE BAND  --")
    assert found[-1] == "m mark  a abort"
    assert "*" in "".join(found[17:22])
    assert ":" in "".join(line[6:] for line in found[17:22])


@pytest.mark.parametrize(("columns", "rows"), [(40, 12), (80, 24), (120, 40)])
def test_what_matters_stands_at_every_size(columns, rows):
    found = text(measuring(), columns, rows)
    for words in ("CAUTION", "IN THE BAND", "LEANS TO PASS", "ENGINE 3589 rpm", "1:25 left", "a abort", "█"):
        assert words in found


def test_the_number_is_drawn_from_its_value():
    """The block digits on the page are those of the newest sample, in the face chosen for the width."""
    state = measuring()
    drawn = big(f"{state.number('battery_volts'):.2f}", face_for("88.88", 39, 6))
    found = text(state, 80, 24).splitlines()
    for row, line in enumerate(drawn):
        assert found[4 + row].startswith(line.rstrip())


@pytest.mark.parametrize("face", [*FACES, *ASCII_FACES])
def test_no_two_signs_look_alike(face):
    for ascii_only in [False, True] if face in ASCII_FACES else [False]:
        drawn = {sign: tuple(big(sign, face, ascii_only)) for sign in "0123456789-ACDEFLNPSUV"}
        letters = "" if ascii_only and face == LINED else "ACDEFLNPSUV"  # no word is drawn with those
        for kind in ("0123456789-", letters):  # a 5 and an S never stand in one word
            assert [(a, b) for a in kind for b in kind if a < b and drawn[a] == drawn[b]] == []
        assert all(len(lines) == face.rows for lines in drawn.values())
        assert {len(line) for lines in drawn.values() for line in lines} == {face.width("0")}


def test_words_for_where_the_volts_stand():
    words = {}
    for volts in (12.5, 13.8, 14.7, 14.8, 15.0, 15.01, -12.5):
        state = folded([runs.opened("regulator"), runs.sample(1, battery_volts=volts)])
        words[volts] = dial(state, "battery_volts").word
    assert words == {
        12.5: "BELOW THE BAND",
        13.8: "IN THE BAND",
        14.7: "IN THE BAND",
        14.8: "ABOVE THE BAND",
        15.0: "ABOVE THE BAND",
        15.01: "OVER THE CEILING",
        -12.5: "NEGATIVE: LEADS REVERSED?",
    }


def test_words_for_where_the_amps_stand():
    found = []
    for amps in (15.1, 8.0, 1.5, -0.2, -4.0):
        state = folded([runs.opened("regulator"), runs.sample(1, charge_amps=amps)])
        found.append(dial(state, "charge_amps").word)
    assert found == ["AT RATED", "UNDER RATED", "NEAR ZERO", "NEAR ZERO", "FLOWS OUT OF THE BATTERY"]


def test_the_stator_limit_follows_the_speed():
    """28 V at 3600 rpm is 24.9 V at 3200 (proportional to speed); a table is read between its rows."""
    assert least_stator_volts(runs.SPEC["stator"], 3200) == pytest.approx(28 * 3200 / 3600)
    table = {"table": [[2500, 20.0], [3500, 30.0]], "min_volts_ac": 28.0, "at_rpm": 3600}
    assert least_stator_volts(table, 3000) == pytest.approx(25.0)
    assert least_stator_volts(table, 4200) == pytest.approx(36.0)
    slow = folded([runs.opened("stator"), runs.sample(1, stator_volts=26.0, engine_rpm=3200.0)])
    assert dial(slow, "stator_volts").word == "ENOUGH"
    fast = folded([runs.opened("stator"), runs.sample(1, stator_volts=26.0, engine_rpm=3600.0)])
    assert dial(fast, "stator_volts").word == "TOO LOW"


def test_the_needle_leaves_the_scale_with_an_arrow():
    plain = Look(ascii=True)
    for volts, end in ((2.0, "<"), (19.0, ">")):
        state = folded([runs.opened("regulator"), runs.sample(1, battery_volts=volts)])
        line = scale(dial(state, "battery_volts"), 40, plain).plain
        assert (line[0] if end == "<" else line[-1]) == end


@pytest.mark.parametrize("flag", list(Flag))
@pytest.mark.parametrize(("columns", "rows"), [(80, 24), (120, 40)])
def test_every_flag_has_words_and_its_cure_on_the_page(flag, columns, rows):
    told = {
        "kind": "flag",
        "t_ns": runs.ns(1),
        "channel": "battery_volts",
        "flag": str(flag),
        "cure": "",
        "state": "on",
    }
    state = folded([runs.opened("regulator"), runs.sample(1, battery_volts=None), told])
    found = " ".join(text(state, columns, rows).split())
    assert f"battery volts: {FLAG_WORDS[flag]}" in found
    assert CURES[flag] in found


def test_a_flag_on_a_sample_alone_is_shown_with_its_cure_and_no_number():
    held = runs.sample(1) | {"values": {"battery_volts": [None, None, ["hold"], 0.1]}}
    state = folded([runs.opened("regulator"), runs.sample(0.5, battery_volts=12.6), held])
    found = text(state, 80, 24)
    assert "HOLD" in found
    assert CURES[Flag.HOLD] in found
    assert dial(state, "battery_volts").text() == "--.--"


def test_a_lost_meter_is_named_with_its_time():
    found = text(folded(runs.meter_lost()), 80, 24)
    assert "! VOLTS LOST at 1:40, 4 s ago: the port is gone; plug it in again" in found
    assert "SILENT 4 s" in found


def test_more_trouble_than_room_is_counted():
    state = measuring()
    for name in ("volts", "amps", "tach", "thermometer", "clamp"):
        state.apply({"kind": "gap", "t_ns": state.t_s * 1e9, "instrument": name, "text": "gone", "state": "lost"})
    assert "more" in text(state, 80, 24)
    assert text(state, 80, 24).count("LOST") == 3


def test_the_ceiling_outranks_everything():
    state = folded(until(runs.ceiling_crossing(), 9))
    found = text(state, 40, 12).splitlines()
    assert found[1] == " OVER 15 V, THE CEILING: CLOSE THROTTLE"
    assert "OVER THE CEILING" in text(state, 80, 24)


def test_journal_trouble_stands_at_the_top():
    state = measuring()
    state.apply({"kind": "trouble", "t_ns": 0, "text": "the disk is full"})
    assert "NOT BEING KEPT: the disk is full" in text(state, 80, 24).splitlines()[1]


def test_a_prompt_shows_its_keys_and_its_caution():
    state = folded(runs.preparations("regulator"))
    found = text(state, 80, 24)
    assert "Red lead on battery plus" in found
    assert "[Enter] done" in found
    assert found.count("CAUTION: Clip the leads before starting") == 1  # not once more in the list below
    assert "CAUTION: Charging makes hydrogen" in found
    assert "[Enter]" not in text(state, 80, 24, hand=Hand(live=False))


def test_hook_up_comes_before_start_and_close_the_throttle_before_all():
    records = [*runs.preparations("regulator"), runs.prompt(0, "start-engine", "Start the engine.", [])]
    state = folded(records)
    assert "Start the engine." not in text(state, 80, 24)
    state.apply({"kind": "answer", "t_ns": 0, "id": "hook-up", "text": "done"})
    assert "Start the engine." in text(state, 80, 24)
    state.apply(runs.prompt(3, "battery-celsius", "How warm is the battery?", None))
    state.apply(runs.standing(5, "measuring", "pass", 0.5, ""))
    state.apply(runs.prompt(9, "close-throttle", "Close the throttle.", []))
    found = text(state, 80, 24)
    assert -1 < found.index("Close the throttle.") < found.index("How warm is the battery?")


def test_every_caution_has_its_turn_where_there_is_no_room_for_all():
    state = folded([runs.opened("regulator"), *(runs.caution(0, f"Beware of number {n}.") for n in range(30))])
    seen = set()
    for t_s in range(30, 30 + 8 * 30):
        state.apply(runs.sample(t_s, battery_volts=12.5))
        seen |= set(re.findall(r"Beware of number \d+\.", text(state, 80, 24)))
    assert len(seen) == 30


def test_choices_are_numbered_and_free_text_says_so():
    state = folded([runs.opened("regulator"), runs.prompt(1, "discharge", "Discharge the battery.", ["done", "skip"])])
    assert "[1] done  [2] skip" in text(state, 80, 24)
    state.apply({"kind": "answer", "t_ns": 0, "id": "discharge", "text": "done"})
    state.apply(runs.prompt(2, "battery-celsius", "How warm is the battery, in degC?", None))
    assert "[figures, Enter] answer" in text(state, 80, 24)


def test_the_last_mark_stands_at_the_foot():
    state = measuring()
    state.apply({"kind": "mark", "t_ns": runs.ns(119), "text": "misfire"})
    assert text(state, 80, 24).splitlines()[-1].endswith("marked 1:59 misfire")


def test_probabilities_never_claim_certainty():
    assert [percent(one) for one in (1.0, 0.991, 0.99, 0.5, 0.004, 0.0)] == [
        "over 99 %",
        "over 99 %",
        "99 %",
        "50 %",
        "under 1 %",
        "under 1 %",
    ]


def test_the_end_page_says_all_that_the_verdict_says():
    found = " ".join(text(folded(runs.ceiling_crossing()), 80, 30).split())
    for words in (
        "Close the throttle.",
        "FAIL, suspect: regulator",
        "The battery passed the ceiling of 15.0 V and stayed above it: the regulator does not hold.",
        "NEXT: Replace the regulator and run this again as proof.",
        "CAUTION: An overcharged battery gases",
        "settled volts: 14.313 ± 0.026 V (k = 2), over 99 % likely within limits",
        "rated amps: 15.21 A, uncertainty not known",
        "ENDED: above the ceiling, after 2:41, 322 samples, rpm 3541 to 3612, mean 3580",
        "KEPT: run 20270304-101500-ab12, judged",
    ):
        assert words in found


def test_the_end_page_scrolls_to_its_last_line_and_no_further():
    state, hand = folded(runs.regulator_pass()), Hand()
    first = text(state, 40, 12, hand=hand)
    assert "more" in first
    for _ in range(100):
        hand.press("down", "", state)
        last = text(state, 40, 12, hand=hand)
    assert "KEPT: run 20270304-101500-ab12" in last
    assert "PASS" in last
    assert "Close the throttle" in last


def test_no_half_of_a_name_stands_in_the_heading():
    """Half an order number would be another order."""
    for columns in range(20, 120):
        heading = text(measuring(), columns, 24, Look(ascii=True)).splitlines()[0]
        if "order" in heading:
            assert "order 1042 " in heading
        assert ("Hollin" in heading) == ("Hollin T18 garden tractor" in heading)


def test_a_small_ascii_terminal_gets_the_verdict_as_a_word():
    found = text(folded(runs.void_run()), 40, 12, Look(ascii=True)).splitlines()
    assert found[2] == " VOID, suspect: engine speed"


def test_close_the_throttle_goes_when_the_engine_stands():
    state = folded(runs.void_run())
    assert "Close the throttle." in text(state, 80, 24)
    state.apply(runs.sample(40, engine_rpm=0.0))
    assert "Close the throttle." not in text(state, 80, 24)


def test_a_run_that_never_got_a_verdict_says_why():
    state = folded(
        [*runs.preparations("stator"), runs.close("interrupted", "benchd was killed; found on the next start")]
    )
    found = text(state, 80, 24)
    assert "NO VERDICT: INTERRUPTED" in found
    assert "benchd was killed" in found


def test_several_suspects_are_all_named():
    both = runs.verdict(5, "fail", "unknown", ["No output."], suspects=["stator", "regulator"])
    assert "suspect: stator or regulator" in text(folded([runs.opened("regulator"), both]), 80, 24)


def test_half_a_sentence_is_marked_as_such():
    """The reason needs three lines at this width and gets what is left: never an end that looks like one."""
    state = measuring()
    for rows in range(12, 30):
        lines = [line.strip() for line in text(state, 40, rows).splitlines()]
        start = next((n for n, line in enumerate(lines) if line.startswith("The volts bend")), None)
        if start is not None:
            said = " ".join(lines[start : start + 4])
            assert "rated output." in said or "..." in said


def test_nothing_known_yet_has_no_figure():
    state = folded([runs.opened("stator"), runs.standing(1, "measuring", "undecided", 0.0, "measuring.")])
    assert "% sure" not in text(state, 80, 24)
    assert "UNDECIDED AS YET" in text(state, 80, 24)
