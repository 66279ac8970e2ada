"""Every driver reads its frames file as the file says, whole and byte by byte."""

from __future__ import annotations

from importlib.metadata import entry_points

import example_meter
import pytest
from driver_frames import HERE, Part, matches, parts

from benchd.core.readings import Flag, Notice, Quantity, Reading
from benchd.wire import Decoder, Driver

DRIVERS: dict[str, Driver] = {
    point.name: point.load()
    for point in entry_points(group="benchd.drivers")
    if point.value.startswith("benchd_drivers.")  # those of other packages bring their own frames
}
DRIVERS["example-meter"] = example_meter.DRIVER
PARTS = [(name, part) for name in sorted(DRIVERS) for part in parts(name)]


def play(decoder: Decoder, part: Part, cut: int) -> None:
    """Hold the part's conversation with bytes in pieces of `cut`; every step must be just as written."""
    said: list[Reading | Notice] = []
    decoder.connected()
    for verb, argument in part.steps:
        if verb in ("=", "!"):
            assert said, f"{part.place}: nothing came where {argument} was expected"
            found = said.pop(0)
            assert matches(found, verb, argument), f"{part.place}: {found} is not {verb} {argument}"
            continue
        assert not said, f"{part.place}: unexpected {said}"
        if verb == "<":
            request = decoder.request()
            assert (request.data if request else b"") == argument, part.place
        elif verb == ">":
            for at in range(0, len(argument), cut):
                said += decoder.receive(argument[at : at + cut])
        else:
            said += decoder.timed_out()
    assert not said, f"{part.place}: unexpected {said}"


@pytest.mark.parametrize("cut", [1, 7, 10_000])
@pytest.mark.parametrize(("name", "part"), PARTS, ids=[part.place for _, part in PARTS])
def test_frames(name: str, part: Part, cut: int) -> None:
    play(DRIVERS[name].make(part.settings), part, cut)


@pytest.mark.parametrize(("name", "part"), PARTS, ids=[part.place for _, part in PARTS])
def test_the_options_of_the_frames_pass_their_own_check(name: str, part: Part) -> None:
    options = part.settings.options
    assert DRIVERS[name].check(options) == []
    assert any(key == "nonsense" for key, _ in DRIVERS[name].check({**options, "nonsense": 1}))


@pytest.mark.parametrize("name", sorted(DRIVERS))
def test_frames_file_shows_an_overload_and_a_range_change(name: str) -> None:
    """Each file holds a reading without a value (where the wire can say so) and two resolutions of one quantity."""
    readings = [reading for part in parts(name) for reading in part.readings]
    resolutions = {(one.quantity, one.resolution) for one in readings if one.value is not None}
    quantities = [quantity for quantity, _ in resolutions]
    assert any(quantities.count(quantity) > 1 for quantity in quantities)
    if name not in ("replay", "tach-pulses"):  # a CSV cell and a counter have no way to say so
        assert any(one.flags & {Flag.OVERLOAD, Flag.NO_NUMBER} for one in readings)


@pytest.mark.parametrize("name", sorted(DRIVERS))
def test_driver_says_what_it_is(name: str) -> None:
    driver = DRIVERS[name]
    assert driver.name == name
    assert driver.title
    assert {one.quantity for part in parts(name) for one in part.readings} <= driver.quantities
    assert all(isinstance(quantity, Quantity) for quantity in driver.quantities)
    assert (HERE / f"{name}.frames").read_text("utf-8").startswith("# Made here")
