"""History of a unit and of a machine: which runs count, the limits, what the paper and the terminal say of them."""

from __future__ import annotations

import io
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import click
import pytest
from benchd_dashboards.paper import HISTORY
from click.testing import CliRunner
from paper_data import EVIL
from pypdf import PdfReader

from benchd.cli.history import command
from benchd.errors import UsageError
from benchd.journal import Journal
from benchd.visits.history import history, last_of_visits

MACHINE = "Hollin T18 garden tractor"
STAMP = {"shop": "Tessel Lane", "printed": "2026-11-25T20:15:00+00:00", "program": "benchd 0.1.0"}


def keep_run(journal: Journal, volts: float, order: str | None, verdict: str = "pass", **more: Any) -> str:
    """A judged regulator run that settled at so many volts."""
    opened = {"procedure": "regulator", "bench": "bay 1", "machine": MACHINE, "unit": "A", "work_order": order}
    writer = journal.open_run({**opened, "started": "2026-11-25T19:00:00+00:00", **more})
    measured = {"settled_volts": {"value": volts, "unit": "V", "expanded_uncertainty": 0.05, "coverage_factor": 2.0}}
    limits = {"settled_volts": [13.8, 14.7], "min_amps": 13.5}
    said = {"verdict": verdict, "suspect": "none", "measured": measured, "limits": limits, "reasons": []}
    writer.append({"kind": "verdict", **said})
    writer.close({"status": "judged", "reason": "settled", "counts": {}})
    return writer.run


@pytest.fixture
def journal(tmp_path: Path) -> Any:
    with Journal(tmp_path / "journal.sqlite") as made:
        yield made


def settled(data: dict[str, Any]) -> dict[str, Any]:
    return next(one for one in data["series"] if one["name"] == "settled_volts")


def test_the_last_run_of_a_visit_counts(journal: Journal) -> None:
    keep_run(journal, 15.1, "1", "fail")
    keep_run(journal, 14.2, "1")
    alone = keep_run(journal, 14.3, None)
    points = settled(history(journal, "A", None))["points"]
    assert [one["value"] for one in points] == [14.2, 14.3]
    assert points[1]["run"] == alone


def test_runs_without_an_order_are_visits_of_their_own() -> None:
    runs = [{"run": "b", "work_order": None}, {"run": "a", "work_order": None}]
    assert [one["run"] for one in last_of_visits(runs)] == ["a", "b"]


def test_others_units_and_machines_are_left_out(journal: Journal) -> None:
    keep_run(journal, 14.2, "1")
    keep_run(journal, 14.4, "2", unit="B")
    keep_run(journal, 14.6, "3", machine="Ostrick R9 rear-tine tiller")
    assert [one["value"] for one in settled(history(journal, "A", None))["points"]] == [14.2, 14.6]
    assert [one["value"] for one in settled(history(journal, None, MACHINE))["points"]] == [14.2, 14.4]
    assert [one["value"] for one in settled(history(journal, "A", MACHINE))["points"]] == [14.2]


def test_limits_come_from_what_passed_and_a_failed_visit_stands_outside(journal: Journal) -> None:
    for place in range(9):
        keep_run(journal, 14.2 + 0.02 * (place % 2), str(place))
    keep_run(journal, 14.75, "9", "fail")
    found = settled(history(journal, "A", None))
    assert found["limits"]["values"] == 9
    assert found["limits"]["high"] == pytest.approx(14.2 + 0.02 * 4 / 9 + 2.66 * 0.02)
    assert found["outside"] == [9]
    assert found["said"].startswith("1 visit lies outside the limits")


def test_too_few_visits_are_said_to_be_too_few(journal: Journal) -> None:
    for place in range(7):
        keep_run(journal, 14.2, str(place))
    found = settled(history(journal, "A", None))
    assert found["limits"] is None
    assert "No control limits: 7 of 7 visits passed" in found["said"]


def test_both_ways_of_asking_go_by_an_index(journal: Journal, tmp_path: Path) -> None:
    keep_run(journal, 14.2, "1")
    asked: list[str] = []
    with closing(sqlite3.connect(tmp_path / "journal.sqlite")) as db:
        for unit, machine in (("A", None), (None, MACHINE), ("A", MACHINE)):
            with journal.reader() as reader:
                reader._rows = lambda query, *values: asked.append(query) or []  # type: ignore[method-assign]
                reader.judged("regulator", 10, unit, machine)
            values = [one for one in ("regulator", unit, machine) if one is not None]
            plan = db.execute(f"EXPLAIN QUERY PLAN {asked[-1]}", (*values, 10)).fetchall()
            told = " ".join(str(one[3]) for one in plan)
            assert ("runs_by_unit" if unit else "runs_by_machine") in told
            assert "SCAN" not in told
            assert "TEMP B-TREE" not in told


def charted(count: int = 12) -> dict[str, Any]:
    points = [
        {
            "at": f"2026-11-{place + 1:02d}T10:00:00+00:00",
            "run": f"run-{place}",
            "work_order": str(1000 + place),
            "unit": "HT18-20931",
            "value": 14.2 + 0.01 * (place % 3) + (0.4 if place == 5 else 0.0),
            "u": 0.05,
            "verdict": "fail" if place == 5 else "pass",
        }
        for place in range(count)
    ]
    limits = {"centre": 14.21, "low": 14.15, "high": 14.27, "mean_range": 0.02, "range_high": 0.07, "values": 11}
    series = {"name": "settled_volts", "title": "Settled volts", "unit": "V", "asked": [13.8, 14.7], "points": points}
    more = {"limits": limits, "outside": [5], "said": "1 visit lies outside the limits, which 11 that passed set."}
    return {"unit": "HT18-20931", "machine": None, "visits": count, "series": [{**series, **more}], **STAMP}


def test_pdf_names_the_point_outside() -> None:
    reader = PdfReader(io.BytesIO(HISTORY.pdf(charted())))
    said = " ".join(" ".join(page.extract_text() for page in reader.pages).replace("\u200b", "").split())
    assert "Outside: 2026-11-06, order 1005, serial HT18-20931: 14.620 ± 0.050 V" in said
    assert "2.66 times" in said
    assert said.count("order 10") >= 12


def test_html_of_hostile_names_and_of_nothing() -> None:
    data = charted(1)
    data["series"][0].update(limits=None, outside=[], said=EVIL)
    data.update(unit=EVIL, machine=EVIL)
    assert "<script>" not in HISTORY.html(data)
    nothing = {"unit": "X", "machine": None, "visits": 0, "series": [], **STAMP}
    assert "No judged run" in HISTORY.html(nothing)


@pytest.mark.parametrize("count", [1, 12, 300])
def test_the_terminal_s_chart(count: int) -> None:
    data = charted(12)
    one = data["series"][0]
    if count == 1:
        one.update(points=one["points"][:1], limits=None, outside=[])
    if count == 300:
        one["points"] = one["points"] * 25
    lines = HISTORY.lines(data)
    assert max(map(len, lines)) <= 78
    drawn = "\n".join(line for line in lines if "|" in line)
    assert "o" in drawn
    assert ("X" in drawn) is (count == 12)


def test_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path))
    with Journal(tmp_path / "journal.sqlite") as journal:
        keep_run(journal, 14.2, "1")
    done = CliRunner().invoke(command, ["--machine", "hollin-t18", "--chart"])
    assert done.exit_code == 0, done.output
    assert f"{MACHINE}: 1 visit, the last run of each" in done.stdout
    assert "No control limits" in done.stdout
    made = CliRunner().invoke(command, ["--unit", "A", "--chart", "--output", str(tmp_path / "a.html")])
    assert made.exit_code == 0, made.output
    assert "serial A" in (tmp_path / "a.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("words", [["--chart"], ["--chart", "--bench", "bay 1", "--unit", "A"], ["--machine", "x"]])
def test_what_makes_no_chart_is_said(words: list[str]) -> None:
    with pytest.raises((UsageError, click.UsageError)):
        command.main(words, standalone_mode=False)
