"""A gauge study on paper and on a terminal. What it is given: LotDoor.report of a study, whose "characteristics" each hold what
benchd/core/lots/gauge_study.py says of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd_dashboards.paper import study_charts
from benchd_dashboards.paper.lot_lines import LEAST_WIDTH, kept, padded, wrapped
from benchd_dashboards.paper.lot_words import (
    NONE,
    by_words,
    digits,
    frame,
    limits_words,
    open_strip,
    part_words,
    program_words,
    told,
)
from benchd_dashboards.paper.sheet import Block, facts, figure, heading, items, keep, table, text
from benchd_dashboards.paper.words import moment, number, one_line, sentence

Data = Mapping[str, Any]
NAMES = {
    "repeatability": "repeatability",
    "reproducibility": "reproducibility",
    "gauge": "gauge (both)",
    "units": "between units",
    "total": "total",
}
SOURCES = {
    "units": "units",
    "raters": "raters",
    "interaction": "units x raters",
    "repeatability": "repeatability",
    "total": "total",
}
MOST_MISSING = 12


def sheet(data: Data) -> dict[str, Any]:
    lot = data["lot"]
    name = one_line(lot["lot"])
    made = frame(data, f"Gauge study {name}", f"Gauge study {name}, {part_words(lot)}", open_strip(lot))
    return {**made, "blocks": list(_blocks(data))}


def _blocks(data: Data) -> Iterator[Block]:
    found = data["characteristics"]
    yield text(
        "How much of what is measured comes from the measuring: the same units by several raters, several times.",
        "lead",
    )
    yield facts(_head(data))
    yield heading(2, "At a glance")
    yield _glance(found)
    yield from _missing(data)
    for one in found:
        yield from _characteristic(one, data["design"])
    yield from _reading()


def _head(data: Data) -> list[tuple[str, object]]:
    lot, design = data["lot"], data["design"]
    raters = ", ".join(one_line(one) for one in design["raters"])
    return [
        ("Study", ", ".join(one_line(one) for one in (lot["lot"], lot.get("title")) if one)),
        ("Part", part_words(lot)),
        ("Opened", by_words(lot.get("opened"), lot.get("opened_by"))),
        ("Closed", by_words(lot.get("closed"), lot.get("closed_by")) if lot.get("closed") else "not yet"),
        ("Design", f"{len(design['units'])} units x {len(design['raters'])} {'benches' if design['by'] == 'bench' else 'people'} x {design['trials']} trials, in random order (seed {design['seed']})"),
        ("Raters", raters),
        ("Left", f"{len(data.get('left') or ())} trials are still to be made" if data.get("left") else "every trial was made"),
        ("Made", f"{moment(data.get('made'))} by {program_words(data.get('program'))}"),
        ("Journal's digest", data.get("digest")),
    ]  # fmt: skip


def component(one: Data | None, name: str) -> Data:
    """A component of variation of one method's result; empty where there is none."""
    return next((each for each in (one or {}).get("components") or () if each["name"] == name), {})


def shown(value: object, digits_after: int = 1) -> str:
    found = number(value)
    return NONE if found is None else f"{found:.{digits_after}f}"


def _glance(found: Sequence[Data]) -> Block:
    rows = []
    for one in found:
        both = [component(one[method], "gauge") for method in ("anova", "range")]
        rows.append(
            (
                one["title"], limits_words(one, one["unit"]), " / ".join(shown(each.get("percent_study")) for each in both),
                " / ".join(shown(each.get("percent_tolerance")) for each in both),
                " / ".join(str((one[method] or {}).get("categories") or NONE) for method in ("anova", "range")),
                f"{digits(both[0].get('sd'))} {one['unit']}" if both[0] else NONE,
            )
        )  # fmt: skip
    head = ("characteristic", "limits", "% of study variation", "% of tolerance", "categories", "gauge s")
    return table(
        [*head[:2], *(f"{one}, ANOVA / range" for one in head[2:5]), head[5]], rows, (3, 2, 1.8, 1.7, 1.6, 1.6)
    )


def _missing(data: Data) -> Iterator[Block]:
    lacks = {tuple(each) for one in data["characteristics"] for each in one["missing"]}
    if lacks:
        named = [f"{unit} by {rater}, trial {trial}" for unit, rater, trial in sorted(lacks, key=str)]
        more = f", and {len(named) - MOST_MISSING} more" if len(named) > MOST_MISSING else ""
        yield text(f"Missing in one characteristic or more: {'; '.join(named[:MOST_MISSING])}{more}.", "small")


def _characteristic(one: Data, design: Data) -> Iterator[Block]:
    top = heading(2, f"{one_line(one['title'])}: {limits_words(one, one['unit'])}")
    says = items(sentence(each) for each in one["says"])
    if not one["anova"]:
        yield keep([top, says])
        return
    alt = f"{one['title']}: components of variation, means by unit and rater, ranges, bias. " + " ".join(
        one["says"][:2]
    )
    yield keep([top, says, figure(study_charts.pictures(one, design["raters"]), alt)])
    yield keep([heading(3, "Both methods side by side"), _both(one)])
    yield keep([heading(3, "Analysis of variance"), _anova(one)])
    yield _bias(one)


def _both(one: Data) -> Block:
    rows = []
    for name, word in NAMES.items():
        by_anova, by_range = component(one["anova"], name), component(one["range"], name)
        low, high = number(by_anova.get("low")), number(by_anova.get("high"))
        span = NONE if low is None or high is None else f"{digits(low)} to {digits(high)}"
        rows.append(
            (
                word, digits(by_anova.get("sd")), span, *(shown(by_anova.get(key)) for key in _PERCENTS), digits(by_range.get("sd")),
                *(shown(by_range.get(key)) for key in _PERCENTS[1:]),
            )
        )  # fmt: skip
    categories = [str((one[method] or {}).get("categories") or NONE) for method in ("anova", "range")]
    rows.append(("distinct categories", categories[0], "", "", "", "", categories[1], "", ""))
    head = ("", f"ANOVA: s, {one['unit']}", "95 % interval", "% contribution", "% study", "% tolerance", f"range: s, {one['unit']}", "% study", "% tolerance")  # fmt: skip
    return table(head, rows, (1.9, 1.2, 1.9, 1.3, 0.9, 1.2, 1.2, 0.9, 1.2))


_PERCENTS = ("percent_contribution", "percent_study", "percent_tolerance")


def _anova(one: Data) -> Block:
    rows = [
        (
            SOURCES.get(row["source"], row["source"]), f"{row['ss']:.5g}", row["df"], NONE if row["ms"] is None else f"{row['ms']:.4g}",
            NONE if row["f"] is None else f"{row['f']:.3g}",
            NONE if row["p"] is None else "< 0.001" if row["p"] < 0.001 else f"{row['p']:.3f}",
        )
        for row in one["anova"]["rows"]
    ]  # fmt: skip
    pooled = "interaction pooled" if one["anova"]["pooled"] else "with interaction"
    return table(
        (f"source ({pooled})", "sum of squares", "df", "mean square", "F", "p"), rows, (3, 2, 0.8, 2, 1.2, 1.2)
    )


def _bias(one: Data) -> Block:
    rows = [
        (each["rater"], f"{each['mean']:.5g}", f"{each['bias']:+.3g}", f"{each['low']:+.3g} to {each['high']:+.3g}")
        for each in one["bias"]
    ]
    return table(("rater", f"mean, {one['unit']}", "bias to the others", "95 % interval"), rows, (3, 2, 2, 3))


def _reading() -> Iterator[Block]:
    yield heading(2, "How to read this")
    yield items(
        (
            "Repeatability: the same unit by the same rater. Reproducibility: from rater to rater, with the interaction. Gauge: both together.",
            "Percent of study variation is of standard deviations, percent contribution of variances; percent of tolerance is 6 s of the gauge "
            "over the width between the limits. Under 10 % is good, over 30 % not acceptable (AIAG bands).",
            "Distinct categories: how many groups of units the gauge can tell apart, 1.41 times the spread between units over that of the gauge, "
            "cut to a whole number; 5 or more are wanted.",
            "The two methods may give different numbers of categories from the same values: the analysis of variance uses every value and has the "
            "interaction as a part of its own, the average-and-range method uses ranges alone and has no interaction; and the cut to a whole "
            "number turns a small difference into a whole category. Where they differ the analysis of variance counts.",
            "Intervals of the standard deviations are modified large-sample ones; those of the bias go by t over the units. The interval of the "
            "reproducibility is wide because there are few raters.",
        )
    )  # fmt: skip


# --- for a terminal -----------------------------------------------------------------------------------------------------


def lines(data: Data, width: int = 80) -> list[str]:
    """No line wider than `width` (72 at least)."""
    return kept(_lines(data, max(width, LEAST_WIDTH)), max(width, LEAST_WIDTH))


def _lines(data: Data, width: int) -> Iterator[str]:
    lot, design = data["lot"], data["design"]
    what = f"{len(design['units'])} units x {len(design['raters'])} raters x {design['trials']} trials"
    yield from wrapped(
        f"Gauge study {one_line(lot['lot'])}: {part_words(lot)}, {what}, {lot.get('state')}", width, hang="  "
    )
    if data.get("left"):
        yield f"{len(data['left'])} trials are still to be made"
    for one in data["characteristics"]:
        yield ""
        yield from wrapped(f"{one['title']}, {limits_words(one, one['unit'])}", width, hang="  ")
        if one["anova"]:
            yield from _bars(one, width)
            yield from _dots(one, width)
        for said in one["says"]:
            yield from wrapped(told(said), width, "  * ", "    ")
    yield ""
    yield from wrapped(
        "bars: % of study variation by ANOVA (by ranges); bias: o mean, - 95 % interval, | no bias", width
    )


def _bars(one: Data, width: int) -> Iterator[str]:
    room = width - 44
    for name in study_charts.COMPONENTS:
        by_anova, by_range = component(one["anova"], name), component(one["range"], name)
        share = number(by_anova.get("percent_study")) or 0.0
        bar = "#" * round(room * min(share, 100.0) / 100.0)
        yield f"  {NAMES[name]:<16}{shown(share):>6} %{'(' + shown(by_range.get('percent_study')) + ')':>9}  {bar}"
    categories = [str((one[method] or {}).get("categories") or NONE) for method in ("anova", "range")]
    yield f"  {'categories':<16}{categories[0]:>6}  {'(' + categories[1] + ')':>9}"


def _dots(one: Data, width: int) -> Iterator[str]:
    """Bias of each rater with its interval on one scale, no bias in the middle."""
    room = max(11, (width - 46) // 2 * 2 + 1)
    half = room // 2
    reach = max((abs(each[key]) for each in one["bias"] for key in ("low", "high", "bias")), default=0.0) or 1.0
    for each in one["bias"]:
        row = [" "] * room
        row[half] = "|"
        low, high, at = (half + round(half * each[key] / reach) for key in ("low", "high", "bias"))
        row[low : high + 1] = "-" * (high - low + 1)
        row[at] = "o"
        yield f"  {padded(one_line(each['rater']), 16)} bias {each['bias']:>+9.3g} {padded(one['unit'], 4)}  {''.join(row)}"
