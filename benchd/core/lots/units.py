"""The units of a lot as columns: what every statistic is made from, whether it came from a journal or from a store.

Numbers are rounded to DIGITS significant ones before they are kept anywhere, since some stores keep no more: so the same
lot gives the same statistics from a journal and from a store, to the last digit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.core.lots.serials import DIGITS as DIGITS
from benchd.core.lots.serials import JUDGED
from benchd.core.lots.serials import VERDICTS as VERDICTS
from benchd.core.lots.serials import rounded as rounded
from benchd.core.lots.serials import serial_key as serial_key

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Units:
    """n tests of units, in order of time (at_ms, then bench, then run_no), k characteristics. A test is a run of a unit of
    this lot; a unit that is tested again is there again.

    `serial` (n,) serial_key; `at_ms` (n,) UTC ms of the run's start; `run_no` (n,); `bench` (n,) index into `benches`;
    `verdict` (n,) index into VERDICTS; `mode` (n,) index into `modes` (modes[0] is '' = none); `value` (n, k) in the
    characteristic's unit, NaN where it was not measured; `u` (n, k) its standard uncertainty, NaN where it is not known.
    `names` (n,) the serial numbers as text, () where the store keeps none.
    """

    ids: tuple[str, ...]
    serial: Integers
    at_ms: Integers
    run_no: Integers
    bench: Integers
    benches: tuple[str, ...]
    verdict: Integers
    mode: Integers
    modes: tuple[str, ...]
    value: Floats
    u: Floats
    names: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.serial)

    def column(self, id: str) -> tuple[Floats, Floats]:
        """(values, standard uncertainties) of one characteristic, (n,) each. ValueError if there is none of that id."""
        place = self.ids.index(id)
        return self.value[:, place], self.u[:, place]

    def taken(self, where: NDArray[Any]) -> Units:
        """Only these tests: a mask or indices, (m,)."""
        names = tuple(np.asarray(self.names, object)[where]) if self.names else ()
        arrays = (self.serial, self.at_ms, self.run_no, self.bench)
        serial, at_ms, run_no, bench = (one[where] for one in arrays)
        return Units(
            self.ids, serial, at_ms, run_no, bench, self.benches, self.verdict[where], self.mode[where], self.modes,
            self.value[where], self.u[where], names,
        )  # fmt: skip

    def judged(self) -> Units:
        """Those that were judged: pass, fail or undecided. Void and cut-short tests say nothing of a unit."""
        return self.taken(self.verdict < len(JUDGED))

    def attempts(self) -> Integers:
        """(n,) which judged test of its unit each is, from 1."""
        order = np.argsort(self.serial, kind="stable")
        ordered, place = self.serial[order], np.arange(len(self))
        new = np.ones(len(self), bool)
        new[1:] = ordered[1:] != ordered[:-1]
        found = np.empty(len(self), np.int64)
        found[order] = place - np.maximum.accumulate(np.where(new, place, 0)) + 1
        return found

    def blocks(self, size: int) -> Iterator[Units]:
        """The same in order, at most `size` tests at a time."""
        for start in range(0, len(self), size):
            yield self.taken(np.arange(start, min(start + size, len(self))))


def empty(ids: Sequence[str]) -> Units:
    """No tests of these characteristics."""
    none = np.empty(0, np.int64)
    numbers = np.empty((0, len(ids)))
    return Units(tuple(ids), none, none, none, none, (), none, none, ("",), numbers, numbers)


def joined(parts: Sequence[Units]) -> Units:
    """Several collections of the same lot as one, in order of time. ValueError if their characteristics differ."""
    if not parts:
        raise ValueError("no units to join")
    ids = parts[0].ids
    if any(one.ids != ids for one in parts):
        raise ValueError(f"the characteristics differ: {sorted({one.ids for one in parts})}")
    benches = tuple(sorted({name for one in parts for name in one.benches}))
    modes = ("", *sorted({name for one in parts for name in one.modes} - {""}))
    bench = np.concatenate([_moved(one.bench, one.benches, benches) for one in parts])
    mode = np.concatenate([_moved(one.mode, one.modes, modes) for one in parts])
    at_ms, run_no = (np.concatenate([getattr(one, name) for one in parts]) for name in ("at_ms", "run_no"))
    order = np.lexsort((run_no, bench, at_ms))
    in_order = len(parts) == 1 and bool((order[1:] > order[:-1]).all())
    whole = Units(
        ids,
        np.concatenate([one.serial for one in parts]),
        at_ms,
        run_no,
        bench,
        benches,
        np.concatenate([one.verdict for one in parts]),
        mode,
        modes,
        np.concatenate([one.value for one in parts]),
        np.concatenate([one.u for one in parts]),
        tuple(name for one in parts for name in one.names) if all(one.names or not len(one) for one in parts) else (),
    )
    return whole if in_order else whole.taken(order)


def _moved(codes: Integers, old: Sequence[str], new: Sequence[str]) -> Integers:
    place = {name: number for number, name in enumerate(new)}
    table = np.array([place[name] for name in old] or [0], np.int64)
    return table[codes] if len(codes) else codes
