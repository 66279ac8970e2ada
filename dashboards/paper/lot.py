"""The report of a lot, as an auditor reads it. What it is given: LotDoor.report of benchd/lots/door.py, whose "report" is that of
benchd/core/lots/report.py."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd_dashboards.paper import lot_charts, lot_each
from benchd_dashboards.paper.lot_lines import lines as lines
from benchd_dashboards.paper.lot_words import (
    NONE,
    by_words,
    counts_words,
    digits,
    fixed,
    frame,
    gate_blocks,
    index_words,
    limits_words,
    notes_of,
    open_strip,
    part_words,
    program_words,
    risk_words,
    rule_words,
    share_words,
    told,
    unit_places,
    yield_words,
)
from benchd_dashboards.paper.sheet import Block, facts, figure, heading, items, keep, notice, numbers, table, text
from benchd_dashboards.paper.words import moment, number, one_line, sentence

Data = Mapping[str, Any]
MOST_SERIALS = 60


def sheet(data: Data) -> dict[str, Any]:
    lot = data["lot"]
    name = one_line(lot["lot"])
    part = part_words(lot, data["report"]["part"])
    made = frame(data, f"Report of lot {name}", f"Lot {name}, {part}", open_strip(lot))
    return {**made, "blocks": list(_blocks(data, part))}


def _blocks(data: Data, part: str) -> Iterator[Block]:
    lot, body = data["lot"], data["report"]
    yield numbers(_numbers(body, lot))
    if data.get("doubtful"):
        yield notice("TEST AGAIN", "\n".join(told(one["says"]) for one in data["doubtful"]))
    yield heading(2, "What to know first")
    yield items(sentence(one) for one in body["says"])
    yield facts(_head(data, part))
    yield from _sampling(body)
    yield from _modes(body)
    yield heading(2, "Characteristics at a glance")
    yield _glance(body)
    yield from _benches(body)
    yield heading(2, "Were the benches right?")
    yield from gate_blocks(
        data.get("gates"), "when this was made" if lot.get("state") == "open" else "when the lot was closed"
    )
    yield from _doubtful(data.get("doubtful") or ())
    yield from _earlier(body)
    for one in body["characteristics"]:
        yield from lot_each.blocks(one)
    yield from _reading(body)


def _numbers(body: Data, lot: Data) -> Iterator[tuple[str, str, str]]:
    counts, yields, risk = body["counts"], body["yield"], body["risk"] or {}
    planned = f"of {lot['planned']} planned; " if lot.get("planned") else ""
    yield "Units judged", str(counts["units"]), f"{planned}{counts['tests']} tests"
    yield "First-pass yield", share_words(yields["first_pass"]["part"]), yield_words(yields["first_pass"])
    retests = f"; {counts['retests']} retests" if counts["retests"] else ""
    yield "Final yield", share_words(yields["final"]["part"]), yield_words(yields["final"]) + retests
    producer = number(risk.get("producer"))
    note = "not known, see below" if producer is None else f"of a whole unit; producer's risk {risk_words(producer)}"
    yield "Consumer's risk", risk_words(risk.get("consumer")), note


def _head(data: Data, part: str) -> list[tuple[str, object]]:
    lot, body = data["lot"], data["report"]
    of_file = (lot.get("spec") or {}).get("part") or {}
    return [
        ("Lot", ", ".join(one_line(one) for one in (lot["lot"], lot.get("title")) if one)),
        ("Part", part),
        ("Limits from", of_file.get("manual")),
        ("Customer", lot.get("customer")),
        ("Opened", by_words(lot.get("opened"), lot.get("opened_by"))),
        ("Closed", _closed(lot)),
        ("Tested", counts_words(body["counts"], lot.get("planned"))),
        ("Decision rule", rule_words(body["part"]["rule"], body["part"]["risk"])),
        ("Run rules", f"{one_line(body['rules'])}, on charts whose limits come from the lot itself"),
        ("Notes", "\n".join(notes_of(lot))),
        ("Made", f"{moment(data.get('made'))} by {program_words(data.get('program'))}"),
        ("Journal's digest of the lot", data.get("digest")),
    ]


def _closed(lot: Data) -> str:
    if not lot.get("closed"):
        return "not yet: this report is of a lot under test"
    return by_words(lot["closed"], lot.get("closed_by")) + (
        f": {one_line(lot['closed_reason'])}" if lot.get("closed_reason") else ""
    )


def _sampling(body: Data) -> Iterator[Block]:
    found = body["sampling"]
    if not found:
        return
    yield heading(2, "Acceptance sampling")
    yield facts(
        [
            ("Plan", found.get("plan")),
            ("Published in", found.get("source")),
            ("Sample", f"{found['size']} units, accepted with at most {found['accept']} that did not pass, rejected from {found['reject']} on"),
            ("Found", f"{found['found']} of the first {found['inspected']} units tested did not pass"),
            ("Decision", sentence(found.get("says"))),
        ]
    )  # fmt: skip


def _modes(body: Data) -> Iterator[Block]:
    modes = body["modes"]
    yield heading(2, "Failure modes, of first tests that did not pass")
    if not modes:
        judged = body["counts"]["units"]
        yield text("Every unit passed its first test." if judged else "No unit was judged.")
        return
    alt = "; ".join(f"{one['title']}: {one['units']}" for one in modes)
    yield keep([figure(lot_charts.pareto(modes), alt)])
    rows = [(one["title"], one["units"], share_words(one["part"]), share_words(one["running"])) for one in modes]
    yield table(("failure mode", "units", "share", "running"), rows, (5, 1, 1, 1))


def _glance(body: Data) -> Block:
    """A row for each characteristic."""
    rows = []
    for one in body["characteristics"]:
        places, told = unit_places(one), one["capability"]
        beyond = one["beyond"]["low"] + one["beyond"]["high"]
        risk = number((one["risk"] or {}).get("consumer"))
        rows.append(
            (
                one["title"], limits_words(one, one["unit"]), one["n"], fixed(one["mean"], places), digits(one["sd"]),
                index_words(told.get("ppk"), "\n"), beyond, f"{one['signals_found']} ({lot_each.plain_count(number(one['signals_expected']) or 0.0)})",
                risk_words(risk),
            )
        )  # fmt: skip
    head = (
        "characteristic",
        "limits",
        "units",
        "mean",
        "s",
        "Ppk, interval",
        "beyond",
        "signals (expected)",
        "consumer's risk",
    )
    return table(head, rows, (2.6, 1.6, 0.9, 1.0, 0.9, 1.5, 0.9, 1.2, 1.3))


def _benches(body: Data) -> Iterator[Block]:
    if not body["benches"]:
        return
    yield heading(2, "By bench")
    rows = [
        (
            one["bench"],
            one["units"],
            one["tests"],
            share_words(one["first_pass"]["part"]),
            yield_words(one["first_pass"]),
        )
        for one in body["benches"]
    ]
    yield table(("bench", "units", "tests", "first-pass yield", ""), rows, (2, 1, 1, 1.4, 4))


def _doubtful(found: Sequence[Data]) -> Iterator[Block]:
    """Units that were judged between the last good and the first bad check of their bench."""
    if not found:
        return
    yield text("In doubt, because a check standard was found bad after they were judged:")
    rows = []
    for one in found:
        serials = [one_line(each) for each in one.get("serials") or ()]
        more = f" and {one['units'] - MOST_SERIALS} more" if one["units"] > MOST_SERIALS else ""
        rows.append(
            (
                one["bench"],
                one["standard"],
                moment(one.get("since")) or "none",
                moment(one.get("found")),
                one["units"],
                ", ".join(serials[:MOST_SERIALS]) + more,
            )
        )
    yield table(("bench", "check standard", "last good", "found bad", "units", "serial numbers"), rows, (1, 1.4, 1.5, 1.5, 0.7, 4))  # fmt: skip


def _earlier(body: Data) -> Iterator[Block]:
    earlier = body["earlier"]
    yield heading(2, "Compared with earlier lots")
    if not earlier:
        yield text("There is no earlier closed lot of this part with the same characteristics.")
        return
    rows = [
        (one["lot"], moment(one["closed"]), one["units"], share_words(one["first_pass"]["part"]), yield_words(one["first_pass"]))
        for one in earlier
    ]  # fmt: skip
    yield table(("lot", "closed", "units", "first-pass yield", ""), rows, (1.8, 2.2, 0.8, 1.3, 4))
    of = [{each["id"]: each for each in one["characteristics"]} for one in earlier]
    rows = [
        (f"{one['title']}, {one['unit']}", *(_difference(each.get(one["id"])) for each in of))
        for one in body["characteristics"]
    ]
    yield text(
        "This lot's mean less theirs, with its 95 % interval. Marked *: a difference by the p adjusted for all comparisons here; "
        "s: the spreads differ.",
        "small",
    )
    yield table(("characteristic", *(f"less {one['lot']}" for one in earlier)), rows, (2.4, *(1.6 for _ in earlier)))


def _difference(one: Data | None) -> str:
    if one is None:
        return "not measured"
    gap, low, high = (number(one.get(key)) for key in ("difference", "low", "high"))
    if gap is None:
        return NONE
    marks = "".join(
        mark
        for mark, key in ((" *", "p_mean_holm"), (" s", "p_sd_holm"))
        if (p := number(one.get(key))) is not None and p < 0.05
    )
    span = "" if low is None or high is None else f"\n({low:+.3g} to {high:+.3g})"
    return f"{gap:+.3g}{marks}{span}"


def _reading(body: Data) -> Iterator[Block]:
    yield heading(2, "How to read this")
    yield items(
        (
            "Statistics, charts and failure modes are of each unit's first judged test, in order of time. Retests count in the final yield alone.",
            "u: standard uncertainty of a measurement (median over the units). s: standard deviation of the values.",
            "Charts: solid line the mean, dashed the control limits (UCL, LCL; three standard deviations, from the lot itself). They say what is "
            "usual for this lot, not what is right. Rings and heavy lines: points that break a run rule, numbered as in the list beside them.",
            "Histogram: heavy dashed lines are the limits that the part's specification sets; the curve is the normal distribution by which "
            "capability was told, dotted lines the percentiles where it is not normal.",
            "Cp and Cpk go by the spread within (from the chart), Pp and Ppk by the whole spread. Intervals: where the index lies with this "
            "confidence, the lot taken for a sample of its process.",
            "Consumer's risk: a unit is passed though it does not conform. Producer's risk: it is not passed though it conforms. By JCGM 106, "
            "from the observed spread and the measurement's uncertainty.",
            *([sentence(body["risk"]["says"])] if body["risk"] and body["risk"].get("says") else []),
        )
    )  # fmt: skip
