"""The real `benchd serve` as a process in a home of its own, its instruments in another, and who watches both.

For test_daemon_faults.py and tests/bench/faults.py. Processes are found by the number with which they were started.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

TESTS = Path(__file__).parents[1]
sys.path += [str(TESTS / name) for name in ("bench", "forward") if str(TESTS / name) not in sys.path]

from load import Follower, ports_of  # noqa: E402
from load_instruments import count_of  # noqa: E402
from steady import MACHINE, percentile  # noqa: E402

from benchd import client as clients  # noqa: E402
from benchd.client_stream import stream  # noqa: E402
from benchd.journal_read import JournalReader  # noqa: E402

__all__ = ["Instruments", "Lateness", "Serving", "Witness", "instruments", "percentile", "until"]

UP_S, DOWN_S = 60.0, 20.0
RATE = 10.0
LOOK_S = 0.02
Record = dict[str, Any]


def until(holds: Callable[[], Any], timeout_s: float = 30.0, what: Callable[[], Any] | str = "") -> Any:
    """Wait until `holds()` is true, and give it back; AssertionError if it does not come true."""
    end = time.monotonic() + timeout_s
    while not (found := holds()):
        assert time.monotonic() < end, what() if callable(what) else what or "waited in vain"
        time.sleep(0.02)
    return found


class Instruments:
    """load_instruments.py in a process of its own: benches load-01, load-02, ..., four instruments each."""

    def __init__(self, folder: Path, benches: int, sample_s: float) -> None:
        self.folder = folder
        command = [sys.executable, str(TESTS / "bench" / "load_instruments.py"), str(folder)]
        more = ["--benches", str(benches), "--rate", str(RATE), "--sample-s", str(sample_s)]
        self.process = subprocess.Popen([*command, *more], stdout=subprocess.PIPE)
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == b"ready\n", "the instruments did not come up"
        self._begin_s: dict[str, float] = {}

    def site(self, more: str = "", listen: str | None = None, least_mebibytes: int = 256) -> Path:
        """A site file of all benches with `more` at its end."""
        text = (self.folder / "site.toml").read_text(encoding="utf-8")
        text = text.replace("[site]", f"[site]\nmin_free_mebibytes = {least_mebibytes}")
        if listen is not None:
            text = text.replace("127.0.0.1:0", listen)
        path = self.folder / "faults.toml"
        path.write_text(text + more, encoding="utf-8")
        return path

    def port(self, slug: str, instrument: str) -> str:
        return ports_of(self.folder, slug)[instrument]

    def due_s(self, slug: str, count: int) -> float:
        """When the tachometer's frame of this count was due to be sent, s of the monotonic clock."""
        if slug not in self._begin_s:
            sent = self.folder / "sent.json"
            until(sent.exists)
            told = json.loads(sent.read_text(encoding="utf-8"))["ports"]
            self._begin_s[slug] = told[self.port(slug, "tach")]["begin_s"]
        return self._begin_s[slug] + count / RATE

    def end(self) -> None:
        self.process.terminate()
        self.process.wait(DOWN_S)
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextmanager
def instruments(folder: Path, benches: int = 2, sample_s: float = 0.25) -> Iterator[Instruments]:
    found = Instruments(folder, benches, sample_s)
    try:
        yield found
    finally:
        found.end()


class Serving:
    """`benchd serve --config SITE` with BENCHD_HOME=HOME: started, killed and started again as often as wanted."""

    def __init__(self, site: Path, home: Path) -> None:
        self.site, self.home = site, home
        self.log = site.with_name("daemon.log")
        self.process: subprocess.Popen[bytes] | None = None
        self.client: clients.Client = None  # type: ignore[assignment]  # until it is up
        kept = {key: value for key, value in os.environ.items() if not key.startswith("BENCHD_")}
        self.environment = {**kept, "BENCHD_HOME": str(home)}

    def __enter__(self) -> Serving:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    # --- the process --------------------------------------------------------------------------------------------------

    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-m", "benchd", *words]

    def spawn(self) -> subprocess.Popen[bytes]:
        """Start it, and wait for nothing."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self.command("serve", "--config", str(self.site)), env=self.environment, stdout=log, stderr=log
            )
        return self.process

    def start(self) -> None:
        """Start it, and wait until it is up."""
        process = self.spawn()
        end = time.monotonic() + UP_S
        while (found := self.found()) is None:
            assert process.poll() is None, f"the daemon ended: {self.said()[-3000:]}"
            assert time.monotonic() < end, f"the daemon did not come up: {self.said()[-3000:]}"
            time.sleep(0.05)
        self.client = found

    def found(self) -> clients.Client | None:
        from benchd.daemon.lock import read_holder

        holder = read_holder(self.home)
        if holder is None or holder.url is None or self.process is None or holder.pid != self.process.pid:
            return None
        with suppress(clients.BenchdError):
            return clients.find(self.home)
        return None

    def kill(self) -> None:
        """kill -9."""
        if self.process is not None:
            if self.process.poll() is None:
                self.process.kill()
            self.process.wait()

    def end(self, number: int = signal.SIGTERM) -> tuple[float, int]:
        """End it by a signal: (seconds until it was gone, exit code)."""
        assert self.process is not None
        begin = time.monotonic()
        self.process.send_signal(number)
        code = self.process.wait(DOWN_S)
        return time.monotonic() - begin, code

    @property
    def alive(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""

    def benchd(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Another command of benchd in this home."""
        return subprocess.run(self.command(*words), env=self.environment, capture_output=True, text=True, timeout=60)

    # --- runs and what is kept ----------------------------------------------------------------------------------------

    @property
    def journal(self) -> Path:
        return self.home / "journal.sqlite"

    def begin(self, bench: str = "load-01", **more: Any) -> str:
        return self.client.start({"bench": bench, "procedure": "regulator", "spec": MACHINE, **more})

    def ended(self, run: str, timeout_s: float = 30.0) -> Record:
        """The listing row of a run, once it is closed."""
        found: Record = until(lambda: (row := self.info(run))["status"] and row, timeout_s, lambda: self.info(run))
        return found

    def info(self, run: str) -> Record:
        with JournalReader(self.journal) as reader:
            return reader.info(run)

    def records(self, run: str) -> list[Record]:
        with JournalReader(self.journal) as reader:
            return list(reader.read(run))

    def count(self, run: str, kind: str = "sample") -> int:
        return sum(one["kind"] == kind for one in self.records(run))

    def runs(self) -> list[Record]:
        with JournalReader(self.journal) as reader:
            return [reader.info(one["run"]) for one in reader.runs(10_000)]

    def samples(self) -> set[tuple[int, int]]:
        """(run_no, seq) of every sample in the journal."""
        with JournalReader(self.journal) as reader:
            infos = [reader.info(one["run"]) for one in reader.runs(10_000)]
            return {
                (info["run_no"], one["seq"])
                for info in infos
                for one in reader.read(info["run"])
                if one["kind"] == "sample"
            }

    def findings(self) -> list[str]:
        """What `verify` and SQLite itself find wrong with the journal: nothing, one hopes."""
        with JournalReader(self.journal) as reader:
            found = [str(one) for one in reader.verify()]
        db = sqlite3.connect(f"file:{self.journal}?mode=ro", uri=True)
        try:
            (told,) = db.execute("PRAGMA integrity_check").fetchone()
        finally:
            db.close()
        return found + ([] if told == "ok" else [str(told)])

    def forwarder(self, name: str) -> Record:
        found: Record = next(one for one in self.client.status()["forwarders"] if one["name"] == name)
        return found

    def up_to_date(self, name: str, timeout_s: float = 60.0) -> None:
        """Wait until a forwarder has handed on all there is."""
        until(
            lambda: (one := self.forwarder(name))["state"] == "up to date" and one["behind_rows"] == 0,
            timeout_s,
            lambda: self.forwarder(name),
        )


class Witness(threading.Thread):
    """Watches one run over the daemon's WebSocket, in a loop of its own, and remembers every record that it was shown."""

    def __init__(self, client: clients.Client, run: str) -> None:
        super().__init__(daemon=True)
        self.run_id, self.seen, self.trouble = run, dict[int, Record](), ""
        self._client = client
        self._loop = asyncio.new_event_loop()
        self._watching: asyncio.Task[None] | None = None
        self.start()

    def run(self) -> None:
        async def watch() -> None:
            self._watching = asyncio.current_task()
            async for record in stream(self._client, self.run_id):
                self.seen[int(record["seq"])] = record

        try:
            self._loop.run_until_complete(watch())
        except asyncio.CancelledError:
            pass
        except Exception as error:
            self.trouble = f"{type(error).__name__}: {error}"
        finally:
            self._loop.close()

    def leave(self) -> None:
        with suppress(RuntimeError):
            self._loop.call_soon_threadsafe(lambda: self._watching and self._watching.cancel())
        self.join(DOWN_S)


class Lateness(threading.Thread):
    """Follows a journal from outside: from when a tachometer's frame was due until it was found committed, in s."""

    def __init__(self, serving: Serving, wires: Instruments, runs: Mapping[str, str]) -> None:
        super().__init__(daemon=True)
        self.took_s: list[float] = []
        self._serving, self._wires, self._runs = serving, wires, dict(runs)
        self._leaving = threading.Event()
        self._skip_s = time.monotonic() + 0.5  # the first moments are those of opening ports
        self.start()

    def run(self) -> None:
        follower = Follower(self._serving.journal)
        while not self._leaving.wait(LOOK_S):
            found, now = follower.new(), time.monotonic()
            if now < self._skip_s:
                continue
            for run, records in found:
                if run in self._runs:
                    self.took_s += [
                        now - due for one in records if (due := tach_due(self._wires, self._runs[run], one))
                    ]
        follower.close()

    @property
    def p99_s(self) -> float:
        return percentile(self.took_s, 99)

    def leave(self) -> float:
        """The 99th percentile of what was found meanwhile."""
        self._leaving.set()
        self.join(DOWN_S)
        assert len(self.took_s) > 5, "hardly a record came"
        return self.p99_s


def tach_due(wires: Instruments, slug: str, record: Mapping[str, Any]) -> float:
    """When this tachometer reading was due to be sent; 0 for another record."""
    if record["kind"] != "reading" or record["instrument"] != "tach" or record["value"] is None:
        return 0.0
    return wires.due_s(slug, count_of("tach", record["value"]))
