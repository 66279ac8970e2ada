"""The permanent-magnet alternator: frequency against speed, and open-circuit volts against speed."""

from __future__ import annotations

from itertools import pairwise

from benchd.core.specs import StatorSpec


def hertz(rpm: float, poles: int) -> float:
    """Frequency of a rotor with `poles` magnet poles (not pairs): f = P n / 120."""
    return rpm * poles / 120


def rpm_of_hertz(hz: float, poles: int) -> float:
    """Speed from frequency: n = 120 f / P."""
    return 120 * hz / poles


def poles_of(hz: float, rpm: float) -> float:
    """The pole count that frequency and speed imply together (not rounded)."""
    return 120 * hz / rpm


def _segment(spec: StatorSpec, rpm: float) -> tuple[float, float]:
    """(least volts at rpm, their slope in volts per rpm) from the table or in proportion."""
    if not spec.table:
        slope = spec.min_volts_ac / spec.at_rpm
        return slope * rpm, slope
    for (rpm_0, volts_0), (rpm_1, volts_1) in pairwise(spec.table):
        if rpm_0 <= rpm <= rpm_1:
            slope = (volts_1 - volts_0) / (rpm_1 - rpm_0)
            return volts_0 + slope * (rpm - rpm_0), slope
    rpm_end, volts_end = spec.table[0] if rpm < spec.table[0][0] else spec.table[-1]
    return volts_end * rpm / rpm_end, volts_end / rpm_end


def required_volts(spec: StatorSpec, rpm: float) -> float:
    """Least open-circuit volts at a speed: between the rows of the manual's table linear, beyond them and without a
    table in proportion to speed."""
    return _segment(spec, rpm)[0]


def at_spec_rpm(volts: float, rpm: float, spec: StatorSpec) -> float:
    """Volts measured at `rpm`, brought to the spec's speed as the spec's own volts change with speed.

    To be compared with required_volts(spec, spec.at_rpm). ValueError for a speed of zero or less.
    """
    if rpm <= 0:
        raise ValueError(f"stator volts are scaled from a running engine, not from {rpm} rpm")
    return volts * required_volts(spec, spec.at_rpm) / required_volts(spec, rpm)


def sensitivities(volts: float, rpm: float, spec: StatorSpec) -> tuple[float, float]:
    """Partial derivatives of at_spec_rpm: (volt per volt, volt per rpm)."""
    required, slope = _segment(spec, rpm)
    per_volt = required_volts(spec, spec.at_rpm) / required
    return per_volt, -volts * per_volt * slope / required
