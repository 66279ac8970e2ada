"""Links on real pseudo-terminals, TCP and RFC 2217: bytes as they come, dropped links told, ports let go."""

from __future__ import annotations

import asyncio
import gc
import os
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import serial.tools.list_ports
from wires import DRIVERS, PtyMeter, Rfc2217Server, bench_of, tcp_server

from benchd.clock import Clock, StepClock
from benchd.errors import PortError
from benchd.links import Ended, Link, open_link
from benchd.links._serial import SerialLink
from benchd.links._tty import TtyLink
from benchd.links.ports import resolve, serial_params, try_open
from benchd.wire import SerialParams


async def read_all(link: Link, count: int, timeout_s: float = 5.0) -> bytes:
    found = b""
    async with asyncio.timeout(timeout_s):
        while len(found) < count:
            found += await link.read()
    return found


async def open_and_close(port: str, params: SerialParams | None = None) -> None:
    async with open_link(port, params):
        pass


async def test_a_terminal_gives_and_takes_bytes_with_the_time_they_came(pty_meter: PtyMeter) -> None:
    clock = Clock()
    async with open_link(str(pty_meter.path), clock=clock) as link:
        before = clock.now_ns()
        pty_meter.send(b"12.60\n")
        assert await read_all(link, 6) == b"12.60\n"
        assert before <= link.arrived_ns <= clock.now_ns()
        await link.write(b"READ?\n")
        assert await asyncio.to_thread(pty_meter.sent) == b"READ?\n"


async def test_arrival_is_when_the_bytes_came_not_when_they_were_taken(pty_meter: PtyMeter) -> None:
    clock = Clock()
    async with open_link(str(pty_meter.path), clock=clock) as link:
        pty_meter.send(b"x")
        await asyncio.sleep(0.3)
        assert await link.read() == b"x"
        assert clock.now_ns() - link.arrived_ns > 200_000_000


async def test_a_cancelled_read_loses_no_byte(pty_meter: PtyMeter) -> None:
    async with open_link(str(pty_meter.path)) as link:
        for _ in range(3):
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(link.read(), 0.01)
        pty_meter.send(b"abc")
        assert await read_all(link, 3) == b"abc"


async def test_an_unplugged_port_is_told_at_once(pty_meter: PtyMeter) -> None:
    async with open_link(str(pty_meter.path)) as link:
        pty_meter.unplug()
        before = time.monotonic()
        with pytest.raises(PortError, match=r"meter: the port has gone: unplugged\?"):
            await link.read()
        assert time.monotonic() - before < 0.5


async def test_a_flood_is_held_back_and_comes_whole(pty_meter: PtyMeter) -> None:
    """More than a link holds: the sender waits, and no byte is lost or out of place."""
    flood = b"".join(b"%07d\n" % number for number in range(100_000))
    async with open_link(str(pty_meter.path)) as link:
        sending = asyncio.create_task(asyncio.to_thread(send_all, pty_meter.master, flood))
        await asyncio.sleep(0.5)
        assert await read_all(link, len(flood), 20) == flood
        await sending


def send_all(descriptor: int, data: bytes) -> None:
    while data:
        data = data[os.write(descriptor, data) :]


async def test_a_port_is_ours_alone(pty_meter: PtyMeter) -> None:
    async with open_link(str(pty_meter.path)):
        with pytest.raises(PortError, match="another program has it open"):
            async with open_link(str(pty_meter.path)):
                pass


async def test_a_missing_port_names_itself_and_what_there_is(monkeypatch: pytest.MonkeyPatch) -> None:
    plug(monkeypatch, ("/dev/ttyUSB7", "A1"))
    with pytest.raises(PortError) as caught:
        await open_and_close("/dev/ttyNONE")
    assert str(caught.value) == (
        "/dev/ttyNONE: there is no such port; there is /dev/ttyUSB7. Plug it in, or correct `port`."
    )


async def test_a_setting_that_the_port_refuses_is_named(pty_meter: PtyMeter) -> None:
    """A pseudo-terminal refuses parity, with an error that is no SerialException."""
    params = SerialParams(19200, 7, "O")
    with suppress(PortError):  # as a rule only the second time
        await open_and_close(str(pty_meter.path), params)
    with pytest.raises(PortError, match="does not take the setting 19200 7O1"):
        await open_and_close(str(pty_meter.path), params)


async def test_a_setting_that_is_none_is_named() -> None:
    with pytest.raises(PortError, match="does not take the setting 9600 9N1"):
        await open_and_close("/dev/null", SerialParams(9600, 9))


def plug(monkeypatch: pytest.MonkeyPatch, *ports: tuple[str, str]) -> None:
    """These (device, serial number) are what the system lists."""
    found = []
    for device, number in ports:
        one = serial.tools.list_ports_common.ListPortInfo(device)
        one.serial_number = number
        found.append(one)
    monkeypatch.setattr(serial.tools.list_ports, "comports", lambda: found)


def test_a_serial_number_is_looked_up_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two adapters that change sockets keep their meters."""
    plug(monkeypatch, ("/dev/ttyUSB0", "VOLTS01"), ("/dev/ttyUSB1", "AMPS02"))
    assert [resolve("serial:VOLTS01"), resolve("serial:amps02")] == ["/dev/ttyUSB0", "/dev/ttyUSB1"]
    plug(monkeypatch, ("/dev/ttyUSB0", "AMPS02"), ("/dev/ttyUSB1", "VOLTS01"))
    assert [resolve("serial:VOLTS01"), resolve("serial:amps02")] == ["/dev/ttyUSB1", "/dev/ttyUSB0"]


def test_a_serial_number_that_is_not_there_or_there_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    plug(monkeypatch, ("/dev/ttyUSB0", "SAME"), ("/dev/ttyUSB1", "SAME"))
    with pytest.raises(PortError, match=r"2 ports have this serial number \(/dev/ttyUSB0, /dev/ttyUSB1\)"):
        resolve("serial:SAME")
    with pytest.raises(PortError, match="no adapter with this serial number is plugged in; SAME, SAME is"):
        resolve("serial:OTHER")


async def test_a_port_by_serial_number_opens(monkeypatch: pytest.MonkeyPatch, pty_meter: PtyMeter) -> None:
    plug(monkeypatch, (str(pty_meter.path), "FTX1"))
    async with open_link("serial:FTX1") as link:
        pty_meter.send(b"!")
        assert await link.read() == b"!"


async def test_tcp_gives_and_takes_bytes() -> None:
    async with (
        tcp_server(b"hello\n", lambda line: line.upper()) as (address, _),
        open_link(f"socket://{address}") as link,
    ):
        assert await read_all(link, 6) == b"hello\n"
        await link.write(b"read\n")
        assert await read_all(link, 5) == b"READ\n"


async def test_tcp_chunks_are_larger_than_a_byte() -> None:
    """pyserial says 0 or 1 bytes are waiting on a socket; taken at its word this would be 100,000 reads."""
    async with tcp_server(b"x" * 100_000) as (address, _), open_link(f"socket://{address}") as link:
        chunks, size = 0, 0
        async with asyncio.timeout(5):
            while size < 100_000:
                size += len(await link.read())
                chunks += 1
    assert size == 100_000
    assert chunks < 100


async def test_a_server_that_hangs_up_is_told() -> None:
    async with tcp_server(b"bye", hang_up=True) as (address, _), open_link(f"socket://{address}") as link:
        assert await read_all(link, 3) == b"bye"
        with pytest.raises(PortError, match="the connection was closed"):
            await asyncio.wait_for(link.read(), 2)


async def test_nobody_listening_is_told(unused_tcp_port: int) -> None:
    with pytest.raises(PortError, match=f"socket://127.0.0.1:{unused_tcp_port}: cannot be reached: .*refused"):
        await open_and_close(f"socket://127.0.0.1:{unused_tcp_port}")


async def test_rfc2217_gives_and_takes_bytes_and_tells_a_hang_up() -> None:
    server = Rfc2217Server()
    with server as url:
        async with open_link(url, SerialParams(19200, 7, "O")) as link:
            await link.write(b"12.60\xff\n")  # 0xff is the protocol's own escape
            assert await read_all(link, 7) == b"12.60\xff\n"
            server.hang_up()
            with pytest.raises(PortError, match="the connection was closed"):
                await asyncio.wait_for(link.read(), 3)


async def test_a_link_that_is_cancelled_while_opening_is_let_go() -> None:
    """The server accepts and never negotiates, so opening takes seconds; the fixture sees thread and port gone."""
    async with tcp_server() as (address, _):
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.1), open_link(f"rfc2217://{address}?timeout=1"):
                pytest.fail("it opened")


async def test_an_opening_that_fails_after_it_was_left_is_no_news(
    pty_meter: PtyMeter, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    opening, loop = asyncio.Event(), asyncio.get_running_loop()

    def slow(*given: Any) -> Any:
        loop.call_soon_threadsafe(opening.set)
        time.sleep(0.2)
        raise OSError(11, "taken")

    monkeypatch.setattr("benchd.links._tty.made", slow)
    link = TtyLink(str(pty_meter.path), SerialParams(), True, time.monotonic_ns)
    first = asyncio.create_task(link.__aenter__())
    await opening.wait()
    first.cancel()
    await asyncio.wait({first})
    assert first.cancelled()
    del first, link
    gc.collect()
    assert not caplog.records


@pytest.mark.parametrize("kind", [TtyLink, SerialLink])
async def test_a_terminal_that_is_left_while_opening_is_free_at_once(
    kind: type[TtyLink | SerialLink], pty_meter: PtyMeter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that is begun while its bench is still being opened must not find the port taken, by ourselves."""
    module = sys.modules[kind.__module__]
    made, opening = module.made, asyncio.Event()
    loop = asyncio.get_running_loop()

    def slow(*given: Any) -> Any:
        port = made(*given)
        loop.call_soon_threadsafe(opening.set)
        time.sleep(0.2)
        return port

    def link() -> Link:
        return kind(str(pty_meter.path), SerialParams(), True, time.monotonic_ns)

    async def use() -> None:
        async with link():
            await asyncio.sleep(60)

    monkeypatch.setattr(module, "made", slow)
    first = asyncio.create_task(use())
    await opening.wait()
    first.cancel()
    await asyncio.wait({first})
    async with link() as again:
        pty_meter.send(b"x")
        assert await asyncio.wait_for(again.read(), 2) == b"x"


async def test_try_open_opens_and_closes(pty_meter: PtyMeter) -> None:
    bench = bench_of({"volts": ("speaker", str(pty_meter.path)), "amps": ("speaker", "/dev/ttyNONE")}, {})
    await try_open(bench.instruments["volts"], DRIVERS["speaker"])
    with pytest.raises(PortError, match="/dev/ttyNONE: there is no such port"):
        await try_open(bench.instruments["amps"], DRIVERS["speaker"])
    assert serial_params(DRIVERS["speaker"], bench.instruments["volts"]) == SerialParams()


# --- recordings -----------------------------------------------------------------------------------------------------


def recording(folder: Path, *lines: str) -> str:
    path = folder / "run.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return f"replay:{path}"


async def test_a_recording_sends_its_rows_at_their_times(tmp_path: Path) -> None:
    clock = StepClock(5_000_000_000)
    port = recording(tmp_path, "t_s,battery_volts", "10,12.6", "10.5,12.7", "", "12,12.8")
    came = []

    async def take() -> None:
        async with open_link(port, clock=clock) as link:
            while True:
                line = await link.read()
                came.append((link.arrived_ns / 1e9, line))

    task = asyncio.create_task(take())
    await clock.advance(3)
    assert came == [(5, b"t_s,battery_volts\n"), (5, b"10,12.6\n"), (5.5, b"10.5,12.7\n"), (7, b"12,12.8\n")]
    with pytest.raises(Ended, match="the recording has come to its end"):
        await task


async def test_a_recording_goes_as_fast_as_is_asked(tmp_path: Path) -> None:
    clock = StepClock()
    port = recording(tmp_path, "t_s,battery_volts", "0,12.6", "8,12.7")
    async with open_link(port + "?speed=4", clock=clock) as link:
        await link.read(), await link.read()
        task = asyncio.ensure_future(link.read())
        await clock.advance(1.99)
        assert not task.done()
        await clock.advance(0.01)
        assert await task == b"8,12.7\n"
    async with open_link(port + "?speed=max", clock=clock) as link:
        assert await read_all(link, 32) == b"t_s,battery_volts\n0,12.6\n8,12.7\n"


async def read_to_the_end(port: str) -> None:
    async with open_link(port) as link:
        while True:
            await link.read()


@pytest.mark.parametrize(
    ("lines", "query", "said"),
    [
        (("battery_volts", "1"), "", "line 1: found 'battery_volts', expected a header that begins with t_s"),
        (("t_s,battery_volts", "soon,1"), "", "line 2, column t_s: found 'soon', expected a number of seconds"),
        (("t_s,battery_volts", "nan,1"), "", "line 2, column t_s: found 'nan'"),
        (("t_s",), "?speed=0", "found speed='0', expected a number above 0, or max"),
        (("t_s",), "?sped=2", "found 'sped' after the file, expected only speed"),
    ],
)
async def test_a_recording_that_is_none_is_named(tmp_path: Path, lines: tuple[str, ...], query: str, said: str) -> None:
    with pytest.raises(PortError) as caught:
        await read_to_the_end(recording(tmp_path, *lines) + query)
    assert said in str(caught.value)


async def test_a_recording_that_is_not_there_is_named() -> None:
    with pytest.raises(PortError, match=r"replay:nowhere\.csv: cannot be read: No such file"):
        await open_and_close("replay:nowhere.csv")
