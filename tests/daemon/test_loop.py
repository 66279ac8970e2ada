"""The loop for many instruments: what comes close together is handled together, and nothing is lost or late for long."""

from __future__ import annotations

import asyncio
import os
import socket
import threading
import time
from functools import partial

import pytest

from benchd.daemon.loop import FROM_INSTRUMENTS, REST_S, RestingSelector, loop_for


def run(work):
    loop = loop_for(FROM_INSTRUMENTS)
    with asyncio.Runner(loop_factory=lambda: loop) as runner:
        return runner.run(work)


class Counted(RestingSelector):
    asked = 0

    def select(self, timeout=None):
        self.asked += timeout is None or timeout > 0
        return super().select(timeout)


def test_few_instruments_have_an_ordinary_loop() -> None:
    loop = loop_for(FROM_INSTRUMENTS - 1)
    assert not isinstance(loop._selector, RestingSelector)
    loop.close()


def test_bytes_that_come_close_together_cost_few_looks_and_are_all_read() -> None:
    async def work() -> tuple[int, int]:
        loop = asyncio.get_running_loop()
        pipes = [os.pipe() for _ in range(20)]
        got: list[bytes] = []
        for reading, _ in pipes:
            loop.add_reader(reading, lambda reading=reading: got.append(os.read(reading, 10)))

        def write() -> None:
            for _ in range(10):
                for _, writing in pipes:
                    os.write(writing, b"x")
                    time.sleep(0.0005)

        thread = threading.Thread(target=write)
        before = selector.asked
        thread.start()
        while len(b"".join(got)) < 200:  # noqa: ASYNC110 - the bytes are counted, not waited for
            await asyncio.sleep(0.05)
        looks = selector.asked - before
        thread.join()
        for reading, writing in pipes:
            loop.remove_reader(reading)
            os.close(reading)
            os.close(writing)
        return len(b"".join(got)), looks

    selector = Counted()
    with asyncio.Runner(loop_factory=lambda: asyncio.SelectorEventLoop(selector)) as runner:
        read, looks = runner.run(work())
    assert read == 200
    assert looks < 120, "200 bytes one by one would have cost 200 looks"


def test_timers_and_calls_from_threads_come_in_time() -> None:
    async def work() -> list[float]:
        loop = asyncio.get_running_loop()
        late = []
        for _ in range(5):
            begin = loop.time()
            await asyncio.sleep(0.02)
            late.append(loop.time() - begin - 0.02)
            begin = loop.time()
            await asyncio.to_thread(lambda: None)
            late.append(loop.time() - begin)
        return late

    late = run(work())
    assert min(late) > -0.001
    assert sorted(late)[len(late) // 2] < 4 * REST_S


def test_a_name_server_that_is_away_takes_nobody_elses_threads(monkeypatch: pytest.MonkeyPatch) -> None:
    """In asyncio's own pool (6 threads on 2 cores) twelve instruments behind names held up the closing of runs by 20 s."""
    away = threading.Event()
    monkeypatch.setattr(socket, "getaddrinfo", lambda *asked: away.wait(20) and [])

    async def work() -> float:
        loop = asyncio.get_running_loop()
        asking = [
            asyncio.ensure_future(loop.create_connection(asyncio.Protocol, f"meter-{number}.shop", 4001))
            for number in range(40)
        ]
        await asyncio.sleep(0.1)
        begin = loop.time()
        await asyncio.to_thread(lambda: None)
        waited_s = loop.time() - begin
        for task in asking:
            task.cancel()
        away.set()
        await asyncio.gather(*asking, return_exceptions=True)
        return waited_s

    for instruments in (1, FROM_INSTRUMENTS):
        away.clear()
        with asyncio.Runner(loop_factory=partial(loop_for, instruments)) as runner:
            assert runner.run(work()) < 1.0


def test_names_are_found() -> None:
    async def work() -> set[str]:
        found = await asyncio.get_running_loop().getaddrinfo("localhost", 80, type=socket.SOCK_STREAM)
        return {one[4][0] for one in found}

    assert run(work()) <= {"127.0.0.1", "::1"}
