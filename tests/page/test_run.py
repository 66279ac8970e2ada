"""The page of one run: live without a gap whatever happens to the link, answered by hand, read off, compared, printed."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import BROKEN_LINK, Shop, Watch, until
from playwright.sync_api import Page, WebSocketRoute, expect

from benchd.journal_read import JournalReader

Open = Callable[..., Page]
Record = dict[str, Any]
Drawn = dict[str, list[tuple[float, float]]]
SHOP = {"benches": 4, "speed": 6.0}
#: What BokehJS has been given of each curve of this run, in the order of the page's charts.
DRAWN = """
() => Object.fromEntries([...document.querySelectorAll(".curve")].map((plate, place) => {
  const { t, v } = Bokeh.documents[place].roots()[0].renderers.at(-1).data_source.data;
  return [plate.dataset.channel, [...t].map((one, at) => [one, v[at]]).filter(([, value]) => !Number.isNaN(value))];
}))
"""


@pytest.fixture(scope="module")
def begun(shop: Shop) -> tuple[str, str]:
    """Two regulator runs that go on: of unit T18-0042 on bay 1, and of another on bay 2."""
    return shop.run(bench="bay-1", unit="T18-0042"), shop.run(bench="bay-2", unit="T18-0057")


@pytest.fixture(scope="module")
def ended(shop: Shop, begun: tuple[str, str]) -> tuple[str, str]:
    """The same when both have ended."""
    for run in begun:
        shop.ended(run)
    return begun


@pytest.fixture
def journal(shop: Shop) -> Iterator[JournalReader]:
    with JournalReader(shop.home / "journal.sqlite") as reader:
        yield reader


def kept(journal: JournalReader, run: str) -> list[Record]:
    return [json.loads(json.dumps(one)) for one in journal.read(run)]


def columns(records: list[Record]) -> Drawn:
    """Channel -> every (seconds, value) that was read."""
    found: Drawn = {}
    for one in records:
        for name, (value, *_) in one.get("values", {}).items() if one["kind"] == "sample" else ():
            if value is not None:
                found.setdefault(name, []).append((one["t_ns"] / 1e9, value))
    return found


def seq(page: Page) -> int:
    return int(page.locator(".curves").get_attribute("data-last-seq") or 0)


def samples(page: Page) -> int:
    return int(page.locator(".curves").get_attribute("data-samples") or 0)


def drawn(page: Page) -> Drawn:
    found: Drawn = page.evaluate(DRAWN)
    return found


def whole(page: Page, records: list[Record]) -> None:
    """The page has every sample of the records once, in its order, and has drawn them all."""
    wanted = columns(records)
    until(lambda: seq(page) == records[-1]["seq"], 10, lambda: f"{seq(page)} of {records[-1]['seq']}")
    assert samples(page) == sum(one["kind"] == "sample" for one in records)
    until(lambda: {name: len(one) for name, one in drawn(page).items()} == {n: len(o) for n, o in wanted.items()}, 10)
    for name, points in drawn(page).items():
        assert all(
            math.isclose(a, b, abs_tol=2e-6) for one, two in zip(points, wanted[name], strict=True) for a, b in zip(one, two, strict=True)
        ), name  # fmt: skip


def seconds(text: str) -> float:
    """Of '1:02.5'."""
    minutes, rest = text.split(":")
    return 60 * int(minutes) + float(rest)


def ready(page: Page) -> None:
    expect(page.locator("main[data-drawn=yes]")).to_be_attached()


def test_from_the_wall_to_a_run(open_page: Open, shop: Shop, begun: tuple[str, str], shot: Callable[..., Path]) -> None:
    """The wall of a shop: a bench has ended its run, the others go on."""
    other = shop.run("stator", "bay-3", unit="T18-0031")
    shop.run("continuity", "bay-4", unit="T18-0066")
    page = open_page("/", "look", (1280, 720))
    tiles = page.locator(".tile")
    shop.ended(other)
    expect(tiles.nth(2).locator(".badge")).to_have_text("Pass")
    expect(tiles.nth(2)).to_contain_text("Last: Stator run, T18-0031, Hollin T18 garden tractor")
    for place in (0, 1):
        expect(tiles.nth(place)).to_contain_text("Measuring")
        expect(tiles.nth(place)).to_contain_text("In the band")
    shot(page, "the-wall")
    page.get_by_role("link", name="bay 1").click()
    page.wait_for_url(f"**/run/{begun[0]}")


def test_two_look_at_a_live_run_and_see_the_same(
    open_page: Open, shop: Shop, journal: JournalReader, shot: Callable[..., Path]
) -> None:
    bay, office = open_page("/sign-in", "operate"), open_page("/sign-in", "look", "phone", "light")
    run = shop.run(bench="bay-3", unit="T18-0042")
    for page in (bay, office):
        page.goto(f"/run/{run}", wait_until="commit")  # both draw at the same time: the run does not wait for them
    for page in (bay, office):
        ready(page)
        page.evaluate("globalThis.same = true")
    before = {page: (samples(page), page.locator(".phase").inner_text()) for page in (bay, office)}
    for page, (count, said) in before.items():
        expect(page.locator(".phase")).not_to_have_text(said)
        until(lambda page=page, count=count: samples(page) > count, 10, "the curve does not grow")
        expect(page.locator(".dials .figure").first).to_be_visible()
    bay.get_by_label("Mark: what happens now").fill("belt squeals <b>")
    bay.get_by_role("button", name="Mark").click()
    for page in (bay, office):
        expect(page.locator(".events li", has_text="belt squeals <b>")).to_have_count(1)
    bay.locator("#said").get_by_role("button", name="Close").click()
    bay.set_viewport_size({"width": 1140, "height": 1050})
    until(lambda: samples(bay) >= 90)
    bay.locator("h1").evaluate("one => one.scrollIntoView()")
    shot(bay, "a-run")
    shop.ended(run)
    for page in (bay, office):
        expect(page.locator(".end .badge")).to_have_text("Pass")
        whole(page, kept(journal, run))
        assert page.evaluate("globalThis.same"), "it was loaded again"
        expect(page.locator(".hands")).to_have_count(0)
    assert bay.locator(".end").inner_text() == office.locator(".end").inner_text()
    assert bay.locator(".events").inner_text() == office.locator(".events").inner_text()
    expect(bay.locator(".reasons li").first).to_contain_text("Rated output was shown")


def test_a_finished_run_is_read_with_the_keyboard_alone(open_page: Open, ended: tuple[str, str]) -> None:
    page = open_page(f"/run/{ended[0]}", "look")
    ready(page)
    press, curves = page.keyboard.press, page.locator(".curves")

    def seen() -> tuple[float, float]:
        return float(curves.get_attribute("data-from") or "nan"), float(curves.get_attribute("data-to") or "nan")

    def to(name: str) -> None:
        """The focus walks on by Tab until a control of this name has it."""
        for _ in range(60):
            press("Tab")
            if (
                page.evaluate("(document.activeElement.labels?.[0] ?? document.activeElement).textContent").strip()
                == name
            ):
                return
        raise AssertionError(f"{name} is not reached by Tab")

    until(lambda: seen()[1] > 60)
    first, last = seen()
    to("Zoom in")
    press("Enter")
    press("Space")
    until(lambda: math.isclose(seen()[1] - seen()[0], (last - first) / 4, abs_tol=0.5), 5, lambda: seen())
    expect(page.get_by_role("button", name="Whole run")).to_have_attribute("aria-pressed", "false")
    part = seen()
    assert page.url.endswith(f"#{part[0]:.1f}-{part[1]:.1f}")
    to("Later")
    press("Enter")
    until(lambda: seen()[0] > part[0] + 5, 5)

    to("Read off at")
    slider, reading = page.locator("#read-off"), page.locator(".curve[data-channel=charge_amps] .read")
    newest = slider.get_attribute("aria-valuetext") or ""
    for _ in range(5):
        press("PageDown")
    expect(slider).not_to_have_attribute("aria-valuetext", newest)
    told = slider.get_attribute("aria-valuetext") or ""
    until(lambda: f"Charge amps {reading.inner_text()}," in told, 5, told)
    press("ArrowRight")
    expect(slider).not_to_have_attribute("aria-valuetext", told)

    page.locator(".events button", has_text="Measuring").focus()
    press("Enter")
    expect(page.locator(".events [aria-current=true]")).to_contain_text("Measuring")
    told_at = page.locator(".events [aria-current=true] .number").nth(1).inner_text()
    until(lambda: abs(seconds(page.locator(".read-off .number").inner_text()) - seconds(told_at)) < 1, 5, told_at)
    kept_part = page.url
    page.reload()
    ready(page)
    assert page.url == kept_part, "a part that was zoomed into can be sent to somebody"
    assert seen()[1] - seen()[0] < (last - first) / 2


def test_side_by_side_and_on_paper(open_page: Open, ended: tuple[str, str], watch: Watch) -> None:
    page = open_page(f"/run/{ended[0]}", "look", scheme="dark")
    ready(page)
    page.goto(f"/run/{ended[0]}?beside={ended[1]}")
    ready(page)
    table = page.get_by_role("region", name="Both runs")
    expect(table.locator("thead th")).to_have_text(["This run", f"Run {ended[1]}"])
    expect(table.locator("tbody tr", has_text="Machine, unit").locator("td")).to_have_text(
        ["Hollin T18 garden tractor, T18-0042", "Hollin T18 garden tractor, T18-0057"]
    )
    expect(table.locator("tbody .badge")).to_have_text(["Pass", "Pass"])
    expect(page.locator(".curve .legend").first).to_contain_text(f"beside: run {ended[1]}")
    page.locator(".events button", has_text="Measuring").click()
    expect(page.locator(".curve[data-channel=charge_amps] .read")).to_contain_text("beside")

    page.emulate_media(media="print")
    paper = page.locator(".on-paper svg")
    expect(paper).to_have_count(page.locator(".curve").count())
    for one in paper.all():
        expect(one).to_be_visible()
        expect(one.locator("path.track")).to_have_count(1)
        expect(one.locator("path.beside")).to_have_count(1)
    expect(page.locator(".drawn canvas").first).to_be_hidden()
    expect(page.locator(".curves .row")).to_be_hidden()
    assert (
        page.evaluate(
            """() => [...document.querySelectorAll("body, main, .plate, .badge, .on-paper *")].flatMap((one) => {
             const { color, backgroundColor, stroke, fill } = getComputedStyle(one);
             return [color, backgroundColor, stroke, fill].filter((said) => {
               const parts = (said.match(/[0-9.]+/g) ?? []).map(Number);
               return parts.length >= 3 && parts[3] !== 0 && Math.max(...parts.slice(0, 3)) - Math.min(...parts.slice(0, 3)) > 2;
             }).map((said) => `${one.tagName} ${one.className.baseVal ?? one.className}: ${said}`);
           })"""
        )
        == []
    ), "coloured on paper"


def test_another_run_that_is_not_there_is_told(open_page: Open, ended: tuple[str, str], watch: Watch) -> None:
    watch.allow("status of 404")
    page = open_page(f"/run/{ended[0]}?beside=20200101-000000-000ab", "look")
    ready(page)
    expect(page.locator(".both .wrong")).to_contain_text("The run beside cannot be had")
    expect(page.locator(".end .badge")).to_have_text("Pass")
    page.goto("/run/20200101-000000-000ab")
    expect(page.locator("main")).to_contain_text("There is no run 20200101-000000-000ab; the newest: ")


def test_a_run_is_begun_marked_and_stopped_from_the_page(open_page: Open, shop: Shop, ended: tuple[str, str]) -> None:
    """What is left out is named beside its field; a scanner's Enter starts nothing."""
    page = open_page("/run/new?bench=bay-3", "operate")
    page.get_by_role("button", name="Start").click()
    for label, value, said in (
        ("Test", "regulator", "choose the test"),
        ("Machine", "hollin-t18", "choose the machine"),
    ):
        expect(page.locator(".wrong", has_text=said)).to_be_visible()
        expect(page.get_by_label(label, exact=True)).to_be_focused()
        page.get_by_label(label, exact=True).select_option(value)
        if value == "regulator":
            page.get_by_role("button", name="Start").click()
    page.get_by_label("Serial number of the unit").press_sequentially("T18-0042\n")
    expect(page.get_by_label("Work order")).to_be_focused()
    page.get_by_role("button", name="Start").click()
    page.wait_for_url("**/run/2*")
    run = page.url.rpartition("/")[2]
    assert shop.client.run(run)["unit"] == "T18-0042"
    page.get_by_role("button", name="Stop this run").click()
    page.get_by_role("button", name="Go back").click()
    assert shop.client.run(run)["status"] is None
    page.get_by_role("button", name="Stop this run").click()
    page.get_by_role("button", name="Stop it").click()
    expect(page.locator(".end .reasons")).to_contain_text("stopped on the page")
    expect(page.get_by_role("button", name="Stop this run")).to_have_count(0)
    assert shop.ended(run)["status"] == "aborted"


def test_no_drop_of_the_link_leaves_a_gap(
    open_page: Open, shop: Shop, journal: JournalReader, watch: Watch, ended: tuple[str, str]
) -> None:
    """Cut off for a while, then the daemon is killed and begun again: the open page has every sample once, and draws it."""
    watch.allow(*BROKEN_LINK)
    run = shop.run(bench="bay-3", unit="T18-0042")
    cut, wires = False, list[WebSocketRoute]()

    def through(wire: WebSocketRoute) -> None:
        if cut:
            wire.close()
        else:
            wire.connect_to_server()
            wires.append(wire)

    page = open_page("/sign-in", "look")
    page.route_web_socket("**/v1/live", through)
    page.goto(f"/run/{run}")
    ready(page)
    page.evaluate("globalThis.same = true")
    link = page.locator("#link")
    until(lambda: page.title() and samples(page) >= 10, 15)
    cut = True
    wires[-1].close()
    expect(link).to_contain_text("No link to the daemon: what is shown is old.")
    here = samples(page)
    until(lambda: page.title() and sum(one["kind"] == "sample" for one in journal.read(run)) > here + 40, 20)
    assert samples(page) <= here + 10, "it is cut off"
    cut = False
    until(lambda: samples(page) > here + 40, 15, "it does not come back")
    expect(link).to_be_empty()
    assert len(wires) > 1

    shop.kill()
    expect(link).to_contain_text("No link to the daemon")
    expect(page.locator("#main")).to_have_class("stale")
    assert "Ended" not in page.locator(".phase").inner_text(), "nobody knows yet what became of it"
    shop.start_again()
    expect(link).to_be_empty(timeout=20_000)
    expect(page.locator(".end .badge")).to_have_text("No verdict: interrupted")
    whole(page, kept(journal, run))
    assert page.evaluate("globalThis.same"), "it was loaded again"
