"""Faults on the real daemon, many of each; prints the table of the README's section on reliability.

    python tests/bench/faults.py [--kills 100] [--times 5] [--only WORD] [--folder DIR]

`benchd serve`, its instruments on pseudo-terminals and TCP, VictoriaMetrics and Mosquitto as processes of their own. The
cases are those of tests/system/test_daemon_faults.py, with higher counts; a case that does not hold ends as FAILED, and
so does this program. The full disk and the read-only one need root, for mounting a small file system. A delay is that
from the moment a frame was due to be sent until another process found it committed; it holds for an idle machine.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "system"))

import fault_house as house
import fault_kills as kills
from _pytest.outcomes import Skipped

Counts = Mapping[str, Any]
#: (name, how it is done, the row's text made of the counts)
Case = tuple[str, Callable[[Path], Counts], Callable[[Counts], str]]


def cases(count: int, times: int) -> list[Case]:
    twice = [signal.SIGTERM, signal.SIGINT] * times
    return [
        (
            f"daemon killed with -9, {count} random moments, 2 benches in a run",
            partial(kills.kill_daemon, kills=count),
            lambda f: (
                f"{f['cut']} runs cut and closed as interrupted; of {f['witnessed']:,} records that a watcher had seen "
                f"{f['lost']} lost, {f['altered']} altered; corrupt journals {f['corrupt']}; of {f['samples']:,} samples "
                f"{f['store_lost']} missing and {f['store_double']} double in the store; oldest reading lost "
                f"{f['at_risk_s']:.2f} s old"
            ),
        ),
        (
            f"store killed with -9, {times} times, then stopped for 5 s",
            partial(kills.trouble_store, kills=times, stopped_s=5.0),
            lambda f: f"of {f['samples']} samples {f['lost']} missing, {f['double']} double; {late(f)}",
        ),
        (
            "store answers 400, 401, 500, 503, half, nothing, without end",
            partial(kills.refusing_store, each_s=float(times) / 2),
            lambda f: (
                f"of {f['samples']} samples {f['lost']} missing; {f['quarantined']} that it refuses for good is in "
                f"quarantine and shown; {late(f)}"
            ),
        ),
        (
            f"broker killed with -9, {times} times, then stopped for 5 s",
            lambda folder: asyncio.run(kills.trouble_broker(folder, times, 5.0)),
            lambda f: f"{f['verdicts']} verdicts of {f['verdicts']} arrived; {late(f)}",
        ),
        (
            "meter or tachometer unplugged and back, pseudo-terminal and TCP, between runs and in one",
            partial(house.unplugged, times=times),
            lambda f: f"{f['named with cure']} of {f['unplugged']} named with cure, {f['back']} back by themselves",
        ),
        (
            f"disk full, {times} times, 2 benches in a run",
            partial(house.disk_full, times=times),
            lambda f: (
                f"{f['runs ended with the reason']} runs ended with the reason; corrupt journals {f['corrupt']}; "
                f"runs again once there is room, restarts {f['restarts']}"
            ),
        ),
        (
            "disk turns read-only after an error, 2 benches in a run",
            house.disk_read_only,
            lambda f: (
                f"{f['runs ended with the reason']} runs ended with the reason; of {f['witnessed']} records that a "
                f"watcher had seen {f['lost']} lost; corrupt journals {f['corrupt']}"
            ),
        ),
        (
            f"SIGTERM and SIGINT, {times} each, store and an instrument hanging",
            partial(house.signals, numbers=twice),
            lambda f: f"status 0, runs closed as aborted, within {f['longest_s']:.1f} s; a second signal within 0.1 s",
        ),
        (
            "instrument's port, HTTP port, or the home held by another program",
            house.held,
            lambda f: f"{f['refused with the reason']} of 3 refused with the reason, the rest went on",
        ),
        (
            "clock put back by an hour",
            house.clock_back,
            lambda f: f"{f['sorted']} of {f['runs']} runs in order; of {f['samples']} samples {f['lost']} mixed up",
        ),
        (
            f"hostile callers, {times * 4} s",
            partial(house.hostile, seconds=times * 4.0),
            lambda f: (
                f"{f['hostile requests']:,} hostile requests and {f['idle connections']} idle connections; alive; {late(f)}"
            ),
        ),
    ]


def late(found: Counts) -> str:
    return f"99 % of the runs' readings committed within {found['p99_s']:.2f} s"


def tell(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=100, help="of the daemon")
    parser.add_argument("--times", type=int, default=5, help="of everything else")
    parser.add_argument("--only", default="", help="cases whose name has this word")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()), help="on the disk to be tried")
    given = parser.parse_args()
    lines, failed = ["| fault | result |", "| --- | --- |"], 0
    for name, work, words in cases(given.kills, given.times):
        if given.only not in name:
            continue
        begin = time.monotonic()
        tell(f"{name} ...")
        with tempfile.TemporaryDirectory(dir=given.folder) as folder:
            try:
                result = words(work(Path(folder)))
            except Skipped as error:
                result = f"not tried: {error.msg}"
            except Exception as error:  # the others are tried all the same
                failed += 1
                result = f"FAILED: {type(error).__name__}"
                tell(f"    {error}")
        tell(f"    {result} ({time.monotonic() - begin:.0f} s)")
        lines.append(f"| {name} | {result} |")
    load = os.getloadavg()[0]
    print(*lines, sep="\n")
    tell(f"load of the machine at the end: {load:.1f}")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
