"""What a unit's test keeps of its samples, and since when a characteristic's speed and load hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.core.specs import Characteristic, Measures, PartSpec

STANDS_RPM = 30.0  # below it the drive stands
NEAR_VOLTS = 0.3  # of the volts to which a unit is pulled down
FRESH_S = 3.0  # older than this a speed or a load says nothing of now
OUT_READINGS = 2  # so many in a row outside of a window end it; one is a glitch


@dataclass(frozen=True, slots=True)
class Row:
    """One sample. `rpm` and `amps_now` are the newest within FRESH_S; all others were read just now, or are None."""

    t_s: float
    volts: float | None
    amps: float | None
    amps_now: float | None
    rpm: float | None
    ripple: float | None = None
    draw: float | None = None
    celsius: float | None = None


@dataclass(frozen=True, slots=True)
class Needs:
    """Windows in which a characteristic is measured; None where anything will do."""

    rpm: tuple[float, float] | None = None
    amps: tuple[float, float] | None = None
    volts: tuple[float, float] | None = None

    @classmethod
    def of(cls, one: Characteristic) -> Needs:
        if one.measures is Measures.LEAKAGE:
            return cls((-1.0, STANDS_RPM), None, None if one.at_volts is None else (one.at_volts, float("inf")))
        if one.measures is Measures.GREATEST_OUTPUT and one.at_volts is not None:
            return cls(one.rpm, one.amps, (one.at_volts - NEAR_VOLTS, one.at_volts + NEAR_VOLTS))
        return cls(one.rpm, one.amps)

    def missing(self, row: Row) -> str:
        """'speed', 'load' or 'volts': the first that is not met; '' when all are."""
        if not _within(row.rpm, self.rpm):
            return "speed"
        if not _within(row.amps_now, self.amps):
            return "load"
        # Volts that were not read in this sample are not held against it.
        return "" if row.volts is None or _within(row.volts, self.volts) else "volts"


def _within(value: float | None, window: tuple[float, float] | None) -> bool:
    return window is None or (value is not None and window[0] <= value <= window[1])


class Held:
    """Since when needs are met without a break; fed with every row, older ones too."""

    def __init__(self, needs: Needs, rows: Sequence[Row] = ()) -> None:
        self.needs = needs
        self.since_s: float | None = None
        self.ever = False
        self.missing = ""
        self.rows: list[Row] = []
        self._out = 0
        for row in rows:
            self.feed(row)

    def feed(self, row: Row) -> None:
        self.missing = self.needs.missing(row)
        if self.missing:
            self._out += 1
            if self._out >= OUT_READINGS:
                self.since_s, self.rows = None, []
            return
        self._out = 0
        if self.since_s is None:
            self.since_s = row.t_s
        self.rows.append(row)

    def after(self, settle_s: float) -> list[Row]:
        """Rows that count: the needs were met for so long before."""
        if self.since_s is None:
            return []
        start_s = self.since_s + settle_s - 1e-9
        counted = [row for row in self.rows if row.t_s >= start_s]
        self.ever = self.ever or bool(counted)
        return counted


def zero_amps(part: PartSpec) -> float:
    """Below this nothing comes out at all."""
    return max(0.02 * part.rated_amps, 0.2)


class Peak:
    """The most volts that stood for two readings on end, and whether the ceiling is crossed for real."""

    def __init__(self, ceiling_volts: float) -> None:
        self.volts: float | None = None
        self.readings = 0
        self.glitches = 0
        self._ceiling = ceiling_volts
        self._before: float | None = None
        self._over: list[float] = []

    def feed(self, volts: float, u: float) -> None:
        self.readings += 1
        if self._before is not None:
            both = min(self._before, volts)
            self.volts = both if self.volts is None else max(self.volts, both)
        self._before = volts
        if volts > self._ceiling + u:
            self._over.append(volts)
        else:
            self.glitches += len(self._over) == 1
            self._over = []

    @property
    def crossed(self) -> bool:
        """Three readings on end, or two that are far above: a glitch is one."""
        return len(self._over) >= 3 or (len(self._over) == 2 and min(self._over) > self._ceiling + 1.0)

    @property
    def crossing(self) -> float:
        return sum(self._over) / len(self._over) if self._over else self._ceiling
