"""A hall full of instruments in one cheap process: N benches of four, each sending so many readings a second.

    python tests/bench/load_instruments.py FOLDER [--benches 64] [--rate 10] [--sample-s 0.5] [--tcp KIND[,KIND]]

Writes FOLDER/bench-01.toml ... and FOLDER/site.toml, says `ready` on stdout, sends until SIGTERM, and keeps
FOLDER/sent.json up to date (once a second): for every port how many frames were sent, how many found nobody who took
them, and the moment of its first frame (s of the monotonic clock, which all processes of a computer share; every other
is due so many periods after it); and how late the sender itself was in the last second.

A bench: volts across the battery (segment14), amps into it (digits11), the battery's temperature (digits11) and a
tachometer (tach-lines), all read by a regulator run; meters on pseudo-terminals and the tachometer on TCP unless
told otherwise. The values are those of a long charge: the battery takes all the amps there are and nothing can be
decided. The last digit of the three meters counts 0 to 9 (a small ripple), the tachometer's decimals count to a
million, so a reading that is missing shows (`missing` below).
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import select
import signal
import socket
import sys
import time
import tty
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from benchd.virtual import encode_digits11, encode_segment14

KINDS = ("volts", "clamp", "thermometer", "tach")
DRIVERS = {"volts": "segment14", "clamp": "digits11", "thermometer": "digits11", "tach": "tach-lines"}
TICK_S = 0.001
LOOK_S = 0.02  # how often new connections are looked for
STATE_S = 1.0
PLACES = 1_000_000  # the tachometer's count

BENCH = """
[bench]
name = "load {number:02}"
sample_s = {sample_s}
max_run_minutes = 240.0

[instruments.volts]
driver = "segment14"
port = "{volts}"

[[instruments.volts.accuracy]]
function = "dc volts"
up_to = 60.0
percent = 0.1
counts = 1
resolution = 0.01

[instruments.clamp]
driver = "digits11"
port = "{clamp}"
data_bits = 8      # a pseudo-terminal takes no parity
parity = "N"

[[instruments.clamp.accuracy]]
function = "dc amps"
up_to = 60.0
percent = 1.0
counts = 3
resolution = 0.01

[instruments.thermometer]
driver = "digits11"
port = "{thermometer}"
data_bits = 8
parity = "N"

[instruments.thermometer.ranges]
temperature = [-1]

[instruments.tach]
driver = "tach-lines"
port = "{tach}"

[[instruments.tach.accuracy]]
function = "speed"
percent = 0.1
counts = 1
resolution = 1.0

[channels.battery_volts]
instrument = "volts"
function = "dc volts"

[channels.charge_amps]
instrument = "clamp"
function = "dc amps"

[channels.battery_celsius]
instrument = "thermometer"
function = "temperature"

[channels.engine_rpm]
instrument = "tach"
function = "speed"
"""


def frame_of(kind: str) -> Callable[[int], bytes]:
    """Count -> the frame that carries it."""
    if kind == "tach":
        return lambda count: b"%d.%06d rpm\r\n" % (3500 + count % 3, count % PLACES)
    if kind == "volts":
        made = [encode_segment14.frame(13.10 + digit / 100, 0.01, "dc volts") for digit in range(10)]
    elif kind == "clamp":
        made = [encode_digits11.frame(14.80 + digit / 100, 0.01, "dc amps") for digit in range(10)]
    else:
        made = [b"00%03d40\x30\x32\r\n" % (250 + digit) for digit in range(10)]
    return lambda count: made[count % 10]


def count_of(kind: str, value: float) -> int:
    """The count in a reading's value: 0 to 9, of the tachometer 0 to 999999."""
    if kind == "tach":
        return round(value % 1 * PLACES) % PLACES
    return round(value * (10 if kind == "thermometer" else 100)) % 10


def missing(kind: str, readings: Sequence[tuple[float, float]], rate: float) -> int:
    """How many readings are missing among (arrival in s, value), by the counts; whole tens, which the meters' counts
    do not show, by the time from the first to the last."""
    steps = [count_of(kind, value) - count_of(kind, before) for (_, before), (_, value) in pairwise(readings)]
    if kind == "tach":
        return sum((step - 1) % PLACES for step in steps)
    lost = sum((step - 1) % 10 for step in steps)
    if readings:
        due = (readings[-1][0] - readings[0][0]) * rate + 1
        lost += 10 * max(0, round((due - len(readings) - lost) / 10))
    return lost


@dataclass
class Wire:
    """One instrument's end: where it sends, and what became of it."""

    kind: str
    port: str
    descriptor: int  # -1: nobody is connected
    frame: Callable[[int], bytes]
    listener: socket.socket | None = None
    connection: socket.socket | None = None
    count: int = 0
    refused: int = 0
    begin_s: float = 0.0

    def send(self) -> None:
        data = self.frame(self.count)
        self.count += 1
        if self.descriptor < 0:
            self.refused += 1
            return
        try:
            took = os.write(self.descriptor, data)
        except BlockingIOError:  # nobody reads: a meter's light blinks on all the same
            took = 0
        except OSError:
            self.descriptor, took = -1, 0
        self.refused += took < len(data)

    def accept(self) -> None:
        assert self.listener is not None
        with suppress(BlockingIOError):
            found, _ = self.listener.accept()
            if self.connection is not None:
                self.connection.close()
            found.setblocking(False)
            found.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.connection, self.descriptor = found, found.fileno()


def wire(kind: str, tcp: bool, link: Path) -> Wire:
    """One instrument; a pseudo-terminal stands behind a link of its own. Its number would be another program's terminal
    as soon as this one has gone, and a daemon that looks for its meter would take that over."""
    if tcp:
        listener = socket.create_server(("127.0.0.1", 0))
        listener.setblocking(False)
        return Wire(kind, f"socket://127.0.0.1:{listener.getsockname()[1]}", -1, frame_of(kind), listener)
    meter, port = pty.openpty()  # `port` stays open: a pty whose last user leaves hangs up
    tty.setraw(port)
    os.set_blocking(meter, False)
    link.unlink(missing_ok=True)
    link.symlink_to(os.ttyname(port))
    return Wire(kind, str(link), meter, frame_of(kind))


def write_files(folder: Path, benches: Sequence[dict[str, Wire]], sample_s: float) -> None:
    names = []
    for number, wires in enumerate(benches, 1):
        ports = {kind: one.port for kind, one in wires.items()}
        name = f"bench-{number:02}.toml"
        (folder / name).write_text(BENCH.format(number=number, sample_s=sample_s, **ports), encoding="utf-8")
        names.append(name)
    (folder / "site.toml").write_text(site_text(names), encoding="utf-8")


def site_text(benches: Sequence[str]) -> str:
    listed = "".join(f'[[bench]]\nfile = "{name}"\n\n' for name in benches)
    return f'[site]\nname = "load"\n\n{listed}[server]\nlisten = "127.0.0.1:0"\nrequests_per_s = 10000.0\n'


def serve(wires: Sequence[Wire], rate: float, state: Path) -> None:
    """Every wire once a period, each at its own moment of it, until SIGTERM; a late sender catches up."""
    stopping: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: stopping.append(number))
    poll = select.poll()
    by_listener = {one.listener.fileno(): one for one in wires if one.listener is not None}
    for number in by_listener:
        poll.register(number, select.POLLIN)
    period_s, phase = 1 / rate, 0.618033988749895
    plan = sorted((period_s * (index * phase % 1), index) for index in range(len(wires)))
    begin, cycle, at, worst_s = time.monotonic() + 0.1, 0, 0, 0.0
    looked = told = begin
    for offset_s, index in plan:
        wires[index].begin_s = begin + offset_s
    while not stopping:
        now = time.monotonic()
        while (late_s := now - begin - cycle * period_s - plan[at][0]) >= 0:
            worst_s = max(worst_s, late_s)
            wires[plan[at][1]].send()
            at += 1
            if at == len(plan):
                at, cycle = 0, cycle + 1
        if now - looked > LOOK_S:
            looked = now
            for number, _ in poll.poll(0):
                by_listener[number].accept()
        if now - told > STATE_S:
            told = now
            write_state(state, wires, worst_s)
            worst_s = 0.0
        time.sleep(max(TICK_S, -late_s))
    write_state(state, wires, worst_s)


def write_state(path: Path, wires: Sequence[Wire], worst_s: float) -> None:
    ports = {one.port: {"sent": one.count, "refused": one.refused, "begin_s": one.begin_s} for one in wires}
    fresh = path.with_suffix(".new")
    fresh.write_text(json.dumps({"late_s": worst_s, "ports": ports}), encoding="utf-8")
    fresh.replace(path)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--benches", type=int, default=64)
    parser.add_argument("--rate", type=float, default=10.0, help="readings a second, each instrument")
    parser.add_argument("--sample-s", type=float, default=0.5, help="of the benches, s")
    parser.add_argument("--tcp", default="tach", help="kinds on TCP, by comma; '' for none; 'all'")
    given = parser.parse_args()
    tcp = set(KINDS) if given.tcp == "all" else set(filter(None, given.tcp.split(",")))
    if unknown := tcp - set(KINDS):
        parser.error(f"--tcp: {', '.join(unknown)} is none of {', '.join(KINDS)}")
    given.folder.mkdir(parents=True, exist_ok=True)
    folder = given.folder.absolute()
    benches = [
        {kind: wire(kind, kind in tcp, folder / f"{kind}-{number:02}") for kind in KINDS}
        for number in range(1, given.benches + 1)
    ]
    write_files(given.folder, benches, given.sample_s)
    print("ready", flush=True)
    wires = [one for each in benches for one in each.values()]
    serve(wires, given.rate, given.folder / "sent.json")
    for one in wires:
        if one.listener is None:
            Path(one.port).unlink(missing_ok=True)


if __name__ == "__main__":
    sys.exit(main())
