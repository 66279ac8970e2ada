"""`benchd meters`: which ports there are, which meter answers where, and what it shows right now."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchd.config import Bench
    from benchd.core.readings import Reading
    from benchd.wire.driver import Driver, Settings

LISTEN_S = 2.5  # a handheld sends at least one frame a second
ENOUGH = 3  # readings that make an answer; fewer, and a frame cut by our coming would count as noise for long


@click.command("meters", short_help="List ports, find out which meter answers where, show live readings.")
@click.option("--port", "ports", multiple=True, metavar="PORT", help="Look at this port only; may be repeated.")
@click.option(
    "--bench", "bench_file", metavar="FILE", help="Show the instruments of this bench file, as they are wired."
)
@click.option("--visa", is_flag=True, help="Search VISA resources too, network included: takes some seconds.")
@click.option("--once", is_flag=True, help="Look once and stop, instead of showing readings until Ctrl-C.")
@click.option("--seconds", type=click.FloatRange(min=0.1), metavar="S", help="Show readings for so long, then stop.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout after one look; nothing else there.")
@click.pass_context
def command(
    ctx: click.Context,
    ports: tuple[str, ...],
    bench_file: str | None,
    visa: bool,
    once: bool,
    seconds: float | None,
    as_json: bool,
) -> None:
    """List the ports of this computer, find out which driver understands what comes from each, show live readings.

    Streaming meters are listened to; only drivers whose first question does no harm ask anything. Meters that must
    be told where to look (Modbus addresses) need --bench. Exit code 5 if no instrument answered.

    \b
    Examples:
      benchd meters
      benchd meters --port /dev/ttyUSB0 --seconds 30
      benchd meters --bench bay-1.toml
    """
    from benchd import config
    from benchd.cli.common import print_json, say

    bench = None if bench_file is None else config.load_bench(config.find_file(bench_file, "bench"))
    places = places_of(bench, ports, visa)
    if not places:
        say("no port was found; plug an adapter in, or name one with --port")
    heard = asyncio.run(look(places))
    if as_json:
        print_json({"ports": [one.to_json() for one in heard]})
    else:
        for one in heard:
            click.echo(one.line())
    answered = [one for one in heard if one.driver is not None]
    if answered and not once and not as_json:
        asyncio.run(watch(answered, seconds))
    ctx.exit(0 if answered else 5)


@dataclass(frozen=True, slots=True)
class Place:
    """A port to look at and the drivers to try there, each with its settings."""

    port: str
    tries: tuple[tuple[Driver, Settings, Any], ...]  # driver, settings, serial parameters
    about: str = ""  # what the system says of the port, or the instrument's name


@dataclass(slots=True)
class Heard:
    """What came from one port; `driver` None if nobody understood it."""

    place: Place
    driver: str | None = None
    identity: str = ""
    readings: dict[tuple[str, str], Reading] = field(default_factory=dict)  # newest by (quantity, point)
    garbage: int = 0
    bytes: int = 0
    trouble: str = ""

    def line(self) -> str:
        about = f" ({self.place.about})" if self.place.about else ""
        if self.driver is None:
            return f"{self.place.port}{about}: {self.trouble or 'no meter answers'}"
        shown = ", ".join(reading_text(one) for one in self.readings.values()) or "no reading yet"
        identity = f" [{self.identity}]" if self.identity else ""
        noise = f"; {self.garbage} bytes made no sense" if self.garbage else ""
        return f"{self.place.port}{about}: {self.driver}{identity}: {shown}{noise}"

    def to_json(self) -> dict[str, Any]:
        return {
            "port": self.place.port,
            "about": self.place.about,
            "driver": self.driver,
            "identity": self.identity or None,
            "trouble": self.trouble or None,
            "garbage_bytes": self.garbage,
            "readings": [reading_json(one) for one in self.readings.values()],
        }


def reading_text(one: Reading) -> str:
    """'12.65 V dc volts' with its flags and their cures."""
    from benchd.core.readings import CURES, UNITS

    value = "no number" if one.value is None else f"{one.value} {UNITS[one.quantity]}".strip()
    point = f"{one.point}: " if one.point else ""
    flags = "".join(f" [{flag}: {CURES[flag]}]" for flag in sorted(one.flags))
    return f"{point}{value} {one.quantity}{flags}"


def reading_json(one: Reading) -> dict[str, Any]:
    from benchd.core.readings import UNITS

    return {
        "quantity": str(one.quantity),
        "point": one.point,
        "value": None if one.value is None else float(one.value),
        "resolution": None if one.resolution is None else float(one.resolution),
        "unit": UNITS[one.quantity],
        "flags": sorted(str(flag) for flag in one.flags),
    }


def places_of(bench: Bench | None, ports: Sequence[str], visa: bool) -> list[Place]:
    """Where to look: the bench's instruments, the named ports, or all ports of this computer."""
    from benchd import links, registry
    from benchd.wire.driver import Settings

    drivers = registry.drivers()
    if bench is not None:
        return [_place_of_instrument(bench, name, drivers) for name in bench.instruments]
    found = {port: "" for port in ports} or dict(links.list_ports(visa=visa))
    tries = tuple((one, Settings(), one.serial) for one in drivers.values() if one.poll_s is None or one.probe)
    asking = tuple(one for one in tries if one[0].probe)
    listening = tuple(one for one in tries if one[0].poll_s is None)
    return [
        Place(port, asking if port.startswith("visa:") else listening + asking, about) for port, about in found.items()
    ]


def _place_of_instrument(bench: Bench, name: str, drivers: Mapping[str, Driver]) -> Place:
    from benchd.links.ports import serial_params
    from benchd.sampler import settings_of

    instrument = bench.instruments[name]
    driver = drivers[instrument.driver]
    return Place(instrument.port, ((driver, settings_of(bench, instrument), serial_params(driver, instrument)),), name)


async def look(places: Sequence[Place]) -> list[Heard]:
    """All ports at once, on each one driver after the other until one understands."""
    return list(await asyncio.gather(*(_look_at(place) for place in places)))


async def _look_at(place: Place) -> Heard:
    """The driver that understands most and throws least away. A port that stays silent is listened to only once."""
    from benchd.errors import PortError

    best, troubles, silent = Heard(place), [], set()
    for driver, settings, serial in place.tries:
        lines = (serial.dtr, serial.rts)  # some adapters take their power from these
        if driver.poll_s is None and lines in silent:
            continue
        heard = Heard(place)
        try:
            await listen(heard, driver, settings, serial, LISTEN_S, enough=ENOUGH)
        except PortError as error:  # perhaps only this driver's setting is not to be had
            troubles.append(str(error))
            continue
        if not heard.bytes:
            silent.add(lines)
        if understood(heard) and (best.driver is None or heard.garbage < best.garbage):
            heard.driver = driver.name
            best = heard
            if not heard.garbage:
                return best
        elif best.driver is None:
            best.garbage = max(best.garbage, heard.garbage)
    if best.driver is None and best.garbage:
        best.trouble = f"something sends here ({best.garbage} bytes), but no driver understands it"
    elif best.driver is None and len(troubles) == len(place.tries):
        best.trouble = troubles[0]
    return best


def understood(heard: Heard) -> bool:
    """Readings, or the four fields of an identity (IEEE 488.2): any line of a talking meter could pass for fewer."""
    return bool(heard.readings) or heard.identity.count(",") >= 3


async def listen(
    heard: Heard, driver: Driver, settings: Settings, serial: Any, seconds: float, *, enough: int | None = None
) -> None:
    """One conversation, into `heard`; stops after `seconds`, or after `enough` readings. PortError as the link raises."""
    from benchd.core.readings import Reading
    from benchd.links import open_link

    loop = asyncio.get_running_loop()
    until, count = loop.time() + seconds, 0
    async with open_link(heard.place.port, serial) as link:
        decoder = driver.make(settings)
        decoder.connected()
        while (left := until - loop.time()) > 0 and (enough is None or count < enough):
            wait_s = min(left, 0.25)
            if decoder.answered and (request := decoder.request()) is not None:
                await link.write(request.data, request.reply, request.timeout_s)
                wait_s = min(left, request.timeout_s)
            try:
                data = await asyncio.wait_for(link.read(), wait_s)
                heard.bytes += len(data)
                news = decoder.receive(data)
            except TimeoutError:
                news = [] if decoder.answered else decoder.timed_out()
            for one in news:
                count += isinstance(one, Reading)
                _note(heard, one)


def _note(heard: Heard, one: Any) -> None:
    from benchd.core.readings import Reading

    if isinstance(one, Reading):
        heard.readings[(str(one.quantity), one.point)] = one
    elif one.kind == "identity":
        heard.identity = one.text
    elif one.kind == "garbage":
        heard.garbage += one.count


async def watch(answered: Sequence[Heard], seconds: float | None) -> None:
    """Show the newest readings once a second until time is up or Ctrl-C."""
    tasks = [asyncio.ensure_future(_keep_listening(one, seconds)) for one in answered]
    try:
        while any(not task.done() for task in tasks):
            await asyncio.wait(tasks, timeout=1.0)
            for one in answered:
                click.echo(one.line())
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _keep_listening(heard: Heard, seconds: float | None) -> None:
    from benchd.errors import PortError

    driver, settings, serial = next(one for one in heard.place.tries if one[0].name == heard.driver)
    try:
        await listen(heard, driver, settings, serial, float("inf") if seconds is None else seconds)
    except PortError as error:
        heard.driver, heard.trouble = None, str(error)
