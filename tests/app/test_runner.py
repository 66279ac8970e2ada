"""The runner on a scripted sampler, a scripted procedure and a store in memory: who ends a run, and what is left."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any

import pytest

from benchd.core.events import Answer, Decided, JudgeEvent, Phase, Prompt, Standing
from benchd.core.samples import Sample, Value
from benchd.core.specs import MachineSpec
from benchd.core.verdicts import Measured, Outcome, Suspect, Verdict
from benchd.errors import StoreError
from benchd.runner import Ended, Facts, Run, conduct

SPEC = MachineSpec("Hollin T18 garden tractor", "manual, page 14", (3350, 3650))
INSTRUMENTS = [{"name": "volts", "driver": "scpi", "port": "/dev/none", "identity": None, "calibration_due": None}]

OPENED = {"run": "run-1", "procedure": "regulator", "started": "2027-01-02T03:04:05.000+00:00"}
CONTRACT_KEYS = set(
    [
        "run",
        "procedure",
        "spec",
        "verdict",
        "suspect",
        "reasons",
        "measured",
        "limits",
        "started",
        "ended",
        "duration_s",
        "ended_because",
        "samples",
        "rpm",
        "instruments",
    ]
)


class Store:
    """Keeps records in memory; `breaks_at` makes the append of that number, and all later ones, fail."""

    run = "run-1"

    def __init__(self, breaks_at: int | None = None, breaks_on_close: bool = False) -> None:
        self.records: list[dict[str, Any]] = []
        self.closed: list[dict[str, Any]] = []
        self._breaks_at, self._breaks_on_close = breaks_at, breaks_on_close

    def append(self, record: dict[str, Any]) -> None:
        if self._breaks_at is not None and len(self.records) >= self._breaks_at:
            raise StoreError("disk full")
        self.records.append(record)

    def close(self, body: dict[str, Any]) -> None:
        if self._breaks_on_close or (self._breaks_at is not None and len(self.records) >= self._breaks_at):
            raise StoreError("disk full")
        self.closed.append(body)

    def kinds(self) -> list[str]:
        return [one["kind"] for one in self.records]


class Script:
    """A procedure that passes on its `decides_at`-th sample."""

    name = "regulator"
    channels_needed: tuple[str, ...] = ("battery_volts",)
    channels_used: tuple[str, ...] = ("battery_volts",)

    def __init__(self, decides_at: int = 3) -> None:
        self.fed: list[Sample | Answer] = []
        self._decides_at = decides_at
        self._verdict: Verdict | None = None

    @property
    def verdict(self) -> Verdict | None:
        return self._verdict

    def opening(self) -> Sequence[JudgeEvent]:
        return [Prompt(0, "hook-up", "Clip on.", ("done",)), Prompt(0, "start-engine", "Start it.")]

    def feed(self, item: Sample | Answer) -> Sequence[JudgeEvent]:
        self.fed.append(item)
        samples = [one for one in self.fed if isinstance(one, Sample)]
        if isinstance(item, Answer):
            return []
        if len(samples) == self._decides_at:
            return self._decide(Outcome.PASS, Suspect.NONE, "settled")
        return [Standing(item.t_ns, Phase.MEASURING, "pass", 0.5, "on the way")]

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        return [
            Prompt(0, "close-throttle", "Close the throttle."),
            *self._decide(Outcome.FAIL, Suspect.STATOR, because),
        ]

    def _decide(self, outcome: Outcome, suspect: Suspect, because: str) -> list[JudgeEvent]:
        samples = sum(isinstance(one, Sample) for one in self.fed)
        measured = {"settled_volts": Measured(14.2, "V", 0.03, 2.0)}
        self._verdict = Verdict(
            "regulator",
            outcome,
            suspect,
            ("It says so.",),
            measured,
            {"window": [13.8, 14.7]},
            because,
            1.0,
            samples,
            None,
        )
        return [Decided(0, self._verdict)]


class Tape:
    """A sampler that emits what it is given, letting others run between; then it stays, ends or raises."""

    def __init__(self, items: Sequence[Any], then: str = "stay") -> None:
        self._items, self._then = items, then
        self.closed = False

    async def run(self, emit: Callable[[Mapping[str, Any] | Sample], None]) -> None:
        try:
            for item in self._items:
                await asyncio.sleep(0)
                item() if callable(item) else emit(item)
            if self._then == "raise":
                raise OSError("the adapter fell out")
            if self._then == "stay":
                await asyncio.Event().wait()
        finally:
            self.closed = True


class Ticks:
    def __init__(self) -> None:
        self._now = 0

    def now_ns(self) -> int:
        self._now += 1_000_000
        return self._now


def samples(count: int) -> list[Sample]:
    return [Sample(n * 500_000_000, {"battery_volts": Value(13.0 + n, 0.01)}) for n in range(count)]


async def ran(
    tape: Tape, store: Store | None = None, procedure: Script | None = None, notes: Sequence[str] = (), **options: Any
) -> tuple[Ended, Store]:
    store = store or Store()
    facts = Facts(SPEC, "bay 1", INSTRUMENTS, "1042", None, notes, OPENED)
    ended = await conduct(procedure or Script(), tape, store, facts, clock=Ticks(), **options)
    return ended, store


async def test_the_procedures_decision_ends_the_run_and_closes_the_ports() -> None:
    tape = Tape(samples(50))
    ended, store = await ran(tape)
    assert (ended.verdict["verdict"], ended.status, ended.exit_code) == ("pass", "judged", 0)
    assert ended.verdict["samples"] == 3
    assert tape.closed
    assert store.kinds().count("sample") == 3, "nothing is kept after the decision"
    assert store.kinds()[-1] == "verdict"
    assert [one["status"] for one in store.closed] == ["judged"]
    assert store.closed[0]["counts"]["sample"] == 3


async def test_the_verdict_object_has_every_key_of_the_contract() -> None:
    ended, _ = await ran(Tape(samples(5)))
    assert set(ended.verdict) >= CONTRACT_KEYS
    assert ended.verdict["spec"] == "Hollin T18 garden tractor"
    assert ended.verdict["work_order"] == "1042"
    assert ended.verdict["measured"]["settled_volts"]["expanded_uncertainty"] == 0.03
    assert ended.verdict["ended"].endswith("+00:00")


async def test_every_record_is_kept_before_it_is_shown() -> None:
    store, shown = Store(), []

    async def show(records: Any, operator: Any) -> None:
        async for one in records:
            if one["kind"] not in ("run-opened", "run-closed"):
                assert one in store.records
            shown.append(one["kind"])

    await ran(Tape(samples(5)), store, show=show)
    assert shown == ["run-opened", *store.kinds(), "run-closed"]


async def test_an_identity_that_an_instrument_tells_stands_in_the_verdict() -> None:
    told = {"kind": "instrument", "name": "volts", "driver": "scpi", "port": "/dev/none", "identity": "Benchmade,M1"}
    ended, store = await ran(Tape([told, *samples(5)]))
    assert ended.verdict["instruments"][0]["identity"] == "Benchmade,M1"
    assert "instrument" in store.kinds()


async def test_warnings_stand_in_the_journal_and_in_the_reasons() -> None:
    ended, store = await ran(Tape(samples(5)), notes=["volts: calibration was due 2026-01-01."])
    assert ended.verdict["reasons"][-1] == "volts: calibration was due 2026-01-01."
    assert store.records[0] == {"kind": "caution", "t_ns": 0, "text": "volts: calibration was due 2026-01-01."}


# --- the operator ---------------------------------------------------------------------------------------------------


async def test_answers_and_marks_are_kept_and_answers_are_fed() -> None:
    procedure = Script()

    async def show(records: Any, operator: Any) -> None:
        async for one in records:
            if one["kind"] == "prompt" and one["id"] == "hook-up":
                operator("answer", "hook-up", "done")
                operator("mark", "", "choke off")

    ended, store = await ran(Tape(samples(5)), procedure=procedure, show=show)
    answer = next(one for one in store.records if one["kind"] == "answer")
    assert (answer["id"], answer["text"]) == ("hook-up", "done")
    assert [one.text for one in procedure.fed if isinstance(one, Answer)] == ["done"]
    assert [one["text"] for one in store.records if one["kind"] == "mark"] == ["choke off"]
    assert ended.exit_code == 0


async def test_abort_is_void_and_kept_whatever_the_procedure_would_have_said() -> None:
    async def show(records: Any, operator: Any) -> None:
        async for one in records:
            if one["kind"] == "sample":
                operator("abort", "", "")

    ended, store = await ran(Tape(samples(1)), show=show)
    assert (ended.verdict["verdict"], ended.verdict["suspect"]) == ("void", "unknown")
    assert (ended.status, ended.exit_code) == ("aborted", 4)
    assert store.closed[0]["status"] == "aborted"
    assert "close-throttle" in [one.get("id") for one in store.records]


async def test_a_technician_answers_prompts_without_a_keyboard() -> None:
    procedure = Script()
    ended, _ = await ran(
        Tape(samples(5)), procedure=procedure, technician=lambda prompt: "done" if prompt["choices"] else None
    )
    assert [one.id for one in procedure.fed if isinstance(one, Answer)] == ["hook-up"]
    assert ended.status == "judged"


async def test_a_screen_that_sends_nonsense_is_told_so() -> None:
    run = Run(Script(), Store(), Facts(SPEC, "bay 1", []), Ticks())
    with pytest.raises(ValueError, match="'explode'"):
        run.operator("explode", "", "")


async def test_a_screen_that_breaks_does_not_end_the_run() -> None:
    async def show(records: Any, operator: Any) -> None:
        raise RuntimeError("no such colour")

    warned: list[str] = []
    ended, _ = await ran(Tape(samples(9)), show=show, warn=warned.append)
    assert ended.status == "judged"
    assert "no such colour" in warned[0]


async def test_a_screen_that_is_closed_ends_the_run() -> None:
    async def show(records: Any, operator: Any) -> None:
        return

    ended, _ = await ran(Tape(samples(1)), show=show)
    assert (ended.status, ended.verdict["verdict"]) == ("aborted", "void")


# --- what goes wrong ------------------------------------------------------------------------------------------------


async def test_a_full_disk_ends_the_run_void_and_still_says_to_close_the_throttle() -> None:
    shown: list[dict[str, Any]] = []

    async def show(records: Any, operator: Any) -> None:
        async for one in records:
            shown.append(one)

    tape = Tape(samples(9))
    ended, store = await ran(tape, Store(breaks_at=4), show=show)
    assert (ended.verdict["verdict"], ended.status, ended.exit_code) == ("void", "failed", 5)
    assert "disk full" in ended.verdict["reasons"][0]
    assert len(store.records) == 4
    assert "close-throttle" in [one.get("id") for one in shown]
    assert shown[-2]["verdict"] == "void"
    assert tape.closed


async def test_a_verdict_that_could_not_be_kept_is_void() -> None:
    ended, _ = await ran(Tape(samples(5)), Store(breaks_on_close=True))
    assert (ended.verdict["verdict"], ended.exit_code) == ("void", 5)


async def test_a_sampler_that_breaks_is_loud() -> None:
    ended, store = await ran(Tape(samples(1), "raise"))
    assert (ended.verdict["verdict"], ended.status, ended.exit_code) == ("void", "failed", 5)
    assert "the adapter fell out" in ended.verdict["reasons"][0]
    assert store.closed[0]["status"] == "failed"


class Faulty(Script):
    """A procedure with a mistake in it."""

    def __init__(self, *, also_at_the_end: bool) -> None:
        super().__init__()
        self._also_at_the_end = also_at_the_end

    def feed(self, item: Sample | Answer) -> Sequence[JudgeEvent]:
        raise KeyError("no such thing")

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        if self._also_at_the_end:
            raise KeyError("nor this")
        return super().finish(because)


@pytest.mark.parametrize("also_at_the_end", [False, True])
async def test_a_mistake_in_the_judge_closes_the_run_as_failed_and_is_handed_on(also_at_the_end: bool) -> None:
    tape = Tape(samples(2))
    ended, store = await ran(tape, procedure=Faulty(also_at_the_end=also_at_the_end))
    assert (ended.verdict["verdict"], ended.status, ended.exit_code) == ("void", "failed", 5)
    assert "no such thing" in ended.verdict["reasons"][0]
    assert isinstance(ended.fault, KeyError)
    assert store.closed[0]["status"] == "failed"
    assert set(ended.verdict) >= CONTRACT_KEYS
    assert tape.closed


async def test_a_recording_that_ends_is_judged_on_what_it_held() -> None:
    ended, store = await ran(Tape(samples(1), "end"))
    assert (ended.verdict["verdict"], ended.verdict["ended_because"]) == ("fail", "the recording ended")
    assert (ended.status, ended.exit_code) == ("judged", 1)
    assert store.closed[0]["reason"] == "the recording ended"


@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 4), (signal.SIGHUP, 4)])
async def test_signals_keep_the_run_as_void(number: signal.Signals, code: int) -> None:
    before = signal.getsignal(number)
    tape = Tape([samples(1)[0], lambda: os.kill(os.getpid(), number)])
    ended, store = await ran(tape)
    assert (ended.verdict["verdict"], ended.status, ended.exit_code) == ("void", "aborted", code)
    assert store.closed[0]["status"] == "aborted"
    assert tape.closed
    assert signal.getsignal(number) == before


async def test_cancelled_from_outside_it_closes_the_run_first() -> None:
    store = Store()
    facts = Facts(SPEC, "bay 1", INSTRUMENTS)
    sampled = asyncio.Event()
    tape = Tape([samples(1)[0], sampled.set])
    task = asyncio.ensure_future(conduct(Script(), tape, store, facts, clock=Ticks()))
    await sampled.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert [one["status"] for one in store.closed] == ["aborted"]
    assert store.records[-1]["verdict"] == "void"


async def test_told_to_stop_while_an_instrument_hangs_the_run_is_closed_within_what_a_service_manager_grants() -> None:
    free = asyncio.Event()

    class Hangs(Tape):
        async def run(self, emit: Callable[[Mapping[str, Any] | Sample], None]) -> None:
            with suppress(asyncio.CancelledError):
                await super().run(emit)
            await free.wait()

    said: list[str] = []
    loop = asyncio.get_running_loop()
    began = loop.time()
    ended, store = await ran(Hangs([samples(1)[0], lambda: os.kill(os.getpid(), signal.SIGTERM)]), warn=said.append)
    free.set()
    assert loop.time() - began < 4.0
    assert (ended.status, store.closed[0]["status"]) == ("aborted", "aborted")
    assert said == ["an instrument did not let go of its port within 2.5 s"]
