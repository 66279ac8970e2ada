"""Lots on the page: a shift with nothing but a scanner, what is refused and asked, statistics in pictures and in words."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from browsing import Shop
from playwright.sync_api import Page, expect

sys.path.append(str(Path(__file__).parents[1] / "bench"))

import lots

Open = Callable[..., Page]
UNITS = 300
REFERENCES = ("set-point-slow=14.285,0.02", "set-point-light=14.285,0.02", "set-point-rated=14.196,0.03", "greatest-output=20.93,0.2")  # fmt: skip


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """One rig with a bad unit; a lot of 300 tested units, one of whose set-points drifts by six standard deviations."""
    home = tmp_path_factory.mktemp("home")
    assert lots.fill(home / "journal.sqlite", UNITS, drift=6.0) == "VR20-0001"
    found = Shop(home, benches=0, speed=20.0, more=("--rigs", "1", "--plant", "VR20-000003=set-point-low"))
    try:
        found.wait_until_up()
        given = [word for one in REFERENCES for word in ("--reference", one)]
        found.json("standard", "open", "REF-1", "--part", "vantry-vr20", *given)
        yield found
    finally:
        found.end()


def scan(page: Page, text: str) -> None:
    """As a scanner does it: keys in a burst, and Enter, wherever the focus is."""
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def test_a_shift_needs_nothing_but_a_scanner(open_page: Open, shop: Shop) -> None:
    page = open_page("/lots", "operate")
    page.get_by_text("Open another one").click()
    page.get_by_label("Part", exact=True).select_option("vantry-vr20")
    page.get_by_label("Name", exact=True).fill("bad name")
    page.get_by_role("button", name="Open it").last.click()
    expect(page.locator(".wrong", has_text="a letter or digit first")).to_be_visible()
    page.get_by_label("Name", exact=True).fill("MAY-7")
    page.get_by_role("button", name="Open it").last.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Lot MAY-7")
    expect(page.get_by_text("Not fit")).to_be_visible()
    scan(page, "VR20-000001")
    expect(page.locator(".shift .attention")).to_contain_text("check standard")

    page.goto("/lot/REF-1")
    page.get_by_label("Who tests").fill("Ines Calder")
    page.get_by_label("Scan the standard").focus()
    scan(page, "REF-1")
    expect(page.locator(".unit-verdict .badge")).to_have_text("Pass", timeout=60_000)

    page.goto("/lot/MAY-7")
    expect(page.get_by_label("Scan the next unit")).to_be_focused()
    scan(page, "VR20-000003")
    expect(page.locator(".unit .attention").first).to_be_visible()
    scan(page, "VR20-000004")
    expect(page.get_by_text("VR20-000004 is kept and looked up when it has ended")).to_be_visible()
    expect(page.locator(".unit-verdict .badge")).to_have_text("Fail", timeout=60_000)
    expect(page.locator(".unit-verdict .large")).to_have_text("set-point too low")
    expect(page.get_by_label("Scan the next unit")).to_have_value("VR20-000004")
    page.get_by_label("Scan the next unit").fill("")
    scan(page, "VR20-000003")
    expect(page.locator(".shift .attention").first).to_contain_text("Scan it again to test it again")
    expect(page.locator(".shift li").first).to_contain_text("FAIL, set-point too low")
    page.get_by_label("Scan the next unit").fill("")
    scan(page, "")
    expect(page.locator(".shift .attention").first).to_contain_text("empty scan")
    assert shop.json("lot", "status", "MAY-7")["counts"]["retests"] == 0
    page.get_by_label("Serial number").fill("VR20-000003")
    page.get_by_role("button", name="Look it up").click()
    page.get_by_role("button", name="Show its label, Data Matrix").click()
    expect(page.get_by_role("img", name="Label of VR20-000003")).to_be_visible()


def test_what_the_statistics_say_stands_in_words_beside_the_pictures(
    open_page: Open, shop: Shop, shot: Callable[..., Path]
) -> None:
    page = open_page("/lot/VR20-0001", "look", "tablet", "light")
    drifting = page.locator("details#set-point-slow")
    expect(drifting.locator("summary").first).to_contain_text("out of control")
    expect(drifting).to_have_attribute("open", "")
    expect(drifting).to_contain_text("per 100 units")
    pictures = drifting.get_by_role("img")
    expect(pictures).to_have_count(3)
    label = pictures.first.get_attribute("aria-label") or ""
    assert "60 points" in label
    assert "three sigma" in label, "a drift of six standard deviations leaves the limits"
    assert pictures.first.locator("canvas").count() > 0
    page.set_viewport_size({"width": 1200, "height": 840})
    drifting.evaluate("one => one.scrollIntoView()")
    shot(page, "a-lot")
    drifting.get_by_text("The points as a table").first.click()
    expect(drifting.locator("table").first.locator("tbody tr")).to_have_count(60)
    expect(page.locator("#statistics")).to_contain_text(f"of {UNITS}; 95 % interval")
    expect(page.get_by_label("Scan the next unit")).to_have_count(0)
    expect(page.get_by_role("link", name="sign in")).to_be_visible()
