"""The virtual rig against the unit's test: every planted fault is found by its name, a good unit passes. No ports."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from benchd import config
from benchd.core.events import Decided
from benchd.core.procedures import make
from benchd.core.samples import Sample, Value
from benchd.core.verdicts import Verdict
from benchd.virtual.regulators import PLANTED, regulator_of
from benchd.virtual.rig import Meters, Rig, play

SPEC = config.load_spec(config.find_file("vantry-vr20", "regulator"))
KNOWN = config.metrology(config.load_bench(config.find_file("rig-1", "bench")))


def sample(t_ns: int, shown: Mapping[str, tuple[float, float]]) -> Sample:
    return Sample(t_ns, {name: Value(value, digit) for name, (value, digit) in shown.items()})


def judged_unit(serial: str, planted: Mapping[str, str] | None = None, rig_no: int = 1) -> Verdict:
    rig = Rig(rig_no, regulator_of(serial, planted))
    events = play(rig, Meters(rig_no), make("unit", SPEC, KNOWN, quiet=True), sample)
    assert isinstance(events[-1], Decided), events[-1]
    return events[-1].verdict


@pytest.mark.parametrize("serial", ["VR20-000001", "VR20-000150", "REF-1"])
def test_an_ordinary_unit_passes(serial: str) -> None:
    verdict = judged_unit(serial)
    assert (verdict.outcome, verdict.extra["finding"]) == ("pass", ""), verdict.reasons
    assert 30 < verdict.duration_s < 120


@pytest.mark.parametrize("mode", PLANTED)
def test_what_is_planted_is_found_by_its_name(mode: str) -> None:
    verdict = judged_unit("VR20-000007", {"VR20-000007": mode})
    assert (verdict.outcome, verdict.extra["finding"]) == ("fail", mode), (verdict.reasons, verdict.extra["modes"])


def test_a_check_standard_reads_the_same_on_one_rig_and_nearly_so_on_another() -> None:
    first, again, other = judged_unit("REF-1"), judged_unit("REF-1"), judged_unit("REF-1", rig_no=4)
    key = "set-point-rated"
    assert first.measured[key].value == pytest.approx(again.measured[key].value, abs=0.003)
    gap = abs(first.measured[key].value - other.measured[key].value)
    expanded = first.measured[key].expanded_uncertainty
    assert expanded is not None
    assert gap <= 2**0.5 * expanded


def test_the_same_serial_is_always_the_same_regulator() -> None:
    assert regulator_of("VR20-000042") == regulator_of("VR20-000042")
    assert regulator_of("VR20-000042") != regulator_of("VR20-000043")
