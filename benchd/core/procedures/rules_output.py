"""Rules of a regulator run about output and battery: nothing, too little, gone, or nowhere to put it.

Each rule answers a Finding or None; their order stands in regulator.py.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.core import lead_acid
from benchd.core.budget import probability_within
from benchd.core.procedures import words
from benchd.core.procedures.charging import AMPS, VOLTS
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.picture import VANISHED_S, Picture
from benchd.core.verdicts import Outcome, Suspect

NO_OUTPUT_S = 10.0
DEAD_CELL_S = 60.0
RESTED_LOW_S = 180.0
SIX_CELLS_VOLTS = 11.3
LOW_OUTPUT_S = 15.0
FULL_BATTERY_S = 45.0
SURE = 0.975  # to end early: the answer no longer changes


def joint_opens(p: Picture) -> Finding | None:
    if p.dropouts < 2:
        return None
    return Finding(
        Outcome.FAIL,
        Suspect.CONNECTION,
        (
            f"Volts and amps fell away together {p.dropouts} times and came back while the engine ran on: "
            "a joint or plug between regulator and battery opens and closes.",
        ),
        "output drops out and returns",
        "Find the loose joint (regulator plug, breaker, ring terminals, ground) before any part is replaced.",
    )


def vanished(p: Picture) -> Finding | None:
    """Output that was there and is gone at once: a blown meter fuse or an open joint looks just like it."""
    amps = p.seen.level(AMPS, VANISHED_S)
    nothing = p.nothing_amps
    if amps is None or p.seen.peak_amps < 0.3 * p.limits.rated_amps or abs(amps.value) > nothing:
        return None
    t, _, v, i = p.seen.window(VANISHED_S + 20.0)
    gone = np.flatnonzero(np.abs(i) > nothing)
    if not len(gone) or t[-1] - t[gone[-1]] < VANISHED_S:
        return None
    # A slow meter may show one reading on the way down: what flowed just before counts.
    before = np.flatnonzero((t >= t[gone[-1]] - 4.0) & (t <= t[gone[-1]]))
    amps_before, volts_before = float(i[before].max()), float(v[before].max())
    if amps_before < 0.25 * p.limits.rated_amps or v[-1] >= volts_before - 0.03:
        return None
    return Finding(
        Outcome.VOID,
        Suspect.INSTRUMENT,
        (
            f"Amps fell from {amps_before:.1f} A to nothing at once and stayed there: most often the ammeter's "
            "fuse has blown or its lead came off.",
            "A joint that opened, or a regulator that gave up, would look the same on these meters.",
        ),
        "output vanished at once",
        "Check the ammeter's fuse and leads (or use a clamp), then the joints; run again. If it vanishes again "
        "with the meter proven good, suspect the regulator.",
        suspects=(Suspect.INSTRUMENT, Suspect.CONNECTION, Suspect.REGULATOR),
    )


def no_output(p: Picture) -> Finding | None:
    seen, rated = p.seen, p.limits.rated_amps
    amps, volts = seen.level(AMPS, NO_OUTPUT_S), seen.level(VOLTS, NO_OUTPUT_S)
    if seen.measuring_s < NO_OUTPUT_S or amps is None or volts is None or amps.n < 4:
        return None
    if seen.peak_amps > 0.05 * rated or abs(amps.value) > 0.05 * rated:
        return None
    rest = seen.rest_volts
    charging_volts = rest + 0.35 if rest is not None else 13.0
    if volts.value < charging_volts:
        return too_little(
            p,
            f"At full throttle the regulator delivers nothing: {amps.value:.2f} A of {rated:.0f} A rated, and the "
            f"battery stays at {volts.value:.2f} V.",
            "no output",
            extra=() if seen.amps_alive else (words.PROVE_AMMETER,),
        )
    if rest is not None and rest < 12.6 and abs(amps.value) <= 2 * max(seen.amps.resolution, 0.01):
        return _takes_nothing(rest, volts.value)
    return None


def _takes_nothing(rest: float, volts: float) -> Finding:
    """Volts as if charging and no amps at all: the ammeter is not in the circuit, or the battery takes nothing."""
    flat = rest < 12.1
    return Finding(
        Outcome.VOID,
        Suspect.BATTERY if flat else Suspect.INSTRUMENT,
        (
            f"The volts rose from {rest:.2f} V to {volts:.2f} V as if charging, but the ammeter shows nothing: it is not "
            "in the battery's wire, its clamp is open, or the battery takes nothing at all (frozen, or sulphated through).",
        ),
        "no amps at charging volts",
        "Stop the engine. Check clamp and leads; if they are right and it is cold, let the battery thaw before anything "
        "else; then test the battery.",
        suspects=(Suspect.INSTRUMENT, Suspect.BATTERY),
        cautions=(words.FROZEN,) if flat else (),
    )


def too_little(p: Picture, reason: str, because: str, extra: tuple[str, ...] = ()) -> Finding:
    """No or too little output: which part, by what the stator run said."""
    stator = p.earlier.get("stator")
    if stator == "pass":
        suspect, part = Suspect.REGULATOR, "The stator run of this work order passed, so the regulator is at fault."
        step = "Check the regulator's ground and plug, then replace the regulator and run this test as proof."
    elif stator == "fail":
        suspect, part = Suspect.STATOR, "The stator run of this work order failed: that comes first."
        step = "Repair the stator, then run this test again."
    else:
        suspect = Suspect.UNKNOWN
        part = "Stator or regulator: no stator run of this work order says which."
        step = "Do the stator run; if it passes, the regulator is at fault."
    both = (Suspect.STATOR, Suspect.REGULATOR) if suspect is Suspect.UNKNOWN else ()
    return Finding(Outcome.FAIL, suspect, (reason, part, *extra), because, step, suspects=both)


def dead_cell(p: Picture) -> Finding | None:
    seen = p.seen
    rate, volts = seen.c_rate, seen.level(VOLTS, 10.0)
    if seen.measuring_s < DEAD_CELL_S or rate is None or volts is None or rate < 0.1:
        return None
    floor = lead_acid.bulk_floor(rate)
    rest = seen.rest_volts
    # Six cells rest above 11.3 V even when empty: then low volts are an empty battery's.
    low = volts.value + 3 * volts.u < floor and (rest is None or rest < SIX_CELLS_VOLTS)
    told = rest is not None and lead_acid.looks_like_dead_cell(rest) and not p.regulating()
    told = told and (volts.value < floor + 0.8 or seen.measuring_s >= RESTED_LOW_S)
    if not (low or told):
        return None
    if not low:
        reasons = [
            f"After {seen.measuring_s:.0f} s {p.amps_text()} still go in at {volts.value:.2f} V and do not fall.",
            f"It rested at {rest:.2f} V before the start: about one cell short of a healthy battery.",
        ]
        return _dead(tuple(reasons))
    reasons = [
        f"{p.amps_text()} go in, yet after {seen.measuring_s:.0f} s the battery is only at {volts.value:.2f} V; "
        f"six sound cells would stand above {floor:.1f} V at that rate.",
    ]
    if rest is not None and rest < 11.6:
        reasons.append(f"It rested at {rest:.2f} V before the start: about one cell short of a healthy battery.")
    return _dead(tuple(reasons))


def _dead(reasons: tuple[str, ...]) -> Finding:
    return Finding(
        Outcome.FAIL,
        Suspect.BATTERY,
        reasons,
        "a cell of the battery is dead",
        "Confirm with gravity of each cell and a load test; replace the battery, then run this test as proof.",
    )


def low_output(p: Picture) -> Finding | None:
    """Amps stand below the spec while the volts rise: the source gives all it has."""
    seen = p.seen
    if seen.measuring_s < LOW_OUTPUT_S or p.output_shown() == "shown" or p.dropouts or p.fallen_away:
        return None
    amps = seen.level(AMPS, 30.0)
    stated = None if amps is None else seen.amps.u(amps.value)
    if amps is None or stated is None or amps.n < 8 or amps.value < -0.05 * p.limits.rated_amps:
        return None
    u = math.hypot(stated, amps.u)
    if probability_within(amps.value, u, p.limits.min_amps, None) > 1 - SURE:
        return None
    if not p.limiting():
        return None
    return too_little(
        p,
        f"Amps stand at {amps.value:.1f} +/- {2 * u:.1f} A while the volts still rise: that is all it gives, and "
        f"at least {p.limits.min_amps:.1f} A (rated {p.limits.rated_amps:.0f} A) is asked.",
        "output below the spec",
        extra=(words.AMMETER_WENT_DEAD,) if abs(amps.value) <= p.nothing_amps else (),
    )


def full_battery(p: Picture) -> Finding | None:
    """Volts at the set-point but rated output never asked for: the run proves nothing about output."""
    seen = p.seen
    volts, amps = seen.level(VOLTS, 15.0), seen.level(AMPS, 15.0)
    if seen.measuring_s < FULL_BATTERY_S or volts is None or amps is None:
        return None
    rest = seen.rest_volts
    pushed = rest is not None and volts.value > rest + 1.0 and amps.value < p.limits.near_zero_amps
    if p.output_shown() != "not" or not (pushed or volts.value >= p.limits.settled_volts[0] - 0.05):
        return None
    return battery_took_no_more(p, f"the volts stand at {volts.value:.2f} V")


def battery_took_no_more(p: Picture, found: str) -> Finding:
    """Void: the set-point may be proven, the output is not; full, or tired if it rested low (trap 6)."""
    seen = p.seen
    rest, rate = seen.rest_volts, seen.c_rate
    blink = " for a blink only" if seen.peak_amps >= p.limits.min_amps else ""
    reasons = [
        f"The greatest output seen is {seen.peak_amps:.1f} A of {p.limits.rated_amps:.0f} A{blink}: at the set-point the "
        f"battery takes no more; {found}. The run proves nothing about the output.",
    ]
    tired = rest is not None and rest <= 12.4 and rate is not None and rate < 0.25
    if tired:
        assert rest is not None
        reasons.append(
            f"It rested at {rest:.2f} V, so it is not full, and yet it takes only {p.amps_text()}: "
            "sulphated, frozen, or very cold."
        )
        step = "Warm the battery, do the battery test (gravity, load), and run again with a battery that takes charge."
    else:
        step = words.CRANK_AND_COOL
    return Finding(
        Outcome.VOID,
        Suspect.BATTERY if tired else Suspect.NOT_DISCHARGED,
        tuple(reasons),
        "rated output never shown",
        step,
        cautions=(words.FROZEN,) if tired else (words.CRANKING,),
    )


def charge_is_in(p: Picture) -> Finding | None:
    """Amps at rated, the charge is in, the volts still below the window: the battery."""
    seen = p.seen
    volts = seen.level(VOLTS, 15.0)
    if seen.rest_volts is None or p.spec.battery is None or volts is None or p.output_shown() != "shown":
        return None
    if volts.value + 3 * volts.u >= p.limits.settled_volts[0] or p.regulating():
        return None
    start = min(lead_acid.rest_charge(seen.rest_volts)[0], 0.85)
    charge = start + seen.ampere_hours / p.spec.battery.amp_hours
    if charge < 1.0:
        return None
    return Finding(
        Outcome.FAIL,
        Suspect.BATTERY,
        (
            f"Amps stay at {p.amps_text()} and {seen.ampere_hours:.1f} Ah are in, on top of at least "
            f"{100 * start:.0f} % from the start: a sound {p.spec.battery.amp_hours:.0f} Ah battery would be "
            f"full, yet it is at {volts.value:.2f} V.",
        ),
        "the charge is in and the volts are not",
        "Test the battery (gravity of each cell, load test); check that its size is the machine's own.",
    )
