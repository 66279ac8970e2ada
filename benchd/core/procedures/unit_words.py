"""What a unit's test says: few words, big things first. None of its prompts needs an answer.

Ids of prompts (choices () everywhere):

    hook-up          the opening line
    set-ID           speed and load for the characteristic ID; only where they are not there already. Its text is
                     'Drive: stopped. Load: off.', 'Drive: 3600 rpm. Load: 2 A.', 'Drive: 3600 rpm. Load: off.',
                     'Drive: slowly up to 2400 rpm. Load: 2 A.' or 'Drive: 3600 rpm. Load: up until 13.5 V.', then a space and
                     more words, if any
    again-ID         the same is waited for still: what is there and what is wanted; for the first output speed: come down and
                     raise it more slowly ('Drive: below 600 rpm, then slowly up to 2400 rpm. Load: 2 A.')
    bridge-ammeter   before the drive starts, where a milliammeter was in the battery's wire
    done             the end: 'Drive: stopped. Load: off.'
"""

from __future__ import annotations

from benchd.core.procedures.unit_held import Row
from benchd.core.specs import Characteristic, Measures, PartSpec

TURNING = "The drive turns: guards on, hair, sleeves and leads clear of belt and fan. Eyes and ears covered."
HOT = "Regulator and load bank get hot: no hands on them, nothing that burns near them."
GAS = "A charging battery gives off explosive gas and holds acid: eyes covered, no flame or spark, air moving."
NEVER_OPEN = "Never open the battery's connection while the drive turns: the volts run away."
DUMP = "The load goes off at speed: the volts jump. Nothing but this bench's meters on the battery."
STOP = "STOP THE DRIVE NOW: {}. Stay back until it stands, then let the battery rest before unclipping."
UNCLIP = "Unclip when it stands; regulator and load bank are hot."
BRIDGE = "The full output would blow the milliammeter's fuse."
DISCHARGED = "The rig's battery is discharged ({:.2f} V at rest): it takes the amps of the load. Charge it."
FRESH = "The rig's battery is fresh off a charger ({:.2f} V at rest): put the load on until it rests below 13 V."


def target(window: tuple[float, float]) -> float:
    """The middle of a window, as a round number that lies within it."""
    middle = (window[0] + window[1]) / 2
    step = 10.0 if middle >= 200 else 0.5
    found = round(middle / step) * step
    return found if window[0] <= found <= window[1] else middle


def wanted(one: Characteristic) -> str:
    """Drive and load of a characteristic, as its prompt says them."""
    if one.measures is Measures.LEAKAGE:
        return "Drive: stopped. Load: off."
    if one.measures is Measures.FIRST_OUTPUT and one.rpm is not None:
        return f"Drive: slowly up to {one.rpm[1]:g} rpm. {_small_load(one)}"
    drive = "" if one.rpm is None else f"Drive: {target(one.rpm):g} rpm."
    if one.measures is Measures.GREATEST_OUTPUT:
        return f"{drive} Load: up until {one.at_volts:g} V."
    if one.amps is None:
        return drive
    load = "off" if one.amps[0] == 0 else f"{target(one.amps):g} A"
    return f"{drive} Load: {load}.".strip()


def _small_load(one: Characteristic) -> str:
    """So that a full battery does not hide the first output."""
    return f"Load: {2 * (one.at_amps or 0.5):g} A."


def more(one: Characteristic, milliammeter: bool) -> str:
    if one.measures is Measures.LEAKAGE and milliammeter:
        return " Milliammeter in the battery's wire."
    if one.measures is Measures.WARM_UP:
        return f" Hold it for {one.over_s:g} s."
    return ""


def slower(one: Characteristic) -> str:
    assert one.rpm is not None
    return f"Drive: below {one.rpm[0]:g} rpm, then slowly up to {one.rpm[1]:g} rpm. {_small_load(one)}"


def unmet(one: Characteristic, what: str, row: Row | None, part: PartSpec) -> str:
    """What is there and what is wanted: for the operator who waits, and for the verdict."""
    rpm, amps = (None, None) if row is None else (row.rpm, row.amps_now)
    if what == "speed":
        window = (0.0, 30.0) if one.measures is Measures.LEAKAGE else (one.rpm or part.rated_rpm)
        return f"drive speed {_now(rpm, '.0f')} rpm, wanted {window[0]:g} to {window[1]:g}"
    if what == "load" and one.amps is not None:
        if amps is not None and amps < -0.5:
            return f"amps {amps:.1f} A: turn the ammeter's leads or the clamp round"
        hint = "; a discharged battery takes more" if amps is not None and amps > one.amps[1] else ""
        return f"load {_now(amps, '.1f')} A, wanted {one.amps[0]:g} to {one.amps[1]:g}{hint}"
    volts = None if row is None else row.volts
    word = "at least" if one.measures is Measures.LEAKAGE else "about"
    return f"volts {_now(volts, '.2f')} V, wanted {word} {one.at_volts or 0:g}"


def _now(value: float | None, form: str) -> str:
    return "not read" if value is None else format(value, form)


def cure(what: str) -> str:
    """What to do about conditions that were not met."""
    return {
        "speed": "Bring the drive to the speed that the prompt names, and look after its belt and its control.",
        "load": "Set the load bank to the amps that the prompt names; charge the rig's battery if it takes too many.",
        "volts": "Charge the rig's battery, or raise the load further.",
    }.get(what, f"Look after {what}: on, awake, plugged in, on the right function and range.")
