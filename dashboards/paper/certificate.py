"""What was measured of one unit of a lot, on one page. Only a passed unit of a lot has a certificate of conformity, and only while no
check standard puts its bench in doubt; of any other the paper is a test report, and says so. What it is given: LotDoor.certificate of benchd/lots/door.py."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd_dashboards.paper.lot_words import (
    OUTCOMES,
    fixed,
    frame,
    limits_words,
    part_words,
    program_words,
    rule_words,
    told,
)
from benchd_dashboards.paper.sheet import Block, facts, fit, heading, items, notice, table, text
from benchd_dashboards.paper.words import (
    VERDICTS,
    clipped,
    joined,
    moment,
    number,
    one_line,
    places_of,
    plain,
    sentence,
    stamp,
)

Data = Mapping[str, Any]
MOST_ATTEMPTS, MOST_INSTRUMENTS = 6, 10
CERTIFICATE, REPORT = "Certificate of conformity", "Test report"


def sheet(data: Data) -> dict[str, Any]:
    unit = one_line(data["unit"]["serial"])
    title = CERTIFICATE if conforms(data) else REPORT
    made = frame(data, title, f"{title}, {clipped(unit, 32)}")
    return {**made, "blocks": [fit(_blocks(data), tight=True)]}


def conforms(data: Data) -> bool:
    """Whether this may be called a certificate: the last judged test of a unit of a lot is a pass, in row and verdict alike, on a
    bench that was not found bad after it."""
    return (
        data["lot"].get("kind") == "lot"
        and data["unit"].get("verdict") == "pass"
        and (data.get("verdict") or {}).get("verdict") == "pass"
        and not data.get("doubtful")
    )


def _blocks(data: Data) -> Iterator[Block]:
    unit, verdict = data["unit"], data.get("verdict") or {}
    yield _outcome(data)
    yield facts(_head(data))
    yield heading(2, "Measured")
    yield _measured(verdict)
    p = number(verdict.get("probability_of_conformity"))
    if p is not None:
        yield text(
            f"Probability of conformity of the whole unit: {probability(p)}, as if its characteristics were independent."
        )
    yield facts(
        [
            ("Decision rule", rule_words(data.get("rule") or verdict.get("decision_rule"), data.get("risk"))),
            ("Uncertainty", _coverage(verdict)),
        ]
    )
    yield from _attempts(data["attempts"], unit)
    yield heading(2, "Instruments")
    yield _instruments(data.get("instruments") or verdict.get("instruments") or ())
    yield facts(
        [
            ("Program", _programs(data)),
            ("Journal's digest", f"{one_line(data.get('digest'))} of run {one_line(unit.get('run'))}"),
            ("Made", moment(data.get("made"))),
        ]
    )
    yield heading(3, "What this does not say")
    yield items(_does_not_say(data))
    if conforms(data):
        yield text("Released by (name, signature, day): ______________________________________________")


def _outcome(data: Data) -> Block:
    unit, verdict = data["unit"], data.get("verdict") or {}
    word = VERDICTS.get(str(unit.get("verdict")), one_line(unit.get("verdict")).upper())
    attempt = int(unit.get("attempt") or 1)
    if conforms(data):
        again = f" It was judged {attempt} times; this is of the last test." if attempt > 1 else ""
        return notice("PASS", f"The unit conforms to its specification by the decision rule below.{again}")
    if data.get("doubtful"):
        why = " ".join(told(one["says"]) for one in data["doubtful"][:2])
        passed = "passed, but in doubt" if unit.get("verdict") == "pass" else "did NOT pass, and is in doubt"
        return notice(
            "TEST AGAIN",
            f"The unit {passed}: this is a test report, no certificate of conformity.\n{clipped(why, 300)}",
        )
    if unit.get("verdict") == "pass":
        return notice(
            word,
            "The unit passed a test that is not one of a lot: this is a test report, no certificate of conformity.",
        )
    why = (
        joined(sentence(one) for one in (verdict.get("reasons") or ())[:3]).replace("., ", ". ").replace(". and ", ". ")
    )
    mode = f" ({one_line(unit['title'])})" if unit.get("title") else ""
    said = f"The unit did NOT pass{mode}: this is a test report, no certificate of conformity."
    return notice(word, f"{said}\n{clipped(why, 260)}" if why else said)


def _head(data: Data) -> list[tuple[str, object]]:
    lot, unit = data["lot"], data["unit"]
    spec = (lot.get("spec") or {}).get("part") or {}
    attempt = int(unit.get("attempt") or 1)
    return [
        ("Unit", f"serial number {clipped(unit['serial'], 70)}"),
        ("Part", part_words(lot)),
        ("Limits from", spec.get("manual")),
        ("Lot", ", ".join(one_line(one) for one in (lot["lot"], lot.get("title"), lot.get("customer")) if one)),
        (
            "Tested",
            f"{moment(unit.get('started'))} on {one_line(unit.get('bench'))}"
            + (f" by {one_line(unit['by'])}" if unit.get("by") else "")
            + (f", test {attempt} of this unit" if attempt > 1 else ""),
        ),
    ]


def _measured(verdict: Data) -> Block:
    found = verdict.get("measured") or {}
    rows = [_row(one, found.get(one["id"]) or {}) for one in verdict.get("characteristics") or ()]
    head = ("characteristic", "value", "U", "k", "limits", "probability of conformity", "outcome")
    return table(head, rows, (3.5, 1.4, 1.1, 0.6, 2.1, 1.5, 1.5))


def _row(one: Data, measured: Data) -> tuple[str, ...]:
    unit = one_line(one.get("unit"))
    value = number(measured.get("value", one.get("value")))
    outcome = OUTCOMES.get(str(one.get("outcome")), one_line(one.get("outcome")))
    if value is None:
        return one["title"], "not measured", "", "", limits_words(one, unit), "", outcome
    spread, k = number(measured.get("expanded_uncertainty")), number(measured.get("coverage_factor"))
    places = places_of(spread)
    p = number(one.get("probability_of_conformity"))
    return (
        one["title"], f"{fixed(value, places)} {unit}", "not known" if spread is None else f"{fixed(spread, places)} {unit}",
        "" if k is None else f"{k:.2g}" if k < 10 else plain(k), limits_words(one, unit), "not known" if p is None else probability(p),
        outcome,
    )  # fmt: skip


def probability(p: float) -> str:
    """A probability of conformity as per cent; never certain."""
    return "over 99.99 %" if p > 0.9999 else "under 0.01 %" if p < 0.0001 else f"{100 * p:.2f} %"


def _coverage(verdict: Data) -> str:
    if not any(one.get("expanded_uncertainty") is not None for one in (verdict.get("measured") or {}).values()):
        return "The uncertainty of the instruments is not on record."
    return (
        "U is the expanded uncertainty of the measured value: the combined standard uncertainty (JCGM 100) times the coverage factor k, "
        "for a coverage probability of about 95 %."
    )  # fmt: skip


def _programs(data: Data) -> str:
    """What judged the unit, and what made this paper where it is another."""
    judged, made = one_line((data.get("verdict") or {}).get("program")), program_words(data.get("program"))
    return f"judged by {judged}, this paper made by {made}" if judged else made


def _attempts(attempts: Sequence[Data], unit: Data) -> Iterator[Block]:
    """Every test of the unit in this lot, where there was more than one."""
    if len(attempts) < 2:
        return
    yield heading(2, "All tests of this unit in the lot, newest first")
    rows = [
        (
            stamp(one.get("started")), VERDICTS.get(str(one.get("verdict")), "not judged"), one.get("title"), one.get("bench"), one.get("by"),
            one.get("run"),
        )
        for one in attempts[:MOST_ATTEMPTS]
    ]  # fmt: skip
    yield table(("UTC", "verdict", "failure mode", "bench", "by", "run"), rows, (1.8, 1.3, 2.4, 1.3, 1.5, 2.4))
    if len(attempts) > MOST_ATTEMPTS:
        yield text(f"{len(attempts) - MOST_ATTEMPTS} earlier tests are in the journal.", "small")


def _instruments(instruments: Sequence[Data]) -> Block:
    rows = [
        (
            one.get("name"), clipped(one.get("identity") or "none given", 70),
            f"{one_line(one['calibration_due'])}" if one.get("calibration_due") else "not known",
        )
        for one in instruments[:MOST_INSTRUMENTS]
    ]  # fmt: skip
    return table(("instrument", "identity", "calibration due"), rows or [("none on record", "", "")], (1.6, 5, 1.8))


def _does_not_say(data: Data) -> Iterator[str]:
    yield "It is of this one unit, at the time, speeds and loads of its test, and of the characteristics above alone; nothing else was tested."
    yield "It is no promise of how long the unit will work, and no calibration certificate of any instrument."
    if data["unit"].get("verdict") != "pass":
        yield "A characteristic that passed here does not make the unit one that conforms."
    else:
        yield "A passed characteristic may yet lie beyond its limit, with at most the risk that the rule accepts."
    yield "What counts is the record in the journal: its digest shows whether this sheet and the record agree (benchd verify)."
