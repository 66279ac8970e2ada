"""A run as JSON for the page: the same state, dials and words as the terminal's gauge, without a terminal."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from benchd_dashboards import endpage
from benchd_dashboards.dials import NAMED_OTHERWISE, TITLES, Dial, dial, main_channels
from benchd_dashboards.look import harmless
from benchd_dashboards.lot.page import ROLES as CHARACTERISTICS
from benchd_dashboards.lot.page import mode_title, rows_of
from benchd_dashboards.paper.limits import BESIDE_LIMITS, limit_words
from benchd_dashboards.state import BEFORE, Ask, State
from benchd_dashboards.web.telling import told
from benchd_dashboards.words import TESTS, flag_line, gap_line, leaning, number_with_spread

Body = dict[str, Any]

#: What the terminal paints -> what the page calls it.
ROLES = {"bar good": "good", "bar warn": "warn", "bar": "", "bad": "bad"}
NOTICE_S = 30.0
#: What somebody must go to a bench for.
CALLS = frozenset({"danger", "ask", "do", "lost", "flag"})
_KEPT_UPPER = {"AC", "RPM"}


class Fold:
    """What is known of a run after each record."""

    def __init__(self) -> None:
        self._state = State()

    def apply(self, record: Mapping[str, Any]) -> None:
        self._state.apply(record)

    def told(self, record: Mapping[str, Any]) -> Body | None:
        """See telling.told."""
        return told(record)

    def tile(self) -> Body:
        """What stands on the wall: small, since it goes out ten times a second."""
        state = self._state
        found = {**_head(state), "attention": [one for one in _attention(state) if one["kind"] in CALLS][:3]}
        if state.ended:
            return {**found, "verdict": _word(state), "reason": _first_reason(state)}
        return {**found, "dials": [_dial(dial(state, one)) for one in _shown(state)], "stands": _stands(state)}

    def view(self) -> Body:
        """All that stands on the run's own page beside its curves."""
        state = self._state
        found = {
            **_head(state),
            "attention": list(_attention(state)),
            "dials": [_dial(dial(state, one)) for one in _shown(state)],
            "others": _others(state),
            "stands": _stands(state),
            "cautions": [one.text for one in state.cautions],
            "instruments": [_instrument(one) for one in state.instruments.values()],
            "marks": state.marks,
            "engine": state.engine_runs,
            "measuring_s": state.measuring_s,
            "titles": {name: sentence(TITLES.get(name, name.upper().replace("_", " "))) for name in state.tracks},
        }
        if state.procedure == "unit":
            found["characteristics"] = _characteristics(state)
        return found | ({"verdict": _verdict(state)} if state.ended else {})


def title_of(procedure: str) -> str:
    """'Regulator run', 'Load test'."""
    return sentence(TESTS.get(procedure, f"{procedure} RUN" if procedure else "run"))


def sentence(words: str) -> str:
    """'STATOR VOLTS AC' as it stands in a page: 'Stator volts AC'."""
    parts = [one if one.strip(",:") in _KEPT_UPPER else one.lower() for one in words.split()]
    return " ".join([parts[0][:1].upper() + parts[0][1:], *parts[1:]]) if parts else ""


def _head(state: State) -> Body:
    opened, machine = state.opened, state.limits("machine")
    bench = opened.get("bench")
    return {
        "procedure": state.procedure,
        "title": title_of(state.procedure),
        "machine": str(machine.get("name") or ""),
        "bench_name": "" if isinstance(bench, Mapping) else str(bench or ""),
        "work_order": str(opened.get("work_order") or ""),
        "unit": str(opened.get("unit") or ""),
        "lot": str(opened.get("lot") or ""),
        "phase": state.phase,
        "t_s": round(state.t_s, 1),
        "ended": state.ended,
    }


def _shown(state: State) -> list[str]:
    """The dials of a page: the main channels, and the engine's speed where one turns."""
    found = list(main_channels(state))
    if (state.engine_runs or "engine_rpm" in state.tracks) and "engine_rpm" not in found:
        found.append("engine_rpm")
    return found


def _dial(one: Dial) -> Body:
    return {
        "channel": one.channel,
        "title": sentence(one.title),
        "value": one.value,
        "text": one.text(),
        "unit": one.unit,
        "word": sentence(one.word),
        "role": one.role,
        "low": one.low,
        "high": one.high,
        "bands": [[_end(low), _end(high)] for low, high in one.bands],
        "ceiling": one.ceiling,
        "note": one.note,
    }


def _end(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _others(state: State) -> list[Body]:
    """Estimates and channels without a dial of their own: {name, text}."""
    shown = {*_shown(state), *(NAMED_OTHERWISE.get(name, name) for name in main_channels(state))}
    found = [
        {"name": sentence(name.replace("_", " ")), "text": number_with_spread(one)}
        for name, one in state.estimates().items()
        if name not in shown or one.get("u") is not None
    ]
    hours = state.standing.get("ampere_hours")
    if hours is not None:
        found.append({"name": "Charge delivered", "text": f"{float(hours):.2f} Ah"})
    for channel in TITLES:
        if channel in state.tracks and channel not in shown:
            one = dial(state, channel)
            text = sentence(one.word) if one.value is None else f"{one.text()} {one.unit}"
            found.append({"name": sentence(one.title), "text": text})
    return found


def _stands(state: State) -> Body:
    """How the verdict stands: {words, role, sure, why, left_s, limit_s}."""
    words, role = leaning(state)
    sure, left, limit = state.standing.get("sure"), state.left_s(), state.left_s("limit_s")
    return {
        "words": sentence(words),
        "role": ROLES.get(role, role),
        "sure": None if sure is None else float(sure),
        "why": harmless(state.standing.get("why", "")),
        "left_s": None if left is None else round(left, 1),
        "limit_s": None if limit is None else round(limit, 1),
    }


def _characteristics(state: State) -> list[Body]:
    """Of a unit's test: {title, value, limits, word, role} in the order of testing, as the terminal's shift shows them."""
    return [
        {
            "title": title,
            "value": value,
            "limits": limits,
            "word": sentence(word),
            "role": CHARACTERISTICS.get(word, ""),
        }
        for title, value, limits, word in rows_of(state)
    ]


def _attention(state: State) -> Iterator[Body]:
    """What a person must see or do, the most urgent first: {kind, text} and, of an ask, {id, choices, caution}.

    Kinds: danger, do, ask, caution, lost, flag, notice. `choices` null: free text.
    """
    if not state.ended:
        if state.over_ceiling:
            yield {"kind": "danger", "text": f"Over {state.ceiling():g} V, the ceiling: close the throttle."}
        if state.trouble:
            yield {"kind": "danger", "text": f"Not being kept: {state.trouble}"}
        yield from (_ask(one) for one in _asks(state))
    elif state.engine_runs and state.verdict and (state.number("engine_rpm") or 0.0) >= endpage.TURNING_RPM:
        yield {"kind": "do", "text": "Close the throttle.", "id": "", "caution": ""}
    elif state.instruction is not None and state.verdict and not state.engine_runs:
        yield _ask(state.instruction)
    for name, gap in state.gaps.items():
        if not state.ended:
            yield {"kind": "lost", "text": gap_line(name, gap, state.t_s)}
    for (where, flag), cure in state.flags_now().items():
        if not state.ended:
            yield {"kind": "flag", "text": flag_line(where, flag, cure)}
    caution = state.caution()
    if caution is not None and not state.ended:
        yield {"kind": "caution", "text": caution.text}
    if state.notice is not None and not state.ended and state.t_s - state.notice.t_s < NOTICE_S:
        yield {"kind": "notice", "text": state.notice.text}


def _asks(state: State) -> list[Ask]:
    """As on the terminal: before the engine is up one step at a time, then the instruction leads."""
    question, instruction = state.questions[:1], state.instruction
    if instruction is None:
        return question
    if state.phase in BEFORE and question and question[0].t_s <= instruction.t_s:
        return question
    return [instruction, *question]


def _ask(ask: Ask) -> Body:
    choices = None if ask.choices is None else list(ask.choices)
    kind = "ask" if ask.is_question else "do"
    return {"kind": kind, "id": ask.id, "text": ask.text, "choices": choices, "caution": ask.caution}


def _instrument(record: Mapping[str, Any]) -> Body:
    keys = ("name", "driver", "identity", "calibration_due")
    return {key: harmless(str(record[key])) for key in keys if record.get(key)}


# --- the end ----------------------------------------------------------------------------------------------------------


def _word(state: State) -> Body:
    word, _ = endpage.verdict_word(state)
    found = str(state.verdict.get("verdict") or "none")
    mode = mode_title(str(state.verdict.get("finding") or "")) if state.procedure == "unit" and found != "pass" else ""
    return {"verdict": found, "word": sentence(word), "suspect": mode or endpage.suspect_line(state)}


def _first_reason(state: State) -> str:
    reasons = [*(state.verdict.get("reasons") or ()), state.closed.get("reason") or ""]
    return harmless(reasons[0])


def _verdict(state: State) -> Body:
    """The verdict in the words of the terminal's last page."""
    said = state.verdict
    closed = [state.closed["reason"]] if not said and state.closed.get("reason") else []
    return {
        **_word(state),
        "reasons": [harmless(one) for one in (*(said.get("reasons") or ()), *closed)],
        "next_step": harmless(said.get("next_step") or ""),
        "cautions": [harmless(one) for one in said.get("cautions") or ()],
        "measured": [_measured(*one) for one in (said.get("measured") or {}).items()],
        "limits": list(_limits(said.get("limits") or {})),
        "ended_because": harmless(said.get("ended_because") or ""),
        "rule": harmless(said.get("decision_rule") or ""),
        "samples": said.get("samples"),
        "duration_s": said.get("duration_s"),
        "rpm": said.get("rpm"),
        "status": state.closed.get("status"),
        "program": harmless(said.get("program") or ""),
    }


def _measured(name: str, found: Mapping[str, Any]) -> Body:
    """One of the figures that were measured: {name, text, likely}; `likely` '' where no limit is set."""
    text, likely = endpage.measured_parts(found)
    return {"name": sentence(harmless(name.replace("_", " "))), "text": harmless(text), "likely": likely}


def _limits(limits: Mapping[str, Any]) -> Iterator[Body]:
    """What the spec asked for, in the words and units of the paper: {name, text}."""
    for name, value in limits.items():
        if value is None or name in BESIDE_LIMITS or name.endswith("_from"):
            continue
        words, text = limit_words(name, value, limits)
        yield {"name": harmless(words[:1].upper() + words[1:]), "text": harmless(text)}
