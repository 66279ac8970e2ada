"""TLS to a real Mosquitto whose authority is made here: trusted, not trusted, another host's, and no TLS at all."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from broker import Broker, Ear, make_certificates, until
from mqtt_world import DAEMON, World, verdict

STATE = f"benchd/{DAEMON}/state"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    make_certificates(tmp_path)
    found = Broker(tmp_path, tls_name="ca")
    found.start()
    yield found
    found.kill()


async def told(world: World) -> str:
    """What the status says of a connection that must not come about."""
    async with world.running() as forwarder:
        await until(lambda: forwarder.status().failures >= 2)
        assert forwarder.status().state == "refused"
        return str(forwarder.status().last_error)


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1"])
async def test_everything_goes_over_tls(tmp_path: Path, broker: Broker, host: str) -> None:
    world = World(tmp_path, broker, {"host": host})
    world.book.add("run-1", verdict("run-1"))
    async with Ear(broker) as ear, world.running() as forwarder:
        await until(lambda: ear.of("/verdict") and ear.of("bay-1/state"))
        assert forwarder.status().target == f"mqtts://{host}:{broker.port}/benchd/{DAEMON}"
        broker.kill()
        world.book.add("run-2", verdict("run-2"))
        broker.start()
        await until(lambda: ear.of("/verdict")[-1].body["run"] == "run-2")


async def test_another_authority_is_not_trusted(tmp_path: Path, broker: Broker) -> None:
    other = make_certificates(tmp_path, "other")
    error = await told(World(tmp_path, broker, {"ca_file": other}))
    assert "certificate that is not trusted" in error
    assert "ca_file must hold the authority" in error


async def test_the_systems_authorities_alone_do_not_do(tmp_path: Path, broker: Broker) -> None:
    assert "certificate that is not trusted" in await told(World(tmp_path, broker, {"ca_file": None, "tls": True}))


async def test_the_certificate_of_another_host_is_not_trusted(tmp_path: Path) -> None:
    make_certificates(tmp_path, san="DNS:broker.example")
    broker = Broker(tmp_path, tls_name="ca")
    broker.start()
    try:
        error = await told(World(tmp_path, broker))
        assert "127.0.0.1" in error
        assert "host must be a name that stands in it" in error
    finally:
        broker.kill()


async def test_a_ca_file_that_is_none_is_told(tmp_path: Path, broker: Broker) -> None:
    (tmp_path / "empty.pem").write_text("nothing")
    assert "empty.pem cannot be used" in await told(World(tmp_path, broker, {"ca_file": tmp_path / "empty.pem"}))


@pytest.mark.parametrize("settings", [{"tls": False, "ca_file": None}])
async def test_plain_text_to_a_tls_port_is_told(tmp_path: Path, broker: Broker, settings: dict[str, Any]) -> None:
    async with World(tmp_path, broker, settings).running() as forwarder:
        await until(lambda: forwarder.status().failures > 0)
        assert str(broker.port) in str(forwarder.status().last_error)
        assert forwarder.status().state == "waiting to try again"


async def test_tls_to_a_plain_port_is_told(tmp_path: Path) -> None:
    make_certificates(tmp_path)
    broker = Broker(tmp_path)
    broker.start()
    try:
        async with World(tmp_path, broker, {"tls": True, "ca_file": tmp_path / "ca.pem"}).running() as forwarder:
            await until(lambda: forwarder.status().failures > 0)
            assert "TLS" in str(forwarder.status().last_error)
    finally:
        broker.kill()


async def test_a_tls_port_that_swallows_holds_up_neither_loop_nor_stop(tmp_path: Path, broker: Broker) -> None:
    """The handshake is done in a thread that cannot be cancelled: its own time bound ends it."""
    silent = await asyncio.start_server(lambda reader, writer: asyncio.sleep(30), "127.0.0.1", 0)
    world = World(tmp_path, broker, {"port": silent.sockets[0].getsockname()[1]})
    async with world.running() as forwarder:
        await until(lambda: forwarder.status().failures > 0)
        await asyncio.sleep(0.7)  # in the middle of the next attempt
        began = time.monotonic()
    assert time.monotonic() - began < 1
    await asyncio.get_running_loop().shutdown_default_executor()  # what a program's end waits for
    assert time.monotonic() - began < 2.5
    silent.close()
