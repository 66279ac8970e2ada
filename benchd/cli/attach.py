"""A run that is conducted elsewhere, shown here: what `benchd run` through a daemon and `benchd watch` share."""

from __future__ import annotations

import asyncio
import signal
import threading
import time
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.core.verdicts import EXIT_CODES, Outcome
from benchd.errors import BenchdError, BusyError, PortError, StoreError

if TYPE_CHECKING:
    from benchd.client import Client
    from benchd.journal_read import JournalReader
    from benchd.runner import Operator, Show

Record = dict[str, Any]
#: Says a line for people amid the records: see Feed.tell.
Tell = Callable[[str, str], None]

STOPPED = "stopped by the operator"  # as runner says it
CTRL_C = 130
POLL_S = 0.2
SILENT_S = 2.0  # after so long without a record of an open run, look whether its process is alive
END_PAGE_HURRIED_S = 0.5
LEAVE_SCREEN_S = 5.0
_AT_ONCE = 500  # records read from the journal in one go, and waiting for the screen at most
_STOP_TRIES_S = 1.0
_TICK_S = 1.0


def verdict_of(record: Record) -> Record:
    """The verdict object in the record that keeps it."""
    return {key: value for key, value in record.items() if key not in ("kind", "t_ns", "seq")}


class Seen:
    """What the records so far said about the newest run among them."""

    def __init__(self) -> None:
        self.run = ""
        self.verdict: Record | None = None
        self.closed: Record | None = None

    def note(self, record: Record) -> None:
        kind = record.get("kind")
        if kind == "run-opened":
            self.run, self.verdict, self.closed = str(record.get("run", "")), None, None
        elif kind == "verdict":
            self.verdict = verdict_of(record)
        elif kind == "run-closed":
            self.closed = record

    def outcome(self, *, ctrl_c: bool = False) -> tuple[Record, int]:
        """(verdict object, exit code) of the run that has ended. StoreError if it was cut short without a verdict."""
        status = None if self.closed is None else self.closed.get("status")
        if self.verdict is None or status not in ("judged", "aborted", "failed"):
            reason = "" if self.closed is None else f": {self.closed.get('reason')}"
            raise StoreError(
                f"run {self.run} ended without a verdict{reason}; what was measured is kept, judge it with: "
                f"benchd rejudge {self.run}"
            )
        if status == "failed":
            return self.verdict, 5
        if status == "aborted" and ctrl_c:
            return self.verdict, CTRL_C
        return self.verdict, EXIT_CODES[Outcome(self.verdict["verdict"])]


class Feed(AsyncIterator[Record]):
    """Records from elsewhere on their way to one screen: bounded, and the source waits when it is full.

    Whoever reads the source for us (a socket, a journal) is never the run itself, so waiting holds nobody up.
    """

    def __init__(self) -> None:
        self.seen = Seen()
        self._waiting: asyncio.Queue[Record | None] = asyncio.Queue()
        self._room = asyncio.Event()
        self._wanted = True
        self._t_ns = 0
        self._away = ""  # why no records come
        self._order: Record | None = None  # what the operator is to do, while the engine is being brought to speed

    async def pump(self, records: AsyncIterator[Record]) -> None:
        """Take all records to their end. What ends them in trouble is told on the screen, and raised."""
        ticking = asyncio.ensure_future(self._tick())
        try:
            async for record in records:
                self.seen.note(record)
                self._note(record)
                while self._wanted and self._waiting.qsize() >= _AT_ONCE:
                    self._room.clear()
                    await self._room.wait()
                if self._wanted:
                    self._waiting.put_nowait(record)
        except BenchdError as error:
            self.tell("caution", str(error))
            raise
        finally:
            ticking.cancel()
            self._waiting.put_nowait(None)

    def _note(self, record: Record) -> None:
        kind = record.get("kind")
        if self._away and self._order is not None:
            self._waiting.put_nowait(self._order)  # again in its place
        self._t_ns, self._away = int(record.get("t_ns", self._t_ns)), ""
        if kind == "prompt" and record.get("choices") == []:
            self._order = record
        elif kind == "run-opened" or (kind == "standing" and record.get("phase") in ("measuring", "ended")):
            self._order = None  # a screen forgets it too

    def tell(self, what: str, text: str) -> None:
        """A line for people amid the records: a 'notice', a 'caution', or that the source of the records is 'away', or
        has 'ended' for good: then the screen lets old numbers go, and an order stands there instead of the last one."""
        if what in ("away", "ended"):
            self._away = text
            self._put({"kind": "prompt", "id": "benchd-source", "text": text, "choices": [], "caution": ""})
        else:
            self._put({"kind": what, "text": text, "count": 0})

    async def _tick(self) -> None:
        """While no records come, time goes on: numbers must not stand there as if they were of now."""
        while True:
            await asyncio.sleep(_TICK_S)
            if self._away:
                self._t_ns += round(_TICK_S * 1e9)
                self._put({"kind": "standing", "phase": "not seen", "leaning": "", "sure": 0.0, "why": self._away})

    def _put(self, body: Record) -> None:
        self._waiting.put_nowait({"t_ns": self._t_ns, **body})

    def unwatched(self) -> None:
        """The screen is gone: nothing waits for it any more."""
        self._wanted = False
        self._room.set()

    async def __anext__(self) -> Record:
        if (record := await self._waiting.get()) is None:
            self._waiting.put_nowait(None)  # also for a screen that takes over from one that broke
            raise StopAsyncIteration
        self._room.set()
        return record


class Orders:
    """The operator's keys on their way to the daemon, one after the other, from a thread that lives while there are any."""

    def __init__(self, client: Client, run: Callable[[], str], tell: Tell) -> None:
        self.ctrl_c = False
        self._client, self._run = client, run
        self._loop, self._tell = asyncio.get_running_loop(), tell
        self._waiting: deque[tuple[str, str, str]] = deque()
        self._lock, self._working = threading.Lock(), False

    def operator(self, kind: str, id: str, text: str) -> None:
        """As runner.Run.operator takes it."""
        if kind == "abort":
            self.stop(STOPPED, ctrl_c=id == "ctrl-c")
        else:
            self._put(kind, id, text)

    def stop(self, because: str, *, ctrl_c: bool = False) -> None:
        self.ctrl_c = self.ctrl_c or ctrl_c
        self._put("abort", "ctrl-c" if ctrl_c else "", because)

    def _put(self, kind: str, id: str, text: str) -> None:
        with self._lock:
            self._waiting.append((kind, id, text))
            if not self._working:
                self._working = True
                threading.Thread(target=self._work, name="benchd orders", daemon=True).start()

    def _work(self) -> None:
        while True:
            with self._lock:
                if not self._waiting:
                    self._working = False
                    return
                order = self._waiting.popleft()
            try:
                self._send(*order)
            except BusyError:
                pass  # the run has ended by itself
            except BenchdError as error:
                with suppress(RuntimeError):  # nobody is there any more
                    self._loop.call_soon_threadsafe(self._tell, "notice", f"not done: {error}")

    def _send(self, kind: str, id: str, text: str) -> None:
        client, run = self._client, self._run()
        if kind == "answer":
            client.answer(run, id, text)
        elif kind == "mark":
            client.mark(run, text)
        else:
            self._send_stop(run, text, id == "ctrl-c")

    def _send_stop(self, run: str, because: str, ctrl_c: bool) -> None:
        """A stop is sent until it arrives: an engine runs."""
        while True:
            try:
                self._client.stop(run, because, ctrl_c)
                return
            except PortError as error:
                with suppress(RuntimeError):
                    self._loop.call_soon_threadsafe(self._tell, "caution", f"not stopped yet: {error}")
                time.sleep(_STOP_TRIES_S)
                self._client.look_again()


async def in_thread(work: Callable[[], Any]) -> Any:
    """What a blocking call answers. Unlike asyncio.to_thread, a call that hangs holds up nobody who leaves."""
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[Any] = loop.create_future()

    def told(found: Any, error: Exception | None) -> None:
        if not answer.done():
            answer.set_result(found) if error is None else answer.set_exception(error)

    def call() -> None:
        found, trouble = None, None
        try:
            found = work()
        except Exception as error:
            trouble = error
        with suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(told, found, trouble)

    threading.Thread(target=call, name="benchd call", daemon=True).start()
    return await answer


async def operate(client: Client, bench: str, start: Callable[[], str], show: Show) -> tuple[Seen, bool]:
    """Start a run on a bench of the daemon, show it and take its operator's keys, as if it were conducted here: (what was seen
    of it to its end, whether Ctrl-C stopped it). Ctrl-C, SIGTERM and a closed terminal stop the run."""
    early: list[str] = []
    with signals(early.append, once=True):
        run = await in_thread(start)
    operated = _Operated(client, bench, str(run), show)
    for name in early:
        operated.on_signal(name)
    return await operated.to_the_end()


class _Operated:
    """One run on a daemon with its screen here."""

    def __init__(self, client: Client, bench: str, run: str, show: Show) -> None:
        from benchd.client_stream import stream

        self._feed = Feed()
        self._orders = Orders(client, lambda: run, self._feed.tell)
        self._pumping = asyncio.ensure_future(self._feed.pump(stream(client, run, bench=bench, said=self._feed.tell)))
        self._showing = asyncio.ensure_future(_shown(show, self._feed, self._orders.operator))
        self._hurried = False

    def on_signal(self, name: str) -> None:
        self._hurried = True
        if self._pumping.done():
            self._showing.cancel()
        elif name == "SIGINT":
            self._orders.stop(STOPPED, ctrl_c=True)
        else:
            self._orders.stop(f"benchd was told to stop ({name})" if name == "SIGTERM" else "the terminal was closed")

    async def to_the_end(self) -> tuple[Seen, bool]:
        try:
            with signals(self.on_signal, once=True):
                await asyncio.wait({self._pumping, self._showing}, return_when=asyncio.FIRST_COMPLETED)
                if not self._pumping.done():
                    self._screen_is_gone()
                await asyncio.wait({self._pumping})
                hurried = self._hurried or in_trouble(self._pumping)
                await leave_screen(self._showing, END_PAGE_HURRIED_S if hurried else None)
        except asyncio.CancelledError:
            if not self._hurried:  # Ctrl-C where the loop takes no signals; else it is the second one
                self._orders.stop(STOPPED, ctrl_c=True)
                await asyncio.wait({self._pumping}, timeout=LEAVE_SCREEN_S)
            raise
        finally:
            self._pumping.cancel()
            self._showing.cancel()
        await self._pumping  # its trouble
        return self._feed.seen, self._orders.ctrl_c

    def _screen_is_gone(self) -> None:
        from benchd.cli.common import say

        self._feed.unwatched()
        if (error := _error_of(self._showing)) is None:
            self._orders.stop("the screen was closed")
        else:
            say(f"the screen broke ({error}); the run goes on, Ctrl-C stops it")


async def look_on(
    records: Callable[[Tell], AsyncIterator[Record]], show: Show, operate: Callable[[Tell], Operator] | None = None
) -> tuple[Seen, bool]:
    """Show records to their end, or until the person leaves: (what was seen, whether it was to the end).

    Ctrl-C and any other signal only leave. `operate` makes what takes the keys of somebody who may act on the run;
    both makers are given what says a line on the screen.
    """
    feed = Feed()
    pumping = asyncio.ensure_future(feed.pump(records(feed.tell)))
    operator = None if operate is None else operate(feed.tell)

    def keys(kind: str, id: str, text: str) -> None:
        if kind == "abort" and id in ("ctrl-c", "hang-up"):
            showing.cancel()
        elif operator is not None:
            operator(kind, id, text)

    showing = asyncio.ensure_future(_shown(show, feed, None if operator is None else keys))
    try:
        with signals(lambda name: _cancel(showing), once=False):
            await asyncio.wait({showing, pumping}, return_when=asyncio.FIRST_COMPLETED)
            if not showing.done():
                await leave_screen(showing, END_PAGE_HURRIED_S if in_trouble(pumping) else None)
    finally:
        whole = pumping.done()
        pumping.cancel()
        showing.cancel()
        await asyncio.wait({pumping, showing}, timeout=LEAVE_SCREEN_S)
    if whole:
        await pumping  # its trouble
    if not showing.cancelled():
        showing.result()
    return feed.seen, whole


async def _shown(show: Show, feed: Feed, operator: Any) -> None:
    await show(feed, operator)


def in_trouble(task: asyncio.Future[None]) -> bool:
    """Whether a task has ended with an error: then the terminal is given back, so that it can be read."""
    return task.done() and not task.cancelled() and task.exception() is not None


def _cancel(task: asyncio.Future[None]) -> None:
    task.cancel()


def _error_of(task: asyncio.Future[None]) -> str | None:
    if task.cancelled():
        return None
    error = task.exception()
    return None if error is None else f"{type(error).__name__}: {error}"


async def leave_screen(showing: asyncio.Future[None], timeout_s: float | None) -> None:
    """The end page stays until the person leaves it, or so long."""
    await asyncio.wait({showing}, timeout=timeout_s)
    showing.cancel()
    await asyncio.wait({showing}, timeout=LEAVE_SCREEN_S)


@contextmanager
def signals(take: Callable[[str], None], *, once: bool) -> Iterator[None]:
    """Hand SIGINT, SIGTERM and SIGHUP to `take` by their names; with `once`, a second Ctrl-C is Python's own."""
    loop = asyncio.get_running_loop()
    caught = [found for name in ("SIGINT", "SIGTERM", "SIGHUP") if (found := getattr(signal, name, None)) is not None]
    before = {number: signal.getsignal(number) for number in caught}

    def handle(number: signal.Signals) -> None:
        if once and number is signal.SIGINT:
            loop.remove_signal_handler(number)
        take(number.name)

    with suppress(NotImplementedError, RuntimeError, ValueError):  # Windows, a thread
        for number in caught:
            loop.add_signal_handler(number, handle, number)
    try:
        yield
    finally:
        with suppress(NotImplementedError, RuntimeError, ValueError):
            for number in caught:
                loop.remove_signal_handler(number)
                signal.signal(number, before[number])


def _some(reader: JournalReader, run: str, after: int) -> list[Record]:
    return list(islice(reader.read(run, after), _AT_ONCE))


async def follow_journal(path: Path, run: str, after: int = 0) -> AsyncIterator[Record]:
    """The records of a run as another process writes them to the journal, until the one that closes it. StoreError."""
    from benchd.journal import Journal

    journal = Journal(path)
    reader = journal.reader()
    loop = asyncio.get_running_loop()
    heard = loop.time()
    try:
        while True:
            found = await in_thread(partial(_some, reader, run, after))
            for record in found:
                after = int(record["seq"])
                yield record
                if record["kind"] == "run-closed":
                    return
            if found:
                heard = loop.time()
                continue
            if loop.time() - heard > SILENT_S:  # opening the journal closes the runs of processes that died
                await in_thread(lambda: Journal(path).close())
                heard = loop.time()
            await asyncio.sleep(POLL_S)
    finally:
        reader.close()
        journal.close()
