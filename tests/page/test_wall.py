"""The wall: sixteen benches on one screen, live, with what needs a person in words, and answered from there."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

import pytest
from browsing import BROKEN_LINK, SIZES, Hall, Shop, Watch, instruments, until
from playwright.sync_api import Locator, Page, expect

Open = Callable[..., Page]
BENCHES, LAST = 16, "load-16"


@pytest.fixture(scope="module")
def hall(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Hall]:
    with instruments(tmp_path_factory.mktemp("hall"), BENCHES) as found:
        yield found


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, hall: Hall) -> Iterator[Shop]:
    """Sixteen benches of a site file: nobody answers what their runs ask."""
    found = Shop(tmp_path_factory.mktemp("home"), site=hall[0])
    try:
        found.wait_until_up()
        yield found
    finally:
        found.end()


@pytest.fixture(scope="module")
def runs(shop: Shop) -> dict[str, str]:
    """Bench -> its run, on all benches but the last."""
    return {slug: shop.run(bench=slug) for slug in (f"load-{number:02}" for number in range(1, BENCHES))}


@pytest.fixture(scope="module")
def asking(shop: Shop, runs: dict[str, str]) -> str:
    """The run of the last bench: it asks for somebody."""
    return shop.run("charge", bench=LAST)


def outside(page: Page) -> list[str]:
    """Whatever of the tiles is not inside the window, or not inside its tile."""
    found: list[str] = page.evaluate(
        """() => [...document.querySelectorAll(".tile")].flatMap((tile) => {
             const frame = tile.getBoundingClientRect();
             return [tile, ...tile.querySelectorAll("*")].filter((one) => {
               const { left, top, right, bottom, width, height } = one.getBoundingClientRect();
               if (!width || !height || one.closest(".away, svg *")) return false;
               return left < 0 || top < 0 || right > innerWidth || bottom > innerHeight || right > frame.right + 1 || bottom > frame.bottom + 1;
             }).map((one) => `${tile.dataset.bench} ${one.tagName} ${one.className.baseVal ?? one.className} ${one.textContent}`);
           })"""
    )
    return found


def tile(page: Page, bench: str) -> Locator:
    return page.locator(f".tile[data-bench={bench}]")


def test_sixteen_benches_on_a_wall(
    open_page: Open, runs: dict[str, str], asking: str, axe: Callable[[Page], list[str]]
) -> None:
    page = open_page("/", "look", "wall")
    expect(page.locator(".tile")).to_have_count(BENCHES)
    expect(page.locator(".tile .figure").filter(visible=True)).to_have_count(3 * (BENCHES - 1) + 2)
    until(lambda: outside(page) == [], 5, lambda: outside(page))
    for slug in runs:
        expect(tile(page, slug)).to_contain_text("Measuring")
        expect(tile(page, slug)).to_contain_text("In the band")
        expect(tile(page, slug)).to_have_attribute("data-call", "no")
    expect(tile(page, LAST)).to_have_attribute("data-call", "yes")
    expect(tile(page, LAST).locator(".attention")).to_contain_text("Engine, charger and lamps off.")
    expect(tile(page, LAST).locator(".attention")).to_have_attribute("data-word", "Answer")
    assert axe(page) == []
    page.evaluate("globalThis.same = true")
    states, frames = tile(page, "load-01").locator(".name .soft"), page.locator(".tiles")
    said, before = states.inner_text(), int(frames.get_attribute("data-frames") or 0)
    expect(states).not_to_have_text(said)
    until(lambda: int(frames.get_attribute("data-frames") or 0) >= before + 5, 10)
    assert page.evaluate("globalThis.same")
    for size in ("tablet", "phone"):
        page.set_viewport_size(dict(zip(("width", "height"), SIZES[size], strict=True)))  # type: ignore[arg-type]
        until(lambda: page.evaluate("document.documentElement.scrollWidth <= innerWidth"), 3, size)


def test_what_a_run_asks_is_answered_from_the_page_by_whoever_may(
    open_page: Open, shop: Shop, asking: str, watch: Watch
) -> None:
    office, bay = open_page(f"/run/{asking}", "look"), open_page("/", "operate", "tablet")
    asked = office.locator(".attention", has_text="Engine, charger and lamps off.")
    expect(asked).to_contain_text("Answers: done")
    expect(office.locator("main form")).to_have_count(0)
    expect(office.locator(".attention button")).to_have_count(0)
    expect(office.get_by_role("link", name="sign in")).to_be_visible()
    watch.allow("status of 403")
    refused = office.evaluate(
        """async (run) => Promise.all(["answers", "marks", "stop"].map(async (one) => (await fetch(`/v1/runs/${run}/${one}`, {
             method: "POST", headers: { Authorization: `Bearer ${sessionStorage.getItem("benchd.token")}`, "Content-Type": "application/json" },
             body: JSON.stringify({ answers: { id: "hook-up", text: "done" }, marks: { text: "x" }, stop: { because: "x" } }[one]),
           })).status))""",
        asking,
    )  # fmt: skip
    assert refused == [403, 403, 403]

    tile(bay, LAST).get_by_role("link", name="load 16").click()
    bay.wait_for_url(f"**/run/{asking}")
    bay.locator(".attention").get_by_role("button", name="done").click()
    for page in (office, bay):
        expect(page.locator(".events li", has_text="Answered: done")).to_have_count(1)
        expect(page.locator(".attention", has_text="Engine, charger and lamps off.")).to_have_count(0)
    expect(bay.locator(".attention").get_by_role("button").first).to_be_visible()  # the next question


def test_what_is_lost_is_told_and_so_is_a_daemon_that_is_gone(
    open_page: Open, shop: Shop, runs: dict[str, str], asking: str, hall: Hall, watch: Watch
) -> None:
    watch.allow(*BROKEN_LINK)
    shop.client.stop(asking, "over")
    page = open_page("/", "look", "wall")
    expect(page.locator(".tile")).to_have_count(BENCHES)
    hall[1].kill()
    hall[1].wait(10)
    expect(page.locator(".tile .attention[data-word=Lost]")).to_have_count(BENCHES)
    expect(tile(page, LAST).locator(".attention p").first).to_have_text(
        re.compile("^[a-z]+: the port has gone: unplugged[^:]*$")
    )
    expect(tile(page, LAST)).to_contain_text("and 3 more")
    until(lambda: outside(page) == [], 5, lambda: outside(page))
    shop.kill()
    expect(page.locator("#link")).to_contain_text("No link to the daemon: what is shown is old.")
    expect(page.locator("#main")).to_have_class("fill stale")
    shop.start_again()
    expect(page.locator("#link")).to_be_empty(timeout=20_000)
