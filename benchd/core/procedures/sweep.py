"""The throttle sweep: volts against rpm from idle to full throttle, as a straight line and how much it bows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchd.core.track import Array

SWEEP_RPM = 800.0  # least span of speeds
BOW = 0.015  # of full-throttle volts: what a straight line may bow
LEAST_STEPS = 4


@dataclass(frozen=True, slots=True)
class Sweep:
    """Line through volts over rpm; `bow` is the middle's distance from it, in parts of the volts at the top."""

    volts_per_1000_rpm: float
    intercept_volts: float
    bow: float

    @property
    def caution(self) -> str:
        """A sentence where the volts do not rise straight with speed, else ''."""
        if abs(self.bow) < BOW:
            return ""
        return (
            f"Volts do not rise straight with speed (bow {100 * self.bow:.0f} % of full scale): weak or loose magnets, "
            "or a meter whose AC band ends too early."
        )


def fit(rpm: Array, volts: Array) -> Sweep | None:
    """The sweep in these readings (equal lengths; rpm, V AC), None if they span too little."""
    if len(rpm) < 12 or float(np.ptp(rpm)) < SWEEP_RPM:
        return None
    # One point per 100 rpm, so that minutes at full throttle do not outweigh the way up.
    step = np.round(rpm / 100.0)
    steps = np.unique(step)
    x = np.array([float(rpm[step == one].mean()) for one in steps]) / 1000.0
    y = np.array([float(volts[step == one].mean()) for one in steps])
    slope, intercept = np.polyfit(x, y, 1)
    if len(steps) < LEAST_STEPS:  # idle and full throttle alone: a slope, but nothing to bow
        return Sweep(float(slope), float(intercept), 0.0)
    square = np.polyfit(x, y, 2)
    middle, top = float(x.min() + x.max()) / 2, float(x.max())
    bow = float(np.polyval(square, middle) - (slope * middle + intercept))
    return Sweep(float(slope), float(intercept), bow / max(abs(float(slope * top + intercept)), 1e-9))
