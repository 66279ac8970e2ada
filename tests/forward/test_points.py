"""Records as line protocol: what stands in a line, what is left out, and that no text from outside breaks out of it.

The syntax is checked against InfluxDB 1.6's own parser, and read back through its query language.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from series_runs import DAEMON, reading, sample, verdict
from stores import InfluxDB, running

from benchd.forward import points
from benchd.forward.points import RunLines, complaint, ns_of, tag, text

INFO: dict[str, Any] = {
    "run": "20261124-080000-000ab", "run_no": 37, "procedure": "regulator", "bench": "bay 1", "spec": "Hollin T18",
    "work_order": None, "unit": None, "started": "2026-11-24T08:00:00.250+00:00",
}  # fmt: skip
START_NS = 1795507200_250_000_000  # computed: date -u -d 2026-11-24T08:00:00 +%s

HOSTILE = [
    'a,b c=d"e\\f', "line\nend", "tab\tcr\r\nnul\0esc\x1b[31mred", "\\", 'ends in \\', '"', "", "   ", "日本語 Ωµ°", "x" * 5000,
    "a\\,b=c", "' OR 1=1 --", "=cmd|' /C calc'!A0", "<script>alert(1)</script>", "\u2028\u202e\ud800", "i", "1i", "true",
    "bench_sample,daemon=x run_no=1i 1\nbench_sample,daemon=evil run_no=2i 2", "../../etc/passwd", "# comment",
]  # fmt: skip


def lines(*records: dict[str, Any], readings: bool = True, **info: Any) -> list[str]:
    broken: list[tuple[int, str]] = []
    made = RunLines.of({**INFO, **info}, DAEMON, readings=readings)
    found = made.lines([{**one, "seq": seq} for seq, one in enumerate(records, 2)], broken)
    assert broken == []
    return found


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxDB]:
    with running(InfluxDB(tmp_path_factory.mktemp("influx"))) as server:
        yield server


def test_a_sample_is_one_point_with_its_speed_and_its_place_in_the_run() -> None:
    assert lines(sample(1.5, battery_volts=14.21, charge_amps=3)) == [
        "bench_sample,bench=bay-1,daemon=tessel-lane-3f9a2c1b,procedure=regulator,turn=5"
        f" run_no=37i,seq=2i,battery_volts=14.21,charge_amps=3.0,engine_rpm=3600.0 {START_NS + 1_500_000_000}"
    ]


def test_a_reading_has_the_newest_speed_and_only_where_readings_are_wanted() -> None:
    records = [
        reading(0.1, "volts", "dc volts", "14.20"),
        sample(0.5, rpm=3550.0),
        reading(0.6, "volts", "dc volts", 14.21, point="input 2"),
        sample(1.0, rpm=None),
        reading(1.1, "clamp", "dc amps", 3.0),
    ]
    assert [one for one in lines(*records) if one.startswith("bench_reading")] == [
        "bench_reading,bench=bay-1,daemon=tessel-lane-3f9a2c1b,instrument=volts,point=none,procedure=regulator,"
        f"quantity=dc\\ volts,turn=5 run_no=37i,seq=2i,value=14.2 {START_NS + 100_000_000}",
        "bench_reading,bench=bay-1,daemon=tessel-lane-3f9a2c1b,instrument=volts,point=input\\ 2,procedure=regulator,"
        f"quantity=dc\\ volts,turn=5 run_no=37i,seq=4i,value=14.21,rpm=3550.0 {START_NS + 600_000_000}",
        "bench_reading,bench=bay-1,daemon=tessel-lane-3f9a2c1b,instrument=clamp,point=none,procedure=regulator,"
        f"quantity=dc\\ amps,turn=5 run_no=37i,seq=6i,value=3.0,rpm=3550.0 {START_NS + 1_100_000_000}",
    ]
    assert not [one for one in lines(*records, readings=False) if one.startswith("bench_reading")]


def test_a_reading_that_is_no_measurement_has_no_value_but_a_low_battery_leaves_it() -> None:
    held, weak = lines(
        reading(0, "volts", "dc volts", 14.2, flags=["hold"]),
        reading(0, "volts", "dc volts", 14.2, flags=["low battery"]),
    )
    assert ",value=" not in held
    assert ",value=14.2" in weak


def test_a_verdict_is_a_point_with_its_uncertainties_and_the_chains_head() -> None:
    made = RunLines.of({**INFO, "work_order": 'W "1"', "unit": "S/N 7"}, DAEMON)
    (line,) = made.lines([{**verdict(61.0, "fail", "stator"), "seq": 9}], [], {9: "ab12"})
    assert line == (
        "bench_verdict,bench=bay-1,daemon=tessel-lane-3f9a2c1b,machine=Hollin\\ T18,procedure=regulator,suspect=stator,"
        'turn=5,verdict=fail run_no=37i,seq=9i,run="20261124-080000-000ab",work_order="W \\"1\\"",unit="S/N 7",'
        'digest="ab12",duration_s=61.0,samples=7i,settled_volts=14.31,settled_volts_u=0.021,rated_amps=15.2'
        f" {START_NS + 61_000_000_000}"
    )


def test_gaps_flags_marks_and_closings_are_events() -> None:
    found = lines(
        {"kind": "gap", "t_ns": 5, "instrument": "clamp", "state": "lost", "what": "no bytes for 3 s"},
        {"kind": "flag", "t_ns": 6, "channel": "battery_volts", "state": "on", "flag": "hold"},
        {"kind": "mark", "t_ns": 7, "text": "belt slipped"},
        {"kind": "run-closed", "status": "interrupted", "reason": "benchd was interrupted", "counts": {}},
        {"kind": "standing", "t_ns": 8},
        {"kind": "something new", "t_ns": 8},
    )
    assert [re.findall(r"event=\w+|source=\w+|state=\w+|text=.*", one) for one in found] == [
        ["event=gap", "source=clamp", "state=lost", f'text="no bytes for 3 s" {START_NS + 5}'],
        ["event=flag", "source=battery_volts", "state=on", f'text="hold" {START_NS + 6}'],
        ["event=mark", "source=none", "state=none", f'text="belt slipped" {START_NS + 7}'],
        ["event=closed", "source=none", "state=interrupted", f'text="benchd was interrupted" {START_NS}'],
    ]


@pytest.mark.parametrize("value", [None, float("nan"), float("inf"), float("-inf")])
def test_what_is_no_number_is_a_missing_field(value: float | None) -> None:
    (line,) = lines(sample(0, rpm=None, battery_volts=value, charge_amps=-0.0))
    assert re.findall(r"(\w+)=[^,= ]+(?=[, ])", line.split(" ")[1] + " ") == ["run_no", "seq", "charge_amps"]
    assert not [one for one in lines(verdict(1.0) | {"duration_s": value}) if "duration_s" in one]


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_keeps_every_bit(value: float) -> None:
    (line,) = lines(sample(0, rpm=None, battery_volts=value))
    written = re.search(r"battery_volts=(\S+) ", line)
    assert written is not None
    assert float(written[1]) == value
    assert complaint(line) is None


def test_records_that_make_no_sense_are_named_and_the_others_go_on() -> None:
    broken: list[tuple[int, str]] = []
    made = RunLines.of(INFO, DAEMON, readings=True)
    bad: list[Any] = [
        {"kind": "sample", "seq": 2},
        {"kind": "sample", "seq": 3, "t_ns": "x", "values": {}},
        {"kind": "sample", "seq": 4, "t_ns": 0, "values": {"battery_volts": "14"}},
        {"kind": "sample", "seq": 5, "t_ns": 0, "values": {"battery_volts": [10**400]}},
        {
            "kind": "reading",
            "seq": 6,
            "t_ns": 0,
            "instrument": ["x"],
            "point": "",
            "quantity": "",
            "value": 1,
            "flags": [],
        },
        {"seq": 7},
        {"kind": "verdict", "seq": 8, "t_ns": 0},
        {"kind": "verdict", "seq": 9, "t_ns": 0, "verdict": "pass", "measured": [1]},
    ]
    good = {**sample(1, battery_volts=1.0), "seq": 10}
    found = made.lines([*bad, good], broken)
    assert len(found) == 2  # 10**400 is no number a store knows: a missing field
    assert [seq for seq, _ in broken] == [2, 3, 4, 6, 7, 8, 9]
    assert all(why for _, why in broken)


@given(st.text(max_size=60))
def test_any_text_in_any_place_makes_one_whole_line(value: str) -> None:
    found = lines(
        sample(0, battery_volts=1.0),
        reading(0, value, value, 1.0, point=value),
        verdict(0, value, value) | {"measured": {value or "x": {"value": 1.0}}},
        {"kind": "mark", "t_ns": 0, "text": value},
        procedure=value, bench=value, spec=value, work_order=value, unit=value,
    )  # fmt: skip
    assert len(found) == 4
    assert [complaint(one) for one in found] == [None] * 4


@pytest.mark.parametrize(
    "line", ["", "x", "m f=1 1\nm f=2 2", "m,t= f=1 1", "m,t=a f= 1", 'm f="a 1', "m f=nan 1", "m f=1"]
)
def test_a_line_that_is_none_is_found_before_it_is_sent(line: str) -> None:
    assert complaint(line) is not None


def test_a_line_that_is_too_long_is_found() -> None:
    assert "longer" in str(complaint(f'm f="{"x" * points.LINE_MOST}" 1'))


def test_the_same_records_make_the_same_lines() -> None:
    records = [sample(1, battery_volts=1.0), reading(1, "volts", "dc volts", 1.0), verdict(2)]
    assert lines(*records) == lines(*records)


def test_the_tags_of_two_runs_differ_though_their_clocks_overlap() -> None:
    first, second = (lines(sample(0, battery_volts=1.0), run_no=run_no)[0] for run_no in (37, 38))
    assert first.split(" ")[0] != second.split(" ")[0]


@pytest.mark.parametrize(
    ("started", "ns"),
    [
        ("2026-11-24T08:00:00+00:00", 1795507200_000_000_000),
        ("2026-11-24T09:00:00.001+01:00", 1795507200_001_000_000),
        ("2026-11-24T08:00:00.123456", 1795507200_123_456_000),
        ("1969-12-31T23:59:59+00:00", -1_000_000_000),
    ],
)
def test_a_start_becomes_exact_nanoseconds(started: str, ns: int) -> None:
    assert ns_of(started) == ns


# --- against InfluxDB 1.6's parser --------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(len(HOSTILE)))
def test_influxdb_takes_hostile_text_and_gives_it_back(influx: InfluxDB, number: int) -> None:
    value, bench = HOSTILE[number], f"bay {number}"
    found = lines(
        reading(0.5, value, value, 14.25, point=value), verdict(1.0, value, value), bench=bench, spec=value,
        work_order=value, unit=value, run=value, procedure=value,
    )  # fmt: skip
    assert influx.write(*found) == ""
    (point,) = influx.query(f"SELECT * FROM bench_reading WHERE bench = 'bay-{number}'")
    clean = _clean_tag(value)
    assert (point["instrument"], point["quantity"], point["point"], point["procedure"]) == (clean,) * 4
    assert (point["value"], point["time"]) == (14.25, START_NS + 500_000_000)
    (point,) = influx.query(f"SELECT * FROM bench_verdict WHERE bench = 'bay-{number}'")
    assert (point["verdict"], point["suspect"], point["machine"]) == (clean,) * 3
    wanted = _clean_text(value) or None  # an empty string is a missing field
    assert (point["work_order"], point["unit"], point["run"]) == (wanted,) * 3
    assert point["settled_volts"] == 14.31


def test_influxdb_gives_all_numbers_back_to_the_last_bit(influx: InfluxDB) -> None:
    values = [0.0, -0.0, 1e-300, 1.7976931348623157e308, 5e-324, 0.1, 1 / 3, 1e16, 123456789.123456789, -1e-5, 1e22]
    found = lines(*(sample(n, battery_volts=value) for n, value in enumerate(values)), bench="numbers")
    assert influx.write(*found) == ""
    kept = influx.query("SELECT battery_volts, engine_rpm, seq FROM bench_sample WHERE bench = 'numbers'")
    assert [one["battery_volts"] for one in kept] == values
    assert [one["seq"] for one in kept] == list(range(2, 2 + len(values)))


def test_influxdb_keeps_one_point_of_a_line_sent_twice(influx: InfluxDB) -> None:
    found = lines(sample(0, battery_volts=1.0), sample(1, battery_volts=2.0), bench="twice")
    assert influx.write(*found) == influx.write(*found) == ""
    assert [one["battery_volts"] for one in influx.query("SELECT * FROM bench_sample WHERE bench = 'twice'")] == [1, 2]


def _clean_tag(value: str) -> str:
    """What a hostile text is as a tag: written from the documentation, not from the code."""
    clean = re.sub(r"[^\S ]|[\x00-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029]", "?", value).replace("\\", "/").strip()
    return clean[:96].strip() or "none"


def _clean_text(value: str) -> str:
    clean = value[:1000].replace("\r\n", " ").translate(dict.fromkeys(map(ord, "\r\n\t"), " "))
    return re.sub(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029]", "?", clean)


def test_helpers_say_what_the_documentation_says() -> None:
    assert tag("a\\b, c=d\n") == "a/b\\,\\ c\\=d?"
    assert tag(None) == tag("  ") == "none"
    assert text('say "hi"\\\r\nx\x1b') == '"say \\"hi\\"\\\\ x?"'
    assert json.loads(text('say "hi"\\')) == 'say "hi"\\'
