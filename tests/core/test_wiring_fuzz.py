"""Whatever comes in, the tests of starting and wiring decide once, say why, and what they say is JSON."""

from __future__ import annotations

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.core.events import Answer, Decided, JudgeEvent, Prompt, record
from benchd.core.procedures import make
from benchd.core.readings import Flag
from benchd.core.samples import Sample, Value
from benchd.core.specs import BatterySpec, MachineSpec, RegulatorSpec, StartingSpec, StatorSpec, WiringSpec

FULL = MachineSpec(
    "any", "manual", (3350, 3650), StatorSpec(28.0, 3600, 12, ("a - b",), lead_ohms=(0.1, 0.4), min_ground_ohms=1e5),
    RegulatorSpec(15.0, 3600, (13.8, 14.7), 15.0, 13.5, 1.5), BatterySpec(28.0, 300), "", StartingSpec(9.6, 250.0, 150.0),
    WiringSpec(("plug", "post"), ("ground",), max_key_off_amps=0.01, switch={"off": ("M - G",), "run": ("B - R",)}),
)  # fmt: skip
SPARSE = MachineSpec("any", "manual", (3350, 3650), wiring=WiringSpec(("plug",)))
CHANNELS = (
    "battery_volts",
    "crank_amps",
    "engine_rpm",
    "battery_celsius",
    "draw_amps",
    "joint_volts",
    "charge_amps",
    "circuit_ohms",
)

numbers = st.one_of(
    st.sampled_from([0.0, 0.001, -0.001, 0.2, 9.3, 12.6, 13.9, 150.0, 3500.0, 1e6, -12.6]),
    st.floats(-1e4, 1e7, width=32),
)
flagged = st.sampled_from([Flag.OVERLOAD, Flag.HOLD, Flag.NO_NUMBER]).map(
    lambda flag: Value(None, None, frozenset({flag}))
)
values = st.one_of(st.builds(Value, numbers, st.sampled_from([None, 0.001, 0.01, 1.0])), flagged)
levels = st.dictionaries(st.sampled_from(CHANNELS), values, max_size=len(CHANNELS))
#: (how many samples alike, seconds between them, their values, an answer to the newest prompt).
stretches = st.lists(
    st.tuples(st.integers(1, 30), st.sampled_from([0.1, 0.5, 3.0]), levels,
              st.sampled_from(["", "done", "skip", "enough", "nothing", "clicks", "OL", "0.3", "70F", "?"])),
    min_size=1, max_size=8,
)  # fmt: skip


@pytest.mark.parametrize("spec", [FULL, SPARSE], ids=["full", "sparse"])
@pytest.mark.parametrize("name", ["crank", "draw", "drop", "continuity"])
@settings(max_examples=12, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(plan=stretches, because=st.sampled_from(["the recording ended", "stopped by the operator", "a port was lost"]))
def test_it_decides_once_and_in_json(
    name: str, spec: MachineSpec, plan: list[tuple[int, float, dict[str, Value], str]], because: str
) -> None:
    procedure = make(name, spec)
    events: list[JudgeEvent] = list(procedure.opening())
    t_s = 0.0
    for count, step_s, held, said in plan:
        asked = [one.id for one in events if isinstance(one, Prompt) and one.choices != ()]
        if said and asked:
            events += procedure.feed(Answer(round(t_s * 1e9), asked[-1], said))
        for _ in range(count):
            events += procedure.feed(Sample(round(t_s * 1e9), held))
            t_s += step_s
    events += procedure.finish(because)
    assert sum(isinstance(one, Decided) for one in events) == 1
    assert isinstance(events[-1], Decided)
    verdict = procedure.verdict
    assert verdict is not None
    assert verdict.reasons
    assert verdict.ended_because
    assert verdict.suspects or verdict.outcome == "pass" or verdict.suspect == "none"
    for event in events:
        json.dumps(record(event), allow_nan=False)
    assert procedure.feed(Sample(round(t_s * 1e9), {})) == ()
    assert procedure.finish(because) == ()
