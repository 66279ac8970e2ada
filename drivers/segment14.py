"""Handheld meter that streams its display as 14 bytes, one bit per segment and sign: 2400 baud, 8N1.

Wire format (chip overview in a public wiki, revision of 30 October 2012, read; the chip's own sheet was not seen):
the high nibble of each byte counts 1 to 14, the low nibble holds four segments or signs. There is no checksum, so
the counting and the shapes of the digits are all that proves a frame. Segment names are the wiki's, not the usual
ones: A lower left, B upper left, C top, D bottom, E lower right, F middle, G upper right.

Read strictly: exactly one quantity, at most one prefix and one decimal point, AC or DC but not both, four digits
that are digits. Anything else is a 'frame' notice, never a number. An ``L`` among blanks and zeros is overload.
A bit that flips one legal digit into another cannot be seen on this wire, nor can a cut that loses exactly one
frame's length across two frames. The four user bits of byte 14 differ from meter to meter and are not read, so a
thermometer range is a 'frame' notice.
"""

from __future__ import annotations

from benchd.wire import Driver, Flag, FrameError, Quantity, Reading, SerialParams
from benchd.wire.framing import FixedFrames, streaming

LENGTH = 14

DIGITS = {0x7D: "0", 0x05: "1", 0x5B: "2", 0x1F: "3", 0x27: "4", 0x3E: "5", 0x7E: "6", 0x15: "7", 0x7F: "8", 0x3F: "9"}
LETTER_L = 0x68
BLANK = 0x00

# (place of the byte counted from 1, bit) -> what lights up
SIGNS = {
    (1, 8): "AC", (1, 4): "DC", (1, 2): "auto", (1, 1): "RS232",
    (10, 8): "u", (10, 4): "n", (10, 2): "k", (10, 1): "diode",
    (11, 8): "m", (11, 4): "%", (11, 2): "M", (11, 1): "beep",
    (12, 8): "F", (12, 4): "ohm", (12, 2): "Rel", (12, 1): "Hold",
    (13, 8): "A", (13, 4): "V", (13, 2): "Hz", (13, 1): "low battery",
}  # fmt: skip
PREFIXES = {"n": -9, "u": -6, "m": -3, "k": 3, "M": 6}
FLAGS = {"Rel": Flag.RELATIVE, "Hold": Flag.HOLD, "low battery": Flag.LOW_BATTERY}
UNITS = frozenset({"A", "V", "Hz", "ohm", "F", "%"})
CURRENTS = {
    ("V", "DC"): Quantity.DC_VOLTS,
    ("V", "AC"): Quantity.AC_VOLTS,
    ("A", "DC"): Quantity.DC_AMPS,
    ("A", "AC"): Quantity.AC_AMPS,
}
OTHERS = {"Hz": Quantity.FREQUENCY, "ohm": Quantity.RESISTANCE, "F": Quantity.OTHER, "%": Quantity.OTHER}


def counts_on(place: int, byte: int) -> bool:
    """Whether a byte may stand at this place of a frame: its high nibble is the place counted from 1."""
    return byte >> 4 == place + 1


def quantity_of(lit: frozenset[str], frame: bytes) -> Quantity:
    """The one quantity that the lit signs name."""
    units = lit & UNITS
    if len(units) != 1:
        raise FrameError(f"exactly one unit on the display, found {sorted(units) or 'none'}", frame)
    (unit,) = units
    if unit not in ("V", "A"):
        return OTHERS[unit]
    if "diode" in lit:
        return Quantity.OTHER
    kinds = lit & {"AC", "DC"}
    if len(kinds) != 1:
        raise FrameError(f"AC or DC beside {unit}, found {sorted(kinds) or 'neither'}", frame)
    (kind,) = kinds
    return CURRENTS[unit, kind]


def shape(codes: list[int], points: list[bool], frame: bytes) -> str | None:
    """The displayed digits with their point, or None for overload; four digits, at most one point."""
    if codes.count(LETTER_L) == 1 and all(code in (LETTER_L, BLANK, 0x7D) for code in codes):
        return None
    if any(code not in DIGITS for code in codes):
        raise FrameError("four digits or an overload on the display", frame)
    if sum(points) > 1:
        raise FrameError("one decimal point on the display", frame)
    digits = [DIGITS[code] for code in codes]
    if any(points):
        digits.insert(points.index(True) + 1, ".")
    return "".join(digits)


def decode(frame: bytes) -> Reading:
    """Turn one frame of 14 bytes into a reading."""
    low = [byte & 0x0F for byte in frame]
    lit = frozenset(sign for (place, bit), sign in SIGNS.items() if low[place - 1] & bit)
    flags = frozenset(FLAGS[sign] for sign in lit if sign in FLAGS)
    quantity = quantity_of(lit, frame)
    prefixes = [PREFIXES[sign] for sign in lit if sign in PREFIXES]
    if len(prefixes) > 1:
        raise FrameError("at most one of n u m k M on the display", frame)
    codes = [(low[at] & 7) << 4 | low[at + 1] for at in (1, 3, 5, 7)]
    number = shape(codes, [bool(low[at] & 8) for at in (3, 5, 7)], frame)
    if number is None:
        return Reading(quantity, None, flags=flags | {Flag.OVERLOAD})
    sign = "-" if low[1] & 8 else ""
    return Reading.of_text(quantity, sign + number, sum(prefixes), flags)


DRIVER = Driver(
    name="segment14",
    title="handheld meter, 14-byte display frame, 2400 baud",
    make=streaming(FixedFrames(LENGTH, counts_on), decode),
    serial=SerialParams(baud=2400, dtr=True, rts=False),  # optocoupled cables draw their power from DTR over RTS
    quantities=frozenset(CURRENTS.values()) | frozenset(OTHERS.values()),
)
