"""The regulator judge on battery traces that others made: an independent electrochemical model, and one real charge.

Source and status of every trace: traces/README.md (model traces: computed; field trace: measured).
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from benchd.core.procedures import make
from benchd.core.samples import Sample, Value
from benchd.core.specs import BatterySpec, MachineSpec, RegulatorSpec
from benchd.core.verdicts import Verdict

TRACES = Path(__file__).parent / "traces"


def samples(name: str, digit: float) -> Iterator[Sample]:
    with (TRACES / f"{name}.csv").open() as file:
        for row in csv.DictReader(file):
            volts, amps = (round(float(row[key]) / digit) * digit for key in ("battery_volts", "charge_amps"))
            yield Sample(
                int(float(row["t_s"]) * 1e9),
                {
                    "battery_volts": Value(volts, digit),
                    "charge_amps": Value(amps, digit),
                    "engine_rpm": Value(3550.0, 1.0),
                },
            )


def verdict(name: str, rated: float, amp_hours: float, digit: float = 0.01, max_run_s: float = 1200.0) -> Verdict:
    spec = MachineSpec(
        "a 12 V battery on a bench charger",
        "no manual",
        (3350, 3650),
        None,
        RegulatorSpec(rated, 3600, (13.8, 14.7), 15.0, 0.9 * rated, 0.1 * rated),
        BatterySpec(amp_hours),
    )
    run = make("regulator", spec, quiet=True, max_run_s=max_run_s)
    for sample in samples(name, digit):
        run.feed(sample)
        if run.verdict is not None:
            return run.verdict
    run.finish("the recording ended")
    assert run.verdict is not None
    return run.verdict


@pytest.mark.parametrize("digit", [0.01, 0.001])
@pytest.mark.parametrize(
    ("name", "rated"),
    [("vrla_I15_V144_S60_T25", 15.0), ("vrla_I20_V144_S60_T25", 20.0), ("vrla_I20_V144_S40_T25", 20.0)],
)
def test_a_healthy_battery_settles_where_the_model_says(name: str, rated: float, digit: float) -> None:
    """Set-point 14.40 V: the volts the judge foretells are that, within its own expanded uncertainty."""
    found = verdict(name, rated, 30.0, digit)
    assert (found.outcome, found.suspect) == ("pass", "none")
    settled = found.measured["settled_volts"]
    assert settled.expanded_uncertainty is not None
    assert abs(settled.value - 14.40) < settled.expanded_uncertainty
    assert found.duration_s < 480


def test_bulk_charge_is_never_taken_for_settled() -> None:
    """Trap 1: at 40 % and 15 A the volts creep from 13.7 to 14.3 V in 20 minutes, inside the window, amps at rated."""
    found = verdict("vrla_I15_V144_S40_T25", 15.0, 30.0)
    assert found.outcome == "undecided"
    assert "Amps stay high" in found.reasons[0]


@pytest.mark.parametrize("name", ["vrla_I15_V144_S95_T25", "vrla_I15_V144_S80_T25"])
def test_a_nearly_full_battery_voids_the_run(name: str) -> None:
    found = verdict(name, 15.0, 30.0)
    assert (found.outcome, found.suspect) == ("void", "not discharged")


@pytest.mark.parametrize("name", ["fault_sulphated_I15_V144_S60", "vrla_I15_V144_S60_T00"])
def test_a_battery_that_takes_nothing_proves_no_output(name: str) -> None:
    """Sulphated, or at 0 degC: rated output cannot be shown; never a pass and never the regulator."""
    found = verdict(name, 15.0, 30.0)
    assert found.outcome == "void"
    assert found.suspect in ("not discharged", "battery")


def test_a_shorted_cell_is_the_battery() -> None:
    found = verdict("fault_5cells_I15_V144_S60", 15.0, 30.0)
    assert (found.outcome, found.suspect) == ("fail", "battery")
    assert found.duration_s < 90


@pytest.mark.parametrize(
    ("name", "within_s"),
    [("fault_unregulated_I15_V180_S80", 5), ("fault_setpoint162_I15_S60", 400), ("vrla_I15_V155_S60_T25", 400)],
)
def test_volts_that_end_too_high_are_the_regulator(name: str, within_s: float) -> None:
    found = verdict(name, 15.0, 30.0)
    assert (found.outcome, found.suspect) == ("fail", "regulator")
    assert found.duration_s < within_s


def test_overcharge_on_its_way_through_the_window_is_no_pass() -> None:
    """5 A from 80 %: inside the window for minutes; whatever is said, it is said after the amps have answered."""
    found = verdict("vrla_I05_V144_S80_T25", 5.0, 30.0)
    assert found.outcome == "pass"
    assert found.duration_s > 13 * 60  # the model's amps leave 5 A at 13.3 min (t_bulk_end_min of its summary)


def test_a_real_charge_passes_after_its_volts_arrived_and_not_in_bulk() -> None:
    """Measured: set-point 14.414 V, first within 50 mV after 2.97 h, hunting until 3.24 h; a row a minute, 2.62 A."""
    found = verdict("field_charge_4_from_56pct", 2.7, 17.0, digit=0.001, max_run_s=6 * 3600.0)
    assert (found.outcome, found.suspect) == ("pass", "none")
    assert found.duration_s > 2.8 * 3600
    settled = found.measured["settled_volts"]
    assert abs(settled.value - 14.414) < 0.3


def test_the_digit_of_the_meter_shows_in_the_uncertainty() -> None:
    """Trap 2: coarser digits, wider uncertainty, never zero."""
    fine = verdict("vrla_I20_V144_S60_T25", 20.0, 30.0, 0.001).measured["settled_volts"]
    coarse = verdict("vrla_I20_V144_S60_T25", 20.0, 30.0, 0.01).measured["settled_volts"]
    assert fine.expanded_uncertainty is not None
    assert coarse.expanded_uncertainty is not None
    assert 0 < fine.expanded_uncertainty < coarse.expanded_uncertainty


def test_a_narrower_window_turns_the_same_trace_into_a_fail() -> None:
    """The verdict hangs on the spec, not on the trace."""
    spec = MachineSpec(
        "x",
        "no manual",
        (3350, 3650),
        None,
        RegulatorSpec(20.0, 3600, (13.6, 14.1), 15.0, 18.0, 2.0),
        BatterySpec(30.0),
    )
    run = make("regulator", spec, quiet=True)
    for sample in samples("vrla_I20_V144_S60_T25", 0.001):
        run.feed(sample)
    assert run.verdict is not None
    assert (run.verdict.outcome, run.verdict.suspect) == ("fail", "regulator")
    assert replace(run.verdict, reasons=()).limits["settled_volts"] == [13.6, 14.1]
