"""Example of a driver in a package of your own: a bench meter (invented) that sends ``+12.647 VDC`` lines.

Register it in your pyproject.toml, and `benchd meters` finds it:

    [project.entry-points."benchd.drivers"]
    example-meter = "example_meter:DRIVER"
"""

from benchd.wire import Driver, Flag, FrameError, Quantity, Reading, SerialParams
from benchd.wire.framing import Lines, streaming

UNITS = {  # unit as sent -> (quantity, power of ten to V, A, Hz)
    "VDC": (Quantity.DC_VOLTS, 0),
    "mVDC": (Quantity.DC_VOLTS, -3),
    "VAC": (Quantity.AC_VOLTS, 0),
}


def decode(line: bytes) -> Reading:
    try:
        number, unit = line.decode("ascii").split()
        quantity, exponent = UNITS[unit]
    except (ValueError, KeyError) as error:
        raise FrameError("a line like '+12.647 VDC'", line) from error
    if number == "OL":
        return Reading(quantity, None, flags=frozenset({Flag.OVERLOAD}))
    return Reading.of_text(quantity, number, exponent)


DRIVER = Driver(
    name="example-meter",
    title="example bench meter, lines of text",
    make=streaming(Lines(end=b"\r\n", limit=64), decode),
    serial=SerialParams(baud=9600),
    quantities=frozenset(quantity for quantity, _ in UNITS.values()),
)
