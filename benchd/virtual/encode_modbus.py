"""A Modbus RTU unit: answers reads of holding and input registers (functions 3, 4) and the loopback test (8).

Frames, CRC and exceptions by the public application protocol and serial-line guide; nothing is shared with the driver.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

READ_HOLDING, READ_INPUT, DIAGNOSTICS = 3, 4, 8
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4
MOST_WORDS = 125
REQUEST = 8  # bytes of every request that is answered here

#: A register's 16 bits by address; LookupError: there is none; None: the unit has failed.
Registers = Callable[[int], int | None]


def crc16(data: bytes) -> bytes:
    """The two CRC bytes as sent, low one first: start 0xFFFF, reflected polynomial 0xA001."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)


def framed(unit: int, pdu: bytes) -> bytes:
    body = bytes([unit]) + pdu
    return body + crc16(body)


class Unit:
    """One unit on the wire."""

    def __init__(self, address: int, registers: Registers) -> None:
        self.address, self.registers = address, registers
        self._buffer = bytearray()

    def forget(self) -> None:
        """The wire was opened anew."""
        self._buffer.clear()

    def feed(self, data: bytes) -> bytes:
        """Bytes from the wire to the answer's bytes, b'' while no request to this unit is whole."""
        self._buffer += data
        answers = b""
        while len(self._buffer) >= REQUEST:
            request = bytes(self._buffer[:REQUEST])
            if crc16(request[:-2]) != request[-2:]:
                del self._buffer[0]
                continue
            del self._buffer[:REQUEST]
            if request[0] == self.address:
                answers += framed(self.address, self._answer(request[1:-2]))
        return answers

    def _answer(self, pdu: bytes) -> bytes:
        function, first, second = struct.unpack(">BHH", pdu)
        if function == DIAGNOSTICS and first == 0:
            return pdu
        if function not in (READ_HOLDING, READ_INPUT):
            return bytes([function | 0x80, ILLEGAL_FUNCTION])
        if not 1 <= second <= MOST_WORDS:
            return bytes([function | 0x80, ILLEGAL_VALUE])
        try:
            words = [self.registers(address) for address in range(first, first + second)]
        except LookupError:
            return bytes([function | 0x80, ILLEGAL_ADDRESS])
        whole = [word for word in words if word is not None]
        if len(whole) < len(words):
            return bytes([function | 0x80, DEVICE_FAILURE])
        return struct.pack(f">BB{second}H", function, 2 * second, *(word & 0xFFFF for word in whole))
