"""What every link is, and how bytes come to the task that wants them, from the event loop or from a thread."""

from __future__ import annotations

import asyncio
import threading
import time
from collections import deque
from collections.abc import Callable
from types import TracebackType
from typing import Protocol, Self

from benchd.errors import PortError

#: Bytes a link holds for a loop that does not take them: 20 s of a port at 115200 baud. Beyond that the reader thread
#: waits, and so, in the end, does the sender: late but whole, since a byte dropped here would cut a frame.
LIMIT_BYTES = 256 * 1024
#: Chunks handed out in a row before other tasks get their turn.
TURN = 16

#: How long an answer may come where the driver gives no time for it.
ANSWER_S = 1.0

Now = Callable[[], int]
#: Takes a chunk and the time its last byte came.
Take = Callable[[bytes, int], None]


class Ended(PortError):
    """A recording has come to its end: nothing more will come, and no retry helps."""


class Link(Protocol):
    """One open wire to one instrument: an async context manager that opens on entry and closes on exit.

    `name` is the port as the bench file has it. read() gives the bytes that came, at least one, and sets `arrived_ns`
    to the bench time of the last of them; it may be cancelled without losing any. Every method raises PortError when
    the link has dropped.
    """

    name: str
    arrived_ns: int

    async def __aenter__(self) -> Self: ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    async def write(self, data: bytes, reply: bool | None = None, timeout_s: float | None = None) -> None:
        """Send. `reply` and `timeout_s` (real seconds) matter only to VISA, which must be told to fetch an answer."""

    async def read(self) -> bytes: ...

    async def listen(self, take: Take) -> None:
        """Hand each chunk and its time to `take`, which may be called from outside this task, until cancelled or until
        `take` raises. The cheap way for who reads for long."""


class Reads:
    """listen() of a link that can only read()."""

    arrived_ns: int

    async def read(self) -> bytes:
        raise NotImplementedError

    async def listen(self, take: Take) -> None:
        while True:
            take(await self.read(), self.arrived_ns)


class Inbox:
    """Chunks of bytes on their way to one task, each with the time it came. All of it happens in the loop.

    `hold` is called with True when LIMIT_BYTES wait, so that no more is taken in, and with False when it may go on.
    """

    def __init__(self, loop: asyncio.AbstractEventLoop, hold: Callable[[bool], None]) -> None:
        self._loop, self._hold = loop, hold
        self._chunks: deque[tuple[bytes, int]] = deque()
        self._size = 0
        self._held = False
        self._error: BaseException | None = None
        self._waiter: asyncio.Future[None] | None = None
        self._take: Take | None = None
        self._turns = 0
        self._discarding = False

    @property
    def failed(self) -> bool:
        return self._error is not None

    def put(self, data: bytes, at_ns: int) -> None:
        if self._take is not None:
            try:
                self._take(data, at_ns)
            except Exception as error:
                self._take = None
                self._wake(error)
        elif not self._discarding:
            self._chunks.append((data, at_ns))
            self._size += len(data)
            self._wake()
            if self._size > LIMIT_BYTES and not self._held:
                self._held = True
                self._hold(True)

    def fail(self, error: BaseException) -> None:
        """Nothing more will come; whoever reads is told once what came has been taken."""
        self._error = error
        self._wake()

    def _wake(self, error: Exception | None = None) -> None:
        if self._waiter is None or self._waiter.done():
            return
        if error is None:
            self._waiter.set_result(None)
        else:
            self._waiter.set_exception(error)

    def discard(self, discarding: bool) -> None:
        """Forget what has come and, while `discarding`, what comes."""
        self._discarding = discarding
        while self._chunks:
            self._pop()

    def _pop(self) -> tuple[bytes, int]:
        found = self._chunks.popleft()
        self._size -= len(found[0])
        if self._held and self._size <= LIMIT_BYTES:
            self._held = False
            self._hold(False)
        return found

    async def get(self) -> tuple[bytes, int]:
        """The next chunk and when it came."""
        self._turns += 1
        if self._turns % TURN == 0:
            await asyncio.sleep(0)
        while not self._chunks:
            if self._error is not None:
                raise self._error
            await self._news()
        return self._pop()

    async def listen(self, take: Take) -> None:
        """Link.listen: `take` is called by put() itself, which saves this task a turn for every chunk."""
        while True:
            while self._chunks:
                take(*await self.get())
            if self._error is not None:
                raise self._error
            self._take = take
            try:
                await self._news()
            finally:
                self._take = None

    async def _news(self) -> None:
        self._waiter = self._loop.create_future()
        await self._waiter


class ThreadInbox:
    """Chunks of bytes from one thread to one task, each with the time it came; bounded, see LIMIT_BYTES."""

    def __init__(self, loop: asyncio.AbstractEventLoop, stop: threading.Event) -> None:
        self._loop, self._stop = loop, stop
        self._chunks: deque[tuple[bytes, int]] = deque()
        self._put = 0  # written by the thread only
        self._got = 0  # written by the loop only
        self._called = False  # a wake-up is on its way to the loop
        self._error: BaseException | None = None
        self._waiter: asyncio.Future[None] | None = None
        self._turns = 0
        self._discarding = False

    @property
    def failed(self) -> bool:
        return self._error is not None

    def discard(self, discarding: bool) -> None:
        """Loop side: forget what has come and, while `discarding`, what comes."""
        self._discarding = discarding
        while self._chunks:
            self._got += len(self._chunks.popleft()[0])

    def put(self, data: bytes, at_ns: int) -> None:
        """Thread side. Waits while the loop is behind by the limit, until the link is closed."""
        if self._discarding:
            return
        self._chunks.append((data, at_ns))
        self._put += len(data)
        self._call()
        while self._put - self._got > LIMIT_BYTES and not self._stop.wait(0.005):
            pass

    def fail(self, error: BaseException) -> None:
        """Thread side: nothing more will come; get() raises this once what came has been taken."""
        self._error = error
        self._call()

    def _call(self) -> None:
        if not self._called:
            self._called = True
            call_loop(self._loop, self._wake)

    def _wake(self) -> None:
        self._called = False
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)

    async def get(self) -> tuple[bytes, int]:
        """Loop side: the next chunk and when it came."""
        self._turns += 1
        if self._turns % TURN == 0:
            await asyncio.sleep(0)
        while not self._chunks:
            if self._error is not None:
                raise self._error
            self._waiter = self._loop.create_future()
            await self._waiter
        data, at_ns = self._chunks.popleft()
        self._got += len(data)
        return data, at_ns


class Owed:
    """Until when an answer to what was written may come, by the computer's clock."""

    def __init__(self) -> None:
        self._until_s = 0.0

    def asked(self, reply: bool | None, timeout_s: float | None) -> None:
        if reply is not False:
            self._until_s = max(self._until_s, time.monotonic() + (ANSWER_S if timeout_s is None else timeout_s))

    async def over(self) -> None:
        await asyncio.sleep(max(0.0, self._until_s - time.monotonic()))


def call_loop(loop: asyncio.AbstractEventLoop, tell: Callable[[], None]) -> None:
    """Have the loop call `tell`, from another thread; a loop that is closed already wants to hear nothing."""
    try:
        loop.call_soon_threadsafe(tell)
    except RuntimeError:
        if not loop.is_closed():
            raise
