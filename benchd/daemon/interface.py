"""What the outside (HTTP, MQTT commands, the command line's serve) may ask of the daemon. `daemon.Daemon` is one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from benchd.forward.base import ForwarderStatus
from benchd.journal import Journal
from benchd.lots.service import Lots
from benchd.visits.service import Visits


@dataclass(frozen=True, slots=True)
class RunRequest:
    """A run somebody wants. Either `spec` (the name of a machine file that the daemon knows, never a path) or
    `spec_toml` (the text of one). `asked_by`: the token's name, 'schedule', ... kept with the run."""

    bench: str  # slug or name
    procedure: str
    spec: str | None = None
    spec_toml: str | None = None
    work_order: str | None = None
    unit: str | None = None
    rule: str | None = None  # a key of benchd.rules.RULES
    asked_by: str = ""
    #: Of a unit's test in a lot, a standard or a study, which fixes the spec: see benchd/lots/door.py.
    lot: str | None = None
    by: str = ""
    retest: bool = False
    trial: tuple[str, str, int] | None = None


class RunNews(Protocol):
    async def run_after(self, run: str, seq: int, timeout_s: float | None = None) -> bool:
        """Wait until run has a record beyond `seq` on the disk, at most `timeout_s`; whether more may still come
        (False: the run is closed and `seq` is its last record)."""


class DaemonInterface(Protocol):
    id: str  # unique and stable, e.g. 'tessel-lane-3f9a2c1b'
    name: str
    version: str
    started: str  # UTC, ISO 8601
    journal: Journal

    @property
    def visits(self) -> Visits:
        """The visits over the journal; its methods block, and may be called in any thread."""

    @property
    def lots(self) -> Lots:
        """The lots over the journal; its methods block, and may be called in any thread."""

    @property
    def news(self) -> RunNews: ...

    def status(self) -> dict[str, Any]:
        """{daemon, name, version, started, benches: [bench()...], forwarders: [...], disk: {free_bytes, low},
        warnings: [sentence...]}"""

    def bench_names(self) -> Sequence[str]:
        """Slugs."""

    def bench(self, bench: str) -> dict[str, Any]:
        """{bench: slug, name, state: 'ready'|'in a run'|'instrument missing', run: id or None, last_run: id or None,
        source_sha256, channels: {channel: {value, unit, age_s, flags}}, instruments: [instrument()...]}. NotFoundError."""

    def instrument(self, bench: str, instrument: str) -> dict[str, Any]:
        """{name, driver, port, identity, state: 'talking'|'silent'|'not open', since, what, cure, calibration_due,
        overdue, counts: {readings, garbage, bad_frames, errors, timeouts, gaps, reconnects}}. NotFoundError."""

    async def start_run(self, request: RunRequest) -> str:
        """Check everything and open the run; its id. NotFoundError, BusyError, ConfigError, PortError, StoreError."""

    def answer(self, run: str, id: str, text: str) -> None:
        """An operator's answer to a prompt. NotFoundError, BusyError (the run has ended)."""

    def mark(self, run: str, text: str) -> None: ...

    def stop_run(self, run: str, because: str, ctrl_c: bool = False) -> None: ...

    def forwarders(self) -> Sequence[ForwarderStatus]: ...

    def quarantine(self, forwarder: str, limit: int = 100) -> list[dict[str, Any]]:
        """Newest first: {no, at, run, row, line, reason}. NotFoundError."""

    def release(self, forwarder: str, no: int | None = None) -> int:
        """Have quarantined points sent again (one, or all); how many. NotFoundError."""

    async def backup(self) -> str:
        """Copy the journal while it is written to, and the photos of its orders, into the folder `backups` beside it; the
        file's name. StoreError."""
