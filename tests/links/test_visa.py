"""VISA through its pure Python library, against a small SCPI instrument on TCP."""

from __future__ import annotations

import asyncio
import time

import pytest
from wires import VOLTS, Emitted, bench_of, tcp_server

from benchd import registry
from benchd.clock import Clock
from benchd.errors import PortError
from benchd.links import Link, open_link
from benchd.links.ports import try_open
from benchd.sampler import Sampler


def resource(address: str) -> str:
    host, _, port = address.partition(":")
    return f"visa:TCPIP0::{host}::{port}::SOCKET"


class Meter:
    """Answers *IDN?, FUNC?, SYST:ERR? and READ? (12.60, 12.61, ...)."""

    def __init__(self) -> None:
        self.reads = 0

    def __call__(self, line: bytes) -> bytes | None:
        text = line.decode().strip()
        if text == "READ?":
            self.reads += 1
            return b"%.2f\n" % (12.59 + self.reads / 100)
        answers = {"*IDN?": b"Hollin,M1,7,1.0\n", "FUNC?": b'"VOLT:DC"\n', "SYST:ERR?": b'0,"No error"\n'}
        return answers.get(text)


async def ask(link: Link, question: bytes) -> bytes:
    await link.write(question, timeout_s=1.0)
    return await asyncio.wait_for(link.read(), 2)


async def test_a_question_gets_its_answer_and_a_command_waits_for_none() -> None:
    async with tcp_server(answer=Meter()) as (address, _), open_link(resource(address), clock=Clock()) as link:
        assert await ask(link, b"*IDN?\n") == b"Hollin,M1,7,1.0\n"
        before = time.monotonic()
        await link.write(b"CONF:VOLT:DC\n")
        assert await ask(link, b"READ?\n") == b"12.60\n"
        assert time.monotonic() - before < 0.5
        assert link.arrived_ns > 0


async def test_a_late_answer_is_never_the_next_ones() -> None:
    """The instrument answers the first question after the second was asked."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            if line == b"SLOW?\n":
                await asyncio.sleep(0.4)
            writer.write(line.replace(b"?", b"!"))
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    host, port = server.sockets[0].getsockname()
    async with server, open_link(resource(f"{host}:{port}"), clock=Clock()) as link:
        await link.write(b"SLOW?\n", timeout_s=0.2)
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(link.read(), 0.25)
        assert await ask(link, b"FAST?\n") == b"FAST!\n"
        await asyncio.sleep(0.3)
        assert await ask(link, b"AGAIN?\n") == b"AGAIN!\n"


async def test_an_address_where_nobody_is_is_told(unused_tcp_port: int) -> None:
    """Opening succeeds all the same (the library's way); the check before a run and the first question do not."""
    port = resource(f"127.0.0.1:{unused_tcp_port}")
    bench = bench_of({"volts": ("scpi", port)}, {})
    with pytest.raises(PortError, match=r"cannot be reached: .*Check cable, power and address"):
        await try_open(bench.instruments["volts"], registry.driver("scpi"))
    async with open_link(port, clock=Clock()) as link:
        with pytest.raises(PortError, match="the connection was lost"):
            await ask(link, b"*IDN?\n")


async def test_an_instrument_that_hangs_up_costs_one_question() -> None:
    async with tcp_server(answer=Meter()) as (address, writers), open_link(resource(address), clock=Clock()) as link:
        assert await ask(link, b"READ?\n") == b"12.60\n"
        writers[0].close()
        await asyncio.sleep(0.05)
        await link.write(b"READ?\n", timeout_s=0.1)
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(link.read(), 0.3)
        assert await ask(link, b"READ?\n") == b"12.61\n"


@pytest.mark.parametrize("name", ["visa:NONSENSE", "visa:TCPIP0::127.0.0.1::1::INSTR", "visa:ASRL/dev/ttyNONE::INSTR"])
async def test_a_resource_that_is_none_is_told(name: str) -> None:
    with pytest.raises(PortError, match="cannot be reached"):
        async with open_link(name, clock=Clock()):
            pass


async def test_a_scpi_meter_is_read_through_the_whole_way() -> None:
    async with tcp_server(answer=Meter()) as (address, _):
        bench = bench_of({"volts": ("scpi", resource(address))}, {"battery_volts": VOLTS}, sample_s=0.1)
        emitted = Emitted()
        sampler = Sampler(bench, ["battery_volts"], Clock(), registry.drivers())
        task = asyncio.create_task(sampler.run(emitted))
        await emitted.wait_for("instrument", identity="Hollin,M1,7,1.0")
        while len(emitted.of("reading")) < 3:  # noqa: ASYNC110
            await asyncio.sleep(0.02)
        await asyncio.sleep(0.15)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        numbers = emitted.numbers("battery_volts")
        assert numbers[:3] == [12.6, 12.61, 12.62]
        assert emitted.samples[-1].values == {} or emitted.numbers("battery_volts")[-1] == numbers[-1]


def test_usbtmc_without_its_library_says_which_extra_brings_it() -> None:
    from benchd.links import _visa

    error = ValueError("Please install PyUSB to use this resource type.\nNo module named 'usb'")
    assert str(_visa._unreachable("visa:USB0::1::2::INSTR", error)).endswith(
        "pip install 'benchd[usb]' (it brings PyUSB)"
    )
