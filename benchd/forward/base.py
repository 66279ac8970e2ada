"""What every forwarder is, and what it is given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol


class News(Protocol):
    """Tells when the journal has grown. `row` is the number of the newest committed row of events."""

    @property
    def row(self) -> int: ...

    async def after(self, row: int, timeout_s: float | None = None) -> int:
        """Wait until there is a row beyond `row`, at most `timeout_s`; the newest row then (maybe still `row`)."""


@dataclass(frozen=True, slots=True)
class ForwarderStatus:
    """What screens and /metrics show of one forwarder. `behind_s`: age of the oldest record not yet taken by the other side."""

    name: str
    target: str  # without secrets
    state: str  # 'up to date' | 'sending' | 'waiting to try again' | 'refused' | 'stopped'
    position: int  # row of the journal up to which everything was taken
    behind_rows: int
    behind_s: float
    sent: int  # points or messages since the daemon started
    quarantined: int  # refused for good, kept and to be looked at
    failures: int
    last_error: str | None
    last_error_at: str | None  # UTC, ISO 8601

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


class Forwarder(Protocol):
    name: str

    @property
    def settled(self) -> int:
        """The row of the journal up to which nothing will be asked for again: retention may thin up to it."""

    async def run(self) -> None:
        """Forward until cancelled. Troubles of the other side never raise: they are waited out and shown in status()."""

    def status(self) -> ForwarderStatus: ...
