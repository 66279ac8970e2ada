"""`socket://HOST:PORT`: bytes over TCP, as a serial server in raw mode gives them, waited for by the event loop."""

from __future__ import annotations

import asyncio
import os
import re
import socket
from contextlib import suppress
from types import TracebackType
from typing import Self, cast

from benchd.links._link import Inbox, Now, Owed, Take
from benchd.links._serial import CLOSE_S, WRITE_TIMEOUT_S, dropped
from benchd.links.ports import trouble
from benchd.wire.driver import SerialParams

OPEN_TIMEOUT_S = 5.0
CHUNK_BYTES = 16384
_ADDRESS = re.compile(r"socket://(?:\[(?P<six>[0-9A-Fa-f:.%]+)\]|(?P<host>[^\[\]/?#:@]+)):(?P<port>[0-9]{1,5})/?")


def address_of(port: str) -> tuple[str, int] | None:
    """(host, port) of a plain socket URL; None for anything else, also for one with options, which pyserial knows."""
    match = _ADDRESS.fullmatch(port)
    if match is None or int(match["port"]) > 65535:
        return None
    return match["six"] or match["host"], int(match["port"])


def _plain(error: OSError) -> OSError:
    """The same without asyncio's words."""
    if isinstance(error, TimeoutError) and error.errno is None:
        return TimeoutError(f"no answer within {OPEN_TIMEOUT_S:.0f} s")
    known = error.errno is not None and error.errno > 0  # a name that is not found has a number of another kind
    return OSError(error.errno, os.strerror(error.errno)) if known and error.errno else error


class TcpLink(asyncio.BufferedProtocol):
    """A raw TCP connection to an instrument or a serial server."""

    def __init__(self, port: str, address: tuple[str, int], now: Now) -> None:
        self.name = port
        self.arrived_ns = 0
        self._address, self._now = address, now
        self._transport: asyncio.Transport | None = None
        self._buffer = memoryview(bytearray(CHUNK_BYTES))  # one for all chunks: asyncio's own way takes 256 KB for each
        self._owed = Owed()

    async def __aenter__(self) -> Self:
        self._loop = asyncio.get_running_loop()
        self._inbox = Inbox(self._loop, self._hold)
        self._room, self._gone = asyncio.Event(), asyncio.Event()
        self._room.set()
        try:
            async with asyncio.timeout(OPEN_TIMEOUT_S):
                await self._loop.create_connection(lambda: self, *self._address)
        except OSError as error:  # TimeoutError too
            raise trouble(self.name, self.name, SerialParams(), _plain(error)) from error
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._transport is not None
        self._transport.abort()
        with suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_S):
                await self._gone.wait()

    async def read(self) -> bytes:
        data, self.arrived_ns = await self._inbox.get()
        return data

    async def listen(self, take: Take) -> None:
        await self._inbox.listen(take)

    async def write(self, data: bytes, reply: bool | None = None, timeout_s: float | None = None) -> None:
        assert self._transport is not None, "write() before the link was opened"
        self._owed.asked(reply, timeout_s)
        if self._transport.is_closing():
            raise dropped(self.name, ConnectionResetError("socket disconnected"))
        self._transport.write(data)
        if not self._room.is_set():
            try:
                async with asyncio.timeout(WRITE_TIMEOUT_S):
                    await self._room.wait()
            except TimeoutError as error:
                raise dropped(self.name, TimeoutError("Write timeout")) from error
        if self._inbox.failed:
            raise dropped(self.name, ConnectionResetError("socket disconnected"))

    def park(self) -> bool:
        self._inbox.discard(True)
        return not self._inbox.failed

    async def unpark(self) -> bool:
        await self._owed.over()
        self._inbox.discard(False)
        return not self._inbox.failed

    # --- asyncio calls these --------------------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)
        self._transport.set_write_buffer_limits(0)  # a write is over when the system has all of it
        found = self._transport.get_extra_info("socket")
        found.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def get_buffer(self, sizehint: int) -> memoryview:
        return self._buffer

    def buffer_updated(self, nbytes: int) -> None:
        self._inbox.put(bytes(self._buffer[:nbytes]), self._now())

    def connection_lost(self, error: Exception | None) -> None:
        self._inbox.fail(dropped(self.name, error or ConnectionResetError("socket disconnected")))
        self._room.set()
        self._gone.set()

    def pause_writing(self) -> None:
        self._room.clear()

    def resume_writing(self) -> None:
        self._room.set()

    def _hold(self, holding: bool) -> None:
        if self._transport is None or self._transport.is_closing():
            return
        if holding:
            self._transport.pause_reading()
        else:
            self._transport.resume_reading()
