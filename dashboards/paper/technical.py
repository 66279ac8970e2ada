"""The technical part: everything that was asked, seen, done and measured in the order, and how to check it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from benchd_dashboards.paper.customer import before_repair, cause_titles, part_words
from benchd_dashboards.paper.limits import limit_rows
from benchd_dashboards.paper.runs import run_blocks
from benchd_dashboards.paper.sheet import Block, facts, heading, items, table, text
from benchd_dashboards.paper.words import clean, joined, moment, number, one_line, percent, plain, stamp

Data = Mapping[str, Any]
LEAST_SHOWN, MOST_CAUSES, MOST_REASONS = 0.01, 10, 4


def part(data: Data) -> list[Block]:
    body = data["visit"]
    blocks = [heading(1, "Technical part"), *_order(body)]
    blocks += _asked_and_seen(body)
    blocks += _causes(body)
    blocks += _repairs(body)
    blocks += _limits(body)
    blocks += [heading(1, "The runs")]
    runs = list(body.get("runs") or ())
    if not runs:
        blocks.append(text("No run was made for this order."))
    proving = set((body.get("proof") or {}).get("runs") or ())
    for place, run in enumerate(runs, 1):
        blocks += run_blocks(place, run, (data.get("runs") or {}).get(run["run"]) or {}, run["run"] in proving)
    blocks += _log(body)
    blocks += _reading(data)
    return blocks


def _order(body: Data) -> Iterator[Block]:
    closed = [f"closed {moment(body['closed'])}"] if body.get("closed") else []
    yield facts(
        [
            ("Work order", body.get("work_order")),
            ("State", ", ".join([one_line(body.get("state")), *closed])),
            ("Reason without proof", body.get("closed_reason")),
            ("Still missing", " ".join((body.get("proof") or {}).get("missing") or ())),
            ("Proven by", joined(f"run {one}" for one in (body.get("proof") or {}).get("runs") or ())),
            ("Machine", body.get("machine")),
            ("Serial", body.get("unit")),
            ("Customer", body.get("customer")),
            ("Opened", f"{moment(body.get('opened'))}{_by(body.get('opened_by'))}"),
            ("Complaint", body.get("complaint")),
            ("Digest of its records", body.get("digest")),
        ]
    )


def _by(who: object) -> str:
    return f" by {one_line(who)}" if one_line(who) else ""


def _asked_and_seen(body: Data) -> Iterator[Block]:
    answers, findings, notes = (list(body.get(key) or ()) for key in ("answers", "findings", "notes"))
    if answers:
        yield heading(2, "Asked")
        rows = [(one.get("ask"), _answer(one), one.get("note"), _stamp(one)) for one in answers]
        yield table(("question", "answer", "note", "when (UTC), by"), rows, (4, 3, 3, 2.2))
    if findings:
        yield heading(2, "Looked at, and tested by hand")
        rows = [(one.get("title"), _found(one), _note_and_photos(one), _stamp(one)) for one in findings]
        yield table(("what", "found", "note", "when (UTC), by"), rows, (3, 3, 4, 2.2))
    if notes:
        yield heading(2, "Notes")
        yield table(("note", "when (UTC), by"), [(one.get("text"), _stamp(one)) for one in notes], (8, 2.2))


def _answer(one: Data) -> str:
    return "not answered" if one.get("outcome") is None else clean(one.get("text") or one.get("outcome"))


def _found(one: Data) -> str:
    return "taken back" if one.get("outcome") is None else clean(one.get("text") or one.get("outcome"))


def _stamp(one: Data) -> str:
    return f"{stamp(one.get('at'))}\n{one_line(one.get('by'))}".strip()


def _note_and_photos(one: Data) -> str:
    photos = [
        f"photo {one_line(each.get('file'))}, {each.get('bytes')} bytes, SHA-256 {one_line(each.get('sha256'))}"
        for each in one.get("photos") or ()
    ]
    return "\n".join([clean(one.get("note")), *photos]).strip()


def _causes(body: Data) -> Iterator[Block]:
    ranking = body.get("ranking") or {}
    mended = {str(one) for repair in body.get("repairs") or () for one in repair.get("mends") or ()}
    then = before_repair(body)
    causes = [
        one
        for one in ranking.get("causes") or ()
        if one["probability"] >= LEAST_SHOWN or (str(one["id"]) in mended and then[str(one["id"])] >= LEAST_SHOWN)
    ]
    nothing = number(ranking.get("nothing"))
    if not causes and nothing is None:
        return
    yield heading(2, "Causes, as probable as the evidence makes them now")
    if mended:
        yield text(
            "As things stand after the repairs; beside it, how probable a cause was before it was mended, all that is known now being known.",
            "small",
        )
    rows = []
    for one in causes[:MOST_CAUSES]:
        before = percent(then[str(one["id"])]) if str(one["id"]) in mended else ""
        rows.append(
            (
                one["title"],
                percent(one["prior"]),
                before,
                percent(one["probability"]),
                "\n".join(_reasons(one)) or "nothing told for or against it",
            )
        )
    if nothing is not None:
        rows.append(
            ("Nothing is wrong any more" if body.get("repairs") else "Nothing is wrong", "", "", percent(nothing), "")
        )
    yield table(
        ("cause", "before any evidence", "before its repair", "now", "what told for or against it"),
        rows,
        (2.7, 1.2, 1.2, 1.2, 5.8),
    )
    for key in ("elsewhere", "conflict"):
        if ranking.get(key):
            yield text(ranking[key])
    sets = [one for one in ranking.get("sets") or () if one["probability"] >= 0.05][:4]
    if sets:
        titles = cause_titles(body)
        said = [
            f"{percent(one['probability'])}: {joined(titles.get(str(each), one_line(each)) for each in one['causes']) or 'nothing wrong'}"
            for one in sets
        ]
        yield text("The whole, in one explanation:")
        yield items(said)


def _reasons(cause: Data) -> Iterator[str]:
    for one in list(cause.get("reasons") or ())[:MOST_REASONS]:
        yield f"{moved(one.get('factor'))}: {one_line(one.get('text'))}"


def moved(factor: object) -> str:
    """What a piece of evidence did to the odds, in words."""
    found = number(factor)
    if found is None or found <= 0:
        return "excludes it"
    if found >= 1.05:
        return f"odds times {found:.2g}" if found < 100 else "odds over 100 times"
    if found <= 1 / 1.05:
        return f"odds divided by {1 / found:.2g}" if found > 0.01 else "odds divided by over 100"
    return "hardly moves it"


def _repairs(body: Data) -> Iterator[Block]:
    repairs = list(body.get("repairs") or ())
    if not repairs:
        return
    titles = cause_titles(body)
    yield heading(2, "Repairs")
    rows = []
    for one in repairs:
        did = "\n".join(each for each in (clean(one.get("title")), clean(one.get("did"))) if each)
        mends = joined(titles.get(str(each), one_line(each)) for each in one.get("mends") or ())
        minutes = number(one.get("minutes"))
        spent = "" if minutes is None else f"{plain(minutes)} min"
        rows.append(
            (
                did,
                mends,
                "\n".join(part_words(each) for each in one.get("parts") or ()),
                joined(one.get("touches") or ()),
                spent,
                _stamp(one),
            )
        )
    yield table(("done", "against", "parts", "touches", "time", "when (UTC), by"), rows, (3.4, 2.4, 2.8, 1.5, 1.1, 2.4))


def _limits(body: Data) -> Iterator[Block]:
    spec = body.get("spec") or {}
    rows = limit_rows(spec)
    if rows:
        yield heading(2, "What the manual asks for")
        manual = one_line((spec.get("machine") or {}).get("manual"))
        if manual:
            yield text(f"From: {manual}", "small")
        yield table(("part", "limit", "value"), rows, (2, 5, 4))


def _log(body: Data) -> Iterator[Block]:
    log = list(body.get("log") or ())
    if log:
        yield heading(1, "In order of time")
        yield table(
            ("when (UTC)", "by", "what"),
            [(stamp(one.get("at")), one.get("by"), one.get("line")) for one in log],
            (2.2, 1.6, 7),
        )


def _reading(data: Data) -> Iterator[Block]:
    yield heading(2, "How to read and check this")
    yield items(
        (
            "“14.39 ± 0.11 V (k = 1.96)”: the value, and its expanded uncertainty with coverage factor k; with k near 2 the true value lies within it in 95 of 100 cases.",
            "PASS and FAIL are said where the measurement decides; UNDECIDED where it lies too close to the limit or had not settled; VOID where the conditions were not met.",
            "A run's digest is the last of the chain that ties all its records together. Any altered or missing record gives another digest. The command “benchd verify” checks the whole journal, “benchd rejudge RUN” judges the kept run again.",
            f"Printed by {one_line(data.get('program'))} from the journal's records; nothing on these pages was typed in for the print.",
        )
    )
