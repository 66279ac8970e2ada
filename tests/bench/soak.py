"""An hour's load compressed: as many readings as 8 benches send in an hour, through one daemon, and its memory.

    python tests/bench/soak.py [--benches 8] [--hours 1] [--times 15] [--folder DIR]

Instruments and samples are so many times as fast, so the daemon takes as many readings and samples as in the whole
time (1,152,000 readings and 57,600 samples by default), in `--times` of it. A run on every bench is ended and begun
anew every tenth of the time, so that what runs leave behind shows too. Memory after the first fifth (warm-up) is held
against that at the end; readings are counted in the journal and none may be missing.
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from load import MB, Figures, Up, begin_runs, count_missing, cpu_s, end_runs, resident, up
from load_instruments import KINDS

RATE, SAMPLE_S = 10.0, 0.5
PARTS = 10
WARM = 2  # parts
LOOK_S = 1.0
MAY_GROW = 0.02  # of the memory after warm-up: what a page here and there comes to


@dataclass
class Soaked:
    """Memory in bytes: after every part of the time."""

    figures: Figures
    memory: list[int] = field(default_factory=list)
    readings: int = 0
    took_s: float = 0.0

    @property
    def growth(self) -> float:
        """Of the memory after warm-up, from there to the end."""
        return self.memory[-1] / self.memory[WARM - 1] - 1


def soak(there: Up, benches: int, seconds: float) -> Soaked:
    found = Soaked(Figures(benches))
    begin, cpu = time.monotonic(), cpu_s(there.daemon.pid)
    for _ in range(PARTS):
        runs = begin_runs(there, benches)
        time.sleep(seconds / PARTS)
        found.memory.append(most_of_a_while(there.daemon.pid))
        end_runs(there, runs, found.figures)
        time.sleep(1.0)  # until they are closed on the disk
        count_missing(there, runs, found.figures)
    found.took_s = time.monotonic() - begin
    found.figures.cpu = (cpu_s(there.daemon.pid) - cpu) / found.took_s
    return found


def most_of_a_while(pid: int) -> int:
    """The greatest of a few looks: memory breathes."""
    looks = []
    for _ in range(5):
        looks.append(resident(pid))
        time.sleep(LOOK_S / 5)
    return max(looks)


def readings_in(journal: Path) -> int:
    db = sqlite3.connect(f"file:{journal}?mode=ro", uri=True)
    try:
        query = """SELECT sum((length(body) - length(replace(body, '"kind":"reading"', ''))) / 16) FROM events"""
        return int(db.execute(query).fetchone()[0])
    finally:
        db.close()


def lines(found: Soaked, wanted: int, times: float) -> Iterator[str]:
    memory = " ".join(f"{one / MB:.0f}" for one in found.memory)
    rate = found.readings / found.took_s
    yield f"readings in the journal     {found.readings:,} of at least {0.95 * wanted:,.0f}"
    yield f"readings a second           {rate:,.0f}, {times:g} times as fast as it would be; CPU {found.figures.cpu:.0%}"
    yield f"readings missing            {found.figures.missing}"
    yield f"memory, MB, part by part    {memory}"
    yield f"growth after warm-up        {found.growth:+.1%}   goal: none (under {MAY_GROW:.0%})"
    for trouble in found.figures.broken[:20]:
        yield f"TROUBLE: {trouble}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=8)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--times", type=float, default=15.0, help="as fast")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    given = parser.parse_args()
    seconds = 3600 * given.hours / given.times
    wanted = round(given.benches * len(KINDS) * RATE * 3600 * given.hours)
    with tempfile.TemporaryDirectory(dir=given.folder) as fresh:
        folder = Path(fresh)
        with up(given.benches, folder, rate=RATE * given.times, sample_s=max(0.02, SAMPLE_S / given.times)) as there:
            found = soak(there, given.benches, seconds)
            found.readings = readings_in(there.journal)
    print(*lines(found, wanted, given.times), sep="\n")
    grown = found.growth > MAY_GROW or found.readings < 0.95 * wanted
    return int(grown or bool(found.figures.missing) or bool(found.figures.broken))


if __name__ == "__main__":
    sys.exit(main())
