"""`benchd lot`, `standard` and `study` as they are typed, on a journal of their own and without a daemon."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchd.cli import LazyGroup


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path))
    monkeypatch.delenv("BENCHD_SERVER", raising=False)


def typed(*words: str, given: str = "", code: int = 0) -> Result:
    found = CliRunner().invoke(LazyGroup("benchd"), list(words), input=given)
    assert found.exit_code == code, found.output
    return found


def body(*words: str) -> Any:
    return json.loads(typed(*words, "--json").stdout)


def test_a_lot_is_opened_looked_at_noted_and_closed() -> None:
    opened = body("lot", "open", "--part", "vantry-vr20", "--units", "50", "--customer", "Marlow Farm Supply")
    assert (opened["lot"], opened["planned"]) == ("VR20-0001", 50)
    assert "VR20-0001  open" in typed("lot", "list").stdout
    typed("lot", "note", "VR20-0001", "second pallet")
    said = typed("lot", "status", "VR20-0001").stdout
    assert "0 units of 50: none yet" in said
    assert "VR20-0001 is closed: 0 units" in typed("lot", "close", "VR20-0001", "--reason", "never came").stdout
    assert "was closed" in typed("lot", "close", "VR20-0001", code=2).output
    assert body("lot", "status", "VR20-0001")["closed_reason"] == "never came"


def test_what_cannot_be_opened_is_told_with_what_there_is() -> None:
    assert "did you mean 'vantry-vr20'" in typed("lot", "open", "--part", "vantry-vr21", code=2).output
    assert (
        "expected words like"
        in typed("lot", "open", "--part", "vantry-vr20", "--units", "9", "--plan", "some", code=2).output
    )
    assert "there is no lot 'X'" in typed("lot", "status", "X", code=2).output
    assert "is no name of a lot" in typed("lot", "open", "--part", "vantry-vr20", "--lot", "a/b", code=2).output
    assert (
        "say ID=VALUE" in typed("standard", "open", "R", "--part", "vantry-vr20", "--reference", "x=nan", code=2).output
    )


def test_a_bench_without_a_check_standard_tests_nothing_and_every_scan_is_answered() -> None:
    typed("lot", "open", "--part", "vantry-vr20")
    found = typed("lot", "scan", "VR20-0001", "--bench", "rig-1", "--json", given="A1\n\nA\x07\n", code=2)
    answers = [json.loads(line) for line in found.stdout.splitlines()]
    assert [one["action"] for one in answers] == ["refuse"] * 3
    assert "no check standard is kept" in answers[0]["why"]
    assert "an empty scan" in answers[1]["why"]
    assert "cannot be seen" in answers[2]["why"]
    typed("lot", "scan", "VR20-0001", "--bench", "rig-1", "--headless", given="A1\n", code=5)
    kinds = [one["kind"] for one in body("lot", "status", "VR20-0001")["records"]]
    assert kinds == ["lot-opened", *["lot-refused"] * 4]


def test_a_folder_for_labels_must_be_there(tmp_path: Path) -> None:
    typed("lot", "open", "--part", "vantry-vr20")
    words = ("lot", "scan", "VR20-0001", "--bench", "rig-1", "--headless", "--labels")
    assert "there is no such folder" in typed(*words, str(tmp_path / "none"), code=2).output
    typed(*words, str(tmp_path))


def test_a_check_standard_is_kept_and_its_causes_are_written_down() -> None:
    typed("standard", "open", "REF-1", "--part", "vantry-vr20", "--reference", "set-point-rated=14.2,0.03")
    assert "REF-1" in typed("standard", "list").stdout
    assert "was never measured here" in typed("standard", "fit", "--bench", "rig-1", "--part", "VR-20", code=1).stdout
    typed("standard", "cleared", "REF-1", "--bench", "rig-1", "--text", "lead replaced", "--by", "Tomas Rue")
    assert body("lot", "status", "REF-1")["records"][-1]["kind"] == "lot-cleared"
    assert "is a check standard" in typed("study", "status", "REF-1", code=2).output


def test_a_study_says_who_tests_which_unit_next() -> None:
    words = [word for unit in ("A", "B", "C") for word in ("--unit", unit)]
    typed("study", "open", "G-1", "--part", "vantry-vr20", *words, "--rater", "Ines", "--rater", "Tomas", "--seed", "3")
    said = typed("study", "status", "G-1").stdout
    assert "0 of 18 trials are done" in said
    assert "Ines: next unit" in said
    assert (
        "2 to 10 raters"
        in typed("study", "open", "G-2", "--part", "vantry-vr20", *words, "--rater", "Ines", code=2).output
    )
