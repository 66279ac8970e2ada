"""Every benchmark, one table, the goals beside the figures.

    python tests/bench/run.py [--runs 1000] [--jobs 2] [--readings 150000] [--sample-s 0.5] [--visits 2000] [--folder DIR]

(a) verdicts.py, (b) whole_way.py and journal_rate.py, (c) latency.py, (d) startup.py, (e) visits.py. Each can be run alone, and says
in its docstring what it measures. With nothing else running on the machine; --runs 1000 takes some time.
"""

from __future__ import annotations

import argparse
import os
import platform
import sqlite3
import statistics
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import journal_rate
import latency
import startup
import verdicts
import visits
import whole_way
from steady import percentile


@dataclass(frozen=True)
class Row:
    """A line of the table; `met` is None where there is no goal."""

    part: str
    what: str
    figure: str
    goal: str = ""
    met: bool | None = None


def verdict_rows(runs: int, seed: int, jobs: int) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as folder, ProcessPoolExecutor(jobs) as pool:
        results = list(pool.map(verdicts.one, verdicts.tasks(runs, seed, folder), chunksize=4))
    verdicts.report(results, show=False)
    wrong = sum(one.wrong for one in results)
    yield Row("a", f"wrong verdicts of {runs}", str(wrong), "0", wrong == 0)
    right = sum(one.right for one in results) / len(results)
    yield Row("a", f"right verdicts of {runs}", f"{right:.1%}", "98 %", right >= 0.98)
    ratios = [one.seconds / one.observer_s for one in results if one.observer_s]
    if ratios:
        middle = statistics.median(ratios)
        yield Row("a", "time to verdict over the observer's, median", f"{middle:.3f}", "1.10", middle <= 1.10)
    judged = (one for one in results if one.verdict in ("pass", "fail"))
    errors = [abs(one.error_volts) for one in judged if one.error_volts is not None]
    if errors:
        near = sum(one <= 0.05 for one in errors) / len(errors)
        yield Row("a", "settled volts within 50 mV", f"{near:.1%}", "99 %", near >= 0.99)


def whole_way_rows(readings: int, rounds: int, folder: Path) -> Iterator[Row]:
    for one in whole_way.measure(readings, rounds, folder):
        yield Row("b", f"{one.name}, readings/s", f"{one.rate:,.0f}")
        if one.name.startswith("whole way"):
            yield Row("b", "    over plain inserts", f"{one.of_plain:.2f}", "at least 0.5", one.of_plain >= 0.5)
            yield Row("b", "    over its bare loop", f"{one.of_bare:.3f}")


def journal_rows(readings: int, rounds: int, folder: Path) -> Iterator[Row]:
    base = journal_rate.best(rounds, lambda path: journal_rate.plain(path, readings), folder)
    records = journal_rate.reading_records(readings)
    rate = journal_rate.best(rounds, lambda path: journal_rate.journal(path, records, readings), folder)
    yield Row("b", "journal alone, readings/s", f"{rate:,.0f}")
    yield Row("b", "    over plain inserts", f"{rate / base:.2f}")
    with tempfile.TemporaryDirectory(dir=folder) as fresh:
        waits = journal_rate.latencies(Path(fresh) / "rate.sqlite")
    yield Row("b", "journal alone, append to flushed, p50 / p99", both_ms(waits))


def latency_rows(readings: int, sample_s: float, folder: Path) -> Iterator[Row]:
    yield Row("c", f"last byte to ..., {readings} readings, p50 / p99", f"samples every {sample_s:g} s")
    for name, took_s in latency.measure(readings, sample_s, folder).items():
        if name == latency.STAGES["disk"]:
            worst = max(took_s)
            yield Row("c", f"    {name}", both_ms(took_s), "all within 1 s", worst <= 1.0)
        else:
            yield Row("c", f"    {name} ({len(took_s)})", both_ms(took_s))


def startup_rows(times: int) -> Iterator[Row]:
    ours, bare = startup.measure(times)
    yield Row("d", "benchd --help / python -c pass", f"{1e3 * ours:.0f} / {1e3 * bare:.0f} ms")
    yield Row("d", "    ratio", f"{ours / bare:.2f}", "under 4", ours / bare < 4)


def visit_rows(visits_wanted: int, seed: int, jobs: int) -> Iterator[Row]:
    for world in visits.worlds(visits_wanted, seed, jobs):
        yield Row(
            "e", f"{len(world.ended['plan'])} visits {world.name}, plan / fixed order, minutes", world.both_minutes()
        )
        ratio, (gap, error) = world.of_fixed(), world.righter()
        yield Row("e", "    plan's minutes of the fixed order's", f"{ratio:.2f}", "at most 0.80", ratio <= 0.8)
        both = f"{world.right('plan'):.1%} / {world.right('fixed'):.1%}"
        yield Row("e", "    end at the true cause, plan / fixed", both, "never less", world.as_right)
        yield Row("e", "    the difference and its standard error", f"{gap:+.2%} / {error:.2%}")
    for name, ratios in visits.optima(20, jobs):
        mean = statistics.mean(ratios)
        yield Row("e", f"{len(ratios)} small problems {name}, over the best", f"{mean:.3f}", "within 5 %", mean <= 1.05)


def both_ms(took_s: list[float]) -> str:
    return f"{1e3 * percentile(took_s, 50):.2f} / {1e3 * percentile(took_s, 99):.2f} ms"


def table(rows: list[Row]) -> Iterator[str]:
    words = {None: "", True: "met", False: "NOT MET"}
    yield f"{'':<4}{'what':<60}{'figure':>20}   {'goal':<16}"
    for row in rows:
        yield f"{row.part:<4}{row.what:<60}{row.figure:>20}   {row.goal:<16}{words[row.met]}".rstrip()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=1000, help="virtual runs of (a)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--readings", type=int, default=150_000, help="readings of a round of (b)")
    parser.add_argument("--rounds", type=int, default=3, help="rounds of (b)")
    parser.add_argument("--lines", type=int, default=300, help="readings of (c)")
    parser.add_argument("--sample-s", type=float, default=0.5, help="sample period of (c), s")
    parser.add_argument("--times", type=int, default=15, help="starts of (d)")
    parser.add_argument("--visits", type=int, default=2000, help="simulated visits of (e)")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()), help="on the disk to be measured")
    given = parser.parse_args()
    parts: dict[str, Callable[[], Iterator[Row]]] = {
        "(d) startup": lambda: startup_rows(given.times),
        "(c) latency": lambda: latency_rows(given.lines, given.sample_s, given.folder),
        "(b) whole way": lambda: whole_way_rows(given.readings, given.rounds, given.folder),
        "(b) journal": lambda: journal_rows(given.readings, given.rounds, given.folder),
        "(e) visits": lambda: visit_rows(given.visits, given.seed, given.jobs),
        "(a) verdicts": lambda: verdict_rows(given.runs, given.seed, given.jobs),
    }
    rows: list[Row] = []
    for name, part in parts.items():
        print(f"{name} ...", flush=True)
        rows += part()
    load = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
    print(f"\nPython {platform.python_version()}, SQLite {sqlite3.sqlite_version}, {platform.system()}, ", end="")
    print(f"{os.cpu_count()} cores, load at the end {load}")
    print(*table(sorted(rows, key=lambda row: row.part)), sep="\n")


if __name__ == "__main__":
    main()
