"""Three whole visits over the real command line, from the complaint to a machine proven fixed.

The technician does what `benchd order plan` says next, and nothing else; the machine is virtual, stays the same from
run to run, and is mended by what is written down as a repair. What each fault makes an operator say and an eye see is
common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from visiting import Visitor, shop

from benchd.cli import cli
from benchd.cli.demo import STORY_NAMES
from benchd.cli.stories import ORDINARY, STORIES
from benchd.config import find_file
from benchd.virtual.scenario import FAULTS
from benchd.visits.knowledge import load_knowledge

SPEED = 25.0
pytestmark = pytest.mark.timeout(240)

LOOSE_JOINT, DEAD_CELL, STUCK_ON = (STORIES[name] for name in ("joint", "cell", "stuck-on"))


def told(visit: Visitor) -> str:
    return "\n".join(visit.did)


def test_a_loose_joint_is_found_tightened_and_proven(tmp_path: Path) -> None:
    with shop(tmp_path, LOOSE_JOINT.faults, SPEED) as daemon:
        visit = Visitor(daemon, LOOSE_JOINT)
        visit.open()
        assert visit.close().returncode == 2, "an order that nothing was done for is not proven"
        visit.follow()
        assert "clean-terminals" in visit.repairs, told(visit)
        assert set(visit.repairs) <= {"clean-terminals", "charge-battery"}, told(visit)
        assert visit.close().returncode == 0, told(visit)
        assert visit.body["state"] == "proven"


def test_a_dead_cell_is_found_replaced_and_the_charging_system_proven_good(tmp_path: Path) -> None:
    with shop(tmp_path, DEAD_CELL.faults, SPEED) as daemon:
        visit = Visitor(daemon, DEAD_CELL)
        visit.open()
        visit.follow()
        assert visit.repairs == ["new-battery"], told(visit)
        assert visit.close().returncode == 0, told(visit)
        assert visit.body["state"] == "proven"


def test_a_new_battery_alone_does_not_prove_a_machine_whose_regulator_killed_the_old_one(tmp_path: Path) -> None:
    with shop(tmp_path, STUCK_ON.faults, SPEED) as daemon:
        visit = Visitor(daemon, STUCK_ON)
        visit.open()
        for _ in range(16):
            visit.step()
            if visit.repairs:
                break
        assert visit.repairs == ["new-battery"], told(visit)
        refused = visit.close()
        assert refused.returncode == 2, told(visit)
        assert "regulator run" in refused.stderr
        visit.run("regulator")
        assert visit.runs[-1]["verdict"] == "fail", told(visit)
        assert visit.runs[-1]["suspect"] == "regulator", told(visit)
        assert visit.close().returncode == 2, told(visit)
        visit.follow()
        assert visit.repairs[-1] == "new-regulator", told(visit)
        assert len(visit.repairs) <= 3, told(visit)
        assert visit.close().returncode == 0, told(visit)
        assert visit.body["state"] == "proven"
        assert visit.body["proof"]["runs"] == [visit.runs[-1]["run"]]


# --- the same unattended ------------------------------------------------------------------------------------------------


def test_the_stories_speak_the_words_of_the_causes_file_and_of_the_virtual_bench() -> None:
    items = load_knowledge([find_file("common", "causes")]).items
    assert tuple(STORIES) == STORY_NAMES
    assert set(ORDINARY) == {item.id for item in items.values() if item.kind != "test"}
    assert all(items[id].index(outcome) == 0 for id, outcome in ORDINARY.items()), "the unremarkable one is the first"
    for story in STORIES.values():
        assert set(story.faults) <= set(FAULTS)
        assert all(items[id].index(outcome) > 0 for id, outcome in story.truth.items())


def test_a_visit_shown_unattended_ends_proven_and_is_kept(tmp_path: Path) -> None:
    home = {"BENCHD_HOME": str(tmp_path)}
    done = CliRunner().invoke(cli, ["demo", "--visit", "cell"], env=home)
    assert done.exit_code == 0, done.stderr
    for word in ("Flat every morning", "REPAIR: Replace the battery", "PROVE: Regulator run", "is closed: PROVEN"):
        assert word in done.stderr
    kept = CliRunner().invoke(cli, ["order", "list", "--json"], env=home)
    assert '"proven"' in kept.stdout


def test_a_visits_machine_is_its_own(tmp_path: Path) -> None:
    done = CliRunner().invoke(
        cli, ["demo", "--visit", "joint", "--fault", "ground-bad"], env={"BENCHD_HOME": str(tmp_path)}
    )
    assert done.exit_code == 2
    assert "leave --fault" in done.stderr
