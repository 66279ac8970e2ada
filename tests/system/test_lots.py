"""A shift of fifty units: the right six fail for the right reasons, a drifting bench is stopped, nothing is tested twice or lost."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from rig_shift import PART, PLANTED, SERIALS, Shift, opened

from benchd.errors import BusyError, ConfigError, UsageError
from benchd.journal import Journal
from benchd.lots.door import NewLot

pytestmark = pytest.mark.timeout(240)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def test_a_shift_of_fifty_units_with_six_bad_ones_and_a_kill_in_the_middle(path: Path) -> None:
    with Journal(path) as journal:
        shift = Shift(journal)
        lot = opened(shift.lots)
        refused = shift.scan(lot, SERIALS[0])
        assert refused["action"] == "refuse"
        assert "REF-1 was never measured here" in refused["why"]
        gate = shift.check()
        assert gate["fit"], gate["reasons"]
    program = [sys.executable, str(Path(__file__).with_name("rig_shift.py")), str(path.parent), lot, "25"]
    assert subprocess.run(program, check=False, timeout=200).returncode == -9
    with Journal(path) as journal:
        shift = Shift(journal)
        (cut,) = journal.lot_tests(lot, serial=SERIALS[24])
        assert (cut["status"], cut["verdict"]) == ("interrupted", None)
        for serial in SERIALS[24:]:
            assert shift.scan(lot, serial)["action"] == "test", serial
        tests = journal.lot_tests(lot)
        judged = [one for one in tests if one["verdict"] in ("pass", "fail", "undecided")]
        assert len(tests) == 51  # the one that was cut short is kept, and counts for nothing
        assert sorted(one["serial"] for one in judged) == SERIALS
        assert {one["serial"]: one["mode"] for one in judged if one["verdict"] != "pass"} == PLANTED
        twice = shift.scan(lot, SERIALS[2])
        assert twice["action"] == "ask"
        assert twice["history"][0]["verdict"] == "pass"
        assert len(journal.lot_tests(lot)) == 51
        again = shift.scan(lot, SERIALS[3], again=True)
        assert (again["attempt"], again["verdict"]["verdict"]) == (2, "fail")
        assert "lot-retest" in [one["kind"] for one in journal.lot_records(lot)]
        counts = shift.lots.lot(lot)["counts"]
        assert (counts["units"], counts["passed"], counts["failed"], counts["retests"]) == (50, 44, 6, 1)
        body = shift.lots.report(lot)["report"]
        assert body["yield"]["first_pass"]["count"] == 44
        assert {one["mode"] for one in body["modes"]} == set(PLANTED.values())
        assert shift.lots.report(lot)["report"] == body
        certificate = shift.lots.certificate(lot, SERIALS[0])
        assert certificate["unit"]["verdict"] == "pass"
        assert len(certificate["digest"]) == 32
        table = shift.lots.export(lot, "csv").decode().splitlines()
        assert len(table) == 53
        assert table[0].startswith("lot,part,serial,test,attempt,run")
        assert shift.lots.export(lot, "parquet")[:4] == b"PAR1"
        shift.lots.close(lot)
        with pytest.raises(BusyError, match="was closed"):
            shift.scan(lot, SERIALS[0])
        assert list(journal.verify()) == []


def test_a_bench_that_drifts_is_stopped_by_the_check_standard_which_says_why(path: Path) -> None:
    with Journal(path) as journal:
        shift = Shift(journal)
        lot = opened(shift.lots)
        for _ in range(10):
            assert shift.check()["fit"]
        shift.meters._drift = 4000.0  # ppm an hour from now on
        shift.meters.hours = 0.0
        assert shift.scan(lot, SERIALS[0])["verdict"]["verdict"] == "pass"
        for _ in range(12):
            gate = shift.check()
            if not gate["fit"]:
                break
        assert not gate["fit"]
        assert any("rule" in one.lower() or "En" in one for one in gate["reasons"]), gate["reasons"]
        assert any("1 unit of " in one for one in gate["do"]) or len(gate["do"]) > 1
        refused = shift.scan(lot, SERIALS[1])
        assert refused["action"] == "refuse"
        assert "REF-1" in refused["why"]
        shift.meters._drift = 0.0
        shift.lots.cleared("REF-1", "rig-1", "voltmeter's lead replaced", by="Tomas Rue")
        assert shift.check()["fit"]
        assert shift.scan(lot, SERIALS[1])["action"] == "test"


def test_a_check_standard_that_was_not_measured_today_is_due(path: Path) -> None:
    from datetime import timedelta

    with Journal(path) as journal:
        shift = Shift(journal)
        lot = opened(shift.lots)
        assert shift.check()["fit"]
        shift.now += timedelta(hours=9)
        refused = shift.scan(lot, SERIALS[0])
        assert "is due every 8 h" in refused["why"]
        shift.now += timedelta(days=400)
        assert any("calibration of volts was due" in one for one in shift.lots.gate("rig-1", "VR-20")["reasons"])


@pytest.mark.parametrize(
    ("text", "told"),
    [("", "an empty scan"), ("  \r\n", "an empty scan"), ("VR20\x07-1", "cannot be seen"), ("A" * 65, "two scans in one"), ("\x1b[2J", "cannot be seen")],
)  # fmt: skip
def test_a_bad_scan_is_named_refused_and_kept(path: Path, text: str, told: str) -> None:
    with Journal(path) as journal:
        shift = Shift(journal)
        lot = opened(shift.lots)
        answer = shift.scan(lot, text)
        assert answer["action"] == "refuse"
        assert told in answer["why"]
        assert journal.lot_records(lot)[-1]["kind"] == "lot-refused"
        assert journal.lot_tests(lot) == []
        assert list(journal.verify()) == []


def test_an_unknown_part_and_limits_the_wrong_way_round_open_no_lot(path: Path) -> None:
    from benchd import config

    text = config.find_file(PART, "regulator").read_text(encoding="utf-8")
    with Journal(path) as journal:
        shift = Shift(journal)
        with pytest.raises(ConfigError, match="vantry-vr20"):
            shift.lots.open(NewLot("lot", "", "vantry-vr21"))
        turned = text.replace("min_volts = 14.0", "min_volts = 14.9", 1)
        assert turned != text
        with pytest.raises(ConfigError, match=r"min_volts"):
            shift.lots.open(NewLot("lot", "", PART, spec_toml=turned))
        with pytest.raises(UsageError, match="a sampling plan needs the size"):
            shift.lots.open(NewLot("lot", "", PART, plan="attributes, general II, AQL 0.65"))
        with pytest.raises(UsageError, match="no such characteristic"):
            shift.lots.open(NewLot("standard", "REF-1", PART, references={"nonsense": (1.0, None)}))
        assert journal.lots() == []


def test_a_gauge_study_is_collected_in_its_random_order_and_analysed(path: Path) -> None:
    with Journal(path) as journal:
        shift = Shift(journal)
        units = SERIALS[:4]
        body = shift.lots.open(
            NewLot("study", "G-1", PART, units=units, raters=("Ines Calder", "Tomas Rue"), trials=2, seed=5)
        )
        order = body["design"]["order"]
        assert sorted(order) == sorted(
            [[unit, rater, trial] for unit in units for rater in body["design"]["raters"] for trial in (1, 2)]
        )
        own = [one for one in order if one[1] == "Ines Calder"]
        wrong = next(one for one in units if one != own[0][0])
        assert f"wants unit {own[0][0]} of Ines Calder now" in shift.scan("G-1", wrong)["why"]
        for unit, _, _ in own:
            assert shift.scan("G-1", unit)["action"] == "test"
        assert "has done all trials" in shift.scan("G-1", units[0])["why"]
        report = shift.lots.report("G-1")
        assert len(report["left"]) == 8
        first = report["characteristics"][2]
        assert len(first["missing"]) == 8
        assert first["anova"] is None
