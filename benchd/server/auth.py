"""Whose request it is, and how far it may go."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass

from benchd.errors import AccessError
from benchd.server.tokens import Scope, Token, TokenStore

LOCAL_NAME = "local"
#: Whoever looks at the page on this computer without a token.
LOOKER_NAME = "this computer"
#: What the page's requests carry, and what its WebSocket asks for, since a browser lets it set no header there. A page of
#: another site cannot send the header without asking first, and is refused for its Origin besides.
PAGE_HEADER = b"x-benchd-page"
PAGE_PROTOCOL = "benchd.page"
TOKEN_PROTOCOL = "benchd.token."
_FORWARDED = (b"forwarded", b"x-forwarded-for", b"x-real-ip", b"via")
NO_TOKEN = "this needs a token: send the header 'Authorization: Bearer ...'; `benchd token make` makes one"
BAD_TOKEN = "this token is not known here: it was mistyped, revoked or has expired; `benchd token make` makes another"


@dataclass(frozen=True, slots=True)
class Principal:
    """Whoever a request is from. `token` is None for the local key."""

    name: str
    scope: Scope
    token: Token | None = None

    def require(self, wanted: Scope) -> None:
        """AccessError if the scope does not reach so far."""
        if not self.scope.reaches(wanted):
            raise AccessError(f"this needs a token of scope '{wanted}', and {self.name!r} has '{self.scope}'")


class NotSignedInError(AccessError):
    """No token, or none that is known. `tried`: whether there was one, so that guesses can be counted."""

    def __init__(self, message: str, tried: bool) -> None:
        super().__init__(message)
        self.tried = tried


class Door:
    """Tells a principal from a request's headers and peer. The local key opens only to peers on this machine, and with
    `loopback_looks` the page may look there without any token."""

    def __init__(self, tokens: TokenStore, local_key: str | None = None, loopback_looks: bool = True) -> None:
        self._tokens = tokens
        self._loopback_looks = loopback_looks
        self._local = None if local_key is None else hashlib.sha256(local_key.encode()).digest()

    def identify(self, headers: Iterable[tuple[bytes, bytes]], peer: str | None) -> Principal:
        """NotSignedInError if there is no token in the headers or it is not good."""
        headers = list(headers)
        protocols = asked_protocols(headers)
        found = [value for name, value in headers if name.lower() == b"authorization"]
        found += [
            b"Bearer " + one[len(TOKEN_PROTOCOL) :].encode() for one in protocols if one.startswith(TOKEN_PROTOCOL)
        ]
        if not found:
            if self._loopback_looks and is_loopback(peer) and _is_own_page(headers, protocols):
                return Principal(LOOKER_NAME, Scope.LOOK)
            raise NotSignedInError(NO_TOKEN, tried=False)
        scheme, _, secret = found[0].decode("latin-1").partition(" ")
        secret = secret.strip(" ")
        if len(found) > 1 or scheme.lower() != "bearer" or not secret or len(secret) > 512:
            raise NotSignedInError(NO_TOKEN, tried=True)
        if self._local is not None and is_loopback(peer):
            given = hashlib.sha256(secret.encode()).digest()
            if hmac.compare_digest(given, self._local):
                return Principal(LOCAL_NAME, Scope.ADMINISTER)
        token = self._tokens.verify(secret)
        if token is None:
            raise NotSignedInError(BAD_TOKEN, tried=True)
        return Principal(token.name, token.scope, token)

    def still_open(self, principal: Principal) -> bool:
        """Whether a principal that was let in would still be let in: its token is neither revoked nor expired."""
        return principal.token is None or self._tokens.holds(principal.token)


def asked_protocols(headers: Iterable[tuple[bytes, bytes]]) -> list[str]:
    """The subprotocols that the opening of a WebSocket asks for."""
    asked = [value.decode("latin-1") for name, value in headers if name.lower() == b"sec-websocket-protocol"]
    return [one.strip() for one in ",".join(asked).split(",") if one.strip()]


def _is_own_page(headers: Iterable[tuple[bytes, bytes]], protocols: Iterable[str]) -> bool:
    """Whether the page itself asks, by a name of this machine, and nobody has passed the request on for somebody else."""
    named = {name.lower(): value.decode("latin-1") for name, value in headers}
    host = named.get(b"host", "").rpartition("@")[2].lower()
    host = host.partition("]")[0].lstrip("[") if host.startswith("[") else host.partition(":")[0]
    at_home = host == "localhost" or is_loopback(host)
    passed_on = any(name in named for name in _FORWARDED)
    return at_home and not passed_on and (PAGE_HEADER in named or PAGE_PROTOCOL in protocols)


def is_loopback(host: str | None) -> bool:
    """Whether an address (not a name) is this machine's own."""
    try:
        address = ipaddress.ip_address((host or "").partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return bool(address.is_loopback or (mapped is not None and mapped.is_loopback))
