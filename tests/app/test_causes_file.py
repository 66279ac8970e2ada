"""Causes files: the shipped one, a shop's own over it, every mistake by file, line and key; and `benchd causes`."""

from __future__ import annotations

import importlib
import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchd.cli import cli
from benchd.core.causes.infer import Model
from benchd.core.causes.knowledge import Knowledge
from benchd.core.procedures import SHOP_NAMES
from benchd.core.visit import PARTS, Mended, Observed
from benchd.errors import BenchdError, ConfigError
from benchd.visits.evidence import meaning
from benchd.visits.knowledge import check_causes, known_paths, load_knowledge, shipped_paths
from benchd.visits.lessons import evidence_of_body, lessons


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("BENCHD_SERVER", raising=False)
    (tmp_path / "home").mkdir()
    return tmp_path / "home"


def common() -> Path:
    return next(path for path in shipped_paths() if path.name == "common.toml")


@cache
def shipped() -> Knowledge:
    return load_knowledge([common()])


def over(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def mistakes(path: Path, text: str) -> list[str]:
    with pytest.raises(ConfigError) as refused:
        load_knowledge([common(), over(path, text)])
    return str(refused.value).splitlines()


# --- the shipped file -----------------------------------------------------------------------------------------------------

CAUSES = [
    "battery-discharged",
    "battery-dead-cell",
    "battery-sulphated",
    "battery-leaking",
    "battery-undersized",
    "joint-loose",
    "ground-bad",
    "breaker-open",
    "switch-bad",
    "solenoid-joint",
    "plug-regulator",
    "stator-open",
    "stator-shorted",
    "stator-grounded",
    "magnets-weak",
    "regulator-dead",
    "regulator-weak",
    "regulator-stuck-on",
    "regulator-set-low",
    "regulator-set-high",
    "regulator-leaking-back",
    "key-off-draw",
    "engine-slow",
    "starter-dragging",
    "engine-out-of-tune",
    "short-trips",
]


def test_the_shipped_file_has_every_cause_and_an_item_for_every_procedure() -> None:
    assert set(shipped().causes) == set(CAUSES)
    assert {one.run: one.id for one in shipped().items.values() if one.run} == {name: name for name in SHOP_NAMES}
    assert {part for one in shipped().repairs.values() for part in one.touches} == set(PARTS)
    for cause in CAUSES:
        assert any(cause in one.given for one in shipped().items.values()), f"nothing tells of {cause}"


def test_its_frequencies_fit_nothing_and_two_as_they_stand() -> None:
    known = shipped()
    total = sum(one.frequency for one in known.causes.values())
    assert total == pytest.approx(1 - known.nothing + known.two, abs=1e-9)
    model = Model(known)
    assert model.prior @ model.members == pytest.approx([one.frequency for one in known.causes.values()], abs=1e-9)


def test_every_number_has_an_origin_and_no_path_for_one() -> None:
    origins = [one.origin for kind in ("causes", "items", "repairs") for one in getattr(shipped(), kind).values()]
    origins += [one.origin for one in shipped().together]
    known = re.compile(r"estimate|common practice, no source|read in|as .* print|as read in|army|spec")
    assert all(known.search(one) for one in origins)
    assert not any("/" in one or ".csv" in one for one in origins)


def test_what_is_read_on_a_screen_fits_it() -> None:
    for item in shipped().items.values():
        assert len(item.text) <= 60
        assert all(len(one.text) <= 40 and len(one.means) <= 44 for one in item.outcomes)


def test_the_needs_are_those_of_the_trade() -> None:
    """Frozen before anything on the battery, battery before charging system, stator before regulator."""
    items = shipped().items
    for id in ("charge", "load", "crank", "regulator", "stator", "draw", "drop"):
        assert "frozen" in items[id].needs
        assert "may-be" in items[id].never_after["frozen"]
    for id in ("stator", "regulator"):
        assert {"charge", "load"} <= set(items[id].needs)
    for id in ("load", "regulator"):
        assert items[id].needs_outcome["charge"] == ("charged",)
        assert "discharged" in items[id].never_after["charge"]
    assert items["regulator"].needs_outcome["stator"] == ("good",)
    assert {"frozen"} <= set(items["load"].never_after["charge"])


def test_a_battery_proves_nothing_of_the_charging_system() -> None:
    for id in ("new-battery", "charge-battery", "right-battery"):
        assert set(shipped().repairs[id].touches) == {"battery"}
        assert not any(shipped().causes[one].system != "battery" for one in shipped().repairs[id].mends)


# What a procedure finds and an item of the same id has no outcome for says nothing of the causes.
SILENT = {
    "surface-charge", "disagree", "unsure", "instrument", "not-charged", "too-cold", "no-load", "off-nominal", "cut-short",
    "engine-started", "too-short", "no-crank-seen", "dead-cell",
}  # fmt: skip


@pytest.mark.parametrize("procedure", ["charge", "load", "crank", "draw", "drop", "continuity"])
def test_what_a_procedure_finds_is_evidence(procedure: str) -> None:
    """The findings that stand at the top of each module, against the outcomes of its item."""
    doc = importlib.import_module(f"benchd.core.procedures.{procedure}").__doc__ or ""
    told = re.search(r"Findings: ([^.]*)\.", doc.replace("\n", " "))
    assert told is not None
    findings = set(re.findall(r"[a-z]+(?:-[a-z]+)*", told[1].split(";")[0]))
    outcomes = {one.id for one in shipped().items[procedure].outcomes}
    assert findings - outcomes - SILENT <= ({"frozen"} if procedure == "load" else set())
    for finding in findings & outcomes:
        first = shipped().items[procedure].outcomes[0].id
        verdict = (
            ("pass", "none")
            if finding == first
            else ("fail", "battery" if procedure in ("charge", "load") else "connection")
        )
        run = {
            "procedure": procedure,
            "status": "judged",
            "verdict": verdict[0],
            "suspect": verdict[1],
            "finding": finding,
        }
        assert meaning(shipped(), run) == (procedure, finding)


@pytest.mark.parametrize(
    ("procedure", "verdict", "outcome"),
    [
        ("regulator", "pass/none/settled volts are certain", "good"),
        ("regulator", "fail/regulator/ceiling crossed", "over-ceiling"),
        ("regulator", "fail/regulator/no output", "none"),
        ("regulator", "fail/unknown/no output", "none"),
        ("regulator", "fail/unknown/output below the spec", "low-output"),
        ("regulator", "fail/stator/volts and output below the spec", "low-output"),
        ("regulator", "fail/connection/volts lost on the way to the battery", "volts-lost"),
        ("regulator", "fail/connection/output drops out and returns", "drops-out"),
        ("regulator", "fail/battery/a cell of the battery is dead", "battery-fails"),
        ("regulator", "void/battery/rated output never shown", "takes-nothing"),
        ("regulator", "void/engine speed/engine speed too low", "speed"),
        ("regulator", "fail/regulator/set-point too low", "set-low"),
        ("regulator", "fail/regulator/set-point too high", "set-high"),
        ("regulator", "fail/regulator/volts above the window", "set-high"),
        ("regulator", "void/not discharged/rated output never shown", ""),
        ("regulator", "void/instrument/a meter's digits stand still", ""),
        ("regulator", "undecided/unknown/too close to call", ""),
        ("stator", "pass/none/stator volts are certain", "good"),
        ("stator", "fail/stator/no stator volts", "none"),
        ("stator", "fail/stator/volts below the spec", "low"),
        ("stator", "fail/stator/stator grounded", "grounded"),
        ("stator", "void/engine speed/engine speed hunts", "speed"),
        ("stator", "undecided/instrument/accuracy unknown", ""),
        ("load", "fail/battery/dead-cell", "weak"),
        ("load", "undecided/battery/weak", ""),
        ("load", "void/battery/not-charged", ""),
        ("charge", "undecided/battery/unsure", ""),
    ],
)
def test_what_a_run_comes_to_is_evidence_or_says_nothing(procedure: str, verdict: str, outcome: str) -> None:
    word, suspect, finding = verdict.split("/")
    run = {"procedure": procedure, "status": "judged", "verdict": word, "suspect": suspect, "finding": finding}
    assert meaning(shipped(), run) == ((procedure, outcome) if outcome else ("", ""))


# --- a shop's own file ----------------------------------------------------------------------------------------------------


def test_a_shop_changes_one_number_and_keeps_the_rest(home: Path) -> None:
    over(
        home / "causes.toml",
        """
[causes.joint-loose]
frequency = 0.30
origin = "our own book of 2025"
[tests.load]
minutes = 9
origin = "our tester is slow; rows as shipped"
[tests.load.given]
joint-loose = [0.8, 0.2]
[[together]]
causes = ["ground-bad", "joint-loose"]
times = 7
origin = "our own book of 2025"
""",
    )
    known = load_knowledge()
    assert known.causes["joint-loose"].frequency == 0.30
    assert known.causes["joint-loose"].title == shipped().causes["joint-loose"].title
    assert known.items["load"].minutes == 9
    assert known.items["load"].given["joint-loose"] == (0.8, 0.2)
    assert known.items["load"].given["battery-sulphated"] == shipped().items["load"].given["battery-sulphated"]
    assert len(known.together) == len(shipped().together)
    pair = next(one for one in known.together if {one.first, one.second} == {"ground-bad", "joint-loose"})
    assert pair.times == 7
    assert [Path(one).name for one in known.sources] == ["common.toml", "causes.toml"]
    model = Model(known)
    share = known.causes["joint-loose"].frequency / sum(one.frequency for one in known.causes.values())
    prior = dict(zip(model.causes, model.prior @ model.members, strict=True))
    assert prior["joint-loose"] == pytest.approx(share * 1.48)


def test_a_shop_adds_a_cause_a_look_and_a_repair(home: Path) -> None:
    over(
        home / "causes.toml",
        """
[causes.mouse-nest]
title = "Mouse nest in the harness"
system = "wiring"
frequency = 0.02
origin = "estimate"
[looks.harness]
text = "Harness under the seat"
minutes = 3
origin = "estimate"
outcomes = [{ id = "whole", text = "whole" }, { id = "chewed", text = "chewed", means = "mice" }]
background = [0.98, 0.02]
given = { mouse-nest = [0.1, 0.9] }
[repairs.new-harness]
title = "Mend the harness"
mends = ["mouse-nest"]
touches = ["wiring"]
minutes = 40
cost = 15
origin = "estimate"
""",
    )
    known = load_knowledge()
    assert known.items["harness"].kind == "look"
    assert len(known.causes) == 27
    assert "over common.toml" in check_causes(home / "causes.toml")


def test_a_file_in_the_folder_of_causes_lies_over_the_shipped_one(home: Path) -> None:
    folder = home / "configs" / "causes"
    folder.mkdir(parents=True)
    mine = over(folder / "mine.toml", '[causes.joint-loose]\nfrequency = 0.25\norigin = "our book"\n')
    over(home / "causes.toml", '[causes.ground-bad]\nfrequency = 0.11\norigin = "our book"\n')
    known = load_knowledge()
    assert [Path(one).name for one in known.sources] == ["common.toml", "mine.toml", "causes.toml"]
    assert (known.causes["joint-loose"].frequency, known.causes["ground-bad"].frequency) == (0.25, 0.11)
    assert check_causes(mine).endswith("laid over common.toml")
    assert check_causes(home / "causes.toml").endswith("laid over common.toml, mine.toml")
    assert "laid over" not in check_causes(common())
    assert causes("check").exit_code == 0


def test_mistakes_are_told_all_with_their_own_file_and_line(tmp_path: Path) -> None:
    path = tmp_path / "causes.toml"
    told = mistakes(
        path,
        """[causes.joint-loose]
frequency = 1.2
[tests.load]
needs = ["frozn", "regulator"]
origin = "estimate"
[tests.load.given]
battery-sulphated = [0.2, 0.7]
ground-bd = [0.2, 0.8]
[tests.wiggle]
text = "Wiggle"
run = "loud"
origin = "estimate"
outcomes = [
  { id = "a", text = "x", from_run = ["passed", "fail/stater", "fail/stator/", "pass", "pass"] },
  { id = "a", text = "y" },
]
background = [0.0, 1.0]
""",
    )
    expected = (
        (1, "causes.joint-loose.origin", "found nothing, expected where the numbers come from"),
        (2, "causes.joint-loose.frequency", "found 1.2, expected a probability above 0 and below 1"),
        (4, "tests.load.needs[0]", "unknown question, look or test 'frozn' (did you mean 'frozen'?)"),
        (7, "tests.load.given.battery-sulphated", "which add up to 0.9, expected 1"),
        (8, "tests.load.given.ground-bd", "unknown cause 'ground-bd' (did you mean 'ground-bad'?)"),
        (11, "tests.wiggle.run", "unknown procedure 'loud' (did you mean 'load'?)"),
        (14, "tests.wiggle.outcomes[0].from_run[0]", "unknown verdict 'passed' (did you mean 'pass'?)"),
        (14, "tests.wiggle.outcomes[0].from_run[1]", "unknown suspect 'stater' (did you mean 'stator'?)"),
        (14, "tests.wiggle.outcomes[0].from_run[2]", "expected a finding behind the last stroke"),
        (14, "tests.wiggle.outcomes[0].from_run[4]", "found 'pass' again"),
        (15, "tests.wiggle.outcomes[1].id", "found 'a' again"),
        (17, "tests.wiggle.background", "expected some small probability that nothing is to be seen"),
    )
    for line, key, said in expected:
        assert any(one.startswith(f"{path}:{line}: key '{key}': ") and said in one for one in told), (key, told)
    circle = next(one for one in told if "circle" in one)
    assert "load needs regulator needs" in circle or "regulator needs load" in circle


@pytest.mark.parametrize(
    ("text", "key", "said"),
    [
        ('[visits]\ntwo = 0.99\norigin = "x"', "visits.two", "expected less than 1 - nothing, 0.98"),
        ('[causes.Bad_Id]\ntitle = "x"', "causes.Bad_Id", "small letters, digits and dashes"),
        (
            '[causes.ghost]\ntitle = "x"\nsystem = "use"\nfrequency = 0.1\norigin = "x"',
            "causes.ghost",
            "no repair that mends it",
        ),
        ('[causes.joint-loose]\nsystem = "wires"', "causes.joint-loose.system", "found 'wires'"),
        ('[repairs.mend-ground]\nmends = ["grund"]', "repairs.mend-ground.mends[0]", "unknown cause 'grund'"),
        ('[repairs.mend-ground]\ntouches = ["wings"]', "repairs.mend-ground.touches[0]", "found 'wings'"),
        ('[looks.load]\ntext = "x"', "looks.load", "is in tests too"),
        ('[tests.load]\nneeds_outcome = { charge = ["full"] }', "tests.load.needs_outcome.charge[0]", "unknown outcome"),
        ('[tests.load]\nnever_after = { chrge = ["frozen"] }', "tests.load.never_after.chrge", "did you mean 'charge'?"),
        ('[tests.load]\ngiven = { joint-loose = [1] }\norigin = "x"', "tests.load.given.joint-loose", "found [1]"),
        ('[[together]]\ntimes = 2\norigin = "x"', "together[0]", "found neither or both"),
        ('[[together]]\ncauses = ["a", "ground-bad"]\ntimes = 2\norigin = "x"', "together[0].causes[0]", "unknown cause 'a'"),
        ('[[together]]\ncauses = ["ground-bad", "ground-bad"]\ntimes = 2\norigin = "x"', "together[0].causes", "once"),
        ('[[together]]\ncauses = ["ground-bad", "joint-loose"]\ntimes = 2', "together[0].origin", "found nothing"),
        ('[[together]]\ncauses = ["ground-bad", "joint-loose"]\norigin = "x"', "together[0].times", "found nothing"),
        ("[wheels]\nround = true", "wheels", "unknown key"),
        ("causes = 3", "causes", "found 3"),
        ("[tests]\nload = 3", "tests.load", "found 3"),
    ],
)  # fmt: skip
def test_every_mistake_is_named(tmp_path: Path, text: str, key: str, said: str) -> None:
    path = tmp_path / "causes.toml"
    told = mistakes(path, text)
    assert any(one.startswith(f"{path}:") and f"key '{key}': " in one and said in one for one in told), told


def test_causes_that_leave_no_pair_are_refused(tmp_path: Path) -> None:
    told = mistakes(tmp_path / "causes.toml", f'[[together]]\none_of = {json.dumps(CAUSES)}\norigin = "x"')
    assert "do not go with `two` and `together`" in told[0]


def test_the_same_id_twice_in_a_file_is_no_toml(tmp_path: Path) -> None:
    (told,) = mistakes(tmp_path / "causes.toml", '[looks.a]\ntext = "x"\n[looks.a]\ntext = "y"')
    assert "causes.toml:3: not TOML" in told


# --- the command --------------------------------------------------------------------------------------------------------------


def causes(*args: str) -> Result:
    return CliRunner().invoke(cli, ["causes", *args], standalone_mode=False, catch_exceptions=True)


def test_show_lists_all_within_eighty_columns() -> None:
    shown = causes("show")
    lines = shown.output.splitlines()
    assert shown.exception is None
    assert max(map(len, (one for one in lines if not one.startswith("read from")))) <= 80
    assert any("13.0 %  joint-loose" in one and "estimate" in one for one in lines)
    assert any(one.split()[:3] == ["9", "0", "stator"] for one in lines)
    body = json.loads(causes("show", "--json").stdout)
    assert {"questions", "looks", "tests", "repairs", "causes", "sources"} <= set(body)


def test_show_one_of_each() -> None:
    assert "in 6.0 % of visits; estimate" in causes("show", "regulator-dead").output
    load = causes("show", "load").output
    # The row's 12 % 'holds', and no false alarm of the background's 3 %: 0.12 * 0.97 = 11.6 %.
    assert re.search(r"battery-sulphated +11\.6 +88\.4", load)
    assert "needs: charge (charged), frozen" in load
    assert "mends: ground-bad" in causes("show", "mend-ground").output
    error = causes("show", "lod").exception
    assert isinstance(error.__cause__, BenchdError)
    assert "did you mean 'load'?" in str(error)


def test_check_tells_what_is_wrong_and_what_is_right(tmp_path: Path) -> None:
    good = CliRunner().invoke(cli, ["check", str(common())], standalone_mode=False)
    assert "26 causes" in good.output
    wrong = over(tmp_path / "mine.toml", "[causes.joint-loose]\nfrequency = 2\n")
    for args in (["check", str(wrong)], ["causes", "check", str(wrong)]):
        told = CliRunner().invoke(cli, args, standalone_mode=False)
        assert told.return_value == 2 or told.exit_code == 2
        assert f"{wrong}:2: key 'causes.joint-loose.frequency'" in told.stderr
    assert "26 causes" in causes("check").output


# --- learning -----------------------------------------------------------------------------------------------------------------


class Door:
    """A door of another computer: bodies only, and both kinds of closed orders behind it."""

    def __init__(self, *bodies: dict[str, Any]) -> None:
        self.bodies = {one["work_order"]: one for one in bodies}

    def visits(self, state: str | None = None, limit: int = 50, **_: Any) -> list[dict[str, Any]]:
        return [one for one in self.bodies.values() if state is None or one["state"] == state][:limit]

    def visit(self, work_order: str) -> dict[str, Any]:
        return self.bodies[work_order]


def body(number: str, state: str = "proven", mends: tuple[str, ...] = ("joint-loose",)) -> dict[str, Any]:
    return {
        "work_order": number,
        "state": state,
        "answers": [
            {"after_run_no": 0, "seq": 2, "question": "cranks", "outcome": "clicks"},
            {"after_run_no": 0, "seq": 3, "question": "onset", "outcome": "sudden"},
            {"after_run_no": 0, "seq": 5, "question": "onset", "outcome": None},
        ],
        "findings": [
            {"after_run_no": 0, "seq": 4, "check": "terminals", "outcome": "loose"},
            {"after_run_no": 0, "seq": 6, "check": "grounds", "outcome": "bad"},
            {"after_run_no": 0, "seq": 7, "check": "grounds", "outcome": None},
        ],
        "repairs": [
            {"after_run_no": 2, "seq": 8, "mends": list(mends), "touches": ["wiring"], "repair": "clean-terminals"}
        ],
        "runs": [
            {"run": "a", "run_no": 1, "item": "", "outcome": ""},
            {"run": "b", "run_no": 2, "item": "charge", "outcome": "charged"},
            {"run": "c", "run_no": 3, "item": "regulator", "outcome": "good"},
        ],
    }  # fmt: skip


def test_evidence_of_a_body_is_in_order_and_what_was_taken_back_is_not_there() -> None:
    assert evidence_of_body(load_knowledge(), body("1")) == [
        Observed((0, 2), "cranks", "clicks"),
        Observed((0, 4), "terminals", "loose"),
        Observed((2, 0), "charge", "charged", "b"),
        Mended((2, 8), ("joint-loose",), ("wiring",), "clean-terminals"),
        Observed((3, 0), "regulator", "good", "c"),
    ]


def test_an_order_closed_without_proof_teaches_nothing() -> None:
    door = Door(body("1"), body("2", "closed without proof"), body("3", "open"))
    assert [one.work_order for one in lessons(door, load_knowledge())] == ["1"]  # type: ignore[arg-type]


def test_learn_shows_counts_and_writes_only_when_told(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from contextlib import nullcontext

    from benchd.visits import doors

    door = Door(*(body(str(n)) for n in range(10)), body("99", "closed without proof", ("key-off-draw",)))
    monkeypatch.setattr(doors, "open_door", lambda: nullcontext(door))
    shown = causes("learn")
    assert shown.exception is None
    # (50 * 0.13 + 10) / 60 = 27.5 %; key-off-draw was never proven: 50 * 0.04 / 60 = 3.3 %.
    assert re.search(r"joint-loose +13\.0 % +10\.0 +27\.5 %", shown.stdout)
    assert re.search(r"key-off-draw +4\.0 % +0\.0 +3\.3 %", shown.stdout)
    assert "from 10 closed, proven orders; the prior weighs 50 visits" in shown.stdout
    assert "not written" in shown.stderr
    assert not (home / "causes-learned.toml").exists()

    told = json.loads(causes("learn", "--write", "--weight", "10", "--json").stdout)
    assert told["orders"] == 10
    assert told["written"] == str(home / "causes-learned.toml")
    known = load_knowledge()
    assert known.causes["joint-loose"].frequency == pytest.approx((10 * 0.13 + 10) / 20, abs=1e-6)
    assert known.causes["joint-loose"].origin.startswith("counted: 10.0 of 10 orders; before 0.1300, 10 visits")
    assert known.learned.startswith("from 10 closed, proven orders")
    terminals = known.items["terminals"]
    assert terminals.given["joint-loose"][2] > shipped().items["terminals"].given["joint-loose"][2]
    assert terminals.given["regulator-stuck-on"] == shipped().items["terminals"].given["regulator-stuck-on"]
    assert terminals.origin.startswith("rows of joint-loose counted from 10 closed, proven orders")
    model = Model(known)
    assert dict(zip(model.causes, model.prior @ model.members, strict=True))["joint-loose"] == pytest.approx(0.565)
    assert "learned from 10 closed" in causes("show").output

    again = json.loads(causes("learn", "--weight", "10", "--json").stdout)
    assert again["causes"] == told["causes"], "counting twice counts nothing twice"
    assert [one.name for one in known_paths()] == ["common.toml", "causes-learned.toml"]


def test_an_order_of_this_journal_teaches(home: Path) -> None:
    """A visit as it is made, through the command line's own door: repaired, proven, closed, counted."""
    from visit_world import judged

    from benchd.journal import Journal
    from benchd.visits.door import NewRepair, NewVisit
    from benchd.visits.service import Visits

    with Journal() as journal:
        visits = Visits(journal, load_knowledge())
        for number in ("1001", "1002"):
            visits.open(NewVisit("hollin-t18", complaint="clicks", work_order=number, by="Anna Weld"))
            visits.find(number, "terminals", "loose")
            visits.repair(number, NewRepair("clean-terminals", by="Anna Weld"))
        judged(journal, "1001")
        assert visits.close("1001")["state"] == "proven"
        assert visits.close("1002", reason="the customer could not wait")["state"] == "closed without proof"
    told = json.loads(causes("learn", "--json").stdout)
    counts = {one["id"]: one["count"] for one in told["causes"]}
    assert told["orders"] == 1
    assert counts["joint-loose"] == pytest.approx(1)
    assert sum(counts.values()) == pytest.approx(1)
    row = next(one for one in told["rows"] if one["item"] == "terminals")
    assert sum(row["counts"]) == pytest.approx(1)
