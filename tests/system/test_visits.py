"""Three whole visits over the real command line, from the complaint to a machine proven fixed.

The technician does what `benchd order plan` says next, and nothing else; the machine is virtual, stays the same from
run to run, and is mended by what is written down as a repair. What each fault makes an operator say and an eye see is
common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from visiting import Story, Visitor, shop

SPEED = 25.0
pytestmark = pytest.mark.timeout(240)

LOOSE_JOINT = Story(
    "sometimes it cranks slowly, sometimes it only clicks",
    ("joint-loose",),
    {"runs-down": "quick", "onset": "sudden", "cranks": "slowly", "terminals": "loose", "run-machine": "cranks-slowly"},
)
DEAD_CELL = Story(
    "flat every morning, though we charge it",
    ("battery-dead-cell",),
    {
        "takes-charge": "poorly", "holds-charge": "overnight", "runs-down": "slow", "onset": "sudden", "cranks": "slowly",
        "electrolyte-level": "one-low", "run-machine": "cranks-slowly",
    },
)  # fmt: skip
STUCK_ON = Story(
    "the third battery in two years, and it smells",
    ("regulator-stuck-on", "battery-dead-cell"),
    {
        "takes-charge": "poorly", "holds-charge": "overnight", "runs-down": "quick", "cranks": "slowly",
        "last-repair": "battery", "battery-case": "wet", "electrolyte-level": "low", "run-machine": "no-charge",
    },
)  # fmt: skip


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
