"""Samples out of a run and back: CSV, Parquet, and traces from anywhere with their mistakes named."""

from __future__ import annotations

import io
import sys
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.events import sample_record
from benchd.core.readings import Flag
from benchd.core.samples import Sample, Value
from benchd.errors import UsageError
from benchd.export import parquet, read_trace, samples_csv, seconds_text


def out(*samples: Sample) -> str:
    file = io.StringIO()
    samples_csv([{"kind": "run-opened"}, *map(sample_record, samples), {"kind": "mark", "text": "here"}], file)
    return file.getvalue()


def back(text: str) -> list[Sample]:
    return list(read_trace(io.StringIO(text)))


def complaint(text: str) -> str:
    with pytest.raises(UsageError) as raised:
        back(text)
    return str(raised.value)


def test_digits_carry_the_resolution() -> None:
    text = out(
        Sample(0, {"battery_volts": Value(12.5, 0.01), "engine_rpm": Value(3600.0, 10.0)}),
        Sample(500_000_001, {"charge_amps": Value(14.0, 0.1)}),
    )
    assert text.splitlines() == [
        "t_s,battery_volts,charge_amps,engine_rpm",
        "0,12.50,,3.60e+03",
        "0.500000001,,14.0,",
    ]


def test_a_reading_that_is_no_measurement_is_an_empty_cell() -> None:
    overload = Value(None, None, frozenset({Flag.OVERLOAD}))
    assert out(Sample(0, {"battery_volts": Value(12.5, 0.1), "charge_amps": overload})).splitlines()[1] == "0,12.5,"


def test_a_resolution_that_digits_cannot_say_has_a_column_of_its_own() -> None:
    behind_shunt = Sample(0, {"charge_amps": Value(14.123, 2 / 3)})
    text = out(behind_shunt)
    assert text.splitlines()[0] == "t_s,charge_amps,charge_amps_resolution"
    assert back(text) == [behind_shunt]


def test_a_range_change_comes_back() -> None:
    samples = [Sample(0, {"battery_volts": Value(9.99, 0.01)}), Sample(1, {"battery_volts": Value(10.1, 0.1)})]
    assert back(out(*samples)) == samples


CELLS = st.builds(
    lambda counts, power: Value(float(Decimal(counts).scaleb(power)), float(f"1e{power}")),
    st.integers(-99999, 99999),
    st.integers(-6, 3),
)
ANYTHING = st.builds(Value, st.floats(allow_nan=False, allow_infinity=False, width=32), st.just(0.0625))


@given(
    st.lists(
        st.builds(
            Sample,
            st.integers(0, 10**13),
            st.dictionaries(
                st.sampled_from(["battery_volts", "charge_amps", "engine_rpm"]), CELLS | ANYTHING, min_size=1
            ),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_what_is_exported_comes_back_the_same(samples: list[Sample]) -> None:
    samples.sort(key=lambda one: one.t_ns)
    assert back(out(*samples)) == samples


@given(st.integers(-(10**15), 10**15))
def test_times_are_exact(t_ns: int) -> None:
    assert int(Decimal(seconds_text(t_ns)) * 10**9) == t_ns


def test_a_trace_gives_resolution_by_its_digits() -> None:
    rows = back("t_s, battery_volts ,engine_rpm\n0,12.50,3600\n\n0.5,12.6,\n1e0,,3610\n")
    assert rows == [
        Sample(0, {"battery_volts": Value(12.5, 0.01), "engine_rpm": Value(3600.0, 1.0)}),
        Sample(500_000_000, {"battery_volts": Value(12.6, 0.1)}),
        Sample(1_000_000_000, {"engine_rpm": Value(3610.0, 1.0)}),
    ]


def test_idle_zeros_that_a_writer_dropped_do_not_coarsen_the_resolution() -> None:
    rows = back("t_s,battery_volts\n0,12.53\n1,12.5\n2,12\n")
    assert [row.values["battery_volts"].resolution for row in rows] == [0.01, 0.01, 0.01]


def test_other_columns_are_passed_over() -> None:
    assert back("note,t_s,battery_volts\nhello,0,12.5\n") == [Sample(0, {"battery_volts": Value(12.5, 0.1)})]


def test_reading_is_a_stream() -> None:
    """The rows after the look-ahead are read only when they are asked for, so a fault there comes late."""
    good = "".join(f"{second},12.50\n" for second in range(600))
    samples = read_trace(io.StringIO("t_s,battery_volts\n" + good + "600,x\n"))
    assert sum(1 for _, _ in zip(range(600), samples, strict=False)) == 600
    with pytest.raises(UsageError):
        next(samples)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "trace: empty, expected a header with t_s and channel names"),
        ("time,battery_volts\n", "trace:1: found the header 'time, battery_volts', expected one with 't_s'"),
        ("t_s;battery_volts\n", "separate the columns with commas"),
        ("t_s,battery_volt\n0,1\n", "trace:1: column 'battery_volt' is no channel, expected 'battery_volts'"),
        ("t_s,volts\n0,1\n", "trace:1: no column is a channel; channels are battery_volts, "),
        ("t_s,engine_rpm,engine_rpm\n", "trace:1: column 'engine_rpm' stands twice"),
        ("t_s,engine_rpm\n0,3600\n1,nan\n", "trace:3: column 'engine_rpm': found 'nan', expected a number or an empty"),
        ("t_s,engine_rpm\n0,1_000\n", "found '1_000'"),
        ("t_s,engine_rpm\n0,١\n", "found '١'"),
        ("t_s,engine_rpm\n0,1e999\n", "found '1e999'"),
        ("t_s,engine_rpm\n,3600\n", "trace:2: column 't_s': found '', expected seconds"),
        (
            "t_s,engine_rpm\n1,3600\n0.5,3600\n",
            "trace:3: column 't_s': found 0.5 after 1, expected times that never fall",
        ),
        ("t_s,engine_rpm\n0,3600,7\n", "trace:2: found 3 cells, expected 2 as in the header"),
    ],
)
def test_mistakes_are_named(text: str, said: str) -> None:
    assert said in complaint(text)


def test_bytes_that_are_no_text_are_named(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    path.write_bytes(b"t_s,engine_rpm\n0,3600\n\xff\xfe,1\n")
    with path.open(encoding="utf-8-sig", newline="") as file, pytest.raises(UsageError) as raised:
        list(read_trace(file))
    assert "not UTF-8" in str(raised.value)
    assert str(path) in str(raised.value)


def test_no_samples_is_said() -> None:
    with pytest.raises(UsageError, match="no samples"):
        samples_csv([{"kind": "run-opened"}], io.StringIO())


def test_parquet_holds_the_same_numbers(tmp_path: Path) -> None:
    pq: Any = pytest.importorskip("pyarrow.parquet")
    samples = [
        Sample(0, {"battery_volts": Value(12.5, 0.01)}),
        Sample(500_000_001, {"battery_volts": Value(12.51, 0.01), "charge_amps": Value(None, None)}),
    ]
    parquet(map(sample_record, samples), tmp_path / "run.parquet")
    assert pq.read_table(tmp_path / "run.parquet").to_pydict() == {
        "t_ns": [0, 500_000_001],
        "t_s": [0.0, 0.500000001],
        "battery_volts": [12.5, 12.51],
        "battery_volts_resolution": [0.01, 0.01],
        "charge_amps": [None, None],
        "charge_amps_resolution": [None, None],
    }


def test_parquet_without_its_library_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError, match=r"benchd\[parquet\]"):
        parquet([], tmp_path / "run.parquet")
