"""What a handheld sends that copies its liquid-crystal display: 14 bytes, one bit a segment or sign; 2400 baud 8N1.

Made from the published layout (public wiki overview of meter chips, revision of 30 October 2012): the high nibble
counts the bytes from 1 to 14. Where the seven segments of a digit lie in its two nibbles stands in `LAMPS`; which
segments a digit lights is geometry.
"""

from __future__ import annotations

from benchd.virtual.display import DIGITS, on_display

LENGTH = 14

#: Segment -> its bit in a digit's seven: first nibble's three (lower left, upper left, top), then the second's four.
LAMPS = {
    "lower left": 0x40,
    "upper left": 0x20,
    "top": 0x10,
    "bottom": 0x08,
    "lower right": 0x04,
    "middle": 0x02,
    "upper right": 0x01,
}
#: Segments that stay dark, by character.
DARK: dict[str, tuple[str, ...]] = {
    "0": ("middle",),
    "1": ("lower left", "upper left", "top", "bottom", "middle"),
    "2": ("upper left", "lower right"),
    "3": ("lower left", "upper left"),
    "4": ("lower left", "top", "bottom"),
    "5": ("lower left", "upper right"),
    "6": ("upper right",),
    "7": ("lower left", "upper left", "bottom", "middle"),
    "8": (),
    "9": ("lower left",),
    "L": ("top", "lower right", "middle", "upper right"),
    " ": tuple(LAMPS),
}
#: Sign on the display -> (byte counted from 1, bit).
SIGNS = {
    "AC": (1, 8),
    "DC": (1, 4),
    "auto": (1, 2),
    "output on": (1, 1),
    "minus": (2, 8),
    "hold": (12, 1),
    "ohm": (12, 4),
    "A": (13, 8),
    "V": (13, 4),
    "Hz": (13, 2),
    "low battery": (13, 1),
}
LIT = {
    "dc volts": ("DC", "V"),
    "ac volts": ("AC", "V"),
    "dc amps": ("DC", "A"),
    "ac amps": ("AC", "A"),
    "frequency": ("Hz",),
    "resistance": ("ohm",),
}


def segments(character: str) -> int:
    """The seven bits of one character."""
    return sum(bit for lamp, bit in LAMPS.items() if lamp not in DARK[character])


def frame(value: float | None, digit: float, function: str, *, hold: bool = False, low_battery: bool = False) -> bytes:
    """One frame; `value` in V, A, Hz or ohm, None for overload ("0L"). KeyError for a function it has not."""
    shown = None if value is None else on_display(value, digit)
    text = " 0L " if shown is None else shown.digits
    signs = ["auto", "output on", *LIT[function]]
    signs += ["hold"] * hold + ["low battery"] * low_battery
    signs += ["minus"] * (shown is not None and shown.negative)
    low = [0] * LENGTH
    for place, character in enumerate(text):
        bits = segments(character)
        low[1 + 2 * place] |= bits >> 4
        low[2 + 2 * place] |= bits & 0x0F
    if shown is not None and shown.decimals:
        low[1 + 2 * (DIGITS - shown.decimals)] |= 8  # the point before this digit
    for sign in signs:
        place, bit = SIGNS[sign]
        low[place - 1] |= bit
    return bytes((place << 4) | nibble for place, nibble in enumerate(low, start=1))
