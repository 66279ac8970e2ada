"""A running server on a real socket, in a thread with its own event loop, and a plain HTTP client to talk to it."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import urllib3
from fake_daemon import FakeDaemon

from benchd.server.serve import HttpServer
from benchd.server.tokens import FILE_NAME, TokenStore
from benchd.site import ServerSettings

LOCAL_KEY = "local-" + "k" * 40
T = TypeVar("T")


class World:
    """One server with its daemon. Everything of the daemon is called in its event loop."""

    def __init__(self, home: Path, settings: ServerSettings) -> None:
        self.home = home
        self.store = TokenStore(home / FILE_NAME)
        self.tokens = {scope: self.store.make(f"the {scope} one", scope) for scope in ("look", "operate", "administer")}
        self._settings = settings
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self.daemon: FakeDaemon = self.call(self._made())
        self.url = self.server.url
        self.port = int(self.url.rpartition(":")[2])

    async def _made(self) -> FakeDaemon:
        daemon = FakeDaemon(self.home)
        self.server = HttpServer(daemon, self._settings, self.store, LOCAL_KEY)
        await self.server.start()
        return daemon

    def call(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(20)

    def do(self, what: Callable[[], T]) -> T:
        async def work() -> T:
            return what()

        return self.call(work())

    def close(self) -> None:
        self.call(self.server.stop())
        self.do(self.daemon.close)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    def ask(
        self, method: str, path: str, body: Any = None, scope: str | None = "administer", **headers: str
    ) -> tuple[int, Any, urllib3.HTTPHeaderDict]:
        """(status, JSON or bytes, headers)."""
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if scope is not None:
            sent["Authorization"] = f"Bearer {self.tokens[scope]}"
        data = body if body is None or isinstance(body, bytes) else json.dumps(body).encode()
        if data is not None:
            sent.setdefault("Content-Type", "application/json")
        with urllib3.PoolManager() as http:
            found = http.request(method, self.url + path, body=data, headers=sent, retries=False, timeout=10)
            is_json = found.headers.get("content-type", "").startswith("application/json")
            return found.status, json.loads(found.data) if is_json else found.data, found.headers

    def raw(self, sent: bytes, timeout_s: float = 5.0) -> bytes:
        """Whatever comes back until the server closes, or for so long."""
        with socket.create_connection(("127.0.0.1", self.port), timeout_s) as wire:
            wire.sendall(sent)
            return everything(wire)


LONG = 15_000


def long_run(world: World) -> str:
    """A finished run of 15 MB in LONG + 3 records."""

    def keep() -> str:
        writer = world.daemon.open_run()
        for number in range(LONG):
            writer.append({"kind": "mark", "text": f"{number:06} " + "x" * 960, "t_ns": number})
        world.daemon.end_run(writer.run)
        return writer.run

    return world.do(keep)


def everything(wire: socket.socket) -> bytes:
    found = b""
    try:
        while part := wire.recv(65536):
            found += part
    except (TimeoutError, ConnectionResetError):
        pass
    return found


@contextmanager
def world_in(home: Path, settings: ServerSettings | None = None) -> Iterator[World]:
    world = World(home, settings or ServerSettings(port=0, requests_per_s=10_000))
    try:
        yield world
    finally:
        world.close()
