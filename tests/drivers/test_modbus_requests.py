"""Which Modbus requests a register list makes, and what 32 bits mean."""

from __future__ import annotations

import struct
from decimal import Decimal
from typing import Any

import pytest
from benchd_drivers.modbus import Register, blocks_of, make, shortest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.readings import Notice, Quantity, Reading
from benchd.wire import Settings


def registers(*places: tuple[int, str, int]) -> list[Register]:
    return [Register(str(at), at, kind, Quantity.DC_VOLTS, function_code=code) for at, kind, code in places]


def asked(*places: tuple[int, str, int]) -> list[tuple[int, int, int]]:
    return [(block.function_code, block.address, block.words) for block in blocks_of(registers(*places))]


def test_adjacent_registers_are_read_together_whatever_their_order() -> None:
    assert asked((2, "float32", 3), (0, "uint16", 3), (1, "int16", 3)) == [(3, 0, 4)]


def test_words_between_registers_are_never_asked_for() -> None:
    """They may not exist, and then the whole request is refused."""
    assert asked((0, "uint16", 3), (2, "uint16", 3)) == [(3, 0, 1), (3, 2, 1)]


def test_function_codes_are_kept_apart_and_no_request_is_longer_than_125_words() -> None:
    assert asked((0, "uint16", 4), (1, "uint16", 3)) == [(3, 1, 1), (4, 0, 1)]
    many = [(2 * at, "float32", 3) for at in range(70)]
    assert asked(*many) == [(3, 0, 124), (3, 124, 16)]


@pytest.mark.parametrize(
    ("kind", "little", "words", "value"),
    [
        ("uint16", False, [0xFFFF], "65535"),
        ("int16", False, [0xFFFF], "-1"),
        ("uint32", False, [1, 2], "65538"),
        ("uint32", True, [1, 2], "131073"),
        ("int32", False, [0xFFFF, 0xFFFE], "-2"),
        ("float32", False, [0x4149, 0x999A], "12.6"),
        ("float32", True, [0x999A, 0x4149], "12.6"),
    ],
)
def test_types_and_word_orders(kind: str, little: bool, words: list[int], value: str) -> None:
    reading = Register("p", 0, kind, Quantity.DC_VOLTS, little=little).reading(words)
    assert reading.value == Decimal(value)


@pytest.mark.parametrize("words", [[0x7F80, 0], [0xFF80, 0], [0x7FC0, 0], [0x7F80, 1]])
def test_a_float_that_is_no_number_is_no_reading(words: list[int]) -> None:
    assert Register("p", 0, "float32", Quantity.DC_VOLTS).reading(words).value is None


@given(value=st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_the_shortest_digits_give_the_same_float_again(value: float) -> None:
    raw = struct.pack(">f", value)
    assert struct.pack(">f", float(shortest(value, raw))) == raw


def test_an_entry_of_the_bench_file_becomes_its_register() -> None:
    entry: dict[str, Any] = {
        "point": "a", "address": 5, "type": "int32", "unit": "dc amps", "scale": 0.001, "word_order": "little",
        "function_code": 4, "overload": [-1], "resolution": 0.01,
    }  # fmt: skip
    assert Register.of(entry) == Register(
        "a", 5, "int32", Quantity.DC_AMPS, Decimal("0.001"), True, 4, (-1,), Decimal("0.01")
    )


def test_another_units_answer_is_no_answer() -> None:
    from pymodbus.framer.rtu import FramerRTU
    from pymodbus.pdu import DecodePDU

    framer = FramerRTU(DecodePDU(is_server=False))
    entry = {"point": "a", "address": 0, "type": "uint16", "unit": "dc volts"}
    decoder = make(Settings((), {"registers": [entry]}))
    loopback = decoder.request()
    assert loopback is not None
    decoder.receive(loopback.data)
    decoder.request()
    reply = bytes([3, 2, 0, 9])
    assert decoder.receive(framer.encode(reply, 2, 0)) == []
    garbage, reading = decoder.receive(framer.encode(reply, 1, 0))
    assert isinstance(garbage, Notice)
    assert garbage.count == 7
    assert isinstance(reading, Reading)
    assert reading.value == 9


def test_only_the_points_that_the_bench_wants_are_asked_for() -> None:
    entries = [{"point": name, "address": at, "type": "uint16", "unit": "dc volts"} for at, name in enumerate("abc")]
    decoder = make(Settings(((Quantity.DC_VOLTS, "b"),), {"registers": entries}))
    loopback = decoder.request()
    assert loopback is not None
    decoder.receive(loopback.data)
    request = decoder.request()
    assert request is not None
    assert request.data[2:6] == bytes([0, 1, 0, 1])
