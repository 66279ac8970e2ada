"""Many benches in one daemon: `benchd serve` itself, over real pseudo-terminals and TCP, with a run on every bench.

    python tests/bench/load.py [--benches 1,8,64] [--seconds 60] [--watchers 4] [--folder DIR]

For each number of benches a fresh home, load_instruments.py as a process beside (four instruments a bench, 10 readings/s
each), `benchd serve`, a regulator run on every bench asked for over the API, and a few watchers on the WebSocket.
Measured over the given seconds, once all runs are under way:

readings/s   readings that came into the journal
missing      readings of the whole run that are not in the journal, by the counts that the frames carry
CPU, memory  of the daemon's process, from the system (100 % is one core)
to journal   from the moment a tachometer's frame was due to be sent until another process found it committed
to watcher   the same until a watcher had its record; both hold the sender's own lateness (1 to 3 ms as a rule)

The figures hold for a machine that does nothing else; the sender and the watchers take a quarter of a core.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from load_instruments import KINDS, count_of, missing
from steady import MACHINE, percentile

from benchd import client as clients
from benchd.client_stream import stream

HERE = Path(__file__).parent
UP_S, DOWN_S = 60.0, 10.0
SETTLE_S = 5.0  # after the last run was begun
LOOK_S = 0.01
PAGE = os.sysconf("SC_PAGE_SIZE") if hasattr(os, "sysconf") else 4096
MB = 1e6


@dataclass
class Figures:
    """What one number of benches came to. Times in s, memory and disk in bytes."""

    benches: int
    seconds: float = 0.0
    due: float = 0.0  # readings a second that were sent
    readings: int = 0
    missing: int = 0
    refused: int = 0  # frames that the system had no room for, since nobody took them
    cpu: float = 0.0  # of one core
    resident: int = 0
    most_resident: int = 0
    disk: int = 0  # journal's growth while it was measured
    begun_s: float = 0.0  # until all runs were under way
    stop_s: float = 0.0
    to_journal: list[float] = field(default_factory=list)
    to_watcher: list[float] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)

    @property
    def rate(self) -> float:
        return self.readings / self.seconds


@dataclass(frozen=True)
class Up:
    """A daemon that serves, and the instruments of its benches."""

    folder: Path
    home: Path
    daemon: subprocess.Popen[bytes]
    client: clients.Client
    rate: float

    @property
    def journal(self) -> Path:
        return self.home / "journal.sqlite"

    def sent(self) -> dict[str, dict[str, float]]:
        ports: dict[str, dict[str, float]] = json.loads((self.folder / "sent.json").read_text())["ports"]
        return ports


# --- processes --------------------------------------------------------------------------------------------------------


@contextmanager
def up(benches: int, folder: Path, *, rate: float = 10.0, sample_s: float = 0.5) -> Iterator[Up]:
    """Instruments and a daemon, both ended at the end; SystemExit if one does not come up."""
    home = folder / "home"
    home.mkdir(parents=True)
    keys = ["--benches", str(benches), "--rate", str(rate), "--sample-s", str(sample_s)]
    instruments = subprocess.Popen(
        [sys.executable, str(HERE / "load_instruments.py"), str(folder), *keys], stdout=subprocess.PIPE
    )
    with ExitStack() as stack:
        stack.callback(ended, instruments)
        assert instruments.stdout is not None
        if instruments.stdout.readline() != b"ready\n":
            raise SystemExit("the instruments did not come up")
        environment = {key: value for key, value in os.environ.items() if not key.startswith("BENCHD_")}
        log = stack.enter_context((folder / "daemon.log").open("wb"))
        daemon = subprocess.Popen(
            [sys.executable, "-m", "benchd", "serve", "--config", str(folder / "site.toml")],
            env={**environment, "BENCHD_HOME": str(home)}, stdout=log, stderr=log,
        )  # fmt: skip
        stack.callback(ended, daemon)
        yield Up(folder, home, daemon, client_of(home, daemon, folder), rate)


def client_of(home: Path, daemon: subprocess.Popen[bytes], folder: Path) -> clients.Client:
    until = time.monotonic() + UP_S
    while time.monotonic() < until and daemon.poll() is None:
        with suppress(clients.BenchdError):
            if (found := clients.find(home)) is not None:
                return found
        time.sleep(0.1)
    raise SystemExit(f"the daemon did not come up:\n{(folder / 'daemon.log').read_text()[-2000:]}")


def ended(process: subprocess.Popen[bytes]) -> float:
    """End it by SIGTERM; how long that took."""
    begin = time.monotonic()
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(DOWN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    return time.monotonic() - begin


def cpu_s(pid: int) -> float:
    """Processor time that a process has used."""
    cells = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(cells[11]) + int(cells[12])) / float(os.sysconf("SC_CLK_TCK"))


def resident(pid: int) -> int:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * PAGE


# --- a run on every bench ---------------------------------------------------------------------------------------------


def begin_runs(up: Up, benches: int) -> dict[str, str]:
    """Run -> the bench's slug. Begun one after another, as people do, so that the benches do not march in step."""
    found = {}
    for number in range(1, benches + 1):
        slug = f"load-{number:02}"
        found[up.client.start({"bench": slug, "procedure": "regulator", "spec": MACHINE})] = slug
        time.sleep(max(0.0, 1.0 / benches - 0.01))
    return found


def ports_of(folder: Path, slug: str) -> dict[str, str]:
    """Instrument -> port, from the bench's file."""
    from benchd.config import load_bench

    bench = load_bench(folder / f"{slug.replace('load', 'bench')}.toml")
    return {name: one.port for name, one in bench.instruments.items()}


def end_runs(up: Up, runs: Mapping[str, str], figures: Figures) -> None:
    for run in runs:
        try:
            up.client.stop(run, "the benchmark is over")
        except clients.BenchdError as error:
            figures.broken.append(str(error))


class Due:
    """When a tachometer's count was due to be sent, s of the monotonic clock."""

    def __init__(self, up: Up, runs: Mapping[str, str]) -> None:
        sent = up.sent()
        self._period_s = 1 / up.rate
        self._begin_s = {run: sent[ports_of(up.folder, slug)["tach"]]["begin_s"] for run, slug in runs.items()}

    def took_s(self, run: str, record: Mapping[str, Any], at_s: float) -> float | None:
        """From then to `at_s`; None for another record."""
        if record["kind"] != "reading" or record["instrument"] != "tach" or record["value"] is None:
            return None
        return at_s - self._begin_s[run] - count_of("tach", record["value"]) * self._period_s


class Follower:
    """Finds new rows of the journal, as any other process might."""

    def __init__(self, path: Path) -> None:
        self._db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        self._runs: dict[int, str] = {}
        self._row = int(self._db.execute("SELECT coalesce(max(no), 0) FROM events").fetchone()[0])

    def new(self) -> list[tuple[str, list[dict[str, Any]]]]:
        rows = self._db.execute("SELECT no, run_no, body FROM events WHERE no > ? ORDER BY no", (self._row,)).fetchall()
        if rows:
            self._row = rows[-1][0]
        return [(self._run(run_no), json.loads(body)) for _, run_no, body in rows]

    def _run(self, run_no: int) -> str:
        if run_no not in self._runs:
            self._runs = dict(self._db.execute("SELECT no, run FROM runs").fetchall())
        return self._runs[run_no]

    def close(self) -> None:
        self._db.close()


async def follow(up: Up, due: Due, figures: Figures, seconds: float) -> None:
    follower = Follower(up.journal)
    begin = time.monotonic()
    while (now := time.monotonic()) - begin < seconds:
        found = follower.new()
        now = time.monotonic()
        for run, records in found:
            for record in records:
                figures.readings += record["kind"] == "reading"
                if (took_s := due.took_s(run, record, now)) is not None:
                    figures.to_journal.append(took_s)
        await asyncio.sleep(LOOK_S)
    figures.seconds = now - begin
    follower.close()


async def watch(up: Up, run: str, due: Due, figures: Figures, after: int) -> None:
    async for record in stream(up.client, run, after):
        if (took_s := due.took_s(run, record, time.monotonic())) is not None:
            figures.to_watcher.append(took_s)


def newest_seq(up: Up, run: str) -> int:
    follower = sqlite3.connect(f"file:{up.journal}?mode=ro", uri=True)
    try:
        query = "SELECT max(seq + records - 1) FROM events WHERE run_no = (SELECT no FROM runs WHERE run = ?)"
        return int(follower.execute(query, (run,)).fetchone()[0])
    finally:
        follower.close()


async def watched(up: Up, runs: Mapping[str, str], figures: Figures, seconds: float, watchers: int) -> None:
    due = Due(up, runs)
    chosen = list(runs)[:: max(1, len(runs) // watchers)][:watchers] if watchers else []
    watching = [asyncio.create_task(watch(up, run, due, figures, newest_seq(up, run))) for run in chosen]
    await asyncio.sleep(1.0)  # what came before they were there is not theirs
    figures.to_watcher.clear()
    before, cpu, disk = up.sent(), cpu_s(up.daemon.pid), on_disk(up)
    begin = time.monotonic()
    await follow(up, due, figures, seconds)
    figures.cpu = (cpu_s(up.daemon.pid) - cpu) / (time.monotonic() - begin)
    figures.disk = on_disk(up) - disk
    figures.resident = resident(up.daemon.pid)
    after = up.sent()
    figures.refused = int(sum(after[port]["refused"] - before[port]["refused"] for port in after))
    figures.broken += [f"a watcher: {one.exception()}" for one in watching if one.done() and not one.cancelled()]
    for one in watching:
        one.cancel()
    await asyncio.gather(*watching, return_exceptions=True)


def on_disk(up: Up) -> int:
    """Bytes of the journal, without its log: that is as long as it once had to be."""
    return up.journal.stat().st_size


def count_missing(up: Up, runs: Mapping[str, str], figures: Figures) -> None:
    """By run and instrument, over everything that the journal has of it."""
    db = sqlite3.connect(f"file:{up.journal}?mode=ro", uri=True)
    for run in runs:
        came: dict[str, list[tuple[float, float]]] = defaultdict(list)
        query = "SELECT body FROM events WHERE run_no = (SELECT no FROM runs WHERE run = ?) ORDER BY seq"
        status = None
        for (body,) in db.execute(query, (run,)):
            for record in json.loads(body):
                if record["kind"] == "reading" and record["value"] is not None:
                    came[record["instrument"]].append((record["t_ns"] / 1e9, record["value"]))
                elif record["kind"] in ("gap", "notice"):
                    figures.broken.append(f"{run}: {record}")
                elif record["kind"] == "run-closed":
                    status = record["reason"]
        if status != "the benchmark is over":
            figures.broken.append(f"{run} ended by itself: {status}")
        figures.broken += [f"{run}: nothing came from {name}" for name in KINDS if not came[name]]
        figures.missing += sum(missing(name, readings, up.rate) for name, readings in came.items())
    db.close()


def measure(benches: int, seconds: float, watchers: int, folder: Path) -> Figures:
    figures = Figures(benches, due=benches * len(KINDS) * 10.0)
    with up(benches, folder) as there:
        begin = time.monotonic()
        runs = begin_runs(there, benches)
        figures.begun_s = time.monotonic() - begin
        time.sleep(SETTLE_S)
        asyncio.run(watched(there, runs, figures, seconds, min(watchers, benches)))
        status = Path(f"/proc/{there.daemon.pid}/status").read_text()
        figures.most_resident = 1024 * int(status.partition("VmHWM:")[2].split()[0])
        end_runs(there, runs, figures)
        figures.stop_s = ended(there.daemon)
        if there.daemon.returncode != 0:
            figures.broken.append(f"the daemon ended with {there.daemon.returncode}")
        count_missing(there, runs, figures)
    return figures


# --- the table --------------------------------------------------------------------------------------------------------


def lines(found: list[Figures]) -> Iterator[str]:
    """What was measured, a line a quantity, a column a number of benches; the goal is for the most."""
    most = found[-1]
    yield f"{'':<34}" + "".join(f"{f'{one.benches} benches':>14}" for one in found) + "   goal (64 benches)"
    rows: list[tuple[str, list[str], str, bool | None]] = [
        ("readings/s sent", [f"{one.due:,.0f}" for one in found], "", None),
        ("readings/s held", [f"{one.rate:,.0f}" for one in found], "2,560", most.rate >= 0.995 * most.due),
        ("readings missing", [str(one.missing) for one in found], "0", not any(one.missing for one in found)),
        ("CPU, % of one core", [f"{100 * one.cpu:.1f}" for one in found], "under 50", most.cpu < 0.5),
        ("CPU a reading, us", [f"{1e6 * one.cpu / one.rate:.0f}" for one in found], "", None),
        ("memory, MB", [f"{one.resident / MB:.0f}" for one in found], "under 300", most.resident < 300 * MB),
        ("memory at most, MB", [f"{one.most_resident / MB:.0f}" for one in found], "", most.most_resident < 300 * MB),
        ("to journal, p50 / p99, ms", [both(one.to_journal) for one in found], "p99 under 1100", p99(most) < 1.1),
        ("to watcher, p50 / p99, ms", [both(one.to_watcher) for one in found], "", None),
        ("journal, MB an hour and bench", [f"{per_bench(one):.1f}" for one in found], "", None),
        ("all runs begun in, s", [f"{one.begun_s:.1f}" for one in found], "", None),
        ("ended by SIGTERM in, s", [f"{one.stop_s:.1f}" for one in found], "under 5", max(o.stop_s for o in found) < 5),
    ]
    words = {None: "", True: "met", False: "NOT MET"}
    for name, cells, goal, met in rows:
        yield f"{name:<34}" + "".join(f"{cell:>14}" for cell in cells) + f"   {goal:<16}{words[met]}".rstrip()
    if len(found) > 1 and most.benches > found[0].benches:
        more = most.benches - found[0].benches
        yield f"growth a bench: {(most.resident - found[0].resident) / MB / more:.2f} MB of memory, "
        yield f"    {100 * (most.cpu - found[0].cpu) / more:.2f} % of a core"
    for one in found:
        for trouble in one.broken[:20]:
            yield f"TROUBLE at {one.benches} benches: {trouble}"
        if one.refused:
            yield f"TROUBLE at {one.benches} benches: {one.refused} frames found nobody who took them"


def both(took_s: list[float]) -> str:
    return f"{1e3 * percentile(took_s, 50):.0f} / {1e3 * percentile(took_s, 99):.0f}"


def p99(figures: Figures) -> float:
    return percentile(figures.to_journal, 99)


def per_bench(figures: Figures) -> float:
    return figures.disk / MB / figures.benches / figures.seconds * 3600


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", default="1,8,64", help="numbers of benches, by comma")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--watchers", type=int, default=4)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()), help="on the disk to be measured")
    given = parser.parse_args()
    found = []
    for benches in map(int, given.benches.split(",")):
        print(f"{benches} benches ...", flush=True)
        with tempfile.TemporaryDirectory(dir=given.folder) as fresh:
            found.append(measure(benches, given.seconds, given.watchers, Path(fresh)))
    print(*lines(found), sep="\n")
    return int(any(one.broken or one.missing for one in found))


if __name__ == "__main__":
    sys.exit(main())
