"""Stator volts brought to the spec's speed, with and without the manual's table."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core import alternator
from benchd.core.specs import StatorSpec

PLAIN = StatorSpec(min_volts_ac=28.0, at_rpm=3600)
TABLE = StatorSpec(min_volts_ac=28.0, at_rpm=3600, table=((2500, 19), (3000, 23), (3300, 26), (3600, 28)))
specs = st.sampled_from([PLAIN, TABLE])
speeds = st.floats(500, 5000)


@pytest.mark.parametrize(
    ("rpm", "volts"),
    [(2500, 19), (2750, 21), (3450, 27), (3600, 28), (1250, 9.5), (3960, 30.8)],
)
def test_between_rows_linear_and_beyond_them_proportional(rpm, volts) -> None:
    assert alternator.required_volts(TABLE, rpm) == pytest.approx(volts)


@given(specs, speeds, st.floats(0.5, 2))
def test_a_verdict_is_the_same_at_either_speed(spec, rpm, share) -> None:
    """A stator at `share` of what is required at any speed is at the same share at the spec's."""
    volts = share * alternator.required_volts(spec, rpm)
    brought = alternator.at_spec_rpm(volts, rpm, spec)
    assert brought == pytest.approx(share * alternator.required_volts(spec, spec.at_rpm))


@given(specs, speeds, speeds)
def test_more_speed_requires_more_volts(spec, one, other) -> None:
    lower, upper = sorted((one, other))
    assert alternator.required_volts(spec, lower) <= alternator.required_volts(spec, upper)


@given(specs, st.sampled_from([1900.0, 2720.0, 3110.0, 3475.0, 4200.0]), st.floats(5, 60))
def test_sensitivities_are_the_derivatives(spec, rpm, volts) -> None:
    per_volt, per_rpm = alternator.sensitivities(volts, rpm, spec)
    step = alternator.at_spec_rpm(volts + 1e-4, rpm, spec) - alternator.at_spec_rpm(volts - 1e-4, rpm, spec)
    assert per_volt == pytest.approx(step / 2e-4, rel=1e-6)
    step = alternator.at_spec_rpm(volts, rpm + 0.01, spec) - alternator.at_spec_rpm(volts, rpm - 0.01, spec)
    assert per_rpm == pytest.approx(step / 0.02, rel=1e-4)


def test_a_stopped_engine_is_refused() -> None:
    with pytest.raises(ValueError, match="running engine"):
        alternator.at_spec_rpm(0.0, 0.0, PLAIN)
