"""Everything that is said of a lot, as one JSON-ready object: what screens, papers, exports and the API read.

    {"part": {"number", "name", "rule", "risk"},
     "counts": {"tests", "units", "passed", "failed", "undecided", "void", "open", "retested", "retests", "first_passed"},
         units by their last judged verdict; void/open count tests; "retested" units, "retests" further judged tests
     "yield": {"first_pass": SHARE, "final": SHARE},     SHARE: {"part", "low", "high", "count", "of", "method"}; part None for 0 of 0
     "modes": [{"mode", "title", "units", "part", "running"}],    of first tests that did not pass, most frequent first; running sum
     "characteristics": [{
         "id", "title", "measures", "unit", "low", "high",        the limits
         "n", "mean", "sd", "min", "max", "median", "kurtosis",   of first judged tests, one a unit, in order of time; kurtosis: 3 for
                                                                  normal values
         "u",                                                     median standard uncertainty, None if not known
         "beyond": {"low", "high"},                               how many units lie beyond each limit
         "normality": {"test", "statistic", "p", "n", "normal", "says"},
         "capability": {"method": "normal" | "percentiles" | "none", "says", "within_sd", "overall_sd", "percentiles": None | [three],
                        "cp", "cpk", "cpm", "pp", "ppk": None | {"value", "low", "high", "confidence"}},
         "charts": [CHART], "charts_says",                        why there are none
         "signals": [{"chart", "rule", "title", "at", "from", "until", "serial", "run_no", "bench", "value", "says"}],   at most 100;
             units of the lot by number from 1: "from" to "at" break the rule, and it stays broken up to "until"
         "signals_found", "signals_expected",                     how many, and how many charts of a process in control bring
         "out_of_control": bool or None,                          more than chance, over all characteristics (Holm, 5 %)
             CHART: {"kind": "individuals" | "moving range" | "x-bar" | "R" | "s", "size", "centre", "low", "high", "sigma",
                     "points": [[number of the unit, value], ...] thinned to at most 400 for drawing, extremes kept, "n", "says"}
         "histogram": {"edges", "counts", "below", "above"},      below, above: far outliers that no bin holds
         "worst": [{"at", "serial", "run_no", "bench", "value", "margin"}],   the five nearest a limit or furthest beyond (margin < 0)
         "drift": {"per_100", "low", "high", "p", "p_holm", "over_lot", "autocorrelation", "says"},   along the lot, per 100 units,
                                                                  95 % interval; p_holm: over all characteristics
         "risk": None | {"consumer", "producer", "good", "guard", "says"},   JCGM 106, by the observed spread
         "benches": [{"bench", "n", "mean", "sd", "bias", "low", "high", "p", "p_holm"}],   bias to the mean of the others, 95 %
         "benches_left_out",                                      far outliers, which are not in what is said of benches
         "between_benches": None | {"p", "p_holm", "p_spread", "p_spread_holm", "statistic", "dof", "says"},   None: one bench
         "says"}],                                                '' or on how many units it was not measured
     "risk": {"consumer", "producer", "says"},                    of a whole unit
     "benches": [{"bench", "tests", "units", "first_pass": SHARE}],
     "sampling": None | {"plan", "source", "size", "inspected", "accept", "reject", "found", "decision", "says"},
     "earlier": [{"lot", "closed", "units", "first_pass", "characteristics": [{"id", "n", "mean", "sd", "kurtosis", "difference",
                  "low", "high", "p_mean", "p_mean_holm", "p_sd", "p_sd_holm", "says"}]}],   this lot against each; difference: this less that
     "rules",                                                     the run rules that were applied
     "says": [sentence, ...]}                                     what a reader must know first; the worst first

A lot's number of a unit ("at", "points") counts first judged tests in order of time, from 1. "p" is of one comparison, "p_holm" adjusted for all of
its kind in the report; sentences call a difference one by the adjusted p alone.

None stands for what cannot be known (too few units, one-sided limits for cp, no uncertainty), and a sentence says why.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.core.lots.characteristic import entry, moments
from benchd.core.lots.compare import Figures, holm, lots
from benchd.core.lots.findings import ALPHA, sentences
from benchd.core.lots.modes import TITLES
from benchd.core.lots.ranked import counts_of, ranked
from benchd.core.lots.risk import LotRisk, lot_risk, together
from benchd.core.lots.shares import share
from benchd.core.lots.signals import Who, rules_of
from benchd.core.lots.units import VERDICTS, Units
from benchd.core.specs import Characteristic, PartSpec

PASS, FAIL, UNDECIDED, VOID, OPEN = range(len(VERDICTS))


def report(
    units: Units,
    spec: PartSpec,
    *,
    plan: str = "",
    lot_size: int | None = None,
    earlier: Sequence[Mapping[str, Any]] = (),
    rules: str = "western electric",
) -> dict[str, Any]:
    """Of all tests of a lot. `plan`: a sampling plan by its words (sampling.py); `lot_size` None: as many as were tested. `earlier`: of
    earlier lots what `summary` gives, the newest first. `rules`: 'western electric' or 'nelson'. ValueError for rules or a plan that
    are not known, and where a characteristic of `spec` has no column."""
    rules_of(rules)
    judged = units.judged()
    attempts = judged.attempts()
    place = np.flatnonzero(attempts == 1)
    first = replace(judged, names=()).taken(place)
    who = _who(first, judged.names, place)
    entries = [entry(one, first, rules, who) for one in spec.characteristics]
    characteristics = [one.body for one in entries]
    risks = [_risk(one, first, spec) for one in spec.characteristics]
    for one, risk in zip(characteristics, risks, strict=True):
        one["risk"] = None if one["low"] is None and one["high"] is None else asdict(risk)
    body: dict[str, Any] = {
        "part": {"number": spec.number, "name": spec.name, "rule": str(spec.rule), "risk": spec.risk},
        "counts": counts(units, judged, attempts),
    }
    body |= yields(body["counts"])
    body |= {
        "modes": [asdict(one) for one in ranked(counts_of(first), first.modes, TITLES)],
        "characteristics": characteristics,
        "risk": dict(zip(("consumer", "producer", "says"), together(risks), strict=True)),
        "sampling": _sampling(plan, lot_size, first),
        "benches": _benches(units, first),
        "earlier": [against(one, characteristics) for one in earlier],
        "rules": rules,
    }  # fmt: skip
    adjust(body, [one.chance for one in entries])
    body["says"] = sentences(body)
    return body


def _risk(one: Characteristic, first: Units, spec: PartSpec) -> LotRisk:
    values, u = first.column(one.id)
    return lot_risk(values, u, one.low, one.high, spec.rule, spec.risk, one.unit)


def _sampling(plan: str, lot_size: int | None, first: Units) -> dict[str, Any] | None:
    """What a published plan says of a lot of which a sample was tested; None where every unit is to be. ValueError."""
    if not plan:
        return None
    from benchd.core.lots.sampling import decided_in_order, plan_of

    return decided_in_order(plan_of(plan, lot_size or len(first)), first.verdict == PASS)


def summary(body: Mapping[str, Any], lot: str, closed: str | None) -> dict[str, Any]:
    """What a later lot's report needs of this one's, for `earlier`."""
    return {
        "lot": lot, "closed": closed, "units": body["counts"]["units"], "first_pass": body["yield"]["first_pass"],
        "characteristics": [
            {key: one[key] for key in ("id", "n", "mean", "sd", "kurtosis")} for one in body["characteristics"]
        ],
    }  # fmt: skip


def summary_of(units: Units, lot: str, closed: str | None) -> dict[str, Any]:
    """The same from all tests of the lot, without a whole report: of 100,000 tests in a third of the time."""
    judged = units.judged()
    attempts = judged.attempts()
    first = judged.taken(np.flatnonzero(attempts == 1))
    found = counts(units, judged, attempts)
    figures = [{"id": id, **moments(first.column(id)[0])} for id in units.ids]
    return summary({"counts": found, "characteristics": figures, **yields(found)}, lot, closed)


def counts(units: Units, judged: Units, attempts: NDArray[np.int64]) -> dict[str, int]:
    """`attempts`: of `judged`."""
    order = np.lexsort((attempts, judged.serial))
    serial = judged.serial[order]
    last = np.ones(len(judged), bool)
    last[:-1] = serial[1:] != serial[:-1]
    final = np.bincount(judged.verdict[order][last], minlength=len(VERDICTS))
    tests = np.bincount(units.verdict, minlength=len(VERDICTS))
    first_passed = int(((attempts == 1) & (judged.verdict == PASS)).sum())
    return {
        "tests": len(units), "units": int(last.sum()), "passed": int(final[PASS]), "failed": int(final[FAIL]),
        "undecided": int(final[UNDECIDED]), "void": int(tests[VOID]), "open": int(tests[OPEN]),
        "retested": int((attempts == 2).sum()), "retests": int((attempts > 1).sum()), "first_passed": first_passed,
    }  # fmt: skip


def yields(found: Mapping[str, int]) -> dict[str, Any]:
    first, final = share(found["first_passed"], found["units"]), share(found["passed"], found["units"])
    return {"yield": {"first_pass": asdict(first), "final": asdict(final)}}


def adjust(body: dict[str, Any], chances: Sequence[float | None]) -> None:
    """Puts in what depends on all comparisons together: every "p_holm", and "out_of_control"."""
    characteristics = body["characteristics"]
    for one, chance in zip(characteristics, holm(chances), strict=True):
        one["out_of_control"] = None if chance is None else chance < ALPHA
    _adjusted([one["drift"] for one in characteristics], "p")
    _adjusted([bench for one in characteristics for bench in one["benches"]], "p")
    between = [one["between_benches"] for one in characteristics if one["between_benches"]]
    _adjusted(between, "p")
    _adjusted(between, "p_spread")
    compared = [one for lot in body["earlier"] for one in lot["characteristics"]]
    _adjusted(compared, "p_mean")
    _adjusted(compared, "p_sd")


def _adjusted(found: Sequence[dict[str, Any]], key: str) -> None:
    for one, p in zip(found, holm([one[key] for one in found]), strict=True):
        one[f"{key}_holm"] = p


def _benches(units: Units, first: Units) -> list[dict[str, Any]]:
    """Every bench that tested any of the lot."""
    tests, of, passed = (
        np.bincount(codes, minlength=len(units.benches)).tolist()
        for codes in (units.bench, first.bench, first.bench[first.verdict == PASS])
    )
    return [
        {"bench": name, "tests": tests[at], "units": of[at], "first_pass": asdict(share(passed[at], of[at]))}
        for at, name in enumerate(units.benches)
        if tests[at]
    ]


def against(old: Mapping[str, Any], characteristics: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """This lot against an earlier one (what `summary` gave)."""
    was = {one["id"]: one for one in old["characteristics"]}
    compared = []
    for one in characteristics:
        then = was.get(one["id"])
        if then is None:
            continue
        here, there = (Figures(x["n"], x["mean"], x["sd"], x.get("kurtosis")) for x in (one, then))
        compared.append({**then, **asdict(lots(here, there, unit=one["unit"]))})
    return {**{key: old.get(key) for key in ("lot", "closed", "units", "first_pass")}, "characteristics": compared}


def _who(first: Units, names: Sequence[str], places: NDArray[np.int64]) -> Who:
    """`names` of all judged tests, `places` of the first ones among them."""

    def who(place: int) -> dict[str, Any]:
        return {
            "serial": names[places[place]] if names else None,
            "run_no": int(first.run_no[place]),
            "bench": first.benches[int(first.bench[place])],
        }

    return who
