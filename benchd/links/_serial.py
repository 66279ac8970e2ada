"""pyserial devices and URLs: one thread a port opens it, reads it and closes it.

A thread is the only way that works on whatever pyserial opens, with any event loop. What the loop can wait for by
itself has cheaper links: _tty.py, _tcp.py.
"""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from types import TracebackType
from typing import TYPE_CHECKING, Self

from benchd.errors import PortError
from benchd.links._link import Now, Owed, Reads, ThreadInbox, call_loop
from benchd.links.ports import is_url, resolve, trouble
from benchd.wire.driver import SerialParams

if TYPE_CHECKING:
    import serial

#: How often the thread looks whether it should stop where a read cannot be cancelled (`socket://`, `rfc2217://`).
POLL_S = 0.2
WRITE_TIMEOUT_S = 2.0
#: How long closing waits for the thread; RFC 2217 needs 0.3 s by itself.
CLOSE_S = 2.0
MOST_BYTES = 65536


class SerialLink(Reads):
    """A serial port, or what pyserial makes look like one."""

    def __init__(self, port: str, params: SerialParams, exclusive: bool, now: Now) -> None:
        self.name = port
        self.arrived_ns = 0
        self._params, self._exclusive, self._now = params, exclusive, now
        self._stop = threading.Event()
        self._port: serial.Serial | None = None
        self._writer: ThreadPoolExecutor | None = None
        self._owed = Owed()

    async def __aenter__(self) -> Self:
        self._loop = asyncio.get_running_loop()
        self._inbox = ThreadInbox(self._loop, self._stop)
        self._opened: asyncio.Future[None] = self._loop.create_future()
        self._ended = asyncio.Event()
        threading.Thread(target=self._work, name=f"benchd port {self.name}", daemon=True).start()
        try:
            await self._opened
        except BaseException:
            self._stop.set()  # cancelled while opening: the thread closes what it has opened by then
            await self._until_ended()  # else whoever opens it next would find it taken, by us
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop.set()
        if self._writer is not None:
            self._writer.shutdown(wait=False, cancel_futures=True)
        with suppress(Exception):  # the port may be gone, and socket:// and rfc2217:// have no cancel_read
            self._port.cancel_read()  # type: ignore[union-attr]
        await self._until_ended()

    async def _until_ended(self) -> None:
        with suppress(TimeoutError):  # a driver of the system that hangs: left behind, the thread is a daemon
            async with asyncio.timeout(CLOSE_S):
                await self._ended.wait()

    async def read(self) -> bytes:
        data, self.arrived_ns = await self._inbox.get()
        return data

    async def write(self, data: bytes, reply: bool | None = None, timeout_s: float | None = None) -> None:
        if self._writer is None:
            self._writer = ThreadPoolExecutor(1, thread_name_prefix=f"benchd writer {self.name}")
        port = self._port
        assert port is not None, "write() before the link was opened"
        self._owed.asked(reply, timeout_s)
        try:
            await self._loop.run_in_executor(self._writer, port.write, data)
        except (OSError, TypeError, ValueError) as error:  # TypeError: closed meanwhile
            raise self._dropped(error) from error

    def park(self) -> bool:
        self._inbox.discard(True)
        return not self._inbox.failed

    async def unpark(self) -> bool:
        await self._owed.over()
        self._inbox.discard(False)
        return not self._inbox.failed

    # --- the thread -----------------------------------------------------------------------------------------------

    def _work(self) -> None:
        try:
            self._open()
        except BaseException as error:
            self._tell_opened(error)
        else:
            self._tell_opened(None)
            self._read_until_closed()
        call_loop(self._loop, self._ended.set)

    def _open(self) -> None:
        device = resolve(self.name)
        # termios.error is neither an OSError nor a SerialException: a pty refuses parity with it.
        try:
            self._port = made(device, self._params, self._exclusive)
        except Exception as error:
            raise trouble(self.name, device, self._params, error) from error

    def _tell_opened(self, error: BaseException | None) -> None:
        def tell() -> None:
            if self._opened.done():
                return
            if error is None:
                self._opened.set_result(None)
            else:
                self._opened.set_exception(error)

        call_loop(self._loop, tell)

    def _read_until_closed(self) -> None:
        assert self._port is not None
        take = _take_socket if self.name.startswith("socket:") else _take
        try:
            while not self._stop.is_set():
                if data := take(self._port):
                    self._inbox.put(data, self._now())
        except Exception as error:  # OSError, TypeError of a port closed under the read, termios.error
            self._inbox.fail(self._dropped(error))
        finally:
            with suppress(Exception):
                self._port.close()

    def _dropped(self, error: BaseException) -> PortError:
        return dropped(self.name, error)


def dropped(port: str, error: BaseException) -> PortError:
    """The PortError of a port that was open."""
    what = "the connection was closed" if is_url(port) else "the port has gone: unplugged?"
    return PortError(f"{port}: {what} ({error or type(error).__name__})")


def made(device: str, params: SerialParams, exclusive: bool) -> serial.Serial:
    """The open pyserial port."""
    import serial

    port = serial.serial_for_url(device, do_not_open=True, timeout=POLL_S)
    port.baudrate, port.bytesize, port.parity = params.baud, params.data_bits, params.parity
    port.stopbits = params.stop_bits
    if not device.startswith("rfc2217:"):  # which raises NotImplementedError for it
        port.write_timeout = WRITE_TIMEOUT_S
    if exclusive and not is_url(device):
        port.exclusive = True  # else two readers steal each other's bytes
    if params.dtr is not None:
        port.dtr = params.dtr
    if params.rts is not None:
        port.rts = params.rts
    port.open()
    return port


def _take(port: serial.Serial) -> bytes:
    return bytes(port.read(port.in_waiting or 1))


def _take_socket(port: serial.Serial) -> bytes:
    """What a TCP connection holds: its in_waiting knows only 0 or 1, so take one byte, then what else is there."""
    first = bytes(port.read(1))
    if not first:
        return b""
    port.timeout = 0
    rest = b""
    with suppress(OSError):  # the other end hung up after its last byte: the next read tells
        rest = bytes(port.read(MOST_BYTES))
    port.timeout = POLL_S
    return first + rest
