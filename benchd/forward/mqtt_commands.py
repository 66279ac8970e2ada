"""Commands that arrive over MQTT: each one signed with a token's key, fresh, seen once, or refused with a reason.

A message from the broker is data from anybody. `CommandGate.admit` never raises for what is in it; what it refuses it
counts. What a signature covers, the daemon and the bench among it, stands in configs/guide/mqtt.md.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Protocol

MOST_BYTES = 32 * 1024  # a machine file of a few kB fits
FRESH_S = 60.0
MOST_SEEN = 10_000  # ids kept while they could be replayed; beyond it commands are refused, none is forgotten
SCOPES = frozenset({"operate", "administer"})

_ID = re.compile(r"[A-Za-z0-9._:-]{8,64}")
_HEX = re.compile(r"[0-9a-f]{64}")
_FRAME = frozenset({"id", "issued", "daemon", "bench", "token", "command", "signature"})
_TEXT = 500
#: command -> parameter -> (its longest text; whether it must be there)
PARAMETERS: Mapping[str, Mapping[str, tuple[int, bool]]] = {
    "start": {
        "procedure": (40, True),
        "spec": (100, False),
        "spec_toml": (MOST_BYTES, False),
        "work_order": (100, False),
        "unit": (100, False),
        "rule": (40, False),
    },
    "stop": {"run": (64, False), "because": (_TEXT, False)},
    "mark": {"run": (64, False), "text": (_TEXT, True)},
    "answer": {"run": (64, False), "prompt": (100, True), "text": (_TEXT, True)},
}

#: A token's name -> its key and its scope; None if there is no such token (any more).
KeyLookup = Callable[[str], tuple[bytes, str] | None]


class CommandSink(Protocol):
    async def execute(
        self, bench: str, command: str, parameters: Mapping[str, str], asked_by: str
    ) -> Mapping[str, Any]:
        """Carry out a command that was let in; what came of it, JSON-ready. BenchdError says why not.

        `parameters` as in PARAMETERS, checked for names and lengths only. Without 'run' the bench's run under way is
        meant. `asked_by` is the token's name.
        """


@dataclass(frozen=True, slots=True)
class Command:
    id: str
    bench: str
    command: str
    parameters: Mapping[str, str]
    asked_by: str


@dataclass(frozen=True, slots=True)
class Refused:
    """`kind` is one of few words, to be counted; `id` only where the message had one that may be repeated."""

    kind: str
    reason: str
    id: str | None = None


class _No(Exception):
    def __init__(self, kind: str, reason: str) -> None:
        super().__init__(reason)
        self.kind = kind


def canonical(body: Mapping[str, Any]) -> bytes:
    """What is signed: everything but the signature, keys sorted, no spaces, UTF-8. ValueError for half characters."""
    signed = {name: value for name, value in body.items() if name != "signature"}
    return json.dumps(signed, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def signature(body: Mapping[str, Any], key: bytes) -> str:
    return hmac.new(key, canonical(body), hashlib.sha256).hexdigest()


@dataclass
class CommandGate:
    """Lets commands for one daemon in. `now` is a wall clock; commands issued before the gate was made are refused,
    since what was seen before a restart is not known any more."""

    daemon: str
    key_of: KeyLookup
    now: Callable[[], datetime] = lambda: datetime.now(UTC)
    refused: Counter[str] = field(default_factory=Counter)
    admitted: int = 0

    def __post_init__(self) -> None:
        self._since = self.now()
        self._seen: dict[str, datetime] = {}  # id -> issued

    def admit(self, bench: str, payload: bytes | bytearray, *, retained: bool = False) -> Command | Refused:
        """The command in a message that came for `bench`, or why it is refused."""
        body: Mapping[str, Any] = {}
        try:
            body = _parsed(payload, retained)
            return self._admit(bench, body)
        except _No as no:
            self.refused[no.kind] += 1
            found = body.get("id")
            return Refused(no.kind, str(no), found if isinstance(found, str) and _ID.fullmatch(found) else None)

    def _admit(self, bench: str, body: Mapping[str, Any]) -> Command:
        _check_frame(body)
        issued = _moment(body["issued"])
        # The signature before all that tells something of this daemon.
        self._check_signature(body)
        if (body["daemon"], body["bench"]) != (self.daemon, bench):
            raise _No("elsewhere", "daemon and bench in the command must be those of the topic")
        self._check_time(issued)
        parameters = _parameters(body)
        self._remember(body["id"], issued)
        self.admitted += 1
        return Command(body["id"], bench, body["command"], parameters, body["token"])

    def _check_signature(self, body: Mapping[str, Any]) -> None:
        try:
            found = self.key_of(body["token"])
        except Exception as error:  # the token store is somebody else's: whatever it has, nobody is let in
            raise _No("no tokens", "the tokens cannot be looked up now") from error
        key, scope = found or (b"", "")
        # An unknown token costs the same as a wrong signature, and is told apart by nobody outside.
        right = hmac.compare_digest(signature(body, key or b"none"), body["signature"])
        if not (right and key):
            raise _No("signature", "not signed with the key of a token that is known here")
        if scope not in SCOPES:
            raise _No("scope", f"the token's scope is {scope!r}, a command needs 'operate'")

    def _check_time(self, issued: datetime) -> None:
        if abs((self.now() - issued).total_seconds()) > FRESH_S:
            raise _No(
                "time", f"issued {issued.isoformat()}, more than {FRESH_S:.0f} s from now: check the sender's clock"
            )
        if issued < self._since:
            raise _No("time", "issued before the daemon was ready for commands: send it anew")

    def _remember(self, id: str, issued: datetime) -> None:
        """Once per id. Old ids are forgotten when their time is over, and a clock that is set back cannot revive them."""
        over = self.now() - timedelta(seconds=FRESH_S)
        for old in [one for one, at in self._seen.items() if at < over]:
            self._since = max(self._since, self._seen.pop(old) + timedelta(microseconds=1))
        if id in self._seen:
            raise _No("replay", "a command of this id was received before")
        if len(self._seen) >= MOST_SEEN:
            raise _No("too much", f"more than {MOST_SEEN} commands within {FRESH_S:.0f} s")
        self._seen[id] = issued


def _parsed(payload: bytes | bytearray, retained: bool) -> dict[str, Any]:
    if retained:
        raise _No("retained", "a retained message is no command: publish it without the retain flag")
    if len(payload) > MOST_BYTES:
        raise _No("size", f"{len(payload)} bytes, at most {MOST_BYTES} are read")
    try:
        found = json.loads(bytes(payload).decode("utf-8"), object_pairs_hook=_object)
    except (ValueError, RecursionError) as error:
        raise _No("no JSON", "the payload is no JSON object in UTF-8, or a key stands in it twice") from error
    if not isinstance(found, dict):
        raise _No("no JSON", "the payload is JSON, but no object")
    return found


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key twice")
    return found


def _check_frame(body: Mapping[str, Any]) -> None:
    """All values are texts: nothing of them can be written in two ways, so what is signed is what is meant."""
    if missing := sorted(_FRAME - body.keys()):
        raise _No("form", f"there is no {', '.join(missing)}")
    for name, value in body.items():
        if not isinstance(value, str):
            raise _No("form", f"{_shown(name)} must be a text")
        if not _encodable(name) or not _encodable(value):
            raise _No("form", f"{_shown(name)} holds half a character")
    if not _ID.fullmatch(body["id"]):
        raise _No("form", "id must be 8 to 64 letters, digits or any of . _ : -")
    if not _HEX.fullmatch(body["signature"]):
        raise _No("form", "signature must be 64 small hexadecimal digits")
    if len(body["token"]) > 100:
        raise _No("form", "token is longer than any token's name")


def _parameters(body: Mapping[str, Any]) -> dict[str, str]:
    known = PARAMETERS.get(body["command"])
    if known is None:
        raise _No("form", f"command {_shown(body['command'])}: expected one of {', '.join(PARAMETERS)}")
    given = {name: value for name, value in body.items() if name not in _FRAME}
    for name, value in given.items():
        if name not in known:
            raise _No("form", f"{_shown(name)} is no parameter of {body['command']}; it takes {', '.join(known)}")
        if len(value) > known[name][0]:
            raise _No("form", f"{name} has {len(value)} characters, at most {known[name][0]} are taken")
    if missing := [name for name, (_, needed) in known.items() if needed and name not in given]:
        raise _No("form", f"{body['command']} needs {', '.join(missing)}")
    if body["command"] == "start" and ("spec" in given) == ("spec_toml" in given):
        raise _No("form", "start needs either spec (a machine file's name) or spec_toml (the text of one)")
    return given


def _moment(text: str) -> datetime:
    try:
        found = datetime.fromisoformat(text) if len(text) <= 40 else None
    except ValueError:
        found = None
    if found is None or found.utcoffset() is None:
        raise _No("form", "issued must be a date and time in ISO 8601 with Z or an offset")
    try:
        return found.astimezone(UTC)
    except OverflowError:
        raise _No("form", "issued lies outside of all times") from None


def _encodable(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _shown(text: str) -> str:
    return ascii(text if len(text) <= 40 else text[:40] + "...")
