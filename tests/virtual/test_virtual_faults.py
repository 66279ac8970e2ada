"""Every fault of the virtual bench shows in the recording as the trade knows it; the rest of the bench stays good."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from statistics import fmean

import pytest

from benchd.virtual.offline import CHANNELS, Trace, simulate
from benchd.virtual.scenario import FAULTS, RUN_FAULTS, Scenario

SECONDS = 70.0


@dataclass
class Seen:
    """The last 50 s of a recording: numbers, and the share of cells without one; with the rest volts before."""

    trace: Trace

    def numbers(self, channel: str) -> list[float]:
        place = self.trace.header.index(channel)
        return [float(row[place]) for row in self.trace.rows if row[place] and float(row[0]) >= 20]

    def mean(self, channel: str) -> float:
        return fmean(self.numbers(channel))

    def empty(self, channel: str) -> float:
        rows = [row for row in self.trace.rows if float(row[0]) >= 20]
        return 1 - len(self.numbers(channel)) / len(rows)

    @property
    def rest_volts(self) -> float:
        return float(self.trace.rows[2][1])


@functools.cache
def seen(fault: str | None, procedure: str = "regulator", strength: float | None = None) -> Seen:
    scenario = Scenario()
    return Seen(simulate(scenario.with_fault(fault, strength) if fault else scenario, procedure, SECONDS))


GOOD = Scenario()
RATED = GOOD.rated_amps


def volts(fault: str | None) -> float:
    return seen(fault).mean("battery_volts")


def amps(fault: str | None) -> float:
    return seen(fault).mean("charge_amps")


def stator(fault: str | None) -> float:
    return seen(fault, "stator").mean("stator_volts")


def late(fault: str | None) -> Trace:
    """A run on a fuller battery, long enough to see where the volts end."""
    scenario = Scenario(start_charge=0.75)
    return simulate(scenario.with_fault(fault) if fault else scenario, "regulator", 900)


def ends_at(fault: str | None) -> float:
    return late(fault).truth.volts[-1]


def hunts(fault: str | None) -> float:
    rpm = seen(fault).numbers("engine_rpm")
    return max(rpm) - min(rpm)


#: Fault -> what must be true of a recording with it.
SHOWS: dict[str, Callable[[], bool]] = {
    "weak-magnets": lambda: stator("weak-magnets") < 0.75 * stator(None) and amps("weak-magnets") < 0.75 * RATED,
    "shorted-turns": lambda: stator("shorted-turns") < 0.75 * stator(None) and amps("shorted-turns") < 0.75 * RATED,
    "open-phase": lambda: stator("open-phase") < 1.0 and amps("open-phase") < 0.1 * RATED,
    "regulator-dead": lambda: amps("regulator-dead") < 0.1 and volts("regulator-dead") < 12.6,
    "regulator-weak": lambda: 0.5 * RATED < max(seen("regulator-weak").numbers("charge_amps")) < 0.7 * RATED,
    "regulator-stuck-on": lambda: ends_at("regulator-stuck-on") > 15.0,
    "regulator-set-high": lambda: 14.7 < ends_at("regulator-set-high") < 15.0,
    "regulator-set-low": lambda: ends_at("regulator-set-low") < 13.6,
    "scr-open": lambda: 0.4 * RATED < max(seen("scr-open").numbers("charge_amps")) < 0.6 * RATED,
    "battery-sulphated": lambda: amps("battery-sulphated") < 0.4 * amps(None) and volts("battery-sulphated") > 14.0,
    "battery-dead-cell": lambda: (
        seen("battery-dead-cell").rest_volts < 10.8 and amps("battery-dead-cell") > 0.9 * RATED
    ),
    "battery-leaking": lambda: late("battery-leaking").truth.amps[-1] > late(None).truth.amps[-1] + 2.0,
    "battery-nearly-full": lambda: seen("battery-nearly-full").rest_volts > 12.6 and amps("battery-nearly-full") < 2.0,
    "battery-deeply-discharged": lambda: (
        seen("battery-deeply-discharged").rest_volts < 11.9 and volts("battery-deeply-discharged") < volts(None) - 0.3
    ),
    "battery-frozen": lambda: amps("battery-frozen") < 0.05 * RATED,
    "joint-bad": lambda: amps("joint-bad") < 0.75 * amps(None) and volts("joint-bad") < volts(None) - 0.3,
    "joint-intermittent": lambda: (
        min(seen("joint-intermittent").numbers("charge_amps")) < 0.1
        and max(seen("joint-intermittent").numbers("charge_amps")) > 0.9 * RATED
    ),
    "governor-low": lambda: 2900 < seen("governor-low").mean("engine_rpm") < 3050,
    "governor-hunting": lambda: hunts("governor-hunting") > 500 > 100 > hunts(None),
    "tach-wrong-pulses": lambda: (
        1700 < seen("tach-wrong-pulses").mean("engine_rpm") < 1850
        and max(seen("tach-wrong-pulses").trace.truth.rpm) > 3400
    ),
    "meter-sleep": lambda: seen("meter-sleep").empty("charge_amps") > 0.7,
    "meter-hold": lambda: seen("meter-hold").empty("battery_volts") > 0.7,
    "meter-overload": lambda: seen("meter-overload").empty("charge_amps") > 0.7,
    "meter-wrong-dial": lambda: seen("meter-wrong-dial").empty("battery_volts") == 1.0,
    "meter-leads-reversed": lambda: amps("meter-leads-reversed") == pytest.approx(-amps(None), rel=0.02),
    "meter-cut-frames": lambda: 0.1 < seen("meter-cut-frames").empty("charge_amps") < 0.5,
    "meter-unplugged": lambda: 0.0 < seen("meter-unplugged").empty("battery_volts") < 0.3,
    "meter-clock-skew": lambda: lag("meter-clock-skew") > lag(None) + 0.5,
    "meter-fuse-blown": lambda: (
        abs(seen("meter-fuse-blown").numbers("charge_amps")[-1]) < 0.5
        and seen("meter-fuse-blown").numbers("charge_amps")[0] > 0.9 * RATED
    ),
}


def lag(fault: str | None) -> float:
    """Seconds from the true rise of the amps to the shown one, at 2 A."""
    scenario = Scenario(meter_period_s=0.5)
    trace = simulate(scenario.with_fault(fault) if fault else scenario, "regulator", 25)
    true = next(t for t, flows in zip(trace.truth.t_s, trace.truth.amps, strict=True) if flows > 2)
    return next(float(row[0]) for row in trace.rows if float(row[2]) > 2) - true


def test_the_table_holds_every_fault_and_no_other() -> None:
    assert set(SHOWS) == set(RUN_FAULTS)


@pytest.mark.parametrize("fault", SHOWS)
def test_the_fault_shows(fault: str) -> None:
    assert SHOWS[fault]()


def test_a_good_machine_gives_rated_amps_first_and_good_stator_volts() -> None:
    assert max(seen(None).numbers("charge_amps")) > 0.95 * RATED
    assert stator(None) > 1.05 * GOOD.min_volts_ac
    for procedure, channels in CHANNELS.items():
        assert all(seen(None, procedure).empty(channel) == 0 for channel in channels)


@pytest.mark.parametrize("fault", [name for name in FAULTS if name.startswith("meter-") and name != "meter-fuse-blown"])
def test_a_meters_fault_leaves_the_machine_as_it_is(fault: str) -> None:
    assert seen(fault).trace.truth.amps == seen(None).trace.truth.amps
    assert seen(fault).trace.truth.volts == seen(None).trace.truth.volts


@pytest.mark.parametrize(
    ("fault", "weak", "strong", "channel", "procedure"),
    [
        ("weak-magnets", 0.1, 0.5, "stator_volts", "stator"),
        ("shorted-turns", 0.1, 0.5, "stator_volts", "stator"),
        ("joint-bad", 0.02, 0.3, "charge_amps", "regulator"),
        ("regulator-set-low", 0.2, 1.2, "charge_amps", "regulator"),
        ("regulator-weak", 0.9, 0.3, "charge_amps", "regulator"),
        ("battery-sulphated", 0.5, 0.05, "charge_amps", "regulator"),
    ],
)
def test_a_stronger_fault_shows_more(fault: str, weak: float, strong: float, channel: str, procedure: str) -> None:
    weaker, stronger = (seen(fault, procedure, strength).mean(channel) for strength in (weak, strong))
    assert stronger < 0.9 * weaker < seen(None, procedure).mean(channel)
