"""Accuracy statements: the right line, the right unit, and nothing where nothing is promised."""

import math

import pytest

from benchd.core import accuracy, budget
from benchd.core.readings import Quantity
from benchd.core.samples import CHANNELS
from benchd.core.specs import AccuracyLine, ChannelModel

DC, AC = Quantity.DC_VOLTS, Quantity.AC_VOLTS
RANGES = (
    AccuracyLine(DC, 0.05, 3, 0.0001, up_to=2.0),
    AccuracyLine(DC, 0.05, 3, 0.001, up_to=20.0),
    AccuracyLine(DC, 0.10, 3, 0.01, up_to=200.0),
)
VOLTS = ChannelModel("battery_volts", RANGES, instrument="volts")
BANDS = ChannelModel(
    "stator_volts",
    (
        AccuracyLine(AC, 0.8, 3, 0.01, up_to=60.0, min_hertz=45, max_hertz=100),
        AccuracyLine(AC, 2.0, 5, 0.01, up_to=60.0, min_hertz=100, max_hertz=400),
    ),
    instrument="ac",
)


def parts(found: list[budget.Component]) -> dict[str, float]:
    return {one.name: one.u for one in found}


@pytest.mark.parametrize(
    ("raw", "resolution", "line"),
    [
        (1.5, None, 0),
        (2.0, None, 0),
        (-1.5, None, 0),
        (14.2, None, 1),
        (20.0, None, 1),
        (20.1, None, 2),
        (1.5, 0.001, 1),  # its display shows that it sits on the 20 V range
        (1.5, 0.01, 2),
        (1.5, 0.1, 2),  # coarser than any statement: the coarsest
        (14.2, 0.0001, 1),  # finer than the range can show: the line for the value
    ],
)
def test_the_line_is_that_of_the_range_in_use(raw, resolution, line) -> None:
    assert accuracy.line_for(VOLTS, DC, raw, resolution=resolution) is RANGES[line]


def test_nothing_is_promised_beyond_the_last_range_or_for_another_function() -> None:
    assert accuracy.line_for(VOLTS, DC, 201.0) is None
    assert accuracy.line_for(VOLTS, AC, 14.2) is None
    assert accuracy.uncertainty(VOLTS, 201.0) == []
    assert accuracy.stated_limit(VOLTS) == "200 V"


def test_counts_are_of_the_displayed_resolution_where_that_is_coarser() -> None:
    fine = parts(accuracy.uncertainty(VOLTS, 14.2, resolution=0.001))
    coarse = parts(accuracy.uncertainty(ChannelModel("battery_volts", RANGES[1:2]), 14.2, resolution=0.01))
    assert fine["meter's accuracy statement"] == pytest.approx((14.2 * 0.0005 + 0.003) / math.sqrt(3))
    assert coarse["meter's accuracy statement"] == pytest.approx((14.2 * 0.0005 + 0.03) / math.sqrt(3))
    assert coarse["meter's display"] == pytest.approx(0.01 / math.sqrt(12))


def test_the_band_that_holds_counts_and_the_worst_where_the_frequency_is_unknown() -> None:
    at_60 = accuracy.line_for(BANDS, AC, 28.0, 60)
    at_360 = accuracy.line_for(BANDS, AC, 28.0, 360)
    assert (at_60, at_360) == BANDS.lines
    assert accuracy.line_for(BANDS, AC, 28.0) is at_360


def test_outside_every_band_is_unknown_and_said() -> None:
    assert accuracy.uncertainty(BANDS, 28.0, hertz=540) == []
    said = accuracy.out_of_band(BANDS, 540)
    assert said is not None
    assert "stator_volts: 540 Hz" in said
    assert "45 to 100 and 100 to 400 Hz" in said
    assert accuracy.out_of_band(BANDS, 360) is None
    assert accuracy.out_of_band(VOLTS, 540) is None


def test_a_shunt_brings_its_ratio_tolerance_and_offset() -> None:
    # 75 mV / 50 A shunt of 0.5 % before a millivolt meter; 15 A are 22.5 mV.
    line = AccuracyLine(DC, 0.1, 2, 1e-5, up_to=0.2)
    shunt = ChannelModel("charge_amps", (line,), ratio=50 / 0.075, ratio_percent=0.5, offset=0.1, offset_limit=0.05)
    found = parts(accuracy.uncertainty(shunt, 14.9))
    assert found["meter's accuracy statement"] == pytest.approx((0.0225e-2 * 0.1 + 2e-5) / 0.075 * 50 / math.sqrt(3))
    assert found["meter's display"] == pytest.approx(1e-5 / 0.075 * 50 / math.sqrt(12))
    assert found["tolerance of the ratio"] == pytest.approx(15 * 0.005 / math.sqrt(3))
    assert found["offset"] == pytest.approx(0.05 / math.sqrt(3))


def test_a_clamp_worn_backwards_has_the_same_budget() -> None:
    line = AccuracyLine(DC, 1.0, 2, 0.01)
    forwards = ChannelModel("charge_amps", (line,), ratio=10.0, ratio_percent=1.0)
    backwards = ChannelModel("charge_amps", (line,), ratio=-10.0, ratio_percent=1.0)
    assert accuracy.uncertainty(forwards, 15.0) == accuracy.uncertainty(backwards, 15.0)


def test_no_statement_is_unknown_unless_assumed() -> None:
    assert accuracy.uncertainty(ChannelModel("battery_volts"), 14.2) == []
    assumed = accuracy.uncertainty(ChannelModel("battery_volts", assumed=True), 14.2, resolution=0.01)
    assert assumed == accuracy.uncertainty(accuracy.assumed_model("battery_volts", 0.01), 14.2, resolution=0.01)
    assert assumed != []


@pytest.mark.parametrize(
    ("channel", "resolution", "value", "limit"),
    [
        ("battery_volts", 0.01, 14.0, 14.0 * 0.005 + 0.01),
        ("battery_volts", 0.001, 14.0, 14.0 * 0.001 + 0.002),
        ("battery_volts", 10**-3 + 1e-18, 14.0, 14.0 * 0.001 + 0.002),
        ("battery_volts", 0.1, 14.0, 14.0 * 0.01 + 0.1),
        ("charge_amps", 0.01, 15.0, 15.0 * 0.015 + 0.02),
        ("stator_volts", 0.1, 28.0, 28.0 * 0.01 + 0.3),
        ("stator_hertz", 0.1, 360.0, 0.36 + 0.1),
        ("engine_rpm", 1.0, 3600.0, 7.2 + 1.0),
        ("engine_rpm", None, 3600.0, 7.2 + 10.0),
    ],
)
def test_assumed_statements(channel, resolution, value, limit) -> None:
    model = accuracy.assumed_model(channel, resolution)
    assert model.assumed
    assert "assumed" in model.instrument
    statement = parts(accuracy.uncertainty(model, value))["meter's accuracy statement"]
    assert statement * math.sqrt(3) == pytest.approx(limit)


@pytest.mark.parametrize("channel", CHANNELS)
def test_every_channel_can_be_assumed(channel) -> None:
    u, _ = budget.combine(accuracy.uncertainty(accuracy.assumed_model(channel), 10.0))
    assert 0 < u < 10
