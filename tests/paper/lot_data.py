"""Lots, certificates, studies and standards as the papers are given them: made-up numbers through the real statistics."""

from __future__ import annotations

import math
from copy import deepcopy
from functools import cache
from typing import Any

import numpy as np

from benchd.core.lots.gauge_study import study
from benchd.core.lots.report import report, summary
from benchd.core.lots.standing import standing
from benchd.core.lots.units import Units, serial_key
from benchd.core.specs import Characteristic, Measures, PartSpec

MADE = "2026-11-26T09:30:00+00:00"
FRAME = {
    "shop": "Vantry Rebuild, 4 Kiln Lane",
    "made": MADE,
    "program": {"benchd": "0.1.0", "python": "3.11.7", "numpy": "2.4.6", "scipy": "1.17.1"},
}
PART = PartSpec(
    "VR-20", "Vantry VR-20", 20.0, (3500, 3700), 4000, 15.0,
    (
        Characteristic("leakage", Measures.LEAKAGE, "Reverse leakage, drive stopped", "mA", None, 2.0),
        Characteristic("set-point-rated", Measures.SET_POINT, "Set-point, rated load", "V", 13.9, 14.5),
    ),
)  # fmt: skip
MEAN, SD, U = np.array([0.8, 14.22]), np.array([0.2, 0.055]), np.array([0.02, 0.012])
MODES = ("", "leaks-back", "set-point-high")
LOT = {
    "lot": "VR20-0117", "kind": "lot", "part": "VR-20", "title": "Spring exchange units", "state": "closed",
    "opened": "2026-11-26T06:00:00+00:00", "closed": "2026-11-26T09:20:00+00:00", "opened_by": "Ines Calder", "closed_by": "Tomas Rue",
    "closed_reason": "shift ended", "customer": "Hollin Tractor Works", "planned": 60, "plan": "", "notes": [],
    "spec": {"part": {"name": "Vantry VR-20", "number": "VR-20", "manual": "rebuild specification VR-20, sheet 2"},
             "test": [{"id": "leakage", "measures": "reverse leakage"}, {"id": "set-point-rated", "measures": "set-point"}]},
}  # fmt: skip


def units(count: int, seed: int = 3, high: tuple[int, ...] = (), drift: float = 0.0) -> Units:
    """`high`: units whose set-point is too high; `drift`: volts over 100 units."""
    chance = np.random.default_rng(seed)
    values = MEAN + SD * chance.standard_normal((count, 2))
    values[:, 1] += drift * np.arange(count) / 100
    values[list(high), 1] = 14.9
    failed = ((values > [2.0, 14.5]) | (values < [-math.inf, 13.9])).any(axis=1).astype(np.int64)
    names = tuple(f"VR20-{4200 + place:06d}" for place in range(count))
    at = np.arange(count)
    return Units(
        PART.ids, np.array([serial_key(one) for one in names], np.int64), 1_764_000_000_000 + 45_000 * at, at + 1, at % 2,
        ("rig 1", "rig 2"), failed, 2 * failed, MODES, values, np.broadcast_to(U, values.shape).copy(), names,
    )  # fmt: skip


@cache
def _report(count: int, high: tuple[int, ...], drift: float, plan: str) -> dict[str, Any]:
    earlier = [summary(report(units(40, seed), PART), f"VR20-011{seed}", MADE) for seed in (5, 6)]
    return report(units(count, high=high, drift=drift), PART, plan=plan, lot_size=count or None, earlier=earlier)


def lot(count: int = 60, high: tuple[int, ...] = (), drift: float = 0.0, plan: str = "", **more: Any) -> dict[str, Any]:
    body = deepcopy(_report(count, high, drift, plan))
    return {**FRAME, "lot": {**LOT, **more}, "report": body, "gates": [gate(), gate("rig 2", fit=False)], "digest": "921eaae85e5d6d2b68a84104cb6be872"}  # fmt: skip


def gate(bench: str = "rig 1", fit: bool = True) -> dict[str, Any]:
    return {
        "bench": bench, "part": "VR-20", "fit": fit, "do": [],
        "reasons": [] if fit else [f"{bench}: the calibration of volts was due on 2026-11-01"],
        "standards": [{"standard": "VR20-REF-A", "last": MADE, "due": MADE, "in_control": True, "says": "in control"}],
        "instruments": [{"name": "volts", "calibration_due": "2027-03-01" if fit else "2026-11-01", "overdue": not fit}],
    }  # fmt: skip


def certificate(verdict: str = "pass", attempts: int = 1, **unit: Any) -> dict[str, Any]:
    bad = verdict != "pass"
    tests = [
        {
            "serial": "VR20-004211", "run": f"20261126-0914{at:02d}-001aa", "run_no": at, "attempt": at, "verdict": verdict if at == attempts else "fail",
            "mode": "", "title": "" if at == attempts and not bad else "set-point too high", "bench": "rig 1", "by": "Ines Calder",
            "started": f"2026-11-26T09:{at % 60:02d}:00+00:00", "measured": {},
        }
        for at in range(attempts, 0, -1)
    ]  # fmt: skip
    rows = [
        {
            "id": one.id, "title": one.title, "unit": one.unit, "value": value, "u": u, "low": one.low, "high": one.high,
            "probability_of_conformity": 0.0002 if bad and one.id != "leakage" else 0.99996, "outcome": "fail" if bad and one.id != "leakage" else "pass",
            "mode": "", "n": 30, "says": "",
        }
        for one, value, u in zip(PART.characteristics, (0.667, 14.9 if bad else 14.21), (0.02, 0.012), strict=True)
    ]  # fmt: skip
    measured = {
        row["id"]: {"value": row["value"], "unit": row["unit"], "expanded_uncertainty": 2.13 * row["u"], "coverage_factor": 2.13}
        for row in rows
    }  # fmt: skip
    said = {
        "verdict": verdict, "characteristics": rows, "measured": measured, "probability_of_conformity": 0.9991,
        "reasons": ["Set-point, rated load: 14.9 V is beyond 14.5 V."] if bad else [], "program": "benchd 0.1.0",
    }  # fmt: skip
    instruments = [
        {
            "name": "volts",
            "driver": "scpi",
            "identity": "TESSLUND M350, serial 118203",
            "calibration_due": "2027-09-21",
        },
        {"name": "tach", "driver": "pulse", "identity": None, "calibration_due": None},
    ]
    return {
        **FRAME, "lot": deepcopy(LOT), "unit": {**tests[0], **unit}, "attempts": tests, "verdict": said, "rule": "guarded acceptance", "risk": 0.05,
        "instruments": instruments, "digest": "02cf3511e816c2db768af1e01dab11ec",
    }  # fmt: skip


def gauge_study(raters: tuple[str, ...] = ("rig 1", "rig 2", "rig 3"), left: int = 0) -> dict[str, Any]:
    chance = np.random.default_rng(5)
    names = [f"G{place:02d}" for place in range(1, 11)]
    found = []
    for one, mean, sd, u in zip(PART.characteristics, MEAN, SD, U, strict=True):
        values = mean + sd * chance.standard_normal((10, 1, 1)) + 2 * u * np.linspace(-1, 1, len(raters))[:, None]
        values = values + u * chance.standard_normal((10, len(raters), 3))
        table = values.tolist()
        if left:
            table[-1][-1][-1] = None
        made = study(table, names, raters, low=one.low, high=one.high, unit=one.unit)
        found.append({"id": one.id, "title": one.title, "unit": one.unit, "low": one.low, "high": one.high, **made})
    design = {"units": names, "raters": list(raters), "by": "bench", "trials": 3, "seed": 5, "order": []}
    return {
        **FRAME, "lot": {**LOT, "lot": "VR20-GRR-3", "kind": "study"}, "design": design, "left": [["G10", raters[-1], 3]] * left, "characteristics": found,
    }  # fmt: skip


def standard(shift: float = 0.0, count: int = 20, **more: Any) -> dict[str, Any]:
    """A standard on one bench whose set-point moves by `shift` after the fifteenth measurement."""
    values = 14.22 + 0.005 * np.random.default_rng(8).standard_normal(count)
    values[15:] += shift
    made = standing(values, reference=(14.22, 0.01), expanded=[0.02] * count, unit="V", name="Set-point, rated load")
    chart = made.chart
    one = {
        "id": "set-point-rated", "title": "Set-point, rated load", "state": made.state, "fit": made.fit, "missing": made.missing, "n": made.n,
        "points": values.tolist(), "times": [f"2026-11-{place + 1:02d}T06:00:00+00:00" for place in range(count)],
        "limits": None if chart is None else {"centre": chart.centre, "low": chart.low, "high": chart.high, "sigma": chart.sigma},
        "signals": [{"rule": s.rule, "title": s.title, "at": s.index + 1, "now": s in made.now, "says": s.says} for s in made.broken],
        "en": made.en, "en_says": made.en_says, "says": list(made.says), "do": list(made.do), "left_out": [place + 1 for place in made.left_out],
    }  # fmt: skip
    lot = {
        **LOT, "lot": "VR20-REF-A", "kind": "standard", "state": "open", "closed": None, "baseline": 10, "every_hours": 8.0,
        "references": {"set-point-rated": {"value": 14.22, "expanded_uncertainty": 0.01}}, **more,
    }  # fmt: skip
    bench = {"bench": "rig 1", "fit": made.fit, "measurements": count, "characteristics": [one]}
    return {**FRAME, "lot": lot, "benches": [bench] if count else [], "gates": [gate(fit=made.fit)]}
