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
    """Tells a principal from a request's headers and peer. The local key opens only to peers on this machine."""

    def __init__(self, tokens: TokenStore, local_key: str | None = None) -> None:
        self._tokens = tokens
        self._local = None if local_key is None else hashlib.sha256(local_key.encode()).digest()

    def identify(self, headers: Iterable[tuple[bytes, bytes]], peer: str | None) -> Principal:
        """NotSignedInError if there is no token in the headers or it is not good."""
        found = [value for name, value in headers if name.lower() == b"authorization"]
        if not found:
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


def is_loopback(host: str | None) -> bool:
    """Whether an address (not a name) is this machine's own."""
    try:
        address = ipaddress.ip_address((host or "").partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return bool(address.is_loopback or (mapped is not None and mapped.is_loopback))
