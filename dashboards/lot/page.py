"""The shift as text, for a terminal of any size: pure. Legible from two metres: the verdict is drawn large."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd_dashboards.glyphs import LINED, big, face_for
from benchd_dashboards.look import Look, beside, clock, harmless
from benchd_dashboards.lot.shift import Shift, told
from benchd_dashboards.state import State
from benchd_dashboards.words import VERDICTS
from rich.text import Text

from benchd.core.lots.modes import TITLES as MODES

#: Word of a characteristic's line -> the role that it is drawn in.
ROLES = {"pass": "good", "in": "good", "fail": "bad", "OUT": "bad", "close": "warn", "undecided": "warn"}


def page(shift: Shift, columns: int, rows: int, look: Look) -> list[Text]:
    """`rows` lines of at most `columns`."""
    top = [_heading(shift, columns, look), *_gate(shift, columns, look)]
    foot = [*_said(shift, columns, look, max(rows // 3, 2)), _scan_line(shift, columns, look)]
    room = max(rows - len(top) - len(foot), 0)
    middle = _middle(shift, columns, room, look)[:room]
    middle += [look.text("") for _ in range(room - len(middle))]
    return (top + middle + foot)[:rows]


def _heading(shift: Shift, columns: int, look: Look) -> Text:
    body = shift.body
    who = [str(one) for one in (body.get("lot"), body.get("part"), shift.bench, shift.by) if one]
    counts = body.get("counts") or {}
    words = [f"{counts.get('units', 0)} units"]
    words += [f"{counts[key]} {word}" for key, word in COUNTED if counts.get(key)]
    return look.strip(
        beside(look.text(" " + look.mark("sep").join(who)), look.text("  ".join(words) + " "), columns, look),
        columns,
        "bar",
    )


def mode_title(mode: str) -> str:
    """A failure mode in words."""
    return MODES.get(mode, mode.replace("-", " "))


COUNTED = (
    ("passed", "pass"),
    ("failed", "fail"),
    ("undecided", "undecided"),
    ("void", "void"),
    ("retests", "retested"),
)


def _gate(shift: Shift, columns: int, look: Look) -> list[Text]:
    """Whether this bench is right today."""
    found = next((one for one in shift.body.get("benches") or () if one.get("bench") == shift.bench), None)
    if found is None:
        return []
    if found.get("fit"):
        says = "; ".join(str(one.get("says")) for one in found.get("standards") or ())
        return [look.text(f" bench fit for lots. {says}"[:columns], "quiet")]
    lines = [f"NOT FIT FOR LOTS: {one}" for one in found.get("reasons") or ()] + [
        f"DO: {one}" for one in found.get("do") or ()
    ]
    shown = [line for text in lines for line in look.wrap(harmless(text), columns - 1, "", " ")]
    return [look.strip(line, columns, "bad" if number == 0 else "bar warn") for number, line in enumerate(shown[:6])]


def _said(shift: Shift, columns: int, look: Look, most: int) -> list[Text]:
    lines = (
        look.wrap(harmless(shift.said), columns - 2, "warn" if shift.troubled else "head", " ") if shift.said else []
    )
    for text in shift.more:
        lines += look.wrap(harmless(text), columns - 2, "quiet", f" {look.mark('bullet')} ")
    return lines[:most]


def _scan_line(shift: Shift, columns: int, look: Look) -> Text:
    if shift.testing:
        left = look.text(f" testing {harmless(shift.testing)}")
        return look.strip(beside(left, look.text("Ctrl-C stops "), columns, look), columns, "bar")
    ask = f" same again: test {shift.asked} again" if shift.asked else " SCAN THE NEXT UNIT"
    left = look.text(f"{ask}: {harmless(shift.typed)}{look.mark('cursor')}")
    return look.strip(beside(left, look.text("Esc leaves "), columns, look), columns, "call")


# --- the middle -------------------------------------------------------------------------------------------------------


def _middle(shift: Shift, columns: int, rows: int, look: Look) -> list[Text]:
    state = shift.state
    if state is None:
        return _last(shift, columns, rows, look)
    if shift.testing:
        return _under_test(shift, state, columns, rows, look)
    return _result(shift, state, columns, rows, look)


def _last(shift: Shift, columns: int, rows: int, look: Look) -> list[Text]:
    """Before the first scan: what was tested before."""
    lines = [look.text("")]
    tests = list(shift.body.get("last") or ())[: max(rows - 3, 0)]
    lines += (
        [look.text(" tested last", "quiet")] if tests else [look.text(" No unit of this lot was tested yet.", "quiet")]
    )
    lines += [look.text(f" {one.get('serial')!s:<22.22} {told(one)}"[: columns - 1]) for one in tests]
    return lines


def _under_test(shift: Shift, state: State, columns: int, rows: int, look: Look) -> list[Text]:
    left = look.text(f" {harmless(shift.testing)}", "head")
    lines = [beside(left, look.text(_time(state), "quiet"), columns, look)]
    if state.instruction is not None:
        wrapped = look.wrap(state.instruction.text, columns - 1, "", f" {look.mark('do')} ", 2)
        lines += [look.strip(line, columns, "call") for line in wrapped]
    for ask in state.questions[:1]:
        lines += [look.strip(line, columns, "call") for line in look.wrap(ask.text, columns - 1, "", " ? ", 2)]
    lines.append(look.text("   ".join(_numbers(state)), "digits"))
    for (where, flag), cure in list(state.flags_now().items())[:2]:
        lines += look.wrap(f"{where.replace('_', ' ')}: {flag}. {cure}", columns - 1, "alarm", " ", 1)
    for name, gap in list(state.gaps.items())[:2]:
        lines += look.wrap(f"{name}: {gap.text}", columns - 1, "alarm", " ", 1)
    warned = [line for text in _cautions(state) for line in look.wrap(text, columns - 2, "warn", " CAUTION: ", 3)]
    table = table_lines(state, columns, look)
    why = look.wrap(harmless(state.standing.get("why") or ""), columns - 2, "quiet", " ", 2)
    if len(lines) + len(warned) + len(why) + len(table) + 2 > rows:  # what can hurt somebody gives way to nothing
        return [*lines, *warned, *why, *table]
    return [*lines, *why, look.text(""), *table, look.text(""), *warned]


def _cautions(state: State) -> list[str]:
    """What can hurt somebody now: with the step that is to be done, and what was said last."""
    said = state.caution()
    step = "" if state.instruction is None else state.instruction.caution
    return [text for text in dict.fromkeys((step, "" if said is None else said.text)) if text]


def _time(state: State) -> str:
    left = state.left_s()
    return f"{clock(state.t_s)}" + (f", {clock(left)} left " if left is not None else " ")


def _numbers(state: State) -> Iterator[str]:
    yield ""
    for channel, unit in (
        ("battery_volts", "V"),
        ("charge_amps", "A"),
        ("engine_rpm", "rpm"),
        ("regulator_celsius", "degC"),
    ):
        value = state.number(channel)
        if value is not None:
            yield f"{value:.{ {'V': 2, 'A': 1}.get(unit, 0) }f} {unit}"


def _result(shift: Shift, state: State, columns: int, rows: int, look: Look) -> list[Text]:
    found = str(state.verdict.get("verdict") or "")
    word, role = VERDICTS.get(found, (found.upper() or "NO VERDICT", "bar"))
    mode = mode_title(str(state.verdict.get("finding") or ""))
    table = table_lines(state, columns, look)
    end = _at_the_end(state, columns, look)
    high = max(rows - len(table) - len(end) - 5, 0)
    face = (
        face_for(word, columns - 2, high, look.ascii)
        if high >= 3 and word in {one for one, _ in VERDICTS.values()}
        else None
    )
    if face == LINED and look.ascii:
        face = None
    style = {"bar good": "good", "bar warn": "warn", "bad": "alarm"}.get(role, "digits")
    lines = [] if face is None else [look.text(" " + line.rstrip(), style) for line in big(word, face, look.ascii)]
    named = f" {harmless(shift.shown)}: {word}" + (f", {mode}" if mode and found != "pass" else "")
    lines.append(look.strip(look.text(named), columns, role))
    reasons = [] if found == "pass" else [harmless(one) for one in state.verdict.get("reasons") or ()]
    told_ = [line for one in reasons[:3] for line in look.wrap(one, columns - 2, "head", f" {look.mark('bullet')} ", 3)]
    step = harmless(state.verdict.get("next_step") or "")
    told_ += look.wrap(step, columns - 2, "good", " NEXT: ", 2) if step and found != "pass" else []
    return [*lines, *end, *told_, *table]


def _at_the_end(state: State, columns: int, look: Look) -> list[Text]:
    """What is to be done before anybody reaches for the unit: it stands until the next scan."""
    lines = [
        look.strip(line, columns, "bad")
        for text in state.verdict.get("cautions") or ()
        for line in look.wrap(harmless(text), columns - 1, "", " CAUTION: ", 2)
    ]
    ask = state.instruction
    if ask is not None:
        wrapped = look.wrap(f"{ask.text} {ask.caution}", columns - 1, "", f" {look.mark('do')} ", 2)
        lines += [look.strip(line, columns, "call") for line in wrapped]
    return lines


# --- the table of characteristics --------------------------------------------------------------------------------------


def table_lines(state: State, columns: int, look: Look) -> list[Text]:
    """One line a characteristic, in the order of testing: title, value, limits, and how it stands in a word."""
    rows = list(rows_of(state))
    if not rows:
        return []
    room = columns >= 64  # for the limits
    words = max(len(word) for *_, word in rows)
    wide = min(max(len(title) for title, *_ in rows) + 1, max(columns - (37 if room else 22) - words, 10))
    lines = []
    for title, value, limits, word in rows:
        shown = (
            f" {title:<{wide}.{wide}} {value:>17.17}  {limits:<14.14} "
            if room
            else f" {title:<{wide}.{wide}}{value:>17.17} "
        )
        line = look.text(shown)
        line.append(look.say(word), look.style(ROLES.get(word, "quiet")))
        line.truncate(columns)
        lines.append(line)
    return lines


def rows_of(state: State) -> Iterator[tuple[str, str, str, str]]:
    """(title, value, limits, word) of every characteristic, in the order of testing."""
    done = {str(one.get("id")): one for one in state.verdict.get("characteristics") or ()}
    estimates = state.estimates()
    for id, title in titles_of(state, [*done, *estimates]):
        found = done.get(id)
        if found is not None and found.get("value") is not None:
            yield title, _value(found), _limits(found), str(found.get("outcome") or "")
        elif id in estimates:
            one = estimates[id]
            yield title, _value(one), _limits(one), _word(one)
        else:
            yield title, "", _limits(found or {}), "not measured" if state.ended else ""


def titles_of(state: State, more: Sequence[str]) -> list[tuple[str, str]]:
    """(id, title) of every characteristic of the part, by the spec as the run was opened with."""
    spec = state.opened.get("spec")
    tests = spec.get("test") if isinstance(spec, Mapping) else None
    listed = [
        (str(one.get("id")), harmless(one.get("title") or str(one.get("id")).replace("_", " ")))
        for one in tests or ()
        if isinstance(one, Mapping)
    ]
    known = {id for id, _ in listed}
    return listed + [(id, id.replace("_", " ")) for id in dict.fromkeys(more) if id not in known]


def _value(one: Mapping[str, Any]) -> str:
    value, spread, unit = float(one["value"]), one.get("u"), str(one.get("unit") or "")
    places = _places(value, None if spread is None else 2 * float(spread))
    pm = "" if spread is None else f" ±{2 * float(spread):.{places}f}"
    return f"{value:.{places}f}{pm} {unit}"


def _places(value: float, spread: float | None) -> int:
    from math import floor, isfinite, log10

    if spread is None or not spread > 0 or not isfinite(spread):
        return 2 if abs(value) < 100 else 0
    return min(4, max(0, 1 - floor(log10(spread))))


def _limits(one: Mapping[str, Any]) -> str:
    low, high = one.get("low"), one.get("high")
    if low is not None and high is not None:
        return f"{low:g} to {high:g}"
    return f"at least {low:g}" if low is not None else f"at most {high:g}" if high is not None else ""


def _word(one: Mapping[str, Any]) -> str:
    """Where an estimate stands: the verdict is not given here."""
    value, reach = float(one["value"]), 2 * float(one.get("u") or 0.0)
    low = float("-inf") if one.get("low") is None else float(one["low"])
    high = float("inf") if one.get("high") is None else float(one["high"])
    if low <= value - reach and value + reach <= high:
        return "in"
    return "close" if low <= value <= high else "OUT"
