"""What a 6000-count handheld sends as 11 characters: range, four digits, function, status, two options, CR, LF.

The wire is 19200 baud 7O1; a pseudo-terminal carries bytes, so they go out as an adapter set to seven bits hands them
on: parity taken off. Layout: public wiki overview; ranges as those of the 22000-count sister, one digit less
(assumed there too, see the driver's notes; made here from the same published tables, not from its code).
"""

from __future__ import annotations

from benchd.virtual.display import on_display

#: Function -> (its code, option 2: DC 8 or AC 4, status: judge 8 for hertz, digits behind the point -> range code).
FUNCTIONS: dict[str, tuple[int, int, int, dict[int, int]]] = {
    "dc volts": (0xB, 8, 0, {3: 0, 2: 1, 1: 2, 0: 3}),
    "ac volts": (0xB, 4, 0, {3: 0, 2: 1, 1: 2, 0: 3}),
    "dc amps": (0x0, 8, 0, {2: 0}),
    "ac amps": (0x0, 4, 0, {2: 0}),
    "frequency": (0x2, 0, 8, {2: 0, 1: 1, 0: 2}),
    "resistance": (0x3, 0, 0, {1: 0, 0: 1}),
}
MINUS, LOW_BATTERY, OVERLOAD = 4, 2, 1
HOLD = 8
AUTO = 2
FULL = "6000"  # the digits on overload


def frame(value: float | None, digit: float, function: str, *, hold: bool = False, low_battery: bool = False) -> bytes:
    """One frame; `value` in V, A, Hz or ohm, None for overload. KeyError for a function it has not."""
    code, option2, status, ranges = FUNCTIONS[function]
    fitted = max((decimals for decimals in ranges if 10.0**-decimals >= digit * 0.999), default=min(ranges))
    shown = None if value is None else on_display(value, 10.0**-fitted)
    status |= LOW_BATTERY * low_battery
    if shown is None or shown.decimals not in ranges:
        status, digits, range_code = status | OVERLOAD, FULL, max(ranges.values())
    else:
        status, digits, range_code = status | MINUS * shown.negative, shown.digits, ranges[shown.decimals]
    nibbles = (range_code, *map(int, digits), code, status, HOLD * hold, option2 | AUTO)
    return bytes(0x30 | nibble for nibble in nibbles) + b"\r\n"
