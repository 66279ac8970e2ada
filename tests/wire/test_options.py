"""A complaint about a driver's key says what was found and what is expected."""

from __future__ import annotations

from typing import Any

import pytest
from benchd_drivers import digits11, modbus, scpi, tach_lines, tach_pulses

from benchd.wire.options import boolean, check_keys, number, one_of, text, whole

CHECKS = {"mode": one_of("a", "b"), "size": whole(1, 9), "time": number(0.1, 2, "s"), "on": boolean, "name": text}


@pytest.mark.parametrize(
    ("key", "value", "complaint"),
    [
        ("mode", "c", "is 'c', expected 'a' or 'b'"),
        ("size", 2.0, "is 2.0, expected a whole number from 1 to 9"),
        ("size", True, "is True, expected a whole number from 1 to 9"),
        ("time", 3, "is 3, expected a number from 0.1 to 2 s"),
        ("time", "1", "is '1', expected a number from 0.1 to 2 s"),
        ("on", 1, "is 1, expected true or false"),
        ("name", "", "is '', expected a text"),
        ("nmae", "x", "unknown key; this driver takes mode, name, on, size, time"),
    ],
)
def test_complaints(key: str, value: Any, complaint: str) -> None:
    assert check_keys({key: value}, CHECKS) == [(key, complaint)]


def test_good_values_pass() -> None:
    assert check_keys({"mode": "b", "size": 9, "time": 0.1, "on": False, "name": "x"}, CHECKS) == []


GOOD = {"point": "a", "address": 0, "type": "int16", "unit": "dc volts"}


@pytest.mark.parametrize(
    ("driver", "options", "key", "words"),
    [
        (scpi, {"timeout_s": 0}, "timeout_s", "from 0.05 to 60 s"),
        (scpi, {"line_end": ";"}, "line_end", "expected '\\n'"),
        (digits11, {"counts": 2000}, "counts", "6000 or 4000"),
        (digits11, {"ranges": {"volts": [0.1]}}, "ranges", "power of ten"),
        (digits11, {"ranges": {"watts": [1]}}, "ranges", "unknown key"),
        (tach_lines, {"pattern": "("}, "pattern", "unterminated subpattern"),
        (tach_lines, {"pattern": "[0-9]+"}, "pattern", "exactly one group, rpm, hertz or count; it names none"),
        (tach_lines, {"pattern": "(?P<rps>.)"}, "pattern", "it names rps"),
        (tach_pulses, {"mode": "rpm"}, "mode", "'count' or 'hertz'"),
        (modbus, {}, "registers", "at least one"),
        (modbus, {"registers": [GOOD], "unit_address": 248}, "unit_address", "from 1 to 247"),
        (modbus, {"registers": [GOOD | {"type": "int8"}]}, "registers[0].type", "'uint16' or 'int16'"),
        (modbus, {"registers": [GOOD | {"unit": "volts"}]}, "registers[0].unit", "'dc volts'"),
        (modbus, {"registers": [GOOD | {"scale": 0}]}, "registers[0].scale", "other than 0"),
        (modbus, {"registers": [{"point": "a"}]}, "registers[0].address", "is missing"),
        (modbus, {"registers": [GOOD, GOOD | {"address": 1}]}, "registers", "two have the point 'a'"),
        (modbus, {"registers": ["a"]}, "registers[0]", "expected a table"),
    ],
)
def test_each_driver_names_the_key_and_what_it_expects(driver: Any, options: Any, key: str, words: str) -> None:
    complaints = dict(driver.DRIVER.check(options))
    assert words in complaints[key]
