"""The picture: whole, the same every time, and with no address that anything would be fetched from."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import gauge_runs as runs
import pytest
from benchd_dashboards.picture import svg
from test_gauge_state import until


@pytest.mark.parametrize("end_s", [0, 120, 10_000])
def test_nothing_is_fetched_from_anywhere(end_s):
    drawn = svg(until(runs.regulator_pass(), end_s), title="gauge")
    addresses = set(re.findall(r"\b[a-z]+://[^\s\"'<>)]+", drawn))
    assert addresses <= {"http://www.w3.org/2000/svg"}  # the name of the format, which nobody fetches
    assert "@font-face" not in drawn
    assert "@import" not in drawn
    assert not re.search(r"url\((?!#)", drawn)


def test_the_same_records_give_the_same_picture():
    records = until(runs.regulator_pass(), 120)
    assert svg(records) == svg(records)
    assert svg(records) != svg(records[:-2])


def test_it_is_well_formed_and_shows_the_page():
    root = ET.fromstring(svg(until(runs.regulator_pass(), 120), 80, 24))
    words = " ".join("".join(one.itertext()) for one in root.iter("{http://www.w3.org/2000/svg}text"))
    words = words.replace("\xa0", " ")
    for shown in ("BATTERY VOLTS", "LEANS TO PASS, 82 % sure", "3589 rpm", "█"):
        assert shown in words
    assert "a abort" not in words  # no keys on a picture


def test_the_verdict_in_a_picture():
    assert "suspect:" in svg(runs.ceiling_crossing(), 100, 30)
