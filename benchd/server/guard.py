"""The outermost layer: who may ask what, how much and how fast, before anything else looks at a request.

In this order: the Host header (a name that somebody else points at this machine must not reach it), the Origin of a
browser's request, the client's rate, the declared size, the token. Behind it bodies are cut off at their bound and at
their deadline, and every answer carries the same protective headers.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from benchd.server.auth import Door, NotSignedInError, Principal
from benchd.server.limits import Buckets, client_key
from benchd.server.problems import ProblemError, problem_of
from benchd.site import ServerSettings

#: Paths that need no token.
OPEN_PATHS = frozenset({"/v1/health", "/openapi.json"})
BODY_S = 15.0
#: Wrong tokens: so many at once, then one every so many seconds.
WRONG_TOKENS = 10.0
WRONG_TOKEN_EVERY_S = 2.0
MOST_HEADERS = 64
MOST_HEADER_BYTES = 16 * 1024

SAFE_HEADERS = (
    (b"cache-control", b"no-store"),
    (b"x-content-type-options", b"nosniff"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
TLS_HEADERS = ((b"strict-transport-security", b"max-age=31536000"),)

Headers = list[tuple[bytes, bytes]]


@dataclass(slots=True)
class _Answer:
    """What of an answer has gone out already."""

    started: bool = False


class Guard:
    """An ASGI application around another one. A request that passes has `scope["state"]["principal"]`, None on the
    open paths and on those that `is_open` names."""

    def __init__(
        self,
        app: ASGIApp,
        settings: ServerSettings,
        door: Door,
        count: Callable[[int], None] = lambda status: None,
        is_open: Callable[[Scope], bool] = lambda scope: False,
    ) -> None:
        self._app = app
        self._is_open = is_open
        self._count = count
        self._door = door
        self._most_bytes = settings.max_body_bytes
        self._safe = SAFE_HEADERS + (TLS_HEADERS if settings.certificate is not None else ())
        self._hosts = {"localhost", settings.host.lower(), *(name.lower() for name in settings.allowed_hosts)}
        self._rate = Buckets(settings.requests_per_s, settings.requests_per_s * 4)
        self._wrong = Buckets(1 / WRONG_TOKEN_EVERY_S, WRONG_TOKENS)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            return
        answer = _Answer()
        try:
            scope.setdefault("state", {})["principal"] = self._let_in(scope)
            if scope["type"] == "websocket":
                await self._app(scope, receive, send)
            else:
                await self._app(scope, self._bounded(receive), self._protected(send, answer))
        except Exception as error:
            if scope["type"] == "websocket" and scope["state"].get("accepted"):
                raise
            if answer.started:
                raise
            problem = problem_of(error)
            self._count(problem.status)
            await refuse(scope, send, problem, self._safe)

    def _let_in(self, scope: Scope) -> Principal | None:
        """Whoever it is; ProblemError for what must not pass. None where no token is needed."""
        headers: Headers = scope["headers"]
        self._check_host(scope, headers)
        _check_origin(headers)
        client = client_key(_peer(scope))
        if wait_s := self._rate.take(client):
            raise too_much(f"too many requests: ask again in {wait_s} s", wait_s)
        self._check_shape(headers)
        if scope["path"] in OPEN_PATHS or self._is_open(scope):
            return None
        try:
            return self._door.identify(headers, _peer(scope))
        except NotSignedInError as error:
            if error.tried and (wait_s := self._wrong.take(client)):
                raise too_much(f"too many wrong tokens: try again in {wait_s} s", wait_s) from error
            raise

    def _check_host(self, scope: Scope, headers: Headers) -> None:
        found = _all(headers, b"host")
        if len(found) != 1:
            raise ProblemError(400, "invalid", "a request must have one Host header", {"Connection": "close"})
        host = host_of(found[0].decode("latin-1"))
        here = str((scope.get("server") or ("",))[0])
        if host not in self._hosts and host not in _own_addresses(here):
            raise ProblemError(
                421,
                "access",
                "the Host header names another machine: use the address the daemon listens on, or add the name to "
                "allowed_hosts in the site file",
            )

    def _check_shape(self, headers: Headers) -> None:
        """Sizes that are declared, and what could be read as two different requests."""
        # The protocol's own bound holds only for a head that comes in parts.
        if len(headers) > MOST_HEADERS or sum(len(key) + len(value) for key, value in headers) > MOST_HEADER_BYTES:
            most = f"more than {MOST_HEADERS} headers, or than {MOST_HEADER_BYTES} bytes of them"
            raise ProblemError(400, "invalid", most, {"Connection": "close"})
        lengths = _all(headers, b"content-length")
        if len(lengths) > 1 or (lengths and _all(headers, b"transfer-encoding")):
            raise ProblemError(400, "invalid", "two statements of how long the body is", {"Connection": "close"})
        if lengths and int(lengths[0]) > self._most_bytes:
            raise self._too_long()

    def _too_long(self) -> ProblemError:
        return ProblemError(
            413,
            "too-much",
            f"the body is longer than {self._most_bytes} bytes: send less, or raise max_body_bytes in the site file",
            {"Connection": "close"},
        )

    def _bounded(self, receive: Receive) -> Receive:
        """The body, at most so long and until so late, however it is sent."""
        received = 0
        deadline = asyncio.get_running_loop().time() + BODY_S
        whole = False

        async def bounded() -> Message:
            nonlocal received, whole
            if whole:  # only a disconnect is left to wait for, and that may take its time
                return await receive()
            try:
                async with asyncio.timeout_at(deadline):
                    message = await receive()
            except TimeoutError:
                raise ProblemError(
                    408, "too-much", f"the body was not here within {BODY_S:.0f} s", {"Connection": "close"}
                ) from None
            if message["type"] == "http.request":
                received += len(message.get("body", b""))
                whole = not message.get("more_body", False)
                if received > self._most_bytes:
                    raise self._too_long()
            return message

        return bounded

    def _protected(self, send: Send, answer: _Answer) -> Send:
        async def protected(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer.started = True
                self._count(message["status"])
                headers = list(message.get("headers", ()))
                own = {name.lower() for name, _ in headers}  # a page may allow itself its own style and pictures
                message = {**message, "headers": [*headers, *(one for one in self._safe if one[0] not in own)]}
            await send(message)

        return protected


async def refuse(scope: Scope, send: Send, problem: ProblemError, safe: Iterable[tuple[bytes, bytes]] = ()) -> None:
    """Answer with an error, also a WebSocket that was not accepted yet."""
    body = problem.body()
    headers: Headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        *((name.lower().encode(), value.encode("latin-1")) for name, value in problem.headers.items()),
        *safe,
    ]
    begin = "websocket.http.response" if scope["type"] == "websocket" else "http.response"
    await send({"type": f"{begin}.start", "status": problem.status, "headers": headers})
    await send({"type": f"{begin}.body", "body": b"" if scope.get("method") == "HEAD" else body})


def too_much(message: str, wait_s: int) -> ProblemError:
    return ProblemError(429, "too-much", message, {"Retry-After": str(wait_s)})


def host_of(authority: str) -> str:
    """'Bench.Local:8477' -> 'bench.local', '[::1]:8477' -> '::1'; '' if it is neither a name nor an address."""
    try:
        parts = urlsplit("//" + authority)
        _ = parts.port  # ValueError for what is no port
    except ValueError:
        return ""
    if parts.username is not None or parts.path or parts.query or parts.fragment or not parts.hostname:
        return ""
    return parts.hostname.removesuffix(".")


def _own_addresses(here: str) -> frozenset[str]:
    """The address a connection came in on; every loopback address if it is one. No name can be among them, so nobody
    can point one of his here."""
    try:
        address = ipaddress.ip_address(here.partition("%")[0])
    except ValueError:
        return frozenset()
    mapped = getattr(address, "ipv4_mapped", None) or address
    own = {str(address), str(mapped)}
    return frozenset(own | {"127.0.0.1", "::1"} if mapped.is_loopback else own)


def _check_origin(headers: Headers) -> None:
    """A page of another site must not ask in the name of whoever looks at it."""
    for origin in _all(headers, b"origin"):
        parts = origin.decode("latin-1").lower().partition("://")
        host = _all(headers, b"host")[0].decode("latin-1").lower()
        if parts[0] not in ("http", "https") or parts[2] != host:
            raise ProblemError(403, "access", "a page of another site (see its Origin) must not ask this daemon")


def _all(headers: Headers, name: bytes) -> list[bytes]:
    return [value for key, value in headers if key.lower() == name]


def _peer(scope: Scope) -> str | None:
    client: Any = scope.get("client")
    return None if client is None else str(client[0])
