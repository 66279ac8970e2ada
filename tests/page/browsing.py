"""A shop whose pages a browser looks at: a real `benchd serve --demo`, and who listens for whatever goes wrong in a page."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn
from urllib.parse import urlsplit

import pytest

sys.path.append(str(Path(__file__).parents[1] / "system"))

import visiting

from benchd import client as clients
from benchd.daemon.lock import read_holder
from benchd.server.tokens import FILE_NAME, TokenStore

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page

ROOT = Path(__file__).parents[2]
AXE = ROOT / ".venv" / "axe" / "node_modules" / "axe-core" / "axe.min.js"
HALL = ROOT / "tests" / "bench" / "load_instruments.py"
#: Name of a size -> (width, height), CSS pixels.
SIZES = {"phone": (390, 844), "tablet": (820, 1180), "desktop": (1280, 800), "wall": (1920, 1080)}
TOUCHED = ("phone", "tablet")
#: No name is looked up and nothing is called home, so that what leaves the machine is the page's doing.
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
)
WAIT_MS = 15_000
#: Troubles of a page whose daemon is gone for a while.
BROKEN_LINK = ("WebSocket connection to", "ERR_CONNECTION_REFUSED", "Failed to load resource", "failed:")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def missing(why: str) -> NoReturn:
    """Skip what needs something that is not installed, and fail it on CI."""
    if os.environ.get("CI"):
        pytest.fail(why)
    pytest.skip(why)


def chromium() -> str:
    """The path of Debian's Chromium."""
    return shutil.which("chromium") or missing("no browser: chromium is not installed (Debian has it)")


def until(holds: Callable[[], Any], timeout_s: float = 20.0, what: Callable[[], Any] | str = "") -> Any:
    """Wait until `holds()` is true, and give it back; AssertionError if it does not come true."""
    end = time.monotonic() + timeout_s
    while not (found := holds()):
        assert time.monotonic() < end, what() if callable(what) else what or "waited in vain"
        time.sleep(0.02)
    return found


class Shop(visiting.Shop):
    """The daemon of a module's tests. A module may say SHOP = {"benches": 2, "speed": 20.0, "more": ("--rigs", "2")}.

    `client` may do everything, `tokens` are made for 'look', 'operate' and 'administer'.
    """

    def __init__(self, home: Path, benches: int = 2, **more: Any) -> None:
        store = TokenStore(home / FILE_NAME)
        names = {"look": "wall", "operate": "desk", "administer": "office"}
        self.tokens = {scope: store.make(name, scope) for scope, name in names.items()}
        super().__init__(home, benches=benches, **more)

    def wait_until_up(self) -> None:
        super().wait_until_up()
        holder = read_holder(self.home)
        assert holder is not None
        assert holder.url is not None
        self.url = holder.url
        found = clients.Client(clients._door_of_home(self.home), self.home)  # type: ignore[arg-type]
        self.client: clients.Client = found

    def kill(self) -> None:
        """kill -9: open connections break off without a word."""
        self.process.kill()
        self.process.wait(15)

    def start_again(self) -> None:
        """At the same address, and wait until it is up."""
        self.start(urlsplit(self.url).netloc)
        self.wait_until_up()

    def run(self, procedure: str = "regulator", bench: str = "bay-1", **more: Any) -> str:
        """Begin a run; its id."""
        return self.client.start({"bench": bench, "procedure": procedure, "spec": "hollin-t18", **more})

    def ended(self, run: str, timeout_s: float = 60.0) -> dict[str, Any]:
        """What is known of a run when it has ended."""
        found: dict[str, Any] = until(lambda: (one := self.client.run(run))["status"] and one, timeout_s, self.said)
        return found


Hall = tuple[Path, "subprocess.Popen[bytes]"]


@contextmanager
def instruments(folder: Path, benches: int, rate: float = 2.0) -> Iterator[Hall]:
    """So many benches with four instruments each that send so many readings a second: (site file, their process)."""
    words = [str(HALL), str(folder), "--benches", str(benches), "--rate", str(rate), "--sample-s", "0.5"]
    sending = subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE)
    try:
        assert sending.stdout is not None
        assert sending.stdout.readline() == b"ready\n"
        yield folder / "site.toml", sending
    finally:
        sending.terminate()
        sending.wait(10)


class Watch:
    """Hears every trouble of the pages of one test: messages of the console that are errors or warnings (breaches of the
    content security policy are among them), exceptions, requests that fail, and requests that leave this machine."""

    def __init__(self, allowed: Iterable[str] = ()) -> None:
        self.found: list[str] = []
        self._allowed = [re.compile(one) for one in allowed]

    def allow(self, *patterns: str) -> None:
        """Troubles that the test brings about itself: regular expressions, also for what was heard before."""
        self._allowed += [re.compile(one) for one in patterns]

    @property
    def troubles(self) -> list[str]:
        return [one for one in self.found if not any(pattern.search(one) for pattern in self._allowed)]

    def over(self, context: BrowserContext, address: str) -> None:
        """Watch all pages of a context that belongs to the daemon at an address."""
        context.on("console", lambda said: said.type in ("error", "warning") and self._hear(said.type, said.text))
        context.on("weberror", lambda error: self._hear("exception", str(error.error)))
        context.on("request", lambda request: self._look_where(request.url, address))
        context.on("requestfailed", lambda request: self._failed(request.url, request.failure))
        context.on("page", lambda page: page.on("websocket", lambda wire: self._look_where(wire.url, address)))

    def _hear(self, kind: str, text: str) -> None:
        self.found.append(f"{kind}: {text}")

    def _failed(self, url: str, failure: str | None) -> None:
        if failure != "net::ERR_ABORTED":  # the page was left, or did not want it any more
            self._hear("failed", f"{url}: {failure}")

    def _look_where(self, url: str, address: str) -> None:
        parts = urlsplit(url)
        if parts.scheme not in ("blob", "data", "about") and parts.netloc != urlsplit(address).netloc:
            self._hear("elsewhere", url)


def serious(page: Page) -> list[str]:
    """What axe-core finds at serious and critical faults of accessibility, each with where and why."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate(
        "tags => axe.run(document, {runOnly: {type: 'tag', values: tags}, resultTypes: ['violations']})", TAGS
    )
    return [
        f"{one['impact']}: {one['id']} ({one['help']}) at {node['target']}: {node['failureSummary']}"
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]
