"""A stream of rebuilt regulators: what each serial number truly is. The same serial is always the same regulator."""

from __future__ import annotations

import random
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Regulator:
    """True values: V, V/A, A, rpm, mA, mV at 18 A, mV when warm, s. `stuck`: it does not regulate."""

    set_volts: float
    per_amp: float
    most_amps: float
    starts_rpm: float
    leak_ma: float
    ripple_mv: float
    warm_mv: float
    warm_s: float = 12.0
    stuck: bool = False


#: What can be planted -> (field, value). Strong enough that a right bench has no doubt.
PLANTED: dict[str, dict[str, float | bool]] = {
    "leaks-back": {"leak_ma": 7.0},
    "starts-late": {"starts_rpm": 2050.0},
    "no-output": {"most_amps": 0.0},
    "set-point-low": {"set_volts": 13.82},
    "set-point-high": {"set_volts": 14.78},
    "load-regulation": {"per_amp": 0.021, "set_volts": 14.45},
    "output-low": {"most_amps": 16.0},
    "ripple-high": {"ripple_mv": 620.0},
    "drifts": {"warm_mv": -460.0, "warm_s": 28.0, "set_volts": 14.5},
    "over-ceiling": {"stuck": True},
}
STANDARD = "REF"  # serials that begin so are check standards: kept, stable, measured again and again
SPREAD_VOLTS, DRIFT_MV_PER_UNIT = 0.035, 0.25
#: Of ordinary units so many in a thousand are outliers: good parts whose set-point lies far from the others'.
OUTLIERS_PER_1000, OUTLIER_VOLTS = 8, 0.14


def regulator_of(
    serial: str, planted: Mapping[str, str] | None = None, seed: int = 1, drift_mv_per_unit: float = DRIFT_MV_PER_UNIT
) -> Regulator:
    """The regulator of this serial number. Within a lot the set-point creeps with the number that the serial ends in. `planted`: serial
    -> what is wrong with it. KeyError for something unknown."""
    chance = random.Random(f"{seed}/{serial}")
    if serial.upper().startswith(STANDARD):
        return Regulator(14.300, 0.0055, 21.6, 1380.0, 0.35, 140.0, -18.0)
    number = int(found[0]) % 1000 if (found := re.search(r"\d+$", serial)) else 0
    outlier = OUTLIER_VOLTS if random.Random(f"outlier/{seed}/{serial}").random() * 1000 < OUTLIERS_PER_1000 else 0.0
    made = Regulator(
        set_volts=14.31 + outlier + chance.gauss(0, SPREAD_VOLTS) + drift_mv_per_unit * number / 1000,
        per_amp=max(chance.gauss(0.006, 0.0008), 0.001),
        most_amps=chance.gauss(21.8, 0.35),
        starts_rpm=chance.gauss(1390.0, 45.0),
        leak_ma=abs(chance.gauss(0.4, 0.12)),
        ripple_mv=chance.gauss(140.0, 15.0),
        warm_mv=chance.gauss(-20.0, 8.0),
    )
    wrong = (planted or {}).get(serial)
    return made if wrong is None else replace(made, **PLANTED[wrong])  # type: ignore[arg-type]
