"""Ports and the meters on them, found by listening first and by harmless questions second."""

from __future__ import annotations

import asyncio
import os
import pty
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import aclosing, asynccontextmanager, suppress
from dataclasses import replace
from decimal import Decimal

import pytest
import serial.tools.list_ports
import serial.tools.list_ports_common

from benchd import discover, registry
from benchd.clock import Clock
from benchd.core.readings import Quantity, Reading
from benchd.errors import PortError
from benchd.wire import Driver, SerialParams
from benchd.wire.framing import Lines, Stream

Answer = Callable[[bytes], bytes | None]


def reading(line: bytes) -> Reading:
    return Reading.of_text(Quantity.SPEED, line.decode("ascii").removesuffix(" rpm"))


def broken(line: bytes) -> Reading:
    raise RuntimeError("a mistake in the driver")


def streaming(name: str, **keys: object) -> Driver:
    serial = keys.pop("serial", SerialParams())
    assert isinstance(serial, SerialParams)
    return Driver(name, name, lambda settings: Stream(Lines(), reading), serial)


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


@asynccontextmanager
async def sending(master: int, line: bytes, step_s: float = 0.05) -> AsyncIterator[None]:
    async def send() -> None:
        while True:
            os.write(master, line)
            await asyncio.sleep(step_s)

    task = asyncio.create_task(send())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait({task})


@asynccontextmanager
async def answering(answer: Answer) -> AsyncIterator[str]:
    """HOST:PORT of a server that answers lines."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            while line := await reader.readline():
                if (said := answer(line)) is not None:
                    writer.write(said)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    host, port = server.sockets[0].getsockname()
    async with server:
        yield f"{host}:{port}"


SCPI = {b"*IDN?": b"Hollin,M1,7,1.0\n", b"FUNC?": b'"VOLT:DC"\n', b"SYST:ERR?": b'0,"No error"\n', b"READ?": b"12.60\n"}


def scpi(line: bytes) -> bytes | None:
    return SCPI.get(line.strip())


async def test_a_streaming_meter_is_found_by_listening(terminal: tuple[int, str]) -> None:
    master, port = terminal
    async with sending(master, b"3590 rpm\n"):
        found = await discover.identify(port, {"tach": streaming("tach")}, Clock())
    assert found is not None
    assert (found.port, found.driver, found.also) == (port, "tach", ())
    assert found.readings == (Reading(Quantity.SPEED, Decimal("3590"), Decimal(1)),)


async def test_whoever_listens_sends_nothing(terminal: tuple[int, str]) -> None:
    master, port = terminal
    async with sending(master, b"3590 rpm\n"):
        assert await discover.identify(port, registry.drivers() | {"tach": streaming("tach")}, Clock()) is not None
    os.set_blocking(master, False)
    with pytest.raises(BlockingIOError):
        os.read(master, 100)


async def test_drivers_are_tried_at_their_own_setting(terminal: tuple[int, str]) -> None:
    """Both understand it; the one that comes first by its setting is asked at its own."""
    master, port = terminal
    slow, fast = SerialParams(2400), SerialParams(115200)
    drivers = {
        "deaf": Driver("deaf", "deaf", lambda _: Stream(Lines(), broken), slow),
        "tach": streaming("tach", serial=fast),
    }
    async with sending(master, b"3590 rpm\n"):
        found = await discover.identify(port, drivers, Clock(4))
    assert found is not None
    assert (found.driver, found.serial) == ("tach", fast)


async def test_a_driver_that_breaks_or_misreads_gives_way(terminal: tuple[int, str]) -> None:
    master, port = terminal
    broke = Driver("broke", "broke", lambda _: Stream(Lines(), broken))
    drivers = {"broke": broke, "twin": streaming("twin"), "tach": streaming("tach")}
    async with sending(master, b"3590 rpm\n"):
        found = await discover.identify(port, drivers, Clock())
    assert found is not None
    assert (found.driver, found.also) == ("twin", ("tach",))


@pytest.mark.parametrize("form", ["socket://{}", "visa:TCPIP0::{}::SOCKET"])
async def test_an_instrument_that_must_be_asked_is_asked(form: str) -> None:
    drivers = {"tach": streaming("tach"), "scpi": registry.driver("scpi")}
    async with answering(scpi) as address:
        port = form.format(address.replace(":", "::") if form.startswith("visa") else address)
        found = await discover.identify(port, drivers, Clock())
    assert found is not None
    assert (found.driver, found.identity) == ("scpi", "Hollin,M1,7,1.0")
    assert [(one.quantity, one.value) for one in found.readings] == [(Quantity.DC_VOLTS, Decimal("12.60"))]


async def test_nobody_is_asked_by_a_driver_that_may_do_harm() -> None:
    asked: list[bytes] = []
    harmful = replace(registry.driver("scpi"), probe=False)
    async with answering(asked.append) as address:
        assert await discover.identify(f"socket://{address}", {"scpi": harmful}, Clock()) is None
    assert not asked


async def test_noise_is_nobody(terminal: tuple[int, str]) -> None:
    master, port = terminal
    async with sending(master, b"\x00\xff\x13noise\n"):
        assert await discover.identify(port, {"tach": streaming("tach")}, Clock(5)) is None


async def test_a_port_that_is_not_there_is_told() -> None:
    with pytest.raises(PortError, match="/dev/ttyNONE: there is no such port"):
        await discover.identify("/dev/ttyNONE", registry.drivers(), Clock())


async def test_watching_gives_readings_as_they_come() -> None:
    async with answering(scpi) as address:
        port = f"socket://{address}"
        async with aclosing(discover.watch(port, registry.driver("scpi"), clock=Clock())) as said:
            seen = [one async for one in first(said, 4)]
    assert [one.text for one in seen if not isinstance(one, Reading)] == ["Hollin,M1,7,1.0"]
    assert [one.value for one in seen if isinstance(one, Reading)] == [Decimal("12.60")] * 3


async def first(said: AsyncIterator[discover.Said], count: int) -> AsyncIterator[discover.Said]:
    async with asyncio.timeout(5):
        for _ in range(count):
            yield await anext(said)


async def test_ports_are_listed_with_their_stable_names(monkeypatch: pytest.MonkeyPatch) -> None:
    one = serial.tools.list_ports_common.ListPortInfo("/dev/ttyUSB0")
    one.description, one.serial_number = "USB serial adapter", "VOLTS01"
    monkeypatch.setattr(serial.tools.list_ports, "comports", lambda: [one])
    (found,) = await discover.ports()
    assert found.line() == "/dev/ttyUSB0 (USB serial adapter); stable name serial:VOLTS01"
