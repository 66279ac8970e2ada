"""Every procedure of a visit on the virtual bench: real ports, drivers, sampler and judge, and its own technician.

What each fault must come to is what the trade says of it (common practice, no source). The machines are those of the
scenario; the limits those of configs/machines/hollin-t18.toml.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from pathlib import Path

from benchd import config
from benchd.clock import Clock
from benchd.journal import Journal
from benchd.orders import Order, prepare, run_ready
from benchd.virtual.bench import VirtualBench
from benchd.virtual.scenario import Scenario

SPEED = 25.0
#: What is over in seconds must still be read often enough by a computer that is busy with other tests.
SLOWER = {"load": 6.0, "crank": 4.0}
AT_ONCE, TRIES = 4, 3  # benches; times


@dataclass(frozen=True)
class Case:
    procedure: str
    faults: tuple[str, ...]
    wanted: tuple[str, str | None]  # verdict, finding
    mended: tuple[str, ...] = ()  # by benchd's ids, before the run


CASES = [
    Case("charge", (), ("pass", "charged"), mended=("battery-discharged",)),
    Case("charge", ("battery-discharged",), ("fail", "discharged")),
    Case("charge", ("battery-dead-cell",), ("fail", "weak-cell")),
    Case("load", (), ("pass", "holds"), mended=("battery-discharged",)),
    Case("load", ("battery-undersized",), ("fail", "weak"), mended=("battery-discharged",)),
    Case("crank", (), ("pass", "cranks"), mended=("battery-discharged",)),
    Case("crank", ("starter-dragging",), ("fail", "starter-dragging"), mended=("battery-discharged",)),
    Case("crank", ("switch-bad",), ("fail", "no-current"), mended=("battery-discharged",)),
    Case("draw", (), ("pass", "no-draw")),
    Case("draw", ("key-off-draw",), ("fail", "draw")),
    Case("draw", ("regulator-leaking-back",), ("fail", "draw-through-regulator")),
    Case("drop", (), ("pass", "joints-good")),
    Case("drop", ("joint-loose",), ("fail", "bad-joint")),
    Case("drop", ("ground-bad",), ("fail", "bad-ground")),
    Case("continuity", (), ("pass", "good")),
    Case("continuity", ("breaker-open",), ("fail", "breaker-open")),
    Case("continuity", ("stator-grounded",), ("fail", "stator-grounded")),
]


async def outcome(case: Case, folder: Path, room: asyncio.Semaphore) -> tuple[str, str | None]:
    """What it came to; what the computer was too busy to read often enough, and so was not decided, is done again."""
    said: tuple[str, str | None] = ("", None)
    speed = SLOWER.get(case.procedure, SPEED)
    for _ in range(TRIES):
        said = await one_run(case, folder, room, speed)
        if said[0] in ("pass", "fail"):
            break
        speed /= 2
    return said


async def one_run(case: Case, folder: Path, room: asyncio.Semaphore, speed: float) -> tuple[str, str | None]:
    async with room:
        scenario = Scenario()
        for fault in case.faults:
            scenario = scenario.with_fault(fault)
        clock = Clock(speed)
        with Journal(folder / "journal.sqlite") as journal:
            async with VirtualBench(scenario.for_visit(), clock) as virtual:
                virtual.repair(case.mended)
                await virtual.arrive(case.procedure)
                bench = folder / "bench.toml"
                bench.write_text(virtual.bench_toml)
                spec = config.load_spec(config.find_file("hollin-t18", "machine"))
                ready = prepare(Order(case.procedure, config.load_bench(bench), spec), journal, clock.wall_utc())
                ended = await run_ready(ready, journal, clock=clock, show=None, technician=virtual.operator)
        return ended.verdict["verdict"], ended.verdict.get("finding")


async def all_of(folder: Path) -> list[tuple[str, str | None]]:
    room = asyncio.Semaphore(AT_ONCE)
    return await asyncio.gather(*(outcome(case, folder / str(number), room) for number, case in enumerate(CASES)))


def test_every_procedure_says_of_a_machine_what_the_trade_says(tmp_path: Path) -> None:
    for number in range(len(CASES)):
        (tmp_path / str(number)).mkdir()
    found = asyncio.run(all_of(tmp_path))
    wrong = [(case, said) for case, said in zip(CASES, found, strict=True) if said != case.wanted]
    assert not wrong
