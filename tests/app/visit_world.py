"""What the tests of visits share: a small knowledge of four causes, and orders with runs that were judged."""

from __future__ import annotations

from typing import Any

from benchd.core.causes.knowledge import Cause, Item, Knowledge, Outcome, Repair
from benchd.journal import Journal

OPENED = {"bench": "bay 1", "machine": "Hollin T18 garden tractor", "started": "2027-03-01T10:00:00+00:00"}


def _cause(id: str, system: str, frequency: float) -> Cause:
    return Cause(id, id.replace("-", " ").capitalize(), system, frequency, "estimate", f"See to the {system}.")


def _item(
    id: str, kind: str, outcomes: dict[str, tuple[str, ...]], given: dict[str, tuple[float, ...]], run: str = ""
) -> Item:
    made = tuple(Outcome(one, f"it is {one}", "", patterns) for one, patterns in outcomes.items())
    background = (0.9, *[0.1 / (len(made) - 1)] * (len(made) - 1))
    return Item(id, kind, f"What of {id}?", made, background, given, "estimate", 3.0, 0.0, run, right=0.9)


KNOWN = Knowledge(
    {
        one.id: one
        for one in (
            _cause("battery-discharged", "battery", 0.4),
            _cause("joint-loose", "wiring", 0.3),
            _cause("stator-open", "stator", 0.1),
            _cause("regulator-dead", "regulator", 0.2),
        )
    },
    {
        one.id: one
        for one in (
            _item("onset", "question", {"gradual": (), "sudden": ()}, {"regulator-dead": (0.2, 0.8)}),
            _item("holds-charge", "question", {"yes": (), "no": ()}, {"battery-discharged": (0.3, 0.7)}),
            _item("terminals", "look", {"good": (), "loose": ()}, {"joint-loose": (0.1, 0.9)}),
            _item(
                "load",
                "test",
                {"holds": ("pass",), "weak": ("fail",)},
                {"battery-discharged": (0.2, 0.8)},
                "load",
            ),
            _item(
                "regulator",
                "test",
                {
                    "good": ("pass",),
                    "no-output": ("fail", "fail/regulator"),
                    "joint": ("fail/joint",),
                    "too-high": ("fail/regulator/ceiling crossed", "*/*/stuck-on"),
                },
                {"regulator-dead": (0.05, 0.85, 0.05, 0.05), "joint-loose": (0.3, 0.1, 0.6, 0.0)},
                "regulator",
            ),
        )
    },
    {
        one.id: one
        for one in (
            Repair("new-battery", "New battery", ("battery-discharged",), ("battery",), 15.0, 80.0, "estimate"),
            Repair("clean-terminals", "Clean and tighten", ("joint-loose",), ("wiring",), 10.0, 2.0, "estimate"),
            Repair("new-stator", "New stator", ("stator-open",), ("stator",), 60.0, 90.0, "estimate"),
            Repair("new-regulator", "New regulator", ("regulator-dead",), ("regulator",), 20.0, 40.0, "estimate"),
        )
    },
    sources=("configs/causes/common.toml",),
)  # fmt: skip


def judged(
    journal: Journal,
    work_order: str | None,
    procedure: str = "regulator",
    machine: str = OPENED["machine"],
    **verdict: Any,
) -> str:
    """A run that was judged; `verdict` on top of a pass."""
    writer = journal.open_run({**OPENED, "procedure": procedure, "work_order": work_order, "machine": machine})
    body = {
        "kind": "verdict", "procedure": procedure, "verdict": "pass", "suspect": "none", "suspects": [],
        "reasons": ["Settled at 14.21 V."], "measured": {"settled_volts": {"value": 14.21, "unit": "V"}},
        "ended_because": "settled", "ended": "2027-03-01T10:05:00+00:00", "duration_s": 300.0, "next_step": "",
    }  # fmt: skip
    writer.append({**body, **verdict})
    writer.close({"status": "judged", "reason": "settled", "counts": {}})
    return writer.run
