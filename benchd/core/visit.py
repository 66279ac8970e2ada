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
    last repair that touched the stator. A new battery alone proves nothing of the charging system."""
    last = max((int(one["after_run_no"]) for one in visit.repairs), default=0)
    stator = [int(one["after_run_no"]) for one in visit.repairs if "stator" in one.get("touches", ())]
    wanted = [("regulator", last)] + ([("stator", max(stator))] if stator else [])
    missing, proving = [], []
    for procedure, after in wanted:
        run = _newest_judged(visit.runs, procedure)
        if run is not None and int(run["run_no"]) > after and run["verdict"] == "pass":
            proving.append(str(run["run"]))
        else:
            missing.append(_missing(procedure, run, after, bool(visit.repairs)))
    if any(one["status"] is None for one in visit.runs):
        missing.append("A run of this order is still open: let it end.")
    return Proof(not missing, tuple(missing), tuple(proving))


def _newest_judged(runs: Sequence[Mapping[str, Any]], procedure: str) -> Mapping[str, Any] | None:
    """The newest run of a procedure; one that was cut short counts too, so that a pass before it does not stand."""
    return next((one for one in reversed(runs) if one["procedure"] == procedure and one["status"] is not None), None)


def _missing(procedure: str, run: Mapping[str, Any] | None, after: int, repaired: bool) -> str:
    since = " after the last repair" if repaired else ""
    if procedure == "stator" and repaired:
        since = " after the repair of the stator"
    if run is None or int(run["run_no"]) <= after:
        return f"No {procedure} run was made{since}."
    if run["status"] != "judged":
        return f"The newest {procedure} run was cut short ({run['status']}): it proves nothing."
    return f"The newest {procedure} run came to {run['verdict']}, not to pass."
