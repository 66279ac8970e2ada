"""A visit in plain lines."""

from __future__ import annotations

from itertools import chain

import pytest
import visit_bodies as bodies

from benchd.cli import order_words

RUN = {
    "run": "20261125-190000-000-abc", "run_no": 3, "procedure": "regulator", "status": "judged", "verdict": "fail",
    "suspect": "regulator", "finding": "", "bench": "bay 1", "started": "2026-11-25T19:10:00.000+00:00", "ended": "",
    "reasons": ["Volts passed the ceiling."], "measured": {}, "item": "regulator", "outcome": "over", "text": "over",
}  # fmt: skip


@pytest.fixture(autouse=True)
def eighty(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def text(lines) -> str:
    return "\n".join(lines)


def test_all_of_an_order_fits_80_columns() -> None:
    long = "word " * 60
    body = bodies.body(
        runs=[RUN],
        notes=[{"at": "2026-11-25T19:00", "by": "Anna Weld", "text": long}],
        complaint=long,
        answers=[{"at": "", "by": "", "question": "cranks", "ask": "How does it crank?", "outcome": "slow", "text": "slowly", "note": "like cold"}],
    )  # fmt: skip
    lines = list(order_words.visit_lines(body))
    assert max(map(len, lines)) <= 80
    for words in (
        "[OPEN]",
        'How does it crank?  slowly ("like cold")',
        "regulator: FAIL, suspect: regulator",
        "Not proven yet:",
    ):
        assert " ".join(words.split()) in " ".join(text(lines).split())


def test_the_next_step_tells_why_what_it_means_and_how_to_write_it_down() -> None:
    told = " ".join(text(order_words.plan_lines(bodies.body())).split())
    for words in (
        "Next: Battery terminals and cables (2 min) It costs least.",
        "CAUTION: Negative cable off first.",
        "write it down: benchd order find 1001 terminals OUTCOME",
        "loose (40 %): loose or corroded. then tighten them",
        "62 % ############ Loose or corroded terminal",
        "for it: It cranks: slowly",
        "not yet: regulator: first the state of charge",
    ):
        assert words in told


def test_a_run_of_the_plan_is_a_command() -> None:
    plan = bodies.body()["plan"]
    told = text(order_words.plan_lines(bodies.body(plan=plan | {"steps": plan["steps"][1:]})))
    assert "do it: benchd run charge --bench BENCH --work-order 1001" in told


def test_another_machine_s_run_is_told_as_such() -> None:
    foreign = {**RUN, "verdict": "pass", "foreign": True, "spec": "Caldmoor Z42", "item": "", "outcome": ""}
    told = " ".join(text(order_words.visit_lines(bodies.body(runs=[foreign]))).split())
    assert "PASS, suspect: regulator. OF ANOTHER MACHINE (Caldmoor Z42): it says nothing here." in told


def test_what_was_closed_without_proof_says_so_and_why() -> None:
    body = bodies.body(state="closed without proof", closed="2026-11-25T21:00:00+00:00", closed_reason="taken home")
    told = text(order_words.visit_lines(body))
    assert "NOT PROVEN. Closed without proof: taken home" in told
    assert "Next:" not in told


def test_the_newest_answer_counts_and_a_finding_that_was_taken_back_is_told() -> None:
    finding = {
        "at": "",
        "by": "",
        "check": "terminals",
        "title": "Terminals",
        "outcome": "loose",
        "text": "loose",
        "note": "",
        "photos": [],
    }
    body = bodies.body(findings=[finding, finding | {"outcome": None, "text": ""}])
    told = text(order_words.visit_lines(body))
    assert told.count("Terminals:") == 1
    assert "Terminals: taken back" in told


def test_the_list_is_a_line_an_order() -> None:
    lines = list(order_words.list_lines([bodies.listed("1001", "T18-0042"), bodies.listed("1000", "", "proven")]))
    assert len(lines) == 2
    assert all(len(one) <= 80 for one in lines)
    assert "PROVEN" in lines[1]


def test_every_page_of_help_fits() -> None:
    from click.testing import CliRunner

    from benchd.cli.order import command

    for args in chain([[]], ([name] for name in command.commands)):
        done = CliRunner().invoke(command, [*args, "--help"], terminal_width=80)
        assert done.exit_code == 0
        assert max(map(len, done.output.splitlines())) <= 80, args
