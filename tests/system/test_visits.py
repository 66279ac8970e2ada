"""A whole visit over the real command line, from the complaint to a machine proven fixed: a loose joint.

The technician does what `benchd order plan` says next, and nothing else; the machine is virtual, stays the same from
run to run, and is mended by what is written down as a repair. What a fault makes an operator say and an eye see is
common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from visiting import Visitor, shop

from benchd.cli.demo import STORY_NAMES
from benchd.cli.stories import ORDINARY, STORIES
from benchd.config import find_file
from benchd.core.visit import Visit
from benchd.virtual.scenario import FAULTS
from benchd.visits.evidence import passed_over
from benchd.visits.knowledge import load_knowledge

pytestmark = pytest.mark.timeout(240)
LOOSE_JOINT = STORIES["joint"]


def test_a_loose_joint_is_found_tightened_and_proven(tmp_path: Path) -> None:
    with shop(tmp_path, LOOSE_JOINT.faults) as daemon:
        visit = Visitor(daemon, LOOSE_JOINT)
        visit.open()
        assert visit.close().returncode == 2, "an order that nothing was done for is not proven"
        visit.follow()
        assert "clean-terminals" in visit.repairs, visit.told
        assert set(visit.repairs) <= {"clean-terminals", "charge-battery"}, visit.told
        assert visit.close().returncode == 0, visit.told
        assert visit.body["state"] == "proven"


def test_what_was_skipped_or_run_in_vain_is_not_proposed_again() -> None:
    knowledge = load_knowledge([find_file("common", "causes")])
    void = {"status": "judged", "verdict": "void", "suspect": "unknown", "finding": "", "item": "", "outcome": ""}
    visit = Visit(
        answers=[
            {"question": "cranks", "outcome": "slowly"}, {"question": "cranks", "outcome": None},
            {"question": "use", "outcome": None}, {"question": "use", "outcome": "short"},
        ],
        findings=[{"check": "grounds", "outcome": None}],
        runs=[{**void, "procedure": name, "run_no": no} for no, name in enumerate(["drop", "drop", "load", "stator", "stator"], 1)],
    )  # fmt: skip
    assert passed_over(knowledge, visit) == {"cranks", "grounds", "drop"}
    visit.repairs.append({"after_run_no": 2})
    assert passed_over(knowledge, visit) == {"cranks", "grounds"}


def test_the_stories_speak_the_words_of_the_causes_file_and_of_the_virtual_bench() -> None:
    items = load_knowledge([find_file("common", "causes")]).items
    assert tuple(STORIES) == STORY_NAMES
    assert set(ORDINARY) == {item.id for item in items.values() if item.kind != "test"}
    assert all(items[id].index(outcome) == 0 for id, outcome in ORDINARY.items()), "the unremarkable one is the first"
    for story in STORIES.values():
        assert set(story.faults) <= set(FAULTS)
        assert all(items[id].index(outcome) > 0 for id, outcome in story.truth.items())
        seen = {id: outcome for id, outcome in story.truth.items() if items[id].kind == "look"}
        assert {id: story.says(id) for id in seen} == seen
        everything = load_knowledge([find_file("common", "causes")]).causes
        for id, outcome in seen.items():
            assert story.says(id, everything) == ORDINARY[id] != outcome, "what was mended is not seen any more"
