"""The virtual instruments' bytes: against published vectors, and read back by the drivers, which share no code."""

import random
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd import registry
from benchd.core.readings import Flag, Quantity, Reading
from benchd.virtual import encode_digits11, encode_modbus, encode_scpi, encode_segment14, encode_tach
from benchd.virtual.display import on_display
from benchd.virtual.instruments import cut_somewhere
from benchd.wire import Settings


def read(driver: str, data: bytes, **options):
    decoder = registry.drivers()[driver].make(Settings(options=options))
    decoder.connected()
    return decoder.receive(data)


# --- Modbus ---------------------------------------------------------------------------------------------------------


def test_crc_is_that_of_the_published_check_value_and_frames():
    # CRC catalogue's check value of "123456789", 0x4B37 (read); low byte first.
    assert encode_modbus.crc16(b"123456789") == bytes.fromhex("37 4B")
    # Frames printed in controller manuals and on web pages (read).
    for frame in ("01 03 00 00 00 0A C5 CD", "02 03 00 00 00 0A C5 FE", "03 03 00 00 00 0A C4 2F"):
        whole = bytes.fromhex(frame)
        assert encode_modbus.crc16(whole[:-2]) == whole[-2:]


def unit(address: int, *words: int | None) -> encode_modbus.Unit:
    return encode_modbus.Unit(address, dict(enumerate(words)).__getitem__)


def test_a_read_is_answered_as_a_controller_manual_prints_it():
    # 02 03 00 00 00 03 05 F8 -> 02 03 06 00 00 00 01 00 02 E5 84 (controller manual, read)
    ask = bytes.fromhex("02 03 00 00 00 03 05 F8")
    assert unit(2, 0, 1, 2).feed(ask) == bytes.fromhex("02 03 06 00 00 00 01 00 02 E5 84")


def test_a_bad_count_is_refused_as_the_manual_prints_it():
    # 02 83 03 F1 31: exception 3 to function 3 (controller manual, read)
    assert unit(2, 0).feed(encode_modbus.framed(2, bytes.fromhex("03 00 00 00 7E"))) == bytes.fromhex("02 83 03 F1 31")


@pytest.mark.parametrize(
    ("pdu", "answer"),
    [
        ("08 00 00 A5 37", "08 00 00 A5 37"),  # loopback
        ("03 00 05 00 01", "83 02"),  # no such register
        ("06 00 00 00 01", "86 01"),  # a function it has not
        ("03 00 01 00 01", "83 04"),  # the unit has failed
    ],
)
def test_loopback_and_exceptions(pdu, answer):
    said = unit(1, 7, None).feed(encode_modbus.framed(1, bytes.fromhex(pdu)))
    assert said == encode_modbus.framed(1, bytes.fromhex(answer))


def test_noise_another_units_request_and_a_request_in_two_parts():
    ask = encode_modbus.framed(1, bytes.fromhex("04 00 00 00 01"))
    one = unit(1, 0x1234)
    assert one.feed(b"\xff\x00" + encode_modbus.framed(9, bytes.fromhex("03 00 00 00 01"))) == b""
    assert one.feed(ask[:3]) == b""
    assert one.feed(ask[3:]) == encode_modbus.framed(1, bytes.fromhex("04 02 12 34"))


@given(st.integers(-32768, 32766))
def test_an_independent_library_reads_the_answers(counts):
    from pymodbus.framer.rtu import FramerRTU
    from pymodbus.pdu import DecodePDU

    said = unit(17, counts & 0xFFFF).feed(encode_modbus.framed(17, bytes.fromhex("03 00 00 00 01")))
    framer = FramerRTU(DecodePDU(is_server=False))
    used, device, _, pdu = framer.decode(said)
    assert (used, device) == (len(said), 17)
    assert framer.decoder.decode(pdu).registers == [counts & 0xFFFF]


# --- display frames ---------------------------------------------------------------------------------------------------


def test_segments_are_those_of_the_published_digit_codes():
    # Computed from the wiki's segment table (revision of 30 October 2012, read).
    published = "7D 05 5B 1F 27 3E 7E 15 7F 3F"
    assert bytes(map(encode_segment14.segments, "0123456789")) == bytes.fromhex(published)
    assert encode_segment14.segments("L") == 0x68


def test_a_14_byte_frame_by_the_published_layout():
    # 12.65 V DC, automatic, output on; made by hand from the same table for the driver's tests.
    wanted = "17 20 35 45 5b 6f 7e 83 9e a0 b0 c0 d4 e0"
    assert encode_segment14.frame(12.65, 0.01, "dc volts") == bytes.fromhex(wanted)


def test_an_11_byte_frame_by_the_published_layout():
    assert encode_digits11.frame(12.65, 0.01, "dc volts") == b"11265;00:\r\n"
    assert encode_digits11.frame(360.0, 0.1, "frequency") == b"136002802\r\n"


ENCODERS = {"segment14": encode_segment14.frame, "digits11": encode_digits11.frame}
FUNCTIONS = {
    "segment14": ["dc volts", "ac volts", "dc amps", "ac amps", "frequency", "resistance"],
    "digits11": ["dc volts", "ac volts", "dc amps", "ac amps", "frequency", "resistance"],
}


@pytest.mark.parametrize("driver", ENCODERS)
@given(counts=st.integers(-5999, 5999), places=st.sampled_from([0, 1, 2, 3]), which=st.integers(0, 3))
def test_volts_and_amps_come_back_as_they_were_shown(driver, counts, places, which):
    function = FUNCTIONS[driver][which]
    value, digit = counts / 10**places, 10.0**-places
    frame = ENCODERS[driver](value, digit, function)
    (said,) = read(driver, frame)
    assert isinstance(said, Reading)
    assert said.quantity == Quantity(function)
    if Flag.OVERLOAD in said.flags:  # amps have one range in the 11-byte table
        assert driver == "digits11"
        assert "amps" in function
        assert abs(value) >= 99.99
    else:
        assert abs(float(said.value) - value) <= float(said.resolution) / 2 * 1.0001


@pytest.mark.parametrize("driver", ENCODERS)
@pytest.mark.parametrize("function", ["frequency", "resistance"])
def test_hertz_and_ohms(driver, function):
    (said,) = read(driver, ENCODERS[driver](353.9, 0.1, function))
    assert (said.quantity, said.value, said.resolution) == (Quantity(function), Decimal("353.9"), Decimal("0.1"))


@pytest.mark.parametrize("driver", ENCODERS)
def test_hold_overload_and_low_battery(driver):
    encode = ENCODERS[driver]
    (held,) = read(driver, encode(14.2, 0.01, "dc volts", hold=True, low_battery=True))
    assert held.flags == {Flag.HOLD, Flag.LOW_BATTERY}
    (over,) = read(driver, encode(None, 0.01, "ac volts"))
    assert (over.quantity, over.value, over.flags) == (Quantity.AC_VOLTS, None, {Flag.OVERLOAD})


def test_a_display_gives_up_decimals_before_it_overflows():
    assert on_display(-99.996, 0.01).digits == "1000"
    assert on_display(-99.996, 0.01).decimals == 1
    assert on_display(10000.0, 0.01) is None
    assert on_display(-0.004, 0.01).negative is False


# --- cut frames ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("driver", [*ENCODERS, "tach-lines"])
def test_no_reading_is_invented_from_cut_frames(driver):
    rng = random.Random(4)

    def frame():
        if driver == "tach-lines":
            return encode_tach.rpm_line(3541.0)
        return ENCODERS[driver](34.56, 0.01, "ac volts")

    wanted = read(driver, frame() * 2)[-1]
    data = b"".join(cut_somewhere(frame(), rng) if rng.random() < 0.5 else frame() for _ in range(400))
    options = {"pattern": "(?P<rpm>[0-9]{5}) rpm"} if driver == "tach-lines" else {}
    said = [one for one in read(driver, data, **options) if isinstance(one, Reading)]
    assert len(said) > 50
    assert {(one.value, one.resolution) for one in said} == {(wanted.value, wanted.resolution)}


# --- lines ------------------------------------------------------------------------------------------------------------


def test_tachometer_lines():
    lines = encode_tach.rpm_line(0.0) + encode_tach.rpm_line(3541.4) + encode_tach.rpm_line(None)
    first, second = read("tach-lines", lines)  # the first line after connecting is not trusted
    assert (first.quantity, first.value) == (Quantity.SPEED, 3541)
    assert second.value is None


def test_pulse_lines_give_the_frequency_again():
    counter = encode_tach.PulseCounter(pulses_per_rev=2.0)
    data = b"".join(counter.line(0.1 * step, 3600.0) for step in range(40))
    said = [one for one in read("tach-pulses", data) if isinstance(one, Reading)]
    assert said
    assert all(abs(float(one.value) - 120.0) <= float(one.resolution) for one in said)


# --- SCPI -------------------------------------------------------------------------------------------------------------


def test_a_scpi_meter_follows_the_public_conventions():
    meter = encode_scpi.Meter(lambda function: (12.65, 0.001), "ac volts")
    assert meter.answer("*IDN?").count(",") == 3  # four fields (IEEE 488.2, read in three manuals)
    assert meter.answer("FUNC?") == '"VOLT:AC"'
    assert meter.answer("CONFigure:VOLTage:DC") is None
    assert meter.answer(":SENSe:FUNCtion?") is None  # not known by this header
    assert meter.answer("SYSTem:ERRor?") == '-113,"Undefined header;:SENSe:FUNCtion?"'
    assert meter.answer("syst:err?") == '0,"No error"'
    assert meter.answer("FUNC?") == '"VOLT:DC"'
    assert meter.answer("READ?") == "+12.650"
    for _ in range(25):
        meter.answer("NONSENSE")
    errors = [meter.answer("SYST:ERR?") for _ in range(21)]
    assert errors[19] == '-350,"Queue overflow"'
    assert errors[20] == '0,"No error"'
    meter.answer("NONSENSE")
    meter.answer("*CLS")
    assert meter.answer("SYST:ERR?") == '0,"No error"'


def test_scpi_overload_is_9_9e37():
    meter = encode_scpi.Meter(lambda function: (None, 0.01))
    assert float(meter.answer("READ?")) == pytest.approx(9.9e37)
    meter.locked = True
    meter.answer("CONF:CURR:DC")
    assert meter.answer("SYST:ERR?").startswith("-221")
