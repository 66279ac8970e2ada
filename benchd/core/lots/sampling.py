"""Acceptance sampling by attributes from a published plan: single sampling, normal inspection.

Plan: MIL-STD-105E (10 May 1989, public domain), table I (code letters) and table II-A (single sampling plans for normal inspection);
ISO 2859-1 and ANSI/ASQ Z1.4 tabulate the same plans. tests/outside/test_sampling_plans.py says where each table was read. Left out:
AQLs above 10 (nonconformities per hundred units), double and multiple sampling, the switching rules to tightened and reduced inspection
(they are about a series of lots), and plans by variables (no table of them was at hand to be checked).

A sample says something of the units that were not tested only if it was drawn at random from the whole lot.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

SOURCE = "MIL-STD-105E (1989), tables I and II-A, single sampling, normal inspection (as ISO 2859-1)"
#: Largest lot of each row of table I, and its code letters at S-1..S-4, I, II, III.
_SIZES = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000)
_LETTERS = (
    "AAAAAAB", "AAAAABC", "AABBBCD", "ABBCCDE", "BBCCCEF", "BBCDDFG", "BCDEEGH", "BCDEFHJ", "CCEFGJK", "CDEGHKL", "CDFGJLM", "CDFHKMN",
    "DEGJLNP", "DEGJMPQ", "DEHKNQR",
)  # fmt: skip
LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
#: Code letter -> sample size.
SAMPLES = dict(
    zip("ABCDEFGHJKLMNPQR", (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000), strict=True)
)
AQLS = (
    0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10.0,
)  # fmt: skip
#: Acceptance numbers along a diagonal of table II-A: 0, an arrow up, an arrow down, then these.
_ALONG = (1, 2, 3, 5, 7, 10, 14, 21)
#: AQL -> code letter of the plan with acceptance number 0, from which its column goes on.
_ZERO = dict(zip(AQLS, "QPNMLKJHGFEDCBAA", strict=True))
_GRAMMAR = "attributes, general II, AQL 0.65"
_WORDS = re.compile(
    r"\s*attributes\s*,\s*(?:general\s+(?P<general>I{1,3})|special\s+(?P<special>S-[1-4]))\s*,\s*AQL\s+(?P<aql>[0-9.]+)\s*",
    re.I,
)


@dataclass(frozen=True, slots=True)
class Plan:
    """`size` units are tested of a lot of `lot`; it is accepted with at most `accept` that do not conform, rejected from `reject` on."""

    text: str
    lot: int
    letter: str
    size: int
    accept: int
    reject: int
    aql: float
    level: str
    source: str = SOURCE


def plan_of(text: str, lot_size: int) -> Plan:
    """The plan that words like 'attributes, general II, AQL 0.65' mean for a lot of this size. ValueError says what is possible."""
    found = _WORDS.fullmatch(text)
    if found is None:
        raise ValueError(
            f"found {text[:60]!r}, expected words like {_GRAMMAR!r} (levels general I to III, special S-1 to S-4)"
        )
    if lot_size < 2:
        raise ValueError(f"a lot of {lot_size} units needs no sampling plan: test every unit")
    level = (found["general"] or found["special"]).upper()
    aql = _aql(found["aql"])
    letter = letter_of(lot_size, level)
    used, accept = column(letter, aql)
    size = SAMPLES[used]
    if size >= lot_size:  # the standard: then every unit is tested
        size = lot_size
    return Plan(text.strip(), lot_size, used, size, accept, accept + 1, aql, level)


def letter_of(lot_size: int, level: str) -> str:
    """Table I. ValueError for an unknown level."""
    if level not in LEVELS:
        raise ValueError(f"found level {level!r}, expected one of {', '.join(LEVELS)}")
    return _LETTERS[bisect_left(_SIZES, lot_size)][LEVELS.index(level)]


def column(letter: str, aql: float) -> tuple[str, int]:
    """Table II-A: (code letter of the plan that is used, acceptance number), arrows followed. An arrow leads to the first plan in
    its direction; its sample size is used, not the letter's own."""
    letters = "ABCDEFGHJKLMNPQR"
    above = aql == 10.0  # no plan with 0: its column begins one row above the table
    zero = letters.index(_ZERO[aql]) - above
    place = letters.index(letter)
    step = place - zero
    if step < 0:  # arrow down to the plan with 0
        return (letters[zero], 0) if zero >= 0 else (letters[2], 1)
    if step == 0:
        return letter, 0
    if step == 1 and zero >= 0:  # arrow up
        return letters[zero], 0
    if step <= 2:  # arrow down to the plan with 1
        return (letters[zero + 3], 1) if zero + 3 < len(letters) else (letters[zero], 0)
    index = min(step - 3, len(_ALONG) - 1)
    return letters[zero + 3 + index], _ALONG[index]


def decided(plan: Plan, inspected: int, found: int) -> dict[str, Any]:
    """What a plan says of `inspected` units of which `found` did not pass at first: report.py's "sampling". More units than the plan's
    sample are judged as one sample too large, which is the stricter; `decided_in_order` keeps to the plan."""
    if not 0 <= found <= inspected:
        raise ValueError(f"{found} of {inspected} units: found cannot be below 0 or above what was inspected")
    decision = "reject" if found >= plan.reject else "accept" if inspected >= plan.size else None
    return {
        "plan": plan.text, "source": plan.source, "letter": plan.letter, "size": plan.size, "lot": plan.lot, "inspected": inspected,
        "accept": plan.accept, "reject": plan.reject, "found": found, "decision": decision,
        "says": _says(plan, inspected, found, decision),
    }  # fmt: skip


def decided_in_order(plan: Plan, passed: Sequence[bool] | NDArray[np.bool_]) -> dict[str, Any]:
    """The same of units in the order they were first tested, True where one passed: the sample is the first `plan.size` of them."""
    sample = np.asarray(passed, bool)[: plan.size]
    return decided(plan, len(sample), int((~sample).sum()))


def _says(plan: Plan, inspected: int, found: int, decision: str | None) -> str:
    by = f"by {plan.source}, code letter {plan.letter}: {plan.size} of {plan.lot} units, accepted with at most {plan.accept}"
    if decision == "reject":
        return f"Rejected: {found} of {inspected} units did not pass; {by}"
    if decision is None:
        left = plan.size - inspected
        return f"Not decided: {left} more unit{'s are' if left != 1 else ' is'} to be tested; {by}"
    said = f"Accepted: {found} of {inspected} units did not pass; {by}"
    if inspected >= plan.lot:
        return said
    return (
        f"{said}. Of the {plan.lot - inspected} units that were not tested it speaks only if the sample was drawn at random from the whole "
        "lot, and it says that of the lot, not of any one of them"
    )


def chance_of_acceptance(plan: Plan, bad: float) -> float:
    """Operating characteristic: probability that a lot with this part of bad units is accepted (binomial, as the standard's curves:
    the sample small against the lot; of a lot tested whole, 1 or 0). ValueError."""
    if not 0 <= bad <= 1:
        raise ValueError(f"a part lies between 0 and 1, not {bad}")
    if plan.size >= plan.lot:
        return 1.0 if bad * plan.lot < plan.reject else 0.0
    return float(special.bdtr(plan.accept, plan.size, bad))


def operating_characteristic(plan: Plan, points: int = 101) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(parts of bad units (points,), chances of acceptance (points,)) from 0 to where hardly a lot is accepted."""
    most = min(1.0, (plan.accept + 1 + 4.0 * (plan.accept + 1) ** 0.5) / plan.size)
    bad = np.linspace(0.0, most, points)
    return bad, np.array([chance_of_acceptance(plan, one) for one in bad.tolist()])


def _aql(text: str) -> float:
    try:
        found = float(text)
    except ValueError:
        found = 0.0
    for one in AQLS:
        if abs(one - found) < 1e-9:
            return one
    raise ValueError(f"AQL {text}: expected one of {', '.join(f'{one:g}' for one in AQLS)}")
