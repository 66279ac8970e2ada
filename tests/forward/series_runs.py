"""Runs for the tests of the time-series forwarder: a journal with samples, a News over it, a forwarder that is run."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

from benchd.forward.series import SeriesForwarder
from benchd.forward.store import ForwardStore
from benchd.journal import Journal
from benchd.site import SeriesSettings

DAEMON = "tessel-lane-3f9a2c1b"
STARTED = "2026-11-24T08:00:00.000+00:00"


class Feed:
    """A journal that is written to, and the News of it."""

    def __init__(self, folder: Path) -> None:
        self.journal = Journal(folder / "journal.sqlite")
        self.store = ForwardStore(folder / "forward.sqlite")
        self.row = 0
        self._grown = asyncio.Event()

    async def after(self, row: int, timeout_s: float | None = None) -> int:
        with suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                while self.row <= row:
                    self._grown.clear()
                    await self._grown.wait()
        return self.row

    def told(self) -> None:
        with self.journal.reader() as reader:
            self.row = reader.last_row()
        self._grown.set()

    def open_run(self, **more: Any) -> Any:
        body = {"procedure": "regulator", "bench": "bay 1", "machine": "Hollin T18", "started": STARTED, **more}
        writer = self.journal.open_run(body)
        self.told()
        return writer

    def forwarder(self, url: str, daemon: str = DAEMON, **settings: Any) -> SeriesForwarder:
        given = {"flush_s": 0.02, "timeout_s": 2.0, "back_off_s": (0.01, 0.05), "resend_s": 0.3, **settings}
        return SeriesForwarder(SeriesSettings(url, **given), self.journal.reader, self.store, daemon, self)

    def close(self) -> None:
        self.journal.close()
        self.store.close()


@asynccontextmanager
async def forwarding(forwarder: SeriesForwarder) -> AsyncIterator[SeriesForwarder]:
    task = asyncio.create_task(forwarder.run())
    try:
        yield forwarder
        assert not task.done(), task
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def until(true: Callable[[], Any], timeout_s: float = 20.0, what: Any = "") -> None:
    end = asyncio.get_running_loop().time() + timeout_s
    while not true():
        assert asyncio.get_running_loop().time() < end, what() if callable(what) else what
        await asyncio.sleep(0.01)


async def up_to_date(forwarder: SeriesForwarder, timeout_s: float = 20.0) -> None:
    await until(
        lambda: forwarder.status().behind_rows == 0 and forwarder.status().state == "up to date",
        timeout_s,
        forwarder.status,
    )


def sample(t_s: float, rpm: float | None = 3600.0, **channels: Any) -> dict[str, Any]:
    values = {name: [value, 0.01, [], 0.05] for name, value in channels.items()}
    if rpm is not None:
        values["engine_rpm"] = [rpm, 1.0, [], 0.1]
    return {"kind": "sample", "t_ns": round(t_s * 1e9), "values": values}


def reading(t_s: float, instrument: str, quantity: str, value: Any, point: str = "", flags: Any = ()) -> dict[str, Any]:
    return {
        "kind": "reading", "t_ns": round(t_s * 1e9), "instrument": instrument, "quantity": quantity, "point": point,
        "value": value, "resolution": 0.01, "flags": list(flags),
    }  # fmt: skip


def samples(count: int, seed: int = 1, start_s: float = 0.0) -> list[dict[str, Any]]:
    """Half a second apart; volts, amps and rpm that are never the same twice, amps now and then missing."""
    chance = random.Random(seed)
    found = []
    for n in range(count):
        channels = {"battery_volts": round(12 + chance.random() * 3, 6), "charge_amps": round(chance.random() * 20, 6)}
        if n % 7 == 3:
            channels["charge_amps"] = None
        found.append(sample(start_s + n * 0.5, round(3500 + chance.random() * 200, 3), **channels))
    return found


def verdict(t_s: float, outcome: str = "pass", suspect: str = "none", **more: Any) -> dict[str, Any]:
    measured = {
        "settled_volts": {"value": 14.31, "unit": "V", "expanded_uncertainty": 0.021, "coverage_factor": 2.0},
        "rated_amps": {"value": 15.2, "unit": "A", "expanded_uncertainty": None, "coverage_factor": None},
    }
    return {
        "kind": "verdict", "t_ns": round(t_s * 1e9), "verdict": outcome, "suspect": suspect, "procedure": "regulator",
        "measured": measured, "duration_s": t_s, "samples": 7, **more,
    }  # fmt: skip
