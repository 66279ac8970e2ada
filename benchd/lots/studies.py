"""The plan of a gauge study: which unit is tested by whom when, in a random order that is kept."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from typing import Any

from benchd.core.lots.serials import JUDGED
from benchd.errors import UsageError

MOST_UNITS, MOST_RATERS = 50, 10


def design_of(units: Sequence[str], raters: Sequence[str], by: str, trials: int, seed: int) -> dict[str, Any]:
    """{units, raters, by, trials, seed, order [[serial, rater, trial]]}: every rater tests all units once in an order of its own,
    then all once more, so that nobody tests a unit twice running. UsageError for what makes no study."""
    for what, given, least, most in (("unit", units, 2, MOST_UNITS), ("rater", raters, 2, MOST_RATERS)):
        twice = sorted({one for one in given if list(given).count(one) > 1})
        if twice or any(not one for one in given):
            raise UsageError(
                f"a study's {what}s have names of their own; {twice[0] if twice else 'one'} is there twice or empty"
            )
        if not least <= len(given) <= most:
            raise UsageError(
                f"a study has {least} to {most} {what}s (usual are {'10' if what == 'unit' else '3'}), not {len(given)}"
            )
    if not 2 <= trials <= 10:
        raise UsageError(f"a study has 2 to 10 trials (usual are 3), not {trials}")
    if by not in ("person", "bench"):
        raise UsageError(f"a study's raters are of 'person' or of 'bench', not {by!r}")
    chance = random.Random(seed)
    order: list[list[Any]] = []
    last: dict[str, str] = {}
    for trial in range(1, trials + 1):
        drawn = {rater: _drawn(units, last.get(rater), chance) for rater in raters}
        last = {rater: found[-1] for rater, found in drawn.items()}
        order += [[drawn[rater][place], rater, trial] for place in range(len(units)) for rater in raters]
    return {"units": list(units), "raters": list(raters), "by": by, "trials": trials, "seed": seed, "order": order}


def _drawn(units: Sequence[str], not_first: str | None, chance: random.Random) -> list[str]:
    found = list(units)
    chance.shuffle(found)
    if found[0] == not_first:
        found[0], found[-1] = found[-1], found[0]
    return found


def left_of(design: Mapping[str, Any], tests: Sequence[Mapping[str, Any]]) -> list[list[Any]]:
    """The trials that were not judged yet, in order."""
    done = {tuple(one["trial"]) for one in tests if one.get("trial") and one["verdict"] in JUDGED}
    return [one for one in design["order"] if tuple(one) not in done]


def table_of(design: Mapping[str, Any], tests: Sequence[Mapping[str, Any]], id: str) -> list[list[list[float | None]]]:
    """Values [unit][rater][trial] of one characteristic, None where it is missing; of a trial the last judged test counts."""
    found: dict[tuple[Any, ...], float] = {}
    for test in reversed(tests):  # the newest come first
        if test.get("trial") and test["verdict"] in JUDGED and id in test["measured"]:
            found[tuple(test["trial"])] = float(test["measured"][id]["value"])
    return [
        [[found.get((unit, rater, trial)) for trial in range(1, design["trials"] + 1)] for rater in design["raters"]]
        for unit in design["units"]
    ]
