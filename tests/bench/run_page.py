"""A run's own page while a run of an hour at 10 samples/s goes on.

    python tests/bench/run_page.py [--hours 1] [--seconds 30] [--folder DIR]

The journal gets the hour as fast as it takes it: five channels, the raw readings beside each sample, a standing a second. Then
Debian's Chromium opens the page, and the run goes on at 10 samples/s. The server and its reading are the daemon's own; no
instruments run beside it. Measured:

first paint     from the start of loading, in a browser that has nothing yet; the document, then the numbers
drawn           until all curves stand there
frames          the time between two frames that Chromium draws, and the longest task of its main thread, while the run goes on
a part          from pressing "Zoom in" until the finer curve is there
points          that the page keeps of the longest curve
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path += [str(HERE.parent / name) for name in ("server", "gauge")]

import gauge_runs as runs  # noqa: E402
from http_world import World, world_in  # noqa: E402
from page import ARGUMENTS, CHROMIUM  # noqa: E402
from steady import percentile  # noqa: E402

RATE = 10
#: Times between frames, and tasks that held up the page, from now on.
WATCH = """
globalThis.frames_ms = []; globalThis.tasks_ms = [];
new PerformanceObserver((list) => tasks_ms.push(...list.getEntries().map((one) => one.duration))).observe({ entryTypes: ["longtask"] });
let last = performance.now();
const tick = (now) => { frames_ms.push(now - last); last = now; requestAnimationFrame(tick); };
requestAnimationFrame(tick);
"""
PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"


def records(first: int, until: int) -> Iterator[dict[str, Any]]:
    """The samples numbered so, each after its raw readings, and a standing a second."""
    for number in range(first, until):
        t_s = number / RATE
        hunting = math.sin(t_s / 1.7) + 0.3 * math.sin(t_s * 2.9)
        volts, amps, rpm = 14.2 + 0.03 * hunting, 9.0 + 5 * math.exp(-t_s / 900) + 0.1 * hunting, 3520 + 8 * hunting
        values = {
            "battery_volts": volts, "charge_amps": amps, "engine_rpm": rpm,
            "battery_celsius": 21 + t_s / 900, "stator_hertz": rpm / 10,
        }  # fmt: skip
        for name in values:
            yield {"kind": "reading", "instrument": name, "t_ns": runs.ns(t_s), "value": values[name], "unit": "V"}
        yield runs.sample(t_s, **{name: round(value, 2) for name, value in values.items()})
        if number % RATE == 0:
            band = {"battery_volts": [13.8, 14.7], "charge_amps": [amps - 1, amps + 1]}
            yield runs.standing(
                t_s, "measuring", "pass", 0.9, "Regulating: amps fall.", expected=band, limit_s=7200 - t_s
            )
        if number % 1200 == 1199:
            yield {"kind": "mark", "t_ns": runs.ns(t_s), "text": f"mark after {t_s / 60:.0f} min"}


def begun(world: World, samples: int) -> Any:
    def keep() -> Any:
        more = {key: value for key, value in runs.opened("regulator").items() if key not in ("kind", "run", "bench")}
        writer = world.daemon.open_run(**more)
        for one in records(0, samples):
            writer.append(one)
        writer.flush()
        return writer

    return world.do(keep)


def going_on(world: World, writer: Any, samples: int, ended: threading.Event) -> None:
    begin = time.monotonic()
    for number in range(samples, samples + 10**6):
        if ended.wait(max(begin + (number - samples) / RATE - time.monotonic(), 0)):
            return
        world.do(lambda number=number: [writer.append(one) for one in records(number, number + 1)])  # type: ignore[misc]


def looked_at(world: World, run: str, seconds: float) -> list[tuple[str, str]]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        broken: list[str] = []
        page.on("pageerror", lambda error: broken.append(str(error)))
        token = world.tokens["look"]
        page.add_init_script(f"sessionStorage.setItem('benchd.token', '{token}')")
        began = time.monotonic()
        page.goto(f"{world.url}/run/{run}")
        page.wait_for_selector(".now .figure")
        numbers_s = time.monotonic() - began
        page.wait_for_selector("main[data-drawn=yes]")
        drawn_s = time.monotonic() - began
        first_ms = page.evaluate(PAINT)
        page.wait_for_function("document.querySelector('.curves').dataset.samples > 100")
        at_first = int(page.get_attribute(".curves", "data-samples") or 0)
        # The gauges follow when the page's fold has come up to now.
        page.wait_for_function(f"document.querySelector('.curves').dataset.samples > {at_first}", timeout=120_000)
        live_s = time.monotonic() - began
        page.evaluate(WATCH)
        draws, samples = (int(page.get_attribute(".curves", f"data-{name}") or 0) for name in ("draws", "samples"))
        time.sleep(seconds)
        frames, tasks = page.evaluate("[frames_ms.slice(1), tasks_ms]")
        drawn = int(page.get_attribute(".curves", "data-draws") or 0) - draws
        came = int(page.get_attribute(".curves", "data-samples") or 0) - samples
        began = time.monotonic()
        for _ in range(4):
            page.get_by_role("button", name="Zoom in").click()
        page.wait_for_selector(".curves[data-finer=yes]")
        finer_s = time.monotonic() - began
        heap = page.evaluate("performance.memory?.usedJSHeapSize ?? 0")
        browser.close()
    return [
        ("first paint, ms", f"{first_ms:.0f}"),
        ("numbers there, ms", f"{1e3 * numbers_s:.0f}"),
        ("all curves drawn, ms", f"{1e3 * drawn_s:.0f}"),
        ("live, ms", f"{1e3 * live_s:.0f}"),
        ("samples/s that came", f"{came / seconds:.1f}"),
        ("curves drawn, a second", f"{drawn / seconds:.1f}"),
        ("between frames, p50 / p99 / most, ms", f"{statistics.median(frames):.0f} / {percentile(frames, 99):.0f} / {max(frames):.0f}"),
        ("tasks over 50 ms / the longest, ms", f"{len(tasks)} / {max(tasks, default=0):.0f}"),
        ("a part, finer, ms", f"{1e3 * finer_s:.0f}"),
        ("JavaScript's memory, MB", f"{heap / 1e6:.0f}"),
        *(("TROUBLE", one) for one in broken),
    ]  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    given = parser.parse_args()
    samples, ended = int(given.hours * 3600 * RATE), threading.Event()
    with tempfile.TemporaryDirectory(dir=given.folder) as fresh, world_in(Path(fresh)) as world:
        writer = begun(world, samples)
        more = threading.Thread(target=going_on, args=(world, writer, samples, ended))
        more.start()
        try:
            found = looked_at(world, writer.run, given.seconds)
        finally:
            ended.set()
            more.join()
    print(f"a run of {samples} samples, five channels, going on at {RATE}/s")
    for name, told in found:
        print(f"{name:<44}{told:>24}")
    return int(any(name == "TROUBLE" for name, _ in found))


if __name__ == "__main__":
    sys.exit(main())
