"""Rules of a regulator run about the settled volts: the set-point, the joint, and what is too close to call.

Each rule answers a Finding or None; their order stands in regulator.py.
"""

from __future__ import annotations

import math

from benchd.core.budget import decide, probability_within
from benchd.core.procedures import words
from benchd.core.procedures.charging import VOLTS
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.picture import WATCH_S, Picture
from benchd.core.procedures.rules_output import SURE, battery_took_no_more, too_little
from benchd.core.settle import SourceLine, trend
from benchd.core.verdicts import Outcome, Suspect

TELLING_U = 0.025  # V: standard uncertainty of the foretold volts, of the fit alone
TELLING_S = 90.0
HELD_AMPS = 0.27  # of rated
GIVEN_AMPS = 0.5
LOW_S = 100.0
ENOUGH_S = 150.0  # of regulating: what is still too close then stays too close


def settled(p: Picture) -> Finding | None:
    """The set-point, once the regulator is seen at work and the answer no longer changes."""
    if p.fallen_away or not p.regulating():
        return None
    assert p.line is not None
    end = p.end_volts()
    assert end is not None
    volts, u, known = end
    low, high = p.limits.settled_volts
    probability = probability_within(volts, u, low, high)
    if not known:
        return _close_call("The voltmeter has no accuracy statement, so no limit can be judged.")
    if probability >= SURE and p.drop_probability() >= 0.8 and _above_the_low_limit(p):
        return _settled_inside(p, volts, u) if _worth_telling(p) else None
    return _blame(p) or _stays_close(p, volts, u, probability)


def _above_the_low_limit(p: Picture) -> bool:
    """Near the knee the foretold volts may be too high: there the volts of now must do, for they only rise."""
    if p.far is not None:
        return True
    now = p.seen.level(VOLTS, 15.0)
    if now is None:
        return False
    u = math.hypot(now.u, p.seen.volts.u(now.value) or math.inf)
    return probability_within(now.value, u, p.limits.settled_volts[0], None) >= SURE


def _blame(p: Picture) -> Finding | None:
    """A set-point too low, a joint, or a set-point too high; the last two from the line that is clear of the knee."""
    low_set = _set_too_low(p)
    far = p.far
    if low_set is not None or far is None:
        return low_set
    u = math.hypot(far.u_end_volts, p.seen.volts.u(far.end_volts) or math.inf)
    joint = _joint(p, far, far.end_volts, u)
    if joint is not None:
        return joint
    inside = probability_within(far.end_volts, u, *p.limits.settled_volts)
    if far.end_volts > p.high and inside <= 1 - SURE and p.drop_probability(far) >= 0.5:
        return _settled_outside(p, far.end_volts, u)
    return None


def _worth_telling(p: Picture) -> bool:
    """A pass that is certain waits until the foretold volts are good to 50 mV as well, but not for long."""
    assert p.line is not None
    if math.isinf(p.certain_since_s):
        p.certain_since_s = p.seen.now_s
    return p.line.u_end_volts <= TELLING_U or p.seen.now_s - p.certain_since_s >= TELLING_S


def _stays_close(p: Picture, volts: float, u: float, probability: float) -> Finding | None:
    """End when the reading can get no better: what is left is the meter's own accuracy."""
    assert p.line is not None
    stated = p.seen.volts.u(volts) or 0.0
    if p.line.u_end_volts > 0.5 * stated or p.line.window_s < ENOUGH_S:
        return None
    if p.far is None:
        return None
    low, high = p.limits.settled_volts
    call = decide(p.metrology.rule, probability, low <= volts <= high, p.metrology.risk)
    if call == "pass":
        return _settled_inside(p, volts, u)
    if call == "fail":
        return _settled_outside(p, volts, u)
    return _close_call(
        f"The volts will end at {volts:.2f} +/- {2 * u:.2f} V; the limits are {low:.1f} and {high:.1f} V: too close "
        f"to call ({words.percent(probability)} likely inside)."
    )


def _close_call(reason: str) -> Finding:
    return Finding(
        Outcome.UNDECIDED,
        Suspect.UNKNOWN,
        (reason,),
        "too close to call",
        "Use a voltmeter with a better accuracy statement, or have the set-point watched in use.",
    )


def _set_too_low(p: Picture) -> Finding | None:
    """The fitted line ends below the window, though the knee can only make it end too high; and it is nearly flat, as a
    regulator's is. A stator at the end of its volts falls off steeply."""
    line = p.far or p.near
    if line is None:
        return None
    u = math.hypot(line.u_end_volts, p.seen.volts.u(line.end_volts) or math.inf)
    if probability_within(line.end_volts, u, p.limits.settled_volts[0], None) > 1 - SURE:
        return None
    if p.output_shown() != "shown":
        return _low_without_output(p, line, u)
    flat = p.drop_probability(line)
    return _settled_outside(p, line.end_volts, u) if flat >= 0.9 else None


def _low_without_output(p: Picture, line: SourceLine, u: float) -> Finding | None:
    """Held flat at good amps it is the regulator; a weak stator at the end of its volts looks flat only near nothing."""
    rated = p.limits.rated_amps
    flat = p.drop_probability(line) >= 0.9 and line.ohms > -0.02 and line.u_ohms * rated < 0.3
    strong = line.amps_now >= HELD_AMPS * rated and p.seen.peak_amps >= GIVEN_AMPS * rated
    if flat and strong:
        return _settled_outside(p, line.end_volts, u)
    if strong or p.seen.measuring_s < LOW_S:
        return None
    return too_little(
        p,
        f"Amps fall away while the volts are only at {line.volts_now:.2f} V, and no more than {p.seen.peak_amps:.1f} A of "
        f"{rated:.0f} A was ever given.",
        "volts and output below the spec",
    )


def _joint(p: Picture, line: SourceLine, volts: float, u: float) -> Finding | None:
    rated = p.limits.rated_amps
    low, high = p.limits.settled_volts
    drop, u_drop = line.ohms * rated, line.u_ohms * rated
    if p.drop_probability(line) > 1 - SURE or u_drop > 0.35 * drop:
        return None
    # Through a joint the volts still end at the set-point; a stator too weak points beyond it.
    if u > 0.25 or probability_within(volts, u, low - 0.4, high + 0.4) < 0.8 or drop < 1.3 * p.limits.max_drop_volts:
        return None
    return Finding(
        Outcome.FAIL,
        Suspect.CONNECTION,
        (
            f"The battery's volts rise by {line.ohms:.2f} V for every amp that the charge falls: "
            f"{drop:.1f} V would be lost at {rated:.0f} A between regulator and battery "
            f"(limit {p.limits.max_drop_volts:.1f} V).",
            f"With no amps the volts would end at {volts:.2f} V, so the regulator itself is not the first suspect.",
        ),
        "volts lost on the way to the battery",
        "Measure the drop on both sides under charge; clean and tighten joints, grounds and plug; run again.",
    )


def _settled_inside(p: Picture, volts: float, u: float) -> Finding | None:
    low, high = p.limits.settled_volts
    shown = p.output_shown()
    if shown == "shown":
        if p.dropouts and p.seen.now_s - p.dropout_at_s < 120.0:
            return None  # fell away once: watch whether it does so again
        if p.dropouts:
            return _fell_away_once(p)
        return Finding(
            Outcome.PASS,
            Suspect.NONE,
            (
                f"Rated output was shown: {p.seen.peak_amps:.1f} A of {p.limits.rated_amps:.0f} A.",
                f"The regulator is at work: amps have fallen to {p.line_amps:.1f} A and go on falling as a filling battery's do; the "
                f"volts will end at {volts:.2f} +/- {2 * u:.2f} V, inside {low:.1f} to {high:.1f} V.",
            ),
            "settled volts are certain",
            "The charging system does its work. This says nothing of how well the battery holds its charge.",
        )
    if shown == "close":
        if p.seen.measuring_s < ENOUGH_S:
            return None
        return _output_close(p)
    return battery_took_no_more(p, f"the volts will end at {volts:.2f} V")


def _fell_away_once(p: Picture) -> Finding:
    return Finding(
        Outcome.UNDECIDED,
        Suspect.CONNECTION,
        ("Volts and amps fell away together once while the engine ran on; everything else is in order.",),
        "output dropped out once",
        "Wiggle plug, joints and test leads with the engine stopped, then run again.",
    )


def _settled_outside(p: Picture, volts: float, u: float) -> Finding:
    low, high = p.limits.settled_volts
    which = "below" if volts < low else "above"
    word = "low" if volts < low else "high"
    limit = low if volts < low else high
    return Finding(
        Outcome.FAIL,
        Suspect.REGULATOR,
        (
            f"Amps fall, so the regulator is at work, but the volts will end at {volts:.2f} +/- {2 * u:.2f} V, "
            f"{which} the limit of {limit:.1f} V: its set-point is too {word}.",
        ),
        f"set-point too {word}",
        "Check the regulator's ground first; then replace the regulator and run this test again as proof.",
    )


def above_window(p: Picture) -> Finding | None:
    """Volts held above the window: high whatever the amps do, for they only rise from here."""
    volts = p.seen.level(VOLTS, 30.0)
    if volts is None or p.seen.measuring_s < WATCH_S or volts.n < 10:
        return None
    stated = p.seen.volts.u(volts.value)
    if stated is None or probability_within(volts.value, math.hypot(volts.u, stated), None, p.high) > 1 - SURE:
        return None
    t, _, v, _ = p.seen.window(30.0)
    if t[-1] - t[0] < 0.6 * WATCH_S or trend(t, v, p.seen.volts.resolution).falls(0.02):
        return None
    if p.regulating():
        return _settled_outside(p, volts.value, math.hypot(volts.u, stated))
    return Finding(
        Outcome.FAIL,
        Suspect.REGULATOR,
        (
            f"The volts have passed the window's top of {p.high:.1f} V and stay above it ({volts.value:.2f} V with "
            f"{p.amps_text()}); they only rise from here.",
        ),
        "volts above the window",
        "Close the throttle. Check the regulator's ground; then replace the regulator and run this test as proof.",
        cautions=(words.OVERVOLTAGE,),
    )


def _output_close(p: Picture) -> Finding:
    return Finding(
        Outcome.UNDECIDED,
        Suspect.UNKNOWN,
        (
            f"The greatest output seen is {p.seen.peak_amps:.1f} A, too close to the least that counts as rated "
            f"({p.limits.min_amps:.1f} A) for this ammeter.",
        ),
        "too close to call",
        "Discharge the battery a little more and use a better ammeter or shunt, then run again.",
    )
