"""A client of a running daemon: found by the environment or by its lock, asked over HTTP, its troubles as our errors.

Calls block for at most TIMEOUT_S (call them in a thread from an event loop). The stream of a run is in client_stream.
"""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn
from urllib.parse import quote, urlencode, urlsplit

from benchd.errors import (
    AccessError,
    BenchdError,
    BusyError,
    ConfigError,
    NotFitError,
    NotFoundError,
    PortError,
    StoreError,
    UsageError,
)
from benchd.plaintext import harmless, harmless_lines

if TYPE_CHECKING:
    import ssl

    import urllib3

    from benchd.daemon.lock import Holder

LOCAL_KEY = "local-key"
TIMEOUT_S = 10.0
#: Opening a run waits for its ports: a serial server that does not answer takes its time.
START_TIMEOUT_S = 60.0
STARTING_S = 10.0  # so long a daemon may hold its lock before it listens
PAGE = 200  # runs asked for at once
_MOST_BYTES = 64 * 1024 * 1024
_LOOPBACK = {"localhost", "127.0.0.1", "::1"}
_RUN_ID = re.compile(r"\d{8}-\d{6}-\d{3}[a-z]{2}")

KINDS: Mapping[str, type[BenchdError]] = {
    "not-found": NotFoundError,
    "busy": BusyError,
    "configuration": ConfigError,
    "port": PortError,
    "store": StoreError,
    "access": AccessError,
    "not-fit": NotFitError,
    "invalid": UsageError,
    "too-much": BusyError,
    "internal": BenchdError,
}
#: For an answer without a kind (something between us and the daemon answered).
_BY_STATUS = {401: "access", 403: "access", 404: "not-found", 409: "busy", 422: "invalid", 429: "too-much"}


@dataclass(frozen=True, slots=True)
class Door:
    """Where a daemon listens and what opens it. `ca_file` is the certificate to trust, None for the system's own."""

    url: str
    token: str = field(repr=False)
    ca_file: str | None = None
    holder: Holder | None = None  # the daemon of this home; None if it was named by BENCHD_SERVER


def find(home: Path | None = None) -> Client | None:
    """The daemon that BENCHD_SERVER names, else the one that is up in `home`; None if there is none.

    ConfigError or AccessError where there is one that cannot be talked to.
    """
    if os.environ.get("BENCHD_SERVER"):
        return Client(_door_of_environment())
    if home is None:
        from benchd import journal

        home = journal.home()
    door = _door_of_home(home)
    return None if door is None else Client(door, home)


def at_hand() -> Client | None:
    """The same for what can also be done at the journal: None too where the daemon of this home hangs."""
    found = find()
    if found is not None and found.local:
        try:
            found.ask("GET", "/v1/health")
        except PortError:
            return None
    return found


def _door_of_environment() -> Door:
    url = os.environ["BENCHD_SERVER"].strip()
    if file := os.environ.get("BENCHD_TOKEN_FILE"):
        token = _secret_file(Path(file))
    elif given := os.environ.get("BENCHD_TOKEN"):
        token = given.strip()
    else:
        raise ConfigError(
            "BENCHD_SERVER is set but no token: name its file in BENCHD_TOKEN_FILE (or set BENCHD_TOKEN); "
            "the daemon's administrator makes one with: benchd token"
        )
    return Door(_checked_url(url), _checked_token(token), os.environ.get("BENCHD_CA_FILE") or None)


def _door_of_home(home: Path, wait_s: float = STARTING_S) -> Door | None:
    """The daemon that holds the lock of this home. One that has just been started is waited for."""
    from benchd.daemon.lock import read_holder

    deadline = time.monotonic() + wait_s
    while (holder := read_holder(home)) is not None and holder.url is None:
        if time.monotonic() > deadline:
            raise PortError(
                f"the daemon {holder.name!r} (process {holder.pid}) is up since {holder.since} but does not listen yet: "
                "try again in a moment, or look at its log"
            )
        time.sleep(0.1)
    if holder is None or holder.url is None:
        return None
    key = home / LOCAL_KEY
    try:
        token = _secret_file(key)
    except ConfigError as error:
        raise AccessError(
            f"the daemon {holder.name!r} (process {holder.pid}) is up, but its key for this computer cannot be used: "
            f"{error}. As another user, set BENCHD_SERVER={holder.url} and BENCHD_TOKEN_FILE"
        ) from error
    return Door(_checked_url(holder.url), _checked_token(token), holder.ca, holder)


def _secret_file(path: Path) -> str:
    from benchd.site import Secret
    from benchd.site_secrets import read_secret

    return read_secret(Secret(file=path))


def _checked_token(token: str) -> str:
    """A token that can stand in a header; its text is in no message."""
    if not token or not token.isascii() or not token.isprintable() or " " in token:
        raise ConfigError("the token is none: expected one line of letters and digits, as `benchd token` shows it once")
    return token


def _checked_url(url: str) -> str:
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname, parts.port
    except ValueError as error:
        raise ConfigError(f"BENCHD_SERVER: {harmless(url)!r} is no address ({error}); {_EXPECTED}") from error
    if parts.username or parts.password:
        raise ConfigError("BENCHD_SERVER: no name or password in the address; the token goes to BENCHD_TOKEN_FILE")
    if parts.scheme not in ("http", "https") or not host or parts.query or parts.fragment:
        raise ConfigError(f"BENCHD_SERVER: {harmless(url)!r} is no address of a daemon; {_EXPECTED}")
    if parts.scheme == "http" and host not in _LOOPBACK:
        raise ConfigError(f"BENCHD_SERVER: {harmless(url)} would carry the token in clear over the network; use https")
    return url.rstrip("/")


_EXPECTED = "expected something like https://bench-server:8477"


class Client:
    """One daemon. Methods raise the error that the daemon said, with its own words; PortError if it does not answer."""

    def __init__(self, door: Door, home: Path | None = None) -> None:
        self.door = door
        self._home = home  # where its lock and key are; None for a daemon that was named
        self._pool: urllib3.PoolManager | None = None
        self._tls: ssl.SSLContext | None = None

    @property
    def url(self) -> str:
        return self.door.url

    @property
    def home(self) -> Path | None:
        """This home, if it is its own daemon."""
        return self._home

    @property
    def local(self) -> bool:
        """Whether it is this home's own daemon, so that its journal is ours."""
        return self._home is not None

    @property
    def who(self) -> str:
        holder = self.door.holder
        return f"the daemon at {self.url}" if holder is None else f"the daemon {harmless(holder.name)!r}"

    def has_ended(self) -> bool:
        """Whether this home's daemon is surely not up any more; of another computer's nobody knows."""
        from benchd.daemon.lock import read_holder

        return self._home is not None and read_holder(self._home) is None

    def look_again(self) -> bool:
        """After it went away or refused the key: whether another door was found. A daemon that was started again has
        another key."""
        try:
            door = None if self._home is None else _door_of_home(self._home, wait_s=0.0)
        except BenchdError:
            return False
        if door is None or door == self.door:
            return False
        self.door, self._pool, self._tls = door, None, None
        return True

    # --- what can be asked ------------------------------------------------------------------------------------------

    def status(self) -> dict[str, Any]:
        return self._object("GET", "/v1/status")

    def bench(self, bench: str) -> dict[str, Any]:
        """One bench by its slug. NotFoundError."""
        return self._object("GET", f"/v1/benches/{quote(bench, safe='')}")

    def runs(self, limit: int = 20, **wanted: str | None) -> list[dict[str, Any]]:
        """The newest runs first: work_order, unit, bench, before (a run id). As Journal.runs."""
        found: list[dict[str, Any]] = []
        before = wanted.pop("before", None)
        while len(found) < limit:
            count = min(PAGE, limit - len(found))
            query = {key: value for key, value in {**wanted, "before": before}.items() if value is not None}
            page = self._object("GET", "/v1/runs", query={"limit": count, **query}).get("runs", [])
            found += page
            if len(page) < count:
                break
            before = str(page[-1]["run"])
        return found

    def run(self, run: str) -> dict[str, Any]:
        return self._object("GET", f"/v1/runs/{quote(run, safe='')}")

    def resolve(self, name: str) -> str:
        """The id of a run by its id, the beginning of it, or 'last'. NotFoundError lists what there is."""
        if _RUN_ID.fullmatch(name):
            return str(self.run(name)["run"])
        matching: list[str] = []
        newest: list[str] = []
        for run in self._ids():
            if name == "last":
                return run
            newest += [run] * (len(newest) < 5)
            if run.startswith(name):
                matching.append(run)
            elif run < name:
                break
        if not newest:
            raise NotFoundError(f"{self.who}: no run is kept yet")
        if not matching:
            raise NotFoundError(f"no kept run begins with {name!r}; the newest are {', '.join(newest)}, or say 'last'")
        if len(matching) > 1:
            more = ", ..." if len(matching) > 10 else ""
            raise NotFoundError(
                f"several runs begin with {name!r}: {', '.join(matching[:10])}{more}; give more of the id"
            )
        return matching[0]

    def _ids(self) -> Iterator[str]:
        before: str | None = None
        while True:
            page = self.runs(PAGE, before=before)
            yield from (str(one["run"]) for one in page)
            if len(page) < PAGE:
                return
            before = str(page[-1]["run"])

    def start(self, order: Mapping[str, Any]) -> str:
        """Open a run (the keys of POST /v1/runs); its id. Never sent twice."""
        found = self._object("POST", "/v1/runs", body=order, timeout_s=START_TIMEOUT_S)
        return str(found["run"])

    def answer(self, run: str, id: str, text: str) -> None:
        self._send(run, "answers", {"id": id, "text": text})

    def mark(self, run: str, text: str) -> None:
        self._send(run, "marks", {"text": text})

    def stop(self, run: str, because: str, ctrl_c: bool = False) -> None:
        self._send(run, "stop", {"because": because, "ctrl_c": ctrl_c})

    def _send(self, run: str, what: str, body: Mapping[str, Any]) -> None:
        self._asked("POST", f"/v1/runs/{quote(run, safe='')}/{what}", body=body)

    # --- how it is asked --------------------------------------------------------------------------------------------

    def tls(self) -> ssl.SSLContext | None:
        """What checks the daemon's certificate; None for plain http (which only loopback may be)."""
        if not self.url.startswith("https:"):
            return None
        if self._tls is None:
            import ssl

            try:
                self._tls = ssl.create_default_context(cafile=self.door.ca_file)
                if (
                    self.local
                ):  # this home's own daemon names its very certificate, whoever signed it, for whatever name
                    self._tls.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
                    self._tls.check_hostname = False
            except (OSError, ssl.SSLError) as error:
                raise ConfigError(f"{self.door.ca_file}: no certificates could be read from it ({error})") from error
        return self._tls

    def headers(self) -> dict[str, str]:
        from benchd import __version__

        return {"Authorization": f"Bearer {self.door.token}", "User-Agent": f"benchd/{__version__}"}

    def ask(
        self,
        method: str,
        path: str,
        *,
        query: Mapping[str, Any] | None = None,
        body: Mapping[str, Any] | None = None,
        timeout_s: float = TIMEOUT_S,
    ) -> dict[str, Any]:
        """The object that a path answers with. What does not only ask is never sent twice."""
        return self._object(method, path, query=query, body=body, timeout_s=timeout_s)

    def fetch(self, path: str, *, query: Mapping[str, Any] | None = None, timeout_s: float = TIMEOUT_S) -> bytes:
        """The bytes that a path answers with."""
        return self._asked("GET", path, query=query, timeout_s=timeout_s)

    def _object(self, method: str, path: str, **how: Any) -> dict[str, Any]:
        found = _parsed(self._asked(method, path, **how))
        if not isinstance(found, dict):
            raise PortError(f"{self.url} answered what no benchd says: check the address")
        return found

    def _asked(
        self,
        method: str,
        path: str,
        *,
        query: Mapping[str, Any] | None = None,
        body: Mapping[str, Any] | None = None,
        timeout_s: float = TIMEOUT_S,
    ) -> bytes:
        path += f"?{urlencode(query)}" if query else ""
        data = None if body is None else json.dumps(body).encode()
        status, answer = self._exchange(method, path, data, timeout_s)
        if status == 401 and self.look_again():
            status, answer = self._exchange(method, path, data, timeout_s)
        if status >= 400:
            raise error_of(status, answer, self.url)
        if status >= 300:
            raise PortError(f"{self.url} points elsewhere (status {status}): set BENCHD_SERVER to the daemon itself")
        return answer

    def _exchange(self, method: str, path: str, data: bytes | None, timeout_s: float) -> tuple[int, bytes]:
        """One request. What only asks is repeated when it was not answered or came too fast; an order never is,
        unless the connection was not even made."""
        import urllib3

        asks = method == "GET"
        tries = urllib3.Retry(
            connect=2,
            read=1 if asks else 0,
            redirect=0,
            status=3,
            other=0,
            status_forcelist=(429,) if asks else (),
            allowed_methods=None,
            raise_on_status=False,
            respect_retry_after_header=False,  # it would repeat any order that was refused, and wait before it says so
            backoff_factor=0.2,
        )
        headers = self.headers() | ({} if data is None else {"Content-Type": "application/json"})
        try:
            answer = self._http().request(
                method,
                self.url + path,
                body=data,
                headers=headers,
                timeout=urllib3.Timeout(connect=min(timeout_s, 5.0), read=timeout_s),
                retries=tries,
                redirect=False,
                preload_content=False,
            )
            try:
                return answer.status, _whole(answer, self.url)
            finally:
                answer.release_conn()
        except urllib3.exceptions.HTTPError as error:
            self._did_not_answer(error, order=not asks)

    def _http(self) -> urllib3.PoolManager:
        if self._pool is None:
            import urllib3

            self._pool = urllib3.PoolManager(num_pools=2, maxsize=4, ssl_context=self.tls())
        return self._pool

    def _did_not_answer(self, error: Exception, *, order: bool) -> NoReturn:
        import urllib3

        cause = getattr(error, "reason", None) or error
        if isinstance(cause, urllib3.exceptions.SSLError):
            raise untrusted(self.url, cause) from error
        sent = order and not isinstance(cause, urllib3.exceptions.NewConnectionError)
        more = "; whether it took the order is not known, see: benchd status" if sent else ""
        where = "" if self.url in self.who else f" at {self.url}"
        why = _short(cause)
        if any(name in repr(cause) for name in ("RemoteDisconnected", "ConnectionResetError")):
            why = "it closed the connection without a word"
            if self.url.startswith("http:"):
                more += "; does its address begin with https://?"
        raise PortError(f"{self.who} does not answer{where} ({why}){more}") from error


def untrusted(url: str, error: Exception) -> ConfigError:
    if "WRONG_VERSION_NUMBER" in str(error) or "RECORD_LAYER_FAILURE" in str(error):
        return ConfigError(f"{url}: what answers there speaks http, not https: correct the address in BENCHD_SERVER")
    return ConfigError(
        f"{url}: its certificate is not trusted ({_short(error)}): name the certificate to trust in BENCHD_CA_FILE, "
        "and call the daemon by the name that stands in it"
    )


def error_of(status: int, answer: bytes, url: str) -> BenchdError:
    """The daemon's error as ours, with its own words."""
    found = _parsed(answer)
    told = found.get("error") if isinstance(found, dict) else None
    if not isinstance(told, dict) or told.get("kind") not in KINDS:
        kind = _BY_STATUS.get(status, "port")
        return KINDS[kind](f"{url} refused with status {status} and without words of benchd's: check the address")
    return KINDS[str(told["kind"])](harmless_lines(told.get("message") or f"{url} refused with status {status}"))


def _whole(answer: urllib3.BaseHTTPResponse, url: str) -> bytes:
    found = bytearray()
    for part in answer.stream(65536):
        found += part
        if len(found) > _MOST_BYTES:
            raise PortError(f"{url} answers without end: check the address")
    return bytes(found)


def _parsed(answer: bytes) -> Any:
    try:
        return json.loads(answer)
    except ValueError:
        return None


def _short(error: object) -> str:
    """The last words of a chain of exceptions: what the system said."""
    text = harmless(error)
    return text.rsplit(": ", 1)[-1][:120] if text else type(error).__name__
