"""Units of one lot from two journals come together in a store and say the same as one journal with everything."""

from __future__ import annotations

import random
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from stores import HTTP, InfluxDB, VictoriaMetrics, running

from benchd.core.lots.units import Units
from benchd.errors import StoreError
from benchd.forward.points import RunLines, complaint
from benchd.forward.read_back import influxql, match, units_from_store
from benchd.journal import Journal
from benchd.site import SeriesSettings

IDS = ("leakage", "set-point-light", "set-point-rated")
LOT = "VR20-0117"
GUIDE = Path(__file__).parents[2] / "configs" / "guide" / "time-series.md"


def made_tests(daemons: int = 2, benches: int = 2, each: int = 12) -> list[tuple[int, dict[str, Any], dict[str, Any]]]:
    """(daemon, run-opened, verdict) of every test, in order of time: retests, void ones, units that were not wholly measured."""
    chance = random.Random(4)
    found = []
    for number in range(daemons * benches * each):
        daemon, bench = number % daemons, number % (daemons * benches)
        serial = f"VR20-{number // 2 if number % 9 == 1 else number:06d}"
        verdict = chance.choice(["pass"] * 8 + ["fail", "undecided", "void"])
        values = {id: chance.gauss(14.3, 0.1) / 3 for id in IDS if verdict != "void" and chance.random() > 0.05}
        measured = {
            id: {
                "value": value,
                "unit": "V",
                "expanded_uncertainty": 0.0123456789 + value / 1e4,
                "coverage_factor": 2.01,
            }
            for id, value in values.items()
        }
        started = f"2026-11-26T0{number // 60}:{number % 60:02d}:00.{number:03d}+00:00"
        opened = {
            "procedure": "unit",
            "bench": f"rig {bench + 1}",
            "machine": "VR-20",
            "unit": serial,
            "lot": LOT,
            "started": started,
            "retest": True,
        }
        said = {
            "kind": "verdict", "t_ns": 60_000_000_000, "verdict": verdict, "suspect": "none", "unit": serial, "lot": LOT,
            "finding": "drifts" if verdict == "fail" else "", "measured": measured,
        }  # fmt: skip
        found.append((daemon, opened, said))
    return found


def lines_of(journal: Journal, daemon: str) -> list[str]:
    """What the forwarder makes of a journal."""
    made: list[str] = []
    with journal.reader() as reader:
        for info in reader.runs(1000):
            broken: list[tuple[int, str]] = []
            made += RunLines.of(info, daemon).lines(list(reader.read(info["run"])), broken)
            assert broken == []
    found = [line for line in made if line.startswith("bench_unit,")]
    assert [complaint(line) for line in found] == [None] * len(found)
    return found


def keep(journal: Journal, opened: Mapping[str, Any], said: Mapping[str, Any]) -> None:
    writer = journal.open_run(opened)
    writer.append(dict(said))
    writer.close({"status": "judged", "reason": "", "counts": {}})


@pytest.fixture
def kept(tmp_path: Path) -> tuple[list[str], Units]:
    """(lines of two daemons, the units of one journal that holds everything)."""
    paths = [tmp_path / name for name in ("a", "b", "whole")]
    journals = [Journal(path / "journal.sqlite") for path in paths]
    try:
        for journal in journals:
            journal.open_lot({"lot": LOT, "lot_kind": "lot", "part": "VR-20", "ids": list(IDS), "spec_text": ""})
        for daemon, opened, said in made_tests():
            keep(journals[daemon], opened, said)
            keep(journals[2], opened, said)
        lines = [line for number in (0, 1) for line in lines_of(journals[number], f"vantry-{number}")]
        return lines, journals[2].lot_units(LOT)
    finally:
        for journal in journals:
            journal.close()


def assert_same(found: Units, whole: Units) -> None:
    """Equal in every column but the run's number, which each journal counts for itself."""
    assert len(found) == len(whole) > 40
    assert (found.ids, found.benches, found.modes) == (whole.ids, whole.benches, whole.modes)
    for name in ("serial", "at_ms", "bench", "verdict", "mode"):
        assert np.array_equal(getattr(found, name), getattr(whole, name)), name
    for name in ("value", "u"):
        assert np.array_equal(getattr(found, name), getattr(whole, name), equal_nan=True), name


def test_a_lot_of_two_daemons_comes_together_in_victoriametrics(tmp_path: Path, kept: tuple[list[str], Units]) -> None:
    lines, whole = kept
    with running(VictoriaMetrics(tmp_path)) as store:
        for _ in range(2):  # what is sent twice is there once
            answer = HTTP.request("POST", store.url + "/api/v2/write", body="\n".join(lines).encode())
            assert answer.status == 204
        assert store.export(match(LOT))  # and it is on the disk
        found = units_from_store(SeriesSettings(store.url), LOT, IDS)
        assert_same(found, whole)
        assert len(units_from_store(SeriesSettings(store.url), "VR20-0118", IDS)) == 0


def test_the_same_statistics_come_from_the_store_and_from_the_journal(
    tmp_path: Path, kept: tuple[list[str], Units]
) -> None:
    from benchd.core.lots.report import report
    from benchd.core.specs import Characteristic, Measures, PartSpec

    lines, whole = kept
    tests = tuple(Characteristic(id, Measures.SET_POINT, id, "V", 4.5, 5.0) for id in IDS)
    part = PartSpec("VR-20", "Vantry VR-20", 20.0, (3500.0, 3700.0), 4000.0, 15.0, tests)
    with running(VictoriaMetrics(tmp_path)) as store:
        HTTP.request("POST", store.url + "/api/v2/write", body="\n".join(lines).encode())
        store.export(match(LOT))
        theirs = report(units_from_store(SeriesSettings(store.url), LOT, IDS), part)
    ours = report(whole, part)
    for body in (theirs, ours):  # a store of numbers keeps neither serial numbers nor one journal's run numbers
        for one in body["characteristics"]:
            for signal in [*one["signals"], *one["worst"]]:
                signal.pop("serial", None), signal.pop("run_no", None)
    assert theirs == ours


def test_the_same_from_a_store_with_the_other_query_language(tmp_path: Path, kept: tuple[list[str], Units]) -> None:
    lines, whole = kept
    with running(InfluxDB(tmp_path)) as store:
        HTTP.request("POST", store.url + "/query", fields={"q": "CREATE DATABASE benchd"})
        answer = HTTP.request("POST", store.url + "/write?db=benchd&precision=ns", body="\n".join(lines).encode())
        assert answer.status == 204, answer.data
        assert_same(units_from_store(SeriesSettings(store.url), LOT, IDS), whole)


def test_a_store_that_is_not_there_or_none_is_told() -> None:
    with pytest.raises(StoreError, match="does not answer"):
        units_from_store(SeriesSettings("http://127.0.0.1:9"), LOT, IDS)


def test_the_guide_has_the_queries_that_are_used() -> None:
    text = " ".join(GUIDE.read_text(encoding="utf-8").split())
    assert match("LOT") in text
    assert influxql("LOT") in text
