"""What every driver owes whoever feeds it, attacked: any bytes, any cuts, noise, lost ends, late answers."""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from typing import Any

import pytest
from driver_frames import Part, parts
from hypothesis import given, settings
from hypothesis import strategies as st
from test_driver_frames import DRIVERS, PARTS

from benchd.core.readings import Flag, Notice, Quantity, Reading
from benchd.wire import Decoder

#: Bytes a decoder may keep: the longest line it takes (4096 of a recording) and what Python adds in one step.
MOST_KEPT = 4200

STREAMING = [name for name in sorted(DRIVERS) if DRIVERS[name].poll_s is None]
DISPLAYS = ["digits11", "segment14"]
TEXT = [name for name in STREAMING if name not in DISPLAYS]
#: Noise that is no character of any frame here: high nibble 0 or 15 for segment14, no digit, CR or LF for the rest.
FOREIGN = st.binary(max_size=40).map(lambda data: bytes(byte | 0xF0 if byte & 1 else 0x0B for byte in data))


def by_part(names: list[str]) -> pytest.MarkDecorator:
    chosen = [(name, part) for name, part in PARTS if name in names]
    return pytest.mark.parametrize(("name", "part"), chosen, ids=[part.place for _, part in chosen])


def retained(thing: Any, depth: int = 0) -> int:
    """Bytes and list entries that an object holds on to, through its attributes."""
    if isinstance(thing, bytes | bytearray | str):
        return len(thing)
    if isinstance(thing, list | tuple | deque):
        return len(thing) + sum(retained(one, depth + 1) for one in list(thing)[:50])
    if depth > 4 or not hasattr(thing, "__dict__"):
        return 0
    return sum(retained(one, depth + 1) for one in vars(thing).values())


def chunks_of(part: Part) -> list[bytes]:
    return [data for verb, data in part.steps if verb == ">"]


def readings_of(decoder: Decoder, pieces: list[bytes]) -> list[Reading]:
    said = [one for piece in pieces for one in decoder.receive(piece)]
    return [one for one in said if isinstance(one, Reading)]


def is_subsequence(few: list[Reading], many: list[Reading]) -> bool:
    rest = iter(many)
    return all(any(one == other for other in rest) for one in few)


def cut_up(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


@by_part(list(DRIVERS))
@given(data=st.lists(st.one_of(st.binary(max_size=64), st.sampled_from(["ask", "late", "again"])), max_size=30))
@settings(max_examples=40, deadline=None)
def test_any_bytes_at_any_time_raise_nothing(name: str, part: Part, data: list[bytes | str]) -> None:
    """Arbitrary bytes, questions, timeouts and reconnections in any order: readings and notices, no exception."""
    decoder = DRIVERS[name].make(part.settings)
    decoder.connected()
    for one in data:
        if one == "ask":
            assert decoder.request() is None or isinstance(decoder.answered, bool)
        elif one == "late":
            assert all(isinstance(said, Notice) for said in decoder.timed_out())
        elif one == "again":
            decoder.connected()
            assert decoder.answered
        else:
            said = decoder.receive(one)
            assert all(isinstance(it, Reading | Notice) for it in said)
    assert retained(decoder) < MOST_KEPT


@by_part(list(DRIVERS))
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_any_bytes_made_of_real_ones_raise_nothing(name: str, part: Part, data: st.DataObject) -> None:
    """Pieces of real traffic cut and joined anywhere, in any order, with noise."""
    sent = part.sent
    piece = st.tuples(st.integers(0, len(sent)), st.integers(0, len(sent))).map(lambda ab: sent[min(ab) : max(ab)])
    decoder = DRIVERS[name].make(part.settings)
    decoder.connected()
    for one in data.draw(st.lists(st.one_of(piece, st.binary(max_size=9)), max_size=25)):
        if decoder.request() is None and not decoder.answered and data.draw(st.booleans()):
            decoder.timed_out()
        assert all(isinstance(it, Reading | Notice) for it in decoder.receive(one))
    assert retained(decoder) < MOST_KEPT


@pytest.mark.parametrize("name", sorted(DRIVERS))
@pytest.mark.parametrize("noise", [b"\x00", b"\x55\xaa", b"1", b"12.6 ", b"\x10", b"\r", b"01265"])
def test_endless_noise_is_not_kept(name: str, noise: bytes) -> None:
    decoder = DRIVERS[name].make(next(parts(name)).settings)
    decoder.connected()
    decoder.request()
    for _ in range(40):
        decoder.receive(noise * 1000)
    assert retained(decoder) < MOST_KEPT
    assert not [one for one in decoder.receive(noise) if isinstance(one, Reading)]


@by_part(STREAMING)
@given(cuts=st.lists(st.integers(0, 10_000), max_size=20))
@settings(max_examples=40, deadline=None)
def test_cuts_change_no_reading(name: str, part: Part, cuts: list[int]) -> None:
    decoder = DRIVERS[name].make(part.settings)
    assert readings_of(decoder, cut_up(part.sent, cuts)) == readings_of(DRIVERS[name].make(part.settings), [part.sent])


@by_part([name for name in STREAMING if name != "tach-pulses"])
@given(noise=st.lists(st.tuples(st.integers(0, 100), FOREIGN), max_size=6))
@settings(max_examples=40, deadline=None)
def test_foreign_noise_anywhere_invents_nothing(name: str, part: Part, noise: list[tuple[int, bytes]]) -> None:
    """Noise between and inside frames costs the frames that it hits; what is read was sent, in its order.

    Not for a pulse count, whose frequency depends on the lines before it.
    """
    clean = readings_of(DRIVERS[name].make(part.settings), [part.sent])
    stream = bytearray(part.sent)
    for at, data in noise:
        at %= len(stream) + 1
        stream[at:at] = data
    assert is_subsequence(readings_of(DRIVERS[name].make(part.settings), [bytes(stream)]), clean)


@pytest.mark.parametrize("name", DISPLAYS)
@given(data=st.data(), noise=st.binary(max_size=40))
@settings(max_examples=200, deadline=None)
def test_display_frames_are_in_step_again_inside_one_frame(name: str, data: st.DataObject, noise: bytes) -> None:
    """A frame cut anywhere at either end, then any noise: the very next whole frame is read, and the one after it."""
    part = next(parts(name))
    frames = chunks_of(part)
    one, two, three = (data.draw(st.sampled_from(frames)) for _ in range(3))
    start, stop = data.draw(st.integers(0, len(one))), data.draw(st.integers(0, len(one)))
    expected = readings_of(DRIVERS[name].make(part.settings), [two, three])
    found = readings_of(DRIVERS[name].make(part.settings), [one[start:stop] + noise + two + three])
    assert found[len(found) - len(expected) :] == expected
    assert len(found) <= len(expected) + 1 + (len(noise) + len(one)) // len(one)


@pytest.mark.parametrize("name", TEXT)
@given(noise=st.binary(max_size=30).filter(lambda data: b"\n" not in data and b"\r" not in data))
def test_lines_are_in_step_again_after_one_line(name: str, noise: bytes) -> None:
    """Noise costs at most the line that it hits; the next one is read."""
    part = next(part for part in parts(name) if part.readings)
    header, *_ = part.sent.splitlines(keepends=True)
    body = part.sent[len(header) :]
    expected = readings_of(DRIVERS[name].make(part.settings), [header + body])
    found = readings_of(DRIVERS[name].make(part.settings), [header + noise + b"\r\n" + body])
    assert found[-len(expected) :] == expected


@pytest.mark.parametrize("name", ["tach-lines", "tach-pulses", "example-meter"])
def test_a_line_whose_start_was_not_seen_is_not_read(name: str) -> None:
    """The port opens in the middle of 3600: 600 rpm would be a lie."""
    part = next(parts(name))
    for start in range(1, 6):
        decoder = DRIVERS[name].make(part.settings)
        decoder.connected()
        assert readings_of(decoder, [b"+3600.5,77 VDC\r\n"[start:]]) == []
        decoder.connected()
        assert readings_of(decoder, [b"0\r\n"]) == []


def test_segment14_takes_no_frame_whose_counting_is_wrong() -> None:
    """Any one bit turned over in a high nibble: the frame is gone. (Its low nibbles have no redundancy.)"""
    part = next(parts("segment14"))
    for frame in chunks_of(part):
        for place in range(14):
            for bit in range(4, 8):
                spoilt = bytearray(frame)
                spoilt[place] ^= 1 << bit
                decoder = DRIVERS["segment14"].make(part.settings)
                assert readings_of(decoder, [bytes(spoilt)]) == []


def test_digits11_with_parity_takes_no_frame_with_one_bit_wrong() -> None:
    """Read through an 8N1 port, every single bit error is refused: odd parity is then checked here."""
    frame = bytes.fromhex("3131 32b6 b53b b0b0 ba0d 8a")
    for bit in range(8 * len(frame)):
        spoilt = bytearray(frame)
        spoilt[bit // 8] ^= 1 << bit % 8
        decoder = DRIVERS["digits11"].make(next(parts("digits11")).settings)
        assert readings_of(decoder, [bytes(spoilt)]) == []


#: What becomes of one question: how many of the answers still on their way arrive now, and whether this one is lost.
FATES = st.lists(st.tuples(st.integers(0, 4), st.booleans()), min_size=5, max_size=60)


class LaggingMeter:
    """A SCPI meter on a bad day: answers in order, but some late and some never; a number is its question's number."""

    def __init__(self) -> None:
        self.asked = 0
        self.function = "VOLT"

    def answer(self, question: str) -> str:
        if question.startswith("CONF:"):
            self.function = question.removeprefix("CONF:")
            return ""
        if question == "READ?":
            self.asked += 1
            return f"{self.asked}"
        return {"*IDN?": "A,B,C,D", "SYST:ERR?": '0,"No error"', "FUNC?": f'"{self.function}"'}[question]


@given(fates=FATES)
@settings(max_examples=300, deadline=None)
def test_scpi_never_takes_a_late_answer_for_the_next_one(fates: list[tuple[int, bool]]) -> None:
    """Each reading is the answer to the last READ?, and stands under the function that was set when it was asked."""
    part = next(part for part in parts("scpi") if len(part.settings.functions) == 2)
    decoder, meter = DRIVERS["scpi"].make(part.settings), LaggingMeter()
    decoder.connected()
    coming: deque[str] = deque()
    for deliver, lost in fates:
        request = decoder.request() or decoder.request()
        assert request is not None
        answer = meter.answer(request.data.decode().strip())
        if answer and not lost:
            coming.append(answer)
        wanted = Quantity.DC_VOLTS if meter.function.startswith("VOLT") else Quantity.DC_AMPS
        for _ in range(min(deliver, len(coming))):
            for said in decoder.receive(coming.popleft().encode() + b"\n"):
                if isinstance(said, Reading):
                    assert (said.quantity, said.value) == (wanted, meter.asked)
        if not decoder.answered:
            decoder.timed_out()


@given(fates=FATES, swap=st.booleans())
@settings(max_examples=300, deadline=None)
def test_modbus_never_takes_a_late_answer_for_another_register(fates: list[tuple[int, bool]], swap: bool) -> None:
    """Two registers far apart, answers alike but for the value: each value is that of its own register."""
    from pymodbus.framer.rtu import FramerRTU
    from pymodbus.pdu import DecodePDU

    framer = FramerRTU(DecodePDU(is_server=True))
    registers = [
        {"point": str(address), "address": address, "type": "uint16", "unit": "dc volts"} for address in (7, 99)
    ]
    settings_ = next(parts("modbus")).settings
    decoder = DRIVERS["modbus"].make(type(settings_)((), {"registers": registers[:: -1 if swap else 1]}))
    decoder.connected()
    coming: deque[bytes] = deque()
    loopback_seen = False
    for deliver, lost in fates:
        request = decoder.request() or decoder.request()
        assert request is not None
        _, unit, _, pdu = framer.decode(request.data)
        # the first loopback is answered at once: a unit that never shows it knows function 8 is the documented limit
        first = pdu[0] == 8 and not loopback_seen
        loopback_seen = loopback_seen or first
        reply = pdu if pdu[0] == 8 else bytes([3, 2]) + pdu[1:3]
        if not lost or first:
            coming.append(framer.encode(reply, unit, 0))
        for _ in range(min(4 if first else deliver, len(coming))):
            for said in decoder.receive(coming.popleft()):
                if isinstance(said, Reading):
                    assert str(said.value) == said.point
        if not decoder.answered:
            decoder.timed_out()


def test_driver_flags_come_with_no_number_when_over_range() -> None:
    """No frames file shows an overload that carries a value."""
    for _, part in PARTS:
        for reading in part.readings:
            assert (reading.value is None) == bool(reading.flags & {Flag.OVERLOAD, Flag.NO_NUMBER})
