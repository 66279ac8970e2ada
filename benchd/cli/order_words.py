"""A visit in plain lines, wrapped at words: for terminals without screens, pipes and logs."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd.cli.common import chance_text

LIKELY = 0.03  # causes below are not worth a line
SHOWN = 6
STATES = {"open": "OPEN", "proven": "PROVEN", "closed without proof": "CLOSED WITHOUT PROOF"}


def width() -> int:
    return max(40, min(shutil.get_terminal_size((80, 24)).columns, 100))


def wrapped(text: str, indent: str = "", hang: str | None = None) -> list[str]:
    """Lines of a text, wrapped at words; the first begins with `indent`, the others with `hang`."""
    return textwrap.wrap(
        " ".join(str(text).split()),
        width(),
        initial_indent=indent,
        subsequent_indent=indent if hang is None else hang,
        break_on_hyphens=False,
    ) or [indent.rstrip()]


# --- one order ------------------------------------------------------------------------------------------------------


def visit_lines(body: Mapping[str, Any]) -> Iterator[str]:
    """All of an order."""
    yield from head_lines(body)
    sections = (
        ("What was said", [_answer(one) for one in _newest(body["answers"], "question")]),
        ("What was found", [_finding(one) for one in _newest(body["findings"], "check")]),
        ("Runs", [_run(one) for one in body["runs"]]),
        ("Repairs", [_repair(one) for one in body["repairs"]]),
        ("Notes", [f"{_day(one['at'])}  {one['text']}{_by(one)}" for one in body["notes"]]),
    )
    for title, lines in sections:
        if lines:
            yield ""
            yield f"{title}:"
            for line in lines:
                yield from wrapped(line, "  ", "      ")
    yield ""
    if body["state"] == "open":
        yield from plan_lines(body)
        yield ""
    yield from proof_lines(body)


def head_lines(body: Mapping[str, Any]) -> Iterator[str]:
    unit = f", serial {body['unit']}" if body["unit"] else ""
    yield from wrapped(f"Order {body['work_order']}: {body['machine']}{unit}  [{STATES[body['state']]}]", "", "  ")
    customer = f"{body['customer']}: " if body["customer"] else ""
    yield from wrapped(
        f'{customer}"{body["complaint"]}"' if body["complaint"] else f"{customer}no complaint written down", "  "
    )
    opened = f"opened {_day(body['opened'])}" + (f" by {body['opened_by']}" if body["opened_by"] else "")
    closed = f", closed {_day(body['closed'])}" if body["closed"] else ""
    yield f"  {opened}{closed}"


def proof_lines(body: Mapping[str, Any]) -> Iterator[str]:
    proof = body["proof"]
    if body["state"] == "closed without proof":
        yield from wrapped(f"NOT PROVEN. Closed without proof: {body['closed_reason']}", "", "  ")
    elif proof["proven"]:
        yield from wrapped(f"Proven by {', '.join(f'run {one}' for one in proof['runs'])}.", "", "  ")
    else:
        yield "Not proven yet:"
    if not proof["proven"]:
        for one in proof["missing"]:
            yield from wrapped(one, "  - ", "    ")


def _newest(records: Sequence[Mapping[str, Any]], key: str) -> list[Mapping[str, Any]]:
    """The newest of each, in the order in which they first came."""
    return list({one[key]: one for one in records}.values())


def _answer(one: Mapping[str, Any]) -> str:
    said = "not answered" if one["outcome"] is None else one["text"]
    note = f' ("{one["note"]}")' if one["note"] else ""
    return f"{one['ask']}  {said}{note}"


def _finding(one: Mapping[str, Any]) -> str:
    found = "taken back" if one["outcome"] is None else one["text"]
    note = f" ({one['note']})" if one["note"] else ""
    photos = f" [{len(one['photos'])} photo{'s' if len(one['photos']) > 1 else ''}]" if one["photos"] else ""
    return f"{one['title']}: {found}{note}{photos}"


def _run(one: Mapping[str, Any]) -> str:
    came = one["verdict"] or one["status"] or "under way"
    suspect = f", suspect: {one['suspect']}" if one["suspect"] not in (None, "", "none") else ""
    why = f". {one['reasons'][0]}" if one.get("reasons") and came != "pass" else ""
    if one.get("foreign"):
        why = f". OF ANOTHER MACHINE ({one['spec']}): it says nothing here. Was it the right order?"
    return f"{_day(one['started'])}  {one['procedure']}: {str(came).upper()}{suspect}{why}  (run {one['run']})"


def _repair(one: Mapping[str, Any]) -> str:
    what = one["title"] or one["did"]
    did = f": {one['did']}" if one["did"] and one["title"] else ""
    parts = "; ".join(
        " ".join(filter(None, (part.get("name"), part.get("number"), part.get("serial")))) for part in one["parts"]
    )
    return f"{_day(one['at'])}  {what}{did}{f' [{parts}]' if parts else ''}{_by(one)}"


def _by(one: Mapping[str, Any]) -> str:
    return f" ({one['by']})" if one.get("by") else ""


def _day(at: str | None) -> str:
    return "" if not at else str(at)[:16].replace("T", " ")


# --- causes and plan --------------------------------------------------------------------------------------------------


def plan_lines(body: Mapping[str, Any]) -> Iterator[str]:
    yield from cause_lines(body["ranking"])
    yield ""
    yield from next_lines(body)


def cause_lines(ranking: Mapping[str, Any]) -> Iterator[str]:
    likely = [one for one in ranking["causes"] if one["probability"] >= LIKELY][:SHOWN]
    yield "Likely causes:" if likely else "No cause stands out yet."
    for one in likely:
        bar = "#" * round(one["probability"] * 20)
        yield f"  {chance_text(one['probability']):>9}  {bar:<20}  {one['title']}"[: width()]
        for reason in [found for found in one["reasons"] if abs_factor(found["factor"]) >= 1.5][:2]:
            yield from wrapped(f"{_moved(reason['factor'])}: {reason['text']}", " " * 13, " " * 15)
    for sentence in (ranking["elsewhere"], ranking["conflict"]):
        if sentence:
            yield from wrapped(sentence, "  ! ", "    ")


def abs_factor(factor: float) -> float:
    """How strongly a piece of evidence moved a cause, up or down: at least 1."""
    return max(factor, 1 / factor) if factor > 0 else float("inf")


def _moved(factor: float) -> str:
    if factor >= 1:
        return "for it" if factor < 1e4 else "all but proves it"
    return "against it" if factor > 1e-4 else "all but rules it out"


def next_lines(body: Mapping[str, Any]) -> Iterator[str]:
    plan = body["plan"]
    step = plan["steps"][0] if plan["next"] == "check" and plan["steps"] else None
    if step is not None:
        yield from wrapped(f"Next: {step['text']}  ({_minutes(step['minutes'])})", "", "      ")
        yield from wrapped(step["why"], "  ")
        yield from _doing(step, str(body["work_order"]))
        for one in step["branches"]:
            yield from wrapped(
                f"{one['outcome']} ({chance_text(one['probability'])}): {one['text']}. {one['then']}", "    ", "      "
            )
        if len(plan["steps"]) > 1:
            yield "  After that, as it stands now:"
            for later in plan["steps"][1:]:
                yield from wrapped(f"{later['text']} ({_minutes(later['minutes'])})", "    - ", "      ")
    elif plan["next"] == "repair" and plan["advice"]:
        yield from _advised(plan["advice"], str(body["work_order"]))
    else:
        yield from wrapped(
            {"prove": "Next: prove it. ", "none": "Nothing is left to do. "}.get(plan["next"], "") + plan["why"],
            "",
            "  ",
        )
        for later in plan["steps"]:
            yield from wrapped(f"{later['text']} ({_minutes(later['minutes'])})", "    - ", "      ")
    for why, items in grouped(plan["locked"]).items():
        yield from wrapped(f"not yet: {', '.join(items)}: {why}", "  ", "    ")
    if plan["expected_minutes"] is not None:
        yield f"  About {_minutes(plan['expected_minutes'])} to the cause by this plan."


def grouped(locked: Mapping[str, str]) -> dict[str, list[str]]:
    """Reason -> what it locks."""
    found: dict[str, list[str]] = {}
    for item, why in locked.items():
        found.setdefault(why, []).append(item)
    return found


def _doing(step: Mapping[str, Any], number: str) -> Iterator[str]:
    if step["caution"]:
        yield from wrapped(f"CAUTION: {step['caution']}", "  ", "    ")
    if step["run"]:
        yield f"  do it: benchd run {step['run']} --bench BENCH --work-order {number}"
    elif step["kind"] == "question":
        yield f"  write it down: benchd order answer {number} {step['item']} ANSWER"
    else:
        if step["how"]:
            yield from wrapped(step["how"], "  ")
        yield f"  write it down: benchd order find {number} {step['item']} OUTCOME"


def _advised(advice: Mapping[str, Any], number: str) -> Iterator[str]:
    yield from wrapped(f"Next: repair. {advice['title']}  ({_minutes(advice['minutes'])})", "", "      ")
    yield from wrapped(advice["why"], "  ")
    if advice["caution"]:
        yield from wrapped(f"CAUTION: {advice['caution']}", "  ", "    ")
    yield f"  write it down: benchd order repair {number} {advice['repair']}"


def _minutes(minutes: float) -> str:
    return "under a minute" if minutes < 1 else f"{minutes:.0f} min"


# --- the list -----------------------------------------------------------------------------------------------------------


def list_lines(orders: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """The orders, a line each, as wide as the terminal."""
    for one in orders:
        unit = f" {one['unit']}" if one["unit"] else ""
        begin = f"{one['work_order']:<8} {STATES[one['state']]:<8} {_day(one['opened'])[:10]}  {one['machine']}{unit}"
        said = f'  "{one["complaint"]}"' if one["complaint"] else ""
        yield textwrap.shorten(begin + said, width(), placeholder=" ...")
