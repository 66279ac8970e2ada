"""What a state-of-charge test says of what it has seen: rules, the two estimates and what they come to together."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from benchd.core import charging_time, electrolyte, lead_acid
from benchd.core.budget import coverage_factor, decide, probability_within
from benchd.core.electrolyte import Cells
from benchd.core.procedures import words
from benchd.core.procedures.finding import Finding
from benchd.core.verdicts import Measured, Outcome, Suspect, Verdict

if TYPE_CHECKING:
    from benchd.core.procedures.charge import ChargeTest

READY = lead_acid.READY_CHARGE
SURE = 0.975
CHARGER_AMPS = 4.0  # an ordinary shop charger for such batteries
FROST_MARGIN_CELSIUS = 2.0
U_REST_VOLTS = 0.01  # what the volts of a rested battery still move within the hour. Common practice, no source
U_UNKNOWN_METER = 0.1  # V, where the bench says that nothing is known of the voltmeter
CHARGING_VOLTS = 13.2  # no resting battery stands so high: a charger or the engine is on, or just came off
SURFACE_MARGIN = 0.05  # V above a full battery's before it is called surface charge: tables and meters
CELL_VOLTS = 1.2  # volts this far below what the acid promises: a cell gives next to nothing
WARM_FOR_FROST_CELSIUS = 3.0  # above it no acid is frozen, not even water

THAW = (
    "Let it thaw indoors, look for cracks and bulges, then test it again. Do not charge, load or jump-start it before."
)


@dataclass(frozen=True, slots=True)
class Charge:
    """State of charge (0..1) as far as it is known, by both ways and together."""

    value: float
    u: float
    by_volts: tuple[float, float]
    by_gravity: tuple[float, float] | None

    @property
    def probability(self) -> float:
        return probability_within(self.value, self.u, READY, None)

    @property
    def gap(self) -> float:
        """How far gravity stands above volts, in units of their combined uncertainty."""
        if self.by_gravity is None:
            return 0.0
        return (self.by_gravity[0] - self.by_volts[0]) / math.hypot(self.by_gravity[1], self.by_volts[1])

    @property
    def agree(self) -> bool:
        return abs(self.gap) <= 2.0


# --- the two estimates --------------------------------------------------------------------------------------------------


def cells(test: ChargeTest) -> Cells | None:
    """The cells that were read, or None."""
    return electrolyte.cells(test.hydrometer.readings, test.celsius) if test.hydrometer.readings else None


def rest_volts(test: ChargeTest) -> tuple[float, float] | None:
    """Rest volts and their standard uncertainty."""
    level = test.rest.level(test.now_s)
    if level is None:
        return None
    u = test.rest.u(level)
    return level.value, math.hypot(U_UNKNOWN_METER if u is None else u, U_REST_VOLTS)


def charge(test: ChargeTest) -> Charge | None:
    """Both estimates, and what they come to; None without rest volts.

    Together they are weighed by their uncertainties, but not taken as independent: the tables have common roots, so
    the better one's uncertainty stays.
    """
    volts = rest_volts(test)
    if volts is None:
        return None
    celsius = 25.0 if test.celsius is None else test.celsius
    by_volts = lead_acid.charge_by_volts(
        *volts, celsius, rested=test.rested, full_gravity=test.full_gravity, sealed=test.sealed
    )
    acid = cells(test)
    if acid is None:
        return Charge(*by_volts, by_volts, None)
    by_gravity = acid.charge(test.full_gravity)
    weights = [1 / one[1] ** 2 for one in (by_volts, by_gravity)]
    value = (weights[0] * by_volts[0] + weights[1] * by_gravity[0]) / sum(weights)
    return Charge(value, min(by_volts[1], by_gravity[1]), by_volts, by_gravity)


def freezing_celsius(test: ChargeTest, *, rested: bool) -> float | None:
    """Warmest freezing point that acid or volts allow; None while nothing is known."""
    acid, volts = cells(test), rest_volts(test)
    if acid is not None:
        return acid.freezing_celsius
    if volts is None:
        return None
    celsius = 25.0 if test.celsius is None else test.celsius
    return lead_acid.freezing_celsius(lead_acid.least_gravity(volts[0] - 2 * volts[1], celsius, rested=rested))


def may_be_frozen(test: ChargeTest, *, rested: bool) -> bool:
    """Whether it may be frozen at its temperature, by the weakest acid that is possible."""
    if test.hydrometer.ice:
        return True
    if test.celsius is None or test.celsius > WARM_FOR_FROST_CELSIUS:
        return False
    freezing = freezing_celsius(test, rested=rested)
    return freezing is not None and test.celsius <= freezing + FROST_MARGIN_CELSIUS


def surface_charge(test: ChargeTest) -> str:
    """Why the volts are taken for surface charge, as a sentence; '' if they are not."""
    volts = rest_volts(test)
    if volts is None or test.rest.span_s(test.now_s) < 5.0:
        return ""
    if volts[0] >= CHARGING_VOLTS:
        return f"{volts[0]:.2f} V: is a charger or the engine still on? Off with it."
    if test.charged_lately and lead_acid.rest_charge(volts[0] + 2 * volts[1])[1] >= READY:
        return f"{volts[0]:.2f} V after a charge or a run is more than the battery holds."
    roof = lead_acid.FULL_REST_VOLTS + SURFACE_MARGIN + (lead_acid.SEALED_VOLTS if test.sealed else 0.0)
    if volts[0] - 2 * volts[1] > roof:
        return f"{volts[0]:.2f} V is above a full battery's {lead_acid.FULL_REST_VOLTS:.2f} V."
    if test.rest.falling(test.now_s):
        return f"{volts[0]:.2f} V and falling by itself."
    return ""


# --- rules --------------------------------------------------------------------------------------------------------------


def meters(test: ChargeTest) -> Finding | None:
    objection = test.presence.objection()
    return None if objection is None else Finding.of(objection)


def leads(test: ChargeTest) -> Finding | None:
    """Reversed leads, or no battery at them."""
    volts = rest_volts(test)
    if test.negative:
        told, cure = (
            "The battery volts are negative: the voltmeter's leads are reversed.",
            "Red to plus, then run again.",
        )
    elif volts is not None and test.rest.span_s(test.now_s) >= 8.0 and abs(volts[0]) < lead_acid.NO_BATTERY_VOLTS:
        told = f"The voltmeter shows {volts[0]:.2f} V: no battery at its leads."
        cure = "Clip the leads to the posts themselves, then run again."
    else:
        return None
    return Finding(Outcome.VOID, Suspect.INSTRUMENT, (told,), "wrong leads", cure, slug="instrument")


def frozen(test: ChargeTest) -> Finding | None:
    """At once where even the best reading of it may be frozen; else when nothing more will be answered."""
    if test.rest.span_s(test.now_s) < 5.0 and not test.hydrometer.ice:
        return None
    if not may_be_frozen(test, rested=True) and not (test.answered and may_be_frozen(test, rested=test.rested)):
        return None
    return frozen_finding(test)


def frozen_finding(test: ChargeTest) -> Finding:
    freezing = freezing_celsius(test, rested=test.rested)
    if test.hydrometer.ice:
        told = "Ice or slush was seen in a cell: the battery is frozen."
    else:
        assert test.celsius is not None
        assert freezing is not None
        told = (
            f"The battery is at {test.celsius:.0f} degC, and acid as weak as this may be freezes at {freezing:.0f} degC: "
            "it may be frozen."
        )
    return Finding(
        Outcome.VOID,
        Suspect.BATTERY,
        (told, "Charging, loading and starting are locked out."),
        "the battery may be frozen",
        THAW,
        cautions=(words.FROZEN,),
        slug="frozen",
    )


def decided(test: ChargeTest) -> Finding | None:
    """The verdict, once the volts stand and nothing is left to be answered."""
    if test.take_off_overdue():
        return judged(test, "the surface charge was not taken off")
    if not (test.waited() and test.answered) or surface_left(test):
        return None
    return judged(test, "the volts stand")


def surface_left(test: ChargeTest) -> bool:
    return test.stage == "resting" and bool(surface_charge(test))


RULES: tuple[Callable[[ChargeTest], Finding | None], ...] = (meters, leads, frozen, decided)


# --- what it comes to ---------------------------------------------------------------------------------------------------


def judged(test: ChargeTest, because: str) -> Finding:
    """The finding on what there is. A weak cell first, then volts and gravity together."""
    if may_be_frozen(test, rested=test.rested):
        return frozen_finding(test)
    found, acid = charge(test), cells(test)
    assert found is not None
    if acid is not None and (weak := _weak_cell(test, acid, because)) is not None:
        return weak
    if (dead := _dead_cell(test, found, acid, because)) is not None:
        return dead
    if not found.agree:
        return _disagree(test, found, because)
    call = decide(test.metrology.rule, found.probability, found.value >= READY, test.metrology.risk)
    if (call != "fail" and surface_left(test)) or (call == "undecided" and test.stage in ("take off", "unrested")):
        return _surface(test, found, because)
    if not test.waited() and call != "fail" and test.stage != "unrested":
        return _unsure(test, found, because, "The volts do not stand yet.")
    if call == "pass":
        return _charged(test, found, acid, because)
    if call == "fail":
        return _discharged(test, found, because)
    return _unsure(test, found, because, "Too close to call.")


def _told(test: ChargeTest, found: Charge) -> list[str]:
    """Volts and gravity in sentences."""
    volts = rest_volts(test)
    assert volts is not None
    value, u = found.by_volts
    how = "Rested" if test.rested else "Not surely rested"
    told = [f"{how} volts {volts[0]:.2f} +/- {2 * volts[1]:.2f} V: {_percent(value)} +/- {_percent(2 * u)} charged."]
    acid = cells(test)
    if acid is not None and found.by_gravity is not None:
        value, u = found.by_gravity
        told.append(
            f"Specific gravity {acid.mean:.3f} at 80 degF in {len(acid.gravities)} cell"
            f"{'' if len(acid.gravities) == 1 else 's'}, {acid.spread:.3f} apart: {_percent(value)} +/- "
            f"{_percent(2 * u)} charged{_family(test)}."
        )
    if test.celsius is None:
        told.append("The battery's temperature is not known: gravity and frost are judged with room for that.")
    return told


def _family(test: ChargeTest) -> str:
    if test.full_gravity is not None:
        return ""
    return ", over both kinds of acid (the spec does not say full_gravity)"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _weak_cell(test: ChargeTest, acid: Cells, because: str) -> Finding | None:
    if len(acid.gravities) < 2:
        return None
    limit = electrolyte.SPREAD_LIMIT
    good = probability_within(acid.spread, acid.u_spread, None, limit)
    call = decide(test.metrology.rule, good, acid.spread <= limit, test.metrology.risk)
    if call == "pass":
        return None
    lowest = acid.lowest + 1e-9 + limit / 2
    weak = [cell for cell, gravity in sorted(acid.gravities.items()) if gravity < lowest]
    told = f"{electrolyte.names(weak).capitalize()}: {acid.lowest:.3f}, {acid.spread:.3f} below the best"
    if call == "undecided":
        return Finding(
            Outcome.UNDECIDED, Suspect.BATTERY,
            (f"{told}: too close to the limit of {limit:.3f} to call.", *_told(test, charge_of(test))),
            because, "Charge it fully, let it rest, and read the cells again.", slug="unsure",
        )  # fmt: skip
    return Finding(
        Outcome.FAIL, Suspect.BATTERY,
        (f"{told}; more than {limit:.3f} condemns a battery.", *_told(test, charge_of(test))),
        because,
        "Charge it fully, let it rest and read the cells once more. If they stay apart, replace the battery; then prove the "
        "charging system.",
        slug="weak-cell",
    )  # fmt: skip


def charge_of(test: ChargeTest) -> Charge:
    found = charge(test)
    assert found is not None
    return found


def _dead_cell(test: ChargeTest, found: Charge, acid: Cells | None, because: str) -> Finding | None:
    """The acid is charged, but a cell's volts are missing."""
    volts = rest_volts(test)
    assert volts is not None
    if acid is None or not test.waited():
        return None
    promised = 6 * (
        acid.lowest + 0.84
    )  # volts per cell = gravity + 0.84, a rule from memory; 0.2 V of room is in CELL_VOLTS
    if volts[0] + 2 * volts[1] > promised - CELL_VOLTS:
        return None
    return Finding(
        Outcome.FAIL, Suspect.BATTERY,
        (f"The acid promises {promised:.1f} V, the posts show {volts[0]:.2f} V: about one cell gives nothing, it is "
         "shorted or open inside.", *_told(test, found)),
        because,
        "Be sure that nothing draws on the battery and that the clips touch the posts; then replace the battery and prove "
        "the charging system.",
        slug="weak-cell",
    )  # fmt: skip


def _disagree(test: ChargeTest, found: Charge, because: str) -> Finding:
    if found.gap < 0:
        why = (
            "The volts promise more than the acid: surface charge is left, or water was added and is not mixed yet (a "
            "hydrometer draws from the top), or the acid is filled for another full gravity."
        )
        cure = "Load it for 15 s, let it stand for an hour, and measure both again; or charge it until it gasses and mix it."
    else:
        why = (
            "The acid promises more than the volts: something still draws on the battery, a clip does not touch the post, a "
            "cell is partly shorted, or acid was added."
        )
        cure = "Everything off, clips on the posts themselves, then again; if it stays so, do the load test."
    return Finding(
        Outcome.UNDECIDED, Suspect.BATTERY, (why, *_told(test, found)), because, cure,
        slug="surface-charge" if found.gap < 0 and not test.rested else "disagree",
    )  # fmt: skip


def _charged(test: ChargeTest, found: Charge, acid: Cells | None, because: str) -> Finding:
    told = [
        f"{_percent(found.value)} +/- {_percent(2 * found.u)} charged; {_percent(READY)} is wanted.",
        *_told(test, found),
    ]
    if acid is not None and acid.spread > electrolyte.SPREAD_WARNING:
        told.append(
            f"The cells are {acid.spread:.3f} apart: within {electrolyte.SPREAD_LIMIT:.3f}, but some manuals warn from "
            f"{electrolyte.SPREAD_WARNING:.3f} on; weakest is cell {acid.weakest}."
        )
    return Finding(Outcome.PASS, Suspect.NONE, tuple(told), because, "Now the load test: charge alone does not prove a battery.",
                   slug="charged")  # fmt: skip


def _discharged(test: ChargeTest, found: Charge, because: str) -> Finding:
    volts = rest_volts(test)
    told = [
        f"{_percent(found.value)} +/- {_percent(2 * found.u)} charged; {_percent(READY)} is wanted.",
        *_told(test, found),
    ]
    if volts is not None and lead_acid.looks_like_dead_cell(volts[0]) and cells(test) is None:
        told.append("So low a voltage is a dead cell or a battery run flat: the volts alone cannot tell which.")
    return Finding(
        Outcome.FAIL, Suspect.BATTERY, tuple(told), because, recharge(test, found),
        cautions=_charging_cautions(test), slug="discharged",
    )  # fmt: skip


def _surface(test: ChargeTest, found: Charge, because: str) -> Finding:
    why = test.surface_why or surface_charge(test) or "The surface charge was not taken off."
    return Finding(
        Outcome.VOID, Suspect.UNKNOWN,
        (f"{why} That is surface charge: the volts say nothing yet.", *_told(test, found)),
        because, "Load it for 15 s (or lamps on for a minute), wait 3 min, then again; or let it rest overnight.",
        slug="surface-charge",
    )  # fmt: skip


def _unsure(test: ChargeTest, found: Charge, because: str, why: str) -> Finding:
    told = f"{why} {_percent(found.value)} +/- {_percent(2 * found.u)} charged against {_percent(READY)}."
    cure = (
        "Read the cells with a hydrometer."
        if not test.sealed and cells(test) is None
        else "Let it rest for some hours."
    )
    return Finding(
        Outcome.UNDECIDED, Suspect.UNKNOWN, (told, *_told(test, found)), because,
        f"{cure} Or: {recharge(test, found)}", slug="unsure",
    )  # fmt: skip


# --- charging it --------------------------------------------------------------------------------------------------------


def needed(test: ChargeTest, found: Charge) -> charging_time.ChargeNeeded | None:
    """What it takes to fill it with a shop charger; None where the spec names no battery or it may be frozen."""
    if test.spec.battery is None or may_be_frozen(test, rested=test.rested):
        return None
    return charging_time.charge_needed(
        test.spec.battery.amp_hours, min(max(found.value, 0.0), 1.0), CHARGER_AMPS, u_charge=found.u
    )


def recharge(test: ChargeTest, found: Charge) -> str:
    plan = needed(test, found)
    told = "Charge it off the machine" if plan is None else f"Charge it off the machine. {plan.sentence.rstrip('.')}"
    cold = ""
    if test.celsius is None:
        freezing = freezing_celsius(test, rested=test.rested)
        if freezing is not None and freezing > -25:
            cold = f" Not if it has been colder than {freezing:.0f} degC: it may be frozen then."
    return f"{told}. Then test it again.{cold}"


def _charging_cautions(test: ChargeTest) -> tuple[str, ...]:
    plan = needed(test, charge_of(test))
    return charging_time.CHARGING if plan is None else plan.cautions


# --- what was measured --------------------------------------------------------------------------------------------------


def leaning(test: ChargeTest) -> tuple[str, float, str]:
    """(outcome, how sure, one sentence) for the screen."""
    found = charge(test)
    if found is None:
        return "undecided", 0.0, "The first readings come in."
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
    return outcome, sure, f"{volts[0]:.2f} V: {_percent(found.value)} +/- {_percent(2 * found.u)} charged.{wanted}"


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
