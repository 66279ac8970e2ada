"""What one instrument says once: a value with its displayed digits, or the reason why there is none."""

from __future__ import annotations

import enum
import re
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache


class Quantity(enum.StrEnum):
    """What an instrument measures; the same words stand as `function` in a bench file. SI unit in UNITS."""

    DC_VOLTS = "dc volts"
    AC_VOLTS = "ac volts"
    DC_AMPS = "dc amps"
    AC_AMPS = "ac amps"
    FREQUENCY = "frequency"
    SPEED = "speed"  # rpm as a tachometer shows it
    PULSES = "pulses"  # a running count of pulses
    RESISTANCE = "resistance"
    TEMPERATURE = "temperature"
    OTHER = "other"  # capacitance, diode, duty: shown, never judged


UNITS: dict[Quantity, str] = {
    Quantity.DC_VOLTS: "V",
    Quantity.AC_VOLTS: "V",
    Quantity.DC_AMPS: "A",
    Quantity.AC_AMPS: "A",
    Quantity.FREQUENCY: "Hz",
    Quantity.SPEED: "rpm",
    Quantity.PULSES: "",
    Quantity.RESISTANCE: "ohm",
    Quantity.TEMPERATURE: "degC",
    Quantity.OTHER: "",
}


class Flag(enum.StrEnum):
    """Why a reading is not (or not quite) a measurement. Each has its cure in CURES."""

    OVERLOAD = "overload"
    NO_NUMBER = "no number"
    HOLD = "hold"
    RELATIVE = "relative"
    MIN_MAX = "min/max"
    LOW_BATTERY = "low battery"
    AUTO_POWER_OFF = "auto power off"
    WRONG_FUNCTION = "wrong function"
    INSTRUMENT_ERROR = "instrument error"


#: Flags under which the displayed number is not what is at the leads now.
NOT_A_MEASUREMENT = frozenset(
    {Flag.OVERLOAD, Flag.NO_NUMBER, Flag.HOLD, Flag.RELATIVE, Flag.MIN_MAX, Flag.WRONG_FUNCTION}
)

CURES: dict[Flag, str] = {
    Flag.OVERLOAD: "over range: choose a higher range, or check the leads",
    Flag.NO_NUMBER: "the meter has no number to show: check its function and leads",
    Flag.HOLD: "the display is held: press HOLD on the meter",
    Flag.RELATIVE: "the meter shows a difference: press REL on the meter",
    Flag.MIN_MAX: "the meter shows a stored minimum or maximum: leave MIN/MAX on the meter",
    Flag.LOW_BATTERY: "the meter's own battery is low: replace it, low cells make it read wrong",
    Flag.AUTO_POWER_OFF: "the meter will switch itself off: turn auto power off off",
    Flag.WRONG_FUNCTION: "turn the meter's dial to the function that the bench file names",
    Flag.INSTRUMENT_ERROR: "the instrument reports an error: read it below",
}

# One strict grammar for a displayed number: float() and Decimal() both take nan, inf, 1_2 and full-width digits.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?", re.ASCII)


def _last_place(text: str) -> int:
    """Power of ten of the last digit of a displayed number: -2 for '14.40', 0 for '3600', 1 for '1.2E2'."""
    mantissa, _, power = text.partition("e") if "e" in text else text.partition("E")
    point = mantissa.find(".")
    decimals = 0 if point < 0 else len(mantissa) - 1 - point
    return (int(power) if power else 0) - decimals


@cache
def _one_count(place: int) -> Decimal:
    return Decimal(1).scaleb(place)


@dataclass(frozen=True, slots=True)
class Reading:
    """One value from one instrument.

    `value` is in the SI unit of `quantity` (rpm for speed, degC for temperature) or None where the instrument
    shows no number. `resolution` is one count of the display in the same unit, or None if it is not known.
    `point` tells the readings of an instrument with several inputs apart (a register's name); '' for one input.
    A driver never stamps time: the sampler does.
    """

    quantity: Quantity
    value: Decimal | None
    resolution: Decimal | None = None
    flags: frozenset[Flag] = frozenset()
    point: str = ""
    span: Decimal | None = None  # full scale of the range in use, where the instrument tells it

    def __post_init__(self) -> None:
        if self.value is not None and not self.value.is_finite():
            raise ValueError(f"a reading is a finite number or None, not {self.value}")

    @classmethod
    def of_text(
        cls,
        quantity: Quantity,
        text: str,
        exponent: int = 0,
        flags: frozenset[Flag] = frozenset(),
        point: str = "",
    ) -> Reading:
        """The reading that a displayed decimal number means; `exponent` is the power of ten to SI.

        Raises ValueError for anything but an ordinary ASCII decimal number.
        """
        if len(text) > 40 or _NUMBER.fullmatch(text) is None:
            raise ValueError(f"not a displayed number: {text!r}")
        value = Decimal(text) if exponent == 0 else Decimal(text).scaleb(exponent)
        return cls(quantity, value, _one_count(_last_place(text) + exponent), flags, point)

    def flagged(self, *flags: Flag) -> Reading:
        return replace(self, flags=self.flags | frozenset(flags))

    @property
    def usable(self) -> bool:
        """Whether the value may be read as a measurement."""
        return self.value is not None and not (self.flags & NOT_A_MEASUREMENT)


@dataclass(frozen=True, slots=True)
class Notice:
    """Something an instrument or the wire said that is no reading.

    `kind` is one of 'identity' (the text of *IDN?), 'garbage' (bytes thrown away, `count` of them), 'frame'
    (a whole frame that makes no sense), 'error' (the instrument's own error, as it words it), 'timeout' (asked,
    no answer). `text` is for people.
    """

    kind: str
    text: str
    count: int = 1
