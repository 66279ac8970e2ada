"""Failure modes by how often they were found: of first tests that did not pass, one a unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchd.core.lots.units import VERDICTS, Units

#: What stands for a test that did not pass and names no mode.
NO_MODE = "no failure mode given"


@dataclass(frozen=True, slots=True)
class Mode:
    """`units` that failed, or stayed undecided, by this mode; `part` of all that did not pass; `running` sum of the parts so far."""

    mode: str
    title: str
    units: int
    part: float
    running: float


def counts_of(first: Units) -> NDArray[np.int64]:
    """(modes,) how many of these judged first tests did not pass, by mode."""
    not_passed = first.verdict != VERDICTS.index("pass")
    return np.bincount(first.mode[not_passed], minlength=len(first.modes))


def ranked(counts: Sequence[int] | NDArray[np.int64], modes: Sequence[str], titles: Mapping[str, str]) -> list[Mode]:
    """The most frequent first, ties by name. `counts` (m,) of `modes`; those of none are left out."""
    total = int(sum(counts))
    found: list[Mode] = []
    running = 0
    for units, mode in sorted((-int(count), mode) for count, mode in zip(counts, modes, strict=True) if count):
        running -= units
        title = titles.get(mode, mode.replace("-", " ")) if mode else NO_MODE
        found.append(Mode(mode, title, -units, -units / total, running / total))
    return found
