"""Visits on the page: a tablet's thumb, a scanner's burst, two people at once, and bad input."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from browsing import Shop, until
from playwright.sync_api import Page, expect

Open = Callable[..., Page]
SHOP = {"benches": 1, "speed": 2.0}
NASTY = "Clicks <img src=x onerror=alert(1)> & 'stops'"


def order(shop: Shop, *more: str) -> str:
    """A work order that is open; its number."""
    return str(shop.json("order", "new", "--machine", "hollin-t18", *more)["work_order"])


def body(shop: Shop, number: str) -> dict[str, Any]:
    return shop.json("order", "show", number)


def test_a_visit_from_a_scan_to_the_close(open_page: Open, shop: Shop, tmp_path: Path) -> None:
    page = open_page("/visits", "operate", "tablet", "light")
    page.locator("[name=text]").press_sequentially("T18-0042\n")  # as a scanner types
    page.get_by_role("button", name="Open an order for unit T18-0042").click()
    form = page.locator("details.plate form")
    form.get_by_role("button", name="Open the order").click()
    expect(form.locator(".wrong", has_text="choose the machine")).to_be_visible()
    form.get_by_label("Machine").select_option("hollin-t18")
    form.get_by_label("Complaint").fill(NASTY)
    form.get_by_role("button", name="Open the order").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(re.compile(r"Order \d+"))
    expect(page.locator("main dd").first).to_have_text(NASTY)  # as text, and never run
    number = page.url.rpartition("/")[2]

    page.get_by_label("Your name").fill("Anna Weld")
    first = body(shop, number)["plan"]["steps"][0]
    page.locator("#next fieldset button").first.click()
    until(lambda: body(shop, number)["answers"])
    said = body(shop, number)["answers"][0]
    assert (said["question"], said["by"]) == (first["item"], "Anna Weld")
    expect(page.locator(f"#interview [data-item={first['item']}] button[aria-pressed=true]")).to_have_count(1)

    item = page.locator("#inspection [data-item=terminals]")
    item.get_by_text("Note and photos").click()
    item.get_by_label("Note").fill("by hand")
    picture = tmp_path / "post.png"
    page.locator("header").screenshot(path=picture)
    item.locator("input[type=file]").set_input_files(picture)
    item.get_by_role("button", name="loose or broken").click()
    expect(item.locator("img")).to_be_visible()
    found = body(shop, number)["findings"][0]
    assert (found["outcome"], found["note"], len(found["photos"])) == ("loose", "by hand", 1)
    expect(item.get_by_label("Note")).to_have_value("")
    expect(page.locator("#causes li").first).to_contain_text("loose")

    repair = page.locator("#repairs form")
    repair.get_by_label("What was done").select_option("clean-terminals")
    expect(repair.get_by_text("Ground cable off first")).to_be_visible()
    repair.get_by_label("Part", exact=True).fill("ring terminal")
    repair.get_by_label("Part number").press_sequentially("RT-8")
    repair.get_by_role("button", name="Write it down").click()
    expect(page.locator("#repairs li").first).to_contain_text("ring terminal RT-8")
    expect(page.locator("#proof")).to_contain_text("Not proven")

    page.get_by_text("Close the order", exact=True).first.click()
    close = page.locator("#proof form")
    close.get_by_role("button").click()
    expect(close.locator(".wrong", has_text="not proven")).to_be_visible()
    close.get_by_label("Why, if it is not proven").fill("fetched unmended")
    close.get_by_role("button").click()
    page.get_by_role("dialog").get_by_role("button", name="Close it").click()
    expect(page.get_by_text("This order is closed")).to_be_visible()
    expect(page.locator("#interview button:enabled")).to_have_count(0)
    assert body(shop, number)["closed_reason"] == "fetched unmended"


def test_two_at_once_see_what_the_other_wrote_and_lose_nothing(
    open_page: Open, shop: Shop, shot: Callable[..., Path]
) -> None:
    number = order(shop, "--unit", "T18-0042", "--complaint", "Flat after a week of standing", "--by", "Anna Weld")
    desk, bay = open_page(f"/visit/{number}", "operate"), open_page(f"/visit/{number}", "look", "phone")
    desk.locator("#log textarea").fill("half a sent")
    expect(bay.get_by_role("link", name="sign in")).to_be_visible()
    expect(bay.locator("form")).to_have_count(0)
    expect(bay.locator("#inspection button:enabled")).to_have_count(0)
    shop.json("order", "find", number, "terminals", "corroded")
    for page in (desk, bay):
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        expect(page.locator("#inspection [data-item=terminals] button[aria-pressed=true]")).to_have_text("corroded")
    expect(desk.locator("#log textarea")).to_have_value("half a sent")
    desk.set_viewport_size({"width": 1280, "height": 960})
    desk.evaluate("scrollTo(0, 0)")
    shot(desk, "a-visit")
    desk.reload()
    expect(desk.locator("#log textarea")).to_have_value("half a sent")


def test_what_cannot_be_sent_stays_where_it_was_typed(open_page: Open, shop: Shop, watch: Any) -> None:
    number = order(shop)
    page = open_page(f"/visit/{number}", "operate")
    item = page.locator("#interview [data-item=cranks]")
    item.get_by_text("Note", exact=True).first.click()
    item.get_by_label("Note").fill("only when warm")
    watch.allow("Failed to load resource", "failed:", "ERR_")
    page.context.set_offline(True)
    item.get_by_role("button", name="slowly").click()
    expect(item.get_by_role("alert")).to_contain_text("Not written down. The daemon does not answer")
    expect(item.get_by_label("Note")).to_have_value("only when warm")
    page.context.set_offline(False)
    item.get_by_role("button", name="slowly").press("Enter")
    expect(item.get_by_label("Note")).to_have_value("")
    assert [(one["outcome"], one["note"]) for one in body(shop, number)["answers"]] == [("slowly", "only when warm")]


def test_an_order_that_is_not_there_is_named(open_page: Open, watch: Any) -> None:
    watch.allow("status of 404")
    page = open_page("/visit/99999", "look")
    expect(page.locator("main")).to_contain_text("99999")
    expect(page.get_by_role("link", name="All work orders")).to_be_visible()
