"""The continuity judge on contacts of known ohms, an operator who clips on where he is asked to, and a meter with leads."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from benchd.core.events import Answer, Caution, JudgeEvent, Prompt, Standing
from benchd.core.procedures import make
from benchd.core.readings import Flag
from benchd.core.samples import Sample, Value
from benchd.core.specs import MachineSpec, StatorSpec, WiringSpec
from benchd.core.verdicts import Verdict

SPEC = MachineSpec(
    "Caldmoor Z42 zero-turn mower", "technical manual, chapter 4, pages 31 and 33", (3450, 3750),
    stator=StatorSpec(26.0, 3600, 16, ("white 1 - white 2", "white 2 - white 3"), lead_ohms=(0.1, 0.4), min_ground_ohms=1e5),
    wiring=WiringSpec(breaker_amps=25.0, switch={"off": ("M - G",), "run": ("B - A",), "start": ("B - A", "B - S")}),
)  # fmt: skip
SILENT = replace(SPEC, stator=StatorSpec(26.0, 3600, 16, ("white 1 - white 2",)), wiring=WiringSpec())
OPEN = math.inf
LEADS = 0.2
#: What a good machine reads, without the leads.
GOOD = {
    "leads": 0.0, "breaker": 0.02,
    "switch:off:1": 0.05, "switch:off:2": OPEN, "switch:off:3": OPEN,
    "switch:run:1": OPEN, "switch:run:2": 0.05, "switch:run:3": OPEN,
    "switch:start:1": OPEN, "switch:start:2": 0.05, "switch:start:3": 0.06,
    "stator-ground:1": OPEN, "stator-ground:2": OPEN, "stator-ground:3": OPEN,
    "stator-pair:1": 0.25, "stator-pair:2": 0.25,
}  # fmt: skip


def shown(ohms: float) -> Value:
    if ohms > 4e7:
        return Value(None, None, frozenset({Flag.OVERLOAD}))
    digit = 0.1 if ohms < 400 else 10 ** (math.floor(math.log10(ohms)) - 3)
    return Value(round(ohms / digit) * digit, digit)


def run(
    changed: dict[str, float] | None = None, *, spec: MachineSpec = SPEC, says: dict[str, str] | None = None,
    leads: float = LEADS, step_s: float = 0.5, silent: bool = False,
) -> tuple[Verdict, list[JudgeEvent]]:  # fmt: skip
    """`says` gives another answer than 'done' to a prompt ('' = none)."""
    ohms = GOOD | (changed or {})
    rng = random.Random(5)
    procedure = make("continuity", spec)
    events = list(procedure.opening())
    due: list[tuple[float, str]] = []
    on = ""
    heard = 0
    for count in range(round(600 / step_s)):
        t_s = count * step_s
        for one in events[heard:]:
            if isinstance(one, Prompt) and one.id in ohms:
                due.append((t_s + 5.0, one.id))
                on = ""
        heard = len(events)
        while due and due[0][0] <= t_s:
            on = due.pop(0)[1]
            said = (says or {}).get(on, "done")
            if said:
                events += procedure.feed(Answer(round(t_s * 1e9), on, said))
        value = shown(ohms[on] + leads + rng.gauss(0, 0.02) if on else OPEN)
        values = {} if silent and t_s > 20 else {"circuit_ohms": value}
        events += procedure.feed(Sample(round(t_s * 1e9), values))
        if procedure.verdict is not None:
            break
    events += procedure.finish("the recording ended")
    assert procedure.verdict is not None
    return procedure.verdict, events


def of(verdict: Verdict) -> tuple[str, str, str]:
    return str(verdict.outcome), str(verdict.suspect), str(verdict.extra.get("finding", ""))


def test_a_good_machine_passes_step_by_step() -> None:
    found, events = run()
    assert of(found) == ("pass", "none", "good")
    asked = [one.id for one in events if isinstance(one, Prompt) and one.id != "hook-up"]
    assert asked == list(GOOD)
    assert all(row["call"] == "good" for row in found.extra["contacts"])
    assert found.duration_s < len(GOOD) * 10


@pytest.mark.parametrize(
    ("changed", "suspect", "finding"),
    [
        ({"breaker": OPEN}, "connection", "breaker-open"),
        ({"breaker": 9.0}, "connection", "breaker-open"),
        ({"switch:run:2": OPEN}, "connection", "switch-bad"),
        ({"switch:run:2": 6.0}, "connection", "switch-bad"),
        ({"switch:off:2": 0.1}, "connection", "switch-bad"),  # joined where it must be apart
        ({"stator-ground:2": 300.0}, "stator", "stator-grounded"),
        ({"stator-ground:1": 4e4}, "stator", "stator-grounded"),  # under the manual's 100 kohm
        ({"stator-pair:2": OPEN}, "stator", "stator-open"),
        ({"stator-pair:1": 60.0}, "stator", "stator-open"),
    ],
)
def test_each_fault_is_found(changed: dict[str, float], suspect: str, finding: str) -> None:
    found, _ = run(changed)
    assert of(found) == ("fail", suspect, finding)
    place = next(iter(changed))
    assert next(row for row in found.extra["contacts"] if row["id"] == place)["call"] == "bad"


def test_overload_to_ground_is_open_and_open_is_good() -> None:
    found, _ = run()
    assert any("white 2 to ground: open (the meter shows overload), as it must be" in one for one in found.reasons)


def test_two_faults_are_both_told() -> None:
    found, _ = run({"breaker": OPEN, "stator-ground:1": 2.0})
    assert of(found) == ("fail", "connection", "breaker-open")
    assert [str(one) for one in found.suspects] == ["connection", "stator"]


def test_the_leads_are_taken_off() -> None:
    found, _ = run(leads=0.5)
    assert found.outcome == "pass"
    assert found.measured["stator_pair_1_ohms"].value == pytest.approx(0.25, abs=0.06)
    u = found.measured["stator_pair_1_ohms"].expanded_uncertainty
    assert u is not None
    assert u > 0.2  # three counts of 0.1 ohm, twice: such a meter cannot tell


def test_a_winding_below_an_ohm_is_said_to_be_beyond_the_meter() -> None:
    found, _ = run()
    assert any("cannot tell a good winding from a shorted one" in one for one in found.reasons)
    outside, _ = run({"stator-pair:1": 1.8})
    assert of(outside)[:2] == ("undecided", "stator")
    assert any("below about 1 ohm an ordinary ohmmeter cannot tell" in one for one in outside.reasons)


def test_bad_leads_are_asked_about_until_they_are_good_or_skipped() -> None:
    _, events = run({"leads": 3.0})
    again = [one for one in events if isinstance(one, Prompt) and one.id == "leads"]
    assert len(again) > 1
    assert "bad lead" in again[1].text


def test_everything_may_be_skipped() -> None:
    nothing, _ = run(says=dict.fromkeys(GOOD, "skip"))
    assert of(nothing)[:2] == ("void", "unknown")
    most = dict.fromkeys((id for id in GOOD if id != "breaker"), "skip")
    found, _ = run(says=most)
    assert of(found) == ("undecided", "unknown", "good")
    assert any("Left out: Switch at off" in one for one in found.reasons)
    bad, _ = run({"breaker": OPEN}, says=most)
    assert of(bad) == ("fail", "connection", "breaker-open")


def test_enough_judges_what_there_is() -> None:
    found, _ = run(says={"switch:off:1": "enough"})
    assert of(found) == ("undecided", "unknown", "good")
    assert found.ended_because == "parts were left out"
    late, _ = run(says={"stator-pair:2": "enough"})
    assert of(late) == ("pass", "none", "good")
    assert late.ended_because == "the operator had enough"
    assert of(run({"breaker": OPEN}, says={"switch:off:1": "enough"})[0]) == ("fail", "connection", "breaker-open")


def test_a_step_left_out_of_a_part_that_was_measured_is_told_and_passes() -> None:
    found, _ = run(says={"switch:off:2": "skip"})
    assert of(found) == ("pass", "none", "good")
    assert any("Left out: Switch at off, B - A" in one for one in found.reasons)


def test_ohms_may_be_typed_from_a_meter_that_is_not_on_the_bench() -> None:
    found, _ = run(says={"breaker": "OL"})
    assert of(found) == ("fail", "connection", "breaker-open")
    found, _ = run(says={"stator-ground:1": "12k"})
    assert of(found) == ("fail", "stator", "stator-grounded")
    assert found.measured["stator_ground_1_ohms"].value == pytest.approx(12e3)
    again = make("continuity", SPEC).feed(Answer(0, "breaker", "fine"))
    assert isinstance(again[0], Prompt)
    assert "'fine'" in again[0].text


def test_a_closed_contact_is_seen_without_an_answer_an_open_one_is_not() -> None:
    found, events = run(says=dict.fromkeys(("leads", "breaker"), ""))
    assert found.outcome == "pass"
    unsaid, _ = run(says={"switch:off:2": ""})
    assert of(unsaid)[0] == "undecided"
    assert next(row for row in unsaid.extra["contacts"] if row["id"] == "switch:off:2")["call"] == "skipped"
    assert events


def test_tips_that_touch_by_chance_are_no_contact() -> None:
    procedure = make("continuity", SPEC)
    procedure.opening()
    procedure.feed(Answer(0, "leads", "skip"))
    for count in range(100):  # breaker asked for; the tips touch for two seconds now and then
        touch = 20 <= count % 50 < 24
        value = shown(0.2 if touch else OPEN)
        procedure.feed(Sample(round(count * 0.5e9), {"circuit_ohms": value}))
    procedure.finish("the recording ended")
    assert procedure.verdict is not None
    assert procedure.verdict.outcome == "void"


def test_without_a_manuals_figures_it_judges_only_what_is_plain() -> None:
    ids = {"leads", "breaker", "stator-ground:1", "stator-ground:2", "stator-pair:1"}
    good, events = run(spec=SILENT)
    assert of(good) == ("pass", "none", "good")
    assert {one.id for one in events if isinstance(one, Prompt)} - {"hook-up"} == ids
    damp, _ = run({"stator-ground:1": 2e5}, spec=SILENT)
    assert of(damp) == ("undecided", "stator", "stator-grounded")
    assert any("moisture" in one for one in damp.reasons)
    assert of(run({"stator-ground:1": 5e3}, spec=SILENT)[0])[0] == "fail"


def test_a_reading_that_does_not_stand_still_is_asked_for_again() -> None:
    procedure = make("continuity", SPEC)
    events = list(procedure.opening())
    events += procedure.feed(Answer(0, "leads", "skip"))
    events += procedure.feed(Answer(1, "breaker", "done"))
    for count in range(80):
        events += procedure.feed(Sample(round(count * 0.5e9), {"circuit_ohms": Value(float(count % 3), 0.1)}))
    again = [one for one in events if isinstance(one, Prompt) and one.id == "breaker"]
    assert any("does not stand still" in one.text for one in again)


def test_voltage_on_the_circuit_is_warned_of() -> None:
    _, events = run({"breaker": -4.0})
    assert any(isinstance(one, Caution) and "voltage on this circuit" in one.text for one in events)


def test_a_reading_below_zero_is_never_a_closed_contact() -> None:
    """-4 ohm is less than the 1 ohm of a good breaker, and passed for one."""
    found, events = run({"breaker": -4.0})
    assert found.outcome != "pass"
    assert any(isinstance(one, Prompt) and one.id == "breaker" and "Below zero" in one.text for one in events)


class Ranging:
    """A meter that shows overload for a while after the tips are on, looking for its range."""

    def __init__(self, looks_s: float, ohms: float) -> None:
        self.procedure = make("continuity", SILENT)
        self.procedure.opening()
        for id in ("leads", "breaker"):
            self.procedure.feed(Answer(0, id, "skip"))
        self.procedure.feed(Answer(1, "stator-ground:1", "done"))
        for count in range(60):
            t_s = count * 0.1
            self.procedure.feed(Sample(round(t_s * 1e9), {"circuit_ohms": shown(ohms if t_s >= looks_s else OPEN)}))
        self.procedure.feed(Answer(6_000_000_000, "stator-ground:2", "enough"))
        self.procedure.feed(Sample(6_500_000_000, {}))
        verdict = self.procedure.verdict
        assert verdict is not None
        self.contact = next(one for one in verdict.extra["contacts"] if one["id"] == "stator-ground:1")


def test_a_meter_that_looks_for_its_range_shows_no_open_circuit() -> None:
    """After a second and a half of overload a grounded stator was open to ground, and a good breaker open."""
    assert Ranging(1.7, 300.0).contact["call"] == "bad"
    assert Ranging(9.0, 300.0).contact["call"] == "good"


def test_typed_ohms_are_not_mixed_with_a_meter_in_the_air() -> None:
    procedure = make("continuity", SILENT)
    procedure.opening()
    procedure.feed(Answer(0, "leads", "skip"))
    procedure.feed(Answer(1, "breaker", "0.4"))
    for count in range(1, 40):  # the bench's own meter, not used, shows overload; the first look comes late
        procedure.feed(Sample(round((0.6 + count * 0.5) * 1e9), {"circuit_ohms": shown(OPEN)}))
    procedure.feed(Answer(21_000_000_000, "stator-ground:1", "enough"))
    procedure.feed(Sample(21_500_000_000, {}))
    assert procedure.verdict is not None
    assert procedure.verdict.extra["contacts"][1]["call"] == "good"


def test_nothing_powered_stands_before_anything_else() -> None:
    first = make("continuity", SPEC).opening()[0]
    assert isinstance(first, Caution)
    assert "negative cable off" in first.text


def test_a_recording_of_ohms_alone_is_void() -> None:
    procedure = make("continuity", SPEC)
    procedure.opening()
    for count in range(40):
        procedure.feed(Sample(round(count * 0.5e9), {"circuit_ohms": Value(0.3, 0.1)}))
    procedure.finish("the recording ended")
    assert procedure.verdict is not None
    assert of(procedure.verdict)[:2] == ("void", "unknown")
    assert "answers" in procedure.verdict.reasons[0]


def test_a_lost_meter_is_named() -> None:
    found, _ = run(silent=True)
    assert of(found)[:2] == ("void", "instrument")
    assert "circuit_ohms" in found.reasons[0]


@pytest.mark.parametrize("step_s", [0.1, 2.0])
def test_slow_and_fast_benches(step_s: float) -> None:
    assert of(run(step_s=step_s)[0]) == ("pass", "none", "good")


def test_it_says_where_it_stands() -> None:
    _, events = run({"breaker": OPEN})
    found = [one for one in events if isinstance(one, Standing)]
    assert found[0].why.startswith("1 of 16")
    assert found[-1].leaning == "fail"
