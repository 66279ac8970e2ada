"""Links that stay open from one user to the next: between watching an idle bench and its runs."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Protocol

from benchd.clock import Clock
from benchd.links._link import Link
from benchd.links._open import open_link
from benchd.links.ports import REPLAY, serial_params
from benchd.wire.driver import Driver, SerialParams

if TYPE_CHECKING:
    from contextlib import AbstractAsyncContextManager

    from benchd.config import Instrument


class Parkable(Link, Protocol):
    """A link that can be left open without a user."""

    def park(self) -> bool:
        """From now on throw away what comes. False if it cannot be handed on: it has dropped, or a question is out
        whose answer could be taken for another's."""

    async def unpark(self) -> bool:
        """Wait until no answer to an earlier question can come any more, forget what came, and keep what comes from
        now on. False if it has dropped meanwhile."""


@dataclass(frozen=True, slots=True)
class _Parked:
    link: Parkable
    serial: SerialParams
    exclusive: bool
    clock: Clock

    def suits(self, serial: SerialParams, exclusive: bool, clock: Clock) -> bool:
        """Whether this is the very link that would be opened. Clocks that run like the computer's all stamp alike."""
        real = type(clock) is type(self.clock) is Clock and clock.speed == self.clock.speed == 1
        return (self.serial, self.exclusive) == (serial, exclusive) and (real or clock is self.clock)


class KeptLinks:
    """`open` is used as open_link is; a link that its user leaves without an error (or cancelled) stays open.

    Whoever opens the port next takes it over, without the bytes that came in between. A link that has dropped is opened
    anew, and so is one whose settings are to be others. Recordings are not kept: they begin from the start.
    """

    def __init__(self) -> None:
        self._parked: dict[str, _Parked] = {}
        self._closed = False

    @property
    def parked(self) -> tuple[str, ...]:
        """The ports that are open without a user."""
        return tuple(self._parked)

    def open(
        self, port: str, serial: SerialParams | None = None, *, exclusive: bool = True, clock: Clock | None = None
    ) -> AbstractAsyncContextManager[Link]:
        """Like open_link: opens when it is entered, PortError if it cannot."""
        if port.startswith(REPLAY):
            return open_link(port, serial, exclusive=exclusive, clock=clock)
        return _Use(self, port, serial or SerialParams(), exclusive, clock or Clock())

    async def try_open(self, instrument: Instrument, driver: Driver) -> None:
        """See that one instrument's port can be opened, and leave it open. PortError says what is wrong."""
        async with self.open(instrument.port, serial_params(driver, instrument)):
            pass

    async def close(self) -> None:
        """Close all that have no user; those in use are closed by their users from now on."""
        self._closed = True
        parked, self._parked = list(self._parked.values()), {}
        await asyncio.gather(*(one.link.__aexit__(None, None, None) for one in parked))

    async def close_port(self, port: str) -> None:
        """Close this port if it is open without a user: another program wants it."""
        if (found := self._parked.pop(port, None)) is not None:
            await found.link.__aexit__(None, None, None)

    # --- for _Use -------------------------------------------------------------------------------------------------

    async def take(self, port: str, suits: Callable[[_Parked], bool]) -> Parkable | None:
        """The open link of this port if there is one that suits and still lives."""
        found = self._parked.pop(port, None)
        if found is None:
            return None
        try:
            if suits(found) and await found.link.unpark():
                return found.link
        except BaseException:  # cancelled while it waited
            await self.leave(port, found)
            raise
        await found.link.__aexit__(None, None, None)
        return None

    async def leave(self, port: str, used: _Parked) -> None:
        if self._closed or port in self._parked or not used.link.park():
            await used.link.__aexit__(None, None, None)
        else:
            self._parked[port] = used


class _Use:
    """One user's time with a port."""

    def __init__(self, kept: KeptLinks, port: str, serial: SerialParams, exclusive: bool, clock: Clock) -> None:
        self._kept, self._port = kept, port
        self._serial, self._exclusive, self._clock = serial, exclusive, clock
        self._link: Parkable | None = None

    async def __aenter__(self) -> Link:
        link = await self._kept.take(self._port, lambda one: one.suits(self._serial, self._exclusive, self._clock))
        if link is None:
            fresh = open_link(self._port, self._serial, exclusive=self._exclusive, clock=self._clock)
            link = await fresh.__aenter__()  # type: ignore[assignment]  # only recordings are not Parkable
        self._link = link
        assert link is not None
        return link

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        link, self._link = self._link, None
        assert link is not None
        if kind is None or issubclass(kind, asyncio.CancelledError):
            await self._kept.leave(self._port, _Parked(link, self._serial, self._exclusive, self._clock))
        else:
            await link.__aexit__(kind, error, trace)
