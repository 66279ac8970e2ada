"""The report of a lot, on paper and on a terminal."""

from __future__ import annotations

import base64
import io
import re
from typing import Any

import pytest
from benchd_dashboards.paper import LOT
from benchd_dashboards.paper.lot_charts import chosen
from benchd_dashboards.paper.lot_words import ascii_line, digits, limits_words, rule_words, share_words
from lot_data import LOT as HEAD
from lot_data import lot
from paper_data import EVIL
from pypdf import PdfReader


def said_by(pdf: bytes) -> str:
    pages = PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).replace("\u200b", "").split())


def words_of(page: str) -> str:
    return " ".join(re.sub(r"<[^>]*>", " ", re.sub(r'<img src="[^"]*"', "<img", page)).split())


@pytest.fixture(scope="module")
def failed() -> dict[str, Any]:
    return lot(60, high=(7, 31), plan="attributes, general II, AQL 0.65")


@pytest.fixture(scope="module")
def paper(failed: dict[str, Any]) -> str:
    return said_by(LOT.pdf(failed))


@pytest.fixture(scope="module")
def page(failed: dict[str, Any]) -> str:
    return LOT.html(failed)


def test_an_auditor_finds_who_what_when_by_which_rule_and_program(paper: str) -> None:
    for told in (
        "Report of lot VR20-0117", "Spring exchange units", "Vantry VR-20 (VR-20)", "rebuild specification VR-20, sheet 2", "Hollin Tractor Works",
        "2026-11-26 06:00 UTC by Ines Calder", "2026-11-26 09:20 UTC by Tomas Rue: shift ended", "60 units of 60 planned judged, 60 tests",
        "ISO 14253-1 and ILAC-G8:09/2019", "at most 5 %", "western electric", "benchd 0.1.0 (Python 3.11.7, numpy 2.4.6, scipy 1.17.1)",
        "921eaae85e5d6d2b68a84104cb6be872", "Vantry Rebuild, 4 Kiln Lane",
    ):  # fmt: skip
        assert told in paper, told


def test_numbers_are_those_of_the_report(failed: dict[str, Any], paper: str) -> None:
    body = failed["report"]
    one = body["characteristics"][1]
    first = body["yield"]["first_pass"]
    assert f"{first['count']} of 60; 95 % interval {100 * first['low']:.1f} % to {100 * first['high']:.1f} %" in paper
    assert one["capability"]["method"] == "none", "two far outliers are not normal"
    good = body["characteristics"][0]["capability"]["ppk"]
    assert f"{good['value']:.2f} ({good['low']:.2f} to {good['high']:.2f})" in paper
    for value in (one["mean"], one["min"], one["max"]):
        assert f"{value:.3f}" in paper
    assert "13.9 to 14.5 V" in paper
    assert "2 mA at most" in paper
    for sentence in (*body["says"], one["drift"]["says"], one["normality"]["says"], body["sampling"]["says"]):
        assert " ".join(sentence.split())[1:] in paper, sentence


def test_every_signal_is_named_beside_its_chart_with_its_unit(failed: dict[str, Any], paper: str) -> None:
    signals = failed["report"]["characteristics"][1]["signals"]
    assert {one["serial"] for one in signals} >= {"VR20-004207", "VR20-004231"}
    for place, one in enumerate(signals, 1):
        assert f"{place}: {one['says']}, {one['chart']} chart; {one['serial']}, {one['bench']}" in paper
    assert "VR20-004207 14.900 V (0.400 beyond)" in paper


def test_failure_modes_benches_and_earlier_lots_are_there(failed: dict[str, Any], paper: str) -> None:
    assert "set-point too high 2 100 % 100 %" in paper
    assert "rig 2 NO VR20-REF-A: in control" in paper
    assert "volts: 2026-11-01, OVERDUE" in paper
    for one in failed["report"]["earlier"]:
        assert f"less {one['lot']}" in paper
        assert f"{one['characteristics'][0]['difference']:+.3g}" in paper


def test_charts_are_pictures_that_say_what_they_show(page: str) -> None:
    pictures = re.findall(r'<img src="data:image/svg\+xml;base64,([^"]*)" alt="([^"]*)"', page)
    assert len(pictures) == 3
    assert pictures[0][1] == "set-point too high: 2"
    assert "control charts (individuals and moving range) and histogram of 60 units" in pictures[2][1]
    for picture, _ in pictures:
        drawn = base64.b64decode(picture).decode()
        assert {one.lower() for one in re.findall(r"#[0-9a-fA-F]{6}\b", drawn)} <= {
            "#000000",
            "#666666",
            "#d9d9d9",
            "#ffffff",
        }


def test_the_same_json_gives_the_same_bytes(failed: dict[str, Any], page: str) -> None:
    assert LOT.html(failed) == page
    assert LOT.pdf(lot(0)) == LOT.pdf(lot(0))


@pytest.mark.parametrize("count", [0, 1, 5, 9])
def test_a_small_lot_has_a_report_too(count: int) -> None:
    page = words_of(LOT.html(lot(count)))
    if count == 0:
        assert "No unit was judged." in page
        assert "It was measured on no unit." in page
    elif count < 8:
        assert "no control chart" in page.lower()
    assert max(map(len, LOT.lines(lot(count), 80))) <= 80


def test_a_long_lot_is_drawn_from_its_thinned_points() -> None:
    data = lot(4000, drift=0.002)
    one = data["report"]["characteristics"][1]
    assert one["signals_found"] > 20
    page = words_of(LOT.html(data))
    assert "x-bar chart" in page
    assert re.search(rf"and {one['signals_found'] - 12} more", page) or not one["out_of_control"]


def test_units_in_doubt_are_told_first_and_named() -> None:
    doubt = {
        "bench": "rig 1", "standard": "VR20-REF-A", "since": "2026-11-26T06:00:00+00:00", "found": "2026-11-26T14:00:00+00:00", "until": None,
        "units": 70, "serials": [f"S{place:02d}" for place in range(70)], "says": "70 units were judged on rig 1: test them again",
    }  # fmt: skip
    data = {**lot(0), "doubtful": [doubt]}
    page = words_of(LOT.html(data))
    assert page.index("TEST AGAIN") < page.index("What to know first")
    assert "2026-11-26 06:00 UTC 2026-11-26 14:00 UTC 70 S00, S01" in page
    assert "S59 and 10 more" in page
    assert "TEST AGAIN: 70 units were judged on rig 1: test them again." in LOT.lines(data)


def test_a_lot_that_is_open_says_so_on_every_page() -> None:
    made = LOT.pdf(lot(0, state="open", closed=None))
    for page in PdfReader(io.BytesIO(made)).pages:
        assert "OPEN" in page.extract_text()
    assert any("OPEN" in line for line in LOT.lines(lot(5, state="open", closed=None)))


def test_hostile_texts_stay_texts(failed: dict[str, Any]) -> None:
    data = lot(3, lot=EVIL, title=EVIL, customer=EVIL, closed_by=EVIL, notes=[{"at": EVIL, "by": EVIL, "text": EVIL}])
    data["shop"] = EVIL
    data["report"]["part"]["name"] = EVIL
    for one in data["report"]["characteristics"]:
        one.update(title=EVIL, says=EVIL)
        for each in one["worst"]:
            each["serial"] = EVIL
    data["gates"][1]["reasons"] = [EVIL]
    page = LOT.html(data)
    assert "<script>" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert LOT.pdf(data).startswith(b"%PDF")
    lines = LOT.lines(data, 80)
    assert all(line.isprintable() for line in lines)


def test_the_terminal_has_a_line_for_each_characteristic(failed: dict[str, Any]) -> None:
    lines = LOT.lines(failed, 80)
    assert max(map(len, lines)) <= 80
    one = failed["report"]["characteristics"][1]
    (row,) = (line for line in lines if line.startswith("set-point-rated "))
    assert row.split()[:5] == ["set-point-rated", "13.9", "to", "14.5", "V"]
    assert row.split()[5:7] == ["60", f"{one['mean']:.3f}"]
    assert any(re.fullmatch(r" +2 +100 %  set-point too high +#+", line) for line in lines)
    assert any(line.startswith("* Rejected: 1 of 20") for line in lines), "the sample is the first 20 units"
    assert all(
        line.isascii() for line in LOT.lines({**failed, "lot": {**HEAD, "customer": "Größe ± 电"}}, 80, ascii=True)
    )


@pytest.mark.parametrize("width", [72, 100, 200])
def test_the_terminal_s_lines_keep_to_the_width(failed: dict[str, Any], width: int) -> None:
    assert max(map(len, LOT.lines(failed, width))) <= width


@pytest.mark.parametrize(
    ("share", "told"),
    [(None, "-"), (0.0, "0 %"), (1.0, "100 %"), (0.8833, "88.3 %"), (0.99992, "99.99 %"), (0.999999, "99.9999 %"), (1e-9, "under 0.0001 %"), (0.0004, "0.04 %"), (1 - 1e-9, "over 99.9999 %")],
)  # fmt: skip
def test_a_share_is_never_rounded_to_none_or_all(share: float | None, told: str) -> None:
    assert share_words(share) == told


def test_words_for_limits_rules_and_digits() -> None:
    assert limits_words({"low": 19.0, "high": None}, "A") == "19 A at least"
    assert limits_words({"low": None, "high": None}, "A") == "no limits"
    assert "ILAC-G8" in rule_words("guarded rejection", 0.025)
    assert "2.5 %" in rule_words("guarded rejection", 0.025)
    assert rule_words("of our own", None) == "of our own, accepted risk a risk that is not on record"
    assert digits(0.04821) == "0.0482"
    assert digits(0.0) == "0"
    assert ascii_line("±1 °C 电") == "+/-1  deg C ?"


def test_signals_beyond_a_limit_are_named_before_others() -> None:
    signals = [{"rule": "we4", "at": place} for place in range(9)] + [{"rule": "we1", "at": 9}]
    assert [one["at"] for one in chosen(signals, 3)] == [0, 1, 9]
