"""Lots in memory for tests of their statistics."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchd.core.lots.units import VERDICTS, Units, joined, serial_key
from benchd.core.specs import Characteristic, Measures, PartSpec

MODES = ("", "leaks-back", "output-low", "ripple-high", "set-point-high", "set-point-low")
SPEC = PartSpec(
    "VR-20", "Vantry VR-20", 20.0, (3500, 3700), 4000, 15.0,
    (
        Characteristic("leakage", Measures.LEAKAGE, "Reverse leakage", "mA", None, 2.0),
        Characteristic("set-point", Measures.SET_POINT, "Set-point at rated load", "V", 13.9, 14.5),
        Characteristic("output", Measures.GREATEST_OUTPUT, "Greatest output", "A", 19.0, None),
        Characteristic("ripple", Measures.RIPPLE, "Ripple", "mV", None, None),
    ),
)  # fmt: skip
MEAN, SD, U = np.array([0.8, 14.2, 20.5, 150.0]), np.array([0.2, 0.04, 0.3, 20.0]), np.array([0.02, 0.006, 0.05, 3.0])


def lot(
    n: int, seed: int = 1, *, benches: int = 4, drift: float = 0.0, bias: float = 0.0, value: np.ndarray | None = None
) -> Units:
    """n units tested once, benches by turns. `drift` of the set-point, V per 100 units; `bias` of rig 3 in it, V."""
    if value is None:
        value = MEAN + SD * np.random.default_rng(seed).standard_normal((n, 4))
    bench = np.arange(n) % benches
    value[:, 1] += drift * np.arange(n) / 100 + bias * (bench == 2)
    low, high = (
        np.array([fill if getattr(one, side) is None else getattr(one, side) for one in SPEC.characteristics])
        for side, fill in (("low", -np.inf), ("high", np.inf))
    )
    verdict, mode = np.zeros(n, np.int64), np.zeros(n, np.int64)
    for at, below, above in ((2, 2, 2), (1, 5, 4), (0, 1, 1)):
        for bad, found in ((value[:, at] < low[at], below), (value[:, at] > high[at], above)):
            verdict[bad], mode[bad] = VERDICTS.index("fail"), found
    names = tuple(f"VR20-{4200 + at:06d}" for at in range(n))
    return Units(
        SPEC.ids, np.array([serial_key(name) for name in names], np.int64), 1_764_000_000_000 + 45_000 * np.arange(n),
        np.arange(1, n + 1), bench, tuple(f"rig {at + 1}" for at in range(benches)), verdict, mode, MODES, value,
        np.broadcast_to(U, (n, 4)).copy(), names,
    )  # fmt: skip


def again(units: Units, places: Sequence[int], verdict: str = "pass") -> Units:
    """The lot with these units tested once more, after all others, and this verdict."""
    more = units.taken(np.array(places, np.int64))
    count = len(more)
    more = replace(
        more,
        at_ms=units.at_ms[-1] + 45_000 * (1 + np.arange(count)),
        run_no=units.run_no[-1] + 1 + np.arange(count),
        verdict=np.full(count, VERDICTS.index(verdict)),
        value=more.value + 1000.0,  # so that a mixed-in retest cannot be overlooked
    )
    return joined([units, more])
