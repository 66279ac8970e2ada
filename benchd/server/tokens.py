"""Who may talk to the daemon: tokens with a scope, made once, shown once, kept only as their SHA-256.

A token reads `benchd_<12 hex: its public id>_<43 characters: 32 random bytes>`. The id says which entry to compare
with, so a look-up is one comparison in constant time however many tokens there are.
"""

from __future__ import annotations

import contextlib
import enum
import hashlib
import hmac
import json
import logging
import os
import re
import secrets
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from benchd.errors import ConfigError, NotFoundError, StoreError, UsageError
from benchd.site_secrets import private_bytes

FILE_NAME = "tokens.json"
#: Who asked for a run where no token did: the daemon's own user, its schedule.
RESERVED = ("local", "schedule")
MOST_TOKENS = 1000
MOST_BYTES = 1024 * 1024
_SHAPE = re.compile(r"benchd_([0-9a-f]{12})_[A-Za-z0-9_-]{43}", re.ASCII)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,63}", re.ASCII)
_NOBODY = bytes(32)

log = logging.getLogger(__name__)


class Scope(enum.StrEnum):
    """What a token may do; each may do what those before it may."""

    LOOK = "look"
    OPERATE = "operate"
    ADMINISTER = "administer"

    def reaches(self, wanted: Scope) -> bool:
        order = list(Scope)
        return order.index(self) >= order.index(wanted)


@dataclass(frozen=True, slots=True)
class Token:
    """A token without its secret. Times are UTC."""

    id: str
    name: str
    scope: Scope
    made: datetime
    expires: datetime | None

    def expired(self, now: datetime) -> bool:
        return self.expires is not None and now >= self.expires

    def to_json(self) -> dict[str, Any]:
        expires = None if self.expires is None else self.expires.isoformat()
        return {
            "id": self.id,
            "name": self.name,
            "scope": str(self.scope),
            "made": self.made.isoformat(),
            "expires": expires,
        }


@dataclass(frozen=True, slots=True)
class _Kept:
    token: Token
    digest: bytes  # SHA-256 of the token's text


def signing_key_of(token: str) -> bytes:
    """The key with which the holder of a token signs commands (HMAC-SHA-256); 32 bytes. The daemon has the same one
    from `TokenStore.signing_key`, although it does not know the token."""
    return _signing_key(hashlib.sha256(token.encode()).digest())


def _signing_key(digest: bytes) -> bytes:
    return hmac.digest(digest, b"benchd signed command", "sha256")


class TokenStore:
    """The tokens in the file `path`. Any number of threads and processes; a change by one is seen by all."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._seen: tuple[int, ...] | None = None
        self._kept: dict[str, _Kept] = {}
        self._trouble = ""

    # --- asking -----------------------------------------------------------------------------------------------------

    def verify(self, text: str) -> Token | None:
        """The token that `text` is; None if it is unknown, revoked or expired, or if the file cannot be trusted."""
        digest = hashlib.sha256(text.encode("utf-8", "replace")).digest()
        shape = _SHAPE.fullmatch(text)
        kept = self._current().get(shape[1]) if shape else None
        same = hmac.compare_digest(digest, _NOBODY if kept is None else kept.digest)
        if kept is None or not same or kept.token.expired(_now()):
            return None
        return kept.token

    def holds(self, token: Token) -> bool:
        """Whether a token that was verified before is still good."""
        kept = self._current().get(token.id)
        return kept is not None and kept.token == token and not token.expired(_now())

    def signing_key(self, name: str) -> tuple[bytes, str] | None:
        """(key, scope) of a token by its name or its id, for commands that are signed instead of sent with the token."""
        for kept in self._current().values():
            if name in (kept.token.name, kept.token.id) and not kept.token.expired(_now()):
                return _signing_key(kept.digest), str(kept.token.scope)
        return None

    def list(self) -> list[Token]:
        """All tokens, oldest first. ConfigError if the file cannot be trusted or read."""
        return sorted((kept.token for kept in self._load().values()), key=lambda token: (token.made, token.id))

    def any(self) -> bool:
        """Whether there is a token that works. ConfigError if the file cannot be trusted or read."""
        return any(not token.expired(_now()) for token in self.list())

    # --- changing ---------------------------------------------------------------------------------------------------

    def make(self, name: str, scope: Scope | str, expires_days: float | None = None) -> str:
        """A new token: the only time its text is seen. UsageError, ConfigError, StoreError."""
        if not _NAME.fullmatch(name):
            raise UsageError(
                f"{name!r} cannot name a token: letters, digits, blank, '.', '_' and '-', at most 64, e.g. 'office screen'"
            )
        if name in RESERVED:
            raise UsageError(f"{name!r} is what runs are marked with that no token asked for: take another name")
        if expires_days is not None and not 0 < expires_days <= 36_500:
            raise UsageError(f"a token cannot expire in {expires_days:g} days: give 1 to 36500, or none for no end")
        made = _now().replace(microsecond=0)
        expires = None if expires_days is None else made + timedelta(days=expires_days)
        with self._changing() as kept:
            if any(one.token.name == name for one in kept.values()):
                raise UsageError(f"there is a token {name!r} already: revoke it, or take another name")
            if len(kept) >= MOST_TOKENS:
                raise UsageError(f"{self.path}: there are {len(kept)} tokens: revoke those that are not needed")
            while (id_ := secrets.token_hex(6)) in kept:
                pass
            text = f"benchd_{id_}_{secrets.token_urlsafe(32)}"
            token = Token(id_, name, Scope(scope), made, expires)
            kept[id_] = _Kept(token, hashlib.sha256(text.encode()).digest())
        return text

    def revoke(self, name: str) -> Token:
        """Take a token back, by its name or its id. NotFoundError lists what there is."""
        with self._changing() as kept:
            for id_, one in kept.items():
                if name in (one.token.name, id_):
                    del kept[id_]
                    return one.token
            names = ", ".join(sorted(one.token.name for one in kept.values())) or "none"
            raise NotFoundError(f"there is no token {name!r}; there are: {names}")

    @contextlib.contextmanager
    def _changing(self) -> Iterator[dict[str, _Kept]]:
        """What is kept, to be changed and written back, one process at a time."""
        try:
            self.path.parent.mkdir(0o700, parents=True, exist_ok=True)
            with self._lock, _one_process_at_a_time(self.path.with_name(self.path.name + ".lock")):
                kept = self._load()
                yield kept
                self._write(kept)
        except OSError as error:
            raise StoreError(f"{self.path}: {error.strerror or error}: check the folder and the disk") from error

    def _write(self, kept: dict[str, _Kept]) -> None:
        """Replace the file whole: nobody sees half of it, and it is on the disk on return."""
        entries = [{**one.token.to_json(), "sha256": one.digest.hex()} for one in kept.values()]
        temporary = self.path.with_name(f".{self.path.name}.{secrets.token_hex(6)}")
        file = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(file, "w", encoding="utf-8") as out:
                json.dump({"version": 1, "tokens": entries}, out, indent=1)
                out.flush()
                os.fsync(out.fileno())
            os.replace(temporary, self.path)
        except BaseException:
            with contextlib.suppress(OSError):
                temporary.unlink()
            raise
        _sync_folder(self.path.parent)

    # --- the file ---------------------------------------------------------------------------------------------------

    def _current(self) -> dict[str, _Kept]:
        """What the file holds now, read again when it has changed. Nothing while it cannot be trusted."""
        with self._lock:
            try:
                seen = _signature(self.path)
                if seen != self._seen:
                    self._kept = self._load()
                    self._seen = seen
                    self._trouble = ""
            except (ConfigError, OSError) as error:
                self._kept, self._seen = {}, None
                if str(error) != self._trouble:
                    self._trouble = str(error)
                    log.warning("no token is accepted: %s", error)
            return self._kept

    def _load(self) -> dict[str, _Kept]:
        if not self.path.exists():
            return {}
        text = private_bytes(self.path, MOST_BYTES)
        try:
            body = json.loads(text)
            if body["version"] != 1:
                raise ValueError(f"version {body['version']!r}")
            return {entry["id"]: _entry(entry) for entry in body["tokens"]}
        except (ValueError, KeyError, TypeError) as error:
            raise ConfigError(
                f"{self.path}: this is no file of tokens ({type(error).__name__}: {error}): "
                "move it away and make the tokens anew with `benchd token make`"
            ) from error


def _entry(entry: dict[str, Any]) -> _Kept:
    expires = entry["expires"]
    digest = bytes.fromhex(entry["sha256"])
    if len(digest) != 32:
        raise ValueError("a digest of the wrong length")
    ends = None if expires is None else datetime.fromisoformat(expires)
    token = Token(
        str(entry["id"]), str(entry["name"]), Scope(entry["scope"]), datetime.fromisoformat(entry["made"]), ends
    )
    return _Kept(token, digest)


def _signature(path: Path) -> tuple[int, ...]:
    """Changes whenever the file does; its mode too."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return ()
    return found.st_mtime_ns, found.st_ctime_ns, found.st_ino, found.st_size, found.st_mode


@contextlib.contextmanager
def _one_process_at_a_time(path: Path) -> Iterator[None]:
    file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        if sys.platform != "win32":
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX)
        yield
    finally:
        os.close(file)


def _sync_folder(folder: Path) -> None:
    if sys.platform == "win32":
        return
    file = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)


def _now() -> datetime:
    return datetime.now(UTC)
