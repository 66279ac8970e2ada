"""The stream of a run: every record once, in order, from any cursor; whoever does not read harms only itself."""

from __future__ import annotations

import contextlib
import gc
import json
import socket
import threading
import time
import tracemalloc
from collections.abc import Iterator
from typing import Any

import pytest
from fake_daemon import sample
from http_world import LOCAL_KEY, LONG, World, long_run
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from benchd.server import protocol, stream

RUN = "20200101-000000-000ab"  # of no run


@contextlib.contextmanager
def watching(world: World, run: str, query: str = "", token: str | None = None) -> Iterator[ClientConnection]:
    headers = {"Authorization": f"Bearer {token or world.tokens['look']}"}
    address = f"ws://127.0.0.1:{world.port}/v1/runs/{run}/stream{query}"
    with connect(address, additional_headers=headers, compression=None, max_size=None, close_timeout=0.5) as socket_:
        yield socket_


def whole(socket_: ClientConnection) -> tuple[list[dict[str, Any]], int, bool]:
    """(records, close code, the last message's `open`), each message's `next` checked."""
    found: list[dict[str, Any]] = []
    is_open = True
    try:
        while True:
            body = json.loads(socket_.recv(timeout=10))
            assert is_open, "a message after the last one"
            found += body["records"]
            is_open = body["open"]
            if body["records"]:
                assert body["next"] == body["records"][-1]["seq"]
    except ConnectionClosed:
        assert socket_.close_code is not None
        return found, socket_.close_code, is_open


def kept(world: World, run: str) -> list[Any]:
    with world.daemon.journal.reader() as reader:
        return json.loads(json.dumps(list(reader.read(run))))


@pytest.mark.parametrize("after", [0, 1, 499, 500, 501, 1201, 1202, 1203, 9999])
def test_a_finished_run_from_any_cursor(world: World, after: int) -> None:
    run = world.do(lambda: world.daemon.finished_run(1200))
    with watching(world, run, f"?after={after}") as wire:
        found, code, is_open = whole(wire)
    assert found == kept(world, run)[after:]
    assert (code, is_open) == (1000, False)


def test_a_live_run_with_connections_that_break(fresh: World) -> None:
    """Resumed from its cursor again and again while records are written: exactly the run comes out."""
    writer = fresh.do(fresh.daemon.open_run)

    def write() -> None:
        for number in range(400):
            writer.append(sample(number))
            time.sleep(0.003)
        fresh.do(lambda: fresh.daemon.end_run(writer.run))

    thread = threading.Thread(target=write)
    thread.start()
    found: list[Any] = []
    cuts = 0
    is_open = True
    while is_open:
        with watching(fresh, writer.run, f"?after={len(found)}") as wire:
            for _ in range(3):
                body = json.loads(wire.recv(timeout=10))
                found += body["records"]
                is_open = body["open"]
                if not is_open:
                    break
            cuts += 1
            wire.socket.close()  # without a word
    thread.join()
    assert cuts > 3
    assert found == kept(fresh, writer.run)


def test_a_record_is_at_the_watcher_soon(fresh: World) -> None:
    writer = fresh.do(fresh.daemon.open_run)
    with watching(fresh, writer.run, "?after=1") as wire:
        delays = []
        for number in range(20):
            began = time.monotonic()
            writer.append(sample(number))
            assert json.loads(wire.recv(timeout=5))["records"][0]["t_ns"] == number * 500_000_000
            delays.append(time.monotonic() - began)
    assert sorted(delays)[10] < 0.3  # the journal's group commit takes up to 0.05 s


def test_twenty_watchers_see_the_same_and_share_the_looks(fresh: World) -> None:
    looks: list[int] = []
    plain = stream.reading.cut

    def counted(*arguments: Any) -> Any:
        looks.append(1)
        return plain(*arguments)

    writer = fresh.do(fresh.daemon.open_run)
    with pytest.MonkeyPatch.context() as patch, contextlib.ExitStack() as stack:
        patch.setattr(stream.reading, "cut", counted)
        wires = [stack.enter_context(watching(fresh, writer.run)) for _ in range(20)]
        assert fresh.server.watchers == 20
        assert all(len(json.loads(wire.recv(timeout=5))["records"]) == 1 for wire in wires)
        looks.clear()
        for number in range(10):
            writer.append(sample(number))
            time.sleep(0.1)
        fresh.do(lambda: fresh.daemon.end_run(writer.run))
        seen = [whole(wire) for wire in wires]
    assert all(one == (kept(fresh, writer.run)[1:], 1000, False) for one in seen)
    assert len(looks) < 20 * 10  # every watcher for itself would look at least once a record
    wait_until(lambda: fresh.server.watchers == 0)


def wait_until(what: Any, limit_s: float = 5.0) -> None:
    deadline = time.monotonic() + limit_s
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.02)


# --- openings that are refused -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("run", "query", "token", "status", "kind"),
    [
        (RUN, "", None, 404, "not-found"),
        ("last", "", None, 422, "invalid"),
        (RUN + "x", "", None, 422, "invalid"),
        (RUN, "?after=-1", None, 422, "invalid"),
        (RUN, "?after=1&after=2", None, 422, "invalid"),
        (RUN, "?token=abc", None, 422, "invalid"),
        (RUN, "?after=99999999999999999999", None, 422, "invalid"),
        (RUN, "", "benchd_000000000000_" + "a" * 43, 401, "access"),
    ],
)
def test_a_wrong_opening_is_answered_over_http(
    world: World, run: str, query: str, token: str | None, status: int, kind: str
) -> None:
    with pytest.raises(InvalidStatus) as refused, watching(world, run, query, token):
        pass
    assert refused.value.response.status_code == status
    assert json.loads(refused.value.response.body)["error"]["kind"] == kind


def test_one_watcher_too_many_is_told_so(fresh: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream, "MOST_WATCHERS_OF_ONE", 2)
    run = fresh.do(fresh.daemon.open_run).run
    with watching(fresh, run), watching(fresh, run):
        with pytest.raises(InvalidStatus) as refused, watching(fresh, run):
            pass
        assert refused.value.response.status_code == 429
        assert refused.value.response.headers["retry-after"] == "5"
        with watching(fresh, run, token=fresh.tokens["operate"]) as other:  # somebody else's watchers are his own
            assert other.recv(timeout=5)


# --- ends ---------------------------------------------------------------------------------------------------------------


def test_watchers_of_a_revoked_token_are_let_go_and_others_stay(fresh: World) -> None:
    writer = fresh.do(fresh.daemon.open_run)
    with (
        watching(fresh, writer.run, "?after=1") as mine,
        watching(fresh, writer.run, "?after=1", fresh.tokens["operate"]) as other,
        watching(fresh, writer.run, "?after=1", LOCAL_KEY) as local,
    ):
        fresh.store.revoke("the look one")
        began = time.monotonic()
        assert whole(mine) == ([], 1008, True)
        assert time.monotonic() - began < 4
        writer.append(sample(1))
        assert json.loads(other.recv(timeout=5))["next"] == 2
        assert json.loads(local.recv(timeout=5))["next"] == 2


def test_watchers_of_a_daemon_that_stops_are_told_so(fresh: World) -> None:
    run = fresh.do(fresh.daemon.open_run).run
    with watching(fresh, run, "?after=1") as wire:
        wait_until(lambda: fresh.server.watchers == 1)
        began = time.monotonic()
        stopping = threading.Thread(target=lambda: fresh.call(fresh.server.stop()))
        stopping.start()
        assert whole(wire)[1] == 1001
        stopping.join(5)
        assert time.monotonic() - began < 3


@pytest.mark.parametrize("message", ["hello", b"\x00", "x" * 3000])
def test_a_watcher_has_nothing_to_say(fresh: World, message: str | bytes) -> None:
    run = fresh.do(fresh.daemon.open_run).run
    with watching(fresh, run, "?after=1") as wire:
        wire.send(message)
        assert whole(wire)[1] == 1008


def test_a_message_beyond_the_bound_ends_the_connection(fresh: World) -> None:
    run = fresh.do(fresh.daemon.open_run).run
    with watching(fresh, run, "?after=1") as wire:
        with contextlib.suppress(ConnectionClosed):
            wire.send("x" * 1_000_000)
        assert whole(wire)[1] == 1009


def test_a_journal_that_cannot_be_read_ends_the_stream(fresh: World, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchd.errors import StoreError

    run = fresh.do(fresh.daemon.open_run).run

    def broken(*_: Any) -> Any:
        raise StoreError("the disk has gone")

    monkeypatch.setattr(stream, "LOOK_S", 0.3)
    with watching(fresh, run, "?after=1") as wire:
        monkeypatch.setattr(stream.reading, "cut", broken)
        assert whole(wire)[1] == 1011


def raw_watcher(world: World, run: str) -> socket.socket:
    """An opened stream that nobody reads."""
    wire = socket.socket()
    wire.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    wire.connect(("127.0.0.1", world.port))
    wire.sendall(
        f"GET /v1/runs/{run}/stream HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {world.tokens['look']}\r\n"
        "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n".encode()
    )
    return wire


def test_a_watcher_that_never_reads_grows_nothing_and_is_let_go(fresh: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten of them on a run of 15 MB, one of which asks for pongs without end: what is held is bounded."""
    monkeypatch.setattr(protocol, "WATCHER_UNREAD_S", 3.0)
    run = long_run(fresh)
    gc.collect()
    tracemalloc.start()
    wires = [raw_watcher(fresh, run) for _ in range(10)]
    pings = raw_watcher(fresh, run)
    pings.settimeout(0.05)
    wait_until(lambda: fresh.server.watchers == 11, 10)
    ping = b"\x89\xfd" + b"\x00" * 4 + b"p" * 125
    deadline = time.monotonic() + 1.5
    with contextlib.suppress(OSError):
        while time.monotonic() < deadline:
            with contextlib.suppress(TimeoutError):
                pings.send(ping * 100)
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert held < 30e6, f"{held / 1e6:.1f} MB held"
    with watching(fresh, run) as wire:  # somebody who reads is served meanwhile
        assert len(whole(wire)[0]) == LONG + 3
    wait_until(lambda: fresh.server.watchers == 0, 10)
    for one in (*wires, pings):
        one.close()
