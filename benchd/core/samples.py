"""The channels of one bench at one instant: what every procedure is fed and the journal keeps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from benchd.core.readings import Flag, Quantity

#: Every channel name a bench file or a CSV header may use -> (quantity, unit).
CHANNELS: dict[str, tuple[Quantity, str]] = {
    "battery_volts": (Quantity.DC_VOLTS, "V"),
    "charge_amps": (Quantity.DC_AMPS, "A"),
    "stator_volts": (Quantity.AC_VOLTS, "V"),
    "stator_volts_2": (Quantity.AC_VOLTS, "V"),
    "stator_volts_3": (Quantity.AC_VOLTS, "V"),
    "stator_hertz": (Quantity.FREQUENCY, "Hz"),
    "engine_rpm": (Quantity.SPEED, "rpm"),
    "battery_celsius": (Quantity.TEMPERATURE, "degC"),
    "stator_ohms": (Quantity.RESISTANCE, "ohm"),
    "stator_ground_ohms": (Quantity.RESISTANCE, "ohm"),
    "load_amps": (Quantity.DC_AMPS, "A"),  # out of the battery into a load tester
    "crank_amps": (Quantity.DC_AMPS, "A"),  # out of the battery into the starter
    "draw_amps": (Quantity.DC_AMPS, "A"),  # out of the battery with the key off
    "joint_volts": (Quantity.DC_VOLTS, "V"),  # along one joint or wire, in the direction of the current
    "circuit_ohms": (Quantity.RESISTANCE, "ohm"),  # a breaker, a switch, a lead to ground
    "ripple_volts": (Quantity.AC_VOLTS, "V"),  # AC on the DC side of a regulator
    "regulator_celsius": (Quantity.TEMPERATURE, "degC"),  # of a regulator's case
}


@dataclass(frozen=True, slots=True)
class Value:
    """One channel's newest reading that arrived since the sample before.

    `value` in the channel's unit after shunt, clamp or divider; None with the flags that say why.
    `resolution` is one count in the same unit; `age_s` how old the reading was when the sample was taken.
    """

    value: float | None
    resolution: float | None = None
    flags: frozenset[Flag] = frozenset()
    age_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Sample:
    """One instant of one run. `t_ns` counts from the start of the run, monotonic.

    A channel that was not read since the last sample is absent: a value is never repeated.
    """

    t_ns: int
    values: Mapping[str, Value] = field(default_factory=dict)

    @property
    def t_s(self) -> float:
        return self.t_ns / 1e9

    def number(self, channel: str) -> float | None:
        """The channel's value if it was read just now and is a measurement, else None."""
        found = self.values.get(channel)
        return None if found is None else found.value


def t_ns_of_text(text: str) -> int:
    """Nanoseconds of a decimal number of seconds, exactly; ValueError for anything else."""
    return int((Decimal(text) * 1_000_000_000).to_integral_value())
