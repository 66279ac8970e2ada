"""The page after the verdict: the word, the suspect, the reasons in whole sentences, what was measured, what next."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from benchd_dashboards.glyphs import LINED, big, face_for
from benchd_dashboards.keys import Hand
from benchd_dashboards.look import Look, beside, clock, harmless
from benchd_dashboards.state import State
from benchd_dashboards.words import VERDICTS, heading, percent
from rich.text import Text

TURNING_RPM = 300.0  # below this the engine stands or is about to


def end_page(state: State, columns: int, rows: int, look: Look, hand: Hand, title: str = "") -> list[Text]:
    """Verdict and suspect stand still at the top; the rest scrolls by `hand.scroll` under it."""
    top = [heading(state, columns, look, title), *_throttle(state, columns, look)]
    top += _word(state, columns, rows, look)
    foot = 1 if rows > 3 else 0
    told = account(state, columns, look)
    room = max(rows - len(top) - foot, 0)
    hand.scroll = min(hand.scroll, max(len(told) - room, 0))
    shown = told[hand.scroll : hand.scroll + room]
    lines = top + shown + [look.text("") for _ in range(room - len(shown))]
    if foot:
        below = len(told) - room - hand.scroll
        lines.append(_foot(columns, below, hand, look))
    return lines


def _throttle(state: State, columns: int, look: Look) -> list[Text]:
    """Said until the tachometer says that it was done; with no engine running, what the end itself asks for."""
    if not state.engine_runs:
        ask, ended_s = state.instruction, float(state.verdict.get("t_ns") or 0) / 1e9
        if ask is None or not state.verdict or ask.t_s < ended_s - 0.01:
            return []
        return [
            look.strip(line, columns, "call")
            for line in look.wrap(ask.text, columns - 1, "", f" {look.mark('do')} ", 2)
        ]
    rpm = state.number("engine_rpm")
    if rpm is not None and rpm < TURNING_RPM:
        return []
    ask = state.instruction
    words = ask.text if ask is not None and ask.id == "close-throttle" else "Close the throttle."
    return [look.strip(line, columns, "call") for line in look.wrap(words, columns - 1, "", f" {look.mark('do')} ", 2)]


def _word(state: State, columns: int, rows: int, look: Look) -> list[Text]:
    word, role = verdict_word(state)
    face = face_for(word, columns - 2, rows // 4, look.ascii) if rows >= 12 and word in _LARGE else None
    if face == LINED and look.ascii:  # three rows of strokes are enough for digits, not for letters
        face = None
    suspect = suspect_line(state)
    if face is None:
        return [look.strip(look.text(f" {word}{', ' + suspect if suspect else ''}"), columns, role)]
    style = {"bar good": "good", "bar warn": "warn", "bad": "alarm"}.get(role, "digits")
    lines = [look.text(" " + line.rstrip(), style) for line in big(word, face, look.ascii)]
    bar = look.strip(look.text(f" {word}{', ' + suspect if suspect else ''}"), columns, role)
    return [*lines, bar]


_LARGE = frozenset(word for word, _ in VERDICTS.values())


def verdict_word(state: State) -> tuple[str, str]:
    """(word, role); a run that ended without a verdict says how it was closed."""
    if not state.verdict:
        return f"NO VERDICT: {str(state.closed.get('status', 'ended')).upper()}", "bar warn"
    found = str(state.verdict.get("verdict", ""))
    return VERDICTS.get(found, (found.upper(), "bar"))


def suspect_line(state: State) -> str:
    """The suspect, and the others where one alone cannot be named; nothing is suspected in a pass."""
    found = str(state.verdict.get("suspect") or "none")
    several = [str(one) for one in state.verdict.get("suspects") or () if str(one) != "none"]
    if len(several) > 1:
        return "suspect: " + " or ".join(several)
    return "" if found == "none" else f"suspect: {found}"


def account(state: State, columns: int, look: Look) -> list[Text]:
    """Everything that the verdict says, as lines; the scrolling part."""
    verdict, width = state.verdict, columns - 1
    lines: list[Text] = []
    for reason in verdict.get("reasons") or ():
        lines += look.wrap(harmless(reason), width, "head", f"{look.mark('bullet')} ")
    if not verdict and state.closed.get("reason"):
        lines += look.wrap(harmless(state.closed["reason"]), width, "head", f"{look.mark('bullet')} ")
    if verdict.get("next_step"):
        lines += [look.text(""), *look.wrap(harmless(verdict["next_step"]), width, "good", "NEXT: ")]
    for caution in verdict.get("cautions") or ():
        lines += look.wrap(harmless(caution), width, "warn", "CAUTION: ")
    measured = verdict.get("measured") or {}
    if measured:
        lines += [look.text(""), look.text("MEASURED", "quiet")]
        for name, found in measured.items():
            lines += look.wrap(measured_line(name, found), width, "", "  ")
    lines += _how_it_ended(state, width, look)
    return lines


def measured_line(name: str, found: Mapping[str, Any]) -> str:
    """'settled volts: 14.21 ± 0.06 V (k = 2), over 99 % likely within limits'."""
    figure, likely = measured_parts(found)
    return f"{name.replace('_', ' ')}: {figure}" + (f", {likely} likely within limits" if likely else "")


def measured_parts(found: Mapping[str, Any]) -> tuple[str, str]:
    """('14.21 ± 0.06 V (k = 2)', 'over 99 %'): the value, and how likely it is within limits, '' where there are none."""
    spread, factor = found.get("expanded_uncertainty"), found.get("coverage_factor")
    unit = str(found.get("unit") or "")
    text = _rounded(float(found["value"]), spread)
    if spread is None:
        text = f"{text} {unit}".rstrip() + ", uncertainty not known"
    else:
        text = f"{text} ± {_rounded(float(spread), spread)} {unit}".rstrip() + (
            f" (k = {factor:.3g})" if factor else ""
        )
    chance = found.get("probability_of_conformity")
    return text, "" if chance is None else percent(float(chance))


def _rounded(value: float, spread: float | None) -> str:
    """To the place of the uncertainty's second digit, as the GUM advises; four digits where none is known."""
    if not spread or not math.isfinite(spread):
        return f"{value:.4g}"
    places = 1 - math.floor(math.log10(abs(spread)))
    return f"{value:.{max(places, 0)}f}"


def _how_it_ended(state: State, width: int, look: Look) -> list[Text]:
    verdict = state.verdict
    parts = [str(verdict[key]) for key in ("ended_because",) if verdict.get(key)]
    if verdict.get("duration_s") is not None:
        parts.append(f"after {clock(float(verdict['duration_s']))}")
    if verdict.get("samples") is not None:
        parts.append(f"{verdict['samples']} samples")
    rpm = verdict.get("rpm")
    if isinstance(rpm, Mapping) and rpm.get("mean") is not None:
        parts.append(f"rpm {rpm['min']:.0f} to {rpm['max']:.0f}, mean {rpm['mean']:.0f}")
    lines = look.wrap(harmless(", ".join(parts)), width, "quiet", "ENDED: ") if parts else []
    if verdict.get("decision_rule"):
        lines += look.wrap(harmless(verdict["decision_rule"]), width, "quiet", "RULE: ")
    if state.closed:
        lines += look.wrap(_kept(state), width, "quiet", "KEPT: ")
    if state.trouble:
        lines += look.wrap(state.trouble, width, "bad", "NOT BEING KEPT: ")
    return [look.text(""), *lines] if lines else []


def _kept(state: State) -> str:
    run = state.verdict.get("run") or state.opened.get("run") or ""
    return harmless(f"run {run}, {state.closed.get('status', '')}".replace("run ,", "this run,"))


def _foot(columns: int, below: int, hand: Hand, look: Look) -> Text:
    if hand.note == "picture":
        return look.text("")
    keys = look.text(f"up/down scroll  q leave{'  ' + hand.note if hand.note else ''}", "quiet")
    if below > 0:
        words = f"{below} more lines below" if columns >= 60 else f"{below} more"
        return beside(keys, look.text(f"{look.mark('more')} {words}", "head"), columns, look)
    if hand.scroll:
        return beside(keys, look.text(f"{look.mark('less')} {hand.scroll} lines above", "quiet"), columns, look)
    return keys
