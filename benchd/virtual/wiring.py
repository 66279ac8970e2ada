"""Which meter reads which channel, on which port, and what the bench file says of it."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from benchd.clock import Clock
from benchd.virtual.instruments import (
    OVER_RANGE,
    Box,
    Instrument,
    ScpiMeter,
    Streaming,
    Transducer,
    digits11,
    segment14,
    tach_line,
)
from benchd.virtual.meters import Meter, Shown
from benchd.virtual.scenario import Scenario

CALIBRATED_FOR = timedelta(days=300)
#: Real seconds that opening all ports may take, and that a port may be silent; on a fast clock that is long.
OPENING_REAL_S, SILENT_REAL_S = 5.0, 0.4


@dataclass
class Place:
    """One channel: its meter, the instrument that serves it, and its part of the bench file."""

    meter: Meter
    instrument: Instrument
    name: str
    driver: str
    function: str
    keys: str
    due_s: float
    newest: Shown | None = None
    fresh: bool = False
    plugged: bool = True
    point: str = ""


def wire(scenario: Scenario, folder: Path) -> list[Place]:
    """The instruments of the bench, not yet opened; pseudo-terminals get their links in `folder`."""
    rng = random.Random(scenario.seed ^ 0xC4B1E)
    meters = random.Random(scenario.seed ^ 0x5EED)

    def place(channel: str, instrument: Instrument, name: str, driver: str, function: str, keys: str) -> Place:
        meter = Meter(channel, scenario, meters)
        return Place(meter, instrument, name, driver, function, keys, due_s=first_due_s(channel))

    def handheld(channel: str, name: str, function: str, keys: str = "") -> Place:
        return place(channel, Streaming(folder / name, segment14(function), rng), name, "segment14", function, keys)

    battery = (
        handheld("battery_volts", "volts", "dc volts", "max_volts = 1000.0\n")  # the one that can show its HOLD
        if scenario.strength("meter-hold") is not None
        else place("battery_volts", ScpiMeter("dc volts", rng), "volts", "scpi", "dc volts", "max_volts = 1000.0\n")
    )
    shunt = Transducer(folder / "shunt", scenario.amps_digit, rng)
    digits = Streaming(folder / "hertz", digits11("frequency"), rng)
    tach = Streaming(folder / "tach", tach_line, rng)
    current = register("shunt", "current", Transducer.REGISTER, "dc amps", shunt.digit)
    charge = place("charge_amps", shunt, "shunt", "modbus", "dc amps", f"max_amps = 50.0\n{current}")
    charge.point = "current"
    return [
        battery,
        charge,
        handheld("stator_volts", "stator", "ac volts", "max_volts = 750.0\n"),
        place("stator_hertz", digits, "hertz", "digits11", "frequency", PSEUDO),
        place("engine_rpm", tach, "tach", "tach-lines", "speed", "pattern = '(?P<rpm>[0-9]{5}) rpm'\n"),
        *(visit_places(scenario, folder) if scenario.visit else ()),
    ]


#: The measuring box's inputs: channel, function, what the bench file calls the input.
BOX = (
    ("load_amps", "dc amps", "load clamp"),
    ("crank_amps", "dc amps", "starter clamp"),
    ("joint_volts", "dc volts", "probes"),
    ("battery_celsius", "temperature", "thermometer"),
)
BOX_KEYS = f"unit_address = {Box.UNIT}\nmax_amps = 600.0\nmax_volts = 30.0\n"


def visit_places(scenario: Scenario, folder: Path) -> list[Place]:
    """What a whole visit needs besides: clamps, probes and thermometer on a box, a milliammeter, an ohmmeter."""
    rng = random.Random(scenario.seed ^ 0xB0C5)
    meters = random.Random(scenario.seed ^ 0x1E7E)
    box, places = Box(folder / "box", rng), []
    for number, (channel, function, point) in enumerate(BOX):
        meter = Meter(channel, scenario, meters)
        keys = (BOX_KEYS if number == 0 else "") + register("box", point, number, function, meter.digit)
        places.append(
            Place(meter, box.input(), "box", "modbus", function, keys, due_s=first_due_s(channel), point=point)
        )
    for channel, name, function, keys in (
        ("draw_amps", "milliamps", "dc amps", "max_amps = 10.0\n"),
        ("circuit_ohms", "ohms", "resistance", ""),
    ):
        meter = Meter(channel, scenario, meters)
        instrument = ScpiMeter(function, rng)
        places.append(Place(meter, instrument, name, "scpi", function, keys, due_s=first_due_s(channel)))
    return places


def meters_of(scenario: Scenario, places: Sequence[Place]) -> list[Meter]:
    """The same meters as new; their errors are drawn as when they were wired."""
    usual, visit = random.Random(scenario.seed ^ 0x5EED), random.Random(scenario.seed ^ 0x1E7E)
    more = {channel for channel, _, _ in BOX} | {"draw_amps", "circuit_ohms"}
    return [Meter(one.meter.channel, scenario, visit if one.meter.channel in more else usual) for one in places]


def first_due_s(channel: str) -> float:
    return 0.07 * len(channel)  # no two meters show in the same moment


#: A pseudo-terminal takes no parity; the bytes are the same.
PSEUDO = "baud = 19200\ndata_bits = 8\nparity = 'N'\n"


def register(instrument: str, point: str, address: int, function: str, digit: float) -> str:
    return f"""
[[instruments.{instrument}.registers]]
point = "{point}"
address = {address}
type = "int16"
unit = "{function}"
scale = {digit!r}
overload = [{OVER_RANGE}, {-OVER_RANGE - 1}]
"""


def bench_file(scenario: Scenario, places: list[Place], clock: Clock) -> str:
    """The whole text; see design contracts for the keys."""
    # A clock that runs fast while ports and timeouts do not: waits count in bench time.
    wait_s = min(max(20.0, OPENING_REAL_S * clock.speed), 600.0)
    lost_s = min(max(3.0, SILENT_REAL_S * clock.speed), 60.0)
    due = (clock.wall_utc() + CALIBRATED_FOR).date().isoformat()
    parts = [
        f'[bench]\nname = "virtual bench"\nsample_s = {min(max(scenario.meter_period_s, 0.02), 10.0)!r}\n'
        f"lost_after_s = {lost_s!r}\nwait_for_meter_s = {wait_s!r}\n"
    ]
    for name in dict.fromkeys(one.name for one in places):
        inputs = [one for one in places if one.name == name]
        first = inputs[0]
        keys = "".join(one.keys for one in inputs)
        parts.append(
            f"[instruments.{name}]\ndriver = \"{first.driver}\"\nport = '{first.instrument.outlet.port}'\n"
            f"calibration_due = {due}\n{keys}\n{accuracy(inputs)}"
        )
    for one in places:
        point = f'point = "{one.point}"\n' if one.point else ""
        parts.append(f'[channels.{one.meter.channel}]\ninstrument = "{one.name}"\nfunction = "{one.function}"\n{point}')
    return "\n".join(parts)


def accuracy(inputs: Sequence[Place]) -> str:
    """The maker's statement, once for each function: the meter's own error is drawn within it, and half a count comes
    from rounding."""
    lines = []
    for place in {one.function: one for one in inputs}.values():
        band = "min_hertz = 20.0\nmax_hertz = 1000.0\n" if place.function == "ac volts" else ""
        lines.append(
            f'[[instruments.{place.name}.accuracy]]\nfunction = "{place.function}"\npercent = {place.meter.percent!r}\n'
            f"counts = 1\nresolution = {place.meter.digit!r}\n{band}"
        )
    return "\n".join(lines)
