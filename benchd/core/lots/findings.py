"""What a reader of a lot's report must know first: plain sentences of one line, the worst first. They are made from the report's body."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd.core.lots.words import counted, p_shown, percent, plain, shown, span

Body = Mapping[str, Any]

#: A finding that chance brings less often than this, over all that was compared (Holm), is told as one.
ALPHA = 0.05
#: A drift or a bias is told first where it takes more than this part of the tolerance, else as too small to matter.
MATTERS = 0.05
#: Ppk that is usually asked for: 1.33; below 1 more than a few in a thousand lie beyond. Common practice, no source.
WANTED, LEAST = 4.0 / 3.0, 1.0

#: Consumer's risk of a whole unit that is told before all that is well: 2 % is the most that ANSI/NCSL Z540.3 lets a decision have (memory).
MOST_RISK = 0.02

NOTHING, REJECTED, MOVES, NOT_CAPABLE, RISKY, YIELD, POOR, OPEN, EARLIER, SMALL, FINE = range(11)


def sentences(body: Body) -> list[str]:
    """Of a whole body, without "says"."""
    found = sorted(_findings(body), key=lambda one: (one[0], -one[1]))
    return [says[0].upper() + says[1:] for _, _, says in found]


def _findings(body: Body) -> Iterator[tuple[int, float, str]]:
    """(rank, how bad within it, sentence)."""
    counts = body["counts"]
    if counts["units"] == 0:
        yield NOTHING, 0.0, _nothing(counts)
        return
    sampling = body["sampling"]
    if sampling and sampling.get("says"):
        yield REJECTED if sampling.get("decision") == "reject" else FINE, 1.0, sampling["says"]
    yield from _yields(body)
    for one in body["characteristics"]:
        yield from _moves(one)
        yield from _benches(one)
        yield from _capable(one)
        yield from _not_measured(one)
    yield from _chance(body["characteristics"])
    if body["risk"]:
        consumer = body["risk"]["consumer"]
        yield RISKY if consumer is not None and consumer > MOST_RISK else FINE, 0.5, body["risk"]["says"]
    for earlier in body["earlier"]:
        yield from _against(earlier, body["characteristics"])


def _nothing(counts: Body) -> str:
    if counts["tests"] == 0:
        return "no unit of this lot was tested yet: there is nothing to tell"
    left = [counted(counts[key], f"{key} test") for key in ("void", "open") if counts[key]]
    return f"no unit of this lot was judged ({', '.join(left)}): there is nothing to tell"


def _yields(body: Body) -> Iterator[tuple[int, float, str]]:
    counts, first, final = body["counts"], body["yield"]["first_pass"], body["yield"]["final"]
    missed = first["of"] - first["count"]
    span = (
        f"first-pass yield {percent(first['part'])}, 95 % interval {percent(first['low'])} to {percent(first['high'])}"
    )
    if missed == 0:
        yield FINE, 2.0, f"all {counted(first['of'])} passed at the first test ({span})"
    else:
        modes = [one for one in body["modes"] if one["mode"]][:3]
        often = ", ".join(f"{one['title']} ({one['units']})" for one in modes)
        yield YIELD, 1.0 - first["part"], (
            f"{missed:,} of {counted(first['of'])} did not pass at the first test ({span})" + (f", most often: {often}" if often else "")
        )  # fmt: skip
    if counts["retested"]:
        yield OPEN, 0.9, (
            f"{counted(counts['retested'])} tested again ({counted(counts['retests'], 'retest')}): with retests {final['count']:,} of "
            f"{final['of']:,} pass ({percent(final['part'])}); statistics are of first tests alone"
        )  # fmt: skip
    if counts["undecided"]:
        yield OPEN, 1.0, f"{counted(counts['undecided'])} undecided at the last test: neither passed nor failed"
    for key, why in (("void", "that says nothing of a unit"), ("open", "under way or cut short")):
        if counts[key]:
            yield OPEN, 0.1, f"{counted(counts[key], f'{key} test')}, {why}"


def _moves(one: Body) -> Iterator[tuple[int, float, str]]:
    """Drift along the lot, and charts out of control: one sentence where both are there."""
    drift = one["drift"]
    drifts = drift["p_holm"] is not None and drift["p_holm"] < ALPHA and drift["low"] * drift["high"] > 0.0
    part = _part(one, drift["over_lot"]) if drifts else 0.0
    chart = _chart(one) if one["out_of_control"] else ""
    if drifts:
        says = f"{one['title']} drifts by {shown(drift['per_100'], one['unit'])} per 100 units"
        says += _of_tolerance(one, drift["over_lot"], "over the lot ")
        if part < MATTERS and not chart:
            yield SMALL, part, f"{says}: too little to matter"
            return
        yield MOVES, 1.0 + part, f"{says}: {chart}" if chart else says
    elif chart:
        yield MOVES, min(1.0, one["signals_found"] / 100.0), f"{one['title']}: {chart}"


def _chart(one: Body) -> str:
    if not one["signals"]:
        return "the chart is out of control"
    means = [signal for signal in one["signals"] if signal["chart"] in ("individuals", "x-bar")] or one["signals"]
    beyond = [signal for signal in means if signal["at"] == signal["from"] or signal["rule"].endswith("1")]
    tail = f"{counted(one['signals_found'], 'signal')} where chance brings {plain(one['signals_expected'], 2)}"
    if len(beyond) == len(means) and len(means) <= 3:
        units = ", ".join(f"{signal['at']}" for signal in means)
        what = f"unit{'s' * (len(means) > 1)} {units} beyond three sigma ({_value(means, one)})"
        return f"the chart is out of control: {what}; {tail}"
    first = means[0]
    return f"the chart is out of control from unit {first['from']} on, rule {first['rule'].removeprefix('nelson').removeprefix('we')} ({first['title']}); {tail}"


def _value(signals: Sequence[Body], one: Body) -> str:
    return ", ".join(plain(signal["value"], 4) for signal in signals) + f" {one['unit']}"


def _benches(one: Body) -> Iterator[tuple[int, float, str]]:
    for bench in one["benches"]:
        if bench["p_holm"] is None or bench["p_holm"] >= ALPHA:
            continue
        part, bias = _part(one, bench["bias"]), bench["bias"]
        # With two benches one's bias is the other's with its sign turned: told once.
        if len(one["benches"]) == 2 and bias < 0.0:
            continue
        says = (
            f"{one['title']}: {bench['bench']} reads {shown(abs(bias), one['unit'])} {'higher' if bias > 0 else 'lower'} than the mean of the "
            f"other benches (95 % interval {span(bench['low'], bench['high'], one['unit'])})"
        )
        if part < MATTERS:
            yield SMALL, part, says + _of_tolerance(one, bias) + ": too little to matter"
        else:
            yield MOVES, 0.9 + part, says + _of_tolerance(one, bias)
    between = one["between_benches"]
    if between and between["p_spread_holm"] is not None and between["p_spread_holm"] < ALPHA:
        yield (
            MOVES,
            0.1,
            f"{one['title']}: the benches' spreads differ (Brown-Forsythe, {p_shown(between['p_spread'])})",
        )


def _part(one: Body, difference: float) -> float:
    """Of the tolerance; of twice the distance from the mean to the only limit; of six standard deviations without limits."""
    low, high = one["low"], one["high"]
    if low is not None and high is not None:
        whole = high - low
    elif low is None and high is None:
        whole = 6.0 * (one["sd"] or 0.0)
    else:
        whole = 2.0 * abs((high if low is None else low) - one["mean"])
    return abs(difference) / whole if whole > 0.0 else 1.0


def _of_tolerance(one: Body, difference: float, over: str = "") -> str:
    if one["low"] is None or one["high"] is None:
        return f", {over}{shown(abs(difference), one['unit'])}" if over else ""
    much = f"{shown(abs(difference), one['unit'])} or " if over else ""
    return f", {over}{much}{_part(one, difference):.0%} of the tolerance"


def _capable(one: Body) -> Iterator[tuple[int, float, str]]:
    ppk = one["capability"]["ppk"]
    if ppk is None or ppk["value"] >= WANTED:
        return
    span = f"Ppk {ppk['value']:.2f}, 95 % interval {ppk['low']:.2f} to {ppk['high']:.2f}"
    side = _side(one)
    if ppk["high"] < LEAST:
        yield NOT_CAPABLE, 1.0 - ppk["value"], f"{one['title']} is not capable of its limits ({span}){side}"
    elif ppk["value"] < LEAST:
        yield POOR, 1.0 - ppk["value"], f"{one['title']}: {span}, below 1{side}"
    else:
        yield (
            POOR,
            WANTED - ppk["value"] - 1.0,
            f"{one['title']}: {span}, below the 1.33 that is usually asked for{side}",
        )


def _side(one: Body) -> str:
    beyond = one["beyond"]
    found = [f"{beyond[key]} {name} the limit" for key, name in (("low", "below"), ("high", "above")) if beyond[key]]
    return f"; {' and '.join(found)}" if found else ""


def _not_measured(one: Body) -> Iterator[tuple[int, float, str]]:
    if one["says"]:
        yield OPEN, 0.5, f"{one['title']}: {one['says']}"


def _chance(characteristics: Sequence[Body]) -> Iterator[tuple[int, float, str]]:
    quiet = [one for one in characteristics if one["charts"] and not one["out_of_control"]]
    found, expected = (sum(one[key] for one in quiet) for key in ("signals_found", "signals_expected"))
    if found:
        yield FINE, 0.1, (
            f"{counted(found, 'signal')} on the charts of {counted(len(quiet), 'other characteristic')}, where about {expected:.0f} are expected "
            "of processes in control: none of them stands out"
        )  # fmt: skip


def _against(earlier: Body, characteristics: Sequence[Body]) -> Iterator[tuple[int, float, str]]:
    by_id = {one["id"]: one for one in characteristics}
    for old in earlier["characteristics"]:
        one = by_id.get(old["id"])
        means, spreads = (old[key] is not None and old[key] < ALPHA for key in ("p_mean_holm", "p_sd_holm"))
        if one is None or not (means or spreads):
            continue
        part = _part(one, old["difference"]) if means else 0.0
        rank = EARLIER if part >= MATTERS or spreads else SMALL
        yield rank, part, f"{one['title']} against lot {earlier['lot']}: {old['says']}"
