"""One pass in blocks says the same as all values at once; the report of small, odd and faulty lots."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.core.lots.charts import individuals
from benchd.core.lots.report import report
from benchd.core.lots.stream import streamed
from benchd.core.lots.units import VERDICTS, Units, empty
from benchd.core.specs import Characteristic, Measures, PartSpec

TESTS = (
    Characteristic("set-point", Measures.SET_POINT, "Set-point", "V", 14.0, 14.6),
    Characteristic("output", Measures.GREATEST_OUTPUT, "Greatest output", "A", 19.0, None),
    Characteristic("ripple", Measures.RIPPLE, "Ripple", "mV", None, 300.0),
)
PART = PartSpec("VR-20", "Vantry VR-20", 20.0, (3500.0, 3700.0), 4000.0, 15.0, TESTS)
IDS = tuple(one.id for one in TESTS)


def lot(n: int, seed: int = 1, *, drift: float = 0.0, bias: float = 0.0, retests: int = 0) -> Units:
    """`drift` V along the whole lot, `bias` V of the last of four benches."""
    chance = np.random.default_rng(seed)
    bench = np.arange(n) % 4
    volts = chance.normal(14.3, 0.05, n) + drift * np.arange(n) / max(n, 1) + bias * (bench == 3)
    value = np.column_stack([volts, chance.normal(21.5, 0.5, n), chance.normal(140, 15, n)])
    value[chance.random(value.shape) < 0.01] = np.nan
    verdict = chance.choice([0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 2, 3], n)
    serial = np.arange(n, dtype=np.int64) * 7919 % 1_000_003
    if retests:
        serial[-retests:] = serial[:retests]
    mode = np.where(verdict == 0, 0, 1 + np.arange(n) % 2)
    return Units(
        IDS, serial, np.arange(n) * 60_000, np.arange(1, n + 1), bench, ("rig-1", "rig-2", "rig-3", "rig-4"), verdict.astype(np.int64),
        mode.astype(np.int64), ("", "drifts", "set-point-low"), value, np.full(value.shape, 0.004),
    )  # fmt: skip


@pytest.mark.parametrize("size", [1, 7, 500, 10_000])
def test_blocks_say_what_the_whole_says(size: int) -> None:
    units = lot(3000, retests=200)
    whole, parts = report(units, PART), streamed(units.blocks(size), PART)
    assert parts["counts"] == whole["counts"]
    assert parts["yield"] == whole["yield"]
    assert parts["modes"] == whole["modes"]
    for one, other in zip(parts["characteristics"], whole["characteristics"], strict=True):
        for name in ("n", "min", "max", "beyond"):
            assert one[name] == other[name], name
        for name in ("mean", "sd"):
            assert one[name] == pytest.approx(other[name], rel=1e-12), name
        assert one["median"] == pytest.approx(other["median"], abs=24 * one["sd"] / 4096 + 1e-9) or size < 100
        if other["capability"]["method"] == "normal":
            assert one["ppk"]["value"] == pytest.approx(other["capability"]["ppk"]["value"], rel=1e-9)


def test_the_limits_across_the_borders_of_blocks_are_those_of_the_chart() -> None:
    units = lot(999)
    first = units.judged()
    values = first.column("set-point")[0]
    chart = individuals(values[np.isfinite(values)])[0]
    for size in (10, 333, 1000):
        (one, *_) = streamed(units.blocks(size), PART)["characteristics"]
        assert one["limits"]["low"] == pytest.approx(chart.low, rel=1e-12)
        assert one["limits"]["high"] == pytest.approx(chart.high, rel=1e-12)


@pytest.mark.parametrize("n", [0, 1, 2, 6])
def test_small_lots_say_what_they_cannot_know(n: int) -> None:
    body = report(lot(n) if n else empty(IDS), PART)
    assert body["counts"]["tests"] == n
    assert all(one["capability"]["ppk"] is None for one in body["characteristics"])
    assert body["risk"]["consumer"] is None
    assert body["says"]
    assert streamed(lot(n).blocks(5) if n else [], PART)["counts"]["tests"] == n


def test_only_void_tests_are_no_units() -> None:
    units = lot(20)
    void = np.full(20, VERDICTS.index("void"))
    body = report(
        Units(*[void if name == "verdict" else getattr(units, name) for name in Units.__dataclass_fields__]), PART
    )
    assert (body["counts"]["units"], body["counts"]["void"]) == (0, 20)
    assert body["yield"]["first_pass"]["part"] is None


def test_all_values_alike_and_none_at_all_break_nothing() -> None:
    units = lot(60)
    for value in (np.full(units.value.shape, 14.3), np.full(units.value.shape, np.nan)):
        body = report(
            Units(*[value if name == "value" else getattr(units, name) for name in Units.__dataclass_fields__]), PART
        )
        assert body["characteristics"][0]["n"] in (0, len(units.judged()))


def test_a_drift_is_found_and_a_steady_lot_has_none() -> None:
    found = report(lot(400, drift=0.08), PART)["characteristics"][0]["drift"]
    assert found["p"] < 0.001
    assert found["low"] < 100 * 0.08 / 400 < found["high"]
    assert report(lot(400, seed=2), PART)["characteristics"][0]["drift"]["p"] > 0.01


def test_a_bench_that_reads_high_is_named_with_its_bias_and_good_benches_are_not() -> None:
    benches = {one["bench"]: one for one in report(lot(400, bias=0.06), PART)["characteristics"][0]["benches"]}
    assert benches["rig-4"]["low"] < 0.06 < benches["rig-4"]["high"]
    assert benches["rig-4"]["p_holm"] < 0.001
    steady = report(lot(400, seed=3), PART)["characteristics"][0]["benches"]
    assert all(one["p_holm"] > 0.01 for one in steady)


def test_a_retest_is_counted_and_changes_no_statistic() -> None:
    once, again = lot(300), lot(350, retests=50)
    body = report(again, PART)
    assert body["counts"]["retests"] > 0
    first = report(again.taken(np.arange(300)), PART)
    assert first["counts"]["units"] <= body["counts"]["units"] <= first["counts"]["units"] + 20
    assert len(once) == 300
