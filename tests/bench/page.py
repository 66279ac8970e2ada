"""The wall of the web page: 16 benches with a run each, 10 samples/s, looked at by 20.

    python tests/bench/page.py [--benches 16] [--viewers 20] [--seconds 30] [--folder DIR]

The daemon and its instruments as in load.py. One viewer is Debian's Chromium with the real page, the others open the same
WebSocket and read it. Measured, without viewers and with them:

CPU, memory     of the daemon's process (100 % is one core)
updates/s       of a bench's tile that a viewer gets, the least of all benches and viewers
to the viewer   from the moment a tachometer's frame was due to be sent until a viewer had the tile with its number
to paint        the same until Chromium had drawn it: the end of the frame after the message; both hold up to a sample's 0.1 s
first paint     of the wall on loopback, in a browser that has nothing of it yet

The machine of the benchmark also runs the instruments, the viewers and Chromium, which takes most of a core here.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import statistics
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import load
from load_instruments import count_of
from steady import percentile

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
#: Every tile that comes over the page's WebSocket, with the moment when the frame after it was done.
NOTE_PAINTS = """
(() => {
  const Plain = WebSocket;
  globalThis.paints = [];
  globalThis.WebSocket = class extends Plain {
    constructor(...given) {
      super(...given);
      this.addEventListener("message", (event) => {
        const said = JSON.parse(event.data);
        if (said.kind !== "benches") return;
        const seen = said.benches.filter((one) => one.run && one.shown && one.shown.dials).map((one) =>
          [one.run, (one.shown.dials.find((dial) => dial.channel === "engine_rpm") ?? {}).value]);
        requestAnimationFrame(() => setTimeout(() => globalThis.paints.push([performance.timeOrigin + performance.now(), seen])));
      });
    }
  };
})();
"""


@dataclass
class Seen:
    benches: int
    viewers: int
    cpu_alone: float = 0.0
    cpu: float = 0.0
    resident: int = 0
    updates: list[float] = field(default_factory=list)  # a second, of each bench at each viewer
    to_viewer: list[float] = field(default_factory=list)
    to_paint: list[float] = field(default_factory=list)
    first_paint: list[float] = field(default_factory=list)
    frames: float = 0.0  # a second, drawn by Chromium
    broken: list[str] = field(default_factory=list)


class Took:
    """From due to now, for the numbers that a tile shows."""

    def __init__(self, up: load.Up, runs: dict[str, str]) -> None:
        sent = up.sent()
        self._period_s = 1 / up.rate
        self._begin_s = {run: sent[load.ports_of(up.folder, slug)["tach"]]["begin_s"] for run, slug in runs.items()}
        self._last: dict[tuple[int, str], int] = {}

    def took_s(self, who: int, run: str, value: float | None, at_s: float) -> float | None:
        """None for a number that this viewer has seen already."""
        if value is None or run not in self._begin_s:
            return None
        count = count_of("tach", value)
        if self._last.get((who, run)) == count:
            return None
        self._last[who, run] = count
        return at_s - self._begin_s[run] - count * self._period_s


async def view(up: load.Up, who: int, took: Took, seen: Seen, counted: Counter[tuple[int, str]]) -> None:
    """A viewer without a screen."""
    from websockets.asyncio.client import connect

    place = up.client.url.replace("http", "ws", 1) + "/v1/live"
    async with connect(place, subprotocols=["benchd.page"], max_size=None, compression=None) as socket:  # type: ignore[list-item]
        await socket.send(json.dumps({"benches": True}))
        async for text in socket:
            now = time.monotonic()
            said = json.loads(text)
            if said["kind"] == "benches":
                take(said, who, now, took, seen.to_viewer, counted)


def take(
    said: dict[str, Any], who: int, now: float, took: Took, into: list[float], counted: Counter[tuple[int, str]]
) -> None:
    for tile in said["benches"]:
        if tile["run"] is None or tile["shown"] is None:
            continue
        rpm = next((one["value"] for one in tile["shown"].get("dials", ()) if one["channel"] == "engine_rpm"), None)
        found = took.took_s(who, tile["run"], rpm, now)
        if found is not None:
            into.append(found)
            counted[who, tile["run"]] += 1


async def looked_at(up: load.Up, runs: dict[str, str], seen: Seen, seconds: float) -> None:
    from playwright.async_api import async_playwright

    took, counted = Took(up, runs), Counter[tuple[int, str]]()
    viewing = [asyncio.create_task(view(up, who, took, seen, counted)) for who in range(seen.viewers - 1)]
    async with async_playwright() as tools:
        browser = await tools.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        for _ in range(5):
            context = await browser.new_context(viewport={"width": 1920, "height": 1080})
            page = await context.new_page()
            await page.goto(up.client.url)
            await page.wait_for_selector(".tile .figure")
            entry = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"
            if (painted := await page.evaluate(entry)) is not None:
                seen.first_paint.append(painted / 1e3)
            await context.close()
        page = await browser.new_page(viewport={"width": 1920, "height": 1080})
        page.on("pageerror", lambda error: seen.broken.append(f"page: {error}"))
        await page.add_init_script(NOTE_PAINTS)
        await page.goto(up.client.url)
        await page.wait_for_selector(".tile .figure")
        await asyncio.sleep(3.0)
        await page.evaluate("paints.length = 0")
        frames = int(await page.get_attribute(".tiles", "data-frames") or 0)
        seen.to_viewer.clear()
        counted.clear()
        cpu, begin = load.cpu_s(up.daemon.pid), time.monotonic()
        await asyncio.sleep(seconds)
        long = time.monotonic() - begin
        seen.cpu = (load.cpu_s(up.daemon.pid) - cpu) / long
        seen.frames = (int(await page.get_attribute(".tiles", "data-frames") or 0) - frames) / long
        seen.updates = [number / long for number in counted.values()]
        ahead = time.time() - time.monotonic()
        for at_ms, tiles in await page.evaluate("paints"):
            for run, rpm in tiles:
                if (found := took.took_s(-1, run, rpm, at_ms / 1e3 - ahead)) is not None:
                    seen.to_paint.append(found)
        seen.resident = load.resident(up.daemon.pid)
        await browser.close()
    seen.broken += [f"a viewer: {one.exception()}" for one in viewing if one.done()]
    for one in viewing:
        one.cancel()
    await asyncio.gather(*viewing, return_exceptions=True)


def measure(benches: int, viewers: int, seconds: float, folder: Path) -> Seen:
    seen, figures = Seen(benches, viewers), load.Figures(benches)
    with load.up(benches, folder, sample_s=0.1) as there:
        runs = load.begin_runs(there, benches)
        time.sleep(load.SETTLE_S)
        cpu, begin = load.cpu_s(there.daemon.pid), time.monotonic()
        time.sleep(seconds)
        seen.cpu_alone = (load.cpu_s(there.daemon.pid) - cpu) / (time.monotonic() - begin)
        asyncio.run(looked_at(there, runs, seen, seconds))
        load.end_runs(there, runs, figures)
    seen.broken += figures.broken
    return seen


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=16)
    parser.add_argument("--viewers", type=int, default=20)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as fresh:
        seen = measure(given.benches, given.viewers, given.seconds, Path(fresh))
    rows = [
        ("daemon's CPU without viewers, % of a core", f"{100 * seen.cpu_alone:.0f}", ""),
        (f"daemon's CPU with {seen.viewers} viewers", f"{100 * seen.cpu:.0f}", ""),
        ("daemon's memory, MB", f"{seen.resident / 1e6:.0f}", ""),
        ("updates/s of a tile, least / median", least(seen.updates), "10"),
        ("to the viewer, p50 / p99, ms", load.both(seen.to_viewer), ""),
        ("to paint, p50 / p99, ms", load.both(seen.to_paint), ""),
        ("frames/s that Chromium drew", f"{seen.frames:.1f}", ""),
        ("first paint, median / most, ms", first(seen.first_paint), "under 1000"),
    ]
    print(f"{seen.benches} benches, {seen.viewers} viewers, 10 samples/s")
    for name, told, goal in rows:
        print(f"{name:<44}{told:>16}   {goal}".rstrip())
    for trouble in seen.broken:
        print(f"TROUBLE: {trouble}")
    return int(bool(seen.broken) or not seen.to_paint or percentile(seen.to_paint, 99) > 5.0)


def least(found: list[float]) -> str:
    return f"{min(found):.1f} / {statistics.median(found):.1f}" if found else "none"


def first(found: list[float]) -> str:
    return f"{1e3 * statistics.median(found):.0f} / {1e3 * max(found):.0f}" if found else "none"


if __name__ == "__main__":
    sys.exit(main())
