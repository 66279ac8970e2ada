"""What a command, a screen or a form may ask about lots. One door to the journal here, one to a daemon; both alike.

A lot, a check standard and a gauge study are all a `series`: tests of units of one part, with records of their own in the
journal. `kind` is 'lot', 'standard' or 'study'. Everything is JSON-ready. Times are UTC, ISO 8601.

Entry of a list:
    {"lot", "kind", "state": "open" | "closed", "part": number, "title", "opened", "closed", "tests", "units"}

Body of one ("lot body"):
    the entry, and {"opened_by", "customer", "planned": number of units or None, "plan": text of the sampling plan or "",
     "spec": the part's file parsed, "spec_text", "closed_by", "closed_reason",
     "counts": {"units", "passed", "failed", "undecided", "void", "open", "retests", "first_passed"},
     "modes": [{"mode", "title", "units"}], "last": [the 20 newest tests: TEST], "now": [TEST that are under way],
     "benches": [GATE of every bench that a daemon serves, or that tested units of it; of a closed lot as it was then],
     "doubtful": [what of a lot is to be tested again: DOUBT], "records": [its records, see below: the first and the newest 499]}
    a standard also {"references": {id: {"value", "expanded_uncertainty"}}, "every_hours", "baseline"},
    a study also {"design": {"units", "raters", "by": "person" | "bench", "trials", "seed", "order": [[serial, rater, trial]]},
     "left": [trials that were not judged yet, in order], "next": [the first of those of every rater]}

DOUBT: {"bench", "standard", "since": end of its last good check or None, "found": start of the bad one, "until": start of the next good
        one or None, "units": how many were judged in between and not again since, "serials": [the first 200], "says"}

TEST: {"serial", "run", "run_no", "attempt", "verdict" (None: under way), "mode", "title" (of the mode), "bench", "by", "started",
       "ended", "status", "measured": {id: {"value", "u"}}}

GATE, whether a bench may judge lots of this part today:
    {"bench", "part", "fit": bool, "reasons": [sentence: which rule broke, what is overdue], "do": [sentence: what to check],
     "standards": [{"standard", "last": time or None, "due": time, "in_control": bool, "says"}],
     "instruments": [{"name", "calibration_due", "overdue"}]}

ANSWER to a scan:
    {"action": "test" | "ask" | "refuse", "serial", "why": sentence for the screen, "attempt": number this test would have,
     "history": [{"lot", TEST...}] every earlier test of this serial in any lot, newest first}
    and "not_fit": true where it is refused because the bench may not judge lots today.
    'ask': it was judged in this lot already; the same serial scanned again (`again`) is a retest, counted and shown.

Records of a lot in the journal, append-only, hashed like those of a work order: {"kind", "seq", "at_ns", "after_run_no", "by"} and
    lot-opened   lot, lot_kind, part, title, spec_text, ids [characteristics], planned, plan, customer; references, every_hours,
                 baseline of a standard; design of a study
    lot-note     text
    lot-retest   serial, why: somebody wanted a unit tested again
    lot-refused  serial, bench, why: a scan that no test followed
    lot-cleared  bench, text, adjusted: of a standard: the cause of a signal was found and put right; what is measured after it counts
                 afresh, and where an instrument was adjusted the bench's chart is made anew
    lot-closed   reason; gates [GATE of the benches that tested units of it]

Errors: NotFoundError, BusyError (closed; being tested on another bench), UsageError (says what makes no sense), ConfigError,
StoreError, NotFitError (the bench may not judge lots; its text holds GATE's reasons and what to do).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from benchd.errors import UsageError

LONGEST_SERIAL = 64
LONGEST_NAME = 64
KINDS = ("lot", "standard", "study")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


def serial_of(text: str) -> str:
    """A scanned serial number as it is kept: a scanner's line end is no part of it. UsageError if it is empty, too long, or holds
    what cannot be seen."""
    found = text.strip(" \t\r\n")
    if not found:
        raise UsageError("an empty scan: nothing was read; scan the label again")
    if not found.isprintable():
        raise UsageError(
            f"{found[:40]!r} holds signs that cannot be seen: the label or the scanner's set-up is damaged; scan again or type it"
        )
    if len(found) > LONGEST_SERIAL:
        raise UsageError(
            f"{found[:24]!r}... is {len(found)} signs long, a serial number at most {LONGEST_SERIAL}: two scans in one?"
        )
    return found


def name_of(text: str) -> str:
    """The name of a lot, a standard or a study: it stands in addresses, file names and tags. UsageError."""
    found = text.strip()
    if not _NAME.fullmatch(found) or len(found) > LONGEST_NAME:
        raise UsageError(
            f"{text[:64]!r} is no name of a lot: letters, digits, '.', '-' and '_', a letter or digit first, at most "
            f"{LONGEST_NAME} characters"
        )
    return found


@dataclass(frozen=True, slots=True)
class NewLot:
    """`part`: name or path of a regulator file (a daemon takes names it knows), or `spec_toml` its text. `lot` '' lets the journal
    choose: the part's number and a running number. `plan`: a sampling plan by its words (see core/lots/sampling.py), '' = all
    units are tested."""

    kind: str = "lot"
    lot: str = ""
    part: str = ""
    spec_toml: str | None = None
    title: str = ""
    customer: str = ""
    planned: int | None = None
    plan: str = ""
    by: str = ""
    references: Mapping[str, tuple[float, float | None]] = field(
        default_factory=dict
    )  # of a standard: value, expanded U
    every_hours: float | None = None
    baseline: int | None = None
    units: Sequence[str] = ()  # of a study
    raters: Sequence[str] = ()
    rated_by: str = "person"
    trials: int = 3
    seed: int | None = None


class LotDoor(Protocol):
    def lots(
        self, kind: str | None = None, state: str | None = None, part: str | None = None, limit: int = 50
    ) -> list[dict[str, Any]]:
        """The newest first."""

    def lot(self, lot: str) -> dict[str, Any]:
        """The lot body."""

    def open(self, wanted: NewLot) -> dict[str, Any]:
        """A new one; its body."""

    def scan(self, lot: str, text: str, bench: str, *, again: bool = False, by: str = "") -> dict[str, Any]:
        """What is to be done with what a scanner read. A refusal, and a retest that was wanted, are kept as records."""

    def note(self, lot: str, text: str, by: str = "") -> dict[str, Any]: ...

    def cleared(self, lot: str, bench: str, text: str, *, adjusted: bool = False, by: str = "") -> dict[str, Any]:
        """Of a check standard: the cause of a signal on a bench was found, and put right as `text` says."""

    def close(self, lot: str, reason: str = "", by: str = "") -> dict[str, Any]:
        """No more tests. UsageError while one is under way."""

    def gate(self, bench: str, part: str) -> dict[str, Any]: ...

    def report(self, lot: str) -> dict[str, Any]:
        """{"lot": entry and head, "report": core.lots.report, "gates": [GATE], "doubtful": [DOUBT], "digest", "shop", "made": time,
        "program": versions}; of a study {"lot", "design", "left", "characteristics": [core.lots.gauge_study, and id, title, unit,
        limits]}; of a standard {"lot", "benches": [its charts on each: see benchd/lots/reports.py], "gates"}."""

    def certificate(self, lot: str, serial: str) -> dict[str, Any]:
        """{"lot", "unit": TEST, "attempts": [TEST], "verdict": the verdict object of its last judged run, "spec", "rule",
        "instruments", "digest": the run's in the journal, "doubtful": [DOUBT of this unit], "program", "made"}. NotFoundError if it was not judged."""

    def paper(self, lot: str, what: str, form: str) -> bytes:
        """`what`: 'report', or 'unit:SERIAL' for a certificate; `form` 'pdf' or 'html'."""

    def label(self, lot: str, serial: str, symbol: str, form: str) -> bytes:
        """`symbol` 'code128' or 'datamatrix', `form` 'svg', 'png', 'pdf' or 'txt'."""

    def export(self, lot: str, form: str) -> bytes:
        """'csv' or 'parquet', one row a test; the columns stand in configs/guide/lots.md."""
