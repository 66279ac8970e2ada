"""Benchmark (d): `benchd --help` against `python -c pass`.

    python tests/bench/startup.py [--times 15]

Both with this Python, in turn, after one start that does not count; medians.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path


def benchd_command() -> list[str]:
    """The installed command beside this Python, or the module if it is not there."""
    beside = Path(sys.executable).with_name("benchd")
    return [str(beside)] if beside.exists() else [sys.executable, "-m", "benchd"]


def took_s(command: Sequence[str]) -> float:
    begin = time.perf_counter()
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, check=False)
    found = time.perf_counter() - begin
    if done.returncode != 0:
        raise SystemExit(f"{' '.join(command)} failed: {done.stderr.decode(errors='replace')}")
    return found


def measure(times: int) -> tuple[float, float]:
    """Median seconds of `benchd --help` and of `python -c pass`."""
    commands = ([*benchd_command(), "--help"], [sys.executable, "-c", "pass"])
    for command in commands:
        took_s(command)
    rounds = [[took_s(command) for command in commands] for _ in range(times)]
    ours, bare = (statistics.median(column) for column in zip(*rounds, strict=True))
    return ours, bare


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=15)
    ours, bare = measure(parser.parse_args().times)
    print(f"benchd --help {1e3 * ours:.0f} ms, python -c pass {1e3 * bare:.0f} ms, ratio {ours / bare:.2f}")


if __name__ == "__main__":
    main()
