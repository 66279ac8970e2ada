"""What a state-of-charge test says of what it has seen: its rules, and what volts and gravity come to together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from benchd.core import charging_time, electrolyte, lead_acid
from benchd.core.budget import decide, probability_within
from benchd.core.electrolyte import Cells
from benchd.core.procedures import words
from benchd.core.procedures.charge_state import (
    READY,
    Charge,
    cells,
    charge,
    charge_of,
    freezing_celsius,
    may_be_frozen,
    percent,
    rest_volts,
    surface_charge,
)
from benchd.core.procedures.finding import Finding
from benchd.core.verdicts import Outcome, Suspect

if TYPE_CHECKING:
    from benchd.core.procedures.charge import ChargeTest

CHARGER_AMPS = 4.0  # an ordinary shop charger for such batteries
CELL_VOLTS = 1.2  # volts this far below what the acid promises: a cell gives next to nothing
THAW = (
    "Let it thaw indoors, look for cracks and bulges, then test it again. Do not charge, load or jump-start it before."
)

# --- rules --------------------------------------------------------------------------------------------------------------


def meters(test: ChargeTest) -> Finding | None:
    objection = test.presence.objection()
    return None if objection is None else replace(Finding.of(objection), slug="instrument")


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
    if found is None:
        return _no_rest(test, because)
    if acid is not None and (weak := _weak_cell(test, acid, because)) is not None:
        return weak
    if (dead := _dead_cell(test, found, acid, because)) is not None:
        return dead
    if not found.agree:
        return _disagree(test, found, because)
    call = decide(test.metrology.rule, found.probability, found.value >= READY, test.metrology.risk)
    untaken = test.stage == "take off" or (acid is None and test.stage == "waiting" and not test.rested)
    hides = surface_left(test) or untaken
    if (call != "fail" and hides) or (call == "undecided" and test.stage == "unrested"):
        return _surface(test, found, because)
    if not test.waited() and call != "fail" and test.stage != "unrested":
        return _unsure(test, found, because, "The volts do not stand yet.")
    if call == "pass":
        return _charged(test, found, acid, because)
    if call == "fail":
        return _discharged(test, found, because)
    return _unsure(test, found, because, "Too close to call.")


def _no_rest(test: ChargeTest, because: str) -> Finding:
    """No rest volts at all: a load that stays on, or readings that never come twice."""
    told = "The battery was never seen at rest" + (
        ": a load is still on." if test.loaded else ", the readings are too few."
    )
    return Finding(
        Outcome.VOID, Suspect.UNKNOWN, (told,), because, "Lamps, tester, key and charger off, then run again.",
        slug="surface-charge" if test.stage == "take off" else "cut-short",
    )  # fmt: skip


def _told(test: ChargeTest, found: Charge) -> list[str]:
    """Volts and gravity in sentences."""
    volts = rest_volts(test)
    assert volts is not None
    value, u = found.by_volts
    how = "Rested" if test.rested else "Not surely rested"
    told = [f"{how} volts {volts[0]:.2f} +/- {2 * volts[1]:.2f} V: {percent(value)} +/- {percent(2 * u)} charged."]
    acid = cells(test)
    if acid is not None and found.by_gravity is not None:
        value, u = found.by_gravity
        told.append(
            f"Specific gravity {acid.mean:.3f} at 80 degF in {len(acid.gravities)} cell"
            f"{'' if len(acid.gravities) == 1 else 's'}, {acid.spread:.3f} apart: {percent(value)} +/- "
            f"{percent(2 * u)} charged{_family(test)}."
        )
    if test.stage == "waiting" and not test.rested:
        told.append(
            "That is still above a full battery's: the load took too little off, or it is another kind of battery."
        )
    if test.unseen_load:
        told.append("The operator says that a load took the surface charge off; the volts showed none.")
    if test.celsius is None:
        told.append("The battery's temperature is not known: gravity and frost are judged with room for that.")
    return told


def _family(test: ChargeTest) -> str:
    if test.full_gravity is not None:
        return ""
    return ", over both kinds of acid (the spec does not say full_gravity)"


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
        f"{percent(found.value)} +/- {percent(2 * found.u)} charged; {percent(READY)} is wanted.",
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
        f"{percent(found.value)} +/- {percent(2 * found.u)} charged; {percent(READY)} is wanted.",
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
    told = f"{why} {percent(found.value)} +/- {percent(2 * found.u)} charged against {percent(READY)}."
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
