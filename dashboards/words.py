"""Short sentences that every screen says alike: the large one, the plain one and the picture."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd_dashboards.look import Look, beside, clock, join
from benchd_dashboards.state import Said, State
from rich.text import Text

from benchd.core.readings import CURES, Flag

LEANS = {
    "pass": ("LEANS TO PASS", "bar good"),
    "fail": ("LEANS TO FAIL", "bad"),
    "undecided": ("UNDECIDED AS YET", "bar warn"),
    "void": ("WOULD BE VOID", "bar warn"),
}
VERDICTS = {
    "pass": ("PASS", "bar good"),
    "fail": ("FAIL", "bad"),
    "undecided": ("UNDECIDED", "bar warn"),
    "void": ("VOID", "bar warn"),
}
#: Procedure -> what people call it; any other is called a run.
TESTS = {
    "charge": "STATE OF CHARGE",
    "load": "LOAD TEST",
    "crank": "CRANKING TEST",
    "draw": "KEY-OFF DRAW",
    "drop": "VOLTAGE DROP",
    "continuity": "CONTINUITY",
}
#: What each flag means in the shop's words; the cure follows.
FLAG_WORDS: dict[str, str] = {
    Flag.OVERLOAD: "OVER RANGE",
    Flag.NO_NUMBER: "SHOWS NO NUMBER",
    Flag.HOLD: "DISPLAY IS HELD",
    Flag.RELATIVE: "SHOWS A DIFFERENCE",
    Flag.MIN_MAX: "SHOWS A STORED VALUE",
    Flag.LOW_BATTERY: "METER BATTERY LOW",
    Flag.AUTO_POWER_OFF: "WILL SWITCH ITSELF OFF",
    Flag.WRONG_FUNCTION: "DIAL ON THE WRONG FUNCTION",
    Flag.INSTRUMENT_ERROR: "REPORTS AN ERROR",
}


def leaning(state: State) -> tuple[str, str]:
    """(words, role) for the bar under the numbers."""
    if not state.standing:
        return "NOT JUDGED YET", "bar"
    found = str(state.standing.get("leaning", ""))
    words, role = LEANS.get(found, (f"LEANS TO {found.upper()}" if found else "NOT JUDGED YET", "bar"))
    if state.phase in ("checking", "waiting for full throttle"):
        return state.phase.upper(), "bar"
    sure = state.standing.get("sure")
    if sure is None or float(sure) < 0.005:  # nothing is known yet: no figure for it
        return words, role
    return f"{words}, {percent(float(sure))} sure", role


def percent(share: float) -> str:
    """A probability in words that never claim certainty."""
    if share > 0.99:
        return "over 99 %"
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def number_with_spread(found: Mapping[str, Any]) -> str:
    """An estimate with two standard uncertainties, and the band that passes."""
    unit, value = str(found.get("unit", "")), float(found["value"])
    spread = found.get("u")
    spread = None if spread is None else 2 * float(spread)
    places = 2 if spread is None or spread < 1.0 else 1 if spread < 10 else 0
    if spread is not None and spread < 0.1 and abs(value) < 2.0:
        places = 3  # volts lost in a joint, amps with the key off, gravities
    text = f"{value:.{places}f}" if spread is None else f"{value:.{places}f} ± {max(spread, 10.0**-places):.{places}f}"
    low, high = found.get("low"), found.get("high")
    if low is not None and high is not None:
        wanted = f" (passes {low:g} to {high:g})"
    elif low is not None or high is not None:
        wanted = f" (passes from {low:g})" if low is not None else f" (passes up to {high:g})"
    else:
        wanted = ""
    return f"{text} {unit}".rstrip() + wanted


def flag_line(where: str, flag: str, cure: str) -> str:
    """Which meter or channel, what is wrong with it, what to do."""
    words = FLAG_WORDS.get(flag, flag.upper())
    cure = cure or next((text for known, text in CURES.items() if known == flag), "")
    named = where.replace("_", " ")
    return f"{named}: {words}" + (f", {cure}" if cure else "")


def gap_line(name: str, gap: Said, now_s: float) -> str:
    return f"{name.upper()} LOST at {clock(gap.t_s)}, {max(now_s - gap.t_s, 0):.0f} s ago: {gap.text}"


def heading(state: State, columns: int, look: Look, title: str = "") -> Text:
    """What run this is, in what phase, how old."""
    opened, machine = state.opened, state.limits("machine")
    called = TESTS.get(state.procedure, f"{state.procedure.upper()} RUN" if state.procedure else "")
    parts = [title, called, str(machine.get("name") or "")]
    parts.append(str(opened.get("bench") or "") if not isinstance(opened.get("bench"), Mapping) else "")
    for key, word in (("work_order", "order"), ("unit", "unit")):
        if opened.get(key):
            parts.append(f"{word} {opened[key]}")
    right = look.text(f"{state.phase.upper()} {clock(state.t_s)}", "head")
    room = columns - right.cell_len - 1
    left, *rest = [look.text(part, "head") for part in parts if part] or [look.text("")]
    for part in rest:  # whole parts only: half an order number is a wrong one
        longer = join([left, part], look.mark("sep"))
        if longer.cell_len <= room:
            left = longer
    return beside(left, right, columns, look)
