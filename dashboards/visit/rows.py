"""The rows of each page of a visit, from its body and the knowledge alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from benchd_dashboards.visit.desk import RECENT_RUNS, RUN_MACHINE, Row, latest
from benchd_dashboards.visit.words import chance, day, minutes, moved

Body = Mapping[str, Any]
Lines = tuple[tuple[str, str], ...]
WIDE = 76  # of a terminal of 80, beside the cursor's mark
SHOWN = 0.005  # causes less probable stay off the page


def know(body: Body, knowledge: Body) -> list[Row]:
    """The machine: its circuit and limits, a row each so that they can be scrolled."""
    from benchd_dashboards.paper.machine import lines

    return [Row("text", str(place), line) for place, line in enumerate(lines({"spec": body["spec"]}, WIDE))]


def talk(body: Body, knowledge: Body) -> list[Row]:
    return [_item_row("question", "answers", "question", item, body) for item in knowledge["questions"]] + [_NOTE]


def look(body: Body, knowledge: Body) -> list[Row]:
    items = [item for item in knowledge["looks"] if item["id"] != RUN_MACHINE]
    return [_item_row("look", "findings", "check", item, body) for item in items] + [_NOTE]


def run(body: Body, knowledge: Body) -> list[Row]:
    """Run the machine: what is seen, and every test that can be run."""
    seen = [
        _item_row("look", "findings", "check", item, body) for item in knowledge["looks"] if item["id"] == RUN_MACHINE
    ]
    return [*seen, *(_test_row(item, body) for item in knowledge["tests"]), _NOTE]


_NOTE = Row("note", "", "+ write a note")


def _item_row(kind: str, records: str, key: str, item: Body, body: Body) -> Row:
    newest = latest(body, records, key, str(item["id"]))
    said = "" if newest is None else str(newest["text"] or "not asked")
    lines: list[tuple[str, str]] = []
    if item["caution"]:
        lines.append((f"CAUTION: {item['caution']}", "warn"))
    lines += [(str(item[one]), "") for one in ("how", "tools") if item[one]]
    if newest is not None:
        lines += [(str(newest["note"]), "")] if newest["note"] else []
        lines += [(f"photo: {one['file']}", "quiet") for one in newest.get("photos", ())]
    return Row(kind, str(item["id"]), str(item["text"]), said or "-", "good" if said else "", tuple(lines))


def _test_row(item: Body, body: Body) -> Row:
    """A test: by a run on the bench, or by hand; locked ones say why."""
    locked = body["plan"]["locked"].get(item["id"], "")
    own = [one for one in body["runs"] if not one.get("foreign")]
    runs = [one for one in own if one["procedure"] == item["run"]] if item["run"] else []
    state = "-" if not runs else str(runs[-1]["verdict"] or runs[-1]["status"] or "under way")
    if not item["run"]:
        return _item_row("look", "findings", "check", item, body)
    lines: list[tuple[str, str]] = [(f"not yet: {locked}", "warn")] if locked else []
    if item["caution"]:
        lines.append((f"CAUTION: {item['caution']}", "warn"))
    if item["how"]:
        lines.append((str(item["how"]), ""))
    return Row(
        "run", str(item["run"]), f"{item['text']} ({minutes(item['minutes'])})", state, _role(state), tuple(lines)
    )


def _role(state: str) -> str:
    return {"pass": "good", "fail": "alarm", "void": "warn", "undecided": "warn"}.get(state, "")


def causes(body: Body, knowledge: Body) -> list[Row]:
    ranking = body["ranking"]
    rows = [
        Row(
            "text",
            one["id"],
            f"{chance(one['probability']):>9}  {bar(one['probability'])}  {one['title']}",
            "",
            "",
            _reasons(one),
        )
        for one in ranking["causes"]
        if one["probability"] >= SHOWN
    ]
    nothing = Row(
        "text", "", f"{chance(ranking['nothing']):>9}  {bar(ranking['nothing'])}  nothing is wrong (any more)"
    )
    said = [Row("text", "", f"! {one}", "", "warn") for one in (ranking["elsewhere"], ranking["conflict"]) if one]
    return [*said, *rows, *([nothing] if ranking["nothing"] >= SHOWN else [])]


def bar(probability: float, cells: int = 12) -> str:
    """The probability as a bar that also reads without colour."""
    full = round(probability * cells)
    return "#" * full + "." * (cells - full)


def _reasons(cause: Body) -> Lines:
    lines = [
        (f"{moved(one['factor'])}: {one['text']}", "") for one in cause["reasons"] if not 0.87 < one["factor"] < 1.15
    ]
    before = (f"before anything was known: {chance(cause['prior'])}", "quiet")
    advice = [(f"usually done: {cause['advice']}", "quiet")] if cause["advice"] else []
    return (*lines, before, *advice)


def plan(body: Body, knowledge: Body) -> list[Row]:
    found = body["plan"]
    rows: list[Row] = []
    if found["next"] == "repair" and found["advice"]:
        rows.append(_advice_row(found["advice"]))
    elif found["next"] in ("prove", "none") or not found["steps"]:
        rows += [Row("text", "", found["why"] or "Nothing is left that would help.", "", "head")]
    rows += [_step_row(step, place, body) for place, step in enumerate(found["steps"])]
    if found["next"] == "prove" or body["proof"]["proven"]:
        rows.append(Row("close", "", "+ close the order", "", "", _proof(body)))
    waiting: dict[str, list[str]] = {}
    for item, why in found["locked"].items():
        waiting.setdefault(why, []).append(_title(knowledge, item))
    return rows + [
        Row("text", why, f"not yet: {', '.join(items)}", "", "quiet", ((why, ""),)) for why, items in waiting.items()
    ]


def _advice_row(advice: Body) -> Row:
    lines: list[tuple[str, str]] = [(advice["why"], "")]
    if advice["caution"]:
        lines.insert(0, (f"CAUTION: {advice['caution']}", "warn"))
    return Row(
        "repair", advice["repair"], f"next: repair: {advice['title']}", minutes(advice["minutes"]), "head", tuple(lines)
    )


def _step_row(step: Body, place: int, body: Body) -> Row:
    first = place == 0 and body["plan"]["next"] != "repair"
    lines: list[tuple[str, str]] = [(f"CAUTION: {step['caution']}", "warn")] if step["caution"] else []
    lines.append((step["why"], ""))
    if step["how"]:
        lines.append((step["how"], "quiet"))
    lines += [(f"{chance(one['probability'])} {one['text']}: {one['then']}", "") for one in step["branches"]]
    kind = "run" if step["run"] else "question" if step["kind"] == "question" else "look"
    text = f"{'next' if first else 'then'}: {step['text']}"
    return Row(kind, step["run"] or step["item"], text, minutes(step["minutes"]), "head" if first else "", tuple(lines))


def _title(knowledge: Body, id: str) -> str:
    for kind in ("questions", "looks", "tests", "repairs"):
        for one in knowledge[kind]:
            if one["id"] == id:
                return str(one.get("text") or one["title"])
    return id


def do(body: Body, knowledge: Body) -> list[Row]:
    """What was done and what proves it, and what ends the visit."""
    advised = body["plan"]["advice"]
    rows = [_run_row(one) for one in body["runs"][-RECENT_RUNS:]]
    rows += [_repair_row(one) for one in body["repairs"]]
    rows += [Row("text", "", f"note: {one['text']}", day(one["at"]), "quiet") for one in body["notes"]]
    proven = body["proof"]["proven"]
    rows.append(
        Row("text", "", "proven fixed" if proven else "not proven", "", "good" if proven else "warn", _proof(body))
    )
    return [
        *rows,
        Row("repair", advised["repair"] if advised else "", "+ write down a repair"),
        _NOTE,
        Row("report", "", "+ write the report"),
        Row("close", "", "+ close the order", "", "", _proof(body)),
    ]


def _run_row(one: Body) -> Row:
    state = str(one["verdict"] or one["status"] or "under way")
    lines: Lines = tuple((str(reason), "") for reason in one["reasons"])
    suspect = f", suspect: {one['suspect']}" if one["suspect"] not in (None, "", "none") else ""
    told, role = f"{day(one['started'])}  {one['procedure']}{suspect}", _role(state)
    if one.get("foreign"):
        lines = ((f"Of another machine ({one['spec']}): it says nothing here. Was it the right order?", "warn"), *lines)
        told, role = f"{told}, of another machine", "warn"
    return Row("text", str(one["run"]), told, state, role, lines)


def _repair_row(one: Body) -> Row:
    parts: Sequence[Body] = one["parts"]
    lines = [(str(one["did"]), "")] if one["did"] else []
    lines += [
        (" ".join(filter(None, (str(part.get(key, "")) for key in ("name", "number", "serial")))), "") for part in parts
    ]
    return Row("text", "", f"{day(one['at'])}  repair: {one['title'] or one['did']}", str(one["by"]), "", tuple(lines))


def _proof(body: Body) -> Lines:
    proof = body["proof"]
    if body["state"] == "closed without proof":
        return ((f"Closed without proof: {body['closed_reason']}", "warn"),)
    if proof["proven"]:
        return ((f"Proven by run {', '.join(proof['runs'])}.", "good"),)
    return tuple((str(one), "warn") for one in proof["missing"])


PAGES: Mapping[str, Callable[[Body, Body], list[Row]]] = {
    "know": know,
    "talk": talk,
    "look": look,
    "run": run,
    "causes": causes,
    "plan": plan,
    "do": do,
}
