"""When a machine is proven fixed, and what is said to be missing."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.core.visit import Proof, fold, proof

RUN = "20270301-10000{}-000ab"


def run(
    no: int, procedure: str = "regulator", verdict: str | None = "pass", status: str | None = "judged"
) -> dict[str, Any]:
    return {"run": RUN.format(no), "run_no": no, "procedure": procedure, "status": status, "verdict": verdict}


def repair(after: int, *touches: str, seq: int = 2) -> dict[str, Any]:
    return {"kind": "order-repair", "seq": seq, "after_run_no": after, "touches": touches, "mends": ()}


CASES: list[tuple[str, list[dict[str, Any]], list[dict[str, Any]], list[str], list[int]]] = [
    ("nothing was done", [], [], ["No regulator run was made."], []),
    ("it passed as it came", [], [run(1)], [], [1]),
    ("a new battery alone", [repair(0, "battery")], [], ["No regulator run was made after the last repair."], []),
    ("a new battery after the pass", [repair(1, "battery")], [run(1)], ["No regulator run was made after the last"], []),
    ("a new battery, then a pass", [repair(1, "battery")], [run(1, verdict="fail"), run(2)], [], [2]),
    ("a pass, then a fail", [repair(0, "wiring")], [run(1), run(2, verdict="fail")], ["came to fail, not to pass"], []),
    ("a fail, then a pass", [repair(0, "wiring")], [run(1, verdict="fail"), run(2)], [], [2]),
    ("undecided is no pass", [repair(0, "wiring")], [run(1, verdict="undecided")], ["came to undecided, not to pass"], []),
    (
        "a pass, then one cut short",
        [repair(0, "wiring")],
        [run(1), run(2, verdict=None, status="aborted")],
        ["The newest regulator run was cut short (aborted)"],
        [],
    ),
    ("the stator was touched", [repair(0, "stator")], [run(1)], ["No stator run was made after the repair of the stator."], [1]),
    ("both ran", [repair(0, "stator")], [run(1, "stator"), run(2)], [], [2, 1]),
    ("stator run before its repair", [repair(1, "stator")], [run(1, "stator"), run(2)], ["No stator run was made after"], [2]),
    (
        "the stator, then another part",
        [repair(0, "stator"), repair(2, "regulator", seq=3)],
        [run(1, "stator"), run(2), run(3)],
        [],
        [3, 1],
    ),
    (
        "the stator, its run, then another part and no run",
        [repair(0, "stator"), repair(2, "regulator", seq=3)],
        [run(1, "stator"), run(2)],
        ["No regulator run was made after the last repair."],
        [1],
    ),
    (
        "one is still open",
        [repair(0, "wiring")],
        [run(1), run(2, "stator", verdict=None, status=None)],
        ["A run of this order is still open: let it end."],
        [1],
    ),
    (
        "a repair while the run went on",
        [repair(3, "wiring")],
        [run(3)],
        ["No regulator run was made after the last repair."],
        [],
    ),
]  # fmt: skip


OPENED = {"kind": "order-opened", "work_order": "1001", "after_run_no": 2, "machine": "Hollin T18", "unit": "T18-0042"}


@pytest.mark.parametrize(
    ("runs", "missing"),
    [
        ([run(2)], ["No regulator run was made since the order was opened."]),
        ([run(3)], []),
        ([run(3) | {"spec": "Hollin T18", "unit": "T18-0042"}], []),
        ([run(3) | {"spec": "Hollin T18", "unit": None}], []),
        (
            [run(3) | {"spec": "Caldmoor Z42", "unit": None}],
            [
                "No regulator run was made.",
                f"The regulator run {RUN.format(3)} is of another machine (Caldmoor Z42): it",
            ],
        ),
        (
            [run(3) | {"spec": "Hollin T18", "unit": "T18-0043"}],
            [
                "No regulator run was made.",
                "is of another machine (Hollin T18, serial T18-0043): it proves nothing here.",
            ],
        ),
        ([run(3), run(4) | {"spec": "Caldmoor Z42", "verdict": "fail"}], []),
        ([run(3), run(4, "draw", "fail")], ["The newest draw run came to fail and nothing was repaired since"]),
        ([run(3), run(4, "load", "fail"), run(5, "load")], []),
        ([run(3), run(4, "stator", "fail")], ["The newest stator run came to fail and nothing was repaired since"]),
        ([run(3, "charge", "fail") | {"finding": "discharged"}, run(4)], []),
        ([run(3, "charge", "fail") | {"finding": "weak-cell"}, run(4)], ["The newest charge run came to fail"]),
    ],
)
def test_what_proves_nothing(runs: list[dict[str, Any]], missing: list[str]) -> None:
    """Another machine's runs, those of before the order, and any while a fault that was found stands."""
    found = proof(fold([OPENED], runs))
    assert found.proven == (not missing)
    assert len(found.missing) == len(missing)
    assert all(words in said for words, said in zip(missing, found.missing, strict=True))


@pytest.mark.parametrize("proven", [True, False])
def test_a_closed_order_stays_as_it_was_closed(proven: bool) -> None:
    """Though its runs would be judged otherwise today."""
    closed = {
        "kind": "order-closed",
        "seq": 9,
        "proven": proven,
        "missing": [] if proven else ["No run."],
        "runs": ["x"],
    }
    runs = [run(3), run(4, "draw", "fail")] if proven else [run(3)]
    found = proof(fold([OPENED, closed], runs))
    assert found == Proof(proven, () if proven else ("No run.",), ("x",))


def test_a_fault_found_before_the_last_repair_does_not_stand() -> None:
    runs = [run(3, "draw", "fail"), run(4)]
    assert proof(fold([OPENED, repair(3, "wiring")], runs)).proven


@pytest.mark.parametrize(("what", "repairs", "runs", "missing", "proving"), CASES, ids=[one[0] for one in CASES])
def test_what_proves_it(
    what: str, repairs: list[dict[str, Any]], runs: list[dict[str, Any]], missing: list[str], proving: list[int]
) -> None:
    found = proof(fold([{"kind": "order-opened", "work_order": "1001"}, *repairs], reversed(runs)))
    assert found.proven == (not missing)
    assert len(found.missing) == len(missing)
    assert all(part in sentence for part, sentence in zip(missing, found.missing, strict=True)), found.missing
    assert list(found.runs) == [RUN.format(no) for no in proving]
    assert found.to_json() == {"proven": found.proven, "missing": list(found.missing), "runs": list(found.runs)}


def test_the_fold_tells_state_and_answers_and_passes_over_what_it_does_not_know() -> None:
    records: list[dict[str, Any]] = [
        {"kind": "order-opened", "work_order": "1001"},
        {"kind": "order-answer", "question": "onset", "outcome": "sudden"},
        {"kind": "order-answer", "question": "onset", "outcome": "gradual"},
        {"kind": "order-answer", "question": "cranks", "outcome": None},
        {"kind": "order-finding", "check": "terminals", "outcome": "loose"},
        {"kind": "order-note", "text": "x"},
        {"kind": "order-photo-of-the-future", "x": 1},
    ]
    visit = fold(records)
    assert (visit.work_order, visit.state, len(visit.answers), len(visit.findings), len(visit.notes)) == (
        "1001", "open", 3, 1, 1
    )  # fmt: skip
    assert (visit.answer("onset"), visit.answer("cranks"), visit.answer("use")) == ("gradual", None, None)
    for proven, state in ((True, "proven"), (False, "closed without proof")):
        assert fold([*records, {"kind": "order-closed", "proven": proven}]).state == state
