"""The sampler on real ports: unplugged, garbage, silent, asked and not answering."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from wires import AMPS, DRIVERS, VOLTS, Emitted, PtyMeter, bench_of, tcp_server

from benchd.clock import Clock
from benchd.config import Bench
from benchd.sampler import Sampler


@asynccontextmanager
async def running(bench: Bench, channels: Sequence[str], speed: float = 1.0) -> AsyncIterator[Emitted]:
    emitted = Emitted()
    task = asyncio.create_task(Sampler(bench, channels, Clock(speed), DRIVERS).run(emitted))
    try:
        yield emitted
    finally:
        task.cancel()
        await asyncio.wait({task})
        assert task.cancelled() or task.exception() is None


@asynccontextmanager
async def talking(meter: PtyMeter, line: bytes, step_s: float = 0.02) -> AsyncIterator[None]:
    """The meter sends this line over and over, whenever it is plugged in."""

    async def talk() -> None:
        while True:
            if meter.master >= 0:
                meter.send(line)
            await asyncio.sleep(step_s)

    task = asyncio.create_task(talk())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait({task})


async def test_a_meter_is_unplugged_and_plugged_in_again(pty_meter: PtyMeter) -> None:
    bench = bench_of({"volts": ("speaker", str(pty_meter.path))}, {"battery_volts": VOLTS}, sample_s=0.1)
    async with talking(pty_meter, b"dc volts 12.60\n"), running(bench, ["battery_volts"]) as emitted:
        await emitted.wait_for("reading")
        pty_meter.unplug()
        lost = await emitted.wait_for("gap", 1.0, state="lost")
        assert lost["what"].startswith(f"{pty_meter.path}: the port has gone: unplugged?")
        await asyncio.sleep(0.3)
        pty_meter.plug_in()
        back = await emitted.wait_for("gap", 2.0, state="back")
        assert 0.3 < back["duration_s"] < 2.0
        await asyncio.sleep(0.15)
        assert emitted.samples[-1].values["battery_volts"].value == 12.6
        assert len(emitted.of("gap")) == 2


async def test_one_silent_meter_never_stops_another(pty_meter: PtyMeter, tmp_path: Path) -> None:
    """At ten times the speed the silence of 3 s of bench time lasts 0.3 s; ports are as real as ever."""
    other = PtyMeter(tmp_path / "amps")
    other.plug_in()
    instruments = {"volts": ("speaker", str(pty_meter.path)), "amps": ("speaker", str(other.path))}
    bench = bench_of(instruments, {"battery_volts": VOLTS, "charge_amps": AMPS}, sample_s=1.0)
    try:
        async with talking(other, b"dc amps 15.0\n"), running(bench, list(bench.channels), 10) as emitted:
            gap = await emitted.wait_for("gap", 2.0)
            assert (gap["instrument"], gap["state"]) == ("volts", "lost")
            assert 2.0 < gap["t_ns"] / 1e9 < 4.0
            await asyncio.sleep(0.5)
            pty_meter.send(b"dc volts 12.60\n")
            await emitted.wait_for("gap", 2.0, state="back")
            assert {one["instrument"] for one in emitted.of("gap")} == {"volts"}
            assert set(emitted.numbers("charge_amps")[1:]) == {15.0}
            assert len(emitted.numbers("charge_amps")) >= 7
    finally:
        other.unplug()


async def test_garbage_between_readings_is_counted_and_survived(pty_meter: PtyMeter) -> None:
    bench = bench_of({"volts": ("speaker", str(pty_meter.path))}, {"battery_volts": VOLTS}, sample_s=0.1)
    async with talking(pty_meter, b"\x00\xffnoise\ndc volts 12.60\n"), running(bench, ["battery_volts"]) as emitted:
        notice = await emitted.wait_for("notice")
        assert (notice["notice"], notice["instrument"], notice["count"]) == ("garbage", "volts", 7)
        await asyncio.sleep(0.5)
        assert set(emitted.numbers("battery_volts")) == {12.6}
        assert len(emitted.of("notice")) == 1
        assert not emitted.of("gap")


async def test_an_asked_instrument_that_misses_a_question_is_asked_again(pty_meter: PtyMeter) -> None:
    questions = []

    def answer(line: bytes) -> bytes | None:
        questions.append(line)
        return None if len(questions) == 2 else b"dc volts 12.60\n"

    async with tcp_server(answer=answer) as (address, _):
        bench = bench_of({"volts": ("asked", f"socket://{address}")}, {"battery_volts": VOLTS}, sample_s=0.1)
        async with running(bench, ["battery_volts"]) as emitted:
            notice = await emitted.wait_for("notice")
            assert (notice["notice"], notice["text"]) == ("timeout", "no answer to READ?")
            count = len(questions)
            await asyncio.sleep(0.3)
            assert len(questions) - count >= 3
            assert set(questions) == {b"READ?\n"}
            assert not emitted.of("gap")


async def test_an_asked_instrument_that_never_answers_is_named() -> None:
    async with tcp_server() as (address, _):
        bench = bench_of({"volts": ("asked", f"socket://{address}")}, {"battery_volts": VOLTS})
        async with running(bench, ["battery_volts"], 10) as emitted:
            gap = await emitted.wait_for("gap", 3.0)
            assert (
                gap["what"] == f"socket://{address}: it does not answer: check that it is on, its address and its cable"
            )


async def test_a_port_that_takes_long_to_open_is_named_meanwhile() -> None:
    """The server accepts and then says nothing: opening by RFC 2217 fails only after its own timeout."""
    async with tcp_server() as (address, _):
        bench = bench_of({"volts": ("speaker", f"rfc2217://{address}?timeout=1")}, {"battery_volts": VOLTS})
        async with running(bench, ["battery_volts"], 10) as emitted:
            gap = await emitted.wait_for("gap", 1.0)
            assert gap["state"] == "lost"


async def test_a_burst_is_read_whole_and_other_tasks_get_their_turn(pty_meter: PtyMeter) -> None:
    bench = bench_of({"volts": ("speaker", str(pty_meter.path))}, {"battery_volts": VOLTS}, sample_s=0.05)
    burst = b"".join(b"dc volts %d\n" % number for number in range(5000))
    async with running(bench, ["battery_volts"]) as emitted:
        await asyncio.sleep(0.1)
        sending = asyncio.create_task(asyncio.to_thread(send_all, pty_meter, burst))
        async with asyncio.timeout(10):
            while len(emitted.of("reading")) < 5000:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
        await sending
        assert [one["value"] for one in emitted.of("reading")] == [float(number) for number in range(5000)]
        assert not emitted.of("notice")


def send_all(meter: PtyMeter, data: bytes) -> None:
    for start in range(0, len(data), 1000):
        meter.send(data[start : start + 1000])


@pytest.mark.parametrize("speed", [1.0, 20.0])
async def test_arrival_times_are_those_of_the_last_byte(pty_meter: PtyMeter, speed: float) -> None:
    """A line that comes in two halves is stamped with the second."""
    bench = bench_of({"volts": ("speaker", str(pty_meter.path))}, {"battery_volts": VOLTS}, sample_s=0.5)
    async with running(bench, ["battery_volts"], speed) as emitted:
        await asyncio.sleep(0.1)
        pty_meter.send(b"dc volts ")
        await asyncio.sleep(0.2)
        pty_meter.send(b"12.60\n")
        reading = await emitted.wait_for("reading")
        assert 0.29 * speed < reading["t_ns"] / 1e9 < 0.6 * speed
