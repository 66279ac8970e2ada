"""Real ports of this computer that virtual instruments sit on: pseudo-terminals and TCP on 127.0.0.1.

An outlet never queues: what nobody takes in time is dropped, as on a wire. It can be unplugged and plugged in again
under the same name. All methods belong to the event loop.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Protocol

try:  # not on Windows
    import pty
    import tty
except ImportError:
    HAS_PTY = False
else:
    HAS_PTY = True

MOST_WAITING = 4096  # bytes that a TCP connection may hold for a reader that does not take them
CHUNK = 4096

#: Bytes from the wire to the bytes of the answer; made anew for every connection.
Answering = Callable[[bytes], bytes]


class Outlet(Protocol):
    """Where one instrument is plugged in; `port` is how a bench file names it."""

    port: str

    async def open(self) -> None: ...
    def send(self, data: bytes) -> None: ...
    async def unplug(self) -> None: ...
    async def plug_in(self) -> None: ...
    async def close(self) -> None: ...


class PtyOutlet:
    """A pseudo-terminal behind a link whose path stays the same."""

    def __init__(self, path: Path, connect: Callable[[], Answering] | None = None) -> None:
        self.port = str(path)
        self._path, self._connect = path, connect
        self._master = self._slave = -1

    async def open(self) -> None:
        await self.plug_in()

    async def plug_in(self) -> None:
        if self._master >= 0:
            return
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)  # held open: a terminal nobody has open would refuse our bytes
        os.set_blocking(self._master, False)
        self._answer = None if self._connect is None else self._connect()
        asyncio.get_running_loop().add_reader(self._master, self._readable)
        self._path.symlink_to(os.ttyname(self._slave))

    def send(self, data: bytes) -> None:
        if self._master >= 0:
            with suppress(BlockingIOError):  # nobody reads: lost, as on a wire
                os.write(self._master, data)

    def _readable(self) -> None:
        try:
            data = os.read(self._master, CHUNK)
        except OSError:
            return
        if self._answer is not None and (said := self._answer(data)):
            self.send(said)

    async def unplug(self) -> None:
        if self._master < 0:
            return
        self._path.unlink(missing_ok=True)
        asyncio.get_running_loop().remove_reader(self._master)
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = -1

    async def close(self) -> None:
        await self.unplug()


class TcpOutlet:
    """A listening TCP port; every connection hears what is sent and has its own conversation."""

    def __init__(self, connect: Callable[[], Answering] | None = None, form: str = "socket://127.0.0.1:{port}") -> None:
        self.port = ""
        self._connect, self._form = connect, form
        self._number = 0  # any free one the first time, then the same
        self._server: asyncio.Server | None = None
        self._connections: dict[asyncio.StreamWriter, asyncio.Task[None] | None] = {}

    async def open(self) -> None:
        await self.plug_in()

    async def plug_in(self) -> None:
        if self._server is None:
            self._server = await asyncio.start_server(self._converse, "127.0.0.1", self._number)
            self._number = self._server.sockets[0].getsockname()[1]
            self.port = self._form.format(port=self._number)

    def send(self, data: bytes) -> None:
        for writer in self._connections:
            if not writer.is_closing() and writer.transport.get_write_buffer_size() < MOST_WAITING:
                writer.write(data)

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._connections[writer] = asyncio.current_task()
        answer = None if self._connect is None else self._connect()
        try:
            while data := await reader.read(CHUNK):
                if answer is not None and (said := answer(data)):
                    writer.write(said)
        except OSError:
            pass  # the other side went away without a word
        finally:
            self._connections.pop(writer, None)
            writer.close()

    async def unplug(self) -> None:
        server, self._server = self._server, None
        if server is None:
            return
        server.close()
        tasks = [task for task in self._connections.values() if task is not None]
        for writer in list(self._connections):
            writer.transport.abort()  # no farewell, as when a cable is pulled
        if tasks:
            await asyncio.wait(tasks, timeout=1.0)

    async def close(self) -> None:
        await self.unplug()


def stream_outlet(path: Path, connect: Callable[[], Answering] | None = None) -> Outlet:
    """A pseudo-terminal where there are any, else a TCP port."""
    return PtyOutlet(path, connect) if HAS_PTY else TcpOutlet(connect)
