"""A whole visit over the real command line: a stuck-on regulator that killed the battery too.

The technician does what `benchd order plan` says next, and nothing else; the machine is virtual, stays the same from
run to run, and is mended by what is written down as a repair. What a fault makes an operator say and an eye see is
common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from visiting import Visitor, shop

from benchd.cli.stories import STORIES

pytestmark = pytest.mark.timeout(240)
STUCK_ON = STORIES["stuck-on"]


def test_a_new_battery_alone_does_not_prove_a_machine_whose_regulator_killed_the_old_one(tmp_path: Path) -> None:
    with shop(tmp_path, STUCK_ON.faults) as daemon:
        visit = Visitor(daemon, STUCK_ON)
        visit.open()
        for _ in range(16):
            visit.step()
            if visit.repairs:
                break
        assert visit.repairs == ["new-battery"], visit.told
        refused = visit.close()
        assert refused.returncode == 2, visit.told
        assert "regulator run" in refused.stderr
        visit.run("regulator")
        assert visit.runs[-1]["verdict"] == "fail", visit.told
        assert visit.runs[-1]["suspect"] == "regulator", visit.told
        assert visit.close().returncode == 2, visit.told
        visit.follow()
        assert visit.repairs[-1] == "new-regulator", visit.told
        assert len(visit.repairs) <= 3, visit.told
        assert visit.close().returncode == 0, visit.told
        assert visit.body["state"] == "proven"
        assert visit.body["proof"]["runs"] == [visit.runs[-1]["run"]]
