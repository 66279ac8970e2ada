"""Judging what was kept: a recorded trace, or a run in the journal, driven through the same procedure as a live run.

Nothing here decides anything: the procedure does. This module feeds it in order, stops at its decision and completes
the verdict into the object that outsiders rely on (one place for live runs, traces and runs judged again).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from benchd import __version__
from benchd.core import procedures
from benchd.core.events import Answer, sample_of_record
from benchd.core.procedures import Procedure
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.verdicts import EXIT_CODES, WORST_LAST, Outcome, Suspect, Verdict

RECORDING_ENDED = "the recording ended"
STOPPED = "stopped by the operator"
INTERRUPTED = "benchd was interrupted"


def judge_trace(
    procedure_name: str,
    samples: Iterable[Sample],
    spec: MachineSpec,
    metrology: Metrology,
    *,
    earlier: Mapping[str, str] | None = None,
    timing: Mapping[str, float] | None = None,
) -> Verdict:
    """The verdict on recorded samples. Reading stops at the decision, so a trace may go on after its run."""
    procedure = procedures.make(procedure_name, spec, metrology, earlier, **(timing or {}))
    return drive(procedure, samples, RECORDING_ENDED)


def judge_records(
    records: Iterable[Mapping[str, Any]],
    procedure_name: str,
    spec: MachineSpec,
    metrology: Metrology,
    *,
    earlier: Mapping[str, str] | None = None,
    timing: Mapping[str, float] | None = None,
) -> Verdict:
    """The verdict on a run's journal records: its samples and the operator's answers, in their order.

    A run that was cut short stays void, unless its samples decide by themselves (a crash just before the verdict).
    """
    procedure = procedures.make(procedure_name, spec, metrology, earlier, **(timing or {}))
    procedure.opening()
    closed: Mapping[str, Any] = {}
    for body in records:
        if body["kind"] == "run-closed":
            closed = body
        elif body["kind"] in ("sample", "answer"):
            _feed(procedure, body)
    if procedure.verdict is not None:
        return procedure.verdict
    because = str(closed.get("reason") or INTERRUPTED)
    verdict = finished(procedure, RECORDING_ENDED if closed.get("status") == "judged" else because)
    return verdict if closed.get("status") == "judged" else voided(verdict, because)


def _feed(procedure: Procedure, body: Mapping[str, Any]) -> None:
    if body["kind"] == "sample":
        procedure.feed(sample_of_record(body))
    else:
        procedure.feed(Answer(int(body["t_ns"]), str(body["id"]), str(body["text"])))


def drive(procedure: Procedure, items: Iterable[Sample | Answer], because: str) -> Verdict:
    """Feed a procedure up to its decision; where it makes none, it finishes `because`."""
    procedure.opening()
    for item in items:
        procedure.feed(item)
        if procedure.verdict is not None:
            return procedure.verdict
    return finished(procedure, because)


def finished(procedure: Procedure, because: str) -> Verdict:
    """The verdict on what there is, where no more will come."""
    procedure.finish(because)
    if procedure.verdict is None:
        raise RuntimeError(f"the {procedure.name} procedure finished without a verdict")
    return procedure.verdict


def voided(verdict: Verdict, because: str) -> Verdict:
    """The same verdict as void: a run that was cut short proves nothing, but what was measured is still told."""
    sentence = "The operator stopped the run." if because == STOPPED else f"The run was cut short: {because}."
    return replace(
        verdict,
        outcome=Outcome.VOID,
        suspect=Suspect.UNKNOWN,
        suspects=(Suspect.UNKNOWN,),
        reasons=(sentence, *(one for one in verdict.reasons if one != sentence)),
        ended_because=because,
    )


def contract(
    verdict: Verdict,
    *,
    run: str,
    spec: MachineSpec,
    started: str | None = None,
    ended: str | None = None,
    instruments: Iterable[Mapping[str, Any]] = (),
    bench: str | None = None,
    work_order: str | None = None,
    unit: str | None = None,
    notes: Iterable[str] = (),
) -> dict[str, Any]:
    """The verdict object of `--json` and of the journal. `notes` are sentences added to the reasons.

    Times are UTC, ISO 8601; None where a recording does not tell them.
    """
    said = verdict.to_json()
    return {
        "run": run,
        "procedure": said.pop("procedure"),
        "spec": spec.name,
        "verdict": said.pop("verdict"),
        "suspect": said.pop("suspect"),
        "suspects": said.pop("suspects"),
        "reasons": [*said.pop("reasons"), *notes],
        **said,
        "started": started,
        "ended": ended,
        "instruments": [dict(one) for one in instruments],
        "bench": bench,
        "work_order": work_order,
        "unit": unit,
        "program": f"benchd {__version__}",
    }


def worst(outcomes: Iterable[str]) -> Outcome:
    """The outcome that decides for several: fail before void before undecided before pass."""
    return max((Outcome(one) for one in outcomes), key=WORST_LAST.index, default=Outcome.PASS)


def exit_code(outcomes: Iterable[str]) -> int:
    """The exit code of a command that said these outcomes."""
    return EXIT_CODES[worst(outcomes)]
