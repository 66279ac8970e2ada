"""Modbus RTU panel meter or shunt transducer; which register holds what stands in the bench file.

    [instruments.panel]                     driver = "modbus"; unit_address = 1 (default), timeout_s = 0.5 (default)
    [[instruments.panel.registers]]
    point = "battery"                       the name a channel uses
    address = 0                             counted from 0, as on the wire
    type = "int16"                          uint16 int16 uint32 int32 float32
    unit = "dc volts"                       what it measures, a function's name
    scale = 0.01                            one count in V, A, Hz, ... (default 1)
    word_order = "big"                      "big" (default) or "little": which half of 32 bits comes first
    function_code = 3                       3 holding (default) or 4 input registers
    overload = [32767, -32768]              raw values that the maker uses for over-range (default none)
    resolution = 0.01                       of a float32, where its display is known

Adjacent registers are read with one request, at most 125 words (the standard's limit). Frames, CRC and PDU decoding
are pymodbus's, used without its I/O; this file adds which bytes may be the answer, since the library's hunt throws
away a good frame behind noise.

An RTU answer does not say which question it answers. On connecting and after a timeout a loopback (function 8, our
own token, another one each time) is asked until it is answered, and everything before its echo, or its refusal, is
thrown away: so a late answer is never taken for another register's. Only a unit that refuses function 8 or leaves it
unanswered, and is later than two timeouts, could be mistaken; give such a unit a long `timeout_s`.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING, Any

from benchd.wire import Decoder, Driver, Flag, Notice, Quantity, Reading, Request, SerialParams, Settings
from benchd.wire.framing import Said, garbage
from benchd.wire.options import Check, Complaints, check_keys, number, one_of, text, whole

if TYPE_CHECKING:
    from pymodbus.framer.rtu import FramerRTU

TYPES = {"uint16": "H", "int16": "h", "uint32": "I", "int32": "i", "float32": "f"}
LONGEST_READ = 125  # words
LONGEST_FRAME = 256  # bytes
LOOPBACK = 8
FIRST_TOKEN = 0xA537

#: Exception code -> its word in the application protocol.
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}


@dataclass(frozen=True, slots=True)
class Register:
    """One entry of the bench file's register list."""

    point: str
    address: int
    type: str
    quantity: Quantity
    scale: Decimal = Decimal(1)
    little: bool = False
    function_code: int = 3
    overload: tuple[float, ...] = ()
    resolution: Decimal | None = None

    @classmethod
    def of(cls, entry: Mapping[str, Any]) -> Register:
        """The register of a checked entry."""
        resolution = entry.get("resolution")
        return cls(
            entry["point"],
            entry["address"],
            entry["type"],
            Quantity(entry["unit"]),
            Decimal(str(entry.get("scale", 1))),
            entry.get("word_order", "big") == "little",
            entry.get("function_code", 3),
            tuple(entry.get("overload", ())),
            None if resolution is None else Decimal(str(resolution)),
        )

    @property
    def words(self) -> int:
        return struct.calcsize(">" + TYPES[self.type]) // 2

    def reading(self, words: list[int]) -> Reading:
        """The reading of this register's words, as they came."""
        ordered = words[::-1] if self.little else words
        raw = struct.pack(f">{len(ordered)}H", *ordered)
        (value,) = struct.unpack(">" + TYPES[self.type], raw)
        if value in self.overload:
            return Reading(self.quantity, None, flags=frozenset({Flag.OVERLOAD}), point=self.point)
        if self.type != "float32":
            return Reading(self.quantity, value * self.scale, self.resolution or abs(self.scale), point=self.point)
        exact = Decimal(shortest(value, raw))
        if not exact.is_finite():
            return Reading(self.quantity, None, flags=frozenset({Flag.NO_NUMBER}), point=self.point)
        return Reading(self.quantity, exact * self.scale, self.resolution, point=self.point)


def shortest(value: float, raw: bytes) -> str:
    """The fewest digits that give this 32-bit float again: 12.6 and not 12.6000003815."""
    if value - value != 0:
        return "NaN"
    return next(
        (s for s in (f"{value:.{n}g}" for n in range(6, 9)) if struct.pack(">f", float(s)) == raw), f"{value:.9g}"
    )


@dataclass(frozen=True, slots=True)
class Block:
    """Adjacent registers that one request reads."""

    function_code: int
    registers: tuple[Register, ...]

    @property
    def address(self) -> int:
        return self.registers[0].address

    @property
    def words(self) -> int:
        return max(one.address + one.words for one in self.registers) - self.address

    def readings(self, words: list[int]) -> list[Said]:
        first = self.address
        return [one.reading(words[one.address - first : one.address - first + one.words]) for one in self.registers]


def blocks_of(registers: list[Register]) -> list[Block]:
    """The fewest requests that read these registers and no word beside them."""
    found: list[Block] = []
    for one in sorted(registers, key=lambda register: (register.function_code, register.address)):
        last = found[-1] if found else None
        if last is not None and last.function_code == one.function_code:
            joined = Block(one.function_code, (*last.registers, one))
            if one.address <= last.address + last.words and joined.words <= LONGEST_READ:
                found[-1] = joined
                continue
        found.append(Block(one.function_code, (one,)))
    return found


class Polling:
    """Asks block after block; one question at a time, one unit."""

    def __init__(self, settings: Settings) -> None:
        options = settings.options
        registers = [Register.of(entry) for entry in options.get("registers", ())]
        points = {point for _, point in settings.functions}
        wanted = [one for one in registers if one.point in points] if points - {""} else registers
        self.blocks = blocks_of(wanted)
        self.unit = int(options.get("unit_address", 1))
        self.timeout_s = float(options.get("timeout_s", 0.5))
        self.token = FIRST_TOKEN
        self.connected()

    @cached_property
    def framer(self) -> FramerRTU:
        from pymodbus.framer.rtu import FramerRTU  # here: it costs 0.13 s and asyncio
        from pymodbus.pdu import DecodePDU

        return FramerRTU(DecodePDU(is_server=False))

    def connected(self) -> None:
        self.round = deque(self.blocks)
        self.asked: Block | None = None
        self.loopback = "due"  # then "asked", then "done"
        self.answers_loopback = False
        self.buffer = bytearray()
        self.bad_crc = b""
        self.stray = 0

    @property
    def answered(self) -> bool:
        return self.asked is None and self.loopback != "asked"

    def request(self) -> Request | None:
        """The next block's request; None once after each round, and while an answer is awaited."""
        if not self.answered:
            return None
        if self.loopback == "due":
            self.loopback = "asked"
            self.token = (self.token + 1) % 0x10000
            return self._send(self._echo())
        if not self.round:
            self.round = deque(self.blocks)
            return None
        self.asked = self.round.popleft()
        return self._send(struct.pack(">BHH", self.asked.function_code, self.asked.address, self.asked.words))

    def _echo(self) -> bytes:
        return struct.pack(">BHH", LOOPBACK, 0, self.token)

    def _send(self, pdu: bytes) -> Request:
        self.buffer.clear()
        self.bad_crc = b""
        self.stray = 0
        return Request(self.framer.encode(pdu, self.unit, 0), True, self.timeout_s)

    def receive(self, data: bytes) -> list[Said]:
        if self.answered:
            return [garbage(data, "nothing was asked")] if data else []
        self.buffer += data
        frame = self._find_answer()
        return [] if frame is None else self._take(frame)

    def _heads(self) -> list[tuple[bytes, int]]:
        """How the answer may begin, and how long it then is, without and with an exception."""
        if self.asked is None:
            return [(bytes([self.unit]) + self._echo(), 8), (bytes([self.unit, LOOPBACK | 0x80]), 5)]
        code, size = self.asked.function_code, 2 * self.asked.words
        return [(bytes([self.unit, code, size]), size + 5), (bytes([self.unit, code | 0x80]), 5)]

    def _find_answer(self) -> bytes | None:
        """The PDU of the answer once it is whole and its CRC right; keeps no more than may still become one."""
        for start in range(len(self.buffer)):
            for head, length in self._heads():
                frame = bytes(self.buffer[start : start + length])
                if len(frame) == length and frame.startswith(head):
                    if self.framer.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big")):
                        self.stray += start
                        return frame[1:-2]
                    self.bad_crc = frame
        excess = len(self.buffer) - LONGEST_FRAME
        if excess > 0:
            self.stray += excess
            del self.buffer[:excess]
        return None

    def _take(self, pdu: bytes) -> list[Said]:
        asked, self.asked = self.asked, None
        out: list[Said] = []
        if self.stray:
            out.append(Notice("garbage", f"{self.stray} bytes thrown away before an answer", self.stray))
        self.buffer.clear()
        if asked is None:
            self.loopback = "done"
            self.answers_loopback = True
            return out
        answer = self.framer.decoder.decode(pdu)
        if pdu[0] & 0x80 or answer is None:
            return [*out, self._exception(pdu[1], asked)]
        return out + asked.readings(list(answer.registers))

    def _exception(self, code: int, asked: Block) -> Notice:
        word = EXCEPTIONS.get(code, "no code of the standard")
        points = ", ".join(one.point for one in asked.registers)
        where = f"registers {asked.address} to {asked.address + asked.words - 1} ({points})"
        return Notice("error", f"exception {code} {word}: unit {self.unit}, function {asked.function_code}, {where}")

    def timed_out(self) -> list[Said]:
        """Name what came instead, and have the wire cleared before the next block."""
        if self.answered:
            return []
        if self.asked is None:
            self.loopback = "due" if self.answers_loopback else "done"
            return [Notice("timeout", f"no answer of unit {self.unit} to a loopback within {self.timeout_s:g} s")]
        asked, self.asked = self.asked, None
        self.loopback = "due"
        what = f"unit {self.unit}, registers {asked.address} to {asked.address + asked.words - 1}"
        if self.bad_crc:
            return [Notice("frame", f"CRC error in an answer of {what}: {self.bad_crc[:16].hex(' ')}")]
        count = self.stray + len(self.buffer)
        out: list[Said] = [garbage(bytes(self.buffer), "no answer among them")] if count else []
        return [*out, Notice("timeout", f"no answer of {what} within {self.timeout_s:g} s")]


def make(settings: Settings) -> Decoder:
    return Polling(settings)


def overload_complaint(value: Any) -> str | None:
    fits = isinstance(value, list) and all(isinstance(raw, int | float) and not isinstance(raw, bool) for raw in value)
    return None if fits else f"is {value!r}, expected a list of raw values"


def scale_complaint(value: Any) -> str | None:
    if isinstance(value, int | float) and not isinstance(value, bool) and 1e-9 <= abs(value) <= 1e9:
        return None
    return f"is {value!r}, expected a number other than 0, one count in the register's unit"


REGISTER_KEYS: dict[str, Check] = {
    "point": text,
    "address": whole(0, 65535),
    "type": one_of(*TYPES),
    "unit": one_of(*(quantity.value for quantity in Quantity)),
    "scale": scale_complaint,
    "word_order": one_of("big", "little"),
    "function_code": one_of(3, 4),
    "overload": overload_complaint,
    "resolution": number(1e-12, 1e9),
}
NEEDED = ("point", "address", "type", "unit")


def check_register(place: str, entry: Any) -> Complaints:
    if not isinstance(entry, dict):
        return [(place, f"is {entry!r}, expected a table")]
    found = check_keys(entry, REGISTER_KEYS, f"{place}.")
    return found + [(f"{place}.{key}", "is missing") for key in NEEDED if key not in entry]


def check(options: Mapping[str, Any]) -> Complaints:
    keys: dict[str, Check] = {
        "unit_address": whole(1, 247),
        "timeout_s": number(0.02, 10.0, "s"),
        "registers": lambda _: None,  # looked at below, entry by entry
    }
    found = check_keys(options, keys)
    registers = options.get("registers")
    if not isinstance(registers, list) or not registers:
        return [*found, ("registers", "none given: this driver needs at least one [[instruments.NAME.registers]]")]
    for place, entry in enumerate(registers):
        found += check_register(f"registers[{place}]", entry)
    points = [entry.get("point") for entry in registers if isinstance(entry, dict)]
    for point in sorted({str(point) for point in points if points.count(point) > 1}):
        found.append(("registers", f"two have the point {point!r}"))
    return found


DRIVER = Driver(
    name="modbus",
    title="Modbus RTU meter or transducer",
    make=make,
    serial=SerialParams(baud=9600),
    poll_s=0.2,
    quantities=frozenset(Quantity),
    check=check,
)
