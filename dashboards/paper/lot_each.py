"""One characteristic on a lot's report: figures, charts with their signals, capability, drift, risks, benches."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from benchd_dashboards.paper import lot_charts
from benchd_dashboards.paper.lot_words import (
    NONE,
    confidence_words,
    digits,
    fixed,
    index_words,
    limits_words,
    risk_words,
    told,
    unit_places,
)
from benchd_dashboards.paper.sheet import Block, facts, figure, heading, items, keep, table, text
from benchd_dashboards.paper.words import number, one_line, sentence

Data = Mapping[str, Any]
#: Signals that have a number in the chart and a line beside it, where they are more than chance brings and where they are not.
MOST_SIGNALS, MOST_BY_CHANCE = 12, 5
INDICES = ("cp", "cpk", "pp", "ppk", "cpm")


def blocks(one: Data) -> Iterator[Block]:
    named = lot_charts.chosen(one["signals"], MOST_SIGNALS if one["out_of_control"] else MOST_BY_CHANCE)
    top = [
        heading(2, f"{one_line(one['title'])}: {limits_words(one, one['unit'])}"),
        *([text(sentence(one["says"]))] if one["says"] else []),
    ]
    if not one["n"]:
        yield keep([*top, text("It was measured on no unit.")])
        return
    yield keep([*top, _figures(one), figure(lot_charts.characteristic(one, named), _alt(one), "")])
    yield from _signals(one, named)
    yield _capability(one)
    yield facts(_facts(one))
    if len(one["benches"]) > 1:
        yield _benches(one)


def _figures(one: Data) -> Block:
    """One row of figures; limits stand in the heading."""
    places = unit_places(one)
    beyond = one["beyond"]
    row = (
        one["n"], fixed(one["mean"], places), digits(one["sd"]), fixed(one["min"], places), fixed(one["median"], places),
        fixed(one["max"], places), digits(one["u"], 2), f"{beyond['low']} / {beyond['high']}",
    )  # fmt: skip
    unit = one["unit"]
    head = ("units", f"mean, {unit}", f"s, {unit}", "least", "median", "greatest", f"u, {unit}", "beyond low / high")
    return table(head, [row], (0.8, 1.2, 1.1, 1.1, 1.1, 1.1, 1.0, 1.3))


def _alt(one: Data) -> str:
    charts = " and ".join(str(chart["kind"]) for chart in one["charts"])
    drawn = f"control charts ({charts}) and histogram" if charts else "histogram"
    return (
        f"{one['title']}: {drawn} of {one['n']} units, {one['min']:.5g} to {one['max']:.5g} {one['unit']}, "
        f"{one['signals_found']} signals."
    )


def _signals(one: Data, named: list[Data]) -> Iterator[Block]:
    if not one["charts"]:
        yield text(sentence(one["charts_says"]), "small")
        return
    found, expected = one["signals_found"], number(one["signals_expected"]) or 0.0
    chance = f"a process in control brings about {plain_count(expected)} on charts of this length"
    state = {True: "more than chance brings", False: "no more than chance brings"}.get(one["out_of_control"])
    if not found:
        yield text(f"No run rule is broken; {chance}.")
        return
    signals = "1 signal" if found == 1 else f"{found} signals"
    yield text(f"{signals}; {chance}{'' if state is None else f': {state}, over all characteristics'}.")
    rows = [f"{place}: {_signal(each)}" for place, each in enumerate(named, 1)]
    if found > len(named):
        listed = len(one["signals"])
        of = (
            f"; the list was made of the first {listed}, up to unit {one['signals'][-1]['until']}"
            if found > listed
            else ""
        )
        rows.append(f"and {found - len(named)} more{of}")
    yield items(rows)


def _signal(one: Data) -> str:
    who = ", ".join(str(each) for each in (one.get("serial"), one.get("bench")) if each)
    return f"{one_line(one['says'])}, {one['chart']} chart" + (f"; {one_line(who)}" if who else "")


def _capability(one: Data) -> Block:
    told = one["capability"]
    confidence = next((told[key]["confidence"] for key in INDICES if told.get(key)), None)
    head = ("capability", *(key.capitalize() for key in INDICES), "s within", "s overall")
    said = "none" if told["method"] == "none" else f"index,\n{confidence_words(confidence)} interval"
    row = (
        said, *(index_words(told.get(key), "\n") for key in INDICES),
        digits(told.get("within_sd")), digits(told.get("overall_sd")),
    )  # fmt: skip
    return table(head, [row], (1.3, 1.2, 1.2, 1.2, 1.2, 1.2, 0.9, 0.9))


def _facts(one: Data) -> list[tuple[str, object]]:
    drift, between, risk, normality = (
        one["drift"] or {},
        one["between_benches"],
        one["risk"],
        str(one["normality"]["says"]),
    )
    return [
        ("Method", told(one["capability"]["says"])),
        ("Normality", "" if normality in one["capability"]["says"] else told(normality)),
        ("Charts", " ".join(told(chart["says"]) for chart in one["charts"])),
        ("Drift along the lot", told(drift.get("says"))),
        ("Consumer's, producer's risk", _risk(risk)),
        ("Between benches", told(between["says"]) if between else "All units were tested on one bench."),
        ("Nearest a limit", _worst(one)),
    ]  # fmt: skip


def _risk(risk: Data | None) -> str:
    if not risk:
        return "There is no limit, so there is no risk."
    if risk.get("consumer") is None:
        return sentence(risk.get("says"))
    return told(f"{risk_words(risk['consumer'])} and {risk_words(risk['producer'])}. {sentence(risk['says'])}")


def _worst(one: Data) -> str:
    places = unit_places(one)
    return "; ".join(
        f"{one_line(each.get('serial')) or 'unit ' + str(each['at'])} {fixed(each['value'], places)} {one['unit']}"
        + (f" ({digits(-each['margin'])} beyond)" if each["margin"] < 0 else "")
        for each in one["worst"]
    )


def _benches(one: Data) -> Block:
    places, unit = unit_places(one), one["unit"]
    rows = []
    for each in one["benches"]:
        low, high = number(each.get("low")), number(each.get("high"))
        span = NONE if low is None or high is None else f"{low:+.3g} to {high:+.3g}"
        bias = NONE if number(each.get("bias")) is None else f"{each['bias']:+.3g}"
        rows.append(
            (
                each["bench"],
                each["n"],
                fixed(each["mean"], places),
                digits(each["sd"]),
                bias,
                span,
                p_words(each.get("p_holm")),
            )
        )
    head = ("bench", "units", f"mean, {unit}", f"s, {unit}", "to the others", "95 % interval", "p, all adjusted")
    return table(head, rows, (1.6, 0.8, 1.2, 1.2, 1.3, 1.9, 1.2))  # fmt: skip


def plain_count(expected: float) -> str:
    """'1.1', '406'."""
    return f"{expected:.1f}" if expected < 10 else f"{expected:.0f}"


def p_words(p: object) -> str:
    found = number(p)
    return NONE if found is None else "< 0.001" if found < 0.001 else f"{found:.3f}"
