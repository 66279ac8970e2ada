"""What a command, a screen or a form may ask about visits. One door to the journal here, one to a daemon; both alike.

Everything is JSON-ready. The body of one visit ("visit body"):

    {"work_order", "state": "open" | "proven" | "closed without proof", "machine", "unit", "customer", "complaint",
     "opened", "opened_by", "closed", "closed_reason", "spec": the machine file parsed, "spec_text",
     "answers":  [{"at", "by", "question", "ask", "outcome", "text", "note"}],          newest last; outcome None = skipped
     "findings": [{"at", "by", "check", "title", "outcome", "text", "note", "photos": [{"file", "sha256", "bytes"}]}],
     "notes":    [{"at", "by", "text"}],
     "repairs":  [{"at", "by", "repair", "title", "did", "mends", "touches", "parts": [{"name","number","serial"}],
                   "minutes"}],
     "runs":     [{"run", "run_no", "procedure", "status", "verdict", "suspect", "finding", "bench", "started", "ended",
                   "reasons", "measured", "item", "outcome", "text"}],    item/outcome: what it means as evidence, or ""
     "proof":    {"proven", "missing", "runs"},
     "ranking":  core.causes.answers.Ranking.to_json(),
     "plan":     core.causes.answers.Plan.to_json(),
     "log":      all of the above in order of time: [{"at", "by", "what": "answer"|"finding"|..., "line": a sentence}]}

An entry of the list: {"work_order", "state", "machine", "unit", "customer", "complaint", "opened", "closed", "runs"}.
Answers, findings and repairs also have `after_run_no` and `seq` as in core/visit.py. A run of another machine that was
given the order's number has "foreign": true and says nothing. Times are UTC, ISO 8601. Errors: NotFoundError (no such order, question, check), BusyError (the order is closed),
UsageError (something given makes no sense; says what), ConfigError, StoreError.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from benchd.errors import UsageError
from benchd.plaintext import one_line as one_line
from benchd.plaintext import plain_text as plain_text

LONGEST_LINE = 128
_NUMBER = re.compile(r"[^/.\x00-\x1f\x7f-\x9f][^/\x00-\x1f\x7f-\x9f]*")


def number_of(work_order: str) -> str:
    """A work order's number as it is kept. UsageError if it cannot stand in an address."""
    found = work_order.strip()
    if not _NUMBER.fullmatch(found) or len(found) > LONGEST_LINE:
        raise UsageError(
            f"{work_order[:64]!r} is no number of a work order: letters, digits and signs, no slash, no dot in front, at "
            f"most {LONGEST_LINE} characters"
        )
    return found


def new_number(work_order: str) -> str:
    """The same for an order that is opened: it can also be seen, and typed again."""
    if not work_order.isprintable():
        raise UsageError(
            f"{work_order[:64]!r} is no number of a work order: it holds signs that cannot be seen; type it anew"
        )
    return number_of(work_order)


@dataclass(frozen=True, slots=True)
class NewVisit:
    """`machine`: the name or path of a machine file (a daemon takes names it knows), or `spec_toml` its text.
    `work_order` '' lets the journal choose the next free number."""

    machine: str = ""
    spec_toml: str | None = None
    complaint: str = ""
    unit: str = ""
    customer: str = ""
    work_order: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class NewRepair:
    """`repair`: an id of the causes file, or '' with `did` in words, then `mends` and `touches` say what it was for."""

    repair: str = ""
    did: str = ""
    mends: tuple[str, ...] = ()
    touches: tuple[str, ...] = ()
    parts: tuple[dict[str, str], ...] = field(default_factory=tuple)
    minutes: float | None = None
    by: str = ""


class VisitDoor(Protocol):
    def visits(
        self, state: str | None = None, unit: str | None = None, machine: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        """The newest first."""

    def visit(self, work_order: str, by: str = "minutes") -> dict[str, Any]:
        """The visit body, its plan sparing minutes or cost (`by`)."""

    def open(self, wanted: NewVisit) -> dict[str, Any]:
        """A new order; its visit body."""

    def answer(
        self, work_order: str, question: str, outcome: str | None, note: str = "", by: str = ""
    ) -> dict[str, Any]:
        """Answer a question, or skip it (None)."""

    def find(
        self,
        work_order: str,
        check: str,
        outcome: str | None,
        note: str = "",
        photos: Sequence[str] = (),
        by: str = "",
    ) -> dict[str, Any]:
        """What a look at the machine, or a test by hand, came to. `photos`: paths of files, copied and kept."""

    def note(self, work_order: str, text: str, by: str = "") -> dict[str, Any]: ...

    def repair(self, work_order: str, done: NewRepair) -> dict[str, Any]: ...

    def close(self, work_order: str, reason: str = "", by: str = "") -> dict[str, Any]:
        """Close it: as proven if its proof is complete, else only with a reason. UsageError lists what is missing."""

    def report(self, work_order: str, form: str) -> bytes:
        """The paper of the visit, `form` 'pdf' or 'html'."""

    def knowledge(self) -> dict[str, Any]:
        """{"questions": [item], "looks": [item], "tests": [item], "repairs": [...], "causes": [...], "sources"}; an item:
        {"id", "kind", "text", "minutes", "cost", "run", "how", "caution", "tools", "origin", "right",
        "outcomes": [{"id", "text", "means"}]}."""
