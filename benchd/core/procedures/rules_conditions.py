"""Rules of a regulator run about danger, speed and meters: what ends it whatever the charging system does.

Each rule answers a Finding or None; their order stands in regulator.py.
"""

from __future__ import annotations

from benchd.core import lead_acid
from benchd.core.procedures import words
from benchd.core.procedures.charging import AMPS, VOLTS
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.picture import Picture
from benchd.core.procedures.standstill import STILL_S
from benchd.core.verdicts import Outcome, Suspect


def ceiling(p: Picture) -> Finding | None:
    if not p.seen.ceiling_confirmed:
        return None
    return Finding(
        Outcome.FAIL,
        Suspect.REGULATOR,
        (
            f"Battery volts passed the ceiling of {p.limits.ceiling_volts:.1f} V and stayed above it "
            f"({p.seen.over_peak:.2f} V, {p.seen.over_count} readings in a row): "
            "the regulator does not hold the volts down.",
        ),
        "ceiling crossed",
        "Close the throttle now. Replace the regulator, then run this test again as proof.",
        cautions=(words.OVERVOLTAGE,),
    )


def frozen(p: Picture) -> Finding | None:
    rest, celsius = p.seen.rest_volts, p.seen.celsius
    if rest is None or celsius is None or p.throttle.full_since_s is not None:
        return None
    if not lead_acid.may_be_frozen(rest, celsius):
        return None
    return Finding(
        Outcome.VOID,
        Suspect.BATTERY,
        (f"The battery rests at {rest:.2f} V and {celsius:.0f} degC: so discharged and cold, its acid may be frozen.",),
        "the battery may be frozen",
        "Do not start, charge or load-test it. Let it thaw indoors, look for cracks, then test the battery first.",
        cautions=(words.FROZEN,),
    )


def leads(p: Picture) -> Finding | None:
    if p.seen.negative_row >= 3:
        return wrong_hook_up(
            "Battery volts read negative: the voltmeter's leads are reversed.", "voltmeter leads reversed", "Swap"
        )
    amps = p.seen.level(AMPS, 10.0)
    volts = p.seen.level(VOLTS, 10.0)
    if amps is None or volts is None or p.seen.measuring_s < 5.0:
        return None
    rest = p.seen.rest_volts if p.seen.rest_volts is not None else 12.6
    if amps.value < -0.1 * p.limits.rated_amps and volts.value > rest - 0.05:
        return wrong_hook_up(
            f"The volts hold up ({volts.value:.2f} V) while the ammeter reads {amps.value:.1f} A: "
            "its leads or the clamp are the wrong way round.",
            "ammeter leads reversed",
            "Swap",
        )
    return None


def held(p: Picture) -> Finding | None:
    """A display that stopped dead, or volts that never answered rated amps: on hold, or not at the battery."""
    seen, now_s = p.seen, p.seen.now_s
    if seen.measuring_s <= 0.0:
        return None
    for words_of, still in (("Battery volts", seen.volts_still), ("Charge amps", seen.amps_still)):
        if still.still(now_s):
            return _held(
                f"{words_of} moved up and down all the time and then stood at {still.value:g} for {STILL_S:.0f} s"
            )
    amps = seen.level(AMPS, 10.0)
    if amps is None or amps.value < 0.3 * p.limits.rated_amps or seen.measuring_s < 12.0:
        return None
    if seen.rest_volts is not None and seen.volts_still.never_moved(now_s, 15.0):
        return _held(
            f"Battery volts read {seen.volts_still.value:g} before the start and ever since, with {amps.value:.1f} A "
            "going in: no battery does that"
        )
    return None


def _held(what: str) -> Finding:
    return Finding(
        Outcome.VOID,
        Suspect.INSTRUMENT,
        (f"{what}: the meter is on hold, frozen, or not connected.",),
        "a meter's digits stand still",
        "Press HOLD on the meter, look at its leads, then run again.",
    )


def wrong_hook_up(reason: str, because: str, verb: str) -> Finding:
    return Finding(
        Outcome.VOID,
        Suspect.INSTRUMENT,
        (reason,),
        because,
        f"{verb} the leads (or turn the clamp) with the engine stopped, then run again.",
    )


def meters(p: Picture) -> Finding | None:
    objection = p.presence.objection()
    return None if objection is None else Finding.of(objection)


def speed(p: Picture) -> Finding | None:
    half_wrong = p.seen.peak_amps >= 0.8 * p.limits.rated_amps
    objection = p.throttle.objection(p.seen.now_s, half_is_wrong=half_wrong)
    return None if objection is None else Finding.of(objection)
