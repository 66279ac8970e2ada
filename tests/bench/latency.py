"""Benchmark (c): from the last byte of a reading to the gauge and to the disk, against a bare reader of the same wire.

    python tests/bench/latency.py [--readings 300] [--sample-s 0.5] [--folder DIR]

A tachometer's line is written to a pty in one piece; time runs from just before that write. The run is a regulator run
as `benchd run` conducts it, volts and amps from a recording in real time, with the terminal gauge at 80x24 (its own
application and its own 8 pictures a second, on no terminal) and a journal on the disk at its own pace, without flush().
What is timed begins once the gauge shows a speed. Lines are 1.05 to 1.55 sample periods apart, at random, so that a
sample can hold each; one that the next overtook is missing from the last column. The gauge shows samples, so it waits
for the next one: the sample period is most of its time. Bare: pyserial in a loop on the same kind of pty, lines 20 to
60 ms apart.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import tempfile
import threading
import time
from collections import deque
from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path
from typing import Any

import serial
from benchd_dashboards import terminal
from benchd_dashboards.look import Look
from benchd_dashboards.state import State
from journal_rate import CHANNELS
from steady import bench_of, charge, percentile, regulator_run, wire

from benchd.core.samples import Sample
from benchd.journal import Journal, RunWriter

FIRST_RPM = 3400.0  # reading n is so much and n tenths: the number says which one it is
APART = (1.05, 1.55)  # sample periods
BARE_APART_S = (0.02, 0.06)
WAKE_S = 0.1
SEED = 1
STAGES = {
    "emitted": "reading emitted by the sampler",
    "sample": "a sample holds it",
    "state": "the gauge's state holds it",
    "page": "the gauge's page with it drawn",
    "disk": "journal: on the disk",
}


def rpm_of(number: int) -> float:
    return FIRST_RPM + number / 10


def line_of(number: int) -> bytes:
    return f"{rpm_of(number):.1f} rpm\n".encode()


class Marks:
    """When each reading was sent and when it first came to each stage, in seconds of perf_counter()."""

    def __init__(self) -> None:
        self.sent: dict[int, float] = {}
        self.came: dict[str, dict[int, float]] = {stage: {} for stage in STAGES}

    def at(self, stage: str, rpm: float | None) -> None:
        if rpm is not None and (number := round((rpm - FIRST_RPM) * 10)) in self.sent:
            self.came[stage].setdefault(number, time.perf_counter())

    def took_s(self, stage: str) -> list[float]:
        return [at - self.sent[number] for number, at in self.came[stage].items()]


class Watched:
    """The journal's writer, with a thread that sees when the disk has a reading. Nothing is hurried."""

    def __init__(self, writer: RunWriter, marks: Marks) -> None:
        self._writer, self._marks = writer, marks
        self._awaited: deque[tuple[int, float]] = deque()
        self._ended = False
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    @property
    def run(self) -> str:
        return self._writer.run

    def append(self, record: dict[str, Any]) -> None:
        self._writer.append(record)
        if is_tach(record):
            self._awaited.append((self._writer._queue.appended, record["value"]))

    def close(self, body: dict[str, Any]) -> None:
        self._writer.close(body)
        self._ended = True
        self._thread.join()

    def _watch(self) -> None:
        # The writer's own condition: asking the file would cost time, flush() would hurry the commit.
        state, queue = self._writer._writer._state, self._writer._queue
        while not self._ended or self._awaited:
            with state:
                state.wait(0.5)
                while self._awaited and self._awaited[0][0] <= queue.durable:
                    self._marks.at("disk", self._awaited.popleft()[1])


class Gauge(terminal.Gauge):
    """The gauge, marking what each drawn page held; `opened` is set by the first page that shows a speed."""

    def __init__(self, state: State, marks: Marks, opened: threading.Event) -> None:
        super().__init__(state, Look(), None, "benchmark", 0.0)
        self._marks, self._opened = marks, opened

    def draw(self, columns: int, rows: int) -> Any:
        shown = rpm_shown(self.state)
        page = super().draw(columns, rows)
        self._marks.at("page", shown)
        if shown is not None:
            self._opened.set()
        return page


def rpm_shown(state: State) -> float | None:
    track = state.tracks.get("engine_rpm")
    return None if track is None else track.value


def is_tach(item: Any) -> bool:
    return isinstance(item, Mapping) and item["kind"] == "reading" and item["instrument"] == "tach"


def send(meter: int, marks: Marks, readings: int, apart_s: tuple[float, float]) -> None:
    rng = random.Random(SEED)
    for number in range(readings):
        time.sleep(rng.uniform(*apart_s))
        data = line_of(number)
        marks.sent[number] = time.perf_counter()
        os.write(meter, data)


# --- a run --------------------------------------------------------------------------------------------------------


async def _run(bench: Any, writer: Watched, marks: Marks, send_all: Callable[[threading.Event], None]) -> None:
    loop, done, opened = asyncio.get_running_loop(), asyncio.Event(), threading.Event()

    def work() -> None:
        send_all(opened)
        loop.call_soon_threadsafe(done.set)

    def heard(item: Any) -> None:
        if isinstance(item, Sample):
            held = item.values.get("engine_rpm")
            marks.at("sample", None if held is None else held.value)
        elif is_tach(item):
            marks.at("emitted", item["value"])

    async def show(records: AsyncIterator[dict[str, Any]], operator: Any) -> None:
        state = State()
        gauge = Gauge(state, marks, opened)
        drawing = asyncio.ensure_future(gauge.run_async(headless=True, size=(80, 24), mouse=False))
        async for record in records:
            state.apply(record)
            if record["kind"] == "sample":
                marks.at("state", rpm_shown(state))
        gauge.exit()
        await drawing

    threading.Thread(target=work, daemon=True).start()
    await regulator_run(bench, writer, show, heard, done)


def through_benchd(folder: Path, readings: int, sample_s: float) -> Marks:
    """A whole run; SystemExit if a reading was lost on the way to the disk."""
    marks = Marks()
    seconds = readings * APART[1] * sample_s + 60
    rows = (f"{n / 2:.1f},{charge(n)}" for n in range(int(2 * seconds)))
    (folder / "tape.csv").write_text("\n".join((f"t_s,{','.join(CHANNELS[:2])}", *rows, "")))
    terminal._hung_up = lambda: False  # the gauge is on no terminal here, whatever this benchmark's own is
    with Journal(folder / "journal.sqlite") as kept, wire() as (meter, _, port):
        bench = bench_of(folder, f"{folder}/tape.csv", CHANNELS[:2], sample_s, port)

        def send_all(opened: threading.Event) -> None:
            while not opened.wait(WAKE_S):  # opening a serial port throws away what waits in it
                os.write(meter, b"0 rpm\n")
            send(meter, marks, readings, (APART[0] * sample_s, APART[1] * sample_s))
            time.sleep(2 * sample_s + 0.5)  # the last one's sample and picture

        writer = Watched(kept.open_run({"procedure": "regulator", "bench": "benchmark"}), marks)
        asyncio.run(_run(bench, writer, marks, send_all))
    for stage in ("emitted", "disk"):
        if len(marks.came[stage]) != readings:
            raise SystemExit(f"{STAGES[stage]}: {len(marks.came[stage])} of {readings} readings")
    return marks


def through_bare(readings: int) -> list[float]:
    """pyserial alone: seconds from the write to the read that brings the line's end."""
    marks, came = Marks(), []
    with wire() as (meter, _, name), serial.Serial(name, timeout=5) as port:
        sender = threading.Thread(target=send, args=(meter, marks, readings, BARE_APART_S), daemon=True)
        sender.start()
        while len(came) < readings:
            data = port.read(max(1, port.in_waiting))
            if not data:
                raise SystemExit(f"bare reader: {len(came)} of {readings} readings")
            came += [time.perf_counter()] * data.count(b"\n")
        sender.join()
    return [at - marks.sent[number] for number, at in enumerate(came)]


def measure(readings: int, sample_s: float, folder: Path) -> dict[str, list[float]]:
    """What was waited for -> seconds, one for each reading that came there."""
    bare = through_bare(readings)
    with tempfile.TemporaryDirectory(dir=folder) as fresh:
        marks = through_benchd(Path(fresh), readings, sample_s)
    return {"bare pyserial reader": bare, **{STAGES[stage]: marks.took_s(stage) for stage in STAGES}}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--readings", type=int, default=300)
    parser.add_argument("--sample-s", type=float, default=0.5, help="the bench's sample period, s")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()), help="on the disk to be measured")
    given = parser.parse_args()
    found = measure(given.readings, given.sample_s, given.folder)
    print(f"sample period {given.sample_s:g} s, gauge {terminal.FRAMES_PER_S} pictures a second")
    print(f"{'from the last byte to':<36}{'p50 ms':>10}{'p99 ms':>10}{'readings':>10}")
    for name, took_s in found.items():
        p50, p99 = (1e3 * percentile(took_s, one) for one in (50, 99))
        print(f"{name:<36}{p50:>10.2f}{p99:>10.2f}{len(took_s):>10}")


if __name__ == "__main__":
    main()
