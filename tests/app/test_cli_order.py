"""`benchd order` on the journal alone, in one process: what is typed, what is kept, what is said."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchd.cli import cli
from benchd.cli.answers import Prepared
from benchd.errors import BenchdError, BusyError, NotFoundError, UsageError


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("BENCHD_SERVER", raising=False)
    return tmp_path


def order(*args: str, stdin: str | None = None) -> Result:
    return CliRunner().invoke(cli, ["order", *args], input=stdin, standalone_mode=False, catch_exceptions=True)


def body(*args: str, stdin: str | None = None) -> dict[str, Any]:
    done = order(*args, "--json", stdin=stdin)
    assert done.exception is None, done.exception
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def refused(*args: str) -> BenchdError:
    error = order(*args).exception
    while error is not None and not isinstance(error, BenchdError):  # the command group wraps it for the terminal
        error = error.__cause__
    assert isinstance(error, BenchdError)
    return error


@pytest.fixture
def opened() -> dict[str, Any]:
    return body(
        "new", "--machine", "hollin-t18", "--unit", "T18-0042", "--complaint", "only clicks", "--by", "Anna Weld"
    )


def test_an_order_is_opened_listed_and_found_by_number_and_serial(opened: dict[str, Any]) -> None:
    assert (opened["work_order"], opened["state"], opened["complaint"]) == ("1001", "open", "only clicks")
    assert body("list")["orders"][0]["work_order"] == "1001"
    assert body("show", "T18-0042")["opened_by"] == "Anna Weld"
    newer = body("new", "--machine", "hollin-t18", "--unit", "T18-0042", "--complaint", "again")
    assert body("show", "T18-0042")["work_order"] == newer["work_order"] == "1002"


def test_a_second_open_order_of_one_machine_is_told(opened: dict[str, Any]) -> None:
    done = order("new", "--machine", "hollin-t18", "--unit", "T18-0042", "--complaint", "x")
    assert "order 1001 of this serial number is open too" in done.stderr
    assert "open too" not in order("new", "--machine", "hollin-t18", "--complaint", "x").stderr


def test_a_serial_number_may_have_a_slash_and_blanks_and_a_line_end() -> None:
    opened = body("new", "--machine", "hollin-t18", "--unit", "T18/0042 B", "--complaint", "x")
    assert body("show", " T18/0042  B\r\n")["work_order"] == opened["work_order"]
    assert isinstance(refused("show", "T18/0043"), UsageError)


def test_a_serial_number_that_is_another_order_s_number_is_asked_about(opened: dict[str, Any]) -> None:
    """Else what was found on one machine would stand in the order of another."""
    body("new", "--machine", "hollin-t18", "--unit", "1001", "--complaint", "x")
    error = refused("note", "1001", "for whom?")
    assert isinstance(error, UsageError)
    assert "1001 is the number of one order and the serial number of the machine of order 1002: say order:1001" in str(
        error
    )
    assert body("note", "order:1001", "the first")["work_order"] == "1001"
    assert body("note", "order:1002", "the second")["work_order"] == "1002"
    body("close", "1002", "--without-proof", "sold")
    assert body("show", "1001")["work_order"] == "1001"


def test_a_run_finds_its_order_by_the_serial_number(opened: dict[str, Any]) -> None:
    from benchd.cli.run import text_of_work_order

    assert text_of_work_order("T18-0042") == ("1001", opened["spec_text"])


def test_every_action_of_the_screens_is_carried_out(opened: dict[str, Any], home: Path) -> None:
    from benchd.cli.order import at_door
    from benchd.cli.visit import Calls

    photo = home / "a.png"
    photo.write_bytes(b"\x89PNG\r\n\x1a\n...")
    with at_door() as door:
        calls = Calls(door, "Anna Weld")
        for action, line in (
            (("scan", "T18-0042"), ""),
            (("answer", "onset", "sudden"), "suddenly"),
            (("find", "terminals", "loose"), "loose"),
            (("find+note", "terminals", "loose", "by hand"), "(by hand)"),
            (("find+photo", "terminals", "loose", str(photo)), "[1 photo]"),
            (("note", "fetched Friday"), "fetched Friday"),
            (("repair", "clean-terminals", ""), "Repair: Clean and tighten"),
            (("repair", "new-battery", "B-28"), "[part B-28]"),
            (("report", str(home / "1.html")), "written: "),
            (("close", "sold"), "WITHOUT PROOF: sold"),
        ):
            shown, said = calls.do("1001", action)
            assert shown is not None
            assert line in said
        assert shown["repairs"][-1]["by"] == "Anna Weld"
        new, _ = calls.do("", ("new", "hollin-t18", "T18-0043", "dead"))
        assert new is not None
        assert new["work_order"] == "1002"


def test_the_complaint_is_asked_for_where_it_is_not_given() -> None:
    assert body("new", "--machine", "hollin-t18", stdin="will not crank\n")["complaint"] == "will not crank"


def test_the_interview_takes_numbers_ids_and_nothing(opened: dict[str, Any]) -> None:
    """Enter skips, a number or an id answers, nonsense is asked again, a full stop ends."""
    done = order("answer", "1001", stdin="2\n\n99\n1\n.\n")
    assert done.exception is None
    assert "'99' is none of" in done.stderr
    answers = body("show", "1001")["answers"]
    assert [one["outcome"] is None for one in answers] == [False, True, False]
    again = order("answer", "1001", stdin=".\n")
    assert answers[0]["ask"] not in again.stderr


def test_findings_move_the_causes_and_the_plan(opened: dict[str, Any]) -> None:
    def of(visit: dict[str, Any], cause: str) -> float:
        return next(float(one["probability"]) for one in visit["ranking"]["causes"] if one["id"] == cause)

    loose = body("find", "1001", "terminals", "loose", "--note", "turns by hand")
    assert of(loose, "joint-loose") > 2 * of(opened, "joint-loose")
    assert loose["findings"][0]["note"] == "turns by hand"
    back = body("find", "1001", "terminals", "skip")
    assert of(back, "joint-loose") == pytest.approx(of(opened, "joint-loose"))


def test_a_repair_alone_proves_nothing(opened: dict[str, Any]) -> None:
    done = body("repair", "1001", "new-battery", "--part", "battery 28 Ah,B-28,0815", "--by", "Anna Weld")
    assert done["repairs"][0]["parts"] == [{"name": "battery 28 Ah", "number": "B-28", "serial": "0815"}]
    assert "one too many" in str(refused("repair", "1001", "new-battery", "--part", "battery, 28 Ah, B-28, 0815"))
    error = refused("close", "1001")
    assert isinstance(error, UsageError)
    assert "No regulator run was made after the last repair" in str(error)
    assert body("show", "1001")["state"] == "open"


def test_closing_without_proof_needs_a_reason_and_says_so(opened: dict[str, Any]) -> None:
    said = order("close", "1001", "--without-proof", "customer needs it today")
    assert "WITHOUT PROOF: customer needs it today" in said.stdout
    assert "NOT PROVEN" in order("show", "1001").stdout
    assert isinstance(refused("note", "1001", "one more thing"), BusyError)


REFUSED = [
    (("show", "1002"), NotFoundError, "1002"),
    (("answer", "1001", "crank", "slow"), NotFoundError, "cranks"),
    (("answer", "1001", "cranks"), UsageError, "say the answer too"),
    (("find", "1001", "terminals", "lose"), UsageError, "loose"),
    (("find", "1001", "terminals", "loose", "--photo", "gone.jpg"), UsageError, "gone.jpg"),
    (("repair", "1001", "new-batery"), NotFoundError, "new-battery"),
    (("repair", "1001"), UsageError, "did"),
]


def test_what_cannot_be_is_refused_by_name(opened: dict[str, Any]) -> None:
    """All on one order, since nothing of it may be kept."""
    for args, kind, words in REFUSED:
        error = refused(*args)
        assert isinstance(error, kind), args
        assert words in str(error), args
    assert body("show", "1001")["log"] == opened["log"]


def test_prepared_answers_are_given_once_each_and_what_is_left_is_told() -> None:
    prepared = Prepared(["gravity:1=1265", "gravity:1=1.265", "battery-celsius = 12"])
    assert [prepared.take({"id": "gravity:1"}) for _ in range(3)] == ["1265", "1.265", None]
    assert prepared.left == ["battery-celsius"]
    with pytest.raises(UsageError, match="ID=TEXT"):
        Prepared(["gravity"])
