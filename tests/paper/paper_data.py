"""A visit as the papers are given it, made up: what the journal and the service would hand over, without either."""

from __future__ import annotations

import math
from copy import deepcopy
from typing import Any

EVIL = (
    '<script>alert(1)</script> #set page(fill: red) #panic("x") $x^2$ *bold* `raw` @ref </table></td> {{7*7}} {% raise %} '
    "\\u{41} 😀🔋 שלום עולם مرحبا \u202eevil\u202c 电池 \x1b[31m \x00 " + "Donau" * 12
)

SPEC: dict[str, Any] = {
    "machine": {"name": "Hollin T18 garden tractor", "manual": "service manual, section 6, page 14"},
    "engine": {"full_throttle_rpm": [3350, 3650]},
    "stator": {"min_volts_ac": 28.0, "at_rpm": 3600, "magnet_poles": 12},
    "regulator": {"rated_amps": 15.0, "at_rpm": 3600, "settled_volts": [13.8, 14.7], "ceiling_volts": 15.0},
    "battery": {"amp_hours": 28.0, "cold_cranking_amps": 300},
}


def measured(value: float, unit: str, spread: float | None) -> dict[str, Any]:
    k = None if spread is None else 1.96
    return {"value": value, "unit": unit, "expanded_uncertainty": spread, "coverage_factor": k}


def regulator_run(no: int = 2) -> tuple[dict[str, Any], dict[str, Any]]:
    """(entry in the visit body, what the journal keeps) of a run that passed."""
    run = f"20261125-190708-{no:03d}ss"
    verdict = {
        "run": run,
        "procedure": "regulator",
        "verdict": "pass",
        "suspect": "none",
        "suspects": [],
        "reasons": ["Rated output was shown: 15.1 A of 15 A."],
        "measured": {
            "settled_volts": measured(14.39, "V", 0.11) | {"probability_of_conformity": 0.9999},
            "greatest_amps": measured(15.06, "A", 0.15),
            "charge_delivered": measured(0.41, "Ah", None),
        },
        "limits": {"settled_volts": [13.8, 14.7], "ceiling_volts": 15.0, "rated_amps": 15.0, "min_amps": 13.5},
        "decision_rule": "simple acceptance",
        "ended_because": "settled volts are certain",
        "duration_s": 164.0,
        "samples": 313,
        "rpm": {"min": 3504.0, "mean": 3518.5, "max": 3531.0},
        "next_step": "The charging system does its work.",
        "cautions": [],
    }
    times = [2.0 * one for one in range(80)]
    volts = [[t, *[12.2 + 2.0 * (1 - math.exp(-t / 20))] * 2] for t in times]
    amps = [[t, *[15 * math.exp(-t / 400)] * 2] for t in times]
    kept = {
        "opened": {"started": "2026-11-25T19:07:08+00:00", "bench": "bay 1", "versions": {"benchd": "0.1.0"}},
        "closed": {"status": "judged", "reason": "settled volts are certain"},
        "verdict": verdict,
        "instruments": [
            {"name": "volts", "driver": "scpi", "identity": "TESSLUND M350", "calibration_due": "2027-09-21"}
        ],
        "answers": [{"text": "Temperature of the battery, degC?", "answer": "18"}],
        "marks": [{"t_s": 70.0, "text": "wiggled the plug"}],
        "curve": {"battery_volts": volts, "charge_amps": amps},
        "digest": "e474fc5c06f07d6951370c7344549d81",
        "records": 1697,
    }
    entry = {key: verdict[key] for key in ("run", "procedure", "verdict", "suspect", "reasons", "measured")}
    more = {"run_no": no, "status": "judged", "finding": "", "bench": "bay 1", "ended": "2026-11-25T19:10:00+00:00"}
    said = {"item": "regulator", "outcome": "good", "text": "", "started": "2026-11-25T19:07:08+00:00"}
    return {**entry, **more, **said}, kept


def visit_data(state: str = "proven", reason: str = "", runs: int = 1, curves: bool = False) -> dict[str, Any]:
    """A whole order with so many runs; with their curves where these matter (they take most of the time)."""
    made = [regulator_run(one + 2) for one in range(runs)]
    for _, kept in made:
        kept["curve"] = kept["curve"] if curves else {}
    proven = state == "proven" and runs > 0
    body = {
        "work_order": "1042",
        "state": state,
        "machine": "Hollin T18 garden tractor",
        "unit": "HT18-20931",
        "customer": "Anna Weld",
        "complaint": "The battery boiled over and there is acid on the frame.",
        "opened": "2026-11-25T19:00:00+00:00",
        "opened_by": "Piet Marlow",
        "closed": None if state == "open" else "2026-11-25T20:10:00+00:00",
        "closed_reason": reason,
        "spec": SPEC,
        "answers": [
            _said("question", "onset", "ask", "Did it come suddenly?", "suddenly", "after the service"),
            {**_said("question", "use", "ask", "Short trips?", "", ""), "outcome": None},
        ],
        "findings": [
            {
                **_said("check", "battery-case", "title", "Battery case", "wet, acid on the tray", "washed"),
                "photos": [{"file": "case.jpg", "sha256": "ab" * 32, "bytes": 482133}],
            }
        ],
        "notes": [{"at": "2026-11-25T19:06:00+00:00", "by": "Piet Marlow", "text": "Call before parts are ordered."}],
        "repairs": [
            {
                "at": "2026-11-25T19:07:05+00:00",
                "by": "Piet Marlow",
                "repair": "new-regulator",
                "title": "New regulator",
                "did": "replaced, ground strap cleaned",
                "mends": ["regulator-stuck-on"],
                "touches": ["regulator"],
                "parts": [{"name": "regulator 15 A", "number": "TL-4471", "serial": "88213"}],
                "minutes": 35.0,
            }
        ],
        "runs": [entry for entry, _ in made],
        "proof": {
            "proven": proven,
            "missing": [] if proven else ["No regulator run was made after the last repair."],
            "runs": [made[-1][0]["run"]] if proven else [],
        },
        "ranking": {
            "causes": [
                {
                    "id": "regulator-stuck-on",
                    "title": "Regulator stuck on",
                    "system": "regulator",
                    "probability": 0.83,
                    "prior": 0.04,
                    "advice": "",
                    "reasons": [
                        {"item": "battery-case", "outcome": "wet", "text": "Battery case: wet", "factor": 6.3},
                        {"item": "onset", "outcome": "sudden", "text": "Suddenly", "factor": 0.5},
                    ],
                }
            ],
            "sets": [{"causes": ["regulator-stuck-on"], "probability": 0.8}],
            "nothing": 0.05,
            "elsewhere": "",
            "conflict": "",
        },
        "plan": {"next": "none", "why": "", "steps": [], "advice": None, "locked": {}, "expected_minutes": None},
        "log": [{"at": "2026-11-25T19:00:00+00:00", "by": "Piet Marlow", "what": "opened", "line": "Order opened."}],
    }
    return {
        "visit": body,
        "runs": {entry["run"]: kept for entry, kept in made},
        "shop": "Tessel Lane",
        "printed": "2026-11-25T20:15:00+00:00",
        "program": "benchd 0.1.0",
    }


def _said(kind: str, id: str, title: str, words: str, text: str, note: str) -> dict[str, Any]:
    return {
        "at": "2026-11-25T19:02:00+00:00",
        "by": "Piet Marlow",
        kind: id,
        title: words,
        "outcome": "x",
        "text": text,
        "note": note,
    }


def empty_data() -> dict[str, Any]:
    """An order in which nothing was written yet."""
    found = visit_data("open", runs=0)
    body = found["visit"]
    for key in ("answers", "findings", "notes", "repairs", "runs", "log"):
        body[key] = []
    return {
        **found,
        "visit": {
            **body,
            **dict.fromkeys(("machine", "unit", "customer", "complaint", "opened_by"), ""),
            "ranking": {"causes": [], "sets": [], "nothing": 0.02, "elsewhere": "", "conflict": ""},
            "spec": {},
        },
        "shop": "",
    }


def hostile_data(runs: int = 1) -> dict[str, Any]:
    """Every text that somebody else wrote is one that tries to be markup, source or a terminal's command."""
    found = deepcopy(visit_data("closed without proof", EVIL * 6, runs))
    body = found["visit"]
    for key in ("machine", "unit", "customer", "complaint", "opened_by"):
        body[key] = EVIL * 3
    for key in ("answers", "findings", "notes", "repairs", "log"):
        body[key] = [{name: _evil(name, one) for name, one in entry.items()} for entry in body[key] * 2]
    for cause in body["ranking"]["causes"]:
        cause["title"] = EVIL
        for reason in cause["reasons"]:
            reason["text"] = EVIL
    body["proof"]["missing"] = [EVIL] * 3
    for entry in body["runs"]:
        entry["text"] = EVIL
    for kept in found["runs"].values():
        kept["verdict"]["reasons"] = [EVIL] * 3
        kept["instruments"][0]["identity"] = EVIL
        kept["opened"]["warnings"] = [EVIL]
    return {**found, "shop": EVIL}


def _evil(name: str, one: Any) -> Any:
    if name == "parts":
        return [{"name": EVIL, "number": EVIL, "serial": EVIL}]
    return EVIL if isinstance(one, str) and name not in ("at", "question", "check", "repair", "outcome") else one
