"""A daemon's surroundings for the MQTT forwarder: a journal in memory, its news, one bench, and the forwarder itself."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from broker import PASSWORD, Broker

from benchd.errors import StoreError
from benchd.forward.mqtt import MqttForwarder, Pace
from benchd.forward.mqtt_link import Waits
from benchd.forward.store import ForwardStore
from benchd.site import MqttSettings, Secret

DAEMON = "tessel-lane-3f9a2c1b"
STARTED = "2026-11-25T08:00:00.000+00:00"
BRISK = Pace(
    back_off_s=(0.1, 0.5),
    settled_s=1.0,
    state_s=0.1,
    refresh_s=60.0,
    look_s=0.1,
    goodbye_s=1.0,
    waits=Waits(1.0, 1.0, 2),
)


@dataclass(frozen=True)
class Row:
    no: int
    run: str
    run_no: int
    seq: int
    records: list[dict[str, Any]]


class Book:
    """What the forwarder needs of a journal and of the news of it, in memory."""

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.broken = False
        self.made = "one"
        self._lock = threading.Lock()
        self._grown = asyncio.Event()
        self._seq: dict[str, int] = {}

    # --- written by the test ----

    def add(self, run: str, *records: dict[str, Any]) -> int:
        """Commit records to a run as one row; its number."""
        first = self._seq.get(run, 0) + 1
        self._seq[run] = first + len(records) - 1
        kept = [{**record, "seq": seq} for seq, record in enumerate(records, first)]
        with self._lock:
            self.rows.append(Row(len(self.rows) + 1, run, list(self._seq).index(run) + 1, first, kept))
        self._grown.set()
        return len(self.rows)

    # --- journal.JournalReader ----

    def tail(self, after_row: int, limit: int = 50) -> list[Row]:
        self._check()
        with self._lock:
            return self.rows[after_row : after_row + limit]

    def last_row(self) -> int:
        self._check()
        return len(self.rows)

    def info(self, run: str) -> Mapping[str, Any]:
        self._check()
        return {"run": run, "bench": "bay 1", "started": STARTED}

    def generation(self) -> str:
        return self.made

    def close(self) -> None: ...

    def _check(self) -> None:
        if self.broken:
            raise StoreError("the journal cannot be read: the disk is away")

    # --- forward.base.News ----

    @property
    def row(self) -> int:
        return len(self.rows)

    async def after(self, row: int, timeout_s: float | None = None) -> int:
        if self.row <= row:
            self._grown.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(timeout_s):
                    await self._grown.wait()
        return self.row


def sample(t_s: float, **values: float | None) -> dict[str, Any]:
    channels = {name: [value, 0.01, [], 0.05] for name, value in values.items()}
    return {"kind": "sample", "t_ns": round(t_s * 1e9), "values": channels}


def verdict(run: str, outcome: str = "pass") -> dict[str, Any]:
    """A verdict record as the runner writes it, of an invented run."""
    return {
        "kind": "verdict", "t_ns": 61_250_000_000, "run": run, "procedure": "regulator", "spec": "Hollin T18",
        "verdict": outcome, "suspect": "none", "suspects": ["none"], "reasons": ["Settled at 14.31 V."],
        "measured": {"settled_volts": {"value": 14.31, "unit": "V", "expanded_uncertainty": 0.04, "coverage_factor": 2.0}},
        "limits": {"settled_volts": [13.8, 14.7]}, "decision_rule": "simple", "ended_because": "settled",
        "duration_s": 61.2, "samples": 122, "rpm": {"min": 3420.0, "mean": 3466.0, "max": 3511.0},
        "next_step": "", "cautions": [], "started": STARTED, "ended": "2026-11-25T08:01:02.500+00:00",
        "instruments": [], "bench": "bay 1", "work_order": "1042", "unit": None, "program": "benchd 0.1.0",
    }  # fmt: skip


def bench(state: str = "ready", run: str | None = None) -> dict[str, Any]:
    """A bench's status as the daemon tells it."""
    volts = {
        "name": "volts", "driver": "scpi", "port": "socket://192.0.2.7:5025", "identity": "VELD 6100", "state": "talking",
        "since": STARTED, "what": "", "cure": "", "calibration_due": "2027-03-01", "overdue": False,
        "counts": {"readings": 12},
    }  # fmt: skip
    return {
        "bench": "bay-1", "name": "bay 1", "state": state, "run": run, "last_run": None, "source_sha256": "00",
        "channels": {"battery_volts": {"value": 12.61, "unit": "V", "age_s": 0.2, "flags": []}}, "instruments": [volts],
    }  # fmt: skip


@dataclass
class World:
    """Everything around one forwarder. `settings` adds to or replaces MqttSettings' fields."""

    folder: Path
    broker: Broker
    settings: dict[str, Any] = field(default_factory=dict)
    password: str = PASSWORD
    pace: Pace = BRISK

    def __post_init__(self) -> None:
        self.book = Book()
        self.benches = {"bay-1": bench()}
        self.store = ForwardStore(self.folder / "forward.sqlite")
        secret = self.folder / "mqtt-password"
        secret.touch(0o600)
        secret.write_text(self.password + "\n")
        given = {
            "host": "127.0.0.1", "port": self.broker.port, "user": "benchd", "password": Secret(file=secret),
            "sample_every_s": 0.2, "tls": self.broker.ca_file is not None, "ca_file": self.broker.ca_file,
        }  # fmt: skip
        self.mqtt = MqttSettings(**(given | self.settings))

    def forwarder(self, **more: Any) -> MqttForwarder:
        return MqttForwarder(
            self.mqtt, lambda: self.book, self.store, DAEMON, self.book, lambda: self.benches,
            **({"pace": self.pace} | more),
        )  # fmt: skip

    @asynccontextmanager
    async def running(self, **more: Any) -> AsyncIterator[MqttForwarder]:
        """The forwarder at work; cancelled at the end, as the daemon does it."""
        forwarder = self.forwarder(**more)
        task = asyncio.create_task(forwarder.run())
        try:
            yield forwarder
            assert not task.done(), "the forwarder ended by itself"
        finally:
            task.cancel()
            await asyncio.wait({task}, timeout=10)
            assert task.cancelled(), "the forwarder did not end as it was told"


def utc_now() -> datetime:
    return datetime.now(UTC)
