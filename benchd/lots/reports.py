"""What lots, studies and standards come to, as JSON: the data of every paper and of the report over HTTP."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from benchd import gate, preflight
from benchd.core.lots.serials import JUDGED
from benchd.errors import ConfigError, NotFoundError
from benchd.lots.kept import Kept
from benchd.runner import utc_text

if TYPE_CHECKING:
    from benchd.core.lots.units import Units
    from benchd.core.specs import Characteristic, PartSpec
    from benchd.journal import Journal
    from benchd.lots.service import Lots

EARLIER, LOOKED_THROUGH = 5, 200
#: Summary of a closed lot, and how each of its characteristics was measured.
Earlier = tuple[Mapping[str, Any], Mapping[str, tuple[Any, ...]]]


def report(lots: Lots, entry: Mapping[str, Any]) -> dict[str, Any]:
    """The report of LotDoor."""
    if entry["kind"] == "study":
        return _study(lots, entry)
    if entry["kind"] == "standard":
        return _standard(lots, entry)
    name = str(entry["lot"])
    body, journal = lots.lot(name), lots.journal
    earlier = _earlier(journal, body)
    # What is worked out again and again would cost a second each: a lot of 100,000.
    stamp = (journal.lot_stamp(name), body["planned"], *(one["lot"] for one in earlier))
    made = lots.statistics.get(
        name,
        stamp,
        lambda: _statistics(body, journal.lot_units(name), _summaries(journal, body, earlier, lots.summaries)),
    )
    return _of_lot(journal, body, made, lots.shop)


def of_units(journal: Journal, body: Mapping[str, Any], units: Units, shop: str = "") -> dict[str, Any]:
    """The report of a lot whose units come from elsewhere, as from a store; `body`: its lot body."""
    earlier = _summaries(journal, body, _earlier(journal, body), Kept[Earlier](EARLIER))
    return _of_lot(journal, body, _statistics(body, units, earlier), shop)


def _of_lot(journal: Journal, body: Mapping[str, Any], made: dict[str, Any], shop: str) -> dict[str, Any]:
    digest = journal.lot_digest(str(body["lot"]))
    return {
        **_frame(body, shop),
        "report": made,
        "gates": body["benches"],
        "doubtful": body["doubtful"],
        "digest": digest,
    }


def _statistics(body: Mapping[str, Any], units: Units, earlier: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    from benchd.core.lots.report import report as statistics

    return statistics(units, _part(body), plan=str(body["plan"]), lot_size=body["planned"], earlier=earlier)


def _earlier(journal: Journal, body: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The newest closed lots of the part that were opened before this one, the newest first."""
    closed = journal.lots("lot", "closed", str(body["part"]), LOOKED_THROUGH)
    return [one for one in closed if one["lot"] != body["lot"] and one["opened"] < body["opened"]][:EARLIER]


def _summaries(
    journal: Journal, body: Mapping[str, Any], earlier: Sequence[Mapping[str, Any]], kept: Kept[Earlier]
) -> list[Mapping[str, Any]]:
    """Of earlier lots; only what was measured in the same way is compared."""
    wanted = {one.id: _way(one) for one in _part(body).characteristics}
    found: list[Mapping[str, Any]] = []
    for one in earlier:
        lot = str(one["lot"])
        summary, ways = kept.get(lot, one["closed"], partial(_summary, journal, lot, one["closed"]))
        same = [of for of in summary["characteristics"] if ways.get(of["id"]) == wanted.get(of["id"], ())]
        found.append({**summary, "characteristics": same})
    return found


def _summary(journal: Journal, lot: str, closed: str) -> Earlier:
    from benchd.core.lots.report import summary_of

    try:
        part = _part(journal.lot_records(lot)[0])
    except ConfigError:  # written by another benchd
        return summary_of(journal.lot_units(lot), lot, closed), {}
    return summary_of(journal.lot_units(lot), lot, closed), {one.id: _way(one) for one in part.characteristics}


def _way(one: Characteristic) -> tuple[Any, ...]:
    """What must be alike for two lots' values to be compared; limits may differ."""
    return (one.measures, one.unit, one.rpm, one.amps, one.at_amps, one.at_volts, one.over_s, one.between)


def _study(lots: Lots, entry: Mapping[str, Any]) -> dict[str, Any]:
    from benchd.core.lots.gauge_study import study
    from benchd.lots.studies import table_of

    body = lots.lot(str(entry["lot"]))
    tests = lots.journal.lot_tests(str(entry["lot"]), counted=False)
    design = body["design"]
    found = []
    for one in _part(body).characteristics:
        table = table_of(design, tests, one.id)
        made = study(table, design["units"], design["raters"], low=one.low, high=one.high, unit=one.unit)
        found.append({"id": one.id, "title": one.title, "unit": one.unit, "low": one.low, "high": one.high, **made})
    return {**_frame(body, lots.shop), "design": design, "left": body["left"], "characteristics": found}


def _standard(lots: Lots, entry: Mapping[str, Any]) -> dict[str, Any]:
    name = str(entry["lot"])
    body = lots.lot(name)
    benches = lots.journal.lot_benches(name)
    found = [_bench(lots.checks(name, bench), bench) for bench in benches]
    gates = [lots.gate(bench, str(entry["part"])) for bench in benches]
    return {**_frame(body, lots.shop), "benches": found, "gates": gates}


def _bench(check: gate.Check, bench: str) -> dict[str, Any]:
    """How a standard stands on one bench, characteristic by characteristic."""
    found = []
    for id, one in check.standings.items():
        chart = one.chart
        points = [test["measured"][id]["value"] for test in check.tests if id in test["measured"]]
        times = [test["started"] for test in check.tests if id in test["measured"]]
        limits = (
            None
            if chart is None
            else {"centre": chart.centre, "low": chart.low, "high": chart.high, "sigma": chart.sigma}
        )
        signals = [
            {"rule": s.rule, "title": s.title, "at": s.index + 1, "now": s in one.now, "says": s.says}
            for s in one.broken
        ]
        found.append(
            {
                "id": id, "title": check.charted[id].title, "state": one.state, "fit": one.fit, "missing": one.missing, "n": one.n,
                "points": points, "times": times, "limits": limits, "signals": signals, "en": one.en, "en_says": one.en_says,
                "says": list(one.says), "do": list(one.do), "left_out": [place + 1 for place in one.left_out],
            }
        )  # fmt: skip
    return {"bench": bench, "fit": check.fit, "measurements": len(check.tests), "characteristics": found}


def certificate(lots: Lots, lot: str, serial: str) -> dict[str, Any]:
    """The certificate of LotDoor. NotFoundError."""
    entry = lots.journal.lot(lot)
    body = lots.head(entry)
    attempts = lots.journal.lot_tests(lot, serial=serial)
    judged = [one for one in attempts if one["verdict"] in JUDGED]
    if not judged:
        said = "was not tested" if not attempts else "was tested, but not judged"
        raise NotFoundError(f"{serial} {said} in {lot}")
    run = str(judged[0]["run"])
    verdict = lots.journal.verdict(run) or {}
    part = _part(body)
    return {
        **_frame(body, lots.shop),
        "unit": judged[0],
        "attempts": attempts,
        "verdict": verdict,
        "rule": str(part.rule),
        "risk": part.risk,
        "instruments": verdict.get("instruments") or [],
        "digest": lots.journal.digest(run),
        "doubtful": lots.doubtful(entry, serial),
    }


def _frame(body: Mapping[str, Any], shop: str) -> dict[str, Any]:
    left_out = ("records", "last", "now", "benches", "spec_text", "left", "next", "doubtful")
    return {
        "lot": {key: value for key, value in body.items() if key not in left_out},
        "shop": shop,
        "made": utc_text(),
        "program": preflight.versions(),
    }


def _part(body: Mapping[str, Any]) -> PartSpec:
    from benchd.config import load_spec_text

    part = load_spec_text(str(body["spec_text"]), f"lot {body['lot']}").part
    assert part is not None
    return part
