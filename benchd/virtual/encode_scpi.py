"""A SCPI bench meter of an invented maker: one line asked, one line answered (SCPI-1999, IEEE 488.2)."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

IDENTITY = "TESSLUND BENCHWORKS,M350,VB0001,1.04"
FUNCTIONS = {
    "VOLT:DC": "dc volts",
    "VOLT:AC": "ac volts",
    "CURR:DC": "dc amps",
    "CURR:AC": "ac amps",
    "FREQ": "frequency",
    "RES": "resistance",
}
HEADERS = {function: header for header, function in FUNCTIONS.items()}
LONG = {
    "SYSTEM": "SYST", "ERROR": "ERR", "NEXT": "", "FUNCTION": "FUNC", "CONFIGURE": "CONF", "VOLTAGE": "VOLT",
    "CURRENT": "CURR", "FREQUENCY": "FREQ", "RESISTANCE": "RES", "SENSE": "SENS",
}  # fmt: skip
OVERLOAD = "+9.90000000E+37"
NO_NUMBER = "+9.91000000E+37"
QUEUE = 20

#: (value or None for overload, one count) of what stands on the display; None while there is nothing new to give.
Measure = Callable[[str], tuple[float | None, float] | None]


def shortened(header: str) -> str:
    """A header with its long keywords cut to the short form: SYSTem:ERRor? is SYST:ERR?."""
    question = "?" * header.endswith("?")
    words = [LONG.get(word, word) for word in header.rstrip("?").upper().lstrip(":").split(":")]
    return ":".join(word for word in words if word) + question


def number(value: float, digit: float) -> str:
    """A value with the decimals of its display (NR2)."""
    decimals = next((places for places in range(10) if 10.0**-places <= digit * 1.001), 9)
    return f"{value:+.{decimals}f}"


class Meter:
    """The conversation's state; `function` is what the dial or the last CONF set."""

    def __init__(self, measure: Measure, function: str = "dc volts", identity: str = IDENTITY) -> None:
        self.measure, self.function, self.identity = measure, function, identity
        self.locked = False  # somebody at the front panel chose the function: CONF is refused
        self.errors: deque[str] = deque()

    def answer(self, line: str) -> str | None:
        """The answer to one line; None for a command, or where there is nothing to answer with."""
        header, _, _ = line.strip().partition(" ")
        short = shortened(header)
        if not header:
            return None
        if short == "READ?":
            return self._read()
        if short.startswith("CONF:"):
            self._configure(short.removeprefix("CONF:"))
            return None
        return self._common(short, header)

    def _common(self, short: str, header: str) -> str | None:
        if short == "*IDN?":
            return self.identity
        if short == "FUNC?":
            return f'"{HEADERS[self.function]}"'
        if short == "SYST:ERR?":
            return self.errors.popleft() if self.errors else '0,"No error"'
        if short == "*OPC?":
            return "1"
        if short == "*CLS":
            self.errors.clear()
        elif short not in ("*RST", "SYST:REM", "SYST:LOC"):
            self._error(f'-113,"Undefined header;{header[:30]}"')
        return None

    def _configure(self, function: str) -> None:
        full = function + ":DC" if function in ("VOLT", "CURR") else function
        if self.locked:
            self._error('-221,"Settings conflict"')
        elif full in FUNCTIONS:
            self.function = FUNCTIONS[full]
        else:
            self._error('-113,"Undefined header"')

    def _error(self, entry: str) -> None:
        if len(self.errors) >= QUEUE:
            self.errors.pop()
            entry = '-350,"Queue overflow"'
        self.errors.append(entry)

    def _read(self) -> str | None:
        shown = self.measure(self.function)
        if shown is None:
            return None
        value, digit = shown
        return OVERLOAD if value is None else number(value, digit)
