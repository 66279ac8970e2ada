"""Hostile input on a raw socket: each is answered in the API's words or cut off, and the server serves on."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from http_world import World, everything, world_in

from benchd.server import guard, protocol
from benchd.server.guard import host_of
from benchd.server.limits import MOST_CLIENTS, Buckets, client_key
from benchd.site import ServerSettings

MOST_BYTES = 4096


SETTINGS = ServerSettings(port=0, max_body_bytes=MOST_BYTES, requests_per_s=1000.0, allowed_hosts=("bench.example",))


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short deadlines."""
    monkeypatch.setattr(guard, "BODY_S", 0.6)
    monkeypatch.setattr(protocol, "HEAD_S", 0.6)


@pytest.fixture(scope="module")
def hardened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """A server with small bounds."""
    with world_in(tmp_path_factory.mktemp("hardened"), SETTINGS) as found:
        yield found


@pytest.fixture
def strict(hardened: World, short: None) -> Iterator[World]:
    """The same server for all: it must bear everything that is done to it."""
    yield hardened
    assert hardened.ask("GET", "/v1/status")[0] == 200


@pytest.fixture
def alone(tmp_path: Path, short: None) -> Iterator[World]:
    """Such a server with no connections but the test's own."""
    with world_in(tmp_path, SETTINGS) as found:
        yield found
        assert found.ask("GET", "/v1/status")[0] == 200


def request(world: World, line: str = "GET /v1/status HTTP/1.1", *headers: str, host: str | None = None) -> bytes:
    lines = [line, f"Host: {host or f'127.0.0.1:{world.port}'}", f"Authorization: Bearer {world.tokens['administer']}"]
    return "\r\n".join([*lines, *headers, "", ""]).encode("latin-1")


def answer(found: bytes) -> tuple[int, str]:
    """(status, kind) of an error."""
    head, _, body = found.partition(b"\r\n\r\n")
    assert b"content-type: application/json" in head.lower(), found
    return int(head.split()[1]), json.loads(body[: body.rindex(b"}") + 1]).get("error", {}).get("kind", "")


CLOSE = "Connection: close"


@pytest.mark.parametrize(
    "host",
    [
        "evil.example", "evil.example:80", "127.0.0.1.evil.example", "127.0.0.2", "0.0.0.0", "[::ffff:1.2.3.4]", "", "@127.0.0.1",
        "user@localhost", "localhost/x", "localhost:99999", "localhost:x", "[::1", "127.1", "2130706433",
    ],
)  # fmt: skip
def test_a_name_that_somebody_else_points_here_does_not_reach_us(strict: World, host: str) -> None:
    sent = f"GET /v1/health HTTP/1.1\r\nHost: {host}\r\n{CLOSE}\r\n\r\n".encode()
    assert answer(strict.raw(sent)) == (421, "access")


@pytest.mark.parametrize(
    "host", ["localhost", "LOCALHOST:1", "127.0.0.1", "[::1]:80", "bench.example", "Bench.Example.:8477"]
)
def test_our_own_names_do(strict: World, host: str) -> None:
    sent = f"GET /v1/health HTTP/1.1\r\nHost: {host}\r\n{CLOSE}\r\n\r\n".encode()
    assert strict.raw(sent).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "origin",
    [
        "https://evil.example",
        "null",
        "http://127.0.0.1:1",
        "http://localhost",
        "file://",
        "http://127.0.0.1:{port}.evil.example",
        "",
    ],
)
def test_a_page_of_another_site_is_refused_whatever_it_knows(strict: World, origin: str) -> None:
    header = f"Origin: {origin.format(port=strict.port)}"
    assert answer(strict.raw(request(strict, "GET /v1/status HTTP/1.1", header, CLOSE))) == (403, "access")
    upgrade = (
        "Upgrade: websocket",
        "Connection: Upgrade",
        "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Key: " + "A" * 22 + "==",
    )
    run = strict.do(lambda: strict.daemon.finished_run(1))
    line = f"GET /v1/runs/{run}/stream HTTP/1.1"
    assert answer(strict.raw(request(strict, line, header, *upgrade))) == (403, "access")


def test_a_page_of_the_same_host_is_let_in(strict: World) -> None:
    found = strict.raw(request(strict, "GET /v1/status HTTP/1.1", f"Origin: http://127.0.0.1:{strict.port}", CLOSE))
    assert found.startswith(b"HTTP/1.1 200")


# --- bodies -------------------------------------------------------------------------------------------------------------

POST = "POST /v1/runs HTTP/1.1"
IS_JSON = "Content-Type: application/json"


def test_a_body_that_says_it_is_too_long_is_not_read(strict: World) -> None:
    found = strict.raw(request(strict, POST, IS_JSON, "Content-Length: 1000000"))
    assert answer(found) == (413, "too-much")


def test_a_chunked_body_is_cut_off_at_the_bound(strict: World) -> None:
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", strict.port), 5) as wire:
        wire.sendall(request(strict, POST, IS_JSON, "Transfer-Encoding: chunked"))
        try:
            for _ in range(1000):
                wire.sendall(b"400\r\n" + b" " * 1024 + b"\r\n")
        except OSError:
            pass  # it has closed
        assert answer(everything(wire)) == (413, "too-much")
    assert time.monotonic() - began < 4


def test_a_body_just_within_the_bound_is_read(strict: World) -> None:
    body = b'{"text": "x"' + b" " * (MOST_BYTES - 13) + b"}"
    run = strict.do(strict.daemon.open_run).run
    assert strict.ask("POST", f"/v1/runs/{run}/marks", body)[0] == 204
    assert strict.ask("POST", f"/v1/runs/{run}/marks", body[:-1] + b" }")[0] == 413


@pytest.mark.parametrize("length", ["Content-Length: 100", "Transfer-Encoding: chunked"])
def test_a_body_that_does_not_come_is_not_waited_for(strict: World, length: str) -> None:
    began = time.monotonic()
    found = strict.raw(request(strict, POST, IS_JSON, length))
    assert answer(found) == (408, "too-much")
    assert 0.4 < time.monotonic() - began < 4


def test_a_body_that_drips_is_not_waited_for(strict: World) -> None:
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", strict.port), 5) as wire:
        wire.sendall(request(strict, POST, IS_JSON, "Content-Length: 1000"))
        drip(wire, b" ")
        assert answer(everything(wire)) == (408, "too-much")
    assert time.monotonic() - began < 4


def test_a_body_that_nobody_wants_does_not_keep_the_connection(strict: World) -> None:
    began = time.monotonic()
    with socket.create_connection(("127.0.0.1", strict.port), 8) as wire:
        wire.sendall(request(strict, "GET /v1/health HTTP/1.1", "Content-Length: 1000"))
        drip(wire, b" ", 6)
        assert everything(wire).startswith(b"HTTP/1.1 200")
    assert time.monotonic() - began < 7


def drip(wire: socket.socket, part: bytes, limit_s: float = 3.0) -> None:
    """A byte now and then, until the other side has had enough of it."""
    wire.setblocking(False)
    began = time.monotonic()
    try:
        while time.monotonic() - began < limit_s:
            wire.send(part)
            time.sleep(0.05)
            try:
                if wire.recv(1, socket.MSG_PEEK) != b"":
                    break
                break
            except BlockingIOError:
                continue
    except OSError:
        pass
    wire.settimeout(5)


def test_a_head_that_drips_is_not_waited_for(strict: World) -> None:
    with socket.create_connection(("127.0.0.1", strict.port), 5) as wire:
        wire.sendall(b"GET /v1/health HTTP/1.1\r\nX: ")
        drip(wire, b"x")
        assert answer(everything(wire)) == (408, "too-much")


def test_the_second_head_on_a_connection_is_not_waited_for_either(strict: World) -> None:
    with socket.create_connection(("127.0.0.1", strict.port), 5) as wire:
        wire.sendall(request(strict, "GET /v1/health HTTP/1.1"))
        assert wire.recv(65536).startswith(b"HTTP/1.1 200")
        wire.sendall(b"GET /v1/health HTTP/1.1\r\nX: ")
        drip(wire, b"x")
        assert answer(everything(wire)) == (408, "too-much")


def test_a_connection_that_says_nothing_is_closed(strict: World) -> None:
    began = time.monotonic()
    assert answer(strict.raw(b"")) == (408, "too-much")
    assert time.monotonic() - began < 4


# --- what could be read as two requests ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "headers",
    [
        ("Content-Length: 5", "Content-Length: 6"),
        ("Content-Length: 5, 6",),
        ("Content-Length: 5", "Transfer-Encoding: chunked"),
        ("Transfer-Encoding: chunked", "Content-Length: 0"),
        ("Transfer-Encoding: gzip, chunked",),
        ("Transfer-Encoding: chunked, identity",),
        ("Content-Length: -1",),
        ("Content-Length: +5",),
        ("Content-Length: 0x5",),
        ("Content-Length: 5e0",),
        ("Content-Length: " + "9" * 5000,),
        ("Content-Length : 5",),
        ("Host: evil.example",),
        ("X: a\x00b",),
        ("X" * 20_000 + ": 1",),
        ("X: " + "x" * 20_000,),
        tuple(f"X{number}: 1" for number in range(100)),
        ("No-Colon",),
    ],
)
def test_ambiguous_requests_are_refused_and_the_connection_ends(strict: World, headers: tuple[str, ...]) -> None:
    smuggled = request(strict, "POST /v1/backups HTTP/1.1")
    found = strict.raw(request(strict, POST, IS_JSON, *headers) + smuggled)
    assert answer(found)[0] == 400
    assert strict.daemon.backups == 0


def test_a_folded_line_belongs_to_the_header_before_it(strict: World) -> None:
    """RFC 9112, section 5.2: it is replaced by blanks, and no header of its own."""
    found = strict.raw(request(strict, POST, IS_JSON, " Content-Length: 2", CLOSE))
    assert answer(found) == (415, "invalid")


def test_equal_lengths_said_twice_are_one_body(strict: World) -> None:
    """RFC 9110, section 8.6, lets a recipient take them as one; nothing of what follows is taken for its body."""
    found = strict.raw(request(strict, POST, IS_JSON, CLOSE, "Content-Length: 2", "Content-Length: 2") + b"{}")
    assert answer(found)[0] in (400, 422)


@pytest.mark.parametrize(
    "garbage",
    [
        b"\x00" * 100, b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", b"GET\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", b"\r\n\r\n\r\n\r\n", b"GET /\xff\xfe HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n", b"GET / HTTP/1.0\r\n\r\n", b"A" * 70_000,
    ],
)  # fmt: skip
def test_garbage_is_refused(strict: World, garbage: bytes) -> None:
    assert answer(strict.raw(garbage))[0] in (400, 408)


@pytest.mark.parametrize(
    "path", ["//evil.example/", "http://evil.example/v1/status", "/v1/../v1/status", "/v1/%2e%2e/x", "*"]
)
def test_strange_targets_are_nothing(strict: World, path: str) -> None:
    assert answer(strict.raw(request(strict, f"GET {path} HTTP/1.1", CLOSE)))[0] == 404


@pytest.mark.parametrize(
    "line",
    ["OPTIONS /v1/runs HTTP/1.1", "TRACE /v1/runs HTTP/1.1", "CONNECT localhost:1 HTTP/1.1", "HEAD /v1/runs HTTP/1.1"],
)
def test_other_methods_do_nothing(strict: World, line: str) -> None:
    found = strict.raw(request(strict, line, CLOSE))
    assert found.split()[1] in (b"405", b"404", b"400")
    assert b"access-control" not in found.lower()


def test_an_upgrade_to_something_else_is_no_upgrade(strict: World) -> None:
    found = strict.raw(
        request(strict, "GET /v1/health HTTP/1.1", "Connection: Upgrade, HTTP2-Settings", "Upgrade: h2c", CLOSE)
    )
    assert b"101" not in found.split(b"\r\n")[0]


# --- too many -----------------------------------------------------------------------------------------------------------


def test_a_hundred_connections_at_once_are_all_served(strict: World) -> None:
    statuses: list[int] = []

    def ask() -> None:
        statuses.append(int(strict.raw(request(strict, "GET /v1/runs HTTP/1.1", CLOSE), 15).split()[1]))

    threads = [threading.Thread(target=ask) for _ in range(100)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert statuses == [200] * 100


def test_connections_beyond_the_bound_are_told_so(alone: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(protocol, "MOST_OF_ONE_CLIENT", 5)
    held = [socket.create_connection(("127.0.0.1", alone.port), 5) for _ in range(5)]
    time.sleep(0.1)
    found = alone.raw(request(alone))
    assert answer(found) == (503, "too-much")
    assert b"retry-after: 5" in found.lower()
    for wire in held:
        wire.close()
    time.sleep(0.1)
    assert alone.raw(request(alone, "GET /v1/health HTTP/1.1", CLOSE)).startswith(b"HTTP/1.1 200")


def test_who_asks_too_often_waits(tmp_path: Path) -> None:
    with world_in(tmp_path, ServerSettings(port=0, requests_per_s=2.0)) as slow:
        statuses = [slow.ask("GET", "/v1/health")[0] for _ in range(12)]
        assert statuses[:8] == [200] * 8
        assert 429 in statuses
        status, said, headers = slow.ask("GET", "/v1/status")
        assert (status, said["error"]["kind"], headers["retry-after"]) == (429, "too-much", "1")
        time.sleep(1.2)
        assert slow.ask("GET", "/v1/status")[0] == 200


def test_wrong_tokens_are_slowed_down_and_right_ones_are_not(alone: World) -> None:
    wrong = [alone.ask("GET", "/v1/status", scope=None, Authorization=f"Bearer no{n}")[0] for n in range(15)]
    assert wrong[:10] == [401] * 10
    assert wrong[-1] == 429
    assert alone.ask("GET", "/v1/status", scope="look")[0] == 200


def test_buckets_are_bounded_and_fill_up_again() -> None:
    now = [0.0]
    buckets = Buckets(2.0, 4.0, clock=lambda: now[0])
    assert [buckets.take("a") for _ in range(5)] == [0, 0, 0, 0, 1]
    now[0] = 1.0
    assert [buckets.take("a") for _ in range(3)] == [0, 0, 1]
    for number in range(MOST_CLIENTS + 10):
        buckets.take(str(number))
    assert len(buckets) == MOST_CLIENTS


@pytest.mark.parametrize(
    ("host", "key"),
    [("10.0.0.7", "10.0.0.7"), ("::ffff:10.0.0.7", "10.0.0.7"), ("2001:db8::1", "2001:db8::/64"), ("fe80::1%eth0", "fe80::/64"), (None, "unknown")],
)  # fmt: skip
def test_one_client_is_an_address_or_a_sites_network(host: str | None, key: str) -> None:
    assert client_key(host) == key


@pytest.mark.parametrize(
    ("authority", "host"), [("A.b:1", "a.b"), ("[::1]:80", "::1"), ("x@y", ""), ("a/b", ""), ("a:b", "")]
)
def test_the_host_of_an_authority(authority: str, host: str) -> None:
    assert host_of(authority) == host
