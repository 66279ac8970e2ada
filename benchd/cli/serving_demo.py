"""`benchd serve --demo`: the daemon over virtual benches, each with one machine that lasts, and its technician.

What a run or a repair leaves behind stays with the machine until the daemon ends. A repair that is written down in an
order is carried out on the benches on which that order had runs, on all of them if it had none.
"""

from __future__ import annotations

import asyncio
import logging
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import AsyncExitStack, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd import journal as journals
from benchd.cli.serving import Say, serve
from benchd.clock import Clock
from benchd.errors import BenchdError, ConfigError, PortError
from benchd.journal_read import JournalReader
from benchd.site import Site

if TYPE_CHECKING:
    from benchd.runner import Technician
    from benchd.virtual.bench import VirtualBench
    from benchd.virtual.scenario import Scenario

log = logging.getLogger("benchd.demo")

BENCHES = 2
MACHINE = "hollin-t18"
LOOK_S = 1.0
ORDERS, RUNS = 20, 200  # the newest that are looked at


async def serve_demo(
    listen: str | None,
    speed: float,
    say: Say,
    faults: Sequence[tuple[str, float | None]] = (),
    benches: int = BENCHES,
) -> None:
    """Serve so many virtual benches, the same faults built into every machine."""
    from benchd import config
    from benchd.virtual.bench import VirtualBench

    clock = Clock(speed)
    async with AsyncExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="benchd-demo-")))
        virtual: dict[str, VirtualBench] = {}
        served = {}
        for number in range(1, benches + 1):
            name, slug = f"bay {number}", f"bay-{number}"
            bench = VirtualBench(scenario_of(faults, number), clock)
            virtual[name] = await stack.enter_async_context(bench)
            path = folder / f"{slug}.toml"
            path.write_text(bench.bench_toml.replace('"virtual bench"', f'"{name}"'), encoding="utf-8")
            served[slug] = config.load_bench(path)
        repairs = Repairs(journals.home() / journals.FILE_NAME, virtual)
        stack.callback(repairs.close)

        async def technician(slug: str, procedure: str, unit: str | None) -> Technician | None:
            await repairs.carry_out()
            bench = virtual[served[slug].name]
            await bench.arrive(procedure)
            return bench.operator

        looking = asyncio.create_task(repairs.keep_looking(), name="benchd demo repairs")
        site = Site("Tessel Lane demo", benches=served)
        try:
            await serve(site, listen=listen, say=partial(_with_a_hint, say), clock=clock, technicians=technician)
        except PortError as error:
            raise PortError(f"{error}\nWith --demo: benchd serve --demo --listen 127.0.0.1:0") from error
        except ConfigError as error:
            raise ConfigError(f"{error}\nThe demo has no site file: leave --listen at 127.0.0.1") from error
        finally:
            looking.cancel()
            with suppress(asyncio.CancelledError):
                await looking


def scenario_of(faults: Sequence[tuple[str, float | None]], seed: int) -> Scenario:
    """One machine as it comes in, with its faults."""
    from benchd.virtual.scenario import Scenario

    found = replace(Scenario(), seed=seed)
    for name, strength in faults:
        found = found.with_fault(name, strength)
    return found.for_visit()


def _with_a_hint(say: Say, line: str) -> None:
    say(line.replace("run one with: benchd run;", f"run one: benchd run regulator --bench bay-1 --spec {MACHINE};"))


class Repairs:
    """Follows the journal's orders and mends the virtual machines as their repairs are written down."""

    def __init__(self, path: Path, benches: Mapping[str, VirtualBench]) -> None:
        self._reader, self._benches = JournalReader(path), benches
        self._seen: dict[str, int] = {}  # order -> its last record that was looked at
        self._one = asyncio.Lock()
        with suppress(BenchdError):
            self._new()  # repairs of an earlier daemon were made on earlier machines

    def close(self) -> None:
        self._reader.close()

    async def keep_looking(self) -> None:
        while True:
            try:
                await self.carry_out()
            except BenchdError as error:
                log.warning("repairs cannot be read: %s", error)
            await asyncio.sleep(LOOK_S)

    async def carry_out(self) -> None:
        """Mend what was written down since the last look."""
        async with self._one:
            for work_order, repair, benches in await asyncio.to_thread(self._new):
                ids = [str(id) for id in repair.get("mends", ())]
                for name in benches or list(self._benches):
                    self._benches[name].repair(ids)
                log.info(
                    "order %s: %s carried out", work_order, repair.get("repair") or repair.get("did") or "a repair"
                )

    def _new(self) -> list[tuple[str, Mapping[str, Any], list[str]]]:
        """(order, repair record, names of its benches) of every repair since the last look."""
        found: list[tuple[str, Mapping[str, Any], list[str]]] = []
        for order in self._reader.orders(limit=ORDERS):
            work_order = str(order["work_order"])
            last = self._seen.get(work_order, 0)
            records = [one for one in self._reader.order_records(work_order) if one["seq"] > last]
            for record in records:
                self._seen[work_order] = int(record["seq"])
                if record["kind"] == "order-repair":
                    found.append((work_order, record, self._benches_of(work_order)))
        return found

    def _benches_of(self, work_order: str) -> list[str]:
        runs = self._reader.runs(RUNS, work_order=work_order)
        return [name for name in dict.fromkeys(str(run["bench"]) for run in runs) if name in self._benches]
