"""One run in the technical part: verdict, reasons, measured values, curve, instruments, program, digest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from benchd_dashboards.paper import figures
from benchd_dashboards.paper.customer import alt
from benchd_dashboards.paper.findings import finding_blocks
from benchd_dashboards.paper.limits import BESIDE_LIMITS, limit_line
from benchd_dashboards.paper.sheet import Block, facts, figure, heading, items, keep, table, text
from benchd_dashboards.paper.words import (
    VERDICTS,
    clean,
    joined,
    limit,
    moment,
    number,
    one_line,
    percent,
    quantity,
    titled,
)

Data = Mapping[str, Any]


def run_blocks(place: int, run: Data, kept: Data, proving: bool) -> list[Block]:
    """Everything that is known of a run. `run` is its entry in the visit body, `kept` what the journal holds of it."""
    verdict = kept.get("verdict") or {}
    word = VERDICTS.get(str(run.get("verdict")), f"NO VERDICT ({one_line(run.get('status') or 'open')})")
    title = f"Run {place}: {one_line(run.get('procedure'))}, {word}"
    head = [heading(2, title + (", the proof" if proving else "")), facts(_facts(run, kept))]
    reasons = [clean(one) for one in verdict.get("reasons") or run.get("reasons") or ()]
    said = [items(reasons)] if reasons else []
    blocks: list[Block] = [
        keep([*head, *said]) if len(reasons) < 12 else keep(head),
        *([] if len(reasons) < 12 else said),
    ]
    blocks += _curve(run, kept, verdict)
    blocks += _measured(verdict or run)
    blocks += finding_blocks(verdict)
    blocks += _limits(verdict)
    blocks += _answers(kept)
    blocks += _instruments(kept)
    return blocks


def _facts(run: Data, kept: Data) -> Iterator[tuple[str, object]]:
    opened, verdict = kept.get("opened") or {}, kept.get("verdict") or {}
    suspects = [one_line(one) for one in verdict.get("suspects") or () if one != "none"]
    suspect = one_line(run.get("suspect") or "none")
    yield "Run", run.get("run")
    yield (
        "Made",
        f"{moment(run.get('started'))}, {one_line(run.get('bench'))}"
        + (f", asked for by {one_line(opened['asked_by'])}" if opened.get("asked_by") else ""),
    )
    if run.get("verdict"):
        yield "Suspect", joined(suspects, "or") if len(suspects) > 1 else suspect
        found = run.get("finding")
        yield "Found", titled(found) if found and found != verdict.get("ended_because") else ""
        yield "As evidence", run.get("text")
    yield "Ended", _ended(run, kept)
    rpm = verdict.get("rpm")
    if isinstance(rpm, Mapping) and number(rpm.get("mean")) is not None:
        yield "Engine speed", f"{rpm['mean']:.0f} rpm ({rpm['min']:.0f} to {rpm['max']:.0f})"
    yield "Next step said", verdict.get("next_step")
    yield "Cautions", "\n".join(clean(one) for one in verdict.get("cautions") or ())
    yield "Decided by", _rule(verdict)
    yield "Program", _program(kept)
    yield (
        "Journal digest",
        f"{one_line(kept['digest'])} (after {kept.get('records')} records)" if kept.get("digest") else "",
    )


def _ended(run: Data, kept: Data) -> str:
    verdict, closed = kept.get("verdict") or {}, kept.get("closed") or {}
    said = one_line(
        verdict.get("ended_because") or closed.get("reason") or run.get("status") or "not yet: the run is open"
    )
    duration = number(verdict.get("duration_s"))
    if duration is not None:
        said += f", after {figures.clock(duration)} ({verdict.get('samples')} samples)"
    if run.get("status") not in (None, "judged"):
        said += f"; {one_line(run['status'])}"
    return said


def _rule(verdict: Data) -> str:
    return one_line(verdict.get("decision_rule"))


def _program(kept: Data) -> str:
    versions = (kept.get("opened") or {}).get("versions") or {}
    return ", ".join(
        f"{one_line(name)} {one_line(version)}"
        for name, version in versions.items()
        if name in ("benchd", "python", "numpy", "scipy")
    )


def _curve(run: Data, kept: Data, verdict: Data) -> Iterator[Block]:
    panels = figures.panels_of(str(run.get("procedure")), kept.get("curve") or {}, verdict)
    if panels:
        height = 0.45 + sum(1.25 * one.share for one in panels)
        yield figure(figures.curves(panels, height), f"Curves of run {run.get('run')}: {alt(panels)}")


def _measured(verdict: Data) -> Iterator[Block]:
    measured = verdict.get("measured") or {}
    rows = []
    for name, one in measured.items():
        if not isinstance(one, Mapping) or (name.startswith("joint_") and verdict.get("joints")):
            continue  # the joints have a table of their own
        factor, chance = number(one.get("coverage_factor")), number(one.get("probability_of_conformity"))
        known = factor is not None and one.get("expanded_uncertainty") is not None
        value = quantity(one) if known else f"{quantity(one)} (uncertainty not known)"
        rows.append((titled(name), value, f"{factor:.3g}" if known else "", "" if chance is None else percent(chance)))
    if rows:
        yield table(("measured", "value and expanded uncertainty", "k", "probably within limits"), rows, (4, 5, 1, 3))


def _limits(verdict: Data) -> Iterator[Block]:
    limits = verdict.get("limits") or {}
    said = [
        limit_line(str(name), value, limits)
        for name, value in limits.items()
        if limit(value) and name not in BESIDE_LIMITS and not name.endswith("_from")
    ]
    if said:
        yield text(f"Judged by: {'; '.join(said)}.", "small")


def _answers(kept: Data) -> Iterator[Block]:
    answers = [one for one in kept.get("answers") or () if one.get("answer") not in (None, "", "done")]
    if answers:
        yield table(
            ("asked during the run", "answer"), [(one.get("text"), one.get("answer")) for one in answers], (6, 3)
        )
    marks = list(kept.get("marks") or ())
    if marks:
        yield text(
            "Marked: " + "; ".join(f"{figures.clock(float(one['t_s']))} {one_line(one['text'])}" for one in marks),
            "small",
        )


def _instruments(kept: Data) -> Iterator[Block]:
    instruments = list(kept.get("instruments") or ())
    rows = [
        (
            one.get("name"),
            one.get("driver"),
            one.get("identity") or "did not say",
            one.get("calibration_due") or "no date given",
        )
        for one in instruments
    ]
    if rows:
        yield table(("instrument", "driver", "what it said it is", "calibration due"), rows, (2.5, 2, 5, 2.2))
    for one in (kept.get("opened") or {}).get("warnings") or ():
        yield text(one, "small")
