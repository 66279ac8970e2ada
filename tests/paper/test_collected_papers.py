"""What is collected from the journal for the papers, and how it is written."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchd.errors import ConfigError, StoreError, UsageError
from benchd.journal import Journal
from benchd.visits import papers


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as made:
        yield made


def keep_run(journal: Journal, samples: int = 5) -> str:
    opened = {"procedure": "regulator", "bench": "bay 1", "machine": "T", "unit": "A", "work_order": "1"}
    writer = journal.open_run({**opened, "started": "2026-11-25T19:00:00+00:00", "versions": {"benchd": "0.1.0"}})
    instrument = {"kind": "instrument", "t_ns": 0, "name": "volts", "driver": "scpi", "identity": None}
    writer.append({**instrument, "calibration_due": "2027-09-21"})
    writer.append({"kind": "prompt", "t_ns": 0, "id": "battery-celsius", "text": "How warm?", "choices": None})
    writer.append({"kind": "answer", "t_ns": 1, "id": "battery-celsius", "text": "18"})
    for place in range(samples):
        volts = 20.0 if place == 777 else 14.0
        values = {"battery_volts": [volts, 0.01, [], 0.1], "charge_amps": [None, None, ["overload"], 0.1]}
        writer.append({"kind": "sample", "t_ns": place * 500_000_000, "values": values})
    writer.append({**instrument, "identity": "M350", "calibration_due": "2027-09-21"})
    writer.append({"kind": "mark", "t_ns": 2_000_000_000, "text": "wiggled"})
    writer.append({"kind": "verdict", "verdict": "pass", "suspect": "none", "measured": {}, "reasons": ["good"]})
    writer.close({"status": "judged", "reason": "settled", "counts": {}})
    return writer.run


def test_a_run_as_its_records_tell_it(journal: Journal) -> None:
    run = keep_run(journal)
    found = papers.run_data(journal, run)
    assert found["verdict"]["reasons"] == ["good"]
    assert found["closed"] == {"status": "judged", "reason": "settled"}
    assert found["opened"]["versions"] == {"benchd": "0.1.0"}
    assert [one["identity"] for one in found["instruments"]] == ["M350"], "the newest that it said of itself"
    assert found["answers"] == [{"text": "How warm?", "answer": "18"}]
    assert found["marks"] == [{"t_s": 2.0, "text": "wiggled"}]
    assert found["curve"] == {"battery_volts": [[0.5 * place, 14.0, 14.0] for place in range(5)]}
    assert found["digest"] == journal.digest(run)
    assert found["records"] == list(journal.read(run))[-1]["seq"]


def test_a_long_curve_becomes_thin_and_loses_no_peak(journal: Journal) -> None:
    points = papers.run_data(journal, keep_run(journal, 2000))["curve"]["battery_volts"]
    assert 200 < len(points) <= papers.MOST_POINTS
    assert max(one[2] for one in points) == 20.0


def test_visit_data_is_json_with_every_run(journal: Journal) -> None:
    runs = [keep_run(journal), keep_run(journal)]
    body = {"work_order": "1", "runs": [{"run": run} for run in runs]}
    at = datetime(2026, 11, 25, 20, 15, tzinfo=UTC)
    found = papers.visit_data(body, journal, shop="Tessel Lane", printed=at)
    assert sorted(found["runs"]) == sorted(runs)
    assert found["shop"] == "Tessel Lane"
    assert found["printed"] == "2026-11-25T20:15:00+00:00"
    assert json.loads(json.dumps(found)) == found


@pytest.mark.parametrize("name", ["order.pdf", "order.PDF", "a.b.html", "x.htm"])
def test_the_ending_says_the_form(name: str) -> None:
    assert papers.format_of(name) == ("pdf" if name.lower().endswith("pdf") else "html")


@pytest.mark.parametrize("name", ["order", "order.docx", "pdf", ".pdf"])
def test_any_other_ending_is_refused(name: str) -> None:
    with pytest.raises(UsageError, match=r"\.pdf or \.html"):
        papers.format_of(name)


def test_a_paper_that_is_not_installed_is_named() -> None:
    with pytest.raises(ConfigError, match="visiting"):
        papers.printed("visiting", {}, "html")


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    papers.keep(b"whole", tmp_path / "a.html")
    assert (tmp_path / "a.html").read_bytes() == b"whole"
    with pytest.raises(StoreError, match="cannot be written"):
        papers.keep(b"x", tmp_path / "none" / "a.html")
    assert [one.name for one in tmp_path.iterdir()] == ["a.html"]


class Door:
    """A door whose reports are made elsewhere."""

    def report(self, work_order: str, form: str) -> Any:
        return f"{work_order} as {form}".encode()


def test_an_order_is_written_by_whatever_the_door_leads_to(tmp_path: Path) -> None:
    papers.write_visit(Door(), "1042", tmp_path / "a.pdf")
    assert (tmp_path / "a.pdf").read_bytes() == b"1042 as pdf"
    with pytest.raises(UsageError):
        papers.write_visit(Door(), "1042", tmp_path / "a.txt")
