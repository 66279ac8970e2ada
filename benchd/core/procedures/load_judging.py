"""What a load test says of what it has seen: conditions before the load, the volts under it, the shape of the curve."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from benchd.core import lead_acid, ratings
from benchd.core.budget import combine, decide
from benchd.core.procedures import words
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.load_curve import LEVEL_S
from benchd.core.procedures.load_state import (
    OFF_NOMINAL,
    Result,
    least_words,
    off_nominal,
    recovery,
    rest_volts,
    result,
)
from benchd.core.verdicts import Outcome, Suspect

if TYPE_CHECKING:
    from benchd.core.procedures.load import LoadTest

REST_S = 8.0  # of the resting battery, before the load is asked for
DIP_VOLTS, DIP_S = 0.4, 3.0  # volts that fall so far for so long are under some load
LOAD_PATIENCE_S = 180.0  # for the load to come on
EARLY_S = 1.5  # under load, before anything is certain
CUT_S = 14.0  # a load let go before is cut short
SHAPE_S = 2.0  # a collapse is watched for so long, to tell a dead cell from a weak battery
SURE = 0.975
RECOVERY_VOLTS = 11.2  # one service bulletin of 1999 wants so much once the load is off
FROST_MARGIN_CELSIUS = 2.0
NOT_FULL = 0.02  # published tables differ by so much at 75 %
CHARGE_IN_DOUBT_VOLTS = 12.5  # below, volts alone may hide a half-empty battery

TESTER = "Is the tester on, and the clamp (zeroed) around the one cable that carries the load?"


# --- rules before the load ----------------------------------------------------------------------------------------------


def meters(test: LoadTest) -> Finding | None:
    objection = test.presence.objection()
    return None if objection is None else replace(Finding.of(objection), slug="instrument")


def leads(test: LoadTest) -> Finding | None:
    if test.negative < 3:
        return None
    told = "The battery volts are negative: the voltmeter's leads are reversed."
    return Finding(
        Outcome.VOID, Suspect.INSTRUMENT, (told,), "wrong leads", "Red to plus, then run again.", slug="instrument"
    )


def frozen(test: LoadTest) -> Finding | None:
    rest = rest_volts(test)
    if test.curve is not None or rest is None or test.celsius is None or test.celsius > 3.0:
        return None
    if test.earlier.get("charge") == "pass":
        freezing = lead_acid.freezing_of_charge(lead_acid.READY_CHARGE - 0.05)
    else:
        freezing = lead_acid.freezing_celsius(lead_acid.least_gravity(rest[0] - 2 * rest[1], test.celsius))
    if test.celsius > freezing + FROST_MARGIN_CELSIUS:
        return None
    return Finding(
        Outcome.VOID, Suspect.BATTERY,
        (f"The battery is at {test.celsius:.0f} degC; acid as weak as its volts allow freezes at {freezing:.0f} degC: it may "
         "be frozen. Loading, charging and starting are locked out.",),
        "the battery may be frozen",
        "Let it thaw indoors, look for cracks, then test its charge first. Do not load, charge or jump-start it before.",
        cautions=(words.FROZEN,), slug="frozen",
    )  # fmt: skip


def too_cold(test: LoadTest) -> Finding | None:
    if test.celsius is None or test.curve is not None:
        return None
    try:
        ratings.least_load_volts(test.celsius)
    except ratings.RatingRefused as error:
        return Finding(
            Outcome.VOID, Suspect.UNKNOWN, (str(error),), "the battery is too cold", "Warm it up indoors, then run again.",
            slug="too-cold",
        )  # fmt: skip
    return None


def not_charged(test: LoadTest) -> Finding | None:
    """Before the load: a battery that is not 75 % charged is charged first, not condemned."""
    rest = rest_volts(test)
    if test.curve is not None or rest is None or test.rest.span_s(test.now_s) < REST_S:
        return None
    before = test.earlier.get("charge")
    if before == "fail":
        told = f"The charge test of this order failed; the battery rests at {rest[0]:.2f} V."
    else:
        sagged = lead_acid.SAG_AFTER_LOAD_VOLTS if before == "pass" else 0.0
        most = lead_acid.rest_charge(rest[0] + rest[1] + sagged, rested=True)[1]
        if most >= lead_acid.READY_CHARGE - NOT_FULL:
            return None
        told = f"The battery rests at {rest[0]:.2f} V: at most {100 * most:.0f} % charged, {100 * lead_acid.READY_CHARGE:.0f} % is wanted."
    reasons = [told, "A discharged battery fails a load test even if it is good."]
    if lead_acid.looks_like_dead_cell(rest[0]):
        reasons.append(
            "So low a voltage is a dead cell or a battery run flat: if it rests below 11 V after a full charge, a cell is dead."
        )
    return Finding(
        Outcome.VOID, Suspect.BATTERY, tuple(reasons), "the battery is not charged",
        "Charge it off the machine, let it rest or take its surface charge off, make the charge test, then this one.",
        slug="not-charged",
    )  # fmt: skip


def zero_load(test: LoadTest) -> Finding | None:
    """The volts fall as under a load, but the amps do not show it; or nothing comes at all."""
    if test.curve is not None:
        return None
    amps = abs(test.last_amps or 0.0)
    if test.dip_since_s is not None and test.now_s - test.dip_since_s >= DIP_S:
        told = f"The volts fell as under a load, but load_amps reads {amps:.1f} A where {test.load:.0f} A are asked: a load of {amps:.0f} A is no load test."
        return _no_load(told, "the load does not show")
    if test.told_apply_s is not None and test.now_s - test.told_apply_s >= LOAD_PATIENCE_S:
        told = f"No load came within {LOAD_PATIENCE_S / 60:.0f} min: load_amps stands at {amps:.1f} A, {test.load:.0f} A are asked."
        return _no_load(told, "no load came")
    return None


def _no_load(told: str, because: str) -> Finding:
    return Finding(Outcome.VOID, Suspect.INSTRUMENT, (told,), because, f"{TESTER} Then run again.", slug="no-load")


def unseen(test: LoadTest) -> Finding | None:
    """The load was on before the resting battery was seen."""
    if test.curve is None or test.rest.level(test.curve.began_s) is not None:
        return None
    told = "The load was on before the resting battery was seen: neither its charge nor its resistance is known."
    return Finding(
        Outcome.VOID, Suspect.UNKNOWN, (told,), "the load came too early",
        "Let go, let the battery rest for some minutes, start again with the tester off.", slug="cut-short",
    )  # fmt: skip


# --- rules under load and after ----------------------------------------------------------------------------------------


def collapses(test: LoadTest) -> Finding | None:
    """Volts only fall while the load stands: once they are surely too low there is nothing to wait for."""
    at = test.loaded_s
    if test.curve is None or test.released_s is not None or not EARLY_S <= at < ratings.LOAD_S:
        return None
    found = result(test, at)
    if found is None or off_nominal(test, at) > OFF_NOMINAL or found.probability_at_best > 1 - SURE:
        return None
    if off_nominal(test, at) < -OFF_NOMINAL and found.read > found.least[0] - 2 * found.u:
        return None
    level = test.curve.level(at, LEVEL_S / 2)
    if level is None or level.volts > found.least[0]:
        return None
    if test.curve.falling_fast() and _knee(test) is None and at < ratings.LOAD_S - SHAPE_S:
        return None
    return low(test, found, at, "the volts collapsed")


def over(test: LoadTest) -> Finding | None:
    """The load is off (or never let go) and the recovery is seen: judge."""
    if test.curve is None or not test.recovered:
        return None
    return judged(test, "the load test is over")


RULES: tuple[Callable[[LoadTest], Finding | None], ...] = (
    meters, leads, frozen, too_cold, not_charged, zero_load, unseen, collapses, over,
)  # fmt: skip


def _knee(test: LoadTest) -> float | None:
    assert test.curve is not None
    rest = rest_volts(test)
    return test.curve.knee(None if rest is None else rest[0])


def judged(test: LoadTest, because: str) -> Finding:
    at = min(test.loaded_s, ratings.LOAD_S)
    found = result(test, at)
    if found is None:
        told = "Volts and amps were not read together often enough under the load."
        return Finding(Outcome.VOID, Suspect.INSTRUMENT, (told,), because, "Run again.", slug="instrument")
    off = off_nominal(test, at)
    if math.isinf(found.u):
        told = "The meters' accuracy at these readings is not stated."
        cure = "State their accuracy in the bench file."
        return Finding(Outcome.UNDECIDED, Suspect.INSTRUMENT, (told,), because, cure, slug="instrument")
    if abs(off) > OFF_NOMINAL:
        return _off_nominal(test, found, off, at, because)
    call = _call(test, found)
    if call == "fail":
        return low(test, found, at, because)
    if test.loaded_s < CUT_S:
        told = f"The load was let go after {test.loaded_s:.0f} s; {ratings.LOAD_S:.0f} s are asked."
        return Finding(Outcome.VOID, Suspect.UNKNOWN, (told, _told(test, found, at)), because, "Let it cool, then run again.",
                       slug="cut-short")  # fmt: skip
    if call == "pass" and not _recovers(test):
        told = f"After the load only {recovery(test):.2f} V came back; {RECOVERY_VOLTS:g} V or more is usual."
        return _unsure(test, found, at, because, told)
    if call == "pass":
        return _holds(test, found, at, because)
    unknown = "The battery's temperature is not known, and it decides. " if test.celsius is None else ""
    return _unsure(test, found, at, because, f"{unknown}Too close to call.")


def _call(test: LoadTest, found: Result) -> str:
    if found.least[0] == found.least[1]:
        inside = found.volts >= found.least[0]
        return decide(test.metrology.rule, found.probability, inside, test.metrology.risk)
    risk = test.metrology.risk
    return "pass" if found.probability >= 1 - risk else "fail" if found.probability_at_best <= risk else "undecided"


def temperature_decides(test: LoadTest) -> bool:
    """Whether the answer hangs on a temperature that nobody gave yet."""
    found = result(test, min(test.loaded_s, ratings.LOAD_S))
    return found is not None and _call(test, found) == "undecided"


def _off_nominal(test: LoadTest, found: Result, off: float, at: float, because: str) -> Finding:
    """Too far off to be corrected, but more load than asked and still enough volts is a pass all the same, and less load
    and still too few a fail."""
    u = combine([one for one in found.budget if one.name != "correction to the load"])[0]
    raw = replace(found, volts=found.read, u=u)
    if off > 0 and raw.probability >= SURE and test.loaded_s >= CUT_S:
        return _holds(test, raw, at, because)
    if off < 0 and raw.probability_at_best <= 1 - SURE:
        return low(test, raw, at, because)
    told = (
        f"The load was {found.amps:.0f} A, {100 * off:+.0f} % off the {test.load:.0f} A asked; beyond {100 * OFF_NOMINAL:.0f} % the "
        "volts cannot be corrected."
    )
    cure = f"Set the tester to {test.load:.0f} A, let it cool, then run again."
    return Finding(Outcome.VOID, Suspect.INSTRUMENT, (told, _told(test, found, at)), because, cure, slug="off-nominal")


def _told(test: LoadTest, found: Result, at: float) -> str:
    corrected = "" if abs(found.volts - found.read) < 0.005 else f" (brought to {test.load:.0f} A: {found.volts:.2f} V)"
    return (
        f"{found.read:.2f} V after {at:.0f} s at {found.amps:.0f} A{corrected}, +/- {2 * found.u:.2f} V; at least "
        f"{least_words(test, found)} is asked."
    )


def _more(test: LoadTest, found: Result) -> list[str]:
    """What else is worth a sentence."""
    told = []
    if found.ohms is not None:
        spread = "" if found.ohms.u is None else f" +/- {2000 * found.ohms.u:.1f}"
        told.append(f"Internal resistance by the step: {1000 * found.ohms.ohms:.1f}{spread} mohm.")
    if (back := recovery(test)) is not None:
        told.append(f"{back:.2f} V came back after the load.")
    if test.rating.half_width:
        told.append(f"The load of {test.load:.0f} A comes from {test.rating.origin}.")
    if test.reversed:
        told.append(
            "The amps read negative (the clamp's arrow points the wrong way); they were taken without the sign."
        )
    if test.loaded_s > ratings.LOAD_S + 3.0:
        told.append(f"The load was on for {test.loaded_s:.0f} s; the volts count at {ratings.LOAD_S:.0f} s.")
    return told


def _recovers(test: LoadTest) -> bool:
    back = recovery(test)
    return back is None or back >= RECOVERY_VOLTS


def _holds(test: LoadTest, found: Result, at: float, because: str) -> Finding:
    return Finding(
        Outcome.PASS, Suspect.NONE, (_told(test, found, at), *_more(test, found)), because,
        "The battery is good. Now the starting or the charging system.", slug="holds",
    )  # fmt: skip


def low(test: LoadTest, found: Result, at: float, because: str) -> Finding:
    """Too few volts: a dead cell if the curve shows it, a weak battery otherwise, no verdict if it was not surely charged."""
    assert test.curve is not None
    told = [_told(test, found, at)]
    knee = _knee(test)
    replace_it = "Replace the battery by the machine's size, then prove the charging system with a regulator run."
    if knee is not None:
        told.append(f"The volts fell by {knee:.1f} V within {3:.0f} s at a steady load: a cell gave out.")
        return Finding(
            Outcome.FAIL, Suspect.BATTERY, (*told, *_more(test, found)), because, replace_it, slug="dead-cell"
        )
    rest = rest_volts(test)
    if test.earlier.get("charge") != "pass" and rest is not None and rest[0] < CHARGE_IN_DOUBT_VOLTS:
        told.append(f"But at {rest[0]:.2f} V at rest it may have been half empty, and no charge test was made.")
        return Finding(
            Outcome.UNDECIDED, Suspect.BATTERY, (*told, *_more(test, found)), because,
            "Charge it fully, make the charge test, then this one again before a battery is bought.", slug="weak",
        )  # fmt: skip
    told.append(
        "Bad joints at the tester's clips look the same: be sure that the voltmeter sits on the posts themselves."
    )
    return Finding(Outcome.FAIL, Suspect.BATTERY, (*told, *_more(test, found)), because, replace_it, slug="weak")


def _unsure(test: LoadTest, found: Result, at: float, because: str, why: str) -> Finding:
    return Finding(
        Outcome.UNDECIDED, Suspect.BATTERY, (why, _told(test, found, at), *_more(test, found)), because,
        "Let it cool and recover, take its temperature, then run again with a finer voltmeter; a battery so near its limit "
        "will not last.", slug="unsure",
    )  # fmt: skip


def unfinished(test: LoadTest, because: str) -> Finding:
    """The samples ended before the test did."""
    if test.curve is not None:
        for rule in (unseen, collapses):
            if (finding := rule(test)) is not None:
                return finding
        return judged(test, because)
    objection = test.presence.missing_reason() or test.presence.objection()
    if objection is not None:
        return replace(Finding.of(objection), slug="instrument")
    for rule in (frozen, too_cold, not_charged):
        if (finding := rule(test)) is not None:
            return finding
    amps = test.last_amps or 0.0
    return _no_load(f"No load was applied: load_amps reads {amps:.1f} A, {test.load:.0f} A are asked.", because)
