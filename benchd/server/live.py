"""All that a page shows live, over one WebSocket: the wall's tiles, and any one run with every sample of it.

What is sent is read from the journal, so nothing is on a page that is not kept, and a run does not know who looks. One
loop serves all viewers, TICK_S apart, while there are any: it reads what is new of every open run once, folds it once, and
every viewer gets the same texts. A viewer that is slow is sent the newest tiles when it is ready, but every sample of the
run that it follows: those come from the journal if they have left the loop's memory.

The page says what it wants, and may say so again: {"benches": true, "run": ID or null, "after": SEQ}. It gets

    {"kind": "hello", "daemon": ID, "name": ..., "version": ...}
    {"kind": "benches", "all": bool, "benches": [tile...]}       the changed ones; `all`: there are no others
    {"kind": "run", "run": ID, "first": SEQ, "next": SEQ, "open": bool, "records": [...], "view": {...} or null}
    {"kind": "beat"}                                             every few seconds: what is shown is of now
    {"kind": "trouble", "text": ...}                             instead: the journal cannot be read

`records` follow one another without a gap: `first` is one more than the `next` before, or less (then some are sent again).
A record that is an event has its words in `told`: {text, role}.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from starlette.websockets import WebSocket, WebSocketDisconnect

from benchd.daemon.interface import DaemonInterface
from benchd.errors import BenchdError, StoreError
from benchd.journal_read import JournalReader
from benchd.server import models, reading
from benchd.server.auth import PAGE_PROTOCOL, Door, Principal, asked_protocols
from benchd.server.page import Fold
from benchd.server.problems import encode
from benchd.server.reading import Kept
from benchd.server.routing import principal_of
from benchd.server.stream import GOING_AWAY, LOOK_S, NORMAL, NOT_ALLOWED, TROUBLE, Streams, is_run

TICK_S = 0.1
#: Benches between runs are looked at less often; a run that opens is seen then.
LOOK_AT_BENCHES_S = 0.5
#: So much of a run stays in memory for viewers that are a little behind.
KEPT_CHUNKS = 50
MOST_LAST = 200
MOST_AT_ONCE = 2000  # records of a run in one look into the journal, and of one message
#: A viewer need not be sent these: raw readings (samples carry what is judged).
LEFT_OUT = frozenset({"reading"})

BEAT = '{"kind":"beat"}'

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _Chunk:
    """Records `first` to `next` of a run, as JSON texts joined by commas."""

    first: int
    next: int
    text: str


@dataclass(slots=True)
class _Run:
    """An open run, or one that somebody follows to its end."""

    run: str
    fold: Fold
    next: int = 0
    open: bool = True
    chunks: deque[_Chunk] = field(default_factory=lambda: deque(maxlen=KEPT_CHUNKS))
    view: str = "null"
    changed: bool = False


@dataclass(slots=True)
class _Tile:
    text: str = ""
    version: int = 0


@dataclass(slots=True, eq=False)
class _Wish:
    """What a viewer wants, and how far it has come."""

    benches: bool = False
    run: str | None = None
    after: int = 0
    seen: int = 0  # version of the tiles
    ended: bool = False  # of the run: its end was told
    news: asyncio.Event = field(default_factory=asyncio.Event)


class Live:
    """All viewers of one server."""

    def __init__(
        self, daemon: DaemonInterface, kept: Kept, door: Door, streams: Streams, fold: Callable[[], Fold]
    ) -> None:
        self._daemon, self._kept, self._door, self._streams = daemon, kept, door, streams
        self._new_fold = fold
        self._runs: dict[str, _Run] = {}
        self._tiles: dict[str, _Tile] = {}
        self._last: dict[str, Mapping[str, Any]] = {}  # ended run -> its tile
        self._version = 0
        self._texts: dict[int, str] = {}  # a viewer's version -> the message that brings it up to date
        self._viewers: set[_Wish] = set()
        self._turning: asyncio.Task[None] | None = None
        self._stopping = asyncio.Event()
        self._trouble = ""

    def stop(self) -> None:
        """Let every viewer go with 1001."""
        self._stopping.set()

    # --- one viewer ---------------------------------------------------------------------------------------------------

    async def serve(self, socket: WebSocket) -> None:
        principal = principal_of(socket.scope)
        with self._streams.counted(principal):
            wanted = PAGE_PROTOCOL if PAGE_PROTOCOL in asked_protocols(socket.scope["headers"]) else None
            await socket.accept(wanted)
            socket.scope["state"]["accepted"] = True
            code, reason = await self._look(socket, principal)
            with suppress(RuntimeError, WebSocketDisconnect):
                await socket.close(code, reason)

    async def _look(self, socket: WebSocket, principal: Principal) -> tuple[int, str]:
        wish = _Wish()
        tasks = [
            asyncio.create_task(self._send(socket, principal, wish)),
            asyncio.create_task(self._listen(socket, wish)),
            asyncio.create_task(self._told_to_stop()),
        ]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
            results = await asyncio.gather(*tasks, return_exceptions=True)
            self._viewers.discard(wish)
        first = next(result for task, result in zip(tasks, results, strict=True) if task in done)
        if isinstance(first, StoreError):
            return TROUBLE, "the journal cannot be read"
        if isinstance(first, WebSocketDisconnect | RuntimeError | OSError):
            return NORMAL, ""
        if isinstance(first, BaseException):
            raise first
        return first

    async def _listen(self, socket: WebSocket, wish: _Wish) -> tuple[int, str]:
        while True:
            message = await socket.receive()
            if message["type"] == "websocket.disconnect":
                return NORMAL, ""
            try:
                benches, run, after = _wanted(message.get("text"))
            except ValueError as error:
                return NOT_ALLOWED, str(error)
            if run is not None:
                try:
                    await self._kept.ask(lambda reader, run=run: reading.info(reader, run))  # type: ignore[misc]
                except BenchdError:
                    return NOT_ALLOWED, f"there is no run {run}"
            wish.benches, wish.run, wish.after, wish.seen, wish.ended = benches, run, after, 0, False
            self._viewers.add(wish)
            wish.news.set()

    async def _send(self, socket: WebSocket, principal: Principal, wish: _Wish) -> tuple[int, str]:
        daemon = self._daemon
        hello = {"kind": "hello", "daemon": daemon.id, "name": daemon.name, "version": daemon.version}
        await socket.send_text(encode(hello).decode())
        loop = asyncio.get_running_loop()
        said_at = loop.time()
        while True:
            wish.news.clear()
            if wish in self._viewers and (self._turning is None or self._turning.done()):
                self._turning = asyncio.create_task(self._turn(), name="benchd live page")
            if not self._door.still_open(principal):
                return NOT_ALLOWED, "the token was revoked or has expired"
            if wish.benches and self._version > wish.seen:
                text, wish.seen = self._tiles_since(wish.seen), self._version
                await socket.send_text(text)
            if wish.run is not None and not wish.ended:
                run = wish.run
                text, next_, more = await self._run_since(run, wish.after, wish)
                if wish.run != run:
                    continue  # the page has asked for another one meanwhile
                if text:
                    await socket.send_text(text)
                    wish.after = max(wish.after, next_)
                if more:
                    continue
            try:
                async with asyncio.timeout(LOOK_S):
                    await wish.news.wait()
            except TimeoutError:
                pass
            if loop.time() - said_at >= LOOK_S / 2:
                said_at = loop.time()
                trouble = encode({"kind": "trouble", "text": self._trouble}).decode()
                await socket.send_text(trouble if self._trouble else BEAT)

    async def _told_to_stop(self) -> tuple[int, str]:
        await self._stopping.wait()
        return GOING_AWAY, "the daemon stops"

    def _tiles_since(self, seen: int) -> str:
        if seen not in self._texts:
            tiles = ",".join(one.text for one in self._tiles.values() if one.version > seen)
            self._texts[seen] = f'{{"kind":"benches","all":{json.dumps(seen == 0)},"benches":[{tiles}]}}'
        return self._texts[seen]

    async def _run_since(self, run: str, after: int, wish: _Wish) -> tuple[str, int, bool]:
        """(message or '', how far it goes, whether more can be had at once)."""
        followed = self._runs.get(run)
        if followed is None or not followed.next:
            return "", after, False  # the loop takes it up at its next turn
        if after >= followed.next:
            if followed.open:
                return "", after, False
            wish.ended = True
            return _run_text(run, after + 1, after, False, "", followed.view), after, False
        chunks = [one for one in followed.chunks if one.next > after]
        if chunks and chunks[0].first <= after + 1:
            records, next_ = ",".join(one.text for one in chunks if one.text), chunks[-1].next
            first = chunks[0].first
        else:
            found = await self._kept.ask(lambda reader: _read(reader, followed.fold, run, after))
            records, next_, first = found.text, found.next, found.first
        last = next_ >= followed.next
        ended = last and not followed.open
        wish.ended = ended
        view = followed.view if last else "null"
        return _run_text(run, first, next_, not ended, records, view), next_, not last

    # --- the loop -----------------------------------------------------------------------------------------------------

    async def _turn(self) -> None:
        """Until nobody looks any more; then all is forgotten, and costs nothing."""
        loop = asyncio.get_running_loop()
        benches_at = 0.0
        try:
            while self._viewers and not self._stopping.is_set():
                began = loop.time()
                if began >= benches_at:
                    await self._look_at_benches()
                    benches_at = began + LOOK_AT_BENCHES_S
                await self._read_on()
                self._trouble = ""
                for wish in self._viewers:
                    wish.news.set()
                await asyncio.sleep(max(TICK_S - (loop.time() - began), 0.01))
        except BenchdError as error:
            if not self._trouble:
                log.warning("the page shows nothing new: %s", error)
            self._trouble = str(error)
        finally:
            self._runs.clear()
            self._tiles.clear()
            self._last.clear()
            self._texts.clear()
            self._version = 0

    async def _look_at_benches(self) -> None:
        """Which runs are open, and how the benches between runs are."""
        wanted = {wish.run for wish in self._viewers if wish.run is not None}
        for slug in self._daemon.bench_names():
            bench = self._daemon.bench(slug)
            if bench["run"] is not None:
                self._runs.setdefault(bench["run"], _Run(bench["run"], self._new_fold()))
                wanted.add(bench["run"])
        for run in wanted:
            self._runs.setdefault(run, _Run(run, self._new_fold()))
        for run in [run for run in self._runs if run not in wanted]:
            gone = self._runs.pop(run)
            if gone.next:
                self._last[run] = {**gone.fold.tile(), "run": run}
        if self._any_wall():
            for slug in self._daemon.bench_names():
                await self._know_last(self._daemon.bench(slug))
            for slug in self._daemon.bench_names():  # all at once: a new viewer's first message has every tile
                self._put_tile(slug)

    async def _know_last(self, bench: Mapping[str, Any]) -> None:
        """The tile of what ran last on a bench that rests: from the two ends of its records."""
        run = bench["last_run"]
        if bench["run"] is not None or run is None or run in self._runs or self._last.get(run, {}).get("ended"):
            return  # one that the bench has left before its end was read is looked at again
        fold = self._new_fold()
        for record in await self._kept.ask(lambda reader: reading.ends(reader, run)):
            fold.apply(record)
        self._last[run] = {**fold.tile(), "run": run}
        while len(self._last) > MOST_LAST:
            del self._last[next(iter(self._last))]

    def _any_wall(self) -> bool:
        return any(wish.benches for wish in self._viewers)

    async def _read_on(self) -> None:
        """What is new of every run that is followed: read in a thread, folded here."""
        asked = [(one.run, one.next) for one in self._runs.values() if one.open]
        if not asked:
            return

        def look(reader: JournalReader) -> list[tuple[str, reading.Slice]]:
            return [(run, reading.cut(reader, run, after, MOST_AT_ONCE)) for run, after in asked]

        changed = set()
        for run, found in await self._kept.ask(look):
            if (followed := self._runs.get(run)) is not None and (found.records or not found.open):
                self._take(followed, found)
                changed.add(run)
        if changed and self._any_wall():
            for slug in self._daemon.bench_names():
                bench = self._daemon.bench(slug)
                if {bench["run"], bench["last_run"]} & changed:
                    self._put_tile(slug)

    def _take(self, run: _Run, found: reading.Slice) -> None:
        for record in found.records:
            run.fold.apply(record)
        if found.records:
            run.chunks.append(_chunk(run.fold, run.next, found))
        run.next, run.open = max(run.next, found.next), found.open
        if any(wish.run == run.run for wish in self._viewers):
            run.view = encode(run.fold.view()).decode()

    def _put_tile(self, slug: str) -> None:
        bench = self._daemon.bench(slug)
        shown = bench["run"] or bench["last_run"]
        run = self._runs.get(shown) if shown is not None else None
        tile: Mapping[str, Any] | None = None if shown is None else self._last.get(shown)
        if run is not None and run.next:
            tile = {**run.fold.tile(), "run": run.run}
        text = encode({**_health(bench), "shown": tile}).decode()
        kept = self._tiles.setdefault(slug, _Tile())
        if kept.text != text:
            self._version += 1
            kept.text, kept.version = text, self._version
            self._texts.clear()


def _health(bench: Mapping[str, Any]) -> dict[str, Any]:
    """What of a bench stands on its tile whatever it does."""
    lost = [one for one in bench["instruments"] if one["state"] != "talking"]
    return {
        "bench": bench["bench"],
        "name": bench["name"],
        "state": bench["state"],
        "run": bench["run"],
        "last_run": bench["last_run"],
        "instruments": len(bench["instruments"]),
        "lost": [{key: one.get(key) for key in ("name", "port", "what", "cure")} for one in lost],
        "overdue": [one["name"] for one in bench["instruments"] if one.get("overdue")],
        "channels": {} if bench["run"] is not None else _readings(bench["channels"]),
    }


def _readings(channels: Mapping[str, Any]) -> dict[str, Any]:
    """Between runs: what the meters say, without the age, which would change all the time."""
    return {
        name: {key: one.get(key) for key in ("value", "unit", "flags")} | {"fresh": (one.get("age_s") or 0) < 3}
        for name, one in channels.items()
    }


def _wanted(text: Any) -> tuple[bool, str | None, int]:
    """(tiles?, run, cursor) of a page's wish. ValueError."""
    try:
        found = json.loads(text)
        benches, run, after = found.get("benches", False), found.get("run"), found.get("after", 0)
    except (TypeError, ValueError, AttributeError, RecursionError):
        raise ValueError("a wish is a JSON object") from None
    if not isinstance(benches, bool) or type(after) is not int or not 0 <= after <= models.LARGEST:
        raise ValueError("benches is true or false, after a number from 0 on")
    if run is not None and not (isinstance(run, str) and is_run(run)):
        raise ValueError("run is a run's id, or null")
    return benches, run, after


def _chunk(fold: Fold, after: int, found: reading.Slice) -> _Chunk:
    return _Chunk(after + 1, found.next, ",".join(_texts(fold, found.records)))


def _texts(fold: Fold, records: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    for one in records:
        if one.get("kind") not in LEFT_OUT:
            told = fold.told(one)
            yield encode(one if told is None else {**one, "told": told}).decode()


def _read(reader: JournalReader, fold: Fold, run: str, after: int) -> _Chunk:
    return _chunk(fold, after, reading.cut(reader, run, after, MOST_AT_ONCE))


def _run_text(run: str, first: int, next_: int, is_open: bool, records: str, view: str) -> str:
    head = f'{{"kind":"run","run":{json.dumps(run)},"first":{first},"next":{next_},"open":{json.dumps(is_open)}'
    return f'{head},"records":[{records}],"view":{view}}}'
