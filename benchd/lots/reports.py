"""What lots, studies and standards come to, as JSON: the data of every paper and of the report over HTTP."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchd import gate, preflight
from benchd.errors import NotFoundError
from benchd.runner import utc_text

if TYPE_CHECKING:
    from benchd.core.lots.units import Units
    from benchd.core.specs import PartSpec
    from benchd.journal import Journal
    from benchd.lots.service import Lots

JUDGED = ("pass", "fail", "undecided")
EARLIER = 5


def report(lots: Lots, entry: Mapping[str, Any]) -> dict[str, Any]:
    """The report of LotDoor."""
    if entry["kind"] == "study":
        return _study(lots, entry)
    if entry["kind"] == "standard":
        return _standard(lots, entry)
    body = lots.lot(str(entry["lot"]))
    return of_units(lots.journal, body, lots.journal.lot_units(str(entry["lot"])), lots.shop)


def of_units(journal: Journal, body: Mapping[str, Any], units: Units, shop: str = "") -> dict[str, Any]:
    """The report of a lot whose units come from the journal or from a store; `body`: its lot body."""
    from benchd.core.lots.report import report as statistics

    part = _part(body)
    earlier = list(_earlier(journal, body))
    made = statistics(units, part, plan=str(body["plan"]), lot_size=body["planned"], earlier=earlier)
    return {
        **_frame(body, shop),
        "report": made,
        "gates": body["benches"],
        "digest": journal.lot_digest(str(body["lot"])),
    }


def _earlier(journal: Journal, body: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    """Summaries of the newest closed lots of the part, with the same characteristics."""
    from benchd.core.lots.report import report as statistics
    from benchd.core.lots.report import summary

    part = _part(body)
    found: list[Mapping[str, Any]] = []
    for one in journal.lots("lot", "closed", str(body["part"]), EARLIER + 1):
        if one["lot"] == body["lot"] or len(found) == EARLIER:
            continue
        units = journal.lot_units(str(one["lot"]))
        if set(part.ids) <= set(units.ids):
            found.append(summary(statistics(units, part), str(one["lot"]), one["closed"]))
    return found


def _study(lots: Lots, entry: Mapping[str, Any]) -> dict[str, Any]:
    from benchd.core.lots.gauge_study import study
    from benchd.lots.studies import table_of

    body = lots.lot(str(entry["lot"]))
    tests = lots.journal.lot_tests(str(entry["lot"]))
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
    benches = sorted({str(one["bench"]) for one in lots.journal.lot_tests(name)})
    found = [_bench(gate.check_of(lots.journal, name, bench), bench) for bench in benches]
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
    body = lots.lot(lot)
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
    }


def _frame(body: Mapping[str, Any], shop: str) -> dict[str, Any]:
    left_out = ("records", "last", "now", "benches", "spec_text", "left")
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
