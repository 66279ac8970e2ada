"""A whole visit over the real command line, from the complaint to a machine proven fixed: a dead cell.

The technician does what `benchd order plan` says next, and nothing else; the machine is virtual, stays the same from
run to run, and is mended by what is written down as a repair. What a fault makes an operator say and an eye see is
common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from visiting import Visitor, shop

from benchd.cli import cli
from benchd.cli.stories import STORIES

pytestmark = pytest.mark.timeout(240)
DEAD_CELL = STORIES["cell"]


def test_a_dead_cell_is_found_replaced_and_the_charging_system_proven_good(tmp_path: Path) -> None:
    with shop(tmp_path, DEAD_CELL.faults) as daemon:
        visit = Visitor(daemon, DEAD_CELL)
        visit.open()
        visit.follow()
        assert visit.repairs == ["new-battery"], visit.told
        assert visit.close().returncode == 0, visit.told
        assert visit.body["state"] == "proven"


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


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--config", "tessel-lane", "--fault", "ground-bad"], "are for --demo"),
        (["--demo", "--fault", "ground-bat"], "ground-bad"),
        (["--demo", "--fault", "ground-bad=9"], "0.08 to 0.3"),
        (["--demo", "--benches", "0"], "0"),
    ],
)
def test_what_serve_builds_in_is_refused_where_it_makes_no_sense(tmp_path: Path, words: list[str], told: str) -> None:
    done = CliRunner().invoke(cli, ["serve", *words], env={"BENCHD_HOME": str(tmp_path)})
    assert done.exit_code == 2
    assert told in done.stderr
