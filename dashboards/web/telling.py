"""A record in words, as it stands among what happened in a run: {text, role}."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from benchd_dashboards.look import harmless
from benchd_dashboards.words import VERDICTS, flag_line

Record = Mapping[str, Any]


def told(record: Record) -> dict[str, str] | None:
    """`role`: 'good', 'warn', 'bad', 'ask' or ''. None for what is no event (samples, readings, standings)."""
    found = _TOLD.get(str(record.get("kind")))
    if found is None:
        return None
    text, role = found(record)
    return {"text": harmless(text), "role": role}


def _plain(before: str, role: str) -> Callable[[Record], tuple[str, str]]:
    return lambda record: (f"{before}{record.get('text') or ''}", role)


def _answer(record: Record) -> tuple[str, str]:
    return f"Answered: {record.get('text') or 'nothing'}", ""


def _flag(record: Record) -> tuple[str, str]:
    where = str(record.get("channel") or record.get("instrument") or "")
    line = flag_line(where, str(record.get("flag") or ""), "")
    if record.get("state") == "off":
        return f"Over: {line.split(',')[0]}", ""
    return flag_line(where, str(record.get("flag") or ""), str(record.get("cure") or "")), "warn"


def _gap(record: Record) -> tuple[str, str]:
    name = str(record.get("instrument") or "")
    if record.get("state") == "back":
        return f"{name} is back", ""
    what = next((record[key] for key in ("what", "text", "happened", "reason") if record.get(key)), "no answer")
    return f"{name} lost: {what}", "bad"


def _trouble(record: Record) -> tuple[str, str]:
    return f"Not being kept: {record.get('text') or record.get('reason') or 'the journal cannot be written'}", "bad"


def _notice(record: Record) -> tuple[str, str]:
    name = record.get("instrument")
    return f"{name}: {record.get('text') or ''}" if name else str(record.get("text") or ""), ""


def _verdict(record: Record) -> tuple[str, str]:
    body = record["verdict"] if isinstance(record.get("verdict"), Mapping) else record
    found, suspect = str(body.get("verdict") or ""), str(body.get("suspect") or "none")
    word = VERDICTS.get(found, (found,))[0].capitalize()
    role = {"pass": "good", "fail": "bad"}.get(found, "warn")
    return f"Verdict: {word}{'' if suspect == 'none' else f', suspect: {suspect}'}", role


def _closed(record: Record) -> tuple[str, str]:
    status, reason = str(record.get("status") or "ended"), record.get("reason")
    return f"Closed: {status}{f', {reason}' if reason else ''}", "" if status == "judged" else "warn"


_TOLD: Mapping[str, Callable[[Record], tuple[str, str]]] = {
    "prompt": _plain("", "ask"),
    "answer": _answer,
    "caution": _plain("Caution: ", "warn"),
    "flag": _flag,
    "gap": _gap,
    "trouble": _trouble,
    "notice": _notice,
    "mark": _plain("Mark: ", ""),
    "verdict": _verdict,
    "run-closed": _closed,
}
