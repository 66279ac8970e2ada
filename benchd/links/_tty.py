"""A terminal (serial adapter, pseudo-terminal) that the event loop itself waits for: no thread while it is open.

Opening and closing may block (a driver that hangs, bytes that drain slowly), so each has a thread of its own for as
long as it takes. In between the descriptor never blocks: what cannot be written now is written when the loop says so.
"""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Self

from benchd.errors import PortError
from benchd.links._link import Inbox, Now, Owed, Take, call_loop
from benchd.links._serial import CLOSE_S, WRITE_TIMEOUT_S, dropped, made
from benchd.links.ports import resolve, trouble
from benchd.wire.driver import SerialParams

#: The most that Linux holds for a reader.
CHUNK_BYTES = 4096


class TtyLink:
    """A serial port that is a terminal of the system."""

    def __init__(self, port: str, params: SerialParams, exclusive: bool, now: Now) -> None:
        self.name = port
        self.arrived_ns = 0
        self._params, self._exclusive, self._now = params, exclusive, now
        self._descriptor = -1
        self._given_up = False  # nobody waits for the opening any more
        self._cut = False  # a part of something stands on the wire
        self._lock = threading.Lock()
        self._owed = Owed()

    async def __aenter__(self) -> Self:
        self._loop = asyncio.get_running_loop()
        self._inbox = Inbox(self._loop, self._hold)
        self._writing = asyncio.Lock()
        opened: asyncio.Future[None] = self._loop.create_future()
        opened.add_done_callback(asyncio.Future.exception)  # of an opening that was left nobody else asks why it failed
        start(self._open, self.name, lambda error: settle(self._loop, opened, error))
        try:
            await asyncio.shield(opened)
            self._loop.add_reader(self._descriptor, self._take)
        except BaseException:
            with self._lock:  # the thread closes what it opens from now on; what it has opened is closed here
                self._given_up = True
            await self._close()
            # Else whoever opens it next would find it taken, by us.
            await asyncio.wait({opened}, timeout=CLOSE_S)
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._close()

    async def read(self) -> bytes:
        data, self.arrived_ns = await self._inbox.get()
        return data

    async def listen(self, take: Take) -> None:
        await self._inbox.listen(take)

    async def write(self, data: bytes, reply: bool | None = None, timeout_s: float | None = None) -> None:
        self._owed.asked(reply, timeout_s)
        try:
            async with self._writing, asyncio.timeout(WRITE_TIMEOUT_S):
                self._cut = True
                while data := data[self._write(data) :]:
                    await self._room()
                self._cut = False
        except TimeoutError as error:
            raise dropped(self.name, TimeoutError("Write timeout")) from error
        except OSError as error:
            raise dropped(self.name, error) from error

    def park(self) -> bool:
        self._inbox.discard(True)
        return not self._cut and not self._inbox.failed

    async def unpark(self) -> bool:
        await self._owed.over()
        self._inbox.discard(False)
        return not self._inbox.failed

    # --- while it is open -----------------------------------------------------------------------------------------

    def _take(self) -> None:
        try:
            data = os.read(self._descriptor, CHUNK_BYTES)
            at_ns = self._now()
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._drop(error)
            return
        if data:
            self._inbox.put(data, at_ns)
        else:  # ready and yet empty: the end of a device that has gone
            self._drop(OSError("the device has nothing more to give"))

    def _drop(self, error: OSError) -> None:
        self._loop.remove_reader(self._descriptor)
        self._inbox.fail(dropped(self.name, error))

    def _hold(self, holding: bool) -> None:
        if self._descriptor < 0 or self._inbox.failed:
            return
        if holding:
            self._loop.remove_reader(self._descriptor)
        else:
            self._loop.add_reader(self._descriptor, self._take)

    def _write(self, data: bytes) -> int:
        """How many bytes the system took; it never blocks."""
        if self._descriptor < 0:
            raise PortError(f"{self.name}: the port is closed")
        try:
            return os.write(self._descriptor, data)
        except (BlockingIOError, InterruptedError):
            return 0

    async def _room(self) -> None:
        """Wait until more may be written."""
        free: asyncio.Future[None] = self._loop.create_future()
        descriptor = self._descriptor
        self._loop.add_writer(descriptor, _done, free)
        try:
            await free
        finally:
            if descriptor == self._descriptor:
                self._loop.remove_writer(descriptor)

    # --- opening and closing --------------------------------------------------------------------------------------

    def _open(self) -> None:
        """In a thread. pyserial opens and sets the port; what is kept is the descriptor alone, without the four pipes
        that it holds beside it. The lock against a second user goes with the descriptor."""
        device = resolve(self.name)
        # termios.error is neither an OSError nor a SerialException: a pty refuses parity with it.
        try:
            port = made(device, self._params, self._exclusive)
            descriptor = os.dup(port.fileno())
            port.close()
        except Exception as error:
            raise trouble(self.name, device, self._params, error) from error
        with self._lock:
            if not self._given_up:
                self._descriptor = descriptor
                return
        os.close(descriptor)

    async def _close(self) -> None:
        with self._lock:
            descriptor, self._descriptor = self._descriptor, -1
        if descriptor < 0:
            return
        self._loop.remove_reader(descriptor)
        self._loop.remove_writer(descriptor)
        closed: asyncio.Future[None] = self._loop.create_future()
        start(lambda: os.close(descriptor), self.name, lambda error: settle(self._loop, closed, error))
        with suppress(TimeoutError, OSError):  # a driver of the system that hangs: left behind, the thread is a daemon
            async with asyncio.timeout(CLOSE_S):
                await closed


def _done(free: asyncio.Future[None]) -> None:
    if not free.done():
        free.set_result(None)


def start(work: Callable[[], None], port: str, told: Callable[[BaseException | None], None]) -> None:
    """Do it in a thread that holds no exit of the program up."""

    def run() -> None:
        try:
            work()
        except BaseException as error:
            told(error)
        else:
            told(None)

    threading.Thread(target=run, name=f"benchd port {port}", daemon=True).start()


def settle(loop: asyncio.AbstractEventLoop, future: asyncio.Future[None], error: BaseException | None) -> None:
    """From a thread: the future has come to this."""

    def tell() -> None:
        if future.done():
            return
        if error is None:
            future.set_result(None)
        else:
            future.set_exception(error)

    call_loop(loop, tell)
