"""The page's one WebSocket: tiles as they change, a run's records without a gap from any cursor, and nobody waits for
whoever is slow."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from benchd_dashboards.web import telling
from fake_daemon import sample
from http_world import World
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import ClientConnection, connect

from benchd.errors import StoreError
from benchd.server import live

RUN = "20200101-000000-000ab"  # of no run
Record = dict[str, Any]


class Viewer:
    """One page's end of the wire. `said` are all messages so far; records are put together as the page does."""

    def __init__(self, wire: ClientConnection) -> None:
        self.wire, self.said = wire, list[Record]()
        self.tiles: dict[str, Record] = {}
        self.records: list[Record] = []
        self.next = 0
        self.ended = False
        self.view: Record | None = None

    def want(self, **wish: Any) -> None:
        self.wire.send(json.dumps(wish))

    def hear(self, timeout_s: float = 10.0) -> Record:
        message: Record = json.loads(self.wire.recv(timeout=timeout_s))
        self.said.append(message)
        if message["kind"] == "benches":
            if message["all"]:
                self.tiles.clear()
            self.tiles.update({one["bench"]: one for one in message["benches"]})
        elif message["kind"] == "run":
            assert message["first"] <= self.next + 1, f"a gap after {self.next}: {message['first']}"
            self.records += [self._heard(one) for one in message["records"] if one["seq"] > self.next]
            self.next = max(self.next, message["next"])
            self.ended = not message["open"]
            self.view = message["view"] or self.view
        return message

    def _heard(self, record: Record) -> Record:
        """The record as it is kept: an event has its words added."""
        words = record.pop("told", None)
        assert words == telling.told(record)
        return record

    def until(self, holds: Callable[[], Any], timeout_s: float = 10.0) -> None:
        end = time.monotonic() + timeout_s
        while not holds():
            assert time.monotonic() < end, self.said[-3:]
            self.hear()

    def closed(self) -> tuple[int, str]:
        """(code, reason) when the other side lets go."""
        with contextlib.suppress(ConnectionClosed):
            while True:
                self.hear()
        return self.wire.close_code or 0, self.wire.close_reason or ""


@contextlib.contextmanager
def viewing(world: World, token: str | None = None, **wish: Any) -> Iterator[Viewer]:
    headers = {"Authorization": f"Bearer {token or world.tokens['look']}"}
    with connect(
        f"ws://127.0.0.1:{world.port}/v1/live", additional_headers=headers, max_size=None, close_timeout=0.5
    ) as wire:
        viewer = Viewer(wire)
        if wish:
            viewer.want(**wish)
        yield viewer


def kept(world: World, run: str) -> list[Record]:
    with world.daemon.journal.reader() as reader:
        found: list[Record] = json.loads(json.dumps(list(reader.read(run))))
    return [one for one in found if one["kind"] != "reading"]


def test_tiles_arrive_whole_and_then_as_they_change(fresh: World) -> None:
    with viewing(fresh, benches=True) as viewer:
        assert viewer.hear() == {"kind": "hello", "daemon": fresh.daemon.id, "name": "Tessel Lane", "version": "0.1.0"}
        first = viewer.hear()
        assert (first["all"], [one["bench"] for one in first["benches"]]) == (True, ["bay-1", "bay-2"])
        tile = viewer.tiles["bay-1"]
        assert (tile["name"], tile["state"], tile["run"], tile["shown"]) == ("bay 1", "ready", None, None)
        assert tile["channels"]["battery_volts"]["value"] == 12.7
        writer = fresh.do(fresh.daemon.open_run)
        for number in range(3):
            writer.append(sample(number))
        viewer.until(lambda: viewer.tiles["bay-1"]["run"] == writer.run and viewer.tiles["bay-1"]["shown"])
        viewer.until(lambda: viewer.tiles["bay-1"]["shown"]["t_s"] == pytest.approx(1.0))
        assert not viewer.tiles["bay-1"]["shown"]["ended"]
        assert not any(
            "bay-2" in [one["bench"] for one in said["benches"]]
            for said in viewer.said[2:]
            if said["kind"] == "benches"
        )
        fresh.do(lambda: fresh.daemon.end_run(writer.run))
        viewer.until(lambda: viewer.tiles["bay-1"]["run"] is None)
        assert viewer.tiles["bay-1"]["state"] == "ready"


def test_a_bench_that_is_free_before_its_runs_end_was_read_shows_the_verdict_all_the_same(
    fresh: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A busy computer: the bench is free already when the page's loop has not read how its run ended."""
    busy, read_on = threading.Event(), live.Live._read_on

    async def held_up(self: live.Live) -> None:
        if not busy.is_set():
            await read_on(self)

    monkeypatch.setattr(live.Live, "_read_on", held_up)
    with viewing(fresh, benches=True) as viewer:
        viewer.until(lambda: viewer.tiles)
        writer = fresh.do(fresh.daemon.open_run)
        writer.append(sample(0))
        viewer.until(lambda: viewer.tiles["bay-1"]["shown"])
        busy.set()
        fresh.do(lambda: fresh.daemon.end_run(writer.run))
        viewer.until(lambda: viewer.tiles["bay-1"]["run"] is None and viewer.tiles["bay-1"]["shown"]["ended"])
        assert viewer.tiles["bay-1"]["shown"]["verdict"]["verdict"] == "pass"


@pytest.mark.parametrize("after", [0, 1, 500, 1202, 1203, 1204, 9999])
def test_a_finished_run_from_any_cursor(world: World, after: int) -> None:
    run = world.do(lambda: world.daemon.finished_run(1200))
    with viewing(world, run=run, after=after) as viewer:
        viewer.next = after
        viewer.until(lambda: viewer.ended)
    assert viewer.records == kept(world, run)[after:]
    assert viewer.view is not None
    assert viewer.view["verdict"]["verdict"] == "pass"


def test_a_live_run_with_connections_that_break(fresh: World, monkeypatch: pytest.MonkeyPatch) -> None:
    """Resumed from its cursor again and again while records are written, also from before what the loop remembers."""
    monkeypatch.setattr(live, "KEPT_CHUNKS", 2)
    monkeypatch.setattr(live, "TICK_S", 0.02)
    writer = fresh.do(fresh.daemon.open_run)

    def write() -> None:
        for number in range(300):
            writer.append(sample(number))
            if number % 5 == 0:
                writer.append({"kind": "reading", "instrument": "volts", "value": 14.2, "t_ns": number})
            time.sleep(0.004)
        fresh.do(lambda: fresh.daemon.end_run(writer.run))

    thread = threading.Thread(target=write)
    thread.start()
    found: list[Record] = []
    at, cuts, ended = 0, 0, False
    while not ended:
        with viewing(fresh, run=writer.run, after=at) as viewer:
            viewer.next = at
            for _ in range(6):
                viewer.hear()
                if viewer.ended:
                    break
            found, at, ended = found + viewer.records, viewer.next, viewer.ended
            cuts += 1
            viewer.wire.socket.close()  # without a word
    thread.join()
    assert cuts > 3
    assert found == kept(fresh, writer.run)
    assert sum(one["kind"] == "sample" for one in found) == 300


def test_two_viewers_share_the_looks_and_a_third_may_come_late(fresh: World, monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[int] = []
    plain = live.reading.cut

    def counted(*arguments: Any) -> Any:
        looks.append(1)
        return plain(*arguments)

    monkeypatch.setattr(live.reading, "cut", counted)
    monkeypatch.setattr(live, "TICK_S", 0.05)
    writer = fresh.do(fresh.daemon.open_run)
    with contextlib.ExitStack() as stack:
        two = [stack.enter_context(viewing(fresh, benches=True, run=writer.run)) for _ in range(2)]
        assert fresh.server.watchers == 2
        for viewer in two:
            viewer.until(lambda viewer=viewer: viewer.next == 1)  # type: ignore[misc]
        looks.clear()
        began = time.monotonic()
        for number in range(40):
            writer.append(sample(number))
            time.sleep(0.01)
        for viewer in two:
            viewer.until(lambda viewer=viewer: viewer.next == 41)  # type: ignore[misc]
        assert len(looks) <= (time.monotonic() - began) / 0.05 + 2, "each of them had looked for itself"
        late = stack.enter_context(viewing(fresh, run=writer.run))
        late.until(lambda: late.next == 41)
        fresh.do(lambda: fresh.daemon.end_run(writer.run))
        for viewer in (*two, late):
            viewer.until(lambda viewer=viewer: viewer.ended)  # type: ignore[misc]
            assert viewer.records == kept(fresh, writer.run)
        assert two[0].view == two[1].view == late.view


def test_a_viewer_may_ask_for_something_else(fresh: World) -> None:
    one, other = (fresh.do(lambda: fresh.daemon.finished_run(5)) for _ in range(2))
    with viewing(fresh, run=one) as viewer:
        viewer.until(lambda: viewer.ended)
        assert viewer.records == kept(fresh, one)
        viewer.records, viewer.next, viewer.ended = [], 0, False
        viewer.want(benches=True, run=other, after=0)
        viewer.until(lambda: viewer.ended and viewer.tiles)
        assert viewer.said[-1].get("run", other) == other
        assert viewer.records == kept(fresh, other)
        viewer.want(benches=True)
        seen = len(viewer.said)
        viewer.until(lambda: any(said["kind"] == "benches" and said["all"] for said in viewer.said[seen:]))


@pytest.mark.parametrize(
    ("wish", "reason"),
    [
        ("wall", "a wish is a JSON object"),
        (b"{}", "a wish is a JSON object"),
        ("[" * 2000, "a wish is a JSON object"),
        ("[1]", "a wish is a JSON object"),
        ('{"benches": 1}', "benches is true or false, after a number from 0 on"),
        ('{"after": -1}', "benches is true or false, after a number from 0 on"),
        ('{"after": true}', "benches is true or false, after a number from 0 on"),
        ('{"after": 1e400}', "benches is true or false, after a number from 0 on"),
        ('{"after": 99999999999999999999}', "benches is true or false, after a number from 0 on"),
        ('{"run": "last"}', "run is a run's id, or null"),
        ('{"run": 7}', "run is a run's id, or null"),
        (f'{{"run": "{RUN}"}}', f"there is no run {RUN}"),
    ],
)
def test_a_wish_that_makes_no_sense_is_closed_with_a_sentence(world: World, wish: str | bytes, reason: str) -> None:
    with viewing(world) as viewer:
        viewer.wire.send(wish)
        assert viewer.closed() == (1008, reason)
    assert viewer.said == [{"kind": "hello", "daemon": world.daemon.id, "name": "Tessel Lane", "version": "0.1.0"}]


def test_it_says_that_it_is_there_and_what_is_wrong(fresh: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "LOOK_S", 0.1)
    run = fresh.do(fresh.daemon.open_run).run
    with viewing(fresh, benches=True, run=run) as viewer:
        viewer.until(lambda: viewer.next and viewer.tiles)
        for _ in range(3):
            viewer.until(lambda: viewer.said[-1] == {"kind": "beat"})
            viewer.hear()
        with monkeypatch.context() as patch:

            def broken(*_: Any) -> Any:
                raise StoreError("the disk has gone")

            patch.setattr(live.reading, "cut", broken)
            viewer.until(lambda: viewer.said[-1] == {"kind": "trouble", "text": "the disk has gone"})
        viewer.until(lambda: viewer.said[-1] == {"kind": "beat"})


def test_viewers_of_a_revoked_token_are_let_go_and_others_stay(fresh: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "LOOK_S", 0.2)
    with viewing(fresh, benches=True) as mine, viewing(fresh, fresh.tokens["operate"], benches=True) as other:
        for viewer in (mine, other):
            viewer.until(lambda viewer=viewer: viewer.tiles)  # type: ignore[misc]
        fresh.store.revoke("the look one")
        assert mine.closed() == (1008, "the token was revoked or has expired")
        writer = fresh.do(fresh.daemon.open_run)
        other.until(lambda: other.tiles["bay-1"]["run"] == writer.run)


def test_viewers_of_a_daemon_that_stops_are_told_so(fresh: World) -> None:
    with viewing(fresh, benches=True) as viewer:
        viewer.until(lambda: viewer.tiles)
        stopping = threading.Thread(target=lambda: fresh.call(fresh.server.stop()))
        stopping.start()
        assert viewer.closed() == (1001, "the daemon stops")
        stopping.join(5)


def test_a_viewer_that_does_not_read_loses_no_sample_and_holds_up_nobody(
    fresh: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its buffers are full while 6 MB are written: the others have it all, and when it reads again so has it."""
    monkeypatch.setattr(live, "KEPT_CHUNKS", 3)
    monkeypatch.setattr(live, "TICK_S", 0.02)
    writer = fresh.do(fresh.daemon.open_run)
    slow_end = socket.socket()
    slow_end.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    slow_end.connect(("127.0.0.1", fresh.port))
    headers = {"Authorization": f"Bearer {fresh.tokens['operate']}"}
    with (
        viewing(fresh, run=writer.run) as quick,
        connect(
            f"ws://127.0.0.1:{fresh.port}/v1/live", sock=slow_end, additional_headers=headers, max_size=None,
            max_queue=1, compression=None, close_timeout=0.5,
        ) as wire,
    ):  # fmt: skip
        slow = Viewer(wire)
        slow.want(run=writer.run)
        for number in range(3000):
            writer.append({"kind": "mark", "text": f"{number:04} " + "x" * 2000, "t_ns": number})
        fresh.do(lambda: fresh.daemon.end_run(writer.run))
        quick.until(lambda: quick.ended)
        assert not slow.said
        slow.until(lambda: slow.ended)
        assert quick.records == slow.records == kept(fresh, writer.run)
