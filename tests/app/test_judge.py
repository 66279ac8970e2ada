"""What is said of kept samples is what the live run said; a run cut short stays void; the worst verdict decides."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from bench_files import MACHINE
from test_runner import CONTRACT_KEYS, Store, Ticks

from benchd.config import load_spec
from benchd.core import procedures
from benchd.core.events import sample_record
from benchd.core.samples import Sample, Value
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.verdicts import Outcome, Suspect
from benchd.judge import contract, exit_code, judge_records, judge_trace, worst
from benchd.runner import Facts, conduct


@pytest.fixture
def spec(tmp_path: Path) -> MachineSpec:
    path = tmp_path / "machine.toml"
    path.write_text(MACHINE)
    return load_spec(path)


def stator_samples(volts: float, count: int = 240) -> list[Sample]:
    return [
        Sample(
            n * 500_000_000,
            {
                "stator_volts": Value(round(volts + n % 3 * 0.01, 2), 0.01),
                "engine_rpm": Value(3600.0 + n % 2, 1.0),
                "stator_hertz": Value(360.0, 0.1),
            },
        )
        for n in range(count)
    ]


class Played:
    """A sampler that emits samples and stays."""

    def __init__(self, samples: list[Sample]) -> None:
        self._samples = samples

    async def run(self, emit: Callable[[Mapping[str, Any] | Sample], None]) -> None:
        for one in self._samples:
            emit(one)
            await asyncio.sleep(0)
        await asyncio.Event().wait()


@pytest.mark.parametrize(("volts", "outcome"), [(31.0, "pass"), (20.0, "fail")])
async def test_trace_live_run_and_kept_run_are_judged_alike(spec: MachineSpec, volts: float, outcome: str) -> None:
    samples = stator_samples(volts)
    store = Store()
    live = await conduct(
        procedures.make("stator", spec), Played(samples), store, Facts(spec, "bay 1", []), clock=Ticks()
    )
    assert live.verdict["verdict"] == outcome

    trace = contract(judge_trace("stator", samples, spec, Metrology()), run="run-1", spec=spec)
    kept = [*store.records, {"kind": "run-closed", **store.closed[0]}]
    again = contract(judge_records(kept, "stator", spec, Metrology()), run="run-1", spec=spec)
    judged_part = set(live.verdict) - {"started", "ended", "bench"}
    assert {key: trace[key] for key in judged_part} == {key: live.verdict[key] for key in judged_part}
    assert {key: again[key] for key in judged_part} == {key: live.verdict[key] for key in judged_part}


def test_reading_stops_at_the_decision(spec: MachineSpec) -> None:
    taken = 0

    def counted() -> Any:
        nonlocal taken
        for one in stator_samples(31.0, 10_000):
            taken += 1
            yield one

    verdict = judge_trace("stator", counted(), spec, Metrology())
    assert taken == verdict.samples < 10_000


def test_a_recording_that_ends_early_is_judged_on_what_there_is(spec: MachineSpec) -> None:
    verdict = judge_trace("stator", stator_samples(31.0, 3), spec, Metrology())
    assert verdict.outcome in (Outcome.VOID, Outcome.UNDECIDED)
    assert verdict.samples == 3


def test_an_empty_recording_is_void(spec: MachineSpec) -> None:
    assert judge_trace("regulator", [], spec, Metrology()).outcome is Outcome.VOID


@pytest.mark.parametrize(
    ("closing", "because"),
    [
        ([{"kind": "run-closed", "status": "aborted", "reason": "the terminal was closed"}], "the terminal was closed"),
        ([{"kind": "run-closed", "status": "interrupted", "reason": "power"}], "power"),
        ([], "benchd was interrupted"),
    ],
)
def test_a_kept_run_that_was_cut_short_stays_void(
    spec: MachineSpec, closing: list[dict[str, Any]], because: str
) -> None:
    records = [*map(sample_record, stator_samples(31.0, 10)), *closing]
    verdict = judge_records(records, "stator", spec, Metrology())
    assert (verdict.outcome, verdict.suspect, verdict.ended_because) == (Outcome.VOID, Suspect.UNKNOWN, because)
    assert because in verdict.reasons[0]


def test_answers_are_fed_again_in_their_place(spec: MachineSpec, monkeypatch: pytest.MonkeyPatch) -> None:
    fed: list[Any] = []
    real = procedures.make

    def spied(*args: Any, **timing: Any) -> Any:
        made = real(*args, **timing)
        feed = made.feed
        monkeypatch.setattr(made, "feed", lambda item: (fed.append(item), feed(item))[1])
        return made

    monkeypatch.setattr(procedures, "make", spied)
    first, second = map(sample_record, stator_samples(31.0, 2))
    answer = {"kind": "answer", "t_ns": 1, "id": "ground-ohms", "text": "OL"}
    closed = {"kind": "run-closed", "status": "judged"}
    judge_records(
        [first, answer, {"kind": "mark", "t_ns": 2, "text": "x"}, second, closed], "stator", spec, Metrology()
    )
    assert [getattr(one, "text", "sample") for one in fed] == ["sample", "OL", "sample"]


def test_the_worst_outcome_decides() -> None:
    assert worst(["pass", "pass"]) is Outcome.PASS
    assert worst(["pass", "undecided", "void"]) is Outcome.VOID
    assert worst(["void", "fail", "pass"]) is Outcome.FAIL
    assert [exit_code([one]) for one in ("pass", "fail", "undecided", "void")] == [0, 1, 3, 4]


def test_a_trace_has_every_key_of_the_contract_and_says_what_it_does_not_know(spec: MachineSpec) -> None:
    body = contract(judge_trace("stator", stator_samples(31.0), spec, Metrology()), run="x.csv", spec=spec)
    assert set(body) >= CONTRACT_KEYS
    assert (body["started"], body["ended"], body["instruments"]) == (None, None, [])
