"""`benchd meters`: which ports there are, which meter answers where, and what it shows right now."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import aclosing, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import click

from benchd.plaintext import harmless_lines

if TYPE_CHECKING:
    from benchd.config import Bench
    from benchd.core.readings import Notice, Reading
    from benchd.wire.driver import Driver, SerialParams, Settings

LISTEN_S = 2.5  # a handheld sends at least one frame a second


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
            click.echo(harmless_lines(one.line()))
    answered = [one for one in heard if one.driver is not None]
    if answered and not once and not as_json:
        asyncio.run(watch(answered, seconds))
    ctx.exit(0 if answered else 5)


@dataclass(frozen=True, slots=True)
class Place:
    """A port to look at; an instrument of a bench file comes with its driver, settings and serial parameters."""

    port: str
    about: str = ""  # what the system says of the port, or the instrument's name
    driver: Driver | None = None
    settings: Settings | None = None
    serial: SerialParams | None = None


@dataclass(slots=True)
class Heard:
    """What is known of one port; `driver` None if nobody understood it."""

    place: Place
    driver: Driver | None = None
    serial: SerialParams | None = None
    identity: str = ""
    also: tuple[str, ...] = ()
    readings: dict[tuple[str, str], Reading] = field(default_factory=dict)  # newest by (quantity, point)
    errors: str = ""  # the newest that the instrument or the wire complained of
    trouble: str = ""

    def take(self, one: Reading | Notice) -> None:
        from benchd.core.readings import Reading

        if isinstance(one, Reading):
            self.readings[(str(one.quantity), one.point)] = one
        elif one.kind == "identity":
            self.identity = one.text
        else:
            self.errors = f"{one.kind}: {one.text}"

    def line(self) -> str:
        about = f" ({self.place.about})" if self.place.about else ""
        if self.driver is None:
            return f"{self.place.port}{about}: {self.trouble or 'no meter answers'}"
        also = f" (or {', '.join(self.also)})" if self.also else ""
        shown = ", ".join(reading_text(one) for one in self.readings.values()) or "no reading yet"
        identity = f" [{self.identity}]" if self.identity else ""
        errors = f"; {self.errors}" if self.errors else ""
        return f"{self.place.port}{about}: {self.driver.name}{also}{identity}: {shown}{errors}"

    def to_json(self) -> dict[str, Any]:
        return {
            "port": self.place.port,
            "about": self.place.about,
            "driver": None if self.driver is None else self.driver.name,
            "also": list(self.also),
            "identity": self.identity or None,
            "trouble": self.trouble or None,
            "errors": self.errors or None,
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
    from benchd.links import list_ports

    if bench is not None:
        return [_place_of_instrument(bench, name) for name in bench.instruments]
    found = {port: "" for port in ports} or dict(list_ports(visa=visa))
    return [Place(port, about) for port, about in found.items()]


def _place_of_instrument(bench: Bench, name: str) -> Place:
    from benchd import registry
    from benchd.sampler import serial_params, settings_of

    instrument = bench.instruments[name]
    driver = registry.driver(instrument.driver)
    return Place(instrument.port, name, driver, settings_of(bench, instrument), serial_params(driver, instrument))


async def look(places: Sequence[Place]) -> list[Heard]:
    """All ports at once."""
    return list(await asyncio.gather(*(_look_at(place) for place in places)))


async def _look_at(place: Place) -> Heard:
    from benchd import discover, registry
    from benchd.errors import PortError

    heard = Heard(place)
    try:
        if place.driver is not None:
            heard.driver, heard.serial = place.driver, place.serial
            await _listen(heard, LISTEN_S, place.settings)
            heard.driver = heard.driver if heard.readings or heard.identity else None
        elif (found := await discover.identify(place.port, registry.drivers())) is not None:
            heard.driver, heard.serial = registry.driver(found.driver), found.serial
            heard.identity, heard.also = found.identity, found.also
            for reading in found.readings:
                heard.take(reading)
    except PortError as error:
        heard.driver, heard.trouble = None, str(error)
    return heard


async def _listen(heard: Heard, seconds: float | None, settings: Settings | None) -> None:
    from benchd import discover

    assert heard.driver is not None
    with suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            said = discover.watch(heard.place.port, heard.driver, settings, serial=heard.serial)
            async with aclosing(said):
                async for one in said:
                    heard.take(one)


async def watch(answered: Sequence[Heard], seconds: float | None) -> None:
    """Show the newest readings once a second until time is up or Ctrl-C."""
    tasks = [asyncio.ensure_future(_keep_listening(one, seconds)) for one in answered]
    try:
        while any(not task.done() for task in tasks):
            await asyncio.wait(tasks, timeout=1.0)
            for one in answered:
                click.echo(harmless_lines(one.line()))
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _keep_listening(heard: Heard, seconds: float | None) -> None:
    from benchd.errors import PortError

    try:
        await _listen(heard, seconds, heard.place.settings)
    except PortError as error:
        heard.driver, heard.trouble = None, str(error)
