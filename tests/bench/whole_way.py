"""Benchmark (b): readings a second through the whole way, against plain inserts and against a bare loop.

    python tests/bench/whole_way.py [--readings 150000] [--rounds 3] [--folder DIR]

Whole way: bytes from a link, the driver's decoding, the sampler, a regulator run fed and the journal durable on the
disk, timed from the opening of the link until the closed run is on the disk. Once from a recording (three channels a
line, `replay:FILE?speed=max`), once from a pty (a tachometer's lines). Plain: batched executemany of as many readings
into SQLite with the same settings (journal_rate.py). Bare loop: reads the same bytes from the same place and splits
them. Afterwards the readings in the journal are counted: one too few and there is no figure.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import tempfile
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from journal_rate import CHANNELS, best, plain
from steady import bench_of, charge, regulator_run, wire

from benchd.journal import Journal

CHUNK = 65536
WAKE_S = 0.02


@dataclass(frozen=True)
class Figure:
    """One way: readings a second, and over plain inserts and over the bare loop of its own bytes."""

    name: str
    rate: float
    of_plain: float
    of_bare: float | None


def tape(readings: int) -> bytes:
    rows = (f"{n / 10:.1f},{charge(n)},{3500 + n % 3}" for n in range(readings // len(CHANNELS)))
    return "\n".join((f"t_s,{','.join(CHANNELS)}", *rows, "")).encode()


def tach_lines(readings: int) -> bytes:
    return b"".join(b"%d rpm\n" % (3500 + n % 3) for n in range(readings))


# --- the bare loops -----------------------------------------------------------------------------------------------


def bare_tape(folder: Path, readings: int) -> float:
    path = folder / "tape.csv"
    path.write_bytes(tape(readings))
    begin, cells = time.perf_counter(), 0
    with path.open("rb") as file:
        for line in file:
            cells += len(line.split(b",")) - 1
    return checked(cells - len(CHANNELS), readings, time.perf_counter() - begin)


def bare_pty(folder: Path, readings: int) -> float:
    data = tach_lines(readings)
    with wire() as (meter, port, _):
        sender = threading.Thread(target=send, args=(meter, data), daemon=True)
        begin, lines, rest, got = time.perf_counter(), 0, b"", 0
        sender.start()
        while got < len(data):
            found = os.read(port, CHUNK)
            got += len(found)
            *whole, rest = (rest + found).split(b"\n")
            lines += len(whole)
        took_s = time.perf_counter() - begin
        sender.join()
    return checked(lines, readings, took_s)


def send(meter: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(meter, view[:CHUNK]) :]


def checked(found: int, readings: int, took_s: float) -> float:
    if found != readings:
        raise SystemExit(f"{found} of {readings} readings came through")
    return readings / took_s


# --- the whole way ------------------------------------------------------------------------------------------------


def whole_tape(folder: Path, readings: int) -> float:
    path = folder / "tape.csv"
    path.write_bytes(tape(readings))
    bench = bench_of(folder, f"{path}?speed=max", CHANNELS)
    with Journal(folder / "journal.sqlite") as kept:
        writer = kept.open_run({"procedure": "regulator", "bench": "benchmark"})
        begin = time.perf_counter()
        asyncio.run(regulator_run(bench, writer))
        took_s = time.perf_counter() - begin
        return checked(sum(one["kind"] == "reading" for one in kept.read(writer.run)), readings, took_s)


def whole_pty(folder: Path, readings: int) -> float:
    (folder / "tape.csv").write_text("t_s,battery_volts,charge_amps\n0," + charge(0) + "\n")
    with Journal(folder / "journal.sqlite") as kept, wire() as (meter, _, port):
        writer = kept.open_run({"procedure": "regulator", "bench": "benchmark"})
        bench = bench_of(folder, f"{folder}/tape.csv", CHANNELS[:2], tach=port)
        begin = asyncio.run(_through_pty(bench, writer, meter, readings))
        took_s = time.perf_counter() - begin
        return checked(sum(is_payload(one) for one in kept.read(writer.run)), readings, took_s)


async def _through_pty(bench: Any, writer: Any, meter: int, readings: int) -> float:
    """Opening a serial port throws away what waits in it, so lines of 0 rpm go ahead until one is read; then time runs."""
    done, open_, found, begin = asyncio.Event(), threading.Event(), 0, 0.0
    data = tach_lines(readings)

    def knock_and_send() -> None:
        nonlocal begin
        while not open_.wait(WAKE_S):
            os.write(meter, b"0 rpm\n")
        begin = time.perf_counter()
        send(meter, data)

    def heard(item: Any) -> None:
        nonlocal found
        if not isinstance(item, Mapping) or item["kind"] != "reading" or item["instrument"] != "tach":
            return
        if item["value"]:
            found += 1
            if found == readings:
                done.set()
        else:
            open_.set()

    sender = threading.Thread(target=knock_and_send, daemon=True)
    sender.start()
    await regulator_run(bench, writer, heard=heard, done=done)
    return begin


def is_payload(record: Mapping[str, Any]) -> bool:
    return record["kind"] == "reading" and record["instrument"] == "tach" and record["value"] > 0


def measure(readings: int, rounds: int, folder: Path) -> list[Figure]:
    readings -= readings % len(CHANNELS)
    base = best(rounds, lambda path: plain(path, readings), folder)
    found = [Figure("plain executemany, 1000 rows a commit", base, 1.0, None)]
    for name, bare, whole in (("recording", bare_tape, whole_tape), ("pty", bare_pty, whole_pty)):
        loop = best(rounds, lambda path, bare=bare: bare(path.parent, readings), folder)
        rate = best(rounds, lambda path, whole=whole: whole(path.parent, readings), folder)
        found.append(Figure(f"bare loop, {name}: read and split", loop, loop / base, 1.0))
        found.append(Figure(f"whole way, {name}", rate, rate / base, rate / loop))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readings", type=int, default=150_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()), help="on the disk to be measured")
    given = parser.parse_args()
    print(f"{'way':<44}{'readings/s':>12}{'of plain':>10}{'of bare':>10}")
    for one in measure(given.readings, given.rounds, given.folder):
        bare = "" if one.of_bare is None else f"{one.of_bare:.3f}"
        print(f"{one.name:<44}{one.rate:>12,.0f}{one.of_plain:>10.2f}{bare:>10}")


if __name__ == "__main__":
    main()
