"""What holds for every page: it loads in every size without trouble, anybody can use it, nothing leaves the machine."""

from __future__ import annotations

from collections.abc import Callable

from browsing import Watch, until
from playwright.sync_api import Page, expect

Open = Callable[..., Page]


def settled(page: Page) -> None:
    """Until the page has drawn what it is about."""
    expect(page.locator("main h1")).to_be_visible()


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
    page.evaluate("new WebSocket('ws://127.0.0.1:9/')")
    wanted = ("Content Security Policy directive", "broken on purpose", "status of 401", "127.0.0.1:9/")
    until(
        lambda: page.title() and all(any(part in one for one in watch.found) for part in wanted), 5, lambda: watch.found
    )
    assert page.evaluate("window.ran") is None
    assert watch.troubles == watch.found
    watch.allow("")
