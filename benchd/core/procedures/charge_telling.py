"""What a state-of-charge test shows while it goes on, and what its verdict keeps."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchd.core import electrolyte
from benchd.core.budget import coverage_factor
from benchd.core.procedures import words
from benchd.core.procedures.charge_judging import needed
from benchd.core.procedures.charge_state import (
    READY,
    cells,
    charge,
    freezing_celsius,
    may_be_frozen,
    percent,
    rest_volts,
)
from benchd.core.procedures.finding import Finding
from benchd.core.verdicts import Measured, Verdict

if TYPE_CHECKING:
    from benchd.core.procedures.charge import ChargeTest


def leaning(test: ChargeTest) -> tuple[str, float, str]:
    """(outcome, how sure, one sentence) for the screen."""
    found = charge(test)
    if found is None:
        waits = (
            "Surface charge taken off: the volts settle." if test.stage == "waiting" else "The first readings come in."
        )
        return "undecided", 0.0, waits
    volts = rest_volts(test)
    assert volts is not None
    if may_be_frozen(test, rested=test.rested):
        return "void", 0.9, "It may be FROZEN: no charging, no load. Answer what is asked, so that this can be cleared."
    if test.stage == "take off":
        return "void", 0.5, "Surface charge: load it, then everything off."
    if test.stage == "waiting" and not test.waited():
        return "undecided", 0.0, f"Surface charge taken off: the volts settle, {volts[0]:.2f} V."
    wanted = ""
    if (cell := test.hydrometer.pending) is not None:
        wanted = f" Hydrometer: cell {cell} is next."
    elif not test.waited():
        wanted = " Waiting until the volts stand."
    inside = found.probability
    outcome = "pass" if inside >= 0.5 else "fail"
    if not found.agree:
        outcome, inside = "undecided", 0.0
    sure = inside if outcome == "pass" else 1 - inside
    return outcome, sure, f"{volts[0]:.2f} V: {percent(found.value)} +/- {percent(2 * found.u)} charged.{wanted}"


def estimates(test: ChargeTest) -> dict[str, dict[str, Any]]:
    found, volts = charge(test), rest_volts(test)
    if found is None or volts is None:
        return {}
    shown = {
        "state_of_charge": {
            "value": round(100 * found.value, 1), "unit": "%", "u": round(100 * found.u, 2), "low": 100 * READY, "high": None,
        },
    }  # fmt: skip
    acid = cells(test)
    if acid is not None:
        shown["gravity_spread"] = {
            "value": round(acid.spread, 4), "unit": "", "u": round(acid.u_spread, 4), "low": None,
            "high": electrolyte.SPREAD_LIMIT,
        }  # fmt: skip
    return shown


def _quantity(value: float, u: float, unit: str, inside: float | None = None, **budget: float) -> Measured:
    k = coverage_factor(math.inf)
    lines = tuple({"name": name.replace("_", " "), "u": line} for name, line in budget.items())
    return Measured(value, unit, k * u, k, inside, lines)


def measured(test: ChargeTest) -> dict[str, Measured]:
    """Charge in %, rest volts, gravities at 80 degF, freezing point, ampere-hours wanted."""
    found, volts, acid = charge(test), rest_volts(test), cells(test)
    made: dict[str, Measured] = {}
    if found is not None and volts is not None:
        lines = {"by_rest_volts": 100 * found.by_volts[1]}
        if found.by_gravity is not None:
            lines["by_gravity"] = 100 * found.by_gravity[1]
        made["state_of_charge"] = _quantity(100 * found.value, 100 * found.u, "%", found.probability, **lines)
        made["rest_volts"] = _quantity(*volts, "V")
        if test.volts.u(volts[0]) is None:
            made["rest_volts"] = Measured(volts[0], "V", None, None)
    if acid is not None:
        for cell, gravity in sorted(acid.gravities.items()):
            made[f"gravity_cell_{cell}"] = _quantity(gravity, acid.u_one, "")
        if len(acid.gravities) > 1:
            made["gravity_spread"] = _quantity(acid.spread, acid.u_spread, "")
    freezing = freezing_celsius(test, rested=test.rested)
    if freezing is not None:
        made["freezing_point"] = Measured(freezing, "degC", None, None)  # the warmest possible: a bound, no estimate
    if test.celsius is not None:
        made["battery_temperature"] = Measured(test.celsius, "degC", None, None)
    return made


def verdict(test: ChargeTest, finding: Finding) -> Verdict:
    """The whole verdict, with what charging it would take."""
    found = charge(test)
    made = finding.verdict(
        procedure=test.name,
        measured=measured(test),
        limits={
            "state_of_charge": 100 * READY,
            "gravity_spread": electrolyte.SPREAD_LIMIT,
            "full_gravity": test.full_gravity,
        },
        duration_s=max(test.now_s - (test.first_s or 0.0), 0.0),
        samples=test.samples,
        rpm=None,
        rule=test.metrology.rule,
        assumptions=(*test.presence.came_back(), *words.assumptions(test.volts)),
    )
    locked = finding.slug == "frozen"
    extra: dict[str, Any] = {**made.extra, "charging_locked_out": locked}
    plan = None if found is None or locked else needed(test, found)
    if plan is not None and found is not None:
        extra["charge_needed"] = {
            "amp_hours": [round(one, 2) for one in plan.amp_hours],
            "hours": [round(one, 2) for one in plan.hours],
            "charger_amps": plan.amps,
        }
    return replace(made, extra=extra)
