"""Handheld meter that streams 11 characters: range, four digits, function, status, two options, CR, LF.

19200 baud 7O1 for 6000 counts, 2400 baud 7O1 for 4000 counts (set `baud = 2400` in the bench file). Every character
is 0x30 to 0x3F and its low nibble tells. Option `counts = 6000` (default) or `4000` chooses the tables below.

Where they are from:
* layout, status bits (judge, sign, battery, OL), option bits of both, digit codes: public wiki overview, read.
* 4000 counts, function codes, ranges of volts, ohm, mA, frequency, rpm and capacitance, judge = 1 for frequency and
  0 for rpm, digits 4000 on overload: a meter's user guide (pages on its data output), read. The single range of its
  A, diode and continuity functions is assumed (0.01 A, 1 mV, 0.1 ohm); its uA ranges are not known and are refused.
* 6000 counts, functions and ranges: those of the 22000-count sister (protocol note after the datasheet, read) with
  6 for 22 and one digit less: assumed, no sheet of this one was seen. Its frequency range 2 is filled in by the
  decade rule. Judge = 0 with frequency as duty cycle: memory. Option 2 bit 0 as auto power off: taken from the 4000.
`ranges.FUNCTION = [...]` in the bench file replaces a table when a meter differs: the power of ten of one count, in
V, A, ohm, Hz or F, by range code. Compare one reading of every range with the display before trusting an assumption.

No checksum: the places of CR and LF and the legal codes are all that proves a frame. Served 8N1 the eighth bit is
either gone (all zero) or odd parity, which is then checked; a frame that is neither is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from typing import Any

from benchd.wire import Decoder, Driver, Flag, FrameError, Quantity, Reading, SerialParams, Settings
from benchd.wire.framing import FixedFrames, Stream
from benchd.wire.options import Complaints, check_keys, one_of

LENGTH = 11
CR, LF = 0x0D, 0x0A

JUDGE, SIGN, LOW_BATTERY, OVERLOAD = 8, 4, 2, 1  # status
DC, AC, AUTO, POWER_OFF = 8, 4, 2, 1  # option 2
VAHZ = 1  # option 1 of the 4000-count layout: the display shows the frequency of the volts or amps

Powers = tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Layout:
    """One family member: functions by code, power of ten of one count by range code, flags of option 1."""

    functions: Mapping[int, str]
    ranges: Mapping[str, Powers]
    option1: Mapping[int, Flag]
    judge_off: str  # what the frequency function means with judge = 0


#: function as the tables name it -> quantity; None: volts or amps, DC or AC by option 2
FUNCTIONS: dict[str, Quantity | None] = {
    "volts": None,
    "amps": None,
    "manual amps": None,
    "milliamps": None,
    "microamps": None,
    "ohm": Quantity.RESISTANCE,
    "continuity": Quantity.RESISTANCE,
    "frequency": Quantity.FREQUENCY,
    "rpm": Quantity.SPEED,
    "temperature": Quantity.TEMPERATURE,
    "capacitance": Quantity.OTHER,
    "diode": Quantity.OTHER,
    "duty": Quantity.OTHER,
}

COMMON = {0x1: "diode", 0x2: "frequency", 0x3: "ohm", 0x5: "continuity", 0x6: "capacitance", 0xB: "volts"}

LAYOUTS = {
    6000: Layout(
        functions=COMMON | {0x0: "amps", 0x4: "temperature", 0x9: "manual amps", 0xD: "microamps", 0xF: "milliamps"},
        ranges={
            "volts": (-3, -2, -1, 0, -4),  # 6.000, 60.00, 600.0, 6000 V, 600.0 mV
            "amps": (-2,),  # 60.00 A
            "manual amps": (-3, -2, -1, 0, 1),
            "milliamps": (-5, -4),  # 60.00, 600.0 mA
            "microamps": (-7, -6),  # 600.0, 6000 uA
            "ohm": (-1, 0, 1, 2, 3, 4, 5),  # 600.0 ohm up to 600.0 Mohm
            "continuity": (-1,),
            "frequency": (-2, -1, 0, 1, 2, 3, 4, 5),  # 60.00, 600.0 Hz, 6.000, 60.00, 600.0 kHz, ...
            "capacitance": (-11, -10, -9, -8, -7, -6, -5, -4),
            "diode": (-3,),
            "duty": (-1,),
        },
        option1={8: Flag.HOLD, 4: Flag.MIN_MAX, 2: Flag.MIN_MAX},
        judge_off="duty",
    ),
    4000: Layout(
        functions=COMMON | {0x9: "milliamps", 0xD: "microamps", 0xF: "amps"},
        ranges={
            "volts": (-4, -3, -2, -1, 0),  # 400.0 mV, 4.000, 40.00, 400.0, 4000 V
            "amps": (-2,),
            "milliamps": (-5, -4),  # 40.00, 400.0 mA
            "ohm": (-1, 0, 1, 2, 3, 4),  # 400.0 ohm up to 40.00 Mohm
            "continuity": (-1,),
            "frequency": (0, 1, 2, 3, 4, 5),  # 4.000 kHz up
            "rpm": (1, 2, 3, 4, 5, 6),  # 40.00 krpm up
            "capacitance": (-12, -11, -10, -9, -8, -7, -6, -5),  # 4.000 nF up
            "diode": (-3,),
        },
        option1={},
        judge_off="rpm",
    ),
}


def may_stand(place: int, byte: int) -> bool:
    """Whether a byte may stand at this place of a frame, its eighth bit (parity seen as data) left aside."""
    code = byte & 0x7F
    if place >= LENGTH - 2:
        return code == (CR if place == LENGTH - 2 else LF)
    return 0x30 <= code <= (0x39 if 1 <= place <= 4 else 0x3F)


def check_parity(frame: bytes) -> None:
    """Refuse a frame whose eighth bits are neither all zero (stripped) nor all odd parity."""
    if any(byte & 0x80 for byte in frame) and any(byte.bit_count() % 2 == 0 for byte in frame):
        raise FrameError("seven bits, or odd parity in the eighth", frame)


def quantity_of(function: str, option2: int, frame: bytes) -> Quantity:
    """The quantity of a function of the tables; volts and amps need DC or AC, not both."""
    fixed = FUNCTIONS[function]
    if fixed is not None:
        return fixed
    if bool(option2 & DC) == bool(option2 & AC):
        raise FrameError(f"either DC or AC beside {function}", frame)
    if function == "volts":
        return Quantity.DC_VOLTS if option2 & DC else Quantity.AC_VOLTS
    return Quantity.DC_AMPS if option2 & DC else Quantity.AC_AMPS


def flags_of(layout: Layout, status: int, option1: int, option2: int) -> frozenset[Flag]:
    found = {flag for bit, flag in layout.option1.items() if option1 & bit}
    if status & LOW_BATTERY:
        found.add(Flag.LOW_BATTERY)
    if option2 & POWER_OFF:
        found.add(Flag.AUTO_POWER_OFF)
    return frozenset(found)


def decode(layout: Layout, counts: int, frame: bytes) -> Reading:
    """Turn one frame of 11 characters into a reading."""
    check_parity(frame)
    code, *digits, function_code, status, option1, option2 = (byte & 0x0F for byte in frame[:-2])
    function = layout.functions.get(function_code)
    if function == "frequency" and not status & JUDGE:
        function = layout.judge_off
    powers = layout.ranges.get(function or "", ())
    if function is None or code >= len(powers):
        raise FrameError(f"a known function and range, found code {function_code:X} ({function}), range {code}", frame)
    if not layout.option1 and option1 & VAHZ and FUNCTIONS[function] is None:
        raise FrameError(f"{function}, not the frequency of it", frame)
    quantity = quantity_of(function, option2, frame)
    flags = flags_of(layout, status, option1, option2)
    one = Decimal(1).scaleb(powers[code])
    if status & OVERLOAD:
        return Reading(quantity, None, one, flags | {Flag.OVERLOAD}, span=counts * one)
    sign = "-" if status & SIGN else ""
    text = sign + "".join(str(digit) for digit in digits)
    shown = Reading.of_text(quantity, text, powers[code], flags)
    return Reading(quantity, shown.value, one, flags, span=counts * one)


def layout_of(options: Mapping[str, Any]) -> tuple[Layout, int]:
    counts = int(options.get("counts", 6000))
    base = LAYOUTS[counts]
    own = {name: tuple(powers) for name, powers in options.get("ranges", {}).items()}
    return Layout(base.functions, {**base.ranges, **own}, base.option1, base.judge_off), counts


def make(settings: Settings) -> Decoder:
    layout, counts = layout_of(settings.options)
    return Stream(FixedFrames(LENGTH, may_stand), partial(decode, layout, counts))


def powers_complaint(value: Any) -> str | None:
    fits = isinstance(value, list) and 1 <= len(value) <= 16
    if fits and all(isinstance(power, int) and not isinstance(power, bool) and -15 <= power <= 9 for power in value):
        return None
    return f"is {value!r}, expected a list of whole numbers from -15 to 9: the power of ten of one count by range code"


def ranges_complaint(value: Any) -> str | None:
    if not isinstance(value, dict):
        return f"is {value!r}, expected a table of FUNCTION = [powers of ten]"
    found = check_keys(value, dict.fromkeys(FUNCTIONS, powers_complaint))
    return "; ".join(f"{key} {complaint}" for key, complaint in found) or None


def check(options: Mapping[str, Any]) -> Complaints:
    return check_keys(options, {"counts": one_of(6000, 4000), "ranges": ranges_complaint})


DRIVER = Driver(
    name="digits11",
    title="handheld meter, 11-character digit frame, 19200 baud",
    make=make,
    serial=SerialParams(baud=19200, data_bits=7, parity="O", dtr=True, rts=False),
    quantities=frozenset(
        {
            Quantity.DC_VOLTS,
            Quantity.AC_VOLTS,
            Quantity.DC_AMPS,
            Quantity.AC_AMPS,
            Quantity.RESISTANCE,
            Quantity.FREQUENCY,
            Quantity.SPEED,
            Quantity.TEMPERATURE,
            Quantity.OTHER,
        }
    ),
    check=check,
)
