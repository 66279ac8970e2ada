"""The pages in a real browser: Debian's Chromium, a real daemon with virtual benches, and pages that fail on any trouble."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from browsing import ARGUMENTS, AXE, SIZES, TOUCHED, WAIT_MS, Shop, Watch, chromium, missing, serious

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One browser for all tests of a worker."""
    program = chromium()
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=WAIT_MS)
    playing = sync_playwright().start()
    found = playing.chromium.launch(executable_path=program, args=list(ARGUMENTS))
    loop = asyncio.get_running_loop()
    yield found
    asyncio._set_running_loop(loop)
    found.close()
    playing.stop()


@pytest.fixture(scope="module", autouse=True)
def _only_here(browser: Browser) -> Iterator[None]:
    """Playwright leaves its event loop marked as the one that runs in this thread; other modules' tests have their own."""
    asyncio._set_running_loop(browser._impl_obj._loop)  # type: ignore[attr-defined]
    yield
    asyncio._set_running_loop(None)


@pytest.fixture(scope="module")
def shop(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    """A daemon for the tests of a module, with what the module's SHOP says."""
    found = Shop(tmp_path_factory.mktemp("home"), **getattr(request.module, "SHOP", {}))
    try:
        found.wait_until_up()
        yield found
    finally:
        found.end()


@pytest.fixture
def watch() -> Watch:
    """Who hears every trouble of the test's pages; `watch.allow(...)` for those that are meant."""
    return Watch()


@pytest.fixture
def open_page(browser: Browser, shop: Shop, watch: Watch) -> Iterator[Callable[..., Page]]:
    """open_page(path, scope, size, scheme, **more of a browser's context): a page in a context of its own.

    scope: 'look', 'operate' or 'administer' (a token is in the tab's storage), or None for nobody.
    size: 'phone', 'tablet', 'desktop', 'wall', or (width, height). At the end, any trouble that was not allowed fails.
    """
    contexts = []

    def opened(
        path: str = "/",
        scope: str | None = "look",
        size: str | tuple[int, int] = "desktop",
        scheme: str = "dark",
        **more: Any,
    ) -> Page:
        width, height = SIZES[size] if isinstance(size, str) else size
        touch = size in TOUCHED
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme=scheme,  # type: ignore[arg-type]
            **{"has_touch": touch, "base_url": shop.url, "timezone_id": "UTC", "locale": "en-GB", **more},
        )
        contexts.append(context)
        context.set_default_timeout(WAIT_MS)
        watch.over(context, shop.url)
        if scope is not None:
            # Once a tab: a test that signs out stays signed out.
            context.add_init_script(
                "if (location.protocol === 'http:' && !sessionStorage.getItem('test.signed')) {"
                f"sessionStorage.setItem('test.signed', '1'); sessionStorage.setItem('benchd.token', '{shop.tokens[scope]}');}}"
            )
        page = context.new_page()
        page.goto(path)
        return page

    yield opened
    for context in contexts:
        for page in context.pages:
            if not page.is_closed():
                page.title()  # what it has said by now has arrived
        context.close()
    if watch.troubles:
        pytest.fail("the page was in trouble:\n" + "\n".join(watch.troubles), pytrace=False)


@pytest.fixture
def shot(tmp_path: Path) -> Callable[..., Path]:
    """shot(page, name, **more of Playwright's screenshot): a picture, in BENCHD_PICTURES if that names a folder."""

    def taken(page: Page, name: str, **more: Any) -> Path:
        folder = Path(os.environ.get("BENCHD_PICTURES") or tmp_path)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{name}.png"
        page.screenshot(path=path, **{"animations": "disabled", **more})
        return path

    return taken


@pytest.fixture(scope="session")
def axe() -> Callable[[Page], list[str]]:
    """axe(page): its serious and critical faults of accessibility as sentences."""
    if not AXE.is_file():
        missing("axe-core is not installed: .ci/run says how")
    return serious
