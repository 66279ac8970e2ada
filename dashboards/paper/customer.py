"""The first page: for the customer, in plain words. It fits one page whatever is written in the order."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from benchd_dashboards.paper import figures
from benchd_dashboards.paper.sheet import Block, figure, fit, heading, items, notice, numbers, text
from benchd_dashboards.paper.words import (
    clipped,
    day,
    joined,
    limit,
    lowered,
    number,
    one_line,
    percent,
    places,
    quantity,
    sentence,
)

Data = Mapping[str, Any]

#: What fits: places of a text, and how many of each.
COMPLAINT, LINE, FOUND, REPAIRS, REASON = 330, 140, 5, 3, 300
#: A line's places and inches, what else stands on the page in inches, and within what the curve takes what is left.
WIDE, LINE_IN, TITLE_IN, HEADING_IN, GAP_IN, NOTICE_IN, UNDER_IN = 100, 0.167, 0.4, 0.36, 0.05, 0.45, 0.65
PAGE_IN, STRIP_IN, LOWEST_IN, BOTH_IN, HIGHEST_IN = 9.8, 0.65, 1.5, 2.3, 3.6
#: Places of the reason on every page: two lines.
STRIP_ROOM = 170
IN_FULL = "Every measurement, with its uncertainty and its instruments, stands in the technical part."
#: Below this nobody is told that a cause was found.
LIKELY = 0.5
NAMED = 0.2
NOBODY = "local"  # whoever is at the daemon's own computer


def page(data: Data) -> list[Block]:
    body = data["visit"]
    blocks = [text(_who_and_when(data), "lead")]
    blocks += _state(body)
    blocks += [heading(2, "What was wrong"), *_wrong(body)]
    found = found_lines(body)
    if found:
        blocks += [heading(2, "How it was found"), items(found)]
    blocks += [heading(2, "What was done"), *_done(body)]
    told, runs = _proof(body)
    verdicts = [(one, ((data.get("runs") or {}).get(one["run"]) or {}).get("verdict") or one) for one in runs]
    large = [each for run, verdict in verdicts for each in large_numbers(str(run["procedure"]), verdict)]
    blocks += [heading(2, "The proof" if _proven(body) else "No proof"), *told]
    blocks += [numbers(large)] if large else []
    room_in = PAGE_IN - TITLE_IN - UNDER_IN - _taken_in(blocks) - (0 if body.get("state") == "proven" else STRIP_IN)
    for run, verdict in verdicts[:1]:
        blocks += _curve(run, verdict, (data.get("runs") or {}).get(run["run"]) or {}, room_in)
    blocks.append(text(_by(data), "small"))
    return [fit(blocks)]


def _taken_in(blocks: Iterable[Block]) -> float:
    """About how many inches of the page these blocks take."""
    found = 0.0
    for one in blocks:
        said = one.get("items") or [one.get("text", "")]
        if one["kind"] == "numbers":
            found += 0.78
        elif one["kind"] == "heading":
            found += HEADING_IN
        elif one["kind"] == "notice":
            found += NOTICE_IN
        else:
            found += sum(-(-places(each) // WIDE) * LINE_IN for each in said) + GAP_IN
    return found


def _proven(body: Data) -> bool:
    return bool((body.get("proof") or {}).get("proven")) and body.get("state") != "closed without proof"


def _who_and_when(data: Data) -> str:
    body = data["visit"]
    parts = [f"Work order {one_line(body.get('work_order'))}"]
    if body.get("unit"):
        parts.append(f"serial {one_line(body['unit'])}")
    if body.get("customer"):
        parts.append(f"for {one_line(body['customer'])}")
    came, closed = day(body.get("opened")), day(body.get("closed"))
    parts.append(f"came in on {came}" + (f", finished on {closed}" if closed and closed != came else ""))
    return clipped(", ".join(parts), 125)


def _state(body: Data) -> list[Block]:
    if body.get("state") == "proven":
        return [
            notice(
                "PROVEN",
                "After the last repair the whole charging system was measured at full throttle, and it passed.",
            )
        ]
    if body.get("state") == "open":
        return []  # every page says it at the top
    reason = one_line(body.get("closed_reason"))
    if clipped(reason, STRIP_ROOM) == reason:
        return []  # so it does here, with the reason
    return [text(clipped(f"Closed without proof. The reason given: {reason}", REASON))]


def _wrong(body: Data) -> Iterator[Block]:
    complaint = one_line(body.get("complaint"))
    if complaint:
        yield text(f"“{clipped(complaint, COMPLAINT)}”", "quote")
    else:
        yield text("No complaint was written down.")
    mended = [lowered(one) for one in put_right(body)]
    if mended:
        yield text(clipped(f"What was found and put right: {'; '.join(mended)}.", 2 * LINE))
    likely = [] if _proven(body) else _left(body, bool(mended))
    if likely:
        named = joined(f"{lowered(one['title'])} ({percent(one['probability'])} likely)" for one in likely)
        still = "still points to" if mended else "points to"
        yield text(clipped(f"What the evidence {still}: {named}. It was not repaired.", 2 * LINE))
    elsewhere = one_line((body.get("ranking") or {}).get("elsewhere"))
    if elsewhere:
        yield text(clipped(elsewhere, 2 * LINE))


def _left(body: Data, something_mended: bool) -> list[Data]:
    """Causes that are likely as things stand: after a repair also two of which neither is certain."""
    causes = (body.get("ranking") or {}).get("causes") or ()
    return [one for one in causes if one["probability"] >= (NAMED if something_mended else LIKELY)][:2]


def cause_titles(body: Data) -> dict[str, str]:
    """Cause id -> its title, as far as the order tells it."""
    return {str(one["id"]): one_line(one["title"]) for one in (body.get("ranking") or {}).get("causes") or ()}


def before_repair(body: Data) -> dict[str, float]:
    """Mended cause -> how probable it was before it was mended: the odds of now, without what the repair did to them."""
    repairs = {str(one.get("repair")) for one in body.get("repairs") or () if one.get("repair")}
    found = {}
    for cause in (body.get("ranking") or {}).get("causes") or ():
        factor = math.prod(
            number(one.get("factor")) or 1.0 for one in cause.get("reasons") or () if one.get("item") in repairs
        )
        odds = cause["probability"] / max(1 - cause["probability"], 1e-9) / max(factor, 1e-9)
        found[str(cause["id"])] = odds / (1 + odds)
    return found


def put_right(body: Data) -> list[str]:
    """Titles of the causes that the repairs were for. A new battery mends all that a battery can have: of these only
    what the evidence had made likely is named, or the likeliest."""
    titles, likely = cause_titles(body), before_repair(body)
    named: dict[str, None] = {}
    for repair in body.get("repairs") or ():
        mends = sorted((str(one) for one in repair.get("mends") or ()), key=lambda one: -likely.get(one, 1.0))
        for place, one in enumerate(mends):
            if place == 0 or likely.get(one, 1.0) >= NAMED:
                named[titles.get(one, one_line(one))] = None
    return list(named)


def found_lines(body: Data) -> list[str]:
    """What told most about the causes, in the order in which it was seen, up to the first repair."""
    until = min((str(one["at"]) for one in body.get("repairs") or ()), default="9999")
    weights = _weights(body)
    told: list[tuple[str, float, str]] = []
    for one in body.get("answers") or ():
        if one.get("outcome") is not None:
            told.append(
                (
                    str(one["at"]),
                    weights.get(str(one["question"]), 0.0),
                    f"You told us: {one_line(one['ask'])} – {one_line(one['text'])}",
                )
            )
    for one in body.get("findings") or ():
        if one.get("outcome") is not None:
            note = f" ({one_line(one['note'])})" if one.get("note") else ""
            told.append(
                (
                    str(one["at"]),
                    weights.get(str(one["check"]), 0.0) + 0.1,
                    f"We looked: {_with(one['title'], one['text'])}{note}",
                )
            )
    for one in body.get("runs") or ():
        told.append(
            (str(one["started"]), weights.get(str(one.get("item")), 0.0) + 0.2, f"We measured: {run_words(one)}")
        )
    before = [one for one in told if one[0] <= until] or told
    best = sorted(sorted(before, key=lambda one: -one[1])[:FOUND], key=lambda one: one[0])
    lines = [sentence(clipped(said, LINE)) for _, _, said in best]
    left = len(before) - len(best)
    if left:
        lines.append(
            f"{left} more {'answer, look or measurement' if left == 1 else 'answers, looks and measurements'} in the technical part."
        )
    return lines


def _with(title: object, said: object) -> str:
    first, then = one_line(title).rstrip("."), one_line(said)
    return f"{first} {then}" if first.endswith("?") else f"{first}: {then}" if then else first


def _weights(body: Data) -> dict[str, float]:
    """Item -> how far it moved the cause that it moved most (logarithm of the factor)."""
    found: dict[str, float] = {}
    for cause in (body.get("ranking") or {}).get("causes") or ():
        for one in cause.get("reasons") or ():
            factor = number(one.get("factor"))
            if factor is not None and factor > 0:
                found[str(one["item"])] = max(found.get(str(one["item"]), 0.0), abs(math.log(factor)))
    return found


#: The run of each procedure in a customer's words.
PROCEDURES = {
    "charge": "the charge of the battery",
    "load": "the battery under load",
    "crank": "the battery while the starter turns the engine",
    "draw": "what flows with the key off",
    "stator": "the alternator's winding at full throttle",
    "regulator": "the charging system at full throttle",
    "drop": "what is lost along cables and joints",
    "continuity": "breaker, switch and leads",
}
_WORDS = {
    "pass": "in order",
    "fail": "not in order",
    "undecided": "could not be decided",
    "void": "the run did not count",
}


def run_words(run: Data) -> str:
    what = PROCEDURES.get(str(run.get("procedure")), f"{one_line(run.get('procedure'))} run")
    said = one_line(run.get("text"))
    if not said:
        said = _WORDS.get(
            str(run.get("verdict")), "the run was cut short" if run.get("status") else "the run is not finished"
        )
        if run.get("verdict") == "fail" and run.get("suspect") not in (None, "none", "unknown"):
            said += f", suspect: {one_line(run['suspect'])}"
    return f"{what}: {said}"


def _done(body: Data) -> list[Block]:
    repairs = list(body.get("repairs") or ())
    if not repairs:
        return [text("No repair was written down.")]
    lines = [clipped(_repair(one), 2 * LINE) for one in repairs[:REPAIRS]]
    if len(repairs) > REPAIRS:
        lines.append(f"{len(repairs) - REPAIRS} more in the technical part.")
    return [items(lines)]


def _repair(one: Data) -> str:
    said = one_line(one.get("title")) or one_line(one.get("did")) or "a repair without a name"
    if one.get("title") and one.get("did"):
        said += f": {one_line(one['did'])}"
    parts = [part_words(part) for part in one.get("parts") or ()]
    return sentence(said) + (f" Parts: {joined(parts[:4])}." if parts else "")


def part_words(part: Data) -> str:
    said = one_line(part.get("name")) or "a part"
    if part.get("number"):
        said += f", number {one_line(part['number'])}"
    if part.get("serial"):
        said += f", serial {one_line(part['serial'])}"
    return said


# --- the proof ----------------------------------------------------------------------------------------------------------


def _proof(body: Data) -> tuple[list[Block], list[Data]]:
    """What is said of the proof, and the runs that it shows, that of the charging system first."""
    proof = body.get("proof") or {}
    if _proven(body):
        runs = _runs(body, proof.get("runs") or ())
        stator = any(one["procedure"] == "stator" for one in runs)
        said = text(
            "After the last repair the engine was run at full throttle with the battery a little discharged. The charging system gave "
            "its full current, then held the battery at the volts that the manual asks for."
            + (" The alternator's winding was measured by itself too, and passed." if stator else "")
        )
        return [said], runs
    missing = (
        " ".join(sentence(one) for one in proof.get("missing") or ()) or "No run proves that the machine is fixed."
    )
    runs = [one for one in body.get("runs") or () if one["procedure"] == "regulator" and one.get("verdict")][-1:]
    shown = [text("The newest run of the charging system, which is no proof:") for _ in runs]
    return [text(clipped(missing, LINE)), *shown], runs


def _runs(body: Data, ids: Sequence[str]) -> list[Data]:
    found = [one for one in body.get("runs") or () if one["run"] in ids]
    return sorted(found, key=lambda one: one["procedure"] != "regulator")


def _curve(run: Data, verdict: Data, kept: Data, room_in: float) -> Iterator[Block]:
    """The curve of a run, as high as there is room; the volts alone where there is little."""
    panels = figures.panels_of(str(run["procedure"]), kept.get("curve") or {}, verdict)
    panels = [one for one in panels if one.unit != "rpm"][: 2 if room_in >= BOTH_IN else 1]
    if not panels:
        return
    if room_in < LOWEST_IN:
        yield text("Its curve stands in the technical part.")
        return
    height_in = min(room_in, HIGHEST_IN if len(panels) > 1 else 2.4)
    told = f"Run {one_line(run['run'])}, {day(run.get('started'))}. Hatched: what the manual asks for."
    yield figure(figures.curves(panels, height_in), f"Curve of the {run['procedure']} run: {alt(panels)}", told)


def alt(panels: Sequence[figures.Panel]) -> str:
    """A curve in a sentence, for whoever does not see it."""
    return "; ".join(
        f"{one.title.lower()} from {one.points[0][1]:.4g} to {one.points[-1][1]:.4g} {one.unit}"
        + (f", {one.band_words}" if one.band_words else "")
        for one in panels
        if one.points
    )


def large_numbers(procedure: str, verdict: Data) -> Iterator[tuple[str, str, str]]:
    measured, limits = verdict.get("measured") or {}, verdict.get("limits") or {}
    for name, title, asked in LARGE.get(procedure, ()):
        if name == "battery_volts" and "settled_volts" in measured:
            continue  # what it settles at says more
        found = measured.get(name)
        if isinstance(found, Mapping) and number(found.get("value")) is not None:
            yield title, quantity(found), asked(limits)


def _asked(key: str, words: str, unit: str) -> Any:
    def said(limits: Data) -> str:
        found = limits.get(key)
        return "" if found is None else words.format(limit(found, unit), at_rpm=limit(limits.get("at_rpm")))

    return said


LARGE: dict[str, tuple[tuple[str, str, Any], ...]] = {
    "regulator": (
        ("settled_volts", "Volts, settled", _asked("settled_volts", "asked: {}", "V")),
        ("battery_volts", "Volts at the end", _asked("ceiling_volts", "never above {}", "V")),
        ("greatest_amps", "Amps, greatest", _asked("rated_amps", "rated: {}", "A")),
    ),
    "stator": (
        ("stator_volts", "Winding, volts AC", _asked("min_volts_ac", "asked: {} at least, at {at_rpm} rpm", "V")),
    ),
}


def _by(data: Data) -> str:
    body = data["visit"]
    people = [
        body.get("opened_by"),
        *(one.get("by") for key in ("answers", "findings", "repairs", "notes") for one in body.get(key) or ()),
        body.get("closed_by"),
    ]
    named = list(dict.fromkeys(one_line(one) for one in people if one_line(one) not in ("", NOBODY)))
    who = f"Done by {joined(named[:5])}" if named else "Nobody's name was written down"
    shop = one_line(data.get("shop"))
    return clipped(f"{who}{f', {shop}' if shop else ''}.", 150) + " " + IN_FULL
