"""The virtual instruments: what a meter shows, put into the bytes of its own family and onto its outlet."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from benchd.virtual import encode_digits11, encode_modbus, encode_scpi, encode_segment14, encode_tach
from benchd.virtual.meters import Shown
from benchd.virtual.serve import Answering, Outlet, TcpOutlet, stream_outlet

VISA_FORM = "visa:TCPIP0::127.0.0.1::{port}::SOCKET"
OVER_RANGE = 0x7FFF  # raw counts of the transducer on overload
LONGEST_LINE = 256

Encode = Callable[[Shown], bytes]


class Instrument(Protocol):
    """One instrument on one outlet. `show` is called with every new display, None while the meter says nothing."""

    outlet: Outlet

    def show(self, shown: Shown | None) -> None: ...


def cut_somewhere(frame: bytes, rng: random.Random) -> bytes:
    """The start of a frame, its end lost."""
    return frame[: rng.randrange(1, len(frame) - 1)]


class Streaming:
    """Sends its display by itself, once for every time it changes."""

    def __init__(self, path: Path, encode: Encode, rng: random.Random) -> None:
        self.outlet = stream_outlet(path)
        self._encode, self._rng = encode, rng

    def show(self, shown: Shown | None) -> None:
        if shown is None:
            return
        frame = self._encode(shown)
        self.outlet.send(shown.garbage + (cut_somewhere(frame, self._rng) if shown.cut else frame))


def segment14(function: str) -> Encode:
    def encode(shown: Shown) -> bytes:
        value = None if shown.overload else shown.value
        return encode_segment14.frame(
            value, shown.digit, shown.wrong_function or function, hold=shown.hold, low_battery=shown.low_battery
        )

    return encode


def digits11(function: str) -> Encode:
    def encode(shown: Shown) -> bytes:
        value = None if shown.overload else shown.value
        return encode_digits11.frame(
            value, shown.digit, shown.wrong_function or function, hold=shown.hold, low_battery=shown.low_battery
        )

    return encode


def tach_line(shown: Shown) -> bytes:
    return encode_tach.rpm_line(None if shown.overload else shown.value, shown.digit)


class Asked:
    """An instrument that answers what it is asked, from the display it has just then."""

    outlet: Outlet

    def __init__(self, rng: random.Random) -> None:
        self.shown: Shown | None = None
        self._rng = rng
        self._cut = False

    def show(self, shown: Shown | None) -> None:
        self.shown = shown
        self._cut = shown is not None and shown.cut

    def _spoiled(self, answer: bytes) -> bytes:
        """The answer as it gets through: at most one is cut for each display that comes cut."""
        if not self._cut or len(answer) < 3:
            return answer
        self._cut = False
        return cut_somewhere(answer, self._rng)


class ScpiMeter(Asked):
    """A bench meter on TCP."""

    def __init__(self, function: str, rng: random.Random) -> None:
        super().__init__(rng)
        self.meter = encode_scpi.Meter(self._measure, function)
        self.outlet = TcpOutlet(self._connect, VISA_FORM)

    def show(self, shown: Shown | None) -> None:
        super().show(shown)
        if shown is not None and shown.wrong_function is not None:
            self.meter.function, self.meter.locked = shown.wrong_function, True

    def _connect(self) -> Answering:
        buffer = bytearray()

        def answer(data: bytes) -> bytes:
            buffer.extend(data)
            said = b""
            while (at := buffer.find(b"\n")) >= 0:
                line = bytes(buffer[:at]).decode("ascii", errors="replace")
                del buffer[: at + 1]
                said += self._line(line)
            del buffer[:-LONGEST_LINE]
            return said

        return answer

    def _line(self, line: str) -> bytes:
        if self.shown is None:  # asleep
            return b""
        text = self.meter.answer(line)
        return b"" if text is None else self._spoiled(text.encode("ascii") + b"\n")

    def _measure(self, function: str) -> tuple[float | None, float] | None:
        shown = self.shown
        if shown is None or shown.hold:  # held: READ? waits for a reading that does not come
            return None
        return (None if shown.overload else shown.value), shown.digit


class Transducer(Asked):
    """A shunt transducer on a Modbus line: input 0 holds signed counts of `digit` each."""

    UNIT = 1
    REGISTER = 0

    def __init__(self, path: Path, digit: float, rng: random.Random) -> None:
        super().__init__(rng)
        self.digit = digit
        self.outlet = stream_outlet(path, self._connect)

    def _connect(self) -> Answering:
        unit = encode_modbus.Unit(self.UNIT, self._register)

        def answer(data: bytes) -> bytes:
            if self.shown is None:
                unit.forget()
                return b""
            said = unit.feed(data)
            return self._spoiled(said) if said else b""

        return answer

    def _register(self, address: int) -> int | None:
        if address != self.REGISTER:
            raise LookupError(address)
        return None if self.shown is None or self.shown.wrong_function is not None else counts(self.shown)


def counts(shown: Shown) -> int:
    """A register's 16 bits: signed counts of the display's digit."""
    if shown.overload or shown.value is None or not math.isfinite(shown.value):
        return OVER_RANGE
    found = round(shown.value / shown.digit)
    return max(min(found, OVER_RANGE), -OVER_RANGE - 1) & 0xFFFF


class Box(Asked):
    """A measuring box on a Modbus line: register n holds signed counts of its n-th input."""

    UNIT = 2

    def __init__(self, path: Path, rng: random.Random) -> None:
        super().__init__(rng)
        self.inputs: list[BoxInput] = []
        self.outlet = stream_outlet(path, self._connect)

    def input(self) -> BoxInput:
        self.inputs.append(BoxInput(self))
        return self.inputs[-1]

    def _connect(self) -> Answering:
        return encode_modbus.Unit(self.UNIT, self._register).feed

    def _register(self, address: int) -> int | None:
        if address >= len(self.inputs):
            raise LookupError(address)
        shown = self.inputs[address].shown
        return None if shown is None else counts(shown)


class BoxInput:
    """One input of a box, as an instrument of its own."""

    def __init__(self, box: Box) -> None:
        self.outlet: Outlet = box.outlet
        self.shown: Shown | None = None

    def show(self, shown: Shown | None) -> None:
        self.shown = shown
