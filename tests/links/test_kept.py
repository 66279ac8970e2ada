"""Links that stay open from one user to the next, on pseudo-terminals, TCP and VISA."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from test_visa import Meter, ask, resource
from wires import DRIVERS, VOLTS, Emitted, PtyMeter, bench_of, tcp_server

from benchd.clock import Clock
from benchd.errors import PortError
from benchd.links import KeptLinks, Link, open_link
from benchd.sampler import Sampler
from benchd.wire import SerialParams


@asynccontextmanager
async def keeping() -> AsyncIterator[KeptLinks]:
    kept = KeptLinks()
    try:
        yield kept
    finally:
        await kept.close()


async def first_byte(link: Link) -> bytes:
    return await asyncio.wait_for(link.read(), 2)


async def test_the_next_user_takes_the_open_port_over_without_what_came_in_between(pty_meter: PtyMeter) -> None:
    async with keeping() as kept:
        async with kept.open(str(pty_meter.path)) as first:
            pty_meter.send(b"a")
            assert await first_byte(first) == b"a"
            pty_meter.send(b"left over")
            await asyncio.sleep(0.05)
        assert kept.parked == (str(pty_meter.path),)
        pty_meter.send(b"nobody listens")
        await asyncio.sleep(0.05)
        async with kept.open(str(pty_meter.path)) as second:
            assert second is first
            assert kept.parked == ()
            pty_meter.send(b"b")
            assert await first_byte(second) == b"b"
            await second.write(b"READ?")
            assert await asyncio.to_thread(pty_meter.sent) == b"READ?"


async def test_a_parked_port_is_ours_alone_until_it_is_closed(pty_meter: PtyMeter) -> None:
    port = str(pty_meter.path)
    async with keeping() as kept:
        async with kept.open(port):
            pass
        with pytest.raises(PortError, match="another program has it open"):
            async with open_link(port):
                pass
        await kept.close_port(port)
        async with open_link(port):
            pass


async def test_two_users_of_one_port_at_a_time_are_one_too_many(pty_meter: PtyMeter) -> None:
    async with keeping() as kept, kept.open(str(pty_meter.path)):
        with pytest.raises(PortError, match="another program has it open"):
            async with kept.open(str(pty_meter.path)):
                pass


async def test_a_cancelled_user_leaves_the_port_open_and_one_with_an_error_does_not(pty_meter: PtyMeter) -> None:
    port = str(pty_meter.path)
    async with keeping() as kept:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.05), kept.open(port) as link:
                await link.read()
        assert kept.parked == (port,)
        with pytest.raises(ZeroDivisionError):
            async with kept.open(port):
                raise ZeroDivisionError
        assert kept.parked == ()


async def test_silence_has_the_port_opened_anew(pty_meter: PtyMeter) -> None:
    """The sampler leaves a silent link by TimeoutError: an adapter that hangs may wake up by that."""
    async with keeping() as kept:
        with pytest.raises(TimeoutError):
            async with kept.open(str(pty_meter.path)) as link, asyncio.timeout(0.05):
                await link.read()
        assert kept.parked == ()


async def test_other_settings_or_another_clock_open_it_anew(pty_meter: PtyMeter) -> None:
    port = str(pty_meter.path)
    async with keeping() as kept:
        async with kept.open(port, SerialParams(9600)) as first:
            pass
        async with kept.open(port, SerialParams(19200)) as second:
            assert second is not first
        async with kept.open(port, SerialParams(19200), clock=Clock(2.0)) as third:
            assert third is not second
        async with kept.open(port, SerialParams(19200), clock=Clock(2.0)) as fourth:
            assert fourth is not third


async def test_a_port_unplugged_while_nobody_used_it_is_opened_anew(pty_meter: PtyMeter) -> None:
    port = str(pty_meter.path)
    async with keeping() as kept:
        async with kept.open(port) as first:
            pass
        pty_meter.unplug()
        await asyncio.sleep(0.05)
        with pytest.raises(PortError, match="there is no such port"):
            async with kept.open(port):
                pass
        pty_meter.plug_in()
        async with kept.open(port) as second:
            assert second is not first
            pty_meter.send(b"x")
            assert await first_byte(second) == b"x"


async def test_a_flood_on_a_parked_port_takes_no_memory_and_holds_no_sender(pty_meter: PtyMeter) -> None:
    flood = b"x" * 2_000_000
    async with keeping() as kept:
        async with kept.open(str(pty_meter.path)):
            pass
        await asyncio.wait_for(asyncio.to_thread(send_all, pty_meter.master, flood), 20)
        await asyncio.sleep(0.1)
        async with kept.open(str(pty_meter.path)) as link:
            pty_meter.send(b"y")
            assert await first_byte(link) == b"y"


def send_all(descriptor: int, data: bytes) -> None:
    while data:
        data = data[os.write(descriptor, data) :]


async def test_a_late_answer_is_not_the_next_users() -> None:
    """The first user is cancelled between question and answer."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            if line == b"SLOW?\n":
                await asyncio.sleep(0.2)
            writer.write(line.replace(b"?", b"!"))
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    host, port = server.sockets[0].getsockname()
    async with server, keeping() as kept:
        async with kept.open(f"socket://{host}:{port}") as link:
            await link.write(b"SLOW?\n", True, 0.3)
        async with kept.open(f"socket://{host}:{port}") as link:
            await link.write(b"FAST?\n", True, 0.3)
            assert await first_byte(link) == b"FAST!\n"


async def test_tcp_is_kept_and_a_server_that_hung_up_is_connected_to_anew() -> None:
    async with tcp_server(answer=lambda line: line.upper()) as (address, writers), keeping() as kept:
        for _ in range(2):
            async with kept.open(f"socket://{address}") as link:
                await link.write(b"read\n", True, 0.01)
                assert await first_byte(link) == b"READ\n"
        assert len(writers) == 1
        writers[0].close()
        await asyncio.sleep(0.3)
        async with kept.open(f"socket://{address}") as link:
            await link.write(b"read\n", True, 0.01)
            assert await first_byte(link) == b"READ\n"
        assert len(writers) == 2


async def test_a_visa_session_is_kept_and_one_that_was_dropped_is_opened_anew() -> None:
    async with tcp_server(answer=Meter()) as (address, writers), keeping() as kept:
        for answer in (b"12.60\n", b"12.61\n"):
            async with kept.open(resource(address)) as link:
                assert await ask(link, b"READ?\n") == answer
        assert len(writers) == 1
        writers[0].close()
        await asyncio.sleep(0.1)
        async with kept.open(resource(address)) as link:
            assert await ask(link, b"READ?\n") == b"12.62\n"
        assert len(writers) == 2


async def test_a_visa_answer_that_is_still_out_is_not_the_next_users() -> None:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while line := await reader.readline():
            if line == b"SLOW?\n":
                await asyncio.sleep(0.2)
            writer.write(line.replace(b"?", b"!"))
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    host, port = server.sockets[0].getsockname()
    async with server, keeping() as kept:
        async with kept.open(resource(f"{host}:{port}")) as link:
            await link.write(b"SLOW?\n", timeout_s=1.0)
        async with kept.open(resource(f"{host}:{port}")) as link:
            assert await ask(link, b"FAST?\n") == b"FAST!\n"


async def test_a_recording_begins_from_its_start_each_time(tmp_path: Path) -> None:
    path = tmp_path / "run.csv"
    path.write_text("t_s,battery_volts\n0,12.6\n", encoding="utf-8")
    async with keeping() as kept:
        for _ in range(2):
            async with kept.open(f"replay:{path}") as link:
                assert await link.read() == b"t_s,battery_volts\n"
        assert kept.parked == ()


async def test_closing_ends_what_is_parked_and_nothing_is_parked_after_it(pty_meter: PtyMeter) -> None:
    kept = KeptLinks()
    async with kept.open(str(pty_meter.path)) as link:
        await kept.close()
        pty_meter.send(b"x")
        assert await first_byte(link) == b"x"
    assert kept.parked == ()


async def test_a_sampler_after_another_uses_the_same_links(pty_meter: PtyMeter) -> None:
    bench = bench_of({"volts": ("speaker", str(pty_meter.path))}, {"battery_volts": VOLTS}, sample_s=0.1)
    opened = []

    async with keeping() as kept:
        await kept.try_open(bench.instruments["volts"], DRIVERS["speaker"])
        for volts in ("12.60", "12.61"):
            opened.append(kept.parked)
            emitted = Emitted()
            sampler = Sampler(bench, ["battery_volts"], Clock(), DRIVERS, open_link=kept.open)
            task = asyncio.create_task(sampler.run(emitted))
            await asyncio.sleep(0.05)
            pty_meter.send(f"dc volts {volts}\n".encode())
            assert (await emitted.wait_for("reading"))["value"] == float(volts)
            task.cancel()
            await asyncio.wait({task})
            assert not emitted.of("gap")
        assert opened == [(str(pty_meter.path),)] * 2
