"""The wire formats against what others print of them: SCPI numbers and errors, Modbus frames, display frames.

Beside each check stands where it is from and whether that text was read, is remembered, or was computed here by
other code than the project's. Standards bodies' own documents were mostly not at hand, so most reads are secondary.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from benchd_drivers import digits11, modbus, scpi, segment14

from benchd.core.readings import Flag, Quantity, Reading
from benchd.wire import Decoder, Settings


def readings(decoder: Decoder, data: bytes) -> list[Reading]:
    return [one for one in decoder.receive(data) if isinstance(one, Reading)]


# --- SCPI-1999 / IEEE 488.2 ---


@pytest.mark.parametrize(
    ("text", "flag"),
    [
        ("9.91e37", Flag.NO_NUMBER),  # read: public drivers' tests
        ("9.91E37", Flag.NO_NUMBER),  # read: the same
        ("9.91000E+37", Flag.NO_NUMBER),  # read: the same
        ("+9.90000000E+37", Flag.OVERLOAD),  # memory: usual form of bench meters
        ("9.9E37", Flag.OVERLOAD),  # read: six public drivers agree on infinity; the standard's text is memory
        ("-9.9E37", Flag.OVERLOAD),  # read: the same
        ("9.9E+37", Flag.OVERLOAD),  # computed: another spelling of the same number
    ],
)
def test_scpi_infinity_and_not_a_number_are_no_values(text: str, flag: Flag) -> None:
    reading = scpi.reading_of(Quantity.DC_VOLTS, text)
    assert (reading.value, reading.flags) == (None, {flag})


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", "12"),  # NR1, read: two instrument manuals (by NRf)
        ("-3", "-3"),  # NR1, read
        ("12.0", "12.0"),  # NR2, memory of IEEE 488.2
        ("-0.35", "-0.35"),  # NR2, memory
        ("1.20E+01", "12.0"),  # NR3, memory
        ("+1.26470000E+01", "12.647"),  # NR3 padded to nine digits, memory
    ],
)
def test_scpi_numbers_of_every_form(text: str, value: str) -> None:
    assert scpi.reading_of(Quantity.DC_VOLTS, text).value == Decimal(value)


@pytest.mark.parametrize("text", ["", "NAN", "inf", "1,2", "1.2 V", "1_2", "1e400", "0x12", "--1", "１２"])
def test_what_scpi_does_not_call_a_number_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a displayed number"):
        scpi.reading_of(Quantity.DC_VOLTS, text)


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ('0,"No error"', 0, "No error"),  # read: four instrument manuals
        ('+0,"No error"', 0, "No error"),  # read: differences met in public text
        ("0,No error", 0, "No error"),  # read: the same
        ("-000 No error", 0, "an error of the instrument's own"),  # read: the same; words of code 0 are not shown
        ('-113,"Undefined header"', -113, "Undefined header"),  # read: instrument manuals
        ('-222,"Data out of range"', -222, "Data out of range"),  # read
        ('-350,"Queue overflow"', -350, "Queue overflow"),  # read
        ("-113", -113, "command error"),  # class of -100..-199, read: one manual
        ("-221", -221, "execution error"),  # classes of -200, -300, -400: memory
        ("-310", -310, "device-dependent error"),
        ("-410", -410, "query error"),
        ("532", 532, "an error of the instrument's own"),  # read: positive codes belong to the device
    ],
)
def test_scpi_error_entries(text: str, code: int, words: str) -> None:
    assert scpi.error_of(text) == (code, words)


# --- Modbus RTU ---

CRC_FRAMES = [
    "01 03 00 00 00 0A C5 CD",  # these four read: public web pages, recomputed
    "02 03 00 00 00 0A C5 FE",
    "03 03 00 00 00 0A C4 2F",
    "01 06 00 01 00 03 98 0B",
    "02 03 00 00 00 03 05 F8",  # request, reply and error reply read: a controller's manual
    "02 03 06 00 00 00 01 00 02 E5 84",
    "02 83 03 F1 31",
    "02 07 41 12",  # the serial-line specification's worked example, memory, recomputed
    "11 03 00 6B 00 03 76 87",  # the application protocol's example with address 17, memory, CRC computed
    "11 03 06 02 2B 00 00 00 64 C8 BA",
]


def crc_by_bits(data: bytes) -> int:
    """CRC-16 by its definition: start 0xFFFF, reflected polynomial 0xA001. Read; check value 0x4B37 for 123456789."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def panel(unit: int, *registers: tuple[int, str]) -> Decoder:
    entries = [{"point": str(at), "address": at, "type": kind, "unit": "other"} for at, kind in registers]
    decoder = modbus.make(Settings((), {"unit_address": unit, "registers": entries}))
    loopback = decoder.request()
    assert loopback is not None
    decoder.receive(loopback.data)  # function 8 answers with its own bytes: memory
    assert decoder.answered
    return decoder


def test_the_definition_used_here_gives_the_published_check_value() -> None:
    assert crc_by_bits(b"123456789") == 0x4B37


@pytest.mark.parametrize("frame", CRC_FRAMES)
def test_modbus_frames_end_in_their_crc_low_byte_first(frame: str) -> None:
    from pymodbus.framer.rtu import FramerRTU

    data = bytes.fromhex(frame)
    assert FramerRTU.compute_CRC(data[:-2]).to_bytes(2, "big") == data[-2:]
    assert crc_by_bits(data[:-2]).to_bytes(2, "little") == data[-2:]


@pytest.mark.parametrize(
    ("unit", "address", "request_", "reply", "values"),
    [
        (0x02, 0x00, "02 03 00 00 00 03 05 F8", "02 03 06 00 00 00 01 00 02 E5 84", [0, 1, 2]),
        (0x11, 0x6B, "11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA", [555, 0, 100]),
    ],
)
def test_modbus_published_question_and_answer(
    unit: int, address: int, request_: str, reply: str, values: list[int]
) -> None:
    """The driver asks exactly the published request and reads the published reply (sources as above)."""
    decoder = panel(unit, *((address + at, "uint16") for at in range(3)))
    asked = decoder.request()
    assert asked is not None
    assert asked.data == bytes.fromhex(request_)
    assert [one.value for one in readings(decoder, bytes.fromhex(reply))] == values


def test_modbus_published_error_reply_is_named() -> None:
    """Exception 3 is 'illegal data value' (read); the reply frame is the controller manual's."""
    decoder = panel(2, (0, "uint16"))
    decoder.request()
    (notice,) = decoder.receive(bytes.fromhex("02 83 03 F1 31"))
    assert not isinstance(notice, Reading)
    assert "exception 3 illegal data value" in notice.text


def test_modbus_reply_with_its_crc_bytes_swapped_is_no_answer() -> None:
    """One manual labels the bytes the other way round; by value the low byte goes first (read: the contradiction)."""
    decoder = panel(2, *((at, "uint16") for at in range(3)))
    decoder.request()
    assert decoder.receive(bytes.fromhex("02 03 06 00 00 00 01 00 02 84 E5")) == []
    (notice,) = decoder.timed_out()
    assert not isinstance(notice, Reading)
    assert "CRC error" in notice.text


# --- the 14-byte display frame ---

# Read: wiki page on meter chips (FS9721_LP3), revision of 30 October 2012. Bits 3..0 of each byte's low nibble.
SEGMENT_BYTES = """AC DC Auto RS232 | minus 1A 1B 1C | 1D 1E 1F 1G | DP1 2A 2B 2C | 2D 2E 2F 2G | DP2 3A 3B 3C | 3D 3E 3F 3G
| DP3 4A 4B 4C | 4D 4E 4F 4G | u n k diode | m % M beep | F ohm Rel Hold | A V Hz low-battery | user user user user"""
# Computed from that page's drawing: C top, B upper left, G upper right, F middle, A lower left, E lower right, D bottom.
SEGMENTS = {
    "0": "ABCDEG", "1": "EG", "2": "ACDFG", "3": "CDEFG", "4": "BEFG", "5": "BCDEF", "6": "ABCDEF", "7": "CEG",
    "8": "ABCDEFG", "9": "BCDEFG", "L": "ABD", " ": "",
}  # fmt: skip


def lit(shown: str, signs: str) -> bytes:
    """The frame in which exactly these lights are on, from the published drawing alone."""
    on = set(signs.split())
    place = 0
    for character in shown.removeprefix("-"):
        if character == ".":
            on.add(f"DP{place}")
            continue
        place += 1
        on |= {f"{place}{segment}" for segment in SEGMENTS[character]}
    if shown.startswith("-"):
        on.add("minus")
    rows = [row.split() for row in SEGMENT_BYTES.split("|")]
    nibbles = [sum(8 >> bit for bit, name in enumerate(row) if name in on) for row in rows]
    return bytes((at + 1) << 4 | nibble for at, nibble in enumerate(nibbles))


def shown_by(frame: bytes) -> Reading:
    (reading,) = readings(segment14.DRIVER.make(Settings()), frame)
    return reading


@pytest.mark.parametrize("digit", "0123456789")
@pytest.mark.parametrize("place", range(4))
def test_segment_frame_every_digit_in_every_place(digit: str, place: int) -> None:
    shown = ["3", "1", "8", "5"]
    shown[place] = digit
    text = "".join(shown[:2]) + "." + "".join(shown[2:])
    reading = shown_by(lit(text, "DC V Auto RS232"))
    assert (reading.quantity, reading.value, reading.resolution) == (Quantity.DC_VOLTS, Decimal(text), Decimal("0.01"))


def test_segment_codes_are_the_published_ones() -> None:
    """Seven bits A B C D E F G of each shape, as computed from the drawing."""
    codes = {shape: sum(64 >> "ABCDEFG".index(segment) for segment in segments) for shape, segments in SEGMENTS.items()}
    assert codes == {"L": segment14.LETTER_L, " ": segment14.BLANK} | {
        digit: code for code, digit in segment14.DIGITS.items()
    }


@pytest.mark.parametrize(
    ("shown", "signs", "quantity", "value"),
    [
        ("-0.037", "DC m V", Quantity.DC_VOLTS, "-0.000037"),
        ("28.50", "AC V", Quantity.AC_VOLTS, "28.50"),
        ("3.999", "DC A", Quantity.DC_AMPS, "3.999"),
        ("399.9", "AC u A", Quantity.AC_AMPS, "0.0003999"),
        ("0360", "Hz", Quantity.FREQUENCY, "360"),
        ("3.600", "k Hz", Quantity.FREQUENCY, "3600"),
        ("0.52", "ohm", Quantity.RESISTANCE, None),  # three digits and a blank place: not a whole display
        ("1.000", "M ohm", Quantity.RESISTANCE, "1000000"),
    ],
)
def test_segment_frame_units_and_prefixes(shown: str, signs: str, quantity: Quantity, value: str | None) -> None:
    found = readings(segment14.DRIVER.make(Settings()), lit(shown, signs))
    assert [(one.quantity, one.value) for one in found] == ([(quantity, Decimal(value))] if value else [])


@pytest.mark.parametrize("shown", [" 0L ", " 0.L ", "  L ", "0L  "])
def test_segment_frame_overload_shapes(shown: str) -> None:
    """Common practice, no source: meters show OL with and without a point, in one or another place."""
    reading = shown_by(lit(shown, "M ohm"))
    assert (reading.value, reading.flags) == (None, {Flag.OVERLOAD})


@pytest.mark.parametrize(
    ("sign", "flag"), [("Rel", Flag.RELATIVE), ("Hold", Flag.HOLD), ("low-battery", Flag.LOW_BATTERY)]
)
def test_segment_frame_flags(sign: str, flag: Flag) -> None:
    assert shown_by(lit("12.65", f"DC V {sign}")).flags == {flag}


# --- the 11-character digit frame ---


def digit_frame(range_: str, digits: str, function: str, status: str, option1: str, option2: str) -> bytes:
    """Seven-bit codes as the sources print them: 011 and four bits."""
    bits = [range_, *(f"{int(digit):04b}" for digit in digits), function, status, option1, option2]
    return bytes(int("011" + one, 2) for one in bits) + bytes([0b0001101, 0b0001010])


# Read: a 4000-count meter's user guide, pages on its data output (function and range tables, judge, 4000 on overload).
GUIDE = [
    ("0000", "1011", "1000", Quantity.DC_VOLTS, "0.4000"),
    ("0001", "1011", "1000", Quantity.DC_VOLTS, "4.000"),
    ("0010", "1011", "1000", Quantity.DC_VOLTS, "40.00"),
    ("0011", "1011", "0100", Quantity.AC_VOLTS, "400.0"),
    ("0100", "1011", "0100", Quantity.AC_VOLTS, "4000"),
    ("0000", "1001", "1000", Quantity.DC_AMPS, "0.04000"),
    ("0001", "1001", "0100", Quantity.AC_AMPS, "0.4000"),
    ("0000", "0011", "0000", Quantity.RESISTANCE, "400.0"),
    ("0001", "0011", "0000", Quantity.RESISTANCE, "4000"),
    ("0101", "0011", "0000", Quantity.RESISTANCE, "40.00E6"),
    ("0000", "0110", "0000", Quantity.OTHER, "4.000E-9"),
    ("0111", "0110", "0000", Quantity.OTHER, "40.00E-3"),
]


@pytest.mark.parametrize(("range_", "function", "option2", "quantity", "full"), GUIDE)
def test_digit_frame_full_scale_of_each_published_range(
    range_: str, function: str, option2: str, quantity: Quantity, full: str
) -> None:
    decoder = digits11.DRIVER.make(Settings((), {"counts": 4000}))
    (reading,) = readings(decoder, digit_frame(range_, "4000", function, "0000", "0000", option2))
    assert (reading.quantity, reading.value, reading.span) == (quantity, Decimal(full), Decimal(full))


@pytest.mark.parametrize(
    ("judge", "quantity", "full"), [("1000", Quantity.FREQUENCY, "4000"), ("0000", Quantity.SPEED, "40000")]
)
def test_digit_frame_judge_tells_hertz_from_rpm(judge: str, quantity: Quantity, full: str) -> None:
    """4.000 kHz or 40.00 krpm in range 0 (read: the same guide)."""
    decoder = digits11.DRIVER.make(Settings((), {"counts": 4000}))
    (reading,) = readings(decoder, digit_frame("0000", "4000", "0010", judge, "0000", "0000"))
    assert (reading.quantity, reading.value) == (quantity, Decimal(full))


def test_digit_frame_status_and_options_of_6000_counts() -> None:
    """Judge, sign, battery, OL; HOLD, MAX, MIN; DC, AC (read: public wiki overview of the family)."""
    decoder = digits11.DRIVER.make(Settings())
    cases = [
        ("0100", "0000", "-12.65", set()),
        ("0010", "0000", "12.65", {Flag.LOW_BATTERY}),
        ("0001", "0000", None, {Flag.OVERLOAD}),
        ("0000", "1000", "12.65", {Flag.HOLD}),
        ("0000", "0100", "12.65", {Flag.MIN_MAX}),
        ("0000", "0010", "12.65", {Flag.MIN_MAX}),
    ]
    for status, option1, value, flags in cases:
        (reading,) = readings(decoder, digit_frame("0001", "1265", "1011", status, option1, "1010"))
        assert (reading.value, reading.flags) == (value and Decimal(value), flags)


# Read: protocol note of the 22000-count sister after its datasheet. That the 6000-count one has the same codes with 6
# for 22 and one digit less is assumed; this check only holds the driver to that assumption.
SISTER = {
    "1011": ["2.2000", "22.000", "220.00", "2200.0", "0.22000"],
    "0011": ["220.00", "2.2000E3", "22.000E3", "220.00E3", "2.2000E6", "22.000E6", "220.00E6"],
    "0000": ["22.000"],
    "1001": ["2.2000", "22.000", "220.00", "2200.0", "22000"],
}


@pytest.mark.parametrize("function", SISTER)
def test_digit_frame_ranges_of_6000_counts_follow_the_sister(function: str) -> None:
    for code, full in enumerate(SISTER[function]):
        decoder = digits11.DRIVER.make(Settings())
        (reading,) = readings(decoder, digit_frame(f"{code:04b}", "6000", function, "0000", "0000", "1000"))
        assert reading.value == Decimal(full) * 60 / 22
