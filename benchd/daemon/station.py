"""One bench in the daemon: its instruments stay open, watched between runs, and one run at a time is conducted on it.

Between runs a sampler reads every channel, for health alone: nothing of that is kept. A run's sampler takes the open
links over and hands them back.
"""

from __future__ import annotations

import asyncio
import hashlib
import logging
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchd import orders, preflight, registry
from benchd.clock import Clock
from benchd.config import Bench
from benchd.core.samples import Sample
from benchd.daemon.health import BenchHealth
from benchd.daemon.news import News
from benchd.errors import BenchdError, BusyError, PortError
from benchd.journal import Journal, RunWriter
from benchd.links import KeptLinks
from benchd.runner import Emit, Ended, Facts, Run, Technician, conduct
from benchd.sampler import Sampler

log = logging.getLogger("benchd.bench")

#: After a fault in watching (a driver's ConfigError, a mistake of ours) the bench is tried again so late.
FAULT_PAUSE_S = 10.0
#: Closing is bounded in every link; a bench whose instruments are not free by then says so instead of hanging.
LET_GO_S = 15.0
#: So long the end waits for a run that is being opened.
OPENING_S = 2.0
STOPPING = "the daemon is stopping: it takes no run any more"


#: Somebody who acts on a run's prompts without a keyboard, on a virtual bench: (bench slug, procedure) -> him.
Technicians = Callable[[str, str, str | None], Awaitable[Technician | None]]


@dataclass(frozen=True, slots=True)
class House:
    """What all benches of a daemon share."""

    journal: Journal
    news: News
    clock: Clock
    links: KeptLinks
    store: asyncio.Lock  # one at a time prepares and opens runs: the journal's editing connection is one


class _Tapped:
    """A sampler whose every word goes to the bench's health too."""

    def __init__(self, sampler: Sampler, health: BenchHealth) -> None:
        self._sampler, self._health = sampler, health

    async def run(self, emit: Emit, /) -> None:
        take = self._health.take

        def both(item: Mapping[str, Any] | Sample) -> None:
            take(item)
            emit(item)

        self._health.begin(lambda: self._sampler.counts)
        try:
            await self._sampler.run(both)
        finally:
            self._health.rest()


class Station:
    """`live()` is its task; `start` and the operator's calls come from the daemon. All in the event loop."""

    def __init__(self, slug: str, bench: Bench, house: House) -> None:
        self.slug, self.bench = slug, bench
        self.health = BenchHealth(bench, house.clock.now_ns)
        self.last_run: str | None = None
        self.run_id: str | None = None
        self.fault = ""  # why the bench is not watched
        raw = Path(bench.source).read_bytes() if bench.source else b""
        self.source_sha256 = hashlib.sha256(raw).hexdigest()
        self._text = raw.decode("utf-8-sig")
        self._house = house
        self._run: Run | None = None
        self._conducting: asyncio.Task[None] | None = None
        self._watching: asyncio.Task[None] | None = None
        self._starting = False
        self._started = asyncio.Event()  # no start is under way
        self._started.set()
        self._stopped = False
        self._idle = asyncio.Event()
        self._idle.set()

    # --- between runs ---------------------------------------------------------------------------------------------

    async def live(self) -> None:
        """Watch the instruments whenever no run does, until cancelled."""
        try:
            while True:
                await self._idle.wait()
                self._watching = asyncio.create_task(self._watch(), name=f"benchd watch {self.slug}")
                await asyncio.wait({self._watching})
                by_itself = not self._watching.cancelled()
                self._watching = None
                if by_itself:  # recordings: until a run has been over them there is nothing to watch
                    self._idle.clear()
        finally:
            await self._pause_watching()

    async def _watch(self) -> None:
        while True:
            try:
                sampler = self._sampler(self._idle_channels(), None)
                self.fault = ""
                await _Tapped(sampler, self.health).run(lambda item: None)
                return
            except Exception as error:
                self.fault = f"{self.slug}: not watched: {error}"
                level = logging.WARNING if isinstance(error, BenchdError) else logging.ERROR
                log.log(level, "%s", self.fault, exc_info=not isinstance(error, BenchdError))
                task = asyncio.current_task()
                if task is not None and task.cancelling():  # it broke while it was being ended: it has ended
                    raise asyncio.CancelledError from error
            await asyncio.sleep(FAULT_PAUSE_S)

    def _idle_channels(self) -> list[str]:
        """All channels but those whose number needs a machine's magnet poles."""
        channels = self.bench.channels
        return [name for name, one in channels.items() if one.factor(None) is not None]

    def _sampler(self, channels: Any, poles: int | None) -> Sampler:
        return Sampler(
            self.bench, channels, self._house.clock, registry.drivers(), poles, open_link=self._house.links.open
        )

    async def _pause_watching(self) -> bool:
        """Whether the instruments are free now."""
        watching = self._watching
        if watching is None:
            return True
        watching.cancel()
        await asyncio.wait({watching}, timeout=LET_GO_S)
        return watching.done()

    # --- a run ----------------------------------------------------------------------------------------------------

    async def start(self, order: orders.Order, technicians: Technicians | None = None) -> str:
        """Check everything, open the run and conduct it from now on; its id. BusyError and what orders raise."""
        if self._starting or self._conducting is not None:
            at = f" ({self.run_id})" if self.run_id else ""
            raise BusyError(
                f"bench {self.slug} is in a run{at}: wait for its end, or stop it (benchd watch {self.slug} --operate, then a)"
            )
        if self._stopped:
            raise BusyError(STOPPING)
        self._starting = True
        self._started.clear()
        try:
            async with self._house.store:
                ready = await asyncio.to_thread(self._prepare, order)
            technician = None if technicians is None else await technicians(self.slug, order.procedure, order.unit)
            self._idle.clear()
            if not await self._pause_watching():
                raise PortError(
                    f"{self.slug}: an instrument has not let go of its port for {LET_GO_S:.0f} s: unplug it and plug it "
                    "in again; if it stays so, start the daemon again"
                )
            # A link that is open is there, and a port cannot be opened twice.
            parked, wired = self._house.links.parked, self.bench.instruments
            await orders.check_ports(ready, [name for name in ready.instruments if wired[name].port not in parked])
            sampler = self._sampler(ready.channels, preflight.poles_of(order.spec))
            async with self._house.store:
                if self._stopped:
                    raise BusyError(STOPPING)
                writer, facts = await asyncio.to_thread(orders.open_run, ready, self._house.journal)
            await self._begin(ready, sampler, writer, facts, technician)
        finally:
            self._starting = False
            self._started.set()
            self._resume_watching()
        return writer.run

    def _resume_watching(self) -> None:
        if self._conducting is None and not self._stopped:
            self._idle.set()

    def _prepare(self, order: orders.Order) -> orders.Ready:
        return orders.prepare(order, self._house.journal, self._house.clock.wall_utc())

    async def _begin(
        self,
        ready: orders.Ready,
        sampler: Sampler,
        writer: RunWriter,
        facts: Facts,
        technician: Technician | None,
    ) -> None:
        run = self.run_id = self.last_run = writer.run
        self._house.news.run_opened(run)
        begun: asyncio.Future[Run] = asyncio.get_running_loop().create_future()
        work = conduct(
            ready.procedure,
            _Tapped(sampler, self.health),
            writer,
            facts,
            clock=self._house.clock,
            technician=technician,
            warn=lambda text: log.warning("%s: %s", run, text),
            begun=begun.set_result,
        )
        log.info("%s: %s run opened on %s", run, ready.order.procedure, self.slug)
        self._conducting = asyncio.create_task(self._conduct(run, work), name=f"benchd run {run}")
        either: set[asyncio.Future[Any]] = {begun, self._conducting}
        await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
        if begun.done() and self._conducting is not None:
            self._run = begun.result()

    async def _conduct(self, run: str, work: Awaitable[Ended]) -> None:
        try:
            ended = await work
            verdict = ended.verdict
            log.info("%s: %s, suspect %s (%s)", run, verdict["verdict"], verdict["suspect"], ended.status)
            if ended.fault is not None:
                log.error("%s: a fault in benchd ended it", run, exc_info=ended.fault)
        except Exception:
            log.exception("%s: the run broke", run)
        finally:
            self._house.news.run_closed(run)
            self._run = self._conducting = self.run_id = None
            self._resume_watching()

    def operated(self, run: str) -> Run:
        """The run under way, for its operator. BusyError if it has ended."""
        if self._run is None or run != self.run_id or self._run.done.is_set():
            raise BusyError(f"run {run} has ended: nothing can be said to it any more")
        return self._run

    # --- what is asked --------------------------------------------------------------------------------------------

    @property
    def state(self) -> str:
        if self.run_id is not None:
            return "in a run"
        return "instrument missing" if self.health.silent or self.fault else "ready"

    def order(self, procedure: str, spec_file: Path, **more: Any) -> orders.Order:
        """An order on this bench, with its file as it was when the daemon read it. ConfigError."""
        from benchd import config

        spec = config.load_spec(spec_file)
        text = spec_file.read_text(encoding="utf-8-sig")
        return orders.Order(procedure, self.bench, spec, bench_text=self._text, spec_text=text, **more)

    def order_by_text(self, procedure: str, text: str, name: str, **more: Any) -> orders.Order:
        """The same by the text of a file that is called `name`. ConfigError."""
        from benchd import config

        spec = config.load_spec_text(text, name)
        return orders.Order(procedure, self.bench, spec, bench_text=self._text, spec_text=text, **more)

    async def stop(self, because: str) -> None:
        """End the run under way, as aborted; watch no more."""
        self._stopped = True
        self._idle.clear()
        with suppress(TimeoutError):
            async with asyncio.timeout(OPENING_S):
                await self._started.wait()
        if self._run is not None:
            self._run.hurried = True
            self._run.stop(because)
        if self._conducting is not None:
            await asyncio.wait({self._conducting})
        await self._pause_watching()
