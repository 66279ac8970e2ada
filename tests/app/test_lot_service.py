"""Lots over a journal: opened, scanned, judged, reported, certified, exported; what makes no sense is named and refused."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from lot_world import GOOD, OR9, REFERENCES, START, good_bench, judged, new_lot

from benchd import config
from benchd.core.lots import report as core
from benchd.errors import BusyError, ConfigError, NotFitError, NotFoundError, UsageError
from benchd.journal import Journal
from benchd.lots import reports, service
from benchd.lots.door import NewLot
from benchd.lots.export import columns_of
from benchd.lots.service import Lots
from benchd.orders import Order, prepare, run_opened

MINUTE = timedelta(minutes=1)
GUIDE = Path(__file__).parents[2] / "configs" / "guide" / "lots.md"


@pytest.fixture
def lots(tmp_path: Path) -> Iterator[Lots]:
    """Rig 1 may judge lots of OR-9."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        found = Lots(journal, wall=lambda: START + 60 * MINUTE, dues=lambda bench: None, shop="Vantry Rebuild")
        good_bench(found)
        yield found


def scan(lots: Lots, text: str, lot: str = "OR9-1", bench: str = "rig 1", **more: Any) -> dict[str, Any]:
    return lots.scan(lot, text, bench, **more)


def kinds(lots: Lots, lot: str = "OR9-1") -> list[str]:
    return [str(one["kind"]) for one in lots.lot(lot)["records"]]


# --- scans ----------------------------------------------------------------------------------------------------------------


def test_a_shift_of_scans(lots: Lots) -> None:
    new_lot(lots, planned=3)
    assert scan(lots, " A1\r\n") | {"history": []} == {
        "action": "test", "serial": "A1", "why": "", "attempt": 1, "history": [],
    }  # fmt: skip
    judged(
        lots.journal, "OR9-1", "A1", {"set-point-light": 13.5}, verdict="fail", mode="set-point-low", at=START + MINUTE
    )
    answer = scan(lots, "A1")
    assert (answer["action"], answer["attempt"]) == ("ask", 2)
    assert answer["why"] == "A1 was judged in this lot once already, last: fail (set-point too low)."
    assert [(one["lot"], one["verdict"], one["mode"]) for one in answer["history"]] == [
        ("OR9-1", "fail", "set-point-low")
    ]
    assert kinds(lots) == ["lot-opened"], "a question is no record"
    assert scan(lots, "A1", again=True, by="Tomas Rue")["action"] == "test"
    (wanted,) = [one for one in lots.lot("OR9-1")["records"] if one["kind"] == "lot-retest"]
    assert (wanted["serial"], wanted["bench"], wanted["by"]) == ("A1", "rig-1", "Tomas Rue")
    judged(lots.journal, "OR9-1", "A1", retest=True, at=START + 2 * MINUTE)
    body = lots.lot("OR9-1")
    assert (body["counts"]["passed"], body["counts"]["first_passed"], body["counts"]["retests"]) == (1, 0, 1)
    assert body["modes"] == []
    assert scan(lots, "A1")["why"] == "A1 was judged in this lot 2 times already, last: pass."


def test_a_serial_of_another_lot_is_tested_and_the_lot_is_named(lots: Lots) -> None:
    new_lot(lots, "OR9-0")
    judged(lots.journal, "OR9-0", "A1", verdict="fail", mode="drifts")
    lots.close("OR9-0")
    new_lot(lots)
    answer = scan(lots, "A1")
    assert (answer["action"], answer["attempt"], answer["why"]) == ("test", 1, "A1 was tested before, in OR9-0")
    assert [one["lot"] for one in answer["history"]] == ["OR9-0"]


def test_a_unit_under_test_elsewhere_is_refused_and_the_lot_stays_open(lots: Lots) -> None:
    new_lot(lots)
    opened = {"procedure": "unit", "bench": "rig 2", "unit": "A1", "lot": "OR9-1", "lot_kind": "lot"}
    writer = lots.journal.open_run(opened)
    answer = scan(lots, "A1")
    assert (answer["action"], answer["why"]) == ("refuse", "A1 is under test on rig-2 in OR9-1")
    with pytest.raises(BusyError, match="A1 is under test on rig 2"):
        lots.close("OR9-1")
    writer.close({"status": "aborted", "reason": "Ctrl-C", "counts": {}})
    assert scan(lots, "A1")["action"] == "test"
    assert kinds(lots) == ["lot-opened", "lot-refused"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "an empty scan"),
        (" \r\n", "an empty scan"),
        ("A\x1d1", r"'A\x1d1' holds signs that cannot be seen"),
        ("A\x1b[2J1", "signs that cannot be seen"),
        ("A\u200b1", "signs that cannot be seen"),
        ("A1A2" * 17, "68 signs long, a serial number at most 64"),
    ],
)
def test_what_is_no_serial_number_is_refused_named_and_kept(lots: Lots, text: str, words: str) -> None:
    new_lot(lots)
    answer = scan(lots, text)
    assert (answer["action"], words in answer["why"]) == ("refuse", True), answer
    assert answer["serial"].isprintable()
    (kept,) = [one for one in lots.lot("OR9-1")["records"] if one["kind"] == "lot-refused"]
    assert (kept["why"], kept["bench"]) == (answer["why"], "rig-1")


def test_a_bench_that_is_not_fit_refuses_with_reasons_and_what_to_do(lots: Lots) -> None:
    new_lot(lots)
    answer = scan(lots, "A1", bench="rig 2")
    assert answer["action"] == "refuse"
    assert answer["why"].startswith("rig-2: check standard REF-1 was never measured here. Do: ")
    assert "benchd standard measure REF-1 --bench rig-2" in answer["why"]


def test_a_closed_lot_and_one_that_is_not_there(lots: Lots) -> None:
    new_lot(lots)
    lots.close("OR9-1", "all done", "Ines Calder")
    for act in (lambda: scan(lots, "A1"), lambda: lots.note("OR9-1", "x"), lambda: lots.close("OR9-1")):
        with pytest.raises(BusyError, match="lot OR9-1 was closed"):
            act()
    with pytest.raises(NotFoundError, match="there is no lot 'OR9-2'; there are OR9-1"):
        scan(lots, "A1", "OR9-2")
    assert (lots.lot("OR9-1")["closed_by"], lots.lot("OR9-1")["closed_reason"]) == ("Ines Calder", "all done")


def test_a_standard_is_the_unit_of_its_name(lots: Lots) -> None:
    assert scan(lots, "REF-1", "REF-1", "rig 2")["action"] == "test", "on a bench that is not fit yet too"
    answer = scan(lots, "REF-2", "REF-1")
    assert (answer["action"], answer["why"][:19]) == ("refuse", "REF-2 is not REF-1:")


def test_records_in_a_body_are_the_first_and_the_newest(lots: Lots, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service, "MOST_RECORDS", 3)
    new_lot(lots)
    for number in range(4):
        lots.note("OR9-1", f"note {number}")
    assert [one.get("text") for one in lots.lot("OR9-1")["records"]] == [None, "note 2", "note 3"]
    assert len(lots.lot("OR9-1")["notes"]) == 4


# --- opening --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wanted", "words"),
    [
        (NewLot(part="vantry-vr21"), "no regulator has this name"),
        (NewLot(part="hollin-t18"), "no regulator has this name"),
        (NewLot(spec_toml="[machine]\nname = 'x'"), "spec_toml"),
        (NewLot(spec_toml=OR9.replace("min_volts = 13.9", "min_volts = 14.9")), "expected more than min_volts, 14.9"),
        (NewLot("batch", spec_toml=OR9), "kind: found 'batch', expected one of lot, standard, study"),
        (NewLot(lot="a/b", spec_toml=OR9), "'a/b' is no name of a lot"),
        (NewLot(planned=0, spec_toml=OR9), "at least one unit, not 0"),
        (NewLot(plan="attributes, general II, AQL 0.65", spec_toml=OR9), "needs the size of the lot"),
        (NewLot(plan="by feel", planned=500, spec_toml=OR9), "plan: "),
        (NewLot("standard", spec_toml=OR9), "a check standard needs a name"),
        (NewLot("standard", "R", spec_toml=OR9, references={"volts": (1, None)}), "reference 'volts': OR-9 has no such"),
        (NewLot("standard", "R", spec_toml=OR9, references={"leakage": (float("nan"), 1)}), "reference leakage: a value"),
        (NewLot("standard", "R", spec_toml=OR9, references={"leakage": (1, 0)}), "expanded uncertainty above 0"),
        (NewLot("standard", "R", spec_toml=OR9, every_hours=-1), "every_hours: found -1"),
        (NewLot("standard", "R", spec_toml=OR9, baseline=3), "baseline: found 3, expected 5 to 200"),
        (NewLot("study", "S", spec_toml=OR9, units=("A",), raters=("x", "y")), "a study has 2 to 50 units"),
        (NewLot("study", "S", spec_toml=OR9, units=("A", "B\x07"), raters=("x", "y")), "signs that cannot be seen"),
        (NewLot("study", "S", spec_toml=OR9, units=("A", "A"), raters=("x", "y")), "A is there twice"),
        (NewLot("study", "S", spec_toml=OR9, units=("A", "B"), raters=("x", "y"), trials=1), "2 to 10 trials"),
        (NewLot("study", "S", spec_toml=OR9, units=("A", "B"), raters=("x", "y"), rated_by="robot"), "not 'robot'"),
    ],
)  # fmt: skip
def test_what_cannot_be_opened_is_named_and_leaves_nothing(lots: Lots, wanted: NewLot, words: str) -> None:
    with pytest.raises((UsageError, ConfigError)) as caught:
        lots.open(wanted)
    assert words in str(caught.value)
    assert [one["lot"] for one in lots.lots()] == ["REF-1"]


def test_a_lot_keeps_its_file_and_its_name_is_chosen(lots: Lots, tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(OR9)
    body = lots.open(NewLot(part=str(file), customer=" Marlow\n Farm", plan="", by="Ines"))
    file.write_text(OR9.replace("14.7", "14.4"))
    assert (body["lot"], body["customer"], body["title"]) == ("OR9-0001", "Marlow Farm", "Vantry OR-9")
    assert lots.lot("OR9-0001")["spec_text"] == OR9
    assert lots.open(NewLot(spec_toml=OR9))["lot"] == "OR9-0002"


# --- runs -----------------------------------------------------------------------------------------------------------------


def order(lots: Lots, serial: str | None = "A1", lot: str | None = "OR9-1", **more: Any) -> Order:
    """On rig 1, whose instruments are due some other time."""
    found = config.load_bench(config.find_file("rig-1", "bench"))
    bench = replace(
        found, instruments={name: replace(one, calibration_due=None) for name, one in found.instruments.items()}
    )
    spec = config.load_spec(config.find_file("vantry-vr20", "regulator"))
    return Order(procedure=more.pop("procedure", "unit"), bench=bench, spec=spec, unit=serial, lot=lot, **more)


def test_a_run_in_a_lot_goes_by_the_lot_s_file_and_the_part_s_rule(lots: Lots) -> None:
    new_lot(lots)
    ready = prepare(order(lots, by="Tomas Rue", retest=True), lots.journal, START + MINUTE)
    body = run_opened(ready, "now")
    assert (body["lot"], body["lot_kind"], body["by"], body["retest"]) == ("OR9-1", "lot", "Tomas Rue", True)
    assert (body["machine"], body["rule"]) == ("Vantry OR-9", "guarded acceptance")
    assert body["configuration"]["spec"]["text"] == OR9
    assert not any("in no lot" in one for one in ready.notes)


def test_a_unit_without_a_lot_is_tested_with_a_note(lots: Lots) -> None:
    ready = prepare(order(lots, lot=None), lots.journal, START)
    assert any("in no lot" in one for one in ready.notes)
    assert "lot" not in run_opened(ready, "now")


def test_only_units_are_tested_in_a_lot(lots: Lots) -> None:
    new_lot(lots)
    for more, words in (
        ({"procedure": "regulator"}, "only units are tested in it"),
        ({"serial": None}, "say which unit"),
        ({"lot": "OR9-7"}, "there is no lot 'OR9-7'"),
    ):
        with pytest.raises(UsageError, match=words):
            prepare(order(lots, **more), lots.journal, START)


def test_a_bench_that_is_not_fit_opens_no_run_in_a_lot_but_measures_its_standard(lots: Lots) -> None:
    new_lot(lots)
    with pytest.raises(NotFitError, match=r"REF-1 was measured last at 2031-03-03 06:01 UTC, and is due every 8 h"):
        prepare(order(lots), lots.journal, START + 541 * MINUTE)
    assert prepare(order(lots, "REF-1", "REF-1"), lots.journal, START + 541 * MINUTE).order.lot_kind == "standard"
    late = order(lots)
    tach = replace(late.bench.instruments["tach"], calibration_due=date(2031, 3, 2))
    late = replace(late, bench=replace(late.bench, instruments={**late.bench.instruments, "tach": tach}))
    with pytest.raises(NotFitError, match="rig-1: the calibration of tach was due on 2031-03-02"):
        prepare(late, lots.journal, START + MINUTE)
    ready = prepare(replace(late, lot=None), lots.journal, START + MINUTE)
    assert any("tach: its calibration was due" in one for one in ready.notes), "a single test goes on with a warning"


# --- studies --------------------------------------------------------------------------------------------------------------


def test_a_study_wants_the_unit_that_is_due_of_whoever_tests(lots: Lots) -> None:
    lots.open(
        NewLot("study", "G-1", spec_toml=OR9, units=("U1", "U2", "U3"), raters=("Ines", "Tomas"), trials=2, seed=7)
    )
    body = lots.lot("G-1")
    assert (len(body["left"]), [one[1] for one in body["next"]]) == (12, ["Ines", "Tomas"])
    due, other = body["next"][0][0], next(one for one in ("U1", "U2", "U3") if one != body["next"][0][0])
    answer = scan(lots, other, "G-1", by="Ines")
    assert (answer["action"], answer["why"]) == (
        "refuse",
        f"the study wants unit {due} of Ines now (trial 1), not {other}",
    )
    assert scan(lots, due, "G-1")["why"] == "nobody is none of the study's people: Ines, Tomas (say --by NAME)"
    answer = scan(lots, due, "G-1", by="Ines")
    assert (answer["action"], answer["trial"]) == ("test", [due, "Ines", 1])
    # A test that was void, or in another's name, is no trial.
    judged(lots.journal, "G-1", due, verdict="void", trial=[due, "Ines", 1])
    assert len(lots.lot("G-1")["left"]) == 12
    for number, (serial, rater, trial) in enumerate(body["left"]):
        volts = 14.2 + 0.1 * int(serial[1]) + 0.004 * (rater == "Ines") + 0.003 * trial
        judged(
            lots.journal,
            "G-1",
            serial,
            {"set-point-light": volts},
            at=START + number * MINUTE,
            trial=[serial, rater, trial],
        )
    assert lots.lot("G-1")["left"] == []
    assert scan(lots, due, "G-1", by="Ines")["why"] == "Ines has done all trials of this study"
    made = lots.report("G-1")
    volts = next(one for one in made["characteristics"] if one["id"] == "set-point-light")
    assert (volts["n"], volts["missing"]) == ({"units": 3, "raters": 2, "trials": 2}, [])
    bias = {one["rater"]: one["bias"] for one in volts["bias"]}
    assert bias["Ines"] == pytest.approx(0.004)


def test_a_study_of_benches_goes_by_the_bench_that_scans(lots: Lots) -> None:
    wanted = NewLot(
        "study", "G-2", spec_toml=OR9, units=("U1", "U2"), raters=("rig 1", "rig-2"), rated_by="bench", seed=1
    )
    body = lots.open(wanted)
    due = {rater: serial for serial, rater, _ in body["next"]}
    assert scan(lots, due["rig-1"], "G-2", "rig 1")["trial"] == [due["rig-1"], "rig-1", 1]
    assert scan(lots, due["rig-1"], "G-2", "rig 3")["why"] == "rig-3 is none of the study's benches: rig-1, rig-2"


# --- reports --------------------------------------------------------------------------------------------------------------


def filled(lots: Lots, lot: str, count: int, shift: float = 0.0, **more: Any) -> None:
    new_lot(lots, lot, **more)
    for number in range(count):
        judged(
            lots.journal,
            lot,
            f"{lot}-{number}",
            {"set-point-light": 14.3 + shift + 0.01 * (number % 5)},
            at=START + number * MINUTE,
        )


def test_a_report_is_that_of_the_core_and_is_worked_out_once(lots: Lots, monkeypatch: pytest.MonkeyPatch) -> None:
    made, real = [], core.report
    monkeypatch.setattr(core, "report", lambda *given, **more: made.append(1) or real(*given, **more))
    filled(lots, "OR9-1", 8)
    found = lots.report("OR9-1")
    part = config.load_spec_text(OR9, "x").part
    assert part is not None
    assert found["report"] == real(lots.journal.lot_units("OR9-1"), part)
    assert (found["shop"], found["lot"]["lot"], found["doubtful"]) == ("Vantry Rebuild", "OR9-1", [])
    assert found["digest"] == lots.journal.lot_digest("OR9-1")
    again = lots.report("OR9-1")
    assert (again["report"] == found["report"], len(made)) == (True, 1)
    judged(lots.journal, "REF-1", "REF-1")  # another's test changes nothing
    lots.report("OR9-1")
    assert len(made) == 1
    judged(lots.journal, "OR9-1", "new", at=START + 9 * MINUTE)
    assert (lots.report("OR9-1")["report"]["counts"]["units"], len(made)) == (9, 2)


def test_a_lot_is_compared_with_the_closed_ones_before_it(lots: Lots) -> None:
    for number in range(7):
        filled(lots, f"OLD-{number}", 3, 0.01 * number)
        if number != 3:
            lots.close(f"OLD-{number}")
    filled(lots, "OR9-1", 3)
    filled(lots, "LATER", 1)
    lots.close("LATER")
    earlier = lots.report("OR9-1")["report"]["earlier"]
    assert [one["lot"] for one in earlier] == ["OLD-6", "OLD-5", "OLD-4", "OLD-2", "OLD-1"]
    volts = next(one for one in earlier[0]["characteristics"] if one["id"] == "set-point-light")
    assert volts["difference"] == pytest.approx(-0.06)
    kept = core.summary(
        core.report(lots.journal.lot_units("OLD-6"), reports._part(lots.lot("OLD-6"))), "OLD-6", earlier[0]["closed"]
    )
    assert core.summary_of(lots.journal.lot_units("OLD-6"), "OLD-6", earlier[0]["closed"]) == kept


def test_what_was_measured_in_another_way_is_not_compared(lots: Lots) -> None:
    lots.open(NewLot(lot="OLD", spec_toml=OR9.replace("amps = [0.8, 2.5]", "amps = [3.0, 4.0]")))
    judged(lots.journal, "OLD", "A1")
    lots.close("OLD")
    filled(lots, "OR9-1", 2)
    (earlier,) = lots.report("OR9-1")["report"]["earlier"]
    assert [one["id"] for one in earlier["characteristics"]] == ["leakage", "greatest-output", "ceiling"]


def test_the_report_of_a_standard_has_a_chart_a_bench(lots: Lots) -> None:
    for number in range(11):
        good_bench(lots, "rig 2", START + number * MINUTE)
    made = lots.report("REF-1")
    assert [(one["bench"], one["fit"], one["measurements"]) for one in made["benches"]] == [
        ("rig-1", True, 1),
        ("rig-2", True, 11),
    ]
    volts = made["benches"][1]["characteristics"][0]
    assert (volts["id"], volts["state"], len(volts["points"])) == ("set-point-light", "in control", 11)
    assert volts["limits"]["low"] < 14.3 < volts["limits"]["high"]
    assert [one["bench"] for one in made["gates"]] == ["rig-1", "rig-2"]


def test_a_closed_lot_keeps_how_its_benches_stood_when_it_was_closed(lots: Lots) -> None:
    new_lot(lots)
    judged(lots.journal, "OR9-1", "A1")
    then = lots.report("OR9-1")["gates"]
    assert [one["bench"] for one in then] == ["rig-1"]
    assert then[0]["standards"]
    assert lots.close("OR9-1")["benches"] == then
    lots.close("REF-1")  # from now on no standard is kept for the part
    assert not lots.gate("rig-1", "OR-9")["fit"]
    assert lots.report("OR9-1")["gates"] == then


def test_a_certificate_is_of_the_last_judged_test_and_tells_all(lots: Lots) -> None:
    new_lot(lots, customer="Marlow Farm Supply")
    judged(lots.journal, "OR9-1", "A1", verdict="fail", mode="drifts")
    run = judged(lots.journal, "OR9-1", "A1", retest=True, at=START + MINUTE)
    judged(lots.journal, "OR9-1", "A1", verdict="void", retest=True, at=START + 2 * MINUTE)
    judged(lots.journal, "OR9-1", "V1", verdict="void")
    made = lots.certificate("OR9-1", "A1")
    assert (made["unit"]["run"], made["unit"]["verdict"], made["unit"]["attempt"]) == (run, "pass", 2)
    assert [one["verdict"] for one in made["attempts"]] == ["void", "pass", "fail"]
    assert (made["lot"]["customer"], made["lot"]["part"], made["rule"], made["risk"]) == (
        "Marlow Farm Supply", "OR-9", "guarded acceptance", 0.05,
    )  # fmt: skip
    assert made["digest"] == lots.journal.digest(run)
    assert (made["verdict"]["measured"]["leakage"]["value"], made["doubtful"]) == (GOOD["leakage"], [])
    for serial, words in (("V1", "V1 was tested, but not judged in OR9-1"), ("N1", "N1 was not tested in OR9-1")):
        with pytest.raises(NotFoundError, match=words):
            lots.certificate("OR9-1", serial)


def test_a_certificate_says_that_its_bench_was_found_wrong_since(lots: Lots) -> None:
    new_lot(lots)
    judged(lots.journal, "OR9-1", "A1", at=START + 5 * MINUTE)
    judged(lots.journal, "OR9-1", "A2", at=START + 7 * MINUTE)
    judged(lots.journal, "REF-1", "REF-1", {"set-point-light": 14.4}, at=START + 10 * MINUTE)
    (told,) = lots.certificate("OR9-1", "A2")["doubtful"]
    assert told["says"].startswith(
        "this unit was judged on rig-1 between the last good check with REF-1 (2031-03-03 06:01 UTC)"
    )
    assert told["says"].endswith("the bad one (2031-03-03 06:10 UTC): test it again")


# --- exports --------------------------------------------------------------------------------------------------------------


def test_an_export_has_the_columns_of_the_guide(lots: Lots) -> None:
    new_lot(lots)
    judged(lots.journal, "OR9-1", "=A1", {"set-point-light": 13.5}, verdict="fail", mode="set-point-low", by="-Tomas")
    judged(lots.journal, "OR9-1", "A2", verdict="void", at=START + MINUTE)
    judged(lots.journal, "OR9-1", "A3", u=None, at=START + 2 * MINUTE)
    rows = list(csv.DictReader(io.StringIO(lots.export("OR9-1", "csv").decode())))
    part = config.load_spec_text(OR9, "x").part
    assert part is not None
    documented = dict(
        re.findall(
            r"^\| ((?!column)[a-z_]+|ID_\w+) \| ([a-z ]+) \|",
            GUIDE.read_text().partition("## Exports")[2],
            re.MULTILINE,
        )
    )
    columns = columns_of(part.characteristics)
    fixed = {name: kind for name, kind in documented.items() if not name.startswith("ID_")}
    assert list(columns.items())[: len(fixed)] == list(fixed.items())
    assert [one for one in documented if one.startswith("ID_")] == ["ID_UNIT", "ID_u", "ID_within"]
    assert list(rows[0]) == list(columns)
    first, void, last = rows
    assert (first["serial"], first["by"], first["mode"], first["test"], first["attempt"]) == (
        "'=A1",
        "'-Tomas",
        "set-point-low",
        "1",
        "1",
    )
    assert (first["set_point_light_V"], first["set_point_light_u"], first["set_point_light_within"]) == (
        "13.5",
        "0.005",
        "false",
    )
    assert (void["verdict"], void["set_point_light_V"], void["set_point_light_within"], void["attempt"]) == (
        "void",
        "",
        "",
        "0",
    )
    assert (last["leakage_mA"], last["leakage_u"], last["leakage_within"]) == ("0.2", "", "true")
    assert last["started"] == "2031-03-03T06:02:00.000+00:00"


def test_parquet_has_the_same_and_its_types(lots: Lots, monkeypatch: pytest.MonkeyPatch) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    monkeypatch.setattr("benchd.lots.export.BLOCK", 2)
    filled(lots, "OR9-1", 5)
    table = pq.read_table(io.BytesIO(lots.export("OR9-1", "parquet")))
    assert table.num_rows == 5
    types = {
        name: str(table.schema.field(name).type) for name in ("test", "serial", "leakage_mA", "leakage_within", "trial")
    }
    assert types == {
        "test": "int64",
        "serial": "string",
        "leakage_mA": "double",
        "leakage_within": "bool",
        "trial": "int64",
    }
    assert table.column("serial").to_pylist() == [f"OR9-1-{number}" for number in range(5)]
    assert table.column("test").to_pylist() == [1, 2, 3, 4, 5]
    assert table.column("set_point_light_V").to_pylist()[4] == 14.34
    lots.open(NewLot(lot="EMPTY", spec_toml=OR9))
    assert pq.read_table(io.BytesIO(lots.export("EMPTY", "parquet"))).num_rows == 0
    with pytest.raises(UsageError, match="expected csv or parquet"):
        lots.export("OR9-1", "xls")


def test_nothing_of_it_troubles_verify(lots: Lots) -> None:
    filled(lots, "OR9-1", 3)
    scan(lots, "")
    lots.close("OR9-1")
    assert [str(one) for one in lots.journal.verify()] == []
    with closing(sqlite3.connect(lots.journal.path)) as db:
        assert db.execute("SELECT count(*) FROM lot_tests").fetchone() == (4,)
    assert REFERENCES["set-point-light"][0] == GOOD["set-point-light"]
    assert datetime.now(UTC) < START
