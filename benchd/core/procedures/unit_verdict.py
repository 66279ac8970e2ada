"""One verdict on a unit from what came of its characteristics."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from benchd.core.lots.modes import TITLES, by_weight
from benchd.core.procedures import unit_words
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.unit_amounts import Result
from benchd.core.specs import Measures, PartSpec
from benchd.core.verdicts import Outcome, Suspect

NOT_MEASURED = "not-measured"
EXPLAINED = 0.92  # of the greatest output: at such a load the unit gives all it has, and its volts say nothing else
_FALLS = {Measures.SET_POINT, Measures.LOAD_REGULATION, Measures.WARM_UP}


def explained(results: Sequence[Result]) -> list[Result]:
    """The same where a low output stands for what follows from it: volts that sag at a load that is nearly all the unit
    has, and loads that it could not reach."""
    if any(one.mode == "no-output" for one in results):
        return [replace(one, mode="no-output") if one.mode == "starts-late" else one for one in results]
    low = next((one for one in results if one.mode == "output-low" and one.amount is not None), None)
    if low is None or low.amount is None:
        return list(results)
    greatest = low.amount.value
    found: list[Result] = []
    for result in results:
        at_its_end = result.load is not None and result.load >= EXPLAINED * greatest
        amps = result.one.amps
        out_of_reach = result.outcome == "void" and result.cause == "load" and amps is not None and amps[1] > greatest
        if (
            result.outcome == "fail"
            and result.one.measures in _FALLS
            and at_its_end
            and result.mode != "set-point-high"
        ):
            says = f"{result.says} It gave all it had: the output is low."
            result = replace(result, mode="output-low", says=says)
        elif out_of_reach or (result.outcome == "void" and result.one.measures is Measures.LOAD_REGULATION):
            result = replace(
                result, outcome="skipped", says=f"Not measured: more load than the {greatest:.1f} A it gives."
            )
        found.append(result)
    return found


def modes(results: Sequence[Result], extra: Sequence[str] = ()) -> tuple[str, ...]:
    return by_weight({one.mode for one in results if one.outcome == "fail" and one.mode} | set(extra))


def finding(results: Sequence[Result], part: PartSpec, over: str, because: str, stopped: bool) -> Finding:
    """`over`: a sentence where the ceiling was crossed for real, else ''. `stopped`: the unit was stopped for safety."""
    failed = [one for one in results if one.outcome == "fail"]
    if failed or over:
        found = modes(results, ("over-ceiling",) if over else ())
        order = sorted(failed, key=lambda one: found.index(one.mode))
        reasons = (over, *(f"{one.one.title}: {one.says}" for one in order)) if over else tuple(
            f"{one.one.title}: {one.says}" for one in order
        )  # fmt: skip
        left = [one.one.id for one in results if one.outcome in ("void", "skipped")]
        if left:
            reasons = (*reasons, f"Not measured: {', '.join(left)}.")
        titles = ", ".join(TITLES[one] for one in found)
        cautions = (unit_words.STOP.format(TITLES[found[0]]),) if stopped else ()
        return Finding(
            Outcome.FAIL, Suspect.REGULATOR, reasons, because, f"Set the unit aside: {titles}.", cautions=cautions, slug=found[0]
        )  # fmt: skip
    void = [one for one in results if one.outcome in ("void", "skipped")]
    if void:
        return _void(void, because)
    open_ones = [one for one in results if one.outcome == "undecided"]
    if open_ones:
        reasons = tuple(f"{one.one.title}: {one.says}" for one in open_ones)
        step = "Measure again with a better meter or a steadier drive and load; a retest is counted."
        return Finding(Outcome.UNDECIDED, Suspect.UNKNOWN, reasons, because, step)
    p = joint_probability(results)
    told = (
        "" if p is None else f" Probability of conformity of the unit {p:.3f}, if its characteristics are independent."
    )
    return Finding(
        Outcome.PASS, Suspect.NONE, (f"All {len(results)} characteristics conform by {part.rule}.{told}",), because
    )


def _void(void: Sequence[Result], because: str) -> Finding:
    causes = [one.cause for one in void if one.cause]
    main = causes[0] if causes else ""
    suspect = (
        Suspect.ENGINE_SPEED
        if main == "speed"
        else Suspect.UNKNOWN
        if main in ("", "load", "volts")
        else Suspect.INSTRUMENT
    )
    steps = dict.fromkeys(unit_words.cure(one) for one in causes)
    return Finding(
        Outcome.VOID,
        suspect,
        tuple(f"{one.one.title}: {one.says}" for one in void if one.says),
        because,
        " ".join((*steps, "Then test this unit again.")),
        slug=NOT_MEASURED,
    )


def joint_probability(results: Sequence[Result]) -> float | None:
    """Product of the characteristics' probabilities of conformity, as if they were independent; None where one is unknown."""
    each = [one.probability for one in results]
    return None if not each or None in each else math.prod(p for p in each if p is not None)


def row_of(result: Result) -> dict[str, Any]:
    """One line of the verdict's list of characteristics."""
    one, amount = result.one, result.amount
    known = amount is not None and math.isfinite(amount.u)
    return {
        "id": one.id,
        "title": one.title,
        "unit": one.unit,
        "value": None if amount is None else amount.value,
        "u": amount.u if amount is not None and known else None,
        "low": one.low,
        "high": one.high,
        "probability_of_conformity": result.probability,
        "outcome": result.outcome,
        "mode": result.mode,
        "t_s": round(result.t_s, 3),
        "n": 0 if amount is None else amount.n,
        "says": result.says,
    }
