"""What the tests of lots share: a small part, and runs of units with the numbers that a test gives them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from benchd.journal import Journal
from benchd.lots.door import NewLot
from benchd.lots.service import Lots

OR9 = (Path(__file__).parents[2] / "configs" / "regulators" / "vantry-or9.toml").read_text(encoding="utf-8")
START = datetime(2031, 3, 3, 6, 0, tzinfo=UTC)  # after the lots are opened, which is now
#: A good OR-9.
GOOD = {"leakage": 0.2, "set-point-light": 14.3, "greatest-output": 9.1, "ceiling": 14.8}
REFERENCES = {"set-point-light": (14.3, 0.02), "greatest-output": (9.1, 0.1)}
#: Of a good bench: nothing that any rule takes for a signal.
NOISE = (0.0, 0.003, -0.002, 0.001, -0.003, 0.002, -0.001, 0.003, -0.003, 0.001, 0.002, -0.002)


def judged(
    journal: Journal,
    lot: str,
    serial: str,
    values: Mapping[str, float] | None = None,
    *,
    at: datetime = START,
    bench: str = "rig 1",
    verdict: str = "pass",
    mode: str = "",
    u: float | None = 0.005,
    **more: Any,
) -> str:
    """A unit's test that began at `at`, took a minute and ended as told; its run. `more` goes into the run-opened record."""
    opened = {"procedure": "unit", "bench": bench, "machine": "Vantry OR-9", "unit": serial, "lot": lot}
    writer = journal.open_run(opened | {"started": at.isoformat(timespec="milliseconds"), "by": "Tomas Rue"} | more)
    measured = {
        id: {"value": value, "unit": "V", "expanded_uncertainty": None if u is None else 2 * u, "coverage_factor": 2.0}
        for id, value in (GOOD | dict(values or {})).items()
    }
    body = {"kind": "verdict", "procedure": "unit", "verdict": verdict, "finding": mode, "suspect": "none"}
    ended = (at + timedelta(minutes=1)).isoformat(timespec="milliseconds")
    writer.append(body | {"measured": {} if verdict == "void" else measured, "ended": ended, "duration_s": 60.0})
    writer.close({"status": "aborted" if verdict == "void" else "judged", "reason": "", "counts": {}})
    return writer.run


def good_bench(lots: Lots, bench: str = "rig 1", at: datetime = START, name: str = "REF-1", **more: Any) -> str:
    """A check standard that agrees with its reference values on this bench; its name."""
    if not any(one["lot"] == name for one in lots.lots("standard")):
        lots.open(NewLot("standard", name, spec_toml=OR9, references=REFERENCES, **more))
    judged(lots.journal, name, name, at=at, bench=bench)
    return name


def new_lot(lots: Lots, name: str = "OR9-1", **more: Any) -> str:
    return str(lots.open(NewLot(lot=name, spec_toml=OR9, by="Ines Calder", **more))["lot"])
