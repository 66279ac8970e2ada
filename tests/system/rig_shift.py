"""A shift on a virtual rig in virtual time: the real journal, service, gate, orders, runner and judge; only ports are left out.

Run as a program it tests units in a home of its own until it kills itself (-9) in the middle of one: `rig_shift.py HOME LOT N`.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from benchd import config, orders
from benchd.core.samples import Sample, Value
from benchd.journal import Journal
from benchd.lots.door import NewLot
from benchd.lots.service import Lots
from benchd.runner import conduct
from benchd.virtual.regulators import regulator_of
from benchd.virtual.rig import Meters, Rig, act

PART = "vantry-vr20"
PLANTED = {
    "VR20-000004": "leaks-back", "VR20-000011": "set-point-low", "VR20-000019": "output-low", "VR20-000027": "ripple-high",
    "VR20-000036": "over-ceiling", "VR20-000044": "starts-late",
}  # fmt: skip
SERIALS = [f"VR20-{number:06d}" for number in range(1, 51)]
BENCH = config.load_bench(config.find_file("rig-1", "bench"))
SLUG = "rig-1"


class Ticks:
    """Virtual time."""

    def __init__(self) -> None:
        self.ns = 0

    def now_ns(self) -> int:
        return self.ns


class Played:
    """A runner's Sampling: the rig's meters read every half second of virtual time."""

    def __init__(self, rig: Rig, meters: Meters, ticks: Ticks, die_after: int | None = None) -> None:
        self._rig, self._meters, self._ticks, self._die_after = rig, meters, ticks, die_after

    async def run(self, emit: Any) -> None:
        start_s, start_ns = self._rig.t_s, self._ticks.ns
        for count in range(1, 2400):
            t_s = 0.5 * count
            self._rig.advance(start_s + t_s)
            self._ticks.ns = start_ns + round(t_s * 1e9)
            shown = self._meters.show(self._rig)
            emit(Sample(round(t_s * 1e9), {name: Value(value, digit) for name, (value, digit) in shown.items()}))
            if count == self._die_after:
                await asyncio.sleep(0.15)  # so that some of it is on the disk
                os.kill(os.getpid(), signal.SIGKILL)
            await asyncio.sleep(0)


class Shift:
    """One rig, one person, one scanner. `drift_ppm_h` of its voltmeter; `now` is the shift's own clock."""

    def __init__(self, journal: Journal, drift_ppm_h: float = 0.0) -> None:
        self.journal, self.now = journal, datetime.now(UTC)
        self.lots = Lots(journal, wall=lambda: self.now)
        self.rig, self.meters, self.ticks = Rig(1), Meters(1, drift_ppm_h), Ticks()

    def scan(self, lot: str, text: str, *, again: bool = False, die_after: int | None = None) -> dict[str, Any]:
        """What a scan came to: the answer, and the verdict if the unit was tested."""
        answer = self.lots.scan(lot, text, SLUG, again=again, by="Ines Calder")
        if answer["action"] != "test":
            return answer
        return answer | {
            "verdict": asyncio.run(self._test(lot, str(answer["serial"]), again, answer.get("trial"), die_after))
        }

    async def _test(self, lot: str, serial: str, again: bool, trial: Any, die_after: int | None) -> Mapping[str, Any]:
        self.rig.mount(regulator_of(serial, PLANTED))
        self.rig.milliammeter_in = True
        self.rig.advance(self.rig.t_s + 6.0)
        spec = config.load_spec(config.find_file(PART, "regulator"))
        order = orders.Order(
            "unit",
            BENCH,
            spec,
            unit=serial,
            lot=lot,
            by="Ines Calder",
            retest=again,
            trial=None if trial is None else tuple(trial),
        )
        ready = orders.prepare(order, self.journal, self.now)
        writer, facts = orders.open_run(ready, self.journal)
        sampling = Played(self.rig, self.meters, self.ticks, die_after)
        ended = await conduct(
            ready.procedure, sampling, writer, facts, clock=self.ticks, technician=lambda prompt: act(self.rig, prompt)
        )
        self.now += timedelta(seconds=90)
        self.meters.hours += 90 / 3600
        return ended.verdict

    def check(self, name: str = "REF-1") -> dict[str, Any]:
        """Measure the check standard; the gate after it."""
        self.scan(name, name)
        return self.lots.gate(SLUG, "VR-20")


def opened(lots: Lots) -> str:
    """A check standard with reference values, and a lot."""
    references = {
        "set-point-slow": (14.285, 0.02), "set-point-light": (14.285, 0.02), "set-point-rated": (14.196, 0.03), "greatest-output": (20.93, 0.2),
    }  # fmt: skip
    lots.open(NewLot("standard", "REF-1", PART, references=references))
    return str(lots.open(NewLot("lot", "", PART, planned=50, customer="Marlow Farm Supply"))["lot"])


if __name__ == "__main__":
    home, lot, last = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    with Journal(home / "journal.sqlite") as journal:
        shift = Shift(journal)
        for number, serial in enumerate(SERIALS[:last], 1):
            shift.scan(lot, serial, die_after=40 if number == last else None)
