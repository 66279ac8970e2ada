"""What a load test shows while it goes on, and what its verdict keeps."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from benchd.core import lead_acid, ratings
from benchd.core.budget import coverage_factor
from benchd.core.procedures import words
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.load_state import (
    OFF_NOMINAL,
    Result,
    least_volts,
    least_words,
    recovery,
    rest_volts,
    result,
)
from benchd.core.verdicts import Measured, Verdict

if TYPE_CHECKING:
    from benchd.core.procedures.load import LoadTest


def leaning(test: LoadTest) -> tuple[str, float, str]:
    """(outcome, how sure, one sentence) for the screen."""
    rest = rest_volts(test)
    if test.curve is None:
        if rest is None:
            return "undecided", 0.0, "The first readings come in. No load yet."
        if test.told_apply_s is None:
            cold = " Temperature wanted: it sets the limit." if test.celsius_asked else ""
            return "undecided", 0.0, f"Rests at {rest[0]:.2f} V. No load yet.{cold}"
        return "undecided", 0.0, f"Rests at {rest[0]:.2f} V. Load it with {test.load:.0f} A."
    at = min(test.loaded_s, ratings.LOAD_S)
    found = result(test, at)
    if found is None or math.isinf(found.u):
        return "undecided", 0.0, "Under load: hold it."
    outcome = "pass" if found.probability >= 0.5 else "fail"
    sure = found.probability if outcome == "pass" else 1 - found.probability_at_best
    return outcome, sure, _hold_words(test, found)


def _hold_words(test: LoadTest, found: Result) -> str:
    off = found.amps / test.load - 1
    least = least_words(test, found)
    if test.released_s is not None:
        return f"{found.volts:.2f} V under load, at least {least}. Load off: the volts come back."
    if test.loaded_s >= ratings.LOAD_S:
        return f"LET GO. {found.volts:.2f} V under load, at least {least}."
    if off > OFF_NOMINAL / 2:
        how = f"too much: down to {test.load:.0f} A"
    elif off < -OFF_NOMINAL / 2:
        how = f"too little: up to {test.load:.0f} A"
    else:
        how = "hold it"
    return f"{ratings.LOAD_S - test.loaded_s:.0f} s more, {found.amps:.0f} A, {how}. {found.volts:.2f} V, at least {least}."


def estimates(test: LoadTest) -> dict[str, dict[str, Any]]:
    """By the channels' names, so that a screen can draw their bands."""
    least = least_volts(test.celsius)[1]
    amps = {"low": round((1 - OFF_NOMINAL) * test.load, 1), "high": round((1 + OFF_NOMINAL) * test.load, 1)}
    if test.curve is None:
        now = test.last_amps
        return {} if now is None else {"load_amps": {"value": round(abs(now), 1), "unit": "A", "u": None, **amps}}
    found = result(test, min(test.loaded_s, ratings.LOAD_S))
    if found is None or math.isinf(found.u):
        return {}
    shown: dict[str, dict[str, Any]] = {
        "battery_volts": {
            "value": round(found.volts, 3),
            "unit": "V",
            "u": round(found.u, 4),
            "low": least,
            "high": None,
        },
        "load_amps": {"value": round(found.amps, 1), "unit": "A", "u": round(found.u_amps, 2), **amps},
    }
    if found.ohms is not None:
        u = None if found.ohms.u is None else round(1000 * found.ohms.u, 3)
        shown["internal_resistance"] = {
            "value": round(1000 * found.ohms.ohms, 2), "unit": "mohm", "u": u, "low": None, "high": None,
        }  # fmt: skip
    return shown


def expected(test: LoadTest) -> dict[str, tuple[float, float]]:
    """While the load is on: volts between the limit and what a healthy battery shows at most, amps as asked."""
    rest = rest_volts(test)
    if test.curve is None or test.released_s is not None or rest is None:
        return {}
    return {
        "battery_volts": (least_volts(test.celsius)[1], round(rest[0], 2)),
        "load_amps": (round((1 - OFF_NOMINAL) * test.load, 1), round((1 + OFF_NOMINAL) * test.load, 1)),
    }


def measured(test: LoadTest) -> dict[str, Measured]:
    k, made = coverage_factor(math.inf), dict[str, Measured]()
    found = None if test.curve is None else result(test, min(test.loaded_s, ratings.LOAD_S))
    if found is not None:
        known = not math.isinf(found.u)
        lines = tuple({"name": one.name, "u": one.u} for one in found.budget) if known else ()
        made["load_volts"] = Measured(
            found.volts, "V", k * found.u if known else None, k if known else None,
            found.probability if found.least[0] == found.least[1] else None, lines,
        )  # fmt: skip
        made["load_volts_read"] = Measured(found.read, "V", None, None)
        known = found.u_amps > 0
        made["load_amps"] = Measured(found.amps, "A", k * found.u_amps if known else None, k if known else None)
        if found.ohms is not None:
            u = found.ohms.u
            made["internal_resistance"] = Measured(
                found.ohms.ohms, "ohm", None if u is None else k * u, None if u is None else k
            )
        made["load_time"] = Measured(test.loaded_s, "s", None, None)
    rest, back = rest_volts(test), recovery(test)
    if rest is not None:
        made["rest_volts"] = Measured(rest[0], "V", k * rest[1], k)
    if back is not None:
        u_v = test.volts.u(back)
        made["recovery_volts"] = Measured(back, "V", None if u_v is None else k * u_v, None if u_v is None else k)
    if test.celsius is not None:
        made["battery_temperature"] = Measured(test.celsius, "degC", None, None)
    return made


def verdict(test: LoadTest, finding: Finding) -> Verdict:
    least = least_volts(test.celsius)
    return finding.verdict(
        procedure=test.name,
        measured=measured(test),
        limits={
            "least_volts": least[0] if least[0] == least[1] else list(least),
            "load_amps": test.load,
            "load_s": ratings.LOAD_S,
            "load_within": OFF_NOMINAL,
            "state_of_charge": 100 * lead_acid.READY_CHARGE,
        },
        duration_s=max(test.now_s - (test.first_s or 0.0), 0.0),
        samples=test.samples,
        rpm=None,
        rule=test.metrology.rule,
        assumptions=(*test.presence.came_back(), *words.assumptions(test.volts, test.amps)),
    )
