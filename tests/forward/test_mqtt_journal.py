"""The MQTT forwarder on a real journal: what a run writes arrives, and a thinned or restored journal is no obstacle."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from broker import Broker, Ear, until
from mqtt_world import BRISK, World, sample, verdict

from benchd.daemon.news import News
from benchd.forward.mqtt import MqttForwarder
from benchd.journal import Journal


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    found = Broker(tmp_path)
    found.start()
    yield found
    found.kill()


@asynccontextmanager
async def running(world: World, journal: Journal) -> AsyncIterator[MqttForwarder]:
    news = News(journal.last_row(), lambda run, seq: (False, False))
    journal.on_commit = news.committed
    forwarder = MqttForwarder(
        world.mqtt,
        journal.reader,
        world.store,
        journal.daemon_id("Tessel Lane"),
        news,
        lambda: world.benches,
        pace=BRISK,
    )
    task = asyncio.create_task(forwarder.run())
    try:
        yield forwarder
    finally:
        task.cancel()
        await asyncio.wait({task}, timeout=10)


def write_run(journal: Journal, outcome: str) -> str:
    """A short run, as the runner writes it."""
    writer = journal.open_run({"procedure": "regulator", "bench": "bay 1", "machine": "Hollin T18"})
    for number in range(10):
        reading = {
            "kind": "reading",
            "t_ns": number * 10**8,
            "instrument": "volts",
            "quantity": "dc volts",
            "value": 12.5,
        }
        writer.append(reading)
        writer.append(sample(number / 10, battery_volts=12.5, engine_rpm=3450.0))
    writer.append(verdict(writer.run, outcome))
    writer.close({"status": "judged", "reason": "settled", "counts": {}})
    return writer.run


async def test_runs_of_a_real_journal_arrive(tmp_path: Path, broker: Broker) -> None:
    world = World(tmp_path, broker)
    with Journal(tmp_path / "journal.sqlite") as journal:
        async with Ear(broker) as ear:
            async with running(world, journal) as forwarder:
                await until(lambda: ear.of("bay-1/state"))
                first = await asyncio.to_thread(write_run, journal, "pass")
                await until(lambda: ear.of("/verdict") and ear.of("/sample"))
                await until(lambda: forwarder.status().behind_rows == 0)
                assert ear.of("/verdict")[0].body["run"] == first
                assert ear.of("/verdict")[0].topic.startswith("benchd/tessel-lane-")
                assert set(ear.of("/sample")[0].body["channels"]) == {"battery_volts", "engine_rpm"}
            second = await asyncio.to_thread(write_run, journal, "fail")  # while nobody forwards
            async with running(world, journal):
                await until(lambda: len(ear.of("/verdict")) == 2)
                await asyncio.sleep(0.3)
            assert [one.body["run"] for one in ear.of("/verdict")] == [first, second]


async def test_begun_anew_by_the_daemon_it_goes_on(tmp_path: Path, broker: Broker) -> None:
    """Daemon._kept_up calls run() of the same forwarder again after a fault."""
    world = World(tmp_path, broker)
    with Journal(tmp_path / "journal.sqlite") as journal:
        async with Ear(broker) as ear:
            async with running(world, journal) as forwarder:
                first = await asyncio.to_thread(write_run, journal, "pass")
                await until(lambda: [one.body["run"] for one in ear.of("/verdict")] == [first])
            second = await asyncio.to_thread(write_run, journal, "fail")
            again = asyncio.create_task(forwarder.run())
            await until(lambda: second in [one.body["run"] for one in ear.of("/verdict")])
            again.cancel()
            await asyncio.wait({again}, timeout=10)


async def test_a_journal_that_is_not_there_yet(tmp_path: Path, broker: Broker) -> None:
    world = World(tmp_path, broker)
    with Journal(tmp_path / "none" / "journal.sqlite") as journal:
        reader = journal.reader()
        assert (reader.last_row(), reader.tail(0), reader.generation()) == (0, [], "")
        reader.close()
        async with Ear(broker) as ear, running(world, journal) as forwarder:
            await until(lambda: ear.of("bay-1/state"))
            assert forwarder.status().last_error is None
            await asyncio.to_thread(write_run, journal, "pass")
            await until(lambda: ear.of("/verdict"))
