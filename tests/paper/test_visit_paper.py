"""The paper of a visit: what it must say, on which page, and that no text from outside can be anything but text."""

from __future__ import annotations

import io
import re
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from html.parser import HTMLParser
from typing import Any

import pytest
from benchd_dashboards.paper import VISIT, press
from benchd_dashboards.paper.customer import put_right
from benchd_dashboards.paper.visit import sheet
from paper_data import EVIL, empty_data, hostile_data, visit_data
from pypdf import PdfReader

REASON = "The customer needs the tractor tomorrow"


def pages_of(data: dict[str, Any]) -> list[str]:
    """The texts of the pages; invisible places to break at and the ends of lines count for nothing."""
    reader = PdfReader(io.BytesIO(VISIT.pdf(data)))
    return [" ".join(page.extract_text().replace("\u200b", "").split()) for page in reader.pages]


@cache
def proven() -> list[str]:
    return pages_of(visit_data(curves=True))


@cache
def hostile() -> list[str]:
    return pages_of(hostile_data())


@pytest.mark.parametrize(
    "said",
    [
        "acid on the frame",
        "regulator stuck on",
        "Battery case: wet, acid on the tray",
        "New regulator: replaced, ground strap cleaned",
        "regulator 15 A, number TL-4471, serial 88213",
        "14.39 ± 0.11 V",
        "asked: 13.8 to 14.7 V",
        "15.06 ± 0.15 A",
        "rated: 15 A",
        "Piet Marlow",
        "Tessel Lane",
        "PROVEN",
    ],
)
def test_the_customers_page_says(said: str) -> None:
    assert said in proven()[0]


@pytest.mark.parametrize(
    "said",
    [
        "Technical part",
        "e474fc5c06f07d6951370c7344549d81",
        "TESSLUND M350",
        "2027-09-21",
        "benchd 0.1.0",
        "1.96",
        "0.41 Ah (uncertainty not known)",
        "over 99 %",
        "not answered",
        "SHA-256",
        "service manual, section 6, page 14",
        "odds times 6.3: Battery case: wet",
        "odds divided by 2: Suddenly",
        "83 %",
        "35 min",
        "Call before parts are ordered.",
        "1:10 wiggled the plug",
    ],
)
def test_the_technical_part_says(said: str) -> None:
    assert said in " ".join(proven()[1:])


def test_what_is_proven_says_nowhere_that_it_is_not() -> None:
    assert not any("NOT PROVEN" in page for page in proven())


def test_every_page_says_not_proven_and_why() -> None:
    pages = pages_of(visit_data("closed without proof", REASON))
    assert len(pages) > 2
    assert all("NOT PROVEN" in page and REASON in page for page in pages)
    assert "which is no proof" in pages[0]


def test_what_is_left_unrepaired_is_said_on_the_first_page() -> None:
    data = visit_data("closed without proof", REASON)
    data["visit"]["repairs"][0]["mends"] = ["battery-dead-cell"]
    cause = data["visit"]["ranking"]["causes"][0]
    data["visit"]["ranking"]["causes"].append(
        {**cause, "id": "battery-dead-cell", "title": "Dead cell", "probability": 0}
    )
    first = pages_of(data)[0]
    assert "found and put right: dead cell." in first
    assert "still points to: regulator stuck on (83 % likely). It was not repaired." in first


def test_a_new_battery_is_not_said_to_mend_all_that_a_battery_can_have() -> None:
    data = visit_data()
    data["visit"]["repairs"][0].update(repair="new-battery", mends=["dead-cell", "sulphated", "leaking"])
    told = {"item": "new-battery", "outcome": "done", "text": "Repaired", "factor": 0.01}
    one = data["visit"]["ranking"]["causes"][0]
    data["visit"]["ranking"]["causes"] = [
        {**one, "id": id, "title": id.capitalize(), "probability": p, "reasons": [told]}
        for id, p in (("dead-cell", 0.03), ("sulphated", 0.001), ("leaking", 0.0001))
    ]
    assert put_right(data["visit"]) == ["Dead-cell"]


def test_every_page_of_an_open_order_says_so() -> None:
    pages = pages_of(visit_data("open"))
    assert all("OPEN, NOT PROVEN" in page and "No regulator run" in page for page in pages)


def test_html_says_not_proven_in_what_a_print_repeats_on_every_page() -> None:
    head = re.search(r"<thead>(.*?)</thead>", VISIT.html(visit_data("closed without proof", REASON)), re.DOTALL)
    assert head is not None
    assert "NOT PROVEN" in head.group(1)
    assert REASON in head.group(1)


def test_an_order_in_which_nothing_was_written_yet() -> None:
    pages = pages_of(empty_data())
    assert "No complaint was written down." in pages[0]
    assert "No repair was written down." in pages[0]
    assert "No run was made" in " ".join(pages)
    assert "OPEN, NOT PROVEN" in VISIT.html(empty_data())


def test_forty_runs_all_stand_in_it() -> None:
    made = sheet(visit_data(runs=40))
    said = str(made["blocks"])
    assert all(f"Run {place}: regulator, PASS" in said for place in range(1, 41))
    assert len(PdfReader(io.BytesIO(press.pdf(made))).pages) > 10


def test_the_customers_part_is_one_page_whatever_was_written() -> None:
    overfull = visit_data("closed without proof", "W" * 600)
    overfull["visit"].update(complaint="漢" * 500, customer="W" * 200, machine="W" * 300)
    overfull["visit"]["proof"]["missing"] = ["W" * 500]
    overfull["visit"]["findings"] = [{**one, "text": "W" * 200} for one in overfull["visit"]["findings"] * 3]
    overfull["visit"]["repairs"] = [{**one, "did": "WW WWW " * 50} for one in overfull["visit"]["repairs"] * 3]
    for pages in (proven(), hostile(), pages_of(overfull)):
        assert "The proof" in pages[0] or "No proof" in pages[0]
        assert pages[1].count("Technical part") == 1
        assert "technical part" in pages[0]


def test_typst_code_is_only_text() -> None:
    said = " ".join(hostile())
    assert '#panic("x")' in said
    assert "#set page(fill: red)" in said
    assert all("NOT PROVEN" in page for page in hostile())


class Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.said = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.said += data


def test_html_code_is_only_text() -> None:
    found = Tags()
    found.feed(VISIT.html(hostile_data()))
    assert "script" not in {tag for tag, _ in found.tags}
    assert "<script>alert(1)</script>" in found.said
    assert "{{7*7}}" in found.said
    assert not any(name.startswith("on") for _, attributes in found.tags for name in attributes)


def test_no_byte_that_a_terminal_or_a_reader_obeys_is_passed_on() -> None:
    made = VISIT.html(hostile_data())
    assert "\u202e" in EVIL
    assert not {"\u202e", "\x1b", "\x00"} & set(made)


def test_html_needs_nothing_from_anywhere() -> None:
    found = Tags()
    found.feed(VISIT.html(visit_data(curves=True)))
    fetched = [attributes[name] for _, attributes in found.tags for name in ("src", "href") if name in attributes]
    assert fetched
    assert all(str(one).startswith("data:image/svg+xml;base64,") for one in fetched)
    assert all(attributes.get("alt") for tag, attributes in found.tags if tag == "img")


def test_the_same_data_gives_the_same_bytes() -> None:
    assert VISIT.pdf(visit_data(curves=True)) == VISIT.pdf(visit_data(curves=True))
    assert VISIT.html(visit_data(curves=True)) == VISIT.html(visit_data(curves=True))


def test_papers_printed_at_once_do_not_disturb_each_other() -> None:
    alone = VISIT.html(visit_data(curves=True))
    with ThreadPoolExecutor(3) as threads:
        together = list(threads.map(lambda _: VISIT.html(visit_data(curves=True)), range(3)))
    assert together == [alone] * 3


def test_a_run_that_was_cut_short_has_no_verdict() -> None:
    data = visit_data("open")
    (run,) = data["visit"]["runs"]
    run.update(status="aborted", verdict=None, suspect=None, reasons=[], measured={})
    data["runs"][run["run"]].update(verdict={}, closed={"status": "aborted", "reason": "stopped by the operator"})
    said = " ".join(pages_of(data))
    assert "Run 1: regulator, NO VERDICT (aborted)" in said
    assert "stopped by the operator" in said
