"""The interface a driver fills: bytes in, readings out; asked what to send, it answers bytes. No I/O, no clock.

A driver module holds one `DRIVER: Driver`. It is found through the entry-point group `benchd.drivers`.
The link moves the bytes, the sampler stamps the time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol, runtime_checkable

from benchd.core.readings import Notice, Quantity, Reading


@dataclass(frozen=True, slots=True)
class SerialParams:
    """How a serial port is set for this instrument unless the bench file says otherwise."""

    baud: int = 9600
    data_bits: int = 8
    parity: str = "N"  # N, E, O
    stop_bits: float = 1
    dtr: bool | None = None
    rts: bool | None = None


@dataclass(frozen=True, slots=True)
class Request:
    """Bytes to send now. With `reply`, the link waits for an answer up to `timeout_s` before the next request."""

    data: bytes
    reply: bool = True
    timeout_s: float = 1.0


@runtime_checkable
class Decoder(Protocol):
    """The state of one conversation with one instrument.

    receive() takes any cut of the byte stream, keeps what is incomplete (bounded), never raises on any input and
    never invents a reading: what is no frame comes back as a Notice.
    """

    def connected(self) -> None:
        """The link was opened (again): forget half frames, begin the conversation anew."""

    def request(self) -> Request | None:
        """What to send next, None while there is nothing to ask (a streaming meter, or an answer is awaited)."""

    def receive(self, data: bytes) -> list[Reading | Notice]:
        """Take bytes as they come."""

    def timed_out(self) -> list[Reading | Notice]:
        """The last request was not answered in time."""

    @property
    def answered(self) -> bool:
        """Whether nothing is awaited: the next request() may be sent."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the bench file says about one instrument.

    `functions` are the quantities its channels want, in order, with the `point` each names ('' for the only one).
    `options` are the driver's own keys, as in the file (checked by `Driver.check` before anything runs).
    """

    functions: tuple[tuple[Quantity, str], ...] = ()
    options: Mapping[str, Any] = field(default_factory=dict)


def no_options(options: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The option check of a driver without options."""
    return [(key, "this driver takes no such key") for key in options]


@dataclass(frozen=True, slots=True)
class Driver:
    """One instrument family.

    `make(settings)` gives a fresh Decoder. `poll_s` is the time between rounds of requests; None means that the
    instrument streams by itself. `silent_s` is how long it may be silent before it counts as lost.
    `check(options)` returns (key, complaint) pairs for the bench file's own keys of this driver.
    `probe` tells `benchd meters` that asking this driver's first request on an unknown port is harmless.
    """

    name: str
    title: str
    make: Callable[[Settings], Decoder]
    serial: SerialParams = SerialParams()
    poll_s: float | None = None
    silent_s: float = 3.0
    quantities: frozenset[Quantity] = frozenset()
    check: Callable[[Mapping[str, Any]], list[tuple[str, str]]] = no_options
    probe: bool = False
