"""The daemon's HTTP server: bound before it says so, quiet, and gone when it is told to stop."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import ipaddress
import logging
import socket
import ssl
from collections.abc import Iterator
from typing import Any

import uvicorn

from benchd.daemon.interface import DaemonInterface
from benchd.errors import ConfigError, PortError
from benchd.server.app import make_app
from benchd.server.auth import Door
from benchd.server.curves import Curves
from benchd.server.guard import MOST_HEADER_BYTES, Guard
from benchd.server.live import Live
from benchd.server.metrics import Metrics
from benchd.server.page import WithPage, shop_page
from benchd.server.protocol import HttpProtocol, WatcherProtocol
from benchd.server.reading import Kept
from benchd.server.stream import Streams
from benchd.server.tokens import TokenStore
from benchd.site import ServerSettings, is_loopback
from benchd.site_secrets import check_private

MOST_MESSAGE_BYTES = 4 * 1024  # of a watcher, which has little to say
KEEP_ALIVE_S = 30
HANDSHAKE_S = 10.0
BACKLOG = 128


def check_reachable(settings: ServerSettings, tokens: TokenStore) -> None:
    """ConfigError if others could reach this address unprotected, or could not get in at all."""
    if (settings.certificate is None) != (settings.key is None):
        missing = "key" if settings.key is None else "certificate"
        raise ConfigError(f"[server]: {missing} is missing: TLS needs both, certificate and key")
    if settings.certificate is not None:
        make_tls(settings)
    has_token = tokens.any()  # ConfigError for a file that others may read
    if is_loopback(settings.host):
        return
    where = _joined(settings.host, settings.port)
    if settings.certificate is None:
        raise ConfigError(
            f"{where} can be reached from other machines, and without TLS everybody between could read along and act: "
            "give certificate and key under [server], or listen on 127.0.0.1"
        )
    if not has_token:
        raise ConfigError(
            f"{where} can be reached from other machines, and there is no token yet ({tokens.path}): make one with "
            "`benchd token make NAME --scope look`, or listen on 127.0.0.1"
        )


def make_tls(settings: ServerSettings) -> ssl.SSLContext:
    """TLS 1.2 or newer with the site's certificate. ConfigError."""
    assert settings.certificate is not None
    assert settings.key is not None
    check_private(settings.key)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        # Without an own answer OpenSSL would ask the terminal for a passphrase.
        context.load_cert_chain(settings.certificate, settings.key, password=lambda: "")
    except (OSError, ssl.SSLError) as error:
        raise ConfigError(
            f"certificate {settings.certificate} and key {settings.key} cannot be used ({error}): expected two PEM files "
            "that belong together, the key without passphrase"
        ) from error
    return context


#: What uvicorn calls an error and is none: a refused WebSocket, a watcher who is let go at the end.
_NO_TROUBLE = ("ASGI callable returned without completing handshake", "Cancel %s running task")


def _is_trouble(record: logging.LogRecord) -> bool:
    return not str(record.msg).startswith(_NO_TROUBLE)


class HttpServer:
    """One server on one address. `start` and `stop` once each, in one event loop."""

    def __init__(
        self, daemon: DaemonInterface, settings: ServerSettings, tokens: TokenStore, local_key: str | None = None
    ) -> None:
        self._settings = settings
        self._daemon = daemon
        self._door = Door(tokens, local_key, settings.loopback_looks)
        self._tokens = tokens
        self._url = ""
        self._tasks: list[asyncio.Task[Any]] = []

    @property
    def url(self) -> str:
        """'http://127.0.0.1:8477'; an address for all interfaces is told as loopback. Known once started."""
        return self._url

    @property
    def watchers(self) -> int:
        return self._streams.watchers

    async def start(self) -> None:
        """Listen. ConfigError if the address may not be listened on so, PortError if it cannot be."""
        check_reachable(self._settings, self._tokens)
        logging.getLogger("uvicorn.error").addFilter(_is_trouble)
        tls = None if self._settings.certificate is None else make_tls(self._settings)
        listening = await _bind(self._settings)
        self._url = _url(self._settings, listening.getsockname()[1])
        self._metrics = Metrics()
        self._kept = Kept(self._daemon.journal)
        self._streams = Streams(self._kept, self._daemon.news, self._door)
        page = shop_page()
        self._live = None if page is None else Live(self._daemon, self._kept, self._door, self._streams, page.fold)
        curves = Curves(None if page is None else page.fold)
        app = make_app(self._daemon, self._kept, self._streams, self._metrics, self._live, curves)
        served = WithPage(app, page)
        guard = Guard(served, self._settings, self._door, self._metrics.answered, served.has)
        self._server = _Server(_config(guard), tls)
        self._tasks = [
            asyncio.create_task(self._server.serve([listening]), name="benchd http"),
            asyncio.create_task(self._metrics.loop_delay.watch(), name="benchd loop delay"),
        ]
        while not self._server.started:
            if self._tasks[0].done():
                await self._tasks[0]
                raise PortError(f"the HTTP server ended before it listened on {self._url}")
            await asyncio.sleep(0.005)

    async def stop(self, timeout_s: float = 3.0) -> None:
        """Let watchers and open connections go, within `timeout_s`, and give the address back."""
        if not self._tasks:
            return
        serving, watching = self._tasks
        self._tasks = []
        self._streams.stop()
        if self._live is not None:
            self._live.stop()
        watching.cancel()
        self._server.config.timeout_graceful_shutdown = timeout_s * 0.6  # type: ignore[assignment]  # a float will do
        self._server.should_exit = True
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                await asyncio.shield(serving)
        self._server.drop_all()
        serving.cancel()
        await asyncio.gather(serving, watching, return_exceptions=True)
        await asyncio.to_thread(self._kept.close)


class _Server(uvicorn.Server):
    """uvicorn's server without its signal handlers, and with a bound on how long a TLS handshake may take."""

    def __init__(self, config: uvicorn.Config, tls: ssl.SSLContext | None) -> None:
        super().__init__(config)
        self._tls = tls

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        loop = asyncio.get_running_loop()
        handshake_s, shutdown_s = (None, None) if self._tls is None else (HANDSHAKE_S, 2.0)
        self.servers = [
            await loop.create_server(
                self._protocol,
                sock=one,
                ssl=self._tls,
                backlog=BACKLOG,
                ssl_handshake_timeout=handshake_s,
                ssl_shutdown_timeout=shutdown_s,
            )
            for one in sockets or ()
        ]
        self.started = True

    def _protocol(self) -> asyncio.Protocol:
        return HttpProtocol(config=self.config, server_state=self.server_state, app_state={})

    def drop_all(self) -> None:
        for connection in list(self.server_state.connections):
            if connection.transport is not None:
                connection.transport.abort()


def _config(guard: Guard) -> uvicorn.Config:
    return uvicorn.Config(
        guard,
        http=HttpProtocol,
        ws=WatcherProtocol,
        ws_max_size=MOST_MESSAGE_BYTES,
        ws_per_message_deflate=False,
        lifespan="off",
        interface="asgi3",
        log_config=None,
        log_level="error",  # its warnings are the doing of whoever sends garbage, and would fill a disk
        access_log=False,
        proxy_headers=False,
        server_header=False,
        h11_max_incomplete_event_size=MOST_HEADER_BYTES,
        timeout_keep_alive=KEEP_ALIVE_S,
    )


async def _bind(settings: ServerSettings) -> socket.socket:
    """A bound socket that does not listen yet. PortError."""
    where = _joined(settings.host, settings.port)
    loop = asyncio.get_running_loop()
    try:
        found = await loop.getaddrinfo(settings.host, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
    except OSError as error:
        raise PortError(f"{where}: this name or address is not known here ({error.strerror}): check listen") from error
    family, kind, protocol, _, address = sorted(found, key=lambda one: one[0] != socket.AF_INET)[0]
    listening = socket.socket(family, kind, protocol)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            listening.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0 if settings.host == "::" else 1)
        listening.bind(address)
        listening.listen(BACKLOG)  # with SO_REUSEADDR only this finds out that another program listens
        listening.setblocking(False)
    except OSError as error:
        listening.close()
        raise PortError(f"cannot listen on {where}: {_why(error, settings.port)}") from error
    return listening


def _why(error: OSError, port: int) -> str:
    if error.errno == errno.EADDRINUSE:
        return (
            "another program listens there, another benchd daemon or something else "
            f"(`ss -ltnp 'sport = :{port}'` says which): stop it, or give another port in listen"
        )
    if error.errno == errno.EADDRNOTAVAIL:
        return "no network interface of this machine has this address: check listen"
    if error.errno in (errno.EACCES, errno.EPERM):
        return "this user may not use this port: give one above 1023 in listen"
    return f"{error.strerror or error}"


def _url(settings: ServerSettings, port: int) -> str:
    scheme = "http" if settings.certificate is None else "https"
    try:
        address = ipaddress.ip_address(settings.host)
    except ValueError:
        return f"{scheme}://{settings.host}:{port}"
    loopback = "::1" if address.version == 6 else "127.0.0.1"
    return f"{scheme}://{_joined(loopback if address.is_unspecified else str(address), port)}"


def _joined(host: str, port: int) -> str:
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
