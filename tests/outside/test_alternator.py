"""Frequency against speed, and published stator volts against how the code scales them.

Status beside each figure: read, memory or computed.
"""

import pytest

from benchd.core import alternator
from benchd.core.specs import StatorSpec


# Table of a page on engine speed and frequency, f = p n / 60 with p pole PAIRS: read.
@pytest.mark.parametrize(
    ("pairs", "rpm", "hertz"),
    [
        (1, 3000, 50),
        (2, 1500, 50),
        (4, 750, 50),
        (4, 3000, 200),
        (8, 1500, 200),
        (8, 3000, 400),
        # 12, 18 and 20 poles of a flywheel at 3600 rpm, and 12 at 1800: computed.
        (6, 3600, 360),
        (9, 3600, 540),
        (10, 3600, 600),
        (6, 1800, 180),
    ],
)
def test_frequency_of_a_rotor(pairs, rpm, hertz) -> None:
    poles = 2 * pairs
    assert alternator.hertz(rpm, poles) == pytest.approx(hertz)
    assert alternator.rpm_of_hertz(hertz, poles) == pytest.approx(rpm)
    assert alternator.poles_of(hertz, rpm) == pytest.approx(poles)


def test_eight_pole_forum_example() -> None:
    assert alternator.rpm_of_hertz(111, 8) == pytest.approx(1665)  # trade forum, 8-pole machine: read


def test_twelve_pole_generator_makes_ten_rpm_a_hertz() -> None:
    # A measured 12-pole generator, 31.508 Hz = 315.1 rpm: its publisher's figure, read.
    assert alternator.rpm_of_hertz(31.508, 12) == pytest.approx(315.1, abs=0.05)


# Least open-circuit volts of good stators, two engine makers' repair manuals and an army manual, printed in whole or half
# volts: read. (speed, volts) rows, the last at the speed that the others are scaled from.
STATORS = {
    "3 A d.c. / 5 A a.c. pair": ([(2500, 24), (3000, 29), (3300, 32)], (3600, 35)),
    "5 A regulated": ([(2500, 19), (3000, 23), (3300, 26)], (3600, 28)),
    "7 A regulated": ([(2500, 16), (3000, 19), (3300, 21)], (3600, 23)),
    "13-17 hp class, before the diode": ([(2500, 17), (3000, 21)], (3600, 24.5)),
    "16 A, external regulator": ([(2500, 21), (3000, 26.5)], (3600, 31)),
    "20 A, regulator in housing": ([(2500, 32), (3000, 38)], (3600, 45)),
}
#: Rows whose own figures are not proportional within 4 %: the makers rounded down by up to a volt.
ROUNDED_STATORS = {
    "10 A a.c.": ([(2500, 16), (3000, 20)], (3300, 22)),
    "10 A regulated, external": ([(2500, 16), (3000, 19)], (3600, 24)),
    "10 A regulated, army manual": ([(3200, 17)], (3600, 20)),
}


def scaled(rows: dict[str, tuple[list[tuple[float, float]], tuple[float, float]]]) -> list[tuple[str, float, float]]:
    found = []
    for name, (others, (at_rpm, volts)) in rows.items():
        spec = StatorSpec(min_volts_ac=volts, at_rpm=at_rpm)
        found += [(name, printed, alternator.required_volts(spec, rpm)) for rpm, printed in others]
    return found


@pytest.mark.parametrize(("name", "printed", "by_code"), scaled(STATORS))
def test_published_stator_rows_scale_as_the_code_does(name, printed, by_code) -> None:
    assert by_code == pytest.approx(printed, rel=0.04)


@pytest.mark.parametrize(("name", "printed", "by_code"), scaled(ROUNDED_STATORS))
def test_rows_rounded_down_by_their_makers_scale_within_a_volt(name, printed, by_code) -> None:
    assert printed <= by_code <= printed + 1.01


@pytest.mark.parametrize("name", STATORS | ROUNDED_STATORS)
def test_a_printed_table_is_taken_as_printed(name) -> None:
    others, last = (STATORS | ROUNDED_STATORS)[name]
    table = (*others, last)
    spec = StatorSpec(min_volts_ac=last[1], at_rpm=last[0], table=table)
    assert [alternator.required_volts(spec, rpm) for rpm, _ in table] == pytest.approx([volts for _, volts in table])


def test_the_same_label_stands_for_two_windings() -> None:
    # '20 A' at 3600 rpm: 26 V (maker 3) and 45 V (maker 1), both read. Rated amps never identify a stator.
    weak, strong = StatorSpec(26, 3600), StatorSpec(45, 3600)
    assert alternator.at_spec_rpm(30.0, 3600, weak) > alternator.required_volts(weak, 3600)
    assert alternator.at_spec_rpm(30.0, 3600, strong) < alternator.required_volts(strong, 3600)


# Line-to-line volts and hertz of a measured 12-pole generator: 0.9156 V/Hz with a spread of 0.0011 over its runs, as its
# publisher's README states: read. Proportionality is what at_spec_rpm assumes.
def test_measured_generator_is_proportional() -> None:
    spec = StatorSpec(min_volts_ac=28.0, at_rpm=alternator.rpm_of_hertz(31.0, 12))
    for hertz in (30.83, 31.54):
        volts = 0.9156 * hertz
        assert alternator.at_spec_rpm(volts, alternator.rpm_of_hertz(hertz, 12), spec) == pytest.approx(0.9156 * 31.0)
