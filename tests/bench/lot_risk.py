"""Benchmark: false accept and false reject counted over simulated units, against the risks that a lot's report predicts.

    python tests/bench/lot_risk.py [--units 100000] [--seed 1]

Every unit has a true value, is measured once with an error of its own, and is decided by the judge's rule itself
(budget.probability_within and budget.decide), unit by unit. The prediction is lot_risk's: it sees the measured values
and their uncertainties, no true value and no distribution. Counted: passed though outside (consumer's), not passed
though inside (producer's; undecided is not passed). "interval" is the exact 95 % interval of the count (Clopper and
Pearson); of predictions that are right one in twenty lies outside of it by chance. The last case is a whole unit by a
regulator file's characteristics, as if they were independent.

An error that all units share (a meter's gain) is no part of this: see lot_risk's docstring.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from benchd import config
from benchd.core.budget import decide, probability_within
from benchd.core.lots.risk import lot_risk, together
from benchd.core.specs import Characteristic, Rule

Floats = NDArray[np.float64]
GUARDED = Rule.GUARDED_ACCEPTANCE
RISK = 0.05
PART = "vantry-vr20"


@dataclass
class Case:
    title: str
    truth: Floats
    u: Floats
    low: float | None
    high: float | None
    rule: Rule = GUARDED


@dataclass
class Row:
    title: str
    kind: str
    predicted: float  # units
    counted: int
    units: int

    @property
    def interval(self) -> tuple[float, float]:
        """Of the expected count, exact, 95 %."""
        k, n = self.counted, self.units
        low = 0.0 if k == 0 else float(stats.beta.ppf(0.025, k, n - k + 1))
        return low * n, float(stats.beta.ppf(0.975, k + 1, n - k)) * n

    @property
    def holds(self) -> bool:
        low, high = self.interval
        return low <= self.predicted <= high


def cases(n: int, chance: np.random.Generator) -> Iterator[Case]:
    set_point = chance.normal(14.3, 0.12, n)
    same = np.full(n, 0.03)
    yield Case("set-point, two limits", set_point, same, 14.0, 14.6)
    yield Case("set-point, simple acceptance", set_point, same, 14.0, 14.6, Rule.SIMPLE)
    yield Case("set-point, guarded rejection", set_point, same, 14.0, 14.6, Rule.GUARDED_REJECTION)
    yield Case("set-point, poor meter", set_point, np.full(n, 0.1), 14.0, 14.6)
    yield Case("limits 4.4 u apart", chance.normal(14.3, 0.05, n), np.full(n, 0.05), 14.19, 14.41)
    yield Case("mean off, good meter", chance.normal(14.48, 0.08, n), np.full(n, 0.005), 14.0, 14.6)
    yield Case("greatest output, lower limit", chance.normal(20.8, 0.5, n), np.full(n, 0.2), 20.0, None)
    yield Case("leakage, skewed, upper limit", chance.gamma(2.0, 0.5, n), np.full(n, 0.1), None, 3.0)
    dead = chance.random(n) < 0.03
    yield Case("three in 100 without output", np.where(dead, 12.6, set_point), same, 14.0, 14.6)
    two = np.where(chance.random(n) < 0.3, chance.normal(14.1, 0.06, n), chance.normal(14.4, 0.06, n))
    yield Case("two makes of chip", two, same, 14.0, 14.6)
    yield Case("uncertainty from unit to unit", set_point, chance.uniform(0.015, 0.06, n), 14.0, 14.6)


def passed(shown: Floats, u: Floats, low: float | None, high: float | None, rule: Rule) -> NDArray[np.bool_]:
    def one(value: float, spread: float) -> bool:
        inside = (low is None or value >= low) and (high is None or value <= high)
        return decide(rule, probability_within(value, spread, low, high), inside, RISK) == "pass"

    return np.array([one(*pair) for pair in zip(shown.tolist(), u.tolist(), strict=True)])


def inside(truth: Floats, low: float | None, high: float | None) -> NDArray[np.bool_]:
    return (truth >= (-np.inf if low is None else low)) & (truth <= (np.inf if high is None else high))


def rows_of(case: Case, chance: np.random.Generator) -> list[Row]:
    n = len(case.truth)
    shown = case.truth + chance.normal(0.0, 1.0, n) * case.u
    told = lot_risk(shown, case.u, case.low, case.high, case.rule, RISK)
    ok = passed(shown, case.u, case.low, case.high, case.rule)
    good = inside(case.truth, case.low, case.high)
    assert told.consumer is not None
    assert told.producer is not None
    return [
        Row(case.title, "consumer's", told.consumer * n, int((ok & ~good).sum()), n),
        Row(case.title, "producer's", told.producer * n, int((~ok & good).sum()), n),
    ]


def whole_unit(n: int, chance: np.random.Generator) -> list[Row]:
    part = config.load_spec(config.find_file(PART, "regulator")).part
    assert part is not None
    ok, good = np.ones(n, bool), np.ones(n, bool)
    told = []
    for one in part.characteristics:
        truth, u = drawn(one, n, chance)
        shown = truth + chance.normal(0.0, 1.0, n) * u
        ok &= passed(shown, u, one.low, one.high, part.rule)
        good &= inside(truth, one.low, one.high)
        told.append(lot_risk(shown, u, one.low, one.high, part.rule, part.risk))
    consumer, producer, _ = together(told)
    assert consumer is not None
    assert producer is not None
    title = f"a whole unit, {len(part.characteristics)} characteristics"
    return [
        Row(title, "consumer's", consumer * n, int((ok & ~good).sum()), n),
        Row(title, "producer's", producer * n, int((~ok & good).sum()), n),
    ]


def drawn(one: Characteristic, n: int, chance: np.random.Generator) -> tuple[Floats, Floats]:
    """True values of which about one in 200 lies outside, and a measurement with a tenth of the room."""
    if one.low is not None and one.high is not None:
        mean, room = (one.low + one.high) / 2, (one.high - one.low) / 2
    else:
        limit = one.low if one.high is None else one.high
        assert limit is not None
        room = 0.3 * abs(limit)
        mean = limit + room if one.high is None else limit - room
    return chance.normal(mean, room / float(special.ndtri(0.995)), n), np.full(n, 0.1 * room)


def line(row: Row) -> str:
    low, high = row.interval
    return (
        f"{row.title:<38} {row.kind:<11} {row.predicted:9.1f} {row.counted:9d}   {low:8.1f} to {high:8.1f}   "
        f"{'within' if row.holds else 'OUTSIDE'}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--units", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    chance = np.random.default_rng(given.seed)
    start = time.perf_counter()
    print(f"{given.units} units a case, accepted risk {RISK:g}, seed {given.seed}")
    print(f"{'case':<38} {'risk':<11} {'predicted':>9} {'counted':>9}   {'interval of the count':>20}")
    found: list[Row] = []
    for case in cases(given.units, chance):
        found += rows_of(case, chance)
        print("\n".join(line(row) for row in found[-2:]), flush=True)
    found += whole_unit(given.units, chance)
    print("\n".join(line(row) for row in found[-2:]))
    held = sum(row.holds for row in found)
    by_chance = int(stats.binom.ppf(0.999, len(found), 0.05))
    print(
        f"{held} of {len(found)} predictions lie within the 95 % interval of the count (goal: all but what chance brings, "
        f"at most {by_chance} outside): {'met' if len(found) - held <= by_chance else 'NOT MET'}"
    )
    print(f"{time.perf_counter() - start:.0f} s")
    return 0 if len(found) - held <= by_chance else 1


if __name__ == "__main__":
    sys.exit(main())
