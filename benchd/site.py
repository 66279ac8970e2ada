"""A site file: which benches one daemon serves, where it listens, where it forwards to, what it keeps.

Plain dataclasses; `load_site` reads and checks a file whole (its keys stand in site_keys.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import time
from pathlib import Path

from benchd.config import Bench

DEFAULT_PORT = 8477


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
    spec: str
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
