"""Conducts one run: sampler -> procedure -> journal -> screen, until the procedure decides or something stops it.

Every record is written to the journal before it is shown. Whatever ends a run, it is closed once, its ports are
closed and it has a verdict object; only a run that the procedure itself ended is anything but void:

    status       ended by                                        exit code
    judged       the procedure, or the end of a recording         that of its verdict
    aborted      the operator, Ctrl-C, SIGTERM, a closed terminal  4 (Ctrl-C: 130)
    failed       the journal, or the sampler                     5
"""

from __future__ import annotations

import asyncio
import signal
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Protocol

from benchd.core.events import Answer, Decided, JudgeEvent, Prompt, record, sample_record
from benchd.core.procedures import Procedure
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec
from benchd.core.verdicts import EXIT_CODES, Outcome, Suspect, Verdict
from benchd.errors import StoreError
from benchd.judge import RECORDING_ENDED, STOPPED, contract, finished, voided
from benchd.screenfeed import ScreenFeed

CTRL_C = 130
END_PAGE_HURRIED_S = 0.5
CLOSE_PORTS_S = 5.0  # an instrument that hangs longer than this is left behind
CLOSE_PORTS_HURRIED_S = 2.5  # after a signal: whoever sent it waits 5 s in all, and the run is to be closed by then

Record = dict[str, Any]
Emit = Callable[[Mapping[str, Any] | Sample], None]
Operator = Callable[[str, str, str], None]
#: Shows records until they end; the operator's keys come back through the second argument.
Show = Callable[[AsyncIterator[Record], Operator | None], Awaitable[None]]
#: Somebody who acts on prompts without a keyboard (the demo's technician): prompt record -> answer, None, or what will
#: be one when it has been done.
Technician = Callable[[Mapping[str, Any]], "str | Awaitable[str | None] | None"]


class Writer(Protocol):
    """What a run needs of the journal; `journal.RunWriter` is one."""

    @property
    def run(self) -> str: ...
    def append(self, record: Record, /) -> None: ...
    def close(self, body: Record, /) -> None: ...


class Sampling(Protocol):
    """What a run needs of the sampler."""

    async def run(self, emit: Emit, /) -> None: ...


class Ticking(Protocol):
    def now_ns(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Facts:
    """What stands in the verdict object beside the judge's part. `notes` are warnings that belong to its reasons."""

    spec: MachineSpec
    bench: str
    instruments: Sequence[Record]
    work_order: str | None = None
    unit: str | None = None
    notes: Sequence[str] = ()
    opened: Record = field(default_factory=dict)  # the run-opened record as it was kept


@dataclass(frozen=True, slots=True)
class Ended:
    """How a run ended: its verdict object, its status, the exit code that says so; `fault` is a mistake in benchd."""

    verdict: Record
    status: str
    exit_code: int
    fault: BaseException | None = None


def utc_text(moment: datetime | None = None) -> str:
    """A moment (now) as ISO 8601 in UTC, to the millisecond."""
    return (moment or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="milliseconds")


class Run:
    """The state of one run. All methods are called in the event loop, none of them waits."""

    def __init__(
        self,
        procedure: Procedure,
        writer: Writer,
        facts: Facts,
        clock: Ticking,
        technician: Technician | None = None,
        *,
        watched: bool = True,
    ) -> None:
        self.feed = ScreenFeed()
        self._watched = watched
        self.done = asyncio.Event()
        self.status = "judged"
        self.exit_code: int | None = None
        self.fault: BaseException | None = None  # a mistake in the program, for the log
        self.hurried = False  # a signal asked for the end: no end page
        self._procedure, self._writer, self._facts, self._clock = procedure, writer, facts, clock
        self._technician = technician
        self._answering: set[asyncio.Task[None]] = set()
        self._zero_ns = clock.now_ns()
        self._t_ns = 0
        self._ended = ""
        self._because = ""
        self._store_lost = False
        self._counts: Counter[str] = Counter()
        self._instruments = {str(one["name"]): dict(one) for one in facts.instruments}

    # --- what comes in ------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Show and keep what stands before the first sample."""
        if self._facts.opened:
            self.feed.put({"kind": "run-opened", **self._facts.opened})
        with self._trouble_ends_it():
            for note in self._facts.notes:
                self._keep({"kind": "caution", "t_ns": 0, "text": note})
            self._say(self._procedure.opening())

    def take(self, item: Mapping[str, Any] | Sample) -> None:
        """The sampler's emit: one sample, or a record to keep and show."""
        if self.done.is_set():
            return
        try:  # not the context manager below: this is called for every reading
            if isinstance(item, Sample):
                self._t_ns = max(self._t_ns, item.t_ns)
                self._keep(sample_record(item))
                self._say(self._procedure.feed(item))
            else:
                self._note_identity(item)
                self._keep(dict(item))
        except Exception as error:
            self._broke(error)

    def operator(self, kind: str, id: str, text: str) -> None:
        """The screen's keys: kind 'answer' (id of the prompt, text), 'mark' (text) or 'abort'."""
        if self.done.is_set():
            return
        if kind == "abort":
            self.stop(STOPPED, CTRL_C if id == "ctrl-c" else None)
            return
        if kind not in ("answer", "mark"):
            raise ValueError(f"a screen sent {kind!r}; it may send 'answer', 'mark' or 'abort'")
        self._t_ns = max(self._t_ns, self._clock.now_ns() - self._zero_ns)
        with self._trouble_ends_it():
            if kind == "mark":
                self._keep({"kind": "mark", "t_ns": self._t_ns, "text": text})
                return
            answer = Answer(self._t_ns, id, text)
            self._keep(record(answer))
            self._say(self._procedure.feed(answer))

    def stop(self, because: str, exit_code: int | None = None) -> None:
        """End the run now; it is kept and void."""
        self._cut_short("aborted", because, exit_code)

    def recording_ended(self) -> None:
        """Nothing more will come from a recording: the procedure decides on what there was, as it does for a file."""
        self._cut_short("judged", RECORDING_ENDED, None)

    def fail(self, because: str) -> None:
        """End the run because benchd cannot go on with it."""
        self._cut_short("failed", because, 5)

    # --- what goes out ------------------------------------------------------------------------------------------

    def _keep(self, body: Record) -> None:
        if not self._store_lost:  # once it is, the operator must still be told to close the throttle
            self._writer.append(body)
        self._counts[body["kind"]] += 1
        if self._watched:
            self.feed.put(body)

    def _say(self, events: Sequence[JudgeEvent]) -> None:
        for event in events:
            if isinstance(event, Decided):
                self._t_ns = max(self._t_ns, event.t_ns)
                self._end()
                return
            self._keep(record(event))
            if isinstance(event, Prompt) and self._technician is not None:
                # Not now: an answer while the procedure is still saying this would be kept out of order.
                asyncio.get_running_loop().call_soon(self._ask_technician, record(event))

    def _ask_technician(self, prompt: Record) -> None:
        assert self._technician is not None
        # Also at the end: "close the throttle" wants no answer, but somebody who does it.
        told = self._technician(prompt)
        if isinstance(told, Awaitable):
            task = asyncio.ensure_future(self._answer_later(str(prompt["id"]), told))
            self._answering.add(task)
            task.add_done_callback(self._answering.discard)
        else:
            self._answer_for(str(prompt["id"]), told)

    async def _answer_later(self, id: str, told: Awaitable[str | None]) -> None:
        with self._trouble_ends_it():
            self._answer_for(id, await told)

    def _answer_for(self, id: str, text: str | None) -> None:
        if text is not None and not self.done.is_set():
            self.operator("answer", id, text)

    def _note_identity(self, body: Mapping[str, Any]) -> None:
        if body["kind"] == "instrument" and body.get("identity") and body["name"] in self._instruments:
            self._instruments[body["name"]]["identity"] = body["identity"]

    def _end(self) -> None:
        for task in self._answering:
            task.cancel()
        self._ended = self._ended or utc_text()
        self.done.set()

    def _cut_short(self, status: str, because: str, exit_code: int | None) -> None:
        if self.done.is_set():
            return
        self.status, self._because, self.exit_code = status, because, exit_code
        try:
            self._say(self._procedure.finish(because))
        except StoreError:
            pass  # the run is ending anyhow, and close() will meet it again
        except Exception as error:
            self.fault = self.fault or error
        self._end()

    @contextmanager
    def _trouble_ends_it(self) -> Iterator[None]:
        try:
            yield
        except Exception as error:
            self._broke(error)

    def _broke(self, error: Exception) -> None:
        """The store cannot be written, or the judge has a fault: either ends the run, which is closed all the same."""
        if isinstance(error, StoreError):
            self._lose_store(error)
            self.fail(f"the journal cannot be written: {error}")
        else:
            self.fault = error
            self.fail(f"benchd's judge broke ({type(error).__name__}: {error})")

    def _lose_store(self, error: StoreError) -> None:
        self._store_lost = True
        self.feed.put({"kind": "trouble", "t_ns": self._t_ns, "text": f"the journal cannot be written: {error}"})

    # --- the end ------------------------------------------------------------------------------------------------

    def verdict(self) -> Verdict:
        """The procedure's verdict, void if the run was cut short."""
        found = self._procedure.verdict
        if found is None and self.fault is None:
            found = finished(self._procedure, self._because)
        if found is None:
            found = Verdict(
                self._procedure.name,
                Outcome.VOID,
                Suspect.UNKNOWN,
                (),
                {},
                {},
                "",
                self._t_ns / 1e9,
                self._counts["sample"],
                None,
            )
        return found if self.status == "judged" else voided(found, self._because)

    def _object(self) -> Record:
        facts = self._facts
        return contract(
            self.verdict(),
            run=self._writer.run,
            spec=facts.spec,
            started=facts.opened.get("started"),
            ended=self._ended,
            instruments=self._instruments.values(),
            bench=facts.bench,
            work_order=facts.work_order,
            unit=facts.unit,
            notes=facts.notes,
        ) | ({"lot": facts.opened["lot"]} if facts.opened.get("lot") else {})

    async def close(self) -> Ended:
        """Write verdict and close, wait until they are on the disk, then show them."""
        body, closing = self._object(), self._closing()
        try:
            self._writer.append({"kind": "verdict", "t_ns": self._t_ns, **body})
            await asyncio.to_thread(self._writer.close, closing)
        except StoreError as error:
            if self.status != "failed":  # decided, but not kept: nobody could ever look it up
                self.status, self.exit_code = "failed", 5
                self._because = f"the journal cannot be written: {error}"
                self._lose_store(error)
            body, closing = self._object(), self._closing()
        self.feed.put({"kind": "verdict", "t_ns": self._t_ns, **body})
        self.feed.put(closing)
        self.feed.end()
        code = EXIT_CODES[self.verdict().outcome] if self.exit_code is None else self.exit_code
        return Ended(body, self.status, code, self.fault)

    def _closing(self) -> Record:
        return {
            "kind": "run-closed",
            "status": self.status,
            "reason": self._because or self.verdict().ended_because,
            "counts": dict(self._counts),
        }


async def conduct(
    procedure: Procedure,
    sampler: Sampling,
    writer: Writer,
    facts: Facts,
    *,
    clock: Ticking,
    show: Show | None = None,
    technician: Technician | None = None,
    warn: Callable[[str], None] = lambda text: None,
    begun: Callable[[Run], None] | None = None,
) -> Ended:
    """Conduct one opened run to its end; see the module's docstring for the ways it can end.

    `warn` takes a line for people (a screen that broke). Cancelled from outside, the run is closed as aborted and
    the cancellation goes on. `begun` is handed the run before it begins, by somebody who operates it from elsewhere
    and looks after the process' signals himself (the daemon); without it, signals stop the run.
    """
    run = Run(procedure, writer, facts, clock, technician, watched=show is not None)
    showing = asyncio.ensure_future(show(run.feed, run.operator)) if show is not None else None
    cancelled = False
    if begun is not None:
        begun(run)
    with _stopped_by_signals(run, showing) if begun is None else nullcontext():
        run.open()
        sampling = asyncio.ensure_future(sampler.run(run.take))
        try:
            await _until_done(run, sampling, showing, warn)
        except asyncio.CancelledError:
            cancelled = True
            run.stop(STOPPED)
        await _close_ports(sampling, warn, CLOSE_PORTS_HURRIED_S if run.hurried else CLOSE_PORTS_S)
        ended = await run.close()
        if showing is not None:
            await _leave_screen(showing, warn, END_PAGE_HURRIED_S if run.hurried or cancelled else None)
    if cancelled:
        raise asyncio.CancelledError
    return ended


async def _until_done(
    run: Run, sampling: asyncio.Future[None], showing: asyncio.Future[None] | None, warn: Callable[[str], None]
) -> None:
    """Wait for the end; a sampler or a screen that ends first ends the run (a screen that broke does not)."""
    done = asyncio.ensure_future(run.done.wait())
    watched: set[asyncio.Future[Any]] = {done, sampling}
    if showing is not None:
        watched.add(showing)
    try:
        while not run.done.is_set():
            await asyncio.wait(watched, return_when=asyncio.FIRST_COMPLETED)
            if sampling.done() and not run.done.is_set():
                if (error := _error_of(sampling)) is not None:
                    run.fault = None if sampling.cancelled() else sampling.exception()
                    run.fail(f"reading the instruments ended: {error}")
                else:
                    run.recording_ended()
            if showing is not None and showing in watched and showing.done():
                watched.discard(showing)
                if (error := _error_of(showing)) is not None:
                    warn(f"the screen broke ({error}); the run goes on, Ctrl-C stops it")
                else:
                    run.stop("the screen was closed")
    finally:
        done.cancel()


def _error_of(task: asyncio.Future[None]) -> str | None:
    if task.cancelled():
        return "it was cancelled"
    error = task.exception()
    return None if error is None else f"{type(error).__name__}: {error}"


async def _close_ports(sampling: asyncio.Future[None], warn: Callable[[str], None], limit_s: float) -> None:
    sampling.cancel()
    _, pending = await asyncio.wait({sampling}, timeout=limit_s)
    if pending:
        warn(f"an instrument did not let go of its port within {limit_s:.1f} s")
    elif not sampling.cancelled():
        sampling.exception()  # seen: it stands in the run's reason, or came after the verdict


async def _leave_screen(showing: asyncio.Future[None], warn: Callable[[str], None], timeout_s: float | None) -> None:
    """The end page stays until the person leaves it; after a signal only as long as it takes to draw the verdict."""
    already = showing.done()
    await asyncio.wait({showing}, timeout=timeout_s)
    showing.cancel()
    await asyncio.wait({showing}, timeout=CLOSE_PORTS_S)
    if not showing.done():
        warn("the screen did not let go of the terminal")
        return
    if not already and not showing.cancelled() and (error := _error_of(showing)) is not None:
        warn(f"the screen broke ({error}); the run is kept")


@contextmanager
def _stopped_by_signals(run: Run, showing: asyncio.Future[None] | None) -> Iterator[None]:
    """Ctrl-C, SIGTERM and a closed terminal stop the run, or leave its end page. A second Ctrl-C is Python's own.

    Where the loop takes no signal handlers (Windows, a thread), Ctrl-C arrives as cancellation instead.
    """
    loop = asyncio.get_running_loop()
    because = {
        "SIGINT": (STOPPED, CTRL_C),
        "SIGTERM": ("benchd was told to stop (SIGTERM)", None),
        "SIGHUP": ("the terminal was closed", None),
    }
    caught = [found for name in because if (found := getattr(signal, name, None)) is not None]

    def stop(number: signal.Signals) -> None:
        if run.done.is_set() and showing is not None:
            showing.cancel()
        run.hurried = True
        run.stop(*because[number.name])
        if number is signal.SIGINT:  # a closing terminal often sends its signal twice, so those stay caught
            loop.remove_signal_handler(number)

    before = {number: signal.getsignal(number) for number in caught}
    with suppress(NotImplementedError, RuntimeError, ValueError):
        for number in caught:
            loop.add_signal_handler(number, stop, number)
    try:
        yield
    finally:
        with suppress(NotImplementedError, RuntimeError, ValueError):
            for number in caught:
                loop.remove_signal_handler(number)
                signal.signal(number, before[number])
