"""What holds for every page: it loads in every size without trouble, anybody can use it, nothing leaves the machine."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import quote

import pytest
from benchd_dashboards.web import NAVIGATION
from browsing import SIZES, Shop, Watch, until
from playwright.sync_api import Page, expect

Open = Callable[..., Page]
NARROW = (320, 640)  # a page of 1280 pixels at 400 %
OUTSIDER = {"X-Forwarded-For": "192.168.4.20"}
REFUSED = "status of 401"


@pytest.fixture(scope="module")
def ended(shop: Shop) -> str:
    """A shop that has something to show: a finished run of a work order."""
    order = shop.json(
        "order", "new", "--machine", "hollin-t18", "--unit", "T18-0042", "--by", "Anna Weld", "--complaint", "Battery flat"
    )  # fmt: skip
    run = shop.run("stator", work_order=order["work_order"], unit="T18-0042")
    shop.ended(run)
    return run


def settled(page: Page) -> None:
    """Until the page has drawn what it is about."""
    expect(page.locator("main h1")).to_have_count(1)
    expect(page.locator("main").locator("section, table, form, li").filter(visible=True).first).to_be_visible()


def too_wide(page: Page) -> float:
    """By how many pixels the document is wider than the window."""
    return float(page.evaluate("document.documentElement.scrollWidth - innerWidth"))


def test_whatever_goes_wrong_in_a_page_is_heard(open_page: Open, watch: Watch) -> None:
    page = open_page("/sign-in")
    settled(page)
    assert watch.found == []
    page.evaluate(
        "document.head.append(Object.assign(document.createElement('script'), {textContent: 'window.ran = 1'}))"
    )
    page.evaluate("setTimeout(() => { throw new Error('broken on purpose'); })")
    page.evaluate("fetch('/v1/runs')")
    page.evaluate("fetch('http://127.0.0.1:9/').catch(() => 0)")
    page.evaluate("void new WebSocket('ws://127.0.0.1:9/')")
    wanted = ("Content Security Policy directive", "broken on purpose", REFUSED, "127.0.0.1:9/")
    until(
        lambda: page.title() and all(any(part in one for one in watch.found) for part in wanted), 5, lambda: watch.found
    )
    assert page.evaluate("window.ran") is None
    assert watch.troubles == watch.found
    watch.allow("")


@pytest.mark.parametrize(("scheme", "size", "scope"), [("dark", "phone", "look"), ("light", "desktop", "operate")])
def test_every_page_in_every_size(
    open_page: Open, shop: Shop, ended: str, axe: Callable[[Page], list[str]], scheme: str, size: str, scope: str
) -> None:
    """By its links, in both kinds of light; axe-core finds nothing serious, and nothing has to be scrolled sideways."""
    page = open_page("/", scope, size, scheme)
    places = [*NAVIGATION, (f"/run/{ended}", ""), ("/sign-in", "")]
    for where, name in places:
        if name:
            page.get_by_role("navigation").get_by_role("link", name=name, exact=True).click()
            expect(page.get_by_role("link", name=name, exact=True).first).to_have_attribute("aria-current", "page")
        else:
            page.goto(where)
        settled(page)
        assert page.url == shop.url + where
        assert axe(page) == [], where
        for width, height in (*SIZES.values(), NARROW):
            page.set_viewport_size({"width": width, "height": height})
            until(lambda: too_wide(page) <= 0, 3, f"{where} at {width} x {height}")  # charts follow the window
        page.set_viewport_size(dict(zip(("width", "height"), SIZES[size], strict=True)))  # type: ignore[arg-type]


def test_a_page_is_walked_with_the_keyboard_alone(open_page: Open) -> None:
    page = open_page("/")
    settled(page)
    focus = page.locator(":focus")
    page.keyboard.press("Tab")
    expect(focus).to_have_text("Skip to the content")
    expect(focus).to_be_in_viewport()
    page.keyboard.press("Enter")
    expect(page.locator("#main")).to_be_focused()
    page = open_page("/")  # a reload would begin at #main again, at times
    settled(page)
    focus = page.locator(":focus")
    seen = []
    while len(seen) < 4 + len(NAVIGATION) and NAVIGATION[-1][1] not in seen:
        page.keyboard.press("Tab")
        seen.append(focus.inner_text())
        assert focus.evaluate("one => getComputedStyle(one).outlineStyle") != "none", seen
    assert [name for name in seen if name in dict(NAVIGATION).values()] == [name for _, name in NAVIGATION]
    page.get_by_role("link", name="Health", exact=True).focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/health")
    settled(page)


def test_how_this_device_shows_it_is_kept(open_page: Open) -> None:
    page = open_page("/sign-in", scheme="dark")
    settled(page)
    ground = "getComputedStyle(document.documentElement).backgroundColor"
    dark = page.evaluate(ground)
    page.get_by_role("button", name="Look").click()
    page.get_by_label("Bright, for sunlight").check()
    page.get_by_label("degF").check()
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(page.get_by_role("button", name="Look")).to_be_focused()
    bright = page.evaluate(ground)
    assert bright != dark
    page.reload()
    settled(page)
    assert page.evaluate(ground) == bright
    page.get_by_role("button", name="Look").click()
    expect(page.get_by_label("degF")).to_be_checked()


# --- signing in ---------------------------------------------------------------------------------------------------------


def enter(page: Page, token: str) -> None:
    page.get_by_label("Token", exact=True).fill(token)
    page.get_by_role("button", name="Sign in").click()


def test_signing_in_and_out(open_page: Open, shop: Shop, watch: Watch) -> None:
    """On this computer one may look without; a wrong token is refused beside the field, a good one leads back."""
    page = open_page("/history?unit=T18-0042", scope=None)
    settled(page)
    page.get_by_role("link", name="Sign in", exact=True).click()
    settled(page)
    expect(page.locator("main")).to_contain_text("this computer, which may look")
    box = page.get_by_label("Token", exact=True)
    for given, said in (
        ("", "enter the token"),
        ("two words", "no blanks"),
        ("benchd_000000000000_" + "a" * 43, "not known here"),
    ):
        enter(page, given)
        expect(page.locator("main .wrong").filter(has_text=said)).to_be_visible()
        expect(box).to_be_focused()
        expect(box).to_have_attribute("aria-invalid", "true")
        expect(box).to_have_value(given)
        assert page.evaluate("[sessionStorage, localStorage].every((one) => !one.getItem('benchd.token'))")
    watch.allow(REFUSED)
    enter(page, shop.tokens["operate"])
    page.wait_for_url("**/history?unit=T18-0042")
    expect(page.locator("#who")).to_have_text("desk (operate)")
    page.locator("#who").click()
    page.get_by_role("button", name="Sign out").click()
    expect(page.locator("#who")).to_have_text("Sign in")
    assert shop.tokens["operate"] not in page.content()


def test_whoever_comes_from_elsewhere_signs_in_first_and_stays_signed_in_where_it_is_wanted(
    open_page: Open, shop: Shop, watch: Watch
) -> None:
    watch.allow(REFUSED)
    page = open_page("/health", scope=None, extra_http_headers=OUTSIDER)
    page.wait_for_url("**/sign-in?to=%2Fhealth")
    settled(page)
    expect(page.locator("main")).to_contain_text("Looking at this daemon from another device needs a token.")
    page.get_by_label("Keep it on this device").check()
    enter(page, shop.tokens["look"])
    page.wait_for_url("**/health")
    other = page.context.new_page()
    other.goto("/health")
    settled(other)
    expect(other.locator("#who")).to_have_text("wall (look)")
    assert shop.tokens["look"] not in other.url


def test_signing_in_leads_nowhere_else(open_page: Open, shop: Shop) -> None:
    page = open_page("/sign-in", scope=None)
    for to in (
        "//bench.example/",
        "/\\bench.example",
        "/\t/bench.example",
        "javascript:alert(1)",
        "https://[",
        "/sign-in",
    ):
        page.goto(f"/sign-in?to={quote(to, safe='')}")
        enter(page, shop.tokens["look"])
        page.wait_for_url(shop.url + "/")
