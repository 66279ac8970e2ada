"""The visit service over a journal: what goes in, what comes out, what counts as evidence, what is refused by name."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from journal_world import troubles
from visit_world import KNOWN, judged

from benchd import config, orders
from benchd.core.causes.answers import Plan, Ranked, Ranking
from benchd.core.visit import Mended, Observed
from benchd.errors import BusyError, ConfigError, NotFoundError, UsageError
from benchd.journal import Journal
from benchd.visits.door import NewRepair, NewVisit, VisitDoor
from benchd.visits.evidence import meaning, passed_over
from benchd.visits.papers import visit_data
from benchd.visits.photos import MOST_BYTES, Photo, named, path_of
from benchd.visits.service import Visits

NEW = NewVisit(
    "hollin-t18", complaint="dead each\nmorning", unit=" T18-0042\r\n", customer="Piet  Marlow", by="Anna Weld"
)
PNG = b"\x89PNG\r\n\x1a\n" + b"p" * 100


class World:
    """A journal, its visits, and what the two engines were asked; they answer as they are told."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.journal = Journal(home / "journal.sqlite")
        self.now = datetime(2027, 3, 1, 9, 0, tzinfo=UTC)
        self.visits = Visits(self.journal, KNOWN, lambda: self.now)
        self.evidence: list[Observed | Mended] = []
        self.asked = 0
        self.next = Plan("check", "why", (), None, {}, 12.0)

    def rank(self, knowledge: Any, evidence: Any) -> Ranking:
        assert knowledge.knowledge is KNOWN
        self.evidence = list(evidence)
        self.asked += 1
        return Ranking(
            (Ranked("joint-loose", "Joint loose", "wiring", 0.5, 0.3, "see"),), ((("joint-loose",), 0.5),), 0.01
        )

    def plan(self, knowledge: Any, evidence: Any, by: str = "minutes", skipped: Any = ()) -> Plan:
        return Plan(self.next.next, self.next.why, (), None, {}, 12.0, by)


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    from benchd.core.causes import infer

    made = World(tmp_path)
    planner = ModuleType("benchd.core.causes.plan")
    planner.plan = made.plan  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "benchd.core.causes.plan", planner)
    monkeypatch.setattr("benchd.core.causes.plan", planner, raising=False)
    monkeypatch.setattr(infer, "rank", made.rank, raising=False)
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path))
    yield made
    if made.journal.path.exists():
        assert troubles(made.journal) == []
    made.journal.close()


def seen(world: World) -> list[tuple[str, str]]:
    """The evidence of the last look: (item, outcome), and ('mended', repair)."""
    return [(one.item, one.outcome) if isinstance(one, Observed) else ("mended", one.repair) for one in world.evidence]


# --- the body -------------------------------------------------------------------------------------------------------------


def test_a_visit_from_the_complaint_to_the_proof(world: World) -> None:
    door: VisitDoor = world.visits
    body = door.open(NEW)
    assert (body["work_order"], body["state"], body["unit"], body["customer"], body["opened_by"]) == (
        "1001", "open", "T18-0042", "Piet Marlow", "Anna Weld"
    )  # fmt: skip
    assert body["machine"] == "Hollin T18 garden tractor"
    assert body["spec"]["regulator"]["rated_amps"] == 15.0
    assert "[regulator]" in body["spec_text"]
    assert body["opened"] == "2027-03-01T09:00:00.000+00:00"
    assert (body["closed"], body["closed_reason"], body["proof"]["proven"]) == (None, "", False)
    door.answer("1001", "onset", "sudden", "after the rain", "Anna Weld")
    door.answer("1001", "holds-charge", None)
    failed = judged(world.journal, "1001", verdict="fail", suspect="joint", reasons=["0.9 V were lost."])
    door.find("1001", "terminals", "loose", "negative")
    door.repair(
        "1001", NewRepair("clean-terminals", "both ends", parts=({"name": "terminal", "number": "T-8"},), minutes=12)
    )
    judged(world.journal, None)  # another machine's
    proof = judged(world.journal, "1001")
    body = door.note("1001", "idles well")
    assert [(one["question"], one["outcome"], one["text"], one["note"]) for one in body["answers"]] == [
        ("onset", "sudden", "it is sudden", "after the rain"),
        ("holds-charge", None, "", ""),
    ]
    assert body["answers"][0].items() >= {"ask": "What of onset?", "by": "Anna Weld", "at": body["opened"]}.items()
    (repair,) = body["repairs"]
    assert repair.items() >= {
        "repair": "clean-terminals", "title": "Clean and tighten", "did": "both ends", "mends": ["joint-loose"],
        "touches": ["wiring"], "parts": [{"name": "terminal", "number": "T-8", "serial": ""}], "minutes": 12,
    }.items()  # fmt: skip
    assert [(one["run"], one["run_no"], one["item"], one["outcome"], one["text"]) for one in body["runs"]] == [
        (failed, 1, "regulator", "joint", "it is joint"),
        (proof, 3, "regulator", "good", "it is good"),
    ]
    assert body["runs"][0].items() >= {
        "finding": "settled", "reasons": ["0.9 V were lost."], "verdict": "fail", "suspect": "joint", "bench": "bay 1",
        "measured": {"settled_volts": {"value": 14.21, "unit": "V"}}, "ended": "2027-03-01T10:05:00+00:00",
    }.items()  # fmt: skip
    assert body["proof"] == {"proven": True, "missing": [], "runs": [proof]}
    assert [one["what"] for one in body["log"]] == [
        "opened", "answer", "answer", "run", "finding", "repair", "run", "note"
    ]  # fmt: skip
    assert [one["line"] for one in body["log"]][1:6] == [
        "What of onset? it is sudden (after the rain)",
        "What of holds-charge? skipped",
        "regulator run: fail, suspect: joint",
        "What of terminals?: it is loose (negative)",
        "Repair: Clean and tighten: both ends [terminal T-8]",
    ]
    assert body["ranking"]["causes"][0]["id"] == "joint-loose"
    assert seen(world) == [
        ("onset", "sudden"), ("regulator", "joint"), ("terminals", "loose"), ("mended", "clean-terminals"),
        ("regulator", "good"),
    ]  # fmt: skip
    body = door.close("1001", by="Anna Weld")
    assert (body["state"], body["closed_reason"], body["causes"], body["plan"]["next"]) == (
        "proven", "", ["joint-loose"], "none"
    )  # fmt: skip
    assert world.journal.order_records("1001")[-1].items() >= {
        "kind": "order-closed", "proven": True, "missing": [], "runs": [proof], "causes": ["joint-loose"], "by": "Anna Weld"
    }.items()  # fmt: skip
    json.dumps(body)
    (listed,) = door.visits()
    assert listed == {
        "work_order": "1001", "state": "proven", "machine": "Hollin T18 garden tractor", "unit": "T18-0042",
        "customer": "Piet Marlow", "complaint": "dead each\nmorning", "opened": body["opened"], "closed": body["closed"],
        "runs": 2,
    }  # fmt: skip


def test_the_order_of_things_is_told_by_numbers_when_the_clock_is_put_back(world: World) -> None:
    world.visits.open(NEW)
    judged(world.journal, "1001", verdict="fail", suspect="regulator")
    world.visits.repair("1001", NewRepair("new-regulator"))
    world.now = datetime(2020, 1, 1, tzinfo=UTC)
    world.visits.note("1001", "the battery of the clock is flat")
    judged(world.journal, "1001")
    body = world.visits.visit("1001")
    assert [one["what"] for one in body["log"]] == ["opened", "run", "repair", "note", "run"]
    assert body["log"][3]["at"].startswith("2020")
    assert body["proof"]["proven"]


def test_orders_are_listed_by_state_unit_and_machine(world: World) -> None:
    for machine, unit in (("hollin-t18", "A"), ("caldmoor-z42", "B"), ("hollin-t18", "B")):
        world.visits.open(NewVisit(machine, unit=unit))
    world.visits.close("1003", "sold")

    def numbers(**wanted: Any) -> list[str]:
        return [one["work_order"] for one in world.visits.visits(**wanted)]

    assert numbers() == ["1003", "1002", "1001"]
    assert numbers(limit=1) == ["1003"]
    assert numbers(unit="B") == ["1003", "1002"]
    assert numbers(state="open") == ["1002", "1001"]
    assert numbers(state="closed without proof") == numbers(state="closed") == ["1003"]
    assert numbers(machine="hollin-t18") == numbers(machine="Hollin T18 garden tractor") == ["1003", "1001"]
    assert numbers(machine="none-such") == []
    with pytest.raises(UsageError, match="state 'shut'; there are open, proven, closed without proof"):
        world.visits.visits("shut")


def test_a_machine_is_named_or_sent(world: World) -> None:
    text = (Path(__file__).parents[2] / "configs" / "machines" / "hollin-t18.toml").read_text()
    body = world.visits.open(NewVisit(spec_toml=text.replace("Hollin T18", "Ostrick R1"), work_order=" WO-7"))
    assert (body["work_order"], body["machine"], body["spec_file"]) == (
        "WO-7", "Ostrick R1 garden tractor", "(sent with the order)"
    )  # fmt: skip
    with pytest.raises(ConfigError, match=r"sent with the order.*rated_amps"):
        world.visits.open(NewVisit(spec_toml=text.replace("rated_amps = 15.0", "rated_amps = -1")))
    with pytest.raises(UsageError, match=r"an order wants a machine.*hollin-t18"):
        world.visits.open(NewVisit())
    with pytest.raises(ConfigError, match="did you mean 'hollin-t18'"):
        world.visits.open(NewVisit("holin-t18"))
    assert [one["work_order"] for one in world.visits.visits()] == ["WO-7"]


def test_what_cannot_be_seen_or_moves_a_cursor_is_not_kept(world: World) -> None:
    """A scanner's or a web page's leavings would keep a serial number from being found."""
    text = "dead\x9b2J each\x1b[31m\tday\n\udcffat six"
    body = world.visits.open(NewVisit("hollin-t18", unit="T18\u200b\xa00042\x85", complaint=text, customer="\u202eJo"))
    assert (body["unit"], body["customer"], body["complaint"]) == ("T18 0042", "Jo", "dead 2J each [31m\tday\n at six")
    with pytest.raises(
        UsageError, match=r"'10\\u200b01' is no number of a work order: it holds signs that cannot be seen"
    ):
        world.visits.open(NewVisit("hollin-t18", work_order="10\u200b01"))


def test_what_was_asked_is_told_in_the_words_of_then(world: World) -> None:
    """The causes file may be another one later: the record has the words."""
    world.visits.open(NEW)
    world.visits.answer("1001", "onset", "sudden")
    world.journal.append_order("1001", {"kind": "order-answer", "question": "gone", "outcome": "often", "by": ""})
    world.journal.append_order("1001", {"kind": "order-repair", "repair": "gone", "mends": ["gone"], "touches": []})
    body = world.visits.visit("1001")
    assert [(one["ask"], one["text"]) for one in body["answers"]] == [
        ("What of onset?", "it is sudden"),
        ("gone", "often"),
    ]
    records = world.journal.order_records("1001")
    assert (records[1]["ask"], records[1]["text"]) == ("What of onset?", "it is sudden")


def test_the_plan_is_seen_with_the_proof(world: World) -> None:
    world.next = Plan("none", "nothing left", (), None, {}, None)
    world.visits.open(NEW)
    assert world.visits.visit("1001")["plan"]["next"] == "none"
    world.visits.repair("1001", NewRepair("new-battery"))
    plan = world.visits.visit("1001")["plan"]
    assert plan["next"] == "prove"
    assert "No regulator run was made after the last repair." in plan["why"]
    judged(world.journal, "1001")
    world.next = Plan("prove", "run it", (), None, {}, None)
    plan = world.visits.visit("1001", "cost")["plan"]
    assert (plan["next"], plan["why"], plan["by"]) == ("none", "The machine is proven fixed: close the order.", "cost")
    with pytest.raises(UsageError, match="minutes or cost, not 'luck'"):
        world.visits.visit("1001", "luck")


def test_what_was_thought_about_is_not_thought_about_again(world: World) -> None:
    world.visits.open(NEW)
    world.visits.answer("1001", "onset", "sudden")
    asked = world.asked
    for _ in range(3):
        world.visits.visit("1001")
    world.visits.note("1001", "says nothing of a cause")
    assert world.asked == asked
    world.visits.answer("1001", "onset", "gradual")
    assert world.asked == asked + 1


# --- evidence -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "means"),
    [
        (("pass", "none", "settled"), ("regulator", "good")),
        (("fail", "regulator", "settled"), ("regulator", "no-output")),
        (("fail", "stator", "settled"), ("regulator", "no-output")),
        (("fail", "joint", "settled"), ("regulator", "joint")),
        (("fail", "regulator", "ceiling crossed"), ("regulator", "too-high")),
        (("undecided", "unknown", "stuck-on"), ("regulator", "too-high")),
        (("void", "battery", "no answer"), ("", "")),
    ],
)
def test_a_run_means_what_fits_it_best(said: tuple[str, str, str], means: tuple[str, str]) -> None:
    verdict, suspect, finding = said
    run = {"procedure": "regulator", "status": "judged", "verdict": verdict, "suspect": suspect, "finding": finding}
    assert meaning(KNOWN, run) == means
    assert meaning(KNOWN, {**run, "status": "aborted"}) == ("", "")
    assert meaning(KNOWN, {**run, "procedure": "stator"}) == ("", "")


def test_a_slug_in_the_verdict_says_more_than_how_it_ended(world: World) -> None:
    world.visits.open(NEW)
    judged(world.journal, "1001", verdict="fail", suspect="regulator", finding="stuck-on")
    (run,) = world.visits.visit("1001")["runs"]
    assert (run["finding"], run["outcome"]) == ("stuck-on", "too-high")


def test_the_newest_since_the_last_repair_counts_and_of_a_question_the_newest_of_all(world: World) -> None:
    visits = world.visits
    visits.open(NEW)
    visits.answer("1001", "onset", "gradual")
    visits.answer("1001", "holds-charge", "no")
    visits.find("1001", "terminals", "good")
    visits.find("1001", "terminals", "loose")
    judged(world.journal, "1001", "load", verdict="fail")
    judged(world.journal, "1001", "load", verdict="pass")
    visits.repair("1001", NewRepair("clean-terminals"))
    judged(world.journal, "1001", "load", verdict="fail")
    visits.find("1001", "terminals", "good")
    visits.answer("1001", "onset", "sudden")
    visits.visit("1001")
    assert seen(world) == [
        ("onset", "sudden"), ("holds-charge", "no"), ("terminals", "loose"), ("load", "holds"),
        ("mended", "clean-terminals"), ("load", "weak"), ("terminals", "good"),
    ]  # fmt: skip
    visits.answer("1001", "onset", None)
    visits.find("1001", "terminals", None)
    assert seen(world) == [
        ("holds-charge", "no"), ("terminals", "loose"), ("load", "holds"), ("mended", "clean-terminals"), ("load", "weak")
    ]  # fmt: skip
    (mended,) = [one for one in world.evidence if isinstance(one, Mended)]
    assert (mended.mends, mended.touches) == (("joint-loose",), ("wiring",))
    assert world.visits.evidence("1001") == world.evidence


def test_what_others_wait_for_is_proposed_until_it_is_answered(world: World) -> None:
    """Skipped, it would lock them for ever; and another machine's runs are nobody's vain tries."""
    world.visits.open(NEW)
    world.visits.find("1001", "terminals", None)
    for _ in range(2):
        judged(world.journal, "1001", "load", machine="Caldmoor Z42", verdict="void")
    visit = world.visits._visit("1001")
    assert passed_over(KNOWN, visit) == {"terminals"}
    load = replace(KNOWN.items["load"], needs=("terminals",))
    assert passed_over(replace(KNOWN, items={**KNOWN.items, "load": load}), visit) == set()
    for _ in range(2):
        judged(world.journal, "1001", "load", verdict="void")
    assert passed_over(KNOWN, world.visits._visit("1001")) == {"terminals", "load"}


def test_a_finding_is_taken_back_though_something_was_repaired_since(world: World) -> None:
    world.visits.open(NEW)
    world.visits.find("1001", "terminals", "loose")
    world.visits.repair("1001", NewRepair("new-regulator"))
    world.visits.find("1001", "terminals", None, "that was the other machine")
    assert seen(world) == [("mended", "new-regulator")]


def test_a_run_of_another_machine_says_and_proves_nothing(world: World) -> None:
    """Somebody typed the wrong number."""
    world.visits.open(NEW)
    judged(world.journal, "1001", machine="Caldmoor Z42")
    body = world.visits.visit("1001")
    assert seen(world) == []
    assert (body["runs"][0]["item"], body["proof"]["proven"]) == ("", False)
    assert "is of another machine (Caldmoor Z42): it proves nothing here." in body["proof"]["missing"][1]
    assert body["log"][-1]["line"] == "regulator run: pass (of another machine, Caldmoor Z42: it says nothing here)"
    printed = visit_data(body, world.journal)
    assert (printed["visit"]["runs"], printed["runs"]) == ([], {}), "it is on the customer's paper"


def test_a_test_by_hand_stands_beside_a_run_of_it(world: World) -> None:
    world.visits.open(NEW)
    judged(world.journal, "1001", "load", verdict="fail")
    world.visits.find("1001", "load", "holds", "at the counter, by a carbon pile")
    assert seen(world) == [("load", "holds")]


# --- repairs and closing --------------------------------------------------------------------------------------------------


def test_a_repair_in_words_says_what_it_was_for(world: World) -> None:
    world.visits.open(NEW)
    did = NewRepair(did="soldered the lead", mends=("stator-open",), by="Anna Weld")
    (repair,) = world.visits.repair("1001", did)["repairs"]
    assert (repair["title"], repair["did"], repair["touches"]) == ("", "soldered the lead", ["stator"])
    judged(world.journal, "1001")
    assert world.visits.visit("1001")["proof"]["missing"] == ["No stator run was made after the repair of the stator."]
    both = world.visits.repair("1001", NewRepair("new-regulator", touches=("wiring",)))["repairs"][-1]
    assert (both["mends"], both["touches"]) == (["regulator-dead"], ["regulator", "wiring"])


@pytest.mark.parametrize(
    "done",
    [
        NewRepair(did="rewound the stator", touches=("engine",)),
        NewRepair(did="pulled the Flywheel, glued a magnet", touches=("engine",)),
        NewRepair(did="new coil", mends=("stator-open",), touches=("wiring",)),
        NewRepair("new-regulator", mends=("regulator-dead", "stator-open")),
        NewRepair("new-regulator", parts=({"name": "Stator 20 A"},)),
    ],
)
def test_whoever_worked_on_the_stator_has_to_prove_it_whatever_he_says_he_touched(
    world: World, done: NewRepair
) -> None:
    world.visits.open(NEW)
    world.visits.repair("1001", done)
    judged(world.journal, "1001")
    body = world.visits.visit("1001")
    assert "stator" in body["repairs"][0]["touches"]
    assert body["proof"]["missing"] == ["No stator run was made after the repair of the stator."]


@pytest.mark.parametrize(
    ("done", "told"),
    [
        (NewRepair("new-baterry"), "no repair 'new-baterry' .did you mean 'new-battery'"),
        (NewRepair(), "say what was done"),
        (NewRepair(did="looked at it"), "say what the repair touched: one or more of battery, stator"),
        (NewRepair(did="x", mends=("gremlins",)), "no cause 'gremlins'; there are battery-discharged"),
        (NewRepair(did="x", touches=("seat",)), "no part 'seat' .*; there are battery, stator, regulator, wiring"),
        (NewRepair("new-battery", parts=({"number": "7"},)), "a part has no name"),
        (NewRepair("new-battery", minutes=float("nan")), "minutes: found nan"),
        (NewRepair("new-battery", minutes=-1), "minutes: found -1"),
    ],
)
def test_a_repair_that_makes_no_sense_is_refused_by_name(world: World, done: NewRepair, told: str) -> None:
    world.visits.open(NEW)
    with pytest.raises(UsageError, match=told):
        world.visits.repair("1001", done)
    assert len(world.journal.order_records("1001")) == 1


def test_without_proof_it_is_closed_only_with_a_reason(world: World) -> None:
    world.visits.open(NEW)
    judged(world.journal, "1001", verdict="fail", suspect="regulator")
    world.visits.repair("1001", NewRepair("new-battery"))
    with pytest.raises(
        UsageError, match=r"1001 is not proven: No regulator run was made after the last repair\. Do that"
    ):
        world.visits.close("1001")
    with pytest.raises(UsageError, match="not proven"):
        world.visits.close("1001", "  \n")
    body = world.visits.close("1001", "the customer fetched it")
    assert (body["state"], body["closed_reason"]) == ("closed without proof", "the customer fetched it")
    assert body["log"][-1]["line"] == "Order closed WITHOUT PROOF: the customer fetched it"
    for write in (
        lambda: world.visits.note("1001", "x"),
        lambda: world.visits.answer("1001", "onset", "sudden"),
        lambda: world.visits.find("1001", "terminals", "good"),
        lambda: world.visits.repair("1001", NewRepair("new-battery")),
        lambda: world.visits.close("1001", "again"),
    ):
        with pytest.raises(BusyError, match="work order 1001 was closed 2027-03-01T09:00 UTC"):
            write()


def test_a_repair_that_another_bench_writes_meanwhile_undoes_the_proof(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    world.visits.open(NEW)
    judged(world.journal, "1001")
    append, meanwhile = world.journal.append_order, []

    def late(work_order: str, record: Any, at: Any = None) -> int:
        if not meanwhile:
            meanwhile.append(
                append(work_order, {"kind": "order-repair", "repair": "", "mends": [], "touches": ["wiring"]})
            )
        return append(work_order, record, at)

    monkeypatch.setattr(world.journal, "append_order", late)
    with pytest.raises(UsageError, match="No regulator run was made after the last repair"):
        world.visits.close("1001")
    assert meanwhile == [2]
    assert world.journal.order("1001")["state"] == "open"


# --- photos ---------------------------------------------------------------------------------------------------------------


def test_photos_are_copied_and_kept_by_their_content(world: World, tmp_path: Path) -> None:
    world.visits.open(NEW)
    first, second = tmp_path / "IMG_1.JPG", tmp_path / "same.png"
    first.write_bytes(PNG)
    second.write_bytes(PNG)
    paper = tmp_path / "manual.pdf"
    paper.write_bytes(b"%PDF-1.7 ...")
    body = world.visits.find("1001", "terminals", "loose", photos=[str(first), str(second), str(paper)])
    (finding,) = body["findings"]
    digest = sha256(PNG).hexdigest()
    assert finding["photos"][0] == {"file": "IMG_1.JPG", "sha256": digest, "bytes": 108, "kept": f"{digest}.png"}
    assert [one["file"] for one in finding["photos"]] == ["IMG_1.JPG", "same.png", "manual.pdf"]
    assert sorted(one.suffix for one in (tmp_path / "photos").iterdir()) == [".pdf", ".png"]
    kept = path_of(tmp_path, finding["photos"][0])
    assert kept is not None
    assert kept.read_bytes() == PNG
    assert body["log"][-1]["line"].endswith("[3 photos]")
    assert path_of(tmp_path, {"kept": "../journal.sqlite"}) is None
    again = world.visits.find_with("1001", "terminals", "loose", photos=[Photo("x", kept=f"{digest}.png")])
    assert again["findings"][1]["photos"][0]["sha256"] == digest


def test_a_photo_that_is_none_is_refused_by_name_and_nothing_is_written(world: World, tmp_path: Path) -> None:
    world.visits.open(NEW)
    text, large = tmp_path / "note.jpg", tmp_path / "large.png"
    text.write_text("no picture")
    large.write_bytes(PNG)
    with large.open("r+b") as file:
        file.truncate(MOST_BYTES + 1)

    def with_photo(*photos: Photo | Path) -> None:
        if all(isinstance(one, Path) for one in photos):
            world.visits.find("1001", "terminals", "loose", photos=[str(one) for one in photos])
        else:
            world.visits.find_with("1001", "terminals", "loose", photos=photos)  # type: ignore[arg-type]

    for photo, told in (
        (tmp_path / "gone.jpg", r"gone\.jpg: there is no such file"),
        (tmp_path, "is no file: give the photo's path"),
        (Path("/dev/zero"), "/dev/zero: is no file"),
        (text, r"note\.jpg: is no picture: expected one of jpg, png"),
        (large, r"large\.png: has 21\.0 MB, a photo may have 21 MB"),
        (Photo("a", kept="0" * 64 + ".png"), "a: no photo 0+.png is kept here"),
        (Photo("a", kept="../../etc/passwd"), "is no name of a kept photo"),
        (Photo("a", b"<html>"), "a: is no picture"),
    ):
        with pytest.raises(UsageError, match=told):
            with_photo(photo)
    with pytest.raises(UsageError, match="21 photos: a finding takes 20"):
        with_photo(*[Photo("a", PNG)] * 21)
    assert len(world.journal.order_records("1001")) == 1
    with pytest.raises(NotFoundError):
        world.visits.find_with("1002", "terminals", "loose", photos=[Photo("a", PNG)])
    assert not (tmp_path / "photos").exists()


def test_a_kept_photo_that_was_changed_is_not_taken(world: World, tmp_path: Path) -> None:
    world.visits.open(NEW)
    world.visits.find_with("1001", "terminals", "loose", photos=[Photo("a.png", PNG)])
    (kept,) = (tmp_path / "photos").iterdir()
    kept.write_bytes(PNG + b"!")
    with pytest.raises(UsageError, match="was altered since it was kept: send its data"):
        world.visits.find_with("1001", "terminals", "loose", photos=[Photo("a.png", kept=kept.name)])
    world.visits.find_with("1001", "terminals", "loose", photos=[Photo("a.png", PNG)])
    assert kept.read_bytes() == PNG, "a good copy takes the damaged one's place"


def test_of_several_photos_none_is_kept_if_one_is_none(world: World, tmp_path: Path) -> None:
    world.visits.open(NEW)
    with pytest.raises(UsageError, match="b: is no picture"):
        world.visits.find_with("1001", "terminals", "loose", photos=[Photo("a", PNG), Photo("b", b"<html>")])
    assert not (tmp_path / "photos").exists()


def test_a_pipe_is_no_photo_and_is_not_waited_for(world: World, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.png")
    world.visits.open(NEW)
    with pytest.raises(UsageError, match="is no file"):
        world.visits.find("1001", "terminals", "loose", photos=[str(tmp_path / "pipe.png")])


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("a\x1b[2Jb.png", "a [2Jb.png"),
        ("\udcff.png", ".png"),
        ("a\\b.png", "a-b.png"),
        ("x" * 200 + ".png", "x" * 124 + ".png"),
    ],
)
def test_a_photo_s_name_is_one_harmless_line(name: str, kept: str) -> None:
    assert named(name) == kept


# --- names that are not there ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ask", "kind", "told"),
    [
        (lambda v: v.visit("1010"), NotFoundError, "no work order '1010'; there are 1001"),
        (lambda v: v.visit("a/b"), UsageError, "'a/b' is no number of a work order: .*no slash"),
        (lambda v: v.visit(""), UsageError, "is no number"),
        (lambda v: v.answer("1001", "onsett", "sudden"), NotFoundError, "no question 'onsett' .did you mean 'onset'"),
        (lambda v: v.answer("1001", "terminals", "loose"), NotFoundError, "'terminals' is a look, not a question"),
        (lambda v: v.answer("1001", "onset", "suden"), UsageError, "outcome of onset 'suden' .did you mean 'sudden'"),
        (lambda v: v.answer("9", "onset", "sudden"), NotFoundError, "no work order '9'"),
        (lambda v: v.find("1001", "onset", "sudden"), NotFoundError, "'onset' is a question, not a look or test"),
        (lambda v: v.find("1001", "terminals", "gone"), UsageError, "there are good, loose"),
        (lambda v: v.note("1001", " \n"), UsageError, "an empty note"),
        (lambda v: v.note("1001", "x" * 4001), UsageError, "note: has 4001 characters, may have 4000"),
        (lambda v: v.open(NewVisit("hollin-t18", work_order="a/b")), UsageError, "no slash"),
        (lambda v: v.open(NewVisit("hollin-t18", work_order="1001")), BusyError, "there is a work order 1001 already"),
        (lambda v: v.open(NewVisit("hollin-t18", unit="x" * 129)), UsageError, "unit: has 129 characters"),
    ],
)  # fmt: skip
def test_what_is_asked_for_by_a_wrong_name_is_refused_with_the_right_ones(
    world: World, ask: Callable[[Visits], Any], kind: type[Exception], told: str
) -> None:
    world.visits.open(NEW)
    with pytest.raises(kind, match=told):
        ask(world.visits)
    assert len(world.journal.order_records("1001")) == len(world.journal.orders()) == 1


def test_knowledge_says_what_can_be_asked_looked_at_and_done(world: World) -> None:
    found = world.visits.knowledge()
    assert [[one["id"] for one in found[kind]] for kind in ("questions", "looks", "tests", "repairs")] == [
        ["onset", "holds-charge"],
        ["terminals"],
        ["load", "regulator"],
        ["new-battery", "clean-terminals", "new-stator", "new-regulator"],
    ]
    assert found["tests"][1].items() >= {"kind": "test", "run": "regulator", "minutes": 3.0, "right": 0.9}.items()
    assert found["looks"][0]["outcomes"][1] == {"id": "loose", "text": "it is loose", "means": ""}
    assert len(found["causes"]) == 4
    json.dumps(found)


def test_knowledge_is_read_when_it_is_needed_and_its_faults_are_told(world: World) -> None:
    def broken() -> Any:
        raise ConfigError("causes.toml:3: key 'causes': wrong")

    visits = Visits(world.journal, broken)
    assert visits.visits() == []
    with pytest.raises(ConfigError, match=r"causes\.toml:3"):
        visits.open(NEW)
    assert visits.visits() == [], "an order was opened though whoever did it was told that it failed"
    world.visits.open(NEW)
    with pytest.raises(ConfigError, match=r"causes\.toml:3"):
        visits.note("1001", "kept or not?")
    assert len(world.journal.order_records("1001")) == 1


# --- runs of an order -----------------------------------------------------------------------------------------------------


def test_a_run_of_another_machine_than_its_order_s_is_told_so_before_it_begins(world: World) -> None:
    world.visits.open(NEW)
    spec = config.load_spec(config.find_file("caldmoor-z42", "machine"))
    order = orders.Order("regulator", None, spec, "1001", "Z42-7")  # type: ignore[arg-type]
    of_machine, of_unit = orders.strangers(world.journal, order)
    assert of_machine == (
        f"work order 1001 is of machine Hollin T18 garden tractor, this run of {spec.name}: it will count for nothing there; "
        "check the number"
    )
    assert "serial number T18-0042, this run of Z42-7" in of_unit
    assert list(orders.strangers(world.journal, replace(order, work_order="elsewhere"))) == []
    assert list(orders.strangers(world.journal, replace(order, work_order=None))) == []


def test_a_run_by_other_limits_than_its_order_s_says_so(world: World) -> None:
    """The name is the same, the window wider: it passes, and whoever reads the proof is told by what."""
    world.visits.open(NEW)
    spec = config.load_spec(config.find_file("hollin-t18", "machine"))
    order = orders.Order("regulator", None, spec, "1001", "T18-0042")  # type: ignore[arg-type]
    assert list(orders.strangers(world.journal, order)) == []
    assert spec.regulator is not None
    wider = replace(spec, regulator=replace(spec.regulator, rated_amps=5.0), full_throttle_rpm=(2000.0, 4000.0))
    (said,) = orders.strangers(world.journal, replace(order, spec=wider))
    assert "another machine file than work order 1001 was opened with: full_throttle_rpm, regulator differ" in said


def test_a_run_takes_its_unit_from_the_order_and_none_is_made_on_a_closed_one(world: World) -> None:
    world.visits.open(NEW)
    machine = "Hollin T18 garden tractor"
    assert orders.unit_of(world.journal, "1001", machine) == "T18-0042"
    assert orders.unit_of(world.journal, "1001", "Caldmoor Z42") is None, "another machine has another number"
    assert orders.unit_of(world.journal, "elsewhere", machine) is None
    assert orders.unit_of(world.journal, None, machine) is None
    world.visits.close("1001", "sold")
    with pytest.raises(BusyError, match=r"1001 was closed .*no run can be added to it\. Open a new order"):
        orders.unit_of(world.journal, "1001", machine)
