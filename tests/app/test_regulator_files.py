"""Regulator files: what ships is right, and every mistake is told with its file, line and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd import config, preflight
from benchd.core.specs import CHARACTERISTIC_UNITS, Measures, Rule
from benchd.errors import ConfigError

GOOD = """\
[part]
number = "QX-4"
name = "Quill QX-4"
rated_amps = 10.0

[drive]
rated_rpm = [3500, 3700]
max_rpm = 4000

[ceiling]
volts = 15.0

[[test]]
id = "light"
measures = "set-point"
rpm = [3500, 3700]
amps = [1, 3]
min_volts = 14.0
max_volts = 14.6

[[test]]
id = "rated"
measures = "set-point"
rpm = [3500, 3700]
amps = [8, 10]
min_volts = 13.9
max_volts = 14.5

[[test]]
id = "falls"
measures = "load regulation"
between = ["light", "rated"]
max_millivolts = 200
"""


def complaints_of(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        config.load_spec_text(text, "qx4.toml")
    return str(caught.value)


def test_what_ships_uses_every_kind_and_is_found_by_name() -> None:
    part = config.load_spec(config.find_file("vantry-vr20", "regulator")).part
    assert part is not None
    assert part.number == "VR-20"
    assert {one.measures for one in part.characteristics} == set(Measures)
    assert len({(one.rpm, one.amps) for one in part.characteristics if one.measures is Measures.SET_POINT}) == 3
    assert all(one.unit == CHARACTERISTIC_UNITS[one.measures] for one in part.characteristics)
    assert part.rule is Rule.GUARDED_ACCEPTANCE
    assert {"vantry-vr20", "vantry-or9"} <= config.known_files("regulator").keys()
    assert "first-output" in config.check_file("vantry-vr20")
    assert config.kind_of("vantry-or9")[0] == "regulator"


def test_a_spec_has_what_its_file_says_in_the_files_order() -> None:
    spec = config.load_spec_text(GOOD, "qx4.toml")
    part = spec.part
    assert part is not None
    assert part.ids == ("light", "rated", "falls")
    assert (spec.name, spec.full_throttle_rpm, part.max_rpm, part.ceiling_volts) == (
        "Quill QX-4",
        (3500, 3700),
        4000,
        15,
    )
    assert part.risk == 0.05
    assert (part.characteristics[0].low, part.characteristics[0].high) == (14.0, 14.6)
    assert part.characteristics[2].between == ("light", "rated")


@pytest.mark.parametrize(
    ("old", "new", "line", "key", "said"),
    [
        ("max_volts = 14.6", "max_volts = 13.0", 18, "test[0].max_volts", "found 13, expected more than min_volts, 14"),
        ('"set-point"', '"setpoint"', 15, "test[0].measures", "expected one of 'reverse leakage'"),
        ("max_millivolts = 200\n", "", 28, "test[2].max_millivolts", "no limit at all"),
        ('id = "rated"', 'id = "light"', 21, "test[1].id", "a second time"),
        ('["light", "rated"]', '["light", "hot"]', 31, "test[2].between", "stand before this test: light, rated"),
        ("rpm = [3500, 3700]\namps = [1, 3]", "rpm = [3500, 4700]\namps = [1, 3]", 16, "test[0].rpm", "max_rpm, 4000"),
        ("max_volts = 14.6", "max_volts = 15.2", 19, "test[0].max_volts", "less than the ceiling's volts, 15"),
        ("amps = [1, 3]", "amps = [3, 1]", 17, "test[0].amps", "the lower number first"),
        ("max_rpm = 4000", "max_rpm = 3600", 8, "drive.max_rpm", "at least the top of rated_rpm"),
        ("max_millivolts = 200", "max_volts = 0.2", 32, "test[2].max_volts", "expected max_millivolts"),
        ("max_millivolts = 200", "max_millivolts = 200\nover_s = 5.0", 33, "test[2].over_s", "means nothing"),
        ("amps = [8, 10]\n", "", 20, "test[1].amps", "found nothing"),
        ("max_millivolts = 200", "max_millivolts = 200\nlongest_s = 1.0", 33, "test[2].longest_s", "more than settle_s"),
        ('id = "falls"', 'id = "Falls off"', 29, "test[2].id", "small letters"),
    ],
)  # fmt: skip
def test_each_mistake_is_told_with_its_place(old: str, new: str, line: int, key: str, said: str) -> None:
    assert GOOD.count(old) >= 1
    told = complaints_of(GOOD.replace(old, new, 1))
    row = next((one for one in told.splitlines() if f"key '{key}'" in one), told)
    assert said in row
    place = int(row.split(":")[1])
    assert abs(place - line) <= 1


def test_all_mistakes_come_at_once() -> None:
    text = GOOD.replace("max_volts = 14.6", "max_volts = 1.0").replace('id = "rated"', 'id = "light"')
    assert len(complaints_of(text).splitlines()) >= 2


def test_an_order_of_testing_that_cannot_be_is_refused() -> None:
    head, falls = GOOD.split('[[test]]\nid = "falls"')
    first, rest = head.split("[[test]]", 1)
    told = complaints_of(f'{first}[[test]]\nid = "falls"{falls}\n[[test]]{rest}')
    assert "stand before this test: there are none" in told


def test_each_file_serves_its_own_procedures(tmp_path: Path) -> None:
    part = config.load_spec_text(GOOD, "qx4.toml")
    preflight.check_spec(part, "unit")
    with pytest.raises(ConfigError, match="goes by a machine file"):
        preflight.check_spec(part, "stator")
    machine = config.load_spec(config.find_file("hollin-t18", "machine"))
    with pytest.raises(ConfigError, match="goes by a regulator file"):
        preflight.check_spec(machine, "unit")


def test_an_unknown_part_names_those_that_are_known() -> None:
    with pytest.raises(ConfigError, match="vantry-vr20"):
        config.find_file("vantry-vr21", "regulator")
