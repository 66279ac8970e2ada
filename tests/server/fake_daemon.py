"""A daemon without instruments: the journal, the news and the runs in it are real, the benches are said to be there."""

from __future__ import annotations

import asyncio
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from benchd import config
from benchd.daemon.interface import RunRequest
from benchd.daemon.news import News
from benchd.errors import BusyError, ConfigError, NotFoundError
from benchd.forward.base import ForwarderStatus
from benchd.journal import Journal, RunWriter
from benchd.lots.service import Lots
from benchd.visits.knowledge import load_knowledge, shipped_paths
from benchd.visits.service import Visits

BENCHES = {"bay-1": "bay 1", "bay-2": "bay 2"}
MACHINES = ("hollin-t18",)
PARTS = ("vantry-or9",)
KNOWN = load_knowledge(shipped_paths())
COUNTS = {
    "readings": 1200, "garbage": 3, "bad_frames": 2, "errors": 1, "timeouts": 4, "gaps": 1, "reconnects": 1,
}  # fmt: skip
VERDICT = {
    "kind": "verdict", "procedure": "regulator", "verdict": "pass", "suspect": "none", "suspects": [],
    "reasons": ["Settled at 14.21 V."], "measured": {"settled_volts": {"value": 14.21, "unit": "V"}},
    "ended": "2027-03-01T10:05:00+00:00", "duration_s": 300.0,
}  # fmt: skip


def sample(number: int) -> dict[str, Any]:
    """What one sample of a bench with five channels looks like."""
    values = {
        "battery_volts": [14.21, 0.01, [], 0.1], "charge_amps": [3.2, 0.01, [], 0.1], "stator_volts": [31.5, 0.1, [], 0.2],
        "stator_hertz": [352.0, 0.1, [], 0.2], "engine_rpm": [3520.0, 1.0, [], 0.05],
    }  # fmt: skip
    return {"kind": "sample", "t_ns": number * 500_000_000, "values": values}


def machine_file(name: str) -> Path:
    if name not in MACHINES:
        raise NotFoundError(f"no machine {name!r}; there are: {', '.join(MACHINES)}")
    return config.find_file(name, "machine")


def part_file(name: str) -> Path:
    if name not in PARTS:
        raise NotFoundError(f"no regulator file {name!r}; there are: {', '.join(PARTS)}")
    return config.find_file(name, "regulator")


class FakeDaemon:
    """Satisfies DaemonInterface. Make it inside the event loop that serves it."""

    def __init__(self, home: Path) -> None:
        self.journal = Journal(home / "journal.sqlite")
        self.id = self.journal.daemon_id("Tessel Lane")
        self.name, self.version, self.started = "Tessel Lane", "0.1.0", "2027-03-01T08:00:00+00:00"
        self.reader = self.journal.reader()
        self.news = News(self.journal.last_row(), self._look)
        self.journal.on_commit = self.news.committed
        self.visits = Visits(self.journal, KNOWN, machine_file=machine_file)
        self.lots = Lots(self.journal, part_file=part_file, dues=lambda bench: {"volts": None}, benches=lambda: BENCHES)
        self.under_way: dict[str, tuple[str, RunWriter]] = {}  # run -> (bench, writer)
        self.last_run: dict[str, str] = {}
        self.asked: list[RunRequest] = []
        self.said: list[tuple[str, ...]] = []
        self.backups = 0
        self.trouble: Exception | None = None  # raised by status()
        self.held_back = [
            {"no": no, "at": self.started, "run": "20270301-100000-000ab", "row": no, "line": "x", "reason": "refused"}
            for no in (2, 1)
        ]

    def close(self) -> None:
        self.reader.close()
        self.journal.close()

    def _look(self, run: str, seq: int) -> tuple[bool, bool]:
        with self.journal.reader() as reader:
            return next(iter(reader.read(run, seq)), None) is not None, reader.info(run)["status"] is None

    # --- runs for the tests -----------------------------------------------------------------------------------------

    def open_run(self, bench: str = "bay-1", **more: Any) -> RunWriter:
        writer = self.journal.open_run(
            {
                "procedure": "regulator",
                "bench": BENCHES[bench],
                "machine": "Hollin T18 garden tractor",
                "started": self.started,
                **more,
            }
        )
        self.under_way[writer.run] = (bench, writer)
        self.news.run_opened(writer.run)
        return writer

    def end_run(self, run: str, status: str = "judged", verdict: Mapping[str, Any] | None = VERDICT) -> None:
        slug, writer = self.under_way[run]
        if verdict is not None:
            writer.append(verdict)
        writer.close({"status": status, "reason": "settled", "counts": {}})
        del self.under_way[run]
        self.last_run[slug] = run
        self.news.run_closed(run)

    def finished_run(self, samples: int = 20, status: str = "judged", **more: Any) -> str:
        writer = self.open_run(**more)
        for number in range(samples):
            writer.append(sample(number))
        self.end_run(writer.run, status, VERDICT if status == "judged" else None)
        return writer.run

    # --- DaemonInterface --------------------------------------------------------------------------------------------

    def status(self) -> dict[str, Any]:
        if self.trouble is not None:
            raise self.trouble
        return {
            "daemon": self.id, "name": self.name, "version": self.version, "started": self.started,
            "benches": [self.bench(one) for one in BENCHES],
            "forwarders": [one.to_json() for one in self.forwarders()],
            "disk": {"free_bytes": 10**11, "low": False}, "warnings": [],
        }  # fmt: skip

    def bench_names(self) -> Sequence[str]:
        return list(BENCHES)

    def bench(self, bench: str) -> dict[str, Any]:
        slug = self._slug(bench)
        run = next((run for run, (at, _) in self.under_way.items() if at == slug), None)
        volts = {"value": 12.7, "unit": "V", "age_s": 0.2, "flags": []}
        return {
            "bench": slug, "name": BENCHES[slug], "state": "ready" if run is None else "in a run", "run": run,
            "last_run": self.last_run.get(slug), "source_sha256": "0" * 64, "channels": {"battery_volts": volts},
            "instruments": [self.instrument(slug, "volts")],
        }  # fmt: skip

    def instrument(self, bench: str, instrument: str) -> dict[str, Any]:
        self._slug(bench)
        if instrument != "volts":
            raise NotFoundError(f"bench {bench!r} has no instrument {instrument!r}; it has: volts")
        return {
            "name": "volts", "driver": "scpi", "port": "serial:BENCH0001", "identity": 'INVENTED,"M350"\x1b[2J',
            "state": "talking", "since": self.started, "what": "", "cure": "", "calibration_due": None,
            "overdue": False, "counts": COUNTS,
        }  # fmt: skip

    def _slug(self, bench: str) -> str:
        if bench not in BENCHES:
            raise NotFoundError(f"there is no bench {bench!r}; there are: {', '.join(BENCHES)}")
        return bench

    async def start_run(self, request: RunRequest) -> str:
        slug = self._slug(request.bench)
        if request.procedure not in ("stator", "regulator", "unit"):
            raise ConfigError(f"procedure: found {request.procedure!r}, expected one of stator, regulator, unit")
        if request.spec is not None and request.spec not in MACHINES:
            raise NotFoundError(f"no machine {request.spec!r}; there are: {', '.join(MACHINES)}")
        if request.spec_toml is not None:
            try:
                tomllib.loads(request.spec_toml)
            except tomllib.TOMLDecodeError as error:
                raise ConfigError(f"spec_toml: {error}") from error
        if any(bench == slug for bench, _ in self.under_way.values()):
            raise BusyError(f"bench {slug} is in a run")
        of_lot = {"lot": request.lot, "by": request.by, "retest": request.retest, "trial": request.trial}
        more = {} if request.lot is None else of_lot
        writer = self.open_run(slug, work_order=request.work_order, unit=request.unit, **more)
        self.asked.append(request)
        return writer.run

    def _under_way(self, run: str) -> RunWriter:
        if run in self.under_way:
            return self.under_way[run][1]
        if any(one["run"] == run for one in self.reader.runs(1000)):
            raise BusyError(f"run {run} has ended")
        raise NotFoundError(f"there is no run {run}")

    def answer(self, run: str, id: str, text: str) -> None:
        self._under_way(run)
        self.said.append(("answer", id, text))

    def mark(self, run: str, text: str) -> None:
        self._under_way(run).append({"kind": "mark", "text": text, "t_ns": 0})
        self.said.append(("mark", text))

    def stop_run(self, run: str, because: str, ctrl_c: bool = False) -> None:
        self._under_way(run)
        self.said.append(("stop", because, str(ctrl_c)))
        self.end_run(run, "aborted", None)

    def forwarders(self) -> Sequence[ForwarderStatus]:
        return [
            ForwarderStatus(
                "series", "http://127.0.0.1:8428", "sending", 7, 2, 0.5, 900, len(self.held_back), 1, None, None
            )
        ]

    def quarantine(self, forwarder: str, limit: int = 100) -> list[dict[str, Any]]:
        self._forwarder(forwarder)
        return self.held_back[:limit]

    def release(self, forwarder: str, no: int | None = None) -> int:
        self._forwarder(forwarder)
        return sum(no in (None, one["no"]) for one in self.held_back)

    def _forwarder(self, name: str) -> None:
        if name != "series":
            raise NotFoundError(f"there is no forwarder {name!r}; there is: series")

    async def backup(self) -> str:
        await asyncio.sleep(0)
        self.backups += 1
        return f"journal-{self.backups}.sqlite"
