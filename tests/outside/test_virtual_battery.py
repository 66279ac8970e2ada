"""The virtual bench's battery against an independent electrochemical model and one real charge.

Model traces: made with PyBaMM 26.10 (porous-electrode lead-acid model, Sulzer2019 parameters, scaled to 30 Ah and
fitted to a measured 100 Ah charge), charged by an ideal current-limited regulator. Status: computed, not measured; the
model itself is 0.07 V and 0.2 A off a measured battery, and reads high in its first five minutes, which are left out.
Field charge: a 12 V 17 Ah valve-regulated battery from 56 % (data of the code of "Faster Lead-Acid Battery
Simulations from Porous-Electrode Theory", public repository valentinsulzer/faster-lead-acid, BSD 3-Clause, copyright
(c) 2019 Valentin Sulzer). Status: measured, by others.
The tolerances are the errors as found, rounded up.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from benchd.virtual.battery import Battery

STEP_S = 0.1
SOURCE_OHMS = 0.001
MODEL_OHMS_AT_28_AH = 0.0214  # the model's own 20 mohm, which is of a 30 Ah battery
VOLTS_OFF, AMPS_OFF = 0.13, 0.5  # worst of the table below: 0.12 V, 0.46 A
FAULT_VOLTS_OFF = 0.42  # the same for a shorted cell and for an overcharge


def charge(
    battery: Battery, most_amps: float, set_volts: float, seconds: float
) -> Iterator[tuple[float, float, float]]:
    """(seconds, volts, amps) on an ideal current-limited source, every tenth of a second."""
    for step in range(1, round(seconds / STEP_S) + 1):
        held = (set_volts - battery.emf()) / (battery.ohms + SOURCE_OHMS)
        amps = min(held, most_amps)
        battery.step(amps, STEP_S)
        yield step * STEP_S, battery.emf() + amps * battery.ohms, amps


def at_minutes(
    battery: Battery, most_amps: float, set_volts: float, minutes: set[int]
) -> dict[int, tuple[float, float]]:
    found = {}
    for t_s, volts, amps in charge(battery, most_amps, set_volts, 60.0 * max(minutes)):
        if abs(t_s / 60 - round(t_s / 60)) < 1e-6 and round(t_s / 60) in minutes:
            found[round(t_s / 60)] = (volts, amps)
    return found


#: limit A, set V, charge at the start, degC, sealed, {minute: (V, A)} of the model; the trace's name as its maker calls it
TRACES = {
    "vrla_I15_V144_S60_T25": (15, 14.4, 0.6, 25, True, {10: (14.38, 11.51), 30: (14.39, 7.383)}),
    "vrla_I15_V144_S40_T25": (15, 14.4, 0.4, 25, True, {10: (13.99, 15.0), 30: (14.37, 12.52)}),
    "vrla_I15_V144_S80_T25": (15, 14.4, 0.8, 25, True, {10: (14.39, 4.973), 30: (14.39, 3.133)}),
    "vrla_I20_V144_S40_T25": (20, 14.4, 0.4, 25, True, {10: (14.37, 17.38), 30: (14.38, 11.71)}),
    "vrla_I20_V144_S60_T25": (20, 14.4, 0.6, 25, True, {10: (14.38, 11.50), 30: (14.39, 7.381)}),
    "vrla_I05_V144_S60_T25": (5, 14.4, 0.6, 25, True, {10: (13.50, 5.0), 30: (13.68, 5.0)}),
    "vrla_I05_V144_S80_T25": (5, 14.4, 0.8, 25, True, {10: (14.37, 5.0), 30: (14.39, 3.23)}),
    "vrla_I15_V138_S60_T25": (15, 13.8, 0.6, 25, True, {10: (13.79, 7.203), 30: (13.79, 5.006)}),
    "vrla_I15_V155_S40_T25": (15, 15.5, 0.4, 25, True, {10: (13.99, 15.0), 30: (14.92, 15.0)}),
    "vrla_I20_V155_S60_T25": (20, 15.5, 0.6, 25, True, {10: (15.47, 14.68), 30: (15.48, 9.969)}),
    "flooded_I15_V138_S60_T25": (15, 13.8, 0.6, 25, False, {10: (13.78, 8.827), 30: (13.79, 5.93)}),
    "flooded_I15_V138_S40_T25": (15, 13.8, 0.4, 25, False, {10: (13.77, 14.64), 30: (13.78, 10.04)}),
    "vrla_I15_V144_S10_T25": (15, 14.4, 0.1, 25, True, {10: (13.28, 15.0), 30: (13.63, 15.0)}),
    "vrla_I15_V144_S95_T25": (15, 14.4, 0.95, 25, True, {10: (14.40, 0.5013), 30: (14.40, 0.4276)}),
}


@pytest.mark.parametrize("name", TRACES)
def test_volts_and_amps_follow_the_independent_model(name: str) -> None:
    most, set_volts, start, celsius, sealed, points = TRACES[name]
    battery = Battery(30.0, start, celsius, MODEL_OHMS_AT_28_AH, sealed)
    found = at_minutes(battery, most, set_volts, set(points))
    for minute, (volts, amps) in points.items():
        assert found[minute][0] == pytest.approx(volts, abs=VOLTS_OFF), f"volts after {minute} min"
        assert found[minute][1] == pytest.approx(amps, abs=AMPS_OFF), f"amps after {minute} min"


def test_the_cold_takes_little_at_the_set_point() -> None:
    # vrla_I15_V144_S60_T00: 3.615 A after 10 min, 3.292 A after 30; the model's cold is right in direction only
    found = at_minutes(Battery(30.0, 0.6, 0.0, MODEL_OHMS_AT_28_AH, True), 15, 14.4, {10, 30})
    assert 2.0 < found[30][1] < found[10][1] < 5.5


def test_one_shorted_cell_reaches_the_window_with_amps_still_at_the_limit() -> None:
    # fault_5cells_I15_V144_S60: 13.05 V at 10 min, 14.06 V at 30 min, 15 A all the while
    found = at_minutes(Battery(30.0, 0.6, 25.0, MODEL_OHMS_AT_28_AH, True, cells=5), 15, 14.4, {10, 30})
    assert found[10] == (pytest.approx(13.05, abs=FAULT_VOLTS_OFF), 15)
    assert found[30] == (pytest.approx(14.06, abs=FAULT_VOLTS_OFF), 15)


def test_an_unregulated_charge_ends_far_above_fifteen_volts() -> None:
    # fault_unregulated_I15_V180_S80: 16.94 V at 10 min, 17.16 V at 30 min
    found = at_minutes(Battery(30.0, 0.8, 25.0, MODEL_OHMS_AT_28_AH, True), 15, 18.0, {10, 30})
    assert found[10] == (pytest.approx(16.94, abs=FAULT_VOLTS_OFF), 15)
    assert found[30] == (pytest.approx(17.16, abs=FAULT_VOLTS_OFF), 15)


def test_a_strong_source_on_a_small_battery_is_at_the_set_point_within_a_minute() -> None:
    # The same traces: vrla_I20_V144_S60_T25 within 50 mV of 14.4 V after 2 s, amps down to 95 % of the limit after 2 s.
    # The real battery is slower (0.15 V lower after 2 min), so 'within a minute' is all that is asked.
    reached = next(
        t for t, volts, _ in charge(Battery(30.0, 0.6, 25, MODEL_OHMS_AT_28_AH, True), 20, 14.4, 120) if volts > 14.35
    )
    assert reached < 60


def test_the_real_small_battery_from_half_charge() -> None:
    # Charge 4: 2.62 A falling to 1.21 A, 8.57 Ah drawn of 19.7 Ah (counted), set-point 14.414 V; 17 Ah nominal, 26-30 degC
    battery = Battery(19.7, 0.565, 28.0, MODEL_OHMS_AT_28_AH, True)
    found = at_minutes(battery, 2.62, 14.414, {30, 60, 90, 240})
    for minute, measured in ((30, 13.142), (60, 13.332), (90, 13.541)):
        assert found[minute][0] == pytest.approx(measured, abs=0.4)
        assert found[minute][1] == pytest.approx(2.58, abs=0.06)
    assert found[240][0] == pytest.approx(14.414, abs=0.05)
    assert found[240][1] == pytest.approx(0.790, abs=0.4)
