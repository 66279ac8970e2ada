"""One visit of one machine, from the complaint to the proof: a fold over its work order's records and its runs.

An order is a chain of records, kept in the journal beside the runs, each {"kind": KIND, ...body}, JSON-ready. All have
`seq` (from 1 in every order), `at_ns` (UTC, nanoseconds), `by` (who wrote it) and `after_run_no`: the number of the
newest run that the journal knew when it was written. Runs are numbered in the order of their opening, so what came
first is told by numbers and not by clocks, which may be put back.

    order-opened     work_order, machine, spec_text, spec_file, unit, customer, complaint, versions
    order-answer     question, outcome (one of the question's; None = skipped: as if never asked), note
    order-finding    check, outcome (None taken back), note, photos [{file, sha256, bytes}]
    order-note       text
    order-repair     repair (an id of the causes file or ''), did, mends [cause ids], touches [parts], parts
                     [{name, number, serial}], minutes
    order-closed     proven (bool), reason (why without proof), missing [sentences], runs [ids that prove it],
                     causes [cause ids that the repairs named]

`touches` holds words of PARTS. A closed order takes no more records.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

#: What a repair can have touched; 'stator' asks for a stator run as proof as well.
PARTS = ("battery", "stator", "regulator", "wiring", "starting", "engine", "use")


@dataclass(frozen=True, slots=True)
class Observed:
    """An answer, a finding or what a run came to, as evidence. `run` is '' where no run was made."""

    at: tuple[int, int]  # (run number, seq): sorts among records and runs of the same order
    item: str  # a question's, a look's or a test's id in the causes file
    outcome: str
    run: str = ""


@dataclass(frozen=True, slots=True)
class Mended:
    """A repair, as evidence: from here on these causes are gone, if it was done right."""

    at: tuple[int, int]
    mends: tuple[str, ...]
    touches: tuple[str, ...]
    repair: str = ""


@dataclass(frozen=True, slots=True)
class Proof:
    """Whether the machine is proven fixed. `missing`: what is still to be done, a sentence each; `runs` prove it."""

    proven: bool
    missing: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return {"proven": self.proven, "missing": list(self.missing), "runs": list(self.runs)}


@dataclass(slots=True)
class Visit:
    """An order as its records tell it. `runs` are the journal's list entries with `run_no`, oldest first."""

    opened: Mapping[str, Any] = field(default_factory=dict)
    answers: list[Mapping[str, Any]] = field(default_factory=list)
    findings: list[Mapping[str, Any]] = field(default_factory=list)
    notes: list[Mapping[str, Any]] = field(default_factory=list)
    repairs: list[Mapping[str, Any]] = field(default_factory=list)
    closed: Mapping[str, Any] | None = None
    runs: list[Mapping[str, Any]] = field(default_factory=list)

    @property
    def work_order(self) -> str:
        return str(self.opened.get("work_order", ""))

    @property
    def state(self) -> str:
        """'open', 'proven' or 'closed without proof'."""
        if self.closed is None:
            return "open"
        return "proven" if self.closed["proven"] else "closed without proof"

    def is_foreign(self, run: Mapping[str, Any]) -> bool:
        """Whether a run that was given this number is of another machine: by the machine file's name, or the serial."""
        pairs = ((run.get("spec"), self.opened.get("machine")), (run.get("unit"), self.opened.get("unit")))
        return any(one and other and one != other for one, other in pairs)

    def answer(self, question: str) -> str | None:
        """The newest answer to a question; None while it is open or was skipped."""
        return next((str(one["outcome"]) for one in reversed(self.answers) if _said(one, "question", question)), None)


def _said(record: Mapping[str, Any], key: str, id: str) -> bool:
    return record.get(key) == id and record.get("outcome") is not None


_LISTS = {
    "order-answer": "answers",
    "order-finding": "findings",
    "order-note": "notes",
    "order-repair": "repairs",
}


def fold(records: Iterable[Mapping[str, Any]], runs: Iterable[Mapping[str, Any]] = ()) -> Visit:
    """The visit that an order's records tell, with its runs. Unknown kinds (a newer benchd's) are passed over."""
    visit = Visit(runs=sorted(runs, key=lambda run: int(run["run_no"])))
    for record in records:
        kind = str(record["kind"])
        if kind == "order-opened":
            visit.opened = record
        elif kind == "order-closed":
            visit.closed = record
        elif kind in _LISTS:
            getattr(visit, _LISTS[kind]).append(record)
    return visit


def proof(visit: Visit) -> Proof:
    """Proven only by a regulator run that passed after the last repair, and by a stator run that passed after the
    last repair that touched the stator. A new battery alone proves nothing of the charging system.

    Runs of another machine that was given this number, and those made before the order was opened, prove nothing; and
    nothing is proven while what a run found since the last repair stands. Of a closed order it is what was found when it
    was closed: no later program takes a proof back, or gives one.
    """
    if visit.closed is not None:
        told = visit.closed
        return Proof(told.get("proven") is True, tuple(told.get("missing") or ()), tuple(told.get("runs") or ()))
    opened = int(visit.opened.get("after_run_no", 0))
    last = max([opened, *(int(one["after_run_no"]) for one in visit.repairs)])
    stator = [int(one["after_run_no"]) for one in visit.repairs if "stator" in one.get("touches", ())]
    wanted = [("regulator", last)] + ([("stator", max(stator))] if stator else [])
    runs = [one for one in visit.runs if not visit.is_foreign(one)]
    missing, proving = [], []
    for procedure, after in wanted:
        run = _newest_judged(runs, procedure)
        if run is not None and int(run["run_no"]) > after and run["verdict"] == "pass":
            proving.append(str(run["run"]))
        else:
            missing.append(_missing(procedure, run, after, bool(visit.repairs)))
    asked = [procedure for procedure, _ in wanted]
    missing += [_stands(one) for one in _failed_since(runs, last) if one["procedure"] not in asked]
    if missing:
        missing += [_other(one) for one in visit.runs if visit.is_foreign(one) and one["procedure"] in asked]
    if any(one["status"] is None for one in visit.runs):
        missing.append("A run of this order is still open: let it end.")
    return Proof(not missing, tuple(missing), tuple(proving))


def _failed_since(runs: Sequence[Mapping[str, Any]], last: int) -> list[Mapping[str, Any]]:
    """Of each procedure the newest judged run since the last repair, if it failed. A battery that had to be charged is
    no fault that is left."""
    newest = {str(one["procedure"]): one for one in runs if one["status"] == "judged" and int(one["run_no"]) > last}
    return [one for one in newest.values() if one["verdict"] == "fail" and one.get("finding") != "discharged"]


def _stands(run: Mapping[str, Any]) -> str:
    return f"The newest {run['procedure']} run came to fail and nothing was repaired since: repair it, or run it again."


def _other(run: Mapping[str, Any]) -> str:
    unit = f", serial {run['unit']}" if run.get("unit") else ""
    return (
        f"The {run['procedure']} run {run['run']} is of another machine ({run['spec']}{unit}): it proves nothing here."
    )


def _newest_judged(runs: Sequence[Mapping[str, Any]], procedure: str) -> Mapping[str, Any] | None:
    """The newest run of a procedure; one that was cut short counts too, so that a pass before it does not stand."""
    return next((one for one in reversed(runs) if one["procedure"] == procedure and one["status"] is not None), None)


def _missing(procedure: str, run: Mapping[str, Any] | None, after: int, repaired: bool) -> str:
    since = " after the last repair" if repaired else " since the order was opened" if run is not None else ""
    if procedure == "stator" and repaired:
        since = " after the repair of the stator"
    if run is None or int(run["run_no"]) <= after:
        return f"No {procedure} run was made{since}."
    if run["status"] != "judged":
        return f"The newest {procedure} run was cut short ({run['status']}): it proves nothing."
    return f"The newest {procedure} run came to {run['verdict']}, not to pass."
