"""How fast a backlog reaches a store: one hour of one bench, replayed into a real VictoriaMetrics.

One bench: 4 instruments at 10 readings/s, a sample of 4 channels every 0.5 s, in runs of ten minutes with a verdict each:
6 runs, 144,000 readings, 7,200 samples. Goal: at least 20 times real time. Two ways: samples only (the default of a site
file) and every raw reading too. The lateness of the event loop while it goes on is what a live run would feel of it.

    python tests/bench/backlog.py
"""

from __future__ import annotations

import asyncio
import json
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "forward"))

from series_runs import DAEMON, Feed, reading, sample, verdict
from stores import VictoriaMetrics, running

from benchd.forward.points import RunLines

HOUR_S = 3600
RUN_S = 600
INSTRUMENTS = (("volts", "dc volts"), ("clamp", "dc amps"), ("stator", "ac volts"), ("tach", "speed"))
COMMIT_S = 1.0  # a live journal commits far more often and has more rows; this is the longest its docs allow


def records(run: int) -> list[dict[str, Any]]:
    """One run of ten minutes, in the order of time."""
    found: list[dict[str, Any]] = []
    for tick in range(RUN_S * 10):
        t_s = tick / 10
        wave = (tick * 37 + run * 11) % 100 / 100
        found += [
            reading(t_s + n / 50, name, what, round(14 + n + wave, 3)) for n, (name, what) in enumerate(INSTRUMENTS)
        ]
        if tick % 5 == 4:
            channels = {"battery_volts": 14 + wave, "charge_amps": 9 + wave, "stator_volts": 31 + wave}
            found.append(sample(t_s + 0.09, 3600 + wave, **channels))
    return [*found, verdict(float(RUN_S))]


def fill(feed: Feed) -> int:
    """The hour in the journal, committed as a live run commits; how many records."""
    count = 0
    for run in range(HOUR_S // RUN_S):
        writer = feed.open_run(started=f"2026-11-24T{8:02}:{run * 10:02}:00.000+00:00")
        body = records(run)
        step = round(len(body) / (RUN_S / COMMIT_S))
        for at in range(0, len(body), step):
            for one in body[at : at + step]:
                writer.append(one)
            writer.flush()
        writer.close({"status": "judged", "reason": "settled", "counts": {}})
        count += len(body)
    feed.told()
    return count


async def replay(feed: Feed, url: str, readings: bool) -> tuple[int, float, list[float]]:
    """(points, seconds, lateness of the loop in s every 10 ms)."""
    forwarder = feed.forwarder(url, readings=readings, resend_s=60.0, flush_s=0.0, timeout_s=30.0)
    late: list[float] = []
    began = time.monotonic()
    task = asyncio.create_task(forwarder.run())
    while forwarder.status().state != "up to date":
        due = time.monotonic() + 0.01
        await asyncio.sleep(0.01)
        late.append(time.monotonic() - due)
    took = time.monotonic() - began
    status = forwarder.status()
    assert status.failures == 0, status
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    return status.sent, took, late


def points_per_s() -> tuple[float, float]:
    """Lines made a second of samples, and of raw readings, in this process alone."""
    info = {"run": "x", "run_no": 1, "bench": "bay 1", "procedure": "regulator", "started": "2026-11-24T08:00:00+00:00"}
    found = []
    every = [{**one, "seq": seq} for seq, one in enumerate(records(0), 2)]
    for kind in ("sample", "reading"):
        some = [one for one in every if one["kind"] == kind]
        made = RunLines.of(info, DAEMON, readings=True)
        best = 0.0
        for _ in range(5):
            began = time.perf_counter()
            made.lines(some, [])
            best = max(best, len(some) / (time.perf_counter() - began))
        found.append(best)
    return found[0], found[1]


async def main() -> None:
    samples_s, readings_s = points_per_s()
    print(f"lines made a second: {samples_s:,.0f} of samples, {readings_s:,.0f} of raw readings")
    result: dict[str, Any] = {"lines_per_s": {"samples": round(samples_s), "readings": round(readings_s)}}
    for readings in (False, True):
        with tempfile.TemporaryDirectory() as folder:
            feed = Feed(Path(folder))
            count = fill(feed)
            with running(VictoriaMetrics(Path(folder))) as store:
                points, took, late = await replay(feed, store.url, readings)
                series = store.export('{__name__="bench_sample_seq"}') + store.export('{__name__="bench_reading_seq"}')
                there = sum(len(one["values"]) for one in series)
            feed.close()
        late.sort()
        verdicts_and_ends = 2 * HOUR_S // RUN_S
        assert there == points - verdicts_and_ends, (there, points)
        what = "samples and readings" if readings else "samples only"
        times = HOUR_S / took
        p99 = late[int(len(late) * 0.99)] * 1e3
        print(
            f"{what}: {points:,} points of {count:,} records in {took:.2f} s, {points / took:,.0f} points/s, "
            f"{times:,.0f} times real time (goal 20); loop late by p99 {p99:.1f} ms, most {late[-1] * 1e3:.1f} ms"
        )
        result[what] = {
            "points": points,
            "seconds": round(took, 2),
            "times_real_time": round(times),
            "late_p99_ms": round(p99, 1),
        }
    print(json.dumps(result))


if __name__ == "__main__":
    asyncio.run(main())
