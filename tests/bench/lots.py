"""Benchmark: a large lot in a real journal, ten characteristics: the report of 100,000 units, and of 1,000,000 in one pass.

    python tests/bench/lots.py

In blocks, "read" takes what they are reduced to with it. Making the journals takes half a minute and is not measured.
"""

from __future__ import annotations

import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

from benchd import config
from benchd.journal import Journal

PART = "vantry-vr20"


def fill(path: Path, units: int, seed: int = 1, drift: float = 0.0) -> str:
    """A journal with a lot of so many tested units, put in by SQL: what is measured here is reading. `drift`: of the third
    characteristic from the first unit to the last, in its standard deviations."""
    spec = config.load_spec(config.find_file(PART, "regulator")).part
    assert spec is not None
    text = config.find_file(PART, "regulator").read_text(encoding="utf-8")
    with Journal(path) as journal:
        body = {
            "part": spec.number,
            "title": spec.name,
            "ids": list(spec.ids),
            "spec_text": text,
            "planned": units,
            "lot_kind": "lot",
        }
        lot, _ = journal.open_lot(body)
    chance = np.random.default_rng(seed)
    low = np.array([one.low if one.low is not None else (one.high or 0) * 0.2 for one in spec.characteristics])
    high = np.array([one.high if one.high is not None else (one.low or 0) * 1.3 for one in spec.characteristics])
    db = sqlite3.connect(path)
    db.execute("PRAGMA synchronous=OFF")
    for start in range(0, units, 50_000):
        n = min(50_000, units - start)
        numbers = np.empty((n, len(low), 2), "<f8")
        numbers[:, :, 0] = chance.normal((low + high) / 2, (high - low) / 9, (n, len(low)))
        numbers[:, 2, 0] += drift * ((high - low) / 9)[2] * np.arange(start, start + n) / units
        numbers[:, :, 1] = (high - low) / 100
        good = ((numbers[:, :, 0] > low) & (numbers[:, :, 0] < high)).all(axis=1)
        places = range(start + 1, start + n + 1)
        db.executemany(
            "INSERT INTO runs (no, run, owner, procedure, unit, status) VALUES (?, ?, '', 'unit', ?, 'judged')",
            ((no, f"r{no}", f"S{no:07d}") for no in places),
        )
        db.executemany(
            "INSERT INTO lot_tests (run_no, lot_no, serial, bench, at_ms, verdict, mode, numbers) VALUES (?, 1, ?, ?, ?, ?, ?, ?)",
            (
                (
                    no,
                    f"S{no:07d}",
                    f"rig-{1 + no % 4}",
                    no * 90_000,
                    "pass" if ok else "fail",
                    "" if ok else "drifts",
                    row.tobytes(),
                )
                for no, ok, row in zip(places, good, numbers, strict=True)
            ),
        )
        db.commit()
    db.close()
    return lot


def measure(path: str, lot: str, how: str) -> None:
    """In a process of its own, so that its memory is its own. "imports": what a daemon has done long before anybody asks."""
    laps = [time.perf_counter()]
    from benchd.core.lots.report import report
    from benchd.core.lots.stream import Stream

    laps.append(time.perf_counter())
    with Journal(path) as journal:
        spec = config.load_spec(config.find_file(PART, "regulator")).part
        assert spec is not None
        if how == "whole":
            units = journal.lot_units(lot)
            laps.append(time.perf_counter())
            found = report(units, spec, lot_size=None)
        else:
            stream = Stream(spec)
            for block in journal.lot_unit_blocks(lot):
                stream.add(block)
            laps.append(time.perf_counter())
            found = stream.report()
    laps.append(time.perf_counter())
    took = " ".join(f"{after - before:.2f}" for before, after in pairwise(laps))
    print(found["counts"]["units"], took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)


def row(path: Path, lot: str, how: str) -> tuple[int, list[float], int]:
    """(units, seconds of imports, reading and telling, MB at most)."""
    done = subprocess.run([sys.executable, __file__, str(path), lot, how], capture_output=True, text=True, check=True)
    units, *seconds, megabytes = done.stdout.split()
    return int(units), [float(one) for one in seconds], int(megabytes)


def main() -> None:
    print(f"{'':>18}{'imports':>9}{'read':>8}{'report':>8}{'open':>8}{'most memory':>13}")
    with tempfile.TemporaryDirectory() as folder:
        for units, how in ((100_000, "whole"), (100_000, "stream"), (1_000_000, "stream")):
            path = Path(folder) / f"{units}.sqlite"
            lot = fill(path, units) if not path.exists() else "VR20-0001"
            found, (imports, read, told), megabytes = row(path, lot, how)
            assert found == units
            both = read + told
            print(
                f"{how:>7} {units:>10,}{imports:>7.2f} s{read:>6.2f} s{told:>6.2f} s{both:>6.2f} s{megabytes:>10} MB",
                flush=True,
            )
            if how == "whole":
                print(
                    f"    open report (read and statistics): goal 2 s and 500 MB{met(both < 2.0 and megabytes < 500)}",
                    flush=True,
                )


def met(goal: bool) -> str:
    return ": met" if goal else ": NOT MET"


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measure(*sys.argv[1:])
    else:
        main()
