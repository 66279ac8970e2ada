"""The daemon: benches, forwarders and the jobs of the house, as one object that the outside asks (DaemonInterface)."""

from __future__ import annotations

import asyncio
import logging
import re
import shutil
import tempfile
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from benchd import __version__, orders
from benchd.clock import Clock
from benchd.core import procedures
from benchd.core.specs import Rule
from benchd.daemon.interface import RunRequest
from benchd.daemon.jobs import Jobs
from benchd.daemon.news import News
from benchd.daemon.station import House, Station, Technicians
from benchd.errors import BusyError, ConfigError, NotFoundError, StoreError
from benchd.forward.base import Forwarder, ForwarderStatus
from benchd.forward.store import FILE_NAME, ForwardStore
from benchd.gate import due_of
from benchd.journal import Journal
from benchd.journal_backup import default_target
from benchd.judge import STOPPED
from benchd.links import KeptLinks
from benchd.lots.service import Lots
from benchd.rules import RULES
from benchd.runner import CTRL_C, Run
from benchd.site import Site
from benchd.visits.doors import Fresh
from benchd.visits.photo_backup import copy_photos
from benchd.visits.service import Visits

if TYPE_CHECKING:
    from benchd.forward.mqtt import MqttForwarder
    from benchd.forward.mqtt_commands import KeyLookup

log = logging.getLogger("benchd.daemon")

#: A part of the house that broke is begun anew so late; it is in the log and among the warnings.
AGAIN_S = 5.0
#: What forwarders may still hand on after the last run was closed.
LAST_WORDS_S = 0.5
_SPEC_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
SENT_SPEC = "(sent with the order)"


class Daemon:
    """`async with Daemon(site, journal, home)`: everything is up inside, and stopped after it. Satisfies DaemonInterface."""

    def __init__(
        self,
        site: Site,
        journal: Journal,
        home: Path,
        *,
        clock: Clock | None = None,
        technicians: Technicians | None = None,
        key_of: KeyLookup | None = None,
    ) -> None:
        self.site, self.journal, self.home = site, journal, home
        self.name, self.version = site.name, __version__
        self.id = journal.daemon_id(site.name)
        self.started = _utc()
        self.visits = Visits(journal, Fresh(), machine_file=_machine_file, shop=site.name)
        self.lots = Lots(journal, part_file=_regulator_file, dues=self._dues, benches=self.bench_names, shop=site.name)
        self.broken: dict[str, str] = {}  # part of the house -> what is wrong with it
        self._clock = clock or Clock()
        self._technicians, self._key_of = technicians, key_of
        self._tasks: list[asyncio.Task[None]] = []
        self._mqtt: MqttForwarder | None = None

    async def __aenter__(self) -> Daemon:
        self.reader = self.journal.reader()
        self.news = News(self.journal.last_row(), self._look)
        self.journal.on_commit = self.news.committed
        self.links = KeptLinks()
        self.store_lock = asyncio.Lock()
        house = House(self.journal, self.news, self._clock, self.links, self.store_lock)
        self.stations = {slug: Station(slug, bench, house) for slug, bench in self.site.benches.items()}
        for station in self.stations.values():
            newest = self.reader.runs(1, bench=station.bench.name)
            station.last_run = str(newest[0]["run"]) if newest else None
        self.store = ForwardStore(self.home / FILE_NAME)
        self._forwarders = self._made_forwarders()
        # A new file beside a new journal, or one that nobody uses, is no news.
        self._notice = self.store.notice if self._forwarders and self.news.row else ""
        self.jobs = Jobs(self)
        for slug, station in self.stations.items():
            self._begin(f"bench {slug}", station.live)
        for forwarder in self._forwarders:
            self._begin(f"forwarder {forwarder.name}", forwarder.run)
        for name, job in self.jobs.all().items():
            self._begin(name, job)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop("the daemon was stopped")

    async def stop(self, because: str) -> None:
        """End runs and watching, let forwarders say their last words, close every port."""
        await asyncio.gather(*(station.stop(because) for station in self.stations.values()))
        if self._forwarders:
            await asyncio.sleep(LAST_WORDS_S)
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks)
        self._tasks = []
        await self.links.close()
        self.store.close()
        self.reader.close()
        self.journal.on_commit = None

    def _begin(self, name: str, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        self._tasks.append(asyncio.create_task(self._kept_up(name, work), name=f"benchd {name}"))

    async def _kept_up(self, name: str, work: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """One part of the house; a fault in it is loud, and it is begun anew. The other parts go on."""
        while True:
            try:
                await work()
                return
            except Exception as error:
                self.broken[name] = f"{name} broke and is begun anew: {type(error).__name__}: {error}"
                log.exception("%s broke", name)
            await asyncio.sleep(AGAIN_S)

    def _made_forwarders(self) -> list[Forwarder]:
        found: list[Forwarder] = []
        site = self.site
        if site.series is not None:
            from benchd.forward.series import SeriesForwarder

            found.append(SeriesForwarder(site.series, self.journal.reader, self.store, self.id, self.news))
        if site.mqtt is not None:
            from benchd.daemon.commands import Commands
            from benchd.forward.mqtt import MqttForwarder

            commands = Commands(self) if site.mqtt.commands else None
            self._mqtt = MqttForwarder(
                site.mqtt,
                self.journal.reader,
                self.store,
                self.id,
                self.news,
                self.bench_states,
                commands,
                self._key_of,
            )
            found.append(self._mqtt)
        return found

    def _look(self, run: str, seq: int) -> tuple[bool, bool]:
        """News.Look, in a thread: of runs that other processes write."""
        reader = self.journal.reader()
        try:
            is_open = reader.info(run)["status"] is None
            return next(iter(reader.read(run, seq)), None) is not None, is_open
        finally:
            reader.close()

    @property
    def commands_refused(self) -> Mapping[str, int]:
        """Why -> how many commands over MQTT were not let in."""
        return {} if self._mqtt is None else self._mqtt.commands_refused

    # --- what is asked --------------------------------------------------------------------------------------------

    def status(self) -> dict[str, Any]:
        return {
            "daemon": self.id,
            "name": self.name,
            "version": self.version,
            "started": self.started,
            "benches": [self.bench(slug) for slug in self.stations],
            "forwarders": [one.to_json() for one in self.forwarders()],
            "disk": self.disk(),
            "warnings": self.warnings(),
        }

    def disk(self) -> dict[str, Any]:
        """{free_bytes, low}; free_bytes None where the system does not tell."""
        try:
            free = shutil.disk_usage(self.journal.path.parent).free
        except OSError:
            return {"free_bytes": None, "low": True}
        return {"free_bytes": free, "low": free < self.site.min_free_bytes}

    def disk_warning(self, disk: Mapping[str, Any]) -> str:
        free = disk["free_bytes"]
        told = "how much is free cannot be told" if free is None else f"{free / 1e6:.0f} MB free"
        return f"the disk of {self.journal.path} is nearly full ({told}): make room"

    def warnings(self) -> list[str]:
        found = [*self.site.warnings, *self.broken.values(), *self.jobs.warnings]
        found += [station.fault for station in self.stations.values() if station.fault]
        if self._notice:
            found.append(self._notice)
        found += [] if self._mqtt is None else self._mqtt.warnings()
        disk = self.disk()
        if disk["low"]:
            found.append(self.disk_warning(disk))
        found += [
            f"forwarder {one.name} is refused by {one.target}: {one.last_error}"
            for one in self.forwarders()
            if one.state == "refused"
        ]
        return found

    def bench_names(self) -> Sequence[str]:
        return list(self.stations)

    def bench(self, bench: str) -> dict[str, Any]:
        station = self._station(bench)
        idle = station.run_id is None
        return {
            "bench": station.slug,
            "name": station.bench.name,
            "state": station.state,
            "run": station.run_id,
            "last_run": station.last_run,
            "source_sha256": station.source_sha256,
            "channels": station.health.channels(idle=idle),
            "instruments": [self._instrument(station, name) for name in station.bench.instruments],
        }

    def bench_states(self) -> dict[str, dict[str, Any]]:
        """Slug -> bench(): what the MQTT forwarder retains."""
        return {slug: self.bench(slug) for slug in self.stations}

    def instrument(self, bench: str, instrument: str) -> dict[str, Any]:
        station = self._station(bench)
        if instrument not in station.bench.instruments:
            there = ", ".join(station.bench.instruments)
            raise NotFoundError(f"bench {station.slug} has no instrument {instrument!r}; it has {there}")
        return self._instrument(station, instrument)

    def _instrument(self, station: Station, name: str) -> dict[str, Any]:
        return station.health.instrument(name, self._clock.wall_utc().date())

    def _station(self, bench: str) -> Station:
        for slug, station in self.stations.items():
            if bench in (slug, station.bench.name):
                return station
        raise NotFoundError(f"no bench {bench!r} is served here; there are {', '.join(self.stations) or 'none'}")

    # --- runs -----------------------------------------------------------------------------------------------------

    async def start_run(self, request: RunRequest) -> str:
        station = self._station(request.bench)
        if request.procedure not in procedures.NAMES:
            known = ", ".join(procedures.NAMES)
            raise ConfigError(f"procedure: found {request.procedure!r}, expected one of {known}")
        if request.rule is not None and request.rule not in RULES:
            raise ConfigError(f"rule: found {request.rule!r}, expected one of {', '.join(RULES)}")
        order = await asyncio.to_thread(self._order, station, request)
        return await station.start(order, self._technicians)

    def _order(self, station: Station, request: RunRequest) -> orders.Order:
        if request.lot is not None:
            return self._unit_order(station, request)
        if (request.spec is None) == (request.spec_toml is None):
            raise ConfigError("say either `spec`, the name of a machine file, or `spec_toml`, the text of one")
        more = {
            "work_order": request.work_order,
            "unit": request.unit,
            "rule": None if request.rule is None else Rule(RULES[request.rule]),
            "asked_by": request.asked_by,
        }
        if request.spec is not None:
            find = _regulator_file if request.procedure == "unit" else _machine_file
            return station.order(request.procedure, find(request.spec), **more)
        assert request.spec_toml is not None
        with tempfile.TemporaryDirectory(prefix="benchd-spec-") as folder:
            path = Path(folder) / "spec.toml"
            path.write_text(request.spec_toml, encoding="utf-8")
            try:
                order = station.order(request.procedure, path, **more)
            except ConfigError as error:
                raise ConfigError(str(error).replace(str(path), "spec_toml")) from error
        return replace(order, spec=replace(order.spec, source=SENT_SPEC))

    def _unit_order(self, station: Station, request: RunRequest) -> orders.Order:
        """A unit's test: the lot says by which file."""
        if request.spec is not None or request.spec_toml is not None:
            raise ConfigError("say `lot` or a spec, not both: a lot goes by the file that it was opened with")
        assert request.lot is not None
        lot = self.journal.lot(request.lot)
        text = str(self.journal.lot_records(request.lot)[0].get("spec_text") or "")
        more: dict[str, Any] = {
            "unit": request.unit,
            "asked_by": request.asked_by,
            "lot": request.lot,
            "by": request.by,
        }
        more |= {"retest": request.retest, "trial": request.trial}
        return station.order_by_text(request.procedure, text, f"{lot['kind']} {request.lot}", **more)

    def _dues(self, bench: str) -> Mapping[str, date | None] | None:
        station = self.stations.get(bench)
        return None if station is None else due_of(station.bench)

    def answer(self, run: str, id: str, text: str) -> None:
        self._operated(run).operator("answer", id, text)

    def mark(self, run: str, text: str) -> None:
        self._operated(run).operator("mark", "", text)

    def stop_run(self, run: str, because: str, ctrl_c: bool = False) -> None:
        under_way = self._operated(run)
        if ctrl_c:
            under_way.stop(STOPPED, CTRL_C)
        else:
            under_way.stop(because or STOPPED)

    def _operated(self, run: str) -> Run:
        for station in self.stations.values():
            if station.run_id == run:
                return station.operated(run)
        try:
            status = self.reader.info(run)["status"]
        except StoreError:
            raise NotFoundError(f"no run {run!r} is kept here") from None
        if status is None:
            raise BusyError(f"run {run} is conducted by another program, not by this daemon: operate it there")
        raise BusyError(f"run {run} has ended: nothing can be said to it any more")

    # --- forwarders and the store ---------------------------------------------------------------------------------

    def forwarders(self) -> Sequence[ForwarderStatus]:
        return [one.status() for one in self._forwarders]

    def settled_row(self) -> int | None:
        """The row up to which no forwarder will ever ask again; None without forwarders."""
        return min((one.settled for one in self._forwarders), default=None)

    def quarantine(self, forwarder: str, limit: int = 100) -> list[dict[str, Any]]:
        return [one.to_json() for one in self.store.quarantine(self._forwarder(forwarder), limit)]

    def release(self, forwarder: str, no: int | None = None) -> int:
        return self.store.release(self._forwarder(forwarder), no)

    def _forwarder(self, name: str) -> str:
        names = [one.name for one in self._forwarders]
        if name not in names:
            raise NotFoundError(f"no forwarder {name!r} is configured; there are {', '.join(names) or 'none'}")
        return name

    async def backup(self) -> str:
        target = default_target(self.journal.path)
        await asyncio.to_thread(self.journal.backup, target)
        _, missing = await asyncio.to_thread(copy_photos, self.journal.path, target)
        for one in missing:
            log.warning("backup %s lacks a photo: %s", target.name, one)
        return target.name


def _file_of(kind: Literal["machine", "regulator"], name: str) -> Path:
    """A machine or regulator file by its bare name. NotFoundError; a path never gets so far as to be looked up."""
    from benchd import config
    from benchd.registry import nearest

    known = config.known_files(kind)
    if not _SPEC_NAME.fullmatch(name) or name.removesuffix(".toml") not in known:
        near = nearest(name, known)
        raise NotFoundError(
            f"no {kind} {name[:64]!r} is known to this daemon{near}; there are {', '.join(known) or 'none'}"
        )
    return known[name.removesuffix(".toml")]


_machine_file, _regulator_file = partial(_file_of, "machine"), partial(_file_of, "regulator")


def _utc() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
