"""A large lot in a real journal: reading and reporting 100,000 units, and 1,000,000 in one pass. `python tests/bench/lots.py`"""

from __future__ import annotations

import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from benchd import config
from benchd.journal import Journal

PART = "vantry-vr20"


def fill(path: Path, units: int, seed: int = 1) -> str:
    """A journal with a lot of so many tested units, put in by SQL: what is measured here is reading."""
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
    """In a process of its own, so that its memory is its own."""
    begin = time.perf_counter()
    with Journal(path) as journal:
        spec = config.load_spec(config.find_file(PART, "regulator")).part
        assert spec is not None
        if how == "whole":
            from benchd.core.lots.report import report

            found = report(journal.lot_units(lot), spec, lot_size=None)
        else:
            from benchd.core.lots.stream import streamed

            found = streamed(journal.lot_unit_blocks(lot), spec)
    took = time.perf_counter() - begin
    print(found["counts"]["units"], f"{took:.2f}", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)


def row(path: Path, lot: str, how: str) -> tuple[int, float, int]:
    done = subprocess.run([sys.executable, __file__, str(path), lot, how], capture_output=True, text=True, check=True)
    units, seconds, megabytes = done.stdout.split()
    return int(units), float(seconds), int(megabytes)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        for units, how, goal in (
            (100_000, "whole", "2 s, 500 MB"),
            (100_000, "stream", "-"),
            (1_000_000, "stream", "-"),
        ):
            path = Path(folder) / f"{units}.sqlite"
            lot = fill(path, units) if not path.exists() else "VR20-0001"
            found, seconds, megabytes = row(path, lot, how)
            assert found == units
            print(f"{how:>7} {units:>9,} units: {seconds:6.2f} s, {megabytes} MB (goal {goal})")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measure(*sys.argv[1:])
    else:
        main()
