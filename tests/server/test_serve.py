"""The server's life: where it may listen, what it says when it cannot, TLS, and that it stops."""

from __future__ import annotations

import asyncio
import signal
import socket
import ssl
import subprocess
import time
import warnings
from pathlib import Path

import pytest
import urllib3
from fake_daemon import FakeDaemon
from http_world import World, long_run

from benchd.errors import ConfigError, PortError
from benchd.server import protocol
from benchd.server.serve import HttpServer, check_reachable
from benchd.server.tokens import TokenStore
from benchd.site import ServerSettings


@pytest.fixture(scope="module")
def pem(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A certificate authority of our own, and a certificate of it for localhost."""
    folder = tmp_path_factory.mktemp("tls")
    names = folder / "names"
    names.write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    new = ["openssl", "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
    for command in (
        [*new, "-x509", "-days", "2", "-subj", "/CN=Tessel Lane test", "-keyout", "ca.key", "-out", "ca.pem"],
        [*new, "-subj", "/CN=localhost", "-keyout", "server.key", "-out", "server.csr"],
        ["openssl", "x509", "-req", "-in", "server.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
         "-days", "2", "-extfile", "names", "-out", "server.pem"],
    ):  # fmt: skip
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
    (folder / "server.key").chmod(0o600)
    return {name: folder / name for name in ("ca.pem", "ca.key", "server.pem", "server.key")}


def store(home: Path, *, token: bool) -> TokenStore:
    found = TokenStore(home / "tokens.json")
    if token:
        found.make("office", "look")
    return found


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "bench.example"])
def test_an_open_address_needs_tls_and_a_token(tmp_path: Path, pem: dict[str, Path], host: str) -> None:
    tls = {"certificate": pem["server.pem"], "key": pem["server.key"]}
    with pytest.raises(ConfigError, match="without TLS"):
        check_reachable(ServerSettings(host), store(tmp_path, token=True))
    with pytest.raises(ConfigError, match="there is no token yet"):
        check_reachable(ServerSettings(host, **tls), store(tmp_path / "none", token=False))
    check_reachable(ServerSettings(host, **tls), store(tmp_path / "one", token=True))


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost", "127.9.9.9"])
def test_loopback_needs_neither(tmp_path: Path, host: str) -> None:
    check_reachable(ServerSettings(host), store(tmp_path, token=False))


def test_half_of_tls_is_none(tmp_path: Path, pem: dict[str, Path]) -> None:
    tokens = store(tmp_path, token=True)
    with pytest.raises(ConfigError, match="key is missing"):
        check_reachable(ServerSettings(certificate=pem["server.pem"]), tokens)
    with pytest.raises(ConfigError, match="certificate is missing"):
        check_reachable(ServerSettings(key=pem["server.key"]), tokens)


def test_a_key_that_others_read_or_that_does_not_fit_is_refused(tmp_path: Path, pem: dict[str, Path]) -> None:
    tokens = store(tmp_path, token=True)
    key = tmp_path / "server.key"
    key.write_bytes(pem["server.key"].read_bytes())
    key.chmod(0o644)
    with pytest.raises(ConfigError, match="chmod 600"):
        check_reachable(ServerSettings(certificate=pem["server.pem"], key=key), tokens)
    with pytest.raises(ConfigError, match="belong together"):
        check_reachable(ServerSettings(certificate=pem["ca.pem"], key=pem["server.key"]), tokens)
    key.chmod(0o600)
    key.write_text("no key")
    with pytest.raises(ConfigError, match="cannot be used"):
        check_reachable(ServerSettings(certificate=pem["server.pem"], key=key), tokens)


def test_tokens_that_others_may_read_keep_it_from_starting(tmp_path: Path) -> None:
    tokens = store(tmp_path, token=True)
    tokens.path.chmod(0o644)
    with pytest.raises(ConfigError, match="chmod 600"):
        check_reachable(ServerSettings(), tokens)


async def test_a_port_that_is_held_is_named(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        daemon = FakeDaemon(tmp_path)
        server = HttpServer(daemon, ServerSettings(port=port), TokenStore(tmp_path / "tokens.json"))
        with pytest.raises(PortError, match=f"127.0.0.1:{port}: another program listens there"):
            await server.start()
        await server.stop()
        daemon.close()


@pytest.mark.parametrize(
    ("host", "words"), [("192.0.2.7", "no network interface"), ("no.such.host.invalid", "not known")]
)
async def test_an_address_that_is_not_ours_is_named(
    tmp_path: Path, pem: dict[str, Path], host: str, words: str
) -> None:
    daemon = FakeDaemon(tmp_path)
    settings = ServerSettings(host, 0, pem["server.pem"], pem["server.key"])
    with pytest.raises(PortError, match=words):
        await HttpServer(daemon, settings, store(tmp_path, token=True)).start()
    daemon.close()


async def test_it_gives_the_port_back_leaves_no_task_and_takes_no_signals(tmp_path: Path) -> None:
    handlers = [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)]
    before = asyncio.all_tasks()
    daemon = FakeDaemon(tmp_path)
    port = 0
    for _ in range(3):
        server = HttpServer(daemon, ServerSettings(port=port), TokenStore(tmp_path / "tokens.json"))
        await server.start()
        assert [signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)] == handlers
        port = int(server.url.rpartition(":")[2])
        await server.stop()
        await server.stop()  # twice is once
    await asyncio.sleep(0)
    assert asyncio.all_tasks() == before
    daemon.close()


def test_it_stops_in_time_although_clients_hang(fresh: World) -> None:
    head = f"Host: localhost\r\nAuthorization: Bearer {fresh.tokens['administer']}\r\n"
    hanging = [socket.create_connection(("127.0.0.1", fresh.port)) for _ in range(5)]
    hanging[0].sendall(b"GET /v1/health HT")
    hanging[1].sendall(
        f"POST /v1/runs HTTP/1.1\r\n{head}Content-Type: application/json\r\nContent-Length: 99\r\n\r\n{{".encode()
    )
    hanging[2].sendall(f"GET /v1/health HTTP/1.1\r\n{head}\r\n".encode())
    time.sleep(0.2)
    began = time.monotonic()
    fresh.call(fresh.server.stop(1.0))
    assert time.monotonic() - began < 2.0
    for wire in hanging:
        wire.close()


def test_over_tls(tmp_path: Path, pem: dict[str, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(protocol, "WATCHER_UNREAD_S", 1.0)
    settings = ServerSettings("0.0.0.0", 0, pem["server.pem"], pem["server.key"], requests_per_s=1000)
    world = World(tmp_path, settings)
    try:
        assert world.url == f"https://127.0.0.1:{world.port}"
        headers = {"Authorization": f"Bearer {world.tokens['look']}"}
        trusting = urllib3.PoolManager(ca_certs=str(pem["ca.pem"]), retries=False)
        for host in ("127.0.0.1", "localhost"):
            found = trusting.request("GET", f"https://{host}:{world.port}/v1/status", headers=headers)
            assert (found.status, found.headers["strict-transport-security"]) == (200, "max-age=31536000")
        with pytest.raises(urllib3.exceptions.SSLError):
            urllib3.PoolManager(retries=False).request("GET", world.url + "/v1/health")
        assert not world.raw(b"GET /v1/health HTTP/1.1\r\nHost: localhost\r\n\r\n").startswith(b"HTTP")  # no plain text
        old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        old.load_verify_locations(pem["ca.pem"])
        with warnings.catch_warnings(action="ignore"):
            old.minimum_version = old.maximum_version = ssl.TLSVersion.TLSv1_1
        with socket.create_connection(("127.0.0.1", world.port)) as wire, pytest.raises(OSError):  # noqa: PT011 - also SSLError
            old.wrap_socket(wire, server_hostname="localhost")
        watch_over_tls(world, pem)
        leave_unread_over_tls(world, pem)
    finally:
        world.close()


def watch_over_tls(world: World, pem: dict[str, Path]) -> None:
    from websockets.sync.client import connect

    run = world.do(lambda: world.daemon.finished_run(2000))
    context = ssl.create_default_context(cafile=str(pem["ca.pem"]))
    headers = {"Authorization": f"Bearer {world.tokens['look']}"}
    address = f"wss://127.0.0.1:{world.port}/v1/runs/{run}/stream"
    with connect(address, additional_headers=headers, ssl=context) as wire:
        assert sum(message.count('"kind":') for message in wire if isinstance(message, str)) == 2003


def leave_unread_over_tls(world: World, pem: dict[str, Path]) -> None:
    """A watcher that never reads is let go over TLS too."""
    run = long_run(world)
    context = ssl.create_default_context(cafile=str(pem["ca.pem"]))
    with socket.socket() as plain:
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        plain.connect(("127.0.0.1", world.port))
        with context.wrap_socket(plain, server_hostname="localhost") as wire:
            wire.sendall(
                f"GET /v1/runs/{run}/stream HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {world.tokens['look']}\r\n"
                "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
                "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n".encode()
            )
            came = went = False
            deadline = time.monotonic() + 15
            while time.monotonic() < deadline and not went:
                came = came or world.server.watchers == 1
                went = came and world.server.watchers == 0
                time.sleep(0.02)
            assert went
