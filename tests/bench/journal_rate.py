"""Readings a second, durable: through the journal, against plain batched inserts into the same SQLite settings.

    python tests/bench/journal_rate.py [--readings 200000] [--folder DIR] [--rounds 3]

Both write to a fresh file in WAL mode with synchronous=FULL and are timed from the first record to the last commit.
Plain: six columns a reading, 1000 rows a commit, rows made beforehand. Journal: RunWriter.append() of whole records.
"""

from __future__ import annotations

import argparse
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchd.journal import Journal

CHANNELS = ("battery_volts", "charge_amps", "engine_rpm")
FLUSH_AT = 20_000  # nobody else may let the journal's queue grow without end either


def plain(path: Path, readings: int) -> float:
    rows = [("run", i, i * 100_000_000, CHANNELS[i % 3], 12.0 + i * 1e-6, 0.001) for i in range(readings)]
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute("CREATE TABLE readings (run, seq, t_ns, channel, value, resolution)")
    begin = time.perf_counter()
    for start in range(0, readings, 1000):
        db.execute("BEGIN")
        db.executemany("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?)", rows[start : start + 1000])
        db.execute("COMMIT")
    took_s = time.perf_counter() - begin
    db.close()
    return readings / took_s


def reading_records(readings: int) -> list[dict[str, Any]]:
    return [
        {"kind": "reading", "t_ns": i * 100_000_000, "instrument": "volts", "quantity": "dc volts", "point": "",
         "value": 12.0 + i * 1e-6, "resolution": 0.001, "flags": []}
        for i in range(readings)
    ]  # fmt: skip


def sample_records(readings: int) -> list[dict[str, Any]]:
    """A third as many samples of three channels each."""
    return [
        {
            "kind": "sample",
            "t_ns": i * 100_000_000,
            "values": {one: [12.0 + i * 1e-6, 0.001, [], 0.05] for one in CHANNELS},
        }
        for i in range(readings // 3)
    ]


def journal(path: Path, records: list[dict[str, Any]], readings: int) -> float:
    with Journal(path) as kept:
        writer = kept.open_run({"procedure": "regulator", "bench": "benchmark", "machine": "none"})
        begin = time.perf_counter()
        for number, record in enumerate(records):
            writer.append(record)
            if number % FLUSH_AT == FLUSH_AT - 1:
                writer.flush()
        writer.flush()
        took_s = time.perf_counter() - begin
        writer.close({"status": "judged"})
        held = sum(1 for one in kept.read(writer.run) if one["kind"] in ("reading", "sample"))
    if held != len(records):
        raise SystemExit(f"{held} of {len(records)} records are in the journal")
    return readings / took_s


def latencies(path: Path, count: int = 200) -> list[float]:
    """Seconds from append() to durable, for records that come one by one."""
    with Journal(path) as kept:
        writer = kept.open_run({"procedure": "regulator"})
        found = []
        for record in reading_records(count):
            time.sleep(0.02)
            begin = time.perf_counter()
            writer.append(record)
            writer.flush()
            found.append(time.perf_counter() - begin)
        writer.close({"status": "judged"})
    return sorted(found)


def best(rounds: int, measure: Callable[[Path], float], folder: Path) -> float:
    """Median of some rounds, each on a fresh file."""
    rates = []
    for _ in range(rounds):
        with tempfile.TemporaryDirectory(dir=folder) as fresh:
            rates.append(measure(Path(fresh) / "rate.sqlite"))
    return statistics.median(rates)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readings", type=int, default=200_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()), help="on the disk to be measured")
    given = parser.parse_args()
    readings = given.readings
    raw, samples = reading_records(readings), sample_records(readings)
    base = best(given.rounds, lambda path: plain(path, readings), given.folder)
    each = best(given.rounds, lambda path: journal(path, raw, readings), given.folder)
    three = best(given.rounds, lambda path: journal(path, samples, 3 * len(samples)), given.folder)
    with tempfile.TemporaryDirectory(dir=given.folder) as fresh:
        waits = latencies(Path(fresh) / "rate.sqlite")
    print(f"{'way':<44}{'readings/s':>12}{'of plain':>10}")
    for name, rate in (
        ("plain executemany, 1000 rows a commit", base),
        ("journal, a record a reading", each),
        ("journal, samples of three channels", three),
    ):
        print(f"{name:<44}{rate:>12,.0f}{rate / base:>10.2f}")
    print(
        f"append to durable: p50 {1e3 * waits[len(waits) // 2]:.1f} ms, p99 {1e3 * waits[len(waits) * 99 // 100]:.1f} ms"
    )


if __name__ == "__main__":
    main()
