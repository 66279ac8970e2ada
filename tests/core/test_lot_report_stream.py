"""A lot's report from blocks in one pass against the one from whole columns."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from lot_units import SPEC, again, lot

from benchd.core.lots.report import report
from benchd.core.lots.stream import Stream
from benchd.core.lots.stream_parts import FineHistogram, Moments, Seen
from benchd.core.lots.units import VERDICTS, Units, empty

#: Of a characteristic's entry, what one pass only knows from fine bins, by a normal spread, or with far outliers in.
INEXACT = {"median", "normality", "histogram", "drift", "risk", "u", "benches_left_out", "out_of_control"}

#: What one pass tells and a whole report does not.
MORE = {"mean_moving_range", "limits", "cp", "cpk", "pp", "ppk"}


def streamed(units: Units, size: int) -> dict[str, Any]:
    stream = Stream(SPEC)
    stream.chunk = size
    for block in units.blocks(size):
        stream.add(block)
    return stream.report()


def alike(one: Any, other: Any, where: str = "") -> None:
    """The same to 1e-10 (a difference of means, its p); sentences and serials apart."""
    if isinstance(one, dict):
        assert set(one) <= set(other) <= set(one) | MORE, where
        for key in one.keys() - {"serial", "says", "p_spread", "p_spread_holm"}:
            alike(one[key], other[key], f"{where}.{key}")
    elif isinstance(one, list | tuple):
        assert len(one) == len(other), where
        for at, (a, b) in enumerate(zip(one, other, strict=True)):
            alike(a, b, f"{where}[{at}]")
    elif isinstance(one, float) and isinstance(other, float):
        assert one == pytest.approx(other, rel=1e-10, abs=1e-12), where
    else:
        assert one == other, where


def exact(body: dict[str, Any]) -> dict[str, Any]:
    left = {"characteristics", "risk", "says", "earlier"}
    return {key: value for key, value in body.items() if key not in left} | {
        "characteristics": [
            {key: value for key, value in one.items() if key not in INEXACT} for one in body["characteristics"]
        ]
    }


def mixed(n: int, seed: int) -> Units:
    """Retests, voids, tests under way, units stopped early, units that fail."""
    dice = np.random.default_rng(seed)
    units = lot(n, seed)
    for at in dice.choice(n, n // 10, replace=False).tolist():
        units.verdict[at] = dice.integers(1, 5)
    units.value[dice.choice(n, n // 12, replace=False), 2:] = np.nan
    units = again(units, dice.choice(n, n // 6).tolist(), "fail")
    units.value[n:] -= 1000.0  # of a unit whose first test was void these are the first
    return units


@settings(max_examples=12, deadline=None)
@given(n=st.integers(1, 700), size=st.integers(1, 300), seed=st.integers(0, 1000))
def test_blocks_of_any_size_give_what_the_whole_gives(n: int, size: int, seed: int) -> None:
    units = mixed(n, seed)
    whole, found = report(units, SPEC), streamed(units, max(size, n // 10))
    json.dumps(found, allow_nan=False)
    assume(not any(one["benches_left_out"] for one in whole["characteristics"]))
    for one, other in zip(whole["characteristics"], found["characteristics"], strict=True):
        if one["capability"]["method"] != "normal" or other["capability"]["method"] != "normal":
            # From fine bins: a lot at the border of p = 0.05 may fall to either side.
            one["capability"], other["capability"] = {}, {}
        if one["n"] <= 400:
            for key in ("per_100", "low", "high", "p"):
                alike(one["drift"][key], other["drift"][key], key)
    alike(exact(whole), exact(found))


def test_a_large_lot() -> None:
    units = lot(20_000, 5, drift=0.0002, bias=0.01)
    whole, found = report(units, SPEC), streamed(units, 3_001)
    one, other = whole["characteristics"][1], found["characteristics"][1]
    bin_width = one["sd"] / 1000
    assert other["median"] == pytest.approx(one["median"], abs=bin_width)
    assert other["normality"]["p"] == pytest.approx(one["normality"]["p"], abs=0.01)
    assert sum(other["histogram"]["counts"]) + other["histogram"]["below"] + other["histogram"]["above"] == 20_000
    assert other["drift"]["per_100"] == pytest.approx(
        one["drift"]["per_100"], abs=abs(one["drift"]["high"] - one["drift"]["low"])
    )
    assert other["between_benches"]["p"] == pytest.approx(one["between_benches"]["p"], rel=1e-9)
    assert np.array(other["charts"][0]["points"]) == pytest.approx(np.array(one["charts"][0]["points"]))
    assert any("rig 3 reads" in says for says in found["says"])


def test_percentiles_of_a_skewed_lot_lie_within_a_bin() -> None:
    units = lot(6_000, 6)
    units.value[:, 0] = np.random.default_rng(1).lognormal(-0.5, 0.3, 6_000)
    one, other = (body["characteristics"][0]["capability"] for body in (report(units, SPEC), streamed(units, 500)))
    assert one["method"] == other["method"] == "percentiles"
    assert other["percentiles"] == pytest.approx(one["percentiles"], rel=1e-3)
    assert other["ppk"]["value"] == pytest.approx(one["ppk"]["value"], rel=1e-3)
    assert "histogram of fine bins" in other["says"]


def test_nothing_voids_and_one_unit() -> None:
    assert streamed(empty(SPEC.ids), 10)["says"] == report(empty(SPEC.ids), SPEC)["says"]
    voids = replace(lot(5), verdict=np.full(5, VERDICTS.index("void")))
    assert streamed(voids, 2)["counts"] == report(voids, SPEC)["counts"]
    json.dumps(streamed(lot(1), 1), allow_nan=False)


def test_blocks_out_of_order_are_told() -> None:
    first, second = lot(20).blocks(10)
    stream = Stream(SPEC)
    stream.add(second)
    stream.add(first)
    assert stream.report()["says"][-1].startswith("The clock went back between 1 pairs of blocks")
    assert stream.report()["counts"] == streamed(lot(20), 10)["counts"]


@given(st.lists(st.lists(st.floats(-1e3, 1e3), max_size=9), min_size=1, max_size=9), st.sampled_from([0.0, 1e6]))
def test_moments_of_blocks_are_those_of_all(blocks: list[list[float]], offset: float) -> None:
    found = Moments()
    for block in blocks:
        found.add(np.array(block) + offset)
    data = np.array([value for block in blocks for value in block]) + offset
    assert found.n == len(data)
    if len(data) > 1:
        left = data - data.mean()
        scale = max(float(np.abs(data).max()), 1e-9)
        spread = max(float(np.abs(left).max()), scale * 1e-6)
        assert found.mean == pytest.approx(data.mean(), abs=scale * 1e-14 * len(data))
        assert found.second == pytest.approx((left**2).sum(), rel=1e-9, abs=1e-9 * spread**2)
        assert found.fourth == pytest.approx((left**4).sum(), rel=1e-8, abs=1e-8 * spread**4)


@given(st.lists(st.lists(st.tuples(st.integers(0, 12), st.integers(0, 2)), max_size=12), max_size=12))
def test_serials_that_were_met(blocks: list[list[tuple[int, int]]]) -> None:
    seen, last, tests = Seen(), {}, {}
    for block in blocks:
        wanted = []
        for key, verdict in block:
            wanted.append(key not in last)
            last[key], tests[key] = verdict, tests.get(key, 0) + 1
        codes = np.array(block, np.int64).reshape(-1, 2)
        assert seen.add(codes[:, 0], codes[:, 1]).tolist() == wanted
    assert len(seen) == len(last)
    assert seen.last_verdicts(3).tolist() == [list(last.values()).count(verdict) for verdict in range(3)]
    assert seen.retested() == sum(count > 1 for count in tests.values())


@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=50), st.integers(1, 7))
def test_a_fine_histogram_keeps_every_value_within_a_bin(values: list[float], size: int) -> None:
    found = FineHistogram()
    for start in range(0, len(values), size):
        found.add(np.array(values[start : start + size]))
    kept = found.values()
    assert len(kept) == len(values)
    assert np.all(np.abs(kept - np.sort(values)) <= found.width * 1.01 + 1e-6)


def test_a_fine_histogram_of_many_values_stays_small() -> None:
    dice = np.random.default_rng(2)
    found = FineHistogram()
    values = dice.standard_normal(200_000) * np.repeat(
        [1e-6, 1.0], 100_000
    )  # far finer at first than it turns out to be
    for block in np.split(values, 20):
        found.add(block)
    assert len(found.bins) <= found.MOST
    assert np.abs(np.median(found.values()) - np.median(values)) <= found.width
