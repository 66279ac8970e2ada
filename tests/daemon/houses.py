"""A daemon in this process over virtual benches on real ports, for tests."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from benchd import config
from benchd.clock import Clock
from benchd.daemon.daemon import Daemon
from benchd.daemon.interface import RunRequest
from benchd.journal import Journal
from benchd.runner import Technician
from benchd.site import Site
from benchd.virtual.bench import VirtualBench
from benchd.virtual.scenario import Scenario

SPEED = 20.0


@dataclass
class House:
    daemon: Daemon
    virtual: VirtualBench

    async def run(self, procedure: str = "regulator", **more: Any) -> str:
        return await self.daemon.start_run(RunRequest("bay-1", procedure, **({"spec": "hollin-t18"} | more)))

    async def ended(self, run: str) -> dict[str, Any]:
        """The verdict of a run, once it is closed."""
        seq = 0
        while await self.daemon.news.run_after(run, seq):
            for record in self.daemon.reader.read(run, seq):
                seq = record["seq"]
        return next(one for one in self.daemon.reader.read(run) if one["kind"] == "verdict")


@asynccontextmanager
async def house(folder: Path, scenario: Scenario | None = None, **site: Any) -> AsyncIterator[House]:
    """A daemon with one virtual bench 'bay 1', its journal in `folder`."""
    clock = Clock(SPEED)
    async with VirtualBench(scenario or replace(Scenario(), seed=3), clock) as virtual:
        path = folder / "bay-1.toml"
        path.write_text(virtual.bench_toml.replace('"virtual bench"', '"bay 1"'), encoding="utf-8")

        async def technician(slug: str, procedure: str, unit: str | None) -> Technician | None:
            await virtual.renew(procedure)
            return virtual.operator

        found = Site("Tessel Lane", benches={"bay-1": config.load_bench(path)}, **site)
        with Journal(folder / "journal.sqlite") as journal:
            async with Daemon(found, journal, folder, clock=clock, technicians=technician) as daemon:
                yield House(daemon, virtual)
