"""Small instruments at the far end of real ports, and a driver of one line a reading."""

from __future__ import annotations

import asyncio
import os
import pty
import socket
import threading
import tty
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import serial
import serial.rfc2217

from benchd.config import Bench, Channel, Instrument
from benchd.core.samples import Sample
from benchd.wire import Driver, Flag, Notice, Quantity, Reading, Request, Settings
from benchd.wire.framing import Lines


class PtyMeter:
    """A pseudo-terminal under a path that stays the same when it is unplugged and plugged in again."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.master = -1

    def plug_in(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.path.symlink_to(os.ttyname(slave))
        self._slave = slave

    def unplug(self) -> None:
        if self.master >= 0:
            self.path.unlink()
            os.close(self._slave)
            os.close(self.master)
            self.master = -1

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def sent(self) -> bytes:
        """What the daemon wrote; waits for it."""
        return os.read(self.master, 4096)


Answer = Callable[[bytes], bytes | None]


@asynccontextmanager
async def tcp_server(
    hello: bytes = b"", answer: Answer = lambda line: None, hang_up: bool = False
) -> AsyncIterator[tuple[str, list[asyncio.StreamWriter]]]:
    """'127.0.0.1:PORT' that greets, answers each line, or hangs up after its greeting; and its connections."""
    writers: list[asyncio.StreamWriter] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        with suppress(OSError, asyncio.CancelledError):
            await asyncio.sleep(0.05)  # pyserial throws away what came before its open() is done
            writer.write(hello)
            while not hang_up and (line := await reader.readline()):
                if (said := answer(line)) is not None:
                    writer.write(said)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    host, port = server.sockets[0].getsockname()
    try:
        yield f"{host}:{port}", writers
    finally:
        server.close()
        for writer in writers:
            writer.close()
        await asyncio.sleep(0.02)


class Rfc2217Server:
    """pyserial's own RFC 2217 port manager over its loop:// port: what is written comes back."""

    def __enter__(self) -> str:
        self._port = serial.serial_for_url("loop://", timeout=0.05)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(5)
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._connection: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, name="benchd test rfc2217")
        self._thread.start()
        return f"rfc2217://127.0.0.1:{self._listener.getsockname()[1]}"

    def write(self, data: bytes) -> None:
        """sendall for the port manager."""
        with self._lock:
            assert self._connection is not None
            self._connection.sendall(data)

    def hang_up(self) -> None:
        assert self._connection is not None
        self._connection.shutdown(socket.SHUT_RDWR)

    def _serve(self) -> None:
        with suppress(OSError):
            self._connection, _ = self._listener.accept()
            self._connection.settimeout(0.02)
            manager = serial.rfc2217.PortManager(self._port, self)
            while not self._stop.is_set():
                try:
                    data = self._connection.recv(1024)
                except TimeoutError:
                    data = None
                if data == b"":
                    break
                if data:
                    self._port.write(b"".join(manager.filter(data)))
                if waiting := self._port.in_waiting:
                    self.write(b"".join(manager.escape(self._port.read(waiting))))
        if self._connection is not None:
            self._connection.close()

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self._listener.close()
        self._port.close()


# --- a driver -------------------------------------------------------------------------------------------------------


class Speaker:
    """Lines 'dc volts 12.60', 'dc volts 12.60 hold', 'frequency 60 @point', 'identity NAME'; other lines are garbage.

    Lines of a recording (`t_s,...`) are read without their first cell.
    """

    def __init__(self, settings: Settings) -> None:
        self.asks = settings.options.get("asks", "").encode()
        self.reads = 0
        self.connected()

    def connected(self) -> None:
        self.reader = Lines(join=False).reader()
        self.awaiting = False
        self.resting = False

    @property
    def answered(self) -> bool:
        return not self.awaiting

    def request(self) -> Request | None:
        if not self.asks or self.awaiting:
            return None
        self.resting = not self.resting
        if not self.resting:
            return None
        self.awaiting = True
        return Request(self.asks + b"\n", timeout_s=0.3)

    def timed_out(self) -> list[Reading | Notice]:
        self.awaiting = False
        return [Notice("timeout", f"no answer to {self.asks.decode()}")]

    def receive(self, data: bytes) -> list[Reading | Notice]:
        out: list[Reading | Notice] = []
        for frame in self.reader.feed(data):
            out += [frame] if isinstance(frame, Notice) else self.line(frame.decode("latin-1").rpartition(",")[2])
        return out

    def line(self, text: str) -> list[Reading | Notice]:
        if text == "break":
            raise RuntimeError("a mistake in the driver")
        if text.startswith("identity "):
            return [Notice("identity", text.removeprefix("identity "))]
        if text == "t_s" or text == "said":
            return []
        text, _, point = text.partition(" @")
        quantity = next((one for one in Quantity if text.startswith(one.value + " ")), None)
        if quantity is None:
            return [Notice("garbage", f"no reading: {text}", len(text))]
        self.awaiting = False
        number, *flags = text.removeprefix(quantity.value + " ").split(" ", 1)
        value = None if number == "-" else number
        words = frozenset(Flag(flag) for flag in flags)
        found = Reading(quantity, None) if value is None else Reading.of_text(quantity, value)
        return [Reading(quantity, found.value, found.resolution, words, point)]


DRIVERS = {
    "speaker": Driver("speaker", "one line a reading", Speaker),
    "asked": Driver("asked", "one line an answer", Speaker, poll_s=0.05),
}


def bench_of(instruments: Mapping[str, tuple[str, str]], channels: Mapping[str, Channel], **keys: Any) -> Bench:
    """A bench of instruments name -> (driver, port)."""
    options = {"asked": {"asks": "READ?"}}
    made = {
        name: Instrument(name, driver, port, options.get(driver, {})) for name, (driver, port) in instruments.items()
    }
    return Bench("a test's bench", instruments=made, channels=dict(channels), **keys)


VOLTS = Channel("battery_volts", "volts", Quantity.DC_VOLTS)
AMPS = Channel("charge_amps", "amps", Quantity.DC_AMPS)


@dataclass
class Emitted:
    """What a sampler emitted."""

    records: list[dict[str, Any]] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)

    def __call__(self, item: Mapping[str, Any] | Sample) -> None:
        if isinstance(item, Sample):
            self.samples.append(item)
        else:
            self.records.append(dict(item))

    def of(self, kind: str, **keys: Any) -> list[dict[str, Any]]:
        return [one for one in self.records if one["kind"] == kind and all(one.get(k) == v for k, v in keys.items())]

    def numbers(self, channel: str) -> list[float | None]:
        return [sample.values[channel].value for sample in self.samples if channel in sample.values]

    async def wait_for(self, kind: str, timeout_s: float = 5.0, **keys: Any) -> dict[str, Any]:
        """The newest such record, once there is one."""
        async with asyncio.timeout(timeout_s):
            while not (found := self.of(kind, **keys)):  # noqa: ASYNC110
                await asyncio.sleep(0.005)
        return found[-1]
