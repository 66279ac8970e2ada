"""The failure modes of a unit: slugs as verdicts, journals and exports hold them, and their names for people."""

from __future__ import annotations

from collections.abc import Mapping

from benchd.core.specs import Measures

#: Slug -> name, the worst first: of several that a unit has, the first is its main one.
TITLES: Mapping[str, str] = {
    "over-ceiling": "volts over the ceiling",
    "no-output": "no output",
    "leaks-back": "leaks back, drive stopped",
    "set-point-high": "set-point too high",
    "set-point-low": "set-point too low",
    "output-low": "greatest output too low",
    "load-regulation": "set-point depends on the load too much",
    "ripple-high": "ripple too high",
    "starts-late": "starts to charge too late",
    "drifts": "drifts while it warms up",
    "not-measured": "not measured",
}

_LOW_HIGH: Mapping[Measures, tuple[str, str]] = {
    Measures.LEAKAGE: ("leaks-back", "leaks-back"),
    Measures.FIRST_OUTPUT: ("starts-late", "starts-late"),
    Measures.SET_POINT: ("set-point-low", "set-point-high"),
    Measures.LOAD_REGULATION: ("load-regulation", "load-regulation"),
    Measures.GREATEST_OUTPUT: ("output-low", "output-low"),
    Measures.RIPPLE: ("ripple-high", "ripple-high"),
    Measures.WARM_UP: ("drifts", "drifts"),
    Measures.CEILING: ("over-ceiling", "over-ceiling"),
}


def mode_of(measures: Measures, *, above: bool) -> str:
    """The failure mode of a characteristic that lies below its low or above its high limit."""
    return _LOW_HIGH[measures][above]


def by_weight(modes: set[str]) -> tuple[str, ...]:
    """Modes, the main one first."""
    return tuple(one for one in TITLES if one in modes)
