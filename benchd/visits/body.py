"""The visit body (see door.py) from a visit, and what the service says of its knowledge."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from benchd.core.causes.answers import Plan, Ranking
from benchd.core.causes.knowledge import Item, Knowledge
from benchd.core.visit import Proof, Visit
from benchd.journal_orders import moment

Body = dict[str, Any]


def visit_body(knowledge: Knowledge, visit: Visit, proof: Proof, ranking: Ranking, plan: Plan) -> Body:
    opened, closed = visit.opened, visit.closed or {}
    spec_text = str(opened.get("spec_text") or "")
    body: Body = {
        "work_order": visit.work_order,
        "state": visit.state,
        **{key: str(opened.get(key) or "") for key in ("machine", "unit", "customer", "complaint")},
        "opened": moment(opened),
        "opened_by": str(opened.get("by") or ""),
        "closed": moment(closed) if closed else None,
        "closed_by": str(closed.get("by") or ""),
        "closed_reason": str(closed.get("reason") or ""),
        "causes": list(closed.get("causes") or causes_of(visit)),
        "spec": _parsed(spec_text),
        "spec_text": spec_text,
        "spec_file": str(opened.get("spec_file") or ""),
        "versions": dict(opened.get("versions") or {}),
        "answers": [_answer(knowledge, one) for one in visit.answers],
        "findings": [_finding(knowledge, one) for one in visit.findings],
        "notes": [{**_signed(one), "text": str(one.get("text") or "")} for one in visit.notes],
        "repairs": [_repair(knowledge, one) for one in visit.repairs],
        "runs": [dict(one) for one in visit.runs],
        "proof": proof.to_json(),
        "ranking": ranking.to_json(),
        "plan": plan.to_json(),
    }
    return {**body, "log": [line for _, line in sorted(_log(knowledge, visit), key=lambda one: one[0])]}


def causes_of(visit: Visit) -> list[str]:
    """What the repairs were for, each cause once, in the order in which it was mended."""
    return list(dict.fromkeys(str(cause) for one in visit.repairs for cause in one.get("mends", ())))


def planned(plan: Plan, proof: Proof, visit: Visit) -> Plan:
    """The plan, seen with the proof: what is proven needs no proving, what was repaired is not done before it."""
    if visit.closed is not None:
        return Plan("none", "The order is closed.", (), None, {}, None, plan.by)
    if plan.next == "prove" and proof.proven:
        return replace(plan, next="none", why="The machine is proven fixed: close the order.")
    if plan.next == "none" and visit.repairs and not proof.proven:
        return replace(plan, next="prove", why=" ".join(("It is not proven yet.", *proof.missing)))
    return plan


def _parsed(text: str) -> Body:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:  # somebody else's record
        return {}


def _signed(record: Mapping[str, Any]) -> Body:
    return {"at": moment(record), "by": str(record.get("by") or "")}


def _placed(record: Mapping[str, Any]) -> Body:
    """The same with its place among records and runs, which no clock decides."""
    return {**_signed(record), "after_run_no": int(record["after_run_no"]), "seq": int(record["seq"])}


def _answer(knowledge: Knowledge, record: Mapping[str, Any]) -> Body:
    said = _said(knowledge, str(record["question"]), record, "ask")
    return {**_placed(record), "question": str(record["question"]), **said, "note": str(record.get("note") or "")}


def _finding(knowledge: Knowledge, record: Mapping[str, Any]) -> Body:
    said = _said(knowledge, str(record["check"]), record, "title")
    photos = [dict(one) for one in record.get("photos") or ()]
    more = {"note": str(record.get("note") or ""), "photos": photos}
    return {**_placed(record), "check": str(record["check"]), **said, **more}


def _said(knowledge: Knowledge, id: str, record: Mapping[str, Any], key: str) -> Body:
    """An item and its outcome in words: those of the record, which knew what was asked, else those of today."""
    item, outcome = knowledge.items.get(id), record.get("outcome")
    text = record.get("text") or (None if item is None else text_of(item, outcome)) or outcome
    return {
        key: str(record.get(key) or (id if item is None else item.text)),
        "outcome": outcome,
        "text": "" if outcome is None else str(text),
    }


def text_of(item: Item, outcome: Any) -> str:
    return next((one.text for one in item.outcomes if one.id == outcome), "")


def _repair(knowledge: Knowledge, record: Mapping[str, Any]) -> Body:
    known = knowledge.repairs.get(str(record.get("repair") or ""))
    return {
        **_placed(record),
        "repair": str(record.get("repair") or ""),
        "title": str(record.get("title") or ("" if known is None else known.title)),
        "did": str(record.get("did") or ""),
        "mends": list(record.get("mends") or ()),
        "touches": list(record.get("touches") or ()),
        "parts": [dict(one) for one in record.get("parts") or ()],
        "minutes": record.get("minutes"),
    }


# --- the log ----------------------------------------------------------------------------------------------------------

_Place = tuple[int, int]


def _log(knowledge: Knowledge, visit: Visit) -> Iterator[tuple[_Place, Body]]:
    """(place, line): runs by their number, records by the newest run they knew, so that no clock decides."""

    def line(record: Mapping[str, Any], what: str, text: str) -> tuple[_Place, Body]:
        return (int(record["after_run_no"]), int(record["seq"])), {**_signed(record), "what": what, "line": text}

    if visit.opened:
        yield line(visit.opened, "opened", _opened_line(visit.opened))
    for one in visit.answers:
        yield line(one, "answer", _answer_line(_answer(knowledge, one)))
    for one in visit.findings:
        yield line(one, "finding", _finding_line(_finding(knowledge, one)))
    for one in visit.notes:
        yield line(one, "note", str(one.get("text") or ""))
    for one in visit.repairs:
        yield line(one, "repair", _repair_line(_repair(knowledge, one)))
    for run in visit.runs:
        at = str(run["ended"] or run["started"] or "")
        yield (int(run["run_no"]), 0), {"at": at, "by": "", "what": "run", "run": run["run"], "line": _run_line(run)}
    if visit.closed:
        yield line(visit.closed, "closed", _closed_line(visit.closed))


def _opened_line(record: Mapping[str, Any]) -> str:
    complaint = str(record.get("complaint") or "")
    return f"Order opened for {record.get('machine') or 'a machine'}" + (f': "{complaint}"' if complaint else "")


def _answer_line(one: Body) -> str:
    return f"{one['ask']} {one['text'] if one['outcome'] is not None else 'skipped'}{_noted(one)}"


def _finding_line(one: Body) -> str:
    photos = f" [{len(one['photos'])} photo{'s' * (len(one['photos']) > 1)}]" if one["photos"] else ""
    return f"{one['title']}: {one['text'] if one['outcome'] is not None else 'taken back'}{_noted(one)}{photos}"


def _noted(one: Body) -> str:
    return f" ({one['note']})" if one["note"] else ""


def _repair_line(one: Body) -> str:
    what = ": ".join(part for part in (one["title"], one["did"]) if part)
    parts = ", ".join(" ".join(word for word in part.values() if word) for part in one["parts"])
    return f"Repair: {what}" + (f" [{parts}]" if parts else "")


def _run_line(run: Mapping[str, Any]) -> str:
    came = run["verdict"] or run["status"] or "under way"
    suspect = f", suspect: {run['suspect']}" if run["suspect"] not in (None, "", "none") else ""
    other = f" (of another machine, {run['spec']}: it says nothing here)" if run.get("foreign") else ""
    return f"{run['procedure']} run: {came}{suspect}{other}"


def _closed_line(record: Mapping[str, Any]) -> str:
    if record.get("proven"):
        return f"Order closed, proven by {', '.join(f'run {one}' for one in record.get('runs') or ())}"
    return f"Order closed WITHOUT PROOF: {record.get('reason') or 'no reason given'}"


# --- knowledge --------------------------------------------------------------------------------------------------------


def knowledge_body(knowledge: Knowledge) -> Body:
    items = [_item(one) for one in knowledge.items.values()]
    return {
        **{f"{kind}s": [one for one in items if one["kind"] == kind] for kind in ("question", "look", "test")},
        "repairs": [
            {
                "id": one.id,
                "title": one.title,
                "mends": list(one.mends),
                "touches": list(one.touches),
                "minutes": one.minutes,
                "cost": one.cost,
                "right": one.right,
                "origin": one.origin,
                "caution": one.caution,
            }
            for one in knowledge.repairs.values()
        ],
        "causes": [
            {
                "id": one.id,
                "title": one.title,
                "system": one.system,
                "frequency": one.frequency,
                "origin": one.origin,
                "advice": one.advice,
                "caution": one.caution,
            }
            for one in knowledge.causes.values()
        ],
        "sources": list(knowledge.sources),
        "learned": knowledge.learned,
    }


def _item(item: Item) -> Body:
    keys = ("id", "kind", "text", "minutes", "cost", "run", "how", "caution", "tools", "origin", "right")
    outcomes = [{"id": one.id, "text": one.text, "means": one.means} for one in item.outcomes]
    return {**{key: getattr(item, key) for key in keys}, "outcomes": outcomes}
