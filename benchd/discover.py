"""Which ports there are, which driver understands what is on each, and what it shows right now.

Meters that stream are only listened to. Then the drivers whose first question does no harm ask it (`Driver.probe`).
An instrument that must be told where to look (a Modbus register) is found by neither: it needs its bench file.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Iterable, Mapping, Sequence
from contextlib import aclosing
from dataclasses import dataclass, field, replace

from benchd.clock import Clock
from benchd.core.readings import Notice, Reading
from benchd.errors import PortError
from benchd.links import Link, PortInfo, open_link
from benchd.links.ports import VISA, is_url, serial_ports, visa_resources
from benchd.wire.driver import Decoder, Driver, SerialParams, Settings

#: A port that says nothing for so long does not stream: handheld meters and tachometers send every second or faster.
LISTEN_S = 1.2
#: One that does say something gets longer: the first line of a slow one is cut as a rule, so the second must come.
LISTEN_ON_S = 2.5
#: So long an asked instrument may take for its identity and its first reading.
PROBE_S = 2.5
ENOUGH = 3  # readings

Said = Reading | Notice


@dataclass(frozen=True, slots=True)
class Identified:
    """What answers on a port. `readings` are the newest of each quantity and point; `also` names other drivers that
    understood it as well (a bare number is understood by several)."""

    port: str
    driver: str
    serial: SerialParams
    identity: str = ""
    readings: tuple[Reading, ...] = ()
    also: tuple[str, ...] = ()


@dataclass(slots=True)
class _Heard:
    """What one driver made of a port's bytes."""

    driver: Driver
    decoder: Decoder
    count: int = 0
    nonsense: int = 0
    identity: str = ""
    readings: dict[tuple[str, str], Reading] = field(default_factory=dict)

    def take(self, said: Iterable[Said]) -> None:
        for one in said:
            if isinstance(one, Reading):
                self.count += 1
                self.readings[(one.quantity, one.point)] = one
            elif one.kind == "identity":
                self.identity = one.text
            else:
                self.nonsense += one.kind in ("garbage", "frame", "error")

    @property
    def understood(self) -> bool:
        return bool(self.identity) or self.count > self.nonsense

    def score(self) -> tuple[int, int]:
        return (self.count - self.nonsense, bool(self.identity))


async def ports(*, visa: bool = False) -> list[PortInfo]:
    """The ports of this computer. With `visa` the VISA resources too: that broadcasts on every network interface."""
    found = await asyncio.to_thread(serial_ports)
    return found + (await asyncio.to_thread(visa_resources) if visa else [])


async def identify(
    port: str, drivers: Mapping[str, Driver], clock: Clock | None = None, *, serial: SerialParams | None = None
) -> Identified | None:
    """Which driver understands what is on this port; None if none does. `serial` narrows the search to one setting.

    PortError if the port cannot be opened at all, or drops meanwhile.
    """
    clock = clock or Clock()
    if not port.startswith(VISA):
        listened = await _listen_at_each_setting(port, drivers.values(), clock, serial)
        if listened is not None:
            return listened
    for driver in drivers.values():
        if driver.probe and (found := await _probe(port, driver, serial or driver.serial, clock)) is not None:
            return found
    return None


async def watch(
    port: str,
    driver: Driver,
    settings: Settings | None = None,
    clock: Clock | None = None,
    *,
    serial: SerialParams | None = None,
) -> AsyncGenerator[Said, None]:
    """Readings and notices as they come, until PortError or aclose(). `settings` as from `sampler.settings_of`."""
    clock = clock or Clock()
    decoder = driver.make(settings or Settings())
    async with (
        open_link(port, serial or driver.serial, clock=clock) as link,
        aclosing(_conversation(link, driver, decoder, clock)) as said,
    ):
        async for one in said:
            yield one


# --- listening ------------------------------------------------------------------------------------------------------


async def _listen_at_each_setting(
    port: str, drivers: Iterable[Driver], clock: Clock, only: SerialParams | None
) -> Identified | None:
    refused: PortError | None = None
    opened = False
    for serial, group in _by_setting(port, drivers, only):
        try:
            heard = await _listen(port, serial, group, clock)
        except PortError as error:  # an adapter may refuse one setting and take the next
            refused = error
            continue
        opened = True
        if (found := _best(port, serial, heard)) is not None:
            return found
    if refused is not None and not opened:
        raise refused
    return None


def _by_setting(
    port: str, drivers: Iterable[Driver], only: SerialParams | None
) -> list[tuple[SerialParams, list[Driver]]]:
    """Streaming drivers by serial setting; on a bare TCP connection all are one."""
    groups: dict[SerialParams, list[Driver]] = {}
    for driver in drivers:
        if driver.poll_s is None:
            one = is_url(port) and not port.startswith("rfc2217:")
            groups.setdefault(only or (SerialParams() if one else driver.serial), []).append(driver)
    return list(groups.items())


async def _listen(port: str, serial: SerialParams, drivers: Sequence[Driver], clock: Clock) -> list[_Heard]:
    """Let every driver hear the same bytes."""
    heard = [one for driver in drivers if (one := _hearing(driver)) is not None]
    loop = asyncio.get_running_loop()
    async with open_link(port, serial, clock=clock) as link:
        began = loop.time()
        until = began + clock.real_s(LISTEN_S)
        while (left_s := until - loop.time()) > 0 and not any(
            one.count >= ENOUGH and not one.nonsense for one in heard
        ):
            try:
                async with asyncio.timeout(left_s):
                    data = await link.read()
            except TimeoutError:
                break
            until = began + clock.real_s(LISTEN_ON_S)
            for one in heard:
                _receive(one, data)
    return heard


def _hearing(driver: Driver) -> _Heard | None:
    try:
        decoder = driver.make(Settings())
        decoder.connected()
    except Exception:  # a driver that cannot do without its options cannot be tried here
        return None
    return _Heard(driver, decoder)


def _receive(heard: _Heard, data: bytes) -> None:
    try:
        heard.take(heard.decoder.receive(data))
    except Exception:  # a stranger's driver that breaks on another meter's bytes does not understand them
        heard.nonsense += 1000


def _best(port: str, serial: SerialParams, heard: Iterable[_Heard]) -> Identified | None:
    ranked = sorted((one for one in heard if one.understood), key=_Heard.score, reverse=True)
    if not ranked:
        return None
    also = tuple(one.driver.name for one in ranked[1:])
    return replace(_identified(port, serial, ranked[0]), also=also)


def _identified(port: str, serial: SerialParams, heard: _Heard) -> Identified:
    return Identified(port, heard.driver.name, serial, heard.identity, tuple(heard.readings.values()))


# --- asking ---------------------------------------------------------------------------------------------------------


async def _probe(port: str, driver: Driver, serial: SerialParams, clock: Clock) -> Identified | None:
    heard = _hearing(driver)
    if heard is None:
        return None
    async with open_link(port, serial, clock=clock) as link:
        try:
            async with asyncio.timeout(clock.real_s(PROBE_S)):
                async with aclosing(_conversation(link, driver, heard.decoder, clock)) as said:
                    async for one in said:
                        heard.take([one])
                        if heard.identity and heard.count:
                            break
        except TimeoutError:
            pass
    # Whatever a talkative port sends would do for an identity: without a reading it must have the standard's four fields.
    named = heard.identity.count(",") >= 3 or heard.count > 0
    return _identified(port, serial, heard) if heard.understood and named else None


async def _conversation(link: Link, driver: Driver, decoder: Decoder, clock: Clock) -> AsyncGenerator[Said, None]:
    """What is said on an open link: asked where the driver asks, listened to where it does not."""
    loop = asyncio.get_running_loop()
    decoder.connected()
    while True:
        request = decoder.request()
        wait_s = driver.poll_s
        if request is not None:
            wait_s = request.timeout_s if request.reply else 0.0
            await link.write(request.data, request.reply, clock.real_s(request.timeout_s))
        until = None if wait_s is None else loop.time() + clock.real_s(wait_s)
        awaited = request is not None and request.reply
        while not (awaited and decoder.answered):
            left_s = None if until is None else until - loop.time()
            if left_s is not None and left_s <= 0:
                break
            try:
                async with asyncio.timeout(left_s):
                    data = await link.read()
            except TimeoutError:
                break
            for one in decoder.receive(data):
                yield one
        if awaited and not decoder.answered:
            for one in decoder.timed_out():
                yield one
