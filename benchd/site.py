"""A site file: which benches one daemon serves, where it listens, where it forwards to, what it keeps.

Plain dataclasses; `load_site` reads and checks a file whole (its keys stand in site_keys.py).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import time
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from benchd.config import Bench, parsed, told
from benchd.errors import ConfigError

if TYPE_CHECKING:  # pydantic is imported only where a file is really read
    from benchd.site_checks import Found
    from benchd.site_keys import MqttKeys, ScheduleKeys, SeriesKeys, ServerKeys, SiteFile

DEFAULT_PORT = 8477
_MIB = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Secret:
    """Where a secret is read from when it is needed: a file, or a variable of the environment. Never the secret itself."""

    file: Path | None = None
    variable: str | None = None


@dataclass(frozen=True, slots=True)
class ServerSettings:
    """`certificate` and `key` (PEM files) are needed for any address that is not loopback, and so is a token."""

    host: str = "127.0.0.1"
    port: int = DEFAULT_PORT  # 0: any free one
    certificate: Path | None = None
    key: Path | None = None
    allowed_hosts: tuple[str, ...] = ()  # names in a Host header beside the address itself and localhost
    max_body_bytes: int = 256 * 1024
    requests_per_s: float = 50.0  # a client, sustained; bursts of four times as many
    loopback_looks: bool = True  # the web page may be looked at on this computer without a token


@dataclass(frozen=True, slots=True)
class SeriesSettings:
    """A store that speaks the InfluxDB v2 write API. Times in s."""

    url: str
    bucket: str = "benchd"
    org: str = "benchd"
    token: Secret | None = None
    ca_file: Path | None = None
    readings: bool = False  # every raw reading too, not only the samples
    batch: int = 5000  # points a request
    flush_s: float = 1.0  # how long a point may wait for company
    timeout_s: float = 10.0
    back_off_s: tuple[float, float] = (1.0, 60.0)  # first and longest
    resend_s: float = 60.0  # what was acknowledged later than this ago is sent again after an outage or a restart


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """A broker. `commands` needs TLS, a user and tokens."""

    host: str
    port: int = 1883
    tls: bool = False
    ca_file: Path | None = None
    user: str | None = None
    password: Secret | None = None
    prefix: str = "benchd"
    sample_every_s: float = 1.0
    commands: bool = False


@dataclass(frozen=True, slots=True)
class Retention:
    """Raw readings older than `raw_days` are thinned to one line of min/mean/max every `step_s`; None keeps them all."""

    raw_days: float | None = None
    step_s: float = 10.0
    at: time = time(3, 30)  # local time of day


@dataclass(frozen=True, slots=True)
class Scheduled:
    """A run that opens by itself: it waits for its operator and starts no engine. Local time of day."""

    bench: str
    procedure: str
    spec: str  # the bare name of a machine file where it has one, else its absolute path
    at: tuple[time, ...]
    days: frozenset[int] = frozenset(range(7))  # Monday is 0
    work_order: str | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Site:
    name: str
    source: str = ""
    benches: Mapping[str, Bench] = field(default_factory=dict)  # slug -> bench
    server: ServerSettings = ServerSettings()
    series: SeriesSettings | None = None
    mqtt: MqttSettings | None = None
    retention: Retention = Retention()
    schedule: tuple[Scheduled, ...] = ()
    min_free_bytes: int = 256 * 1024 * 1024  # below it the daemon warns, and takes no run below the journal's own limit
    warnings: tuple[str, ...] = ()  # what is allowed, yet better not so; sentences


# --- reading a site file --------------------------------------------------------------------------------------------


def load_site(path: str | Path) -> Site:
    """A site, its benches and the machines of its schedule checked too. Relative paths count from the file's folder.

    ConfigError names everything that is wrong. Files of certificates and secrets are not opened here: see
    `site_secrets.check_files`.
    """
    from benchd.site_checks import look_through
    from benchd.site_keys import SiteFile

    data, text = parsed(path)
    folder = Path(path).absolute().parent
    found = look_through(data, folder)
    if wrong := told(path, text, found.complaints) + found.nested:
        raise ConfigError("\n".join(wrong))
    return _site(SiteFile.model_validate(data), Path(path).absolute(), found)


def summary(site: Site) -> str:
    """A site in a few words."""
    parts = [
        f"site {site.name!r}",
        f"benches {', '.join(site.benches)}",
        f"listens on {_joined(site.server.host, site.server.port)}",
    ]
    if site.series:
        parts.append(f"time series to {site.series.url}")
    if site.mqtt:
        parts.append(f"MQTT to {_joined(site.mqtt.host, site.mqtt.port)}")
    if site.schedule:
        parts.append(f"{len(site.schedule)} on the schedule")
    return "\n".join([", ".join(parts), *(f"warning: {one}" for one in site.warnings)])


def slug_of(name: str) -> str:
    """A name in small ASCII letters, digits and hyphens, at most 40 of them; '' if nothing is left of it."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub("[^a-z0-9]+", "-", plain).strip("-")[:40].rstrip("-")


def is_loopback(host: str) -> bool:
    """Whether only this computer reaches an address. A name other than localhost counts as one that others reach."""
    if host.lower() == "localhost":
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def host_and_port(listen: str) -> tuple[str, int]:
    """'HOST', 'HOST:PORT' or '[V6]:PORT' as (host, port). ValueError says what is wrong."""
    bracketed = re.fullmatch(r"\[([^\]]+)\](?::(\d+))?", listen)
    found = bracketed or re.fullmatch(r"([A-Za-z0-9_.-]+)(?::(\d+))?", listen)
    if found is None:
        raise ValueError(
            "an IPv6 address stands in brackets, '[::1]:8477'" if listen.count(":") > 1 else "not of this form"
        )
    if bracketed:
        ip_address(found[1])  # its ValueError says it
    port = DEFAULT_PORT if found[2] is None else int(found[2])
    if port > 65535:
        raise ValueError("a port is at most 65535")
    return found[1], port


def _joined(host: str, port: int) -> str:
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


# --- from keys to dataclasses ---------------------------------------------------------------------------------------


def _site(keys: SiteFile, source: Path, found: Found) -> Site:
    folder = source.parent
    site = Site(
        keys.site.name,
        str(source),
        found.benches,
        _server(keys.server, folder),
        None if keys.series is None else _series(keys.series, folder),
        None if keys.mqtt is None else _mqtt(keys.mqtt, folder),
        Retention(keys.retention.raw_days, keys.retention.step_s, time.fromisoformat(keys.retention.at)),
        tuple(_scheduled(one, found.specs[place]) for place, one in enumerate(keys.schedule)),
        int(keys.site.min_free_mebibytes * _MIB),
    )
    return replace(site, warnings=tuple(_warnings(site)))


def _server(keys: ServerKeys, folder: Path) -> ServerSettings:
    host, port = host_and_port(keys.listen)
    return ServerSettings(
        host,
        port,
        _beside(keys.certificate, folder),
        _beside(keys.key, folder),
        tuple(keys.allowed_hosts),
        keys.max_body_bytes,
        keys.requests_per_s,
        keys.loopback_looks,
    )


def _series(keys: SeriesKeys, folder: Path) -> SeriesSettings:
    return SeriesSettings(
        keys.url,
        keys.bucket,
        keys.org,
        _secret(keys.token_file, keys.token_env, folder),
        _beside(keys.ca_file, folder),
        keys.readings,
        keys.batch,
        keys.flush_s,
        keys.timeout_s,
        (keys.back_off_s[0], keys.back_off_s[1]),
        keys.resend_s,
    )


def _mqtt(keys: MqttKeys, folder: Path) -> MqttSettings:
    return MqttSettings(
        keys.host,
        keys.port or (8883 if keys.tls else 1883),
        keys.tls,
        _beside(keys.ca_file, folder),
        keys.user,
        _secret(keys.password_file, keys.password_env, folder),
        keys.prefix,
        keys.sample_every_s,
        keys.commands,
    )


def _scheduled(keys: ScheduleKeys, spec: str) -> Scheduled:
    from benchd.site_keys import DAYS

    return Scheduled(
        keys.bench,
        keys.procedure,
        spec,
        tuple(sorted({time.fromisoformat(one) for one in keys.at})),
        frozenset(DAYS.index(day) for day in keys.days),
        keys.work_order,
        keys.unit,
    )


def _secret(file: str | None, variable: str | None, folder: Path) -> Secret | None:
    return None if file is None and variable is None else Secret(_beside(file, folder), variable)


def _beside(file: str | None, folder: Path) -> Path | None:
    return None if file is None else folder / file


def _warnings(site: Site) -> Iterator[str]:
    series, mqtt = site.series, site.mqtt
    if series and series.token and urlsplit(series.url).scheme == "http" and not _is_near(series.url):
        yield f"{series.url}: the store's token crosses the network in the clear; use https:// in [series] url"
    if mqtt and mqtt.password and not mqtt.tls and not is_loopback(mqtt.host):
        yield f"{mqtt.host}: the broker's password crosses the network in the clear; set tls = true in [mqtt]"


def _is_near(url: str) -> bool:
    return is_loopback(urlsplit(url).hostname or "")
