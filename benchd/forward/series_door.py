"""The one door to a store that speaks the InfluxDB v2 write API: writes lines, and says in one of five ways why not.

Blocking, for one thread. influxdb-client's synchronous write is used with ready lines; its batching writer is not: it
drops what it holds when it is closed.
"""

from __future__ import annotations

import enum
import json
import re
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import urlsplit

from benchd.errors import ConfigError
from benchd.site import SeriesSettings

SAID_MOST = 300  # characters of the store's own words
RETRY_AFTER_MOST_S = 3600.0
LOOK_MOST_BYTES = 4_000_000
LOOK_TIMEOUT_S = 5.0

#: Not the points' fault, whatever is in them: sign-in, address, method, redirects.
_SETTINGS = frozenset({401, 402, 403, 404, 405, 407, 410, 411, 415, 421, 426, 451})
_LATER = frozenset({408, 425, 429})
_DROPPED = re.compile(r"partial write.*dropped=(\d+)", re.DOTALL)


class Why(enum.StrEnum):
    POINTS = "the store refuses points"
    SETTINGS = "the store refuses this daemon"  # nothing gets through until somebody mends something
    TOO_MUCH = "the request is too large"
    LATER = "the store asks to wait"
    LOST = "the store does not answer"  # and may have forgotten what it acknowledged


class Trouble(Exception):
    """Why lines were not taken. `dropped`: how many of them the store says it threw away, if it says so."""

    def __init__(self, why: Why, text: str, *, wait_s: float = 0.0, slow: bool = False, dropped: int = 0) -> None:
        super().__init__(text)
        self.why, self.wait_s, self.slow, self.dropped = why, wait_s, slow, dropped


class GivenUp(Exception):
    """Nobody waits for this any more."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a store tells of itself. The same process is one that started in the same second and has counted on."""

    started: float
    inserted: float
    invalid: float  # lines it threw away without a word

    def is_same_process(self, earlier: Seen, taken_since: int) -> bool:
        """`taken_since`: lines that were acknowledged since `earlier`; it counts at least one for each."""
        return self.started == earlier.started and self.inserted >= earlier.inserted + taken_since


class Door:
    """Opens itself with the first request; after `reset` the next one signs in anew, with the secret as it is then."""

    def __init__(self, settings: SeriesSettings) -> None:
        self._settings = settings
        self._client: Any = None
        self._writer: Any = None
        self._secret = ""
        self._tells, self._told = True, False
        self.given_up = False  # set by another thread
        self.busy_since: float | None = None  # monotonic; None between requests

    @property
    def target(self) -> str:
        """URL and bucket, without anything that signs in."""
        parts = urlsplit(self._settings.url)
        host = parts.netloc.rpartition("@")[2]
        return f"{parts.scheme}://{host}{parts.path.rstrip('/')} bucket {self._settings.bucket}"

    def write(self, lines: Sequence[str]) -> None:
        """Send lines in one request. Trouble, and ConfigError if the token cannot be read."""
        body = "\n".join(lines)
        self._begin()
        try:
            self._open()
            self._writer.write(bucket=self._settings.bucket, org=self._settings.org, record=body)
        except Exception as error:
            if self.given_up:
                raise GivenUp from None
            raise self._trouble(error) from error
        finally:
            self.busy_since = None
        if self.given_up:
            raise GivenUp

    def look(self) -> Seen | None:
        """What the store tells of itself, None where it tells nothing that is of use here. Trouble (LOST)."""
        if not self._tells:
            return None
        self._begin()
        try:
            self._open()
            text = self._metrics()
        except Exception as error:
            if self.given_up:
                raise GivenUp from None
            raise self._trouble(error) from error
        finally:
            self.busy_since = None
        seen = None if text is None else seen_in(text)
        self._tells = self._told = seen is not None or self._told
        return seen

    def reset(self) -> None:
        """Close the connections and forget the secret."""
        if self._client is not None:
            self._client.close()
        self._client = self._writer = None
        self._secret = ""
        self._tells = True

    # --- in here ------------------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        if self.given_up:
            raise GivenUp
        self.busy_since = time.monotonic()

    def _open(self) -> None:
        if self._client is not None:
            return
        from influxdb_client.client.influxdb_client import InfluxDBClient  # 0.3 s: not before it is needed
        from influxdb_client.client.write_api import SYNCHRONOUS

        settings = self._settings
        if settings.token is not None:
            from benchd.site_secrets import read_secret

            self._secret = read_secret(settings.token)
        self._client = InfluxDBClient(
            url=settings.url,
            token=self._secret,
            org=settings.org,
            timeout=int(settings.timeout_s * 1000),
            enable_gzip=True,
            auth_basic=":" in self._secret,  # user:password, for stores without tokens
            ssl_ca_cert=None if settings.ca_file is None else str(settings.ca_file),
            connection_pool_maxsize=1,
        )
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)

    def _metrics(self) -> str | None:
        import urllib3

        pool = self._client.api_client.rest_client.pool_manager
        header = self._client.auth_header_value
        answer = pool.request(
            "GET",
            self._settings.url.rstrip("/") + "/metrics",
            headers={"Authorization": header} if header else {},
            timeout=urllib3.Timeout(total=min(self._settings.timeout_s, LOOK_TIMEOUT_S)),
            preload_content=False,
            retries=False,
        )
        try:
            data: bytes = answer.read(LOOK_MOST_BYTES + 1) if answer.status == 200 else b""
            if answer.status == 200 and len(data) <= LOOK_MOST_BYTES:
                answer.release_conn()  # to be used again
        finally:
            answer.close()
        return data.decode("utf-8", "replace") if 0 < len(data) <= LOOK_MOST_BYTES else None

    def _trouble(self, error: Exception) -> Exception:
        """What an exception of the client means."""
        import urllib3
        from influxdb_client.rest import ApiException

        where = f"{self.target}: "
        if isinstance(error, ConfigError):
            return error
        if isinstance(error, ApiException) and error.status:
            said = self._said(error.body) or self._clean(str(error.reason or ""))
            return _of_answer(where, int(error.status), said, error.headers or {}, self._settings)
        if isinstance(error, ApiException):  # TLS did not come about
            what = self._clean(str(error.reason))
            return Trouble(Why.LOST, f"{where}no secure connection: check certificate and ca_file ({what})")
        if isinstance(error, urllib3.exceptions.TimeoutError) and not isinstance(
            error, urllib3.exceptions.NewConnectionError
        ):
            return Trouble(Why.LOST, f"{where}no answer within {self._settings.timeout_s:g} s", slow=True)
        if isinstance(error, urllib3.exceptions.LocationValueError | ValueError) and not isinstance(
            error, UnicodeError
        ):
            return Trouble(
                Why.SETTINGS, f"{where}this url cannot be used ({self._clean(str(error))}): check the site file"
            )
        if isinstance(error, urllib3.exceptions.HTTPError | OSError | UnicodeError):
            return Trouble(Why.LOST, f"{where}{_what(error)} ({self._clean(str(error))})")
        return error

    def _said(self, body: Any) -> str:
        """The store's own words in an error's body: text from outside, cut and cleaned."""
        raw = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
        try:
            found = json.loads(raw)
        except ValueError:
            return self._clean(raw)
        if isinstance(found, dict):
            for key in ("message", "error", "err", "code"):
                if isinstance(found.get(key), str) and found[key]:
                    return self._clean(found[key])
        return self._clean(raw)

    def _clean(self, text: str) -> str:
        if self._secret:
            text = text.replace(self._secret, "***")
        text = " ".join("".join(one if one.isprintable() else " " for one in text).split())
        return text if len(text) <= SAID_MOST else text[: SAID_MOST - 4] + " ..."


def _of_answer(where: str, status: int, said: str, headers: Any, settings: SeriesSettings) -> Trouble:
    told = f" ({said})" if said else ""
    if status == 413:
        return Trouble(Why.TOO_MUCH, f"{where}the request is too large for it (413)")
    if status in _LATER or status >= 500:
        wait_s = retry_after_s(headers.get("Retry-After"), datetime.now(UTC))
        return Trouble(Why.LATER, f"{where}it cannot take points now ({status}){told}", wait_s=wait_s)
    if status in _SETTINGS or status < 400:
        return Trouble(Why.SETTINGS, f"{where}{_cure(status, settings)}{told}")
    dropped = _DROPPED.search(said)
    return Trouble(Why.POINTS, said or f"refused ({status})", dropped=int(dropped[1][:9]) if dropped else 0)


def _cure(status: int, settings: SeriesSettings) -> str:
    if status in (401, 407):
        where = "give it one in the site file" if settings.token is None else "check the token where the site file says"
        return f"it does not know this daemon's token ({status}): {where}"
    if status == 403:
        return f"the token may not write to bucket {settings.bucket!r} (403): give it that right, or another token"
    if status in (404, 410):
        return f"no bucket {settings.bucket!r} of org {settings.org!r}, or no v2 write API, there ({status}): check url, bucket and org"
    if status < 400:
        return f"it sends this daemon elsewhere ({status}): write the final url into the site file"
    return f"it does not take what this daemon sends ({status}): check that url is a store with a v2 write API"


def _what(error: Exception) -> str:
    import urllib3

    if isinstance(error, urllib3.exceptions.NewConnectionError):
        return "no connection: check that the store runs and the url is right"
    if isinstance(error, urllib3.exceptions.ProtocolError):
        return "the connection broke in the middle"
    return "the answer cannot be read" if isinstance(error, UnicodeError) else "the connection failed"


def retry_after_s(text: str | None, now: datetime) -> float:
    """Seconds that a Retry-After header asks for: a number, or a date. 0 if it says nothing of use."""
    if not text or len(text) > 60:
        return 0.0
    if re.fullmatch(r"[0-9]{1,9}", text.strip(), re.ASCII):
        return min(float(text), RETRY_AFTER_MOST_S)
    try:
        moment = parsedate_to_datetime(text)
    except (TypeError, ValueError):
        return 0.0
    moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
    return min(max(0.0, (moment - now).total_seconds()), RETRY_AFTER_MOST_S)


def seen_in(text: str) -> Seen | None:
    """What VictoriaMetrics' own metrics say. None for other stores, and for a part of a cluster: only where the process
    that answers is the one that keeps the points does its start tell whether it may have forgotten some."""
    if 'vm_rows{type="storage/' not in text:
        return None
    found: dict[str, float] = {}
    for line in text.splitlines():
        name, _, value = line.rpartition(" ")
        if name in _TOLD:
            try:
                found[_TOLD[name]] = float(value)
            except ValueError:
                return None
    return Seen(**found) if len(found) == len(_TOLD) else None


_TOLD = {
    "vm_app_start_timestamp": "started",
    'vm_rows_inserted_total{type="influx"}': "inserted",
    'vm_rows_invalid_total{type="influx"}': "invalid",
}
