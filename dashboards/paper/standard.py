"""A check standard on paper and on a terminal: its control chart on every bench, with the rules that are broken and the En numbers.
What it is given: LotDoor.report of a standard, whose "benches" are those of benchd/lots/reports.py."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd_dashboards.paper import figures, lot_charts
from benchd_dashboards.paper.lot_lines import LEAST_WIDTH, kept, padded, wrapped
from benchd_dashboards.paper.lot_words import (
    NONE,
    by_words,
    frame,
    notes_of,
    part_words,
    program_words,
    told,
)
from benchd_dashboards.paper.sheet import Block, facts, figure, heading, items, keep, table, text
from benchd_dashboards.paper.words import moment, number, one_line, places_of, sentence, stamp

Data = Mapping[str, Any]
MOST_SIGNALS = 12
HIGH = 9  # rows of a chart on a terminal
_UNITS = {
    "reverse leakage": "mA",
    "first output speed": "rpm",
    "set-point": "V",
    "load regulation": "mV",
    "greatest output": "A",
    "ripple": "mV",
    "warm-up drift": "mV",
    "ceiling": "V",
}


def sheet(data: Data) -> dict[str, Any]:
    lot = data["lot"]
    name = one_line(lot["lot"])
    made = frame(data, f"Check standard {name}", f"Check standard {name}, {part_words(lot)}")
    return {**made, "blocks": list(_blocks(data))}


def _blocks(data: Data) -> Iterator[Block]:
    lot = data["lot"]
    yield text(
        "A kept unit that is measured again and again: it shows whether a bench still measures as it did.", "lead"
    )
    yield facts(_head(data))
    if not data["benches"]:
        yield text("It was not measured on any bench yet.")
    else:
        yield heading(2, "At a glance")
        yield _glance(data["benches"])
    for bench in data["benches"]:
        yield from _bench(bench, data)
    yield heading(2, "How to read this")
    yield items(
        (
            f"The first {lot.get('baseline') or 10} measurements on a bench set the limits there (individuals and mean moving range); the run "
            "rules judge those after them. Measurements that are left out of the baseline are named.",
            "Solid line: mean of the baseline. Dashed: control limits, three standard deviations. Dotted: the reference value. Rings and heavy "
            "lines: points that break a run rule, numbered as in the list.",
            "En = (measured - reference) / root of the sum of the squared expanded uncertainties, k = 2 (ISO/IEC 17043, ISO 13528); of the newest "
            "measurement; at most 1 either way is satisfactory.",
            "A bench judges lots only while it is in control here, or, until there is a baseline, agrees with the reference value.",
        )
    )  # fmt: skip


def _head(data: Data) -> list[tuple[str, object]]:
    lot = data["lot"]
    references = [
        f"{id}: {one['value']:g}" + ("" if one.get("expanded_uncertainty") is None else f" ± {one['expanded_uncertainty']:g}")
        + f" {unit_of(lot, id)}"
        for id, one in (lot.get("references") or {}).items()
    ]  # fmt: skip
    return [
        ("Standard", ", ".join(one_line(one) for one in (lot["lot"], lot.get("title")) if one)),
        ("Part", part_words(lot)),
        (
            "State",
            "open" if lot.get("state") == "open" else f"closed {by_words(lot.get('closed'), lot.get('closed_by'))}",
        ),
        ("Opened", by_words(lot.get("opened"), lot.get("opened_by"))),
        (
            "To be measured",
            f"every {lot['every_hours']:g} hours" if number(lot.get("every_hours")) else "every 8 hours",
        ),
        ("Reference values", "\n".join(references) or "none: no En number"),
        ("Notes", "\n".join(notes_of(lot))),
        ("Made", f"{moment(data.get('made'))} by {program_words(data.get('program'))}"),
        ("Journal's digest", data.get("digest")),
    ]


def unit_of(lot: Data, id: str) -> str:
    """The unit of a characteristic, by the part's file."""
    tests = (lot.get("spec") or {}).get("test") or ()
    measures = next((one.get("measures") for one in tests if one.get("id") == id), "")
    return _UNITS.get(str(measures), "")


def _glance(benches: Sequence[Data]) -> Block:
    rows = [
        (
            bench["bench"], one["title"], one["n"], one["state"], NONE if one["en"] is None else f"{one['en']:+.2f}",
            ", ".join(dict.fromkeys(each["title"] for each in one["signals"] if each["now"])) or "none", "yes" if one["fit"] else "NO",
        )
        for bench in benches
        for one in bench["characteristics"]
    ]  # fmt: skip
    head = ("bench", "characteristic", "measured", "chart", "En", "rules broken now", "fit")
    return table(head, rows, (1.3, 2.8, 1.1, 1.6, 0.8, 3.0, 0.6))


def _bench(bench: Data, data: Data) -> Iterator[Block]:
    state = "in order" if bench["fit"] else "NOT in order"
    yield heading(2, f"{one_line(bench['bench'])}: {state}, {bench['measurements']} measurements")
    gate = next((one for one in data.get("gates") or () if one["bench"] == bench["bench"]), None)
    if gate and not gate["fit"]:
        yield items(sentence(one) for one in gate["reasons"])
    for one in bench["characteristics"]:
        yield from _characteristic(one, data["lot"], bench)


def _characteristic(one: Data, lot: Data, bench: Data) -> Iterator[Block]:
    named = lot_charts.chosen(one["signals"], MOST_SIGNALS)
    alt = f"{one['title']} on {bench['bench']}: {one['n']} measurements, {one['state']}."
    yield keep(
        [
            heading(3, f"{one_line(one['title'])}: {one['state']}"),
            figure(chart(one, named, lot), alt),
            items([*(told(each) for each in one["says"]), *([] if one["en"] is None else [told(one["en_says"])])]),
        ]
    )
    if named:
        rows = [
            (place, stamp(_time(one, each)), f"{told(each['says'])}{' Now.' if each['now'] else ''}")
            for place, each in enumerate(named, 1)
        ]
        yield table(("no.", "UTC", "rule broken"), rows, (0.5, 1.8, 8))
        if len(one["signals"]) > len(named):
            yield text(f"{len(one['signals']) - len(named)} more signals have rings without a number.", "small")
    if one["left_out"]:
        yield text(
            "Left out of the baseline, beyond its limits: measurements " + ", ".join(map(str, one["left_out"])) + ".",
            "small",
        )
    if one["do"]:
        yield items(f"To do: {each}" for each in one["do"])


def _time(one: Data, signal: Data) -> object:
    place = signal["at"] - 1
    return one["times"][place] if 0 <= place < len(one["times"]) else ""


def chart(one: Data, named: Sequence[Data], lot: Data) -> str:
    """The measurements of one characteristic on one bench."""
    limits = one.get("limits") or {}
    values = one["points"]
    body = {
        "kind": "measurements", "points": [[place, value] for place, value in enumerate(values, 1)],
        "centre": limits.get("centre"), "low": limits.get("low"), "high": limits.get("high"),
    }  # fmt: skip
    marks = [
        lot_charts.Mark(each["at"], values[each["at"] - 1], str(place) if place else "", _start(each), each["at"])
        for each in one["signals"]
        for place in [next((at for at, chosen in enumerate(named, 1) if chosen is each), 0)]
        if 0 < each["at"] <= len(values)
    ]
    reference = (lot.get("references") or {}).get(one["id"]) or {}
    more = [] if number(reference.get("value")) is None else [(reference["value"], f"reference {reference['value']:g}")]
    with figures.drawing(figures.WIDTH_IN, 1.85) as (drawn, buffer):
        box = (0.62, 0.42, figures.WIDTH_IN - 1.75, 1.2)
        axes = lot_charts.control(drawn, box, body, marks, unit_of(lot, one["id"]), "number of the measurement", more)
        for place in one["left_out"]:
            axes.plot([place], [values[place - 1]], "x", color=figures.INK, markersize=7, mew=1.2, zorder=6)
    return figures.svg_of(buffer)


def _start(signal: Data) -> float:
    """Where a rule's stretch begins: how many points it looks at, by its name."""
    looked_at = {"we2": 3, "we3": 5, "we4": 8, "nelson2": 9, "nelson3": 6, "nelson4": 14, "nelson5": 3, "nelson6": 5, "nelson7": 15, "nelson8": 8}  # fmt: skip
    return float(max(1, signal["at"] - looked_at.get(str(signal["rule"]), 1) + 1))


# --- for a terminal -----------------------------------------------------------------------------------------------------


def lines(data: Data, width: int = 80) -> list[str]:
    """No line wider than `width` (72 at least)."""
    return kept(_lines(data, max(width, LEAST_WIDTH)), max(width, LEAST_WIDTH))


def _lines(data: Data, width: int) -> Iterator[str]:
    lot = data["lot"]
    yield from wrapped(
        f"Check standard {one_line(lot['lot'])}: {part_words(lot)}, {lot.get('state')}", width, hang="  "
    )
    if not data["benches"]:
        yield "not measured on any bench yet"
    for bench in data["benches"]:
        yield ""
        yield f"{one_line(bench['bench'])}: {'in order' if bench['fit'] else 'NOT IN ORDER'}, {bench['measurements']} measurements"[
            :width
        ]
        for one in bench["characteristics"]:
            yield from _on_terminal(one, lot, width)
    if data["benches"]:
        yield ""
        yield from wrapped("o measured, O breaks a rule, = mean, - control limits, . reference", width)


def _on_terminal(one: Data, lot: Data, width: int) -> Iterator[str]:
    en = "" if one["en"] is None else f", En {one['en']:+.2f}"
    yield from wrapped(f"{one['title']}: {one['state']}, {one['n']} measured{en}", width, "  ", "    ")
    if len(one["points"]) > 1:
        yield from _drawn(one, lot, width)
    for said in one["says"]:
        yield from wrapped(told(said), width, "  * ", "    ")
    if not one["fit"]:
        for each in one["do"]:
            yield from wrapped(each, width, "  do: ", "      ")


def _drawn(one: Data, lot: Data, width: int) -> Iterator[str]:
    """Rows of values over the newest measurements that find room."""
    room = (width - 14) // 2
    points = list(enumerate(one["points"], 1))[-room:]
    limits, broken = one.get("limits") or {}, {each["at"] for each in one["signals"]}
    levels = [
        (mark, limits[key])
        for mark, key in (("=", "centre"), ("-", "low"), ("-", "high"))
        if number(limits.get(key)) is not None
    ]
    reference = number(((lot.get("references") or {}).get(one["id"]) or {}).get("value"))
    levels += [(".", reference)] if reference is not None else []
    shown = [value for _, value in points] + [at for _, at in levels]
    low, high = min(shown), max(shown)
    step = (high - low) / (HIGH - 1) or 1.0
    rows = [[" "] * (2 * len(points)) for _ in range(HIGH)]
    for mark, at in levels[::-1]:
        rows[round((high - at) / step)] = [mark] * (2 * len(points))
    for column, (place, value) in enumerate(points):
        rows[round((high - value) / step)][2 * column] = "O" if place in broken else "o"
    decimals = places_of(step) or 0
    for at, row in enumerate(rows):
        yield f"  {padded(f'{high - at * step:.{decimals}f}', 10)}|{''.join(row)}"
    first, last = (
        moment(one["times"][place - 1])[:16] if len(one["times"]) >= place else ""
        for place in (points[0][0], points[-1][0])
    )
    yield f"{'':13}{first}{last:>{max(17, 2 * len(points) - 16)}}"
