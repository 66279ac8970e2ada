"""Pulses a second from a running count: right at any line rate, within one count of the truth, never across a restart."""

from __future__ import annotations

import pytest
from benchd_drivers.tach_pulses import make
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.readings import Notice, Reading
from benchd.wire import Decoder, Settings


def lines(hertz: float, every_ms: int, until_ms: int, start: int = 0, modulus: int = 2**32) -> bytes:
    """What a counter of an ideal pulse train sends."""
    moments = range(0, until_ms + 1, every_ms)
    return b"\n" + b"".join(b"%d,%d\n" % ((start + int(hertz * ms / 1000)) % modulus, 7 + ms) for ms in moments)


def said_of(decoder: Decoder, data: bytes) -> tuple[list[Reading], list[Notice]]:
    said = decoder.receive(data)
    return [one for one in said if isinstance(one, Reading)], [one for one in said if isinstance(one, Notice)]


@given(
    hertz=st.floats(0, 2000),
    every_ms=st.sampled_from([1, 10, 100, 250, 700, 1500]),
    window_s=st.sampled_from([0.1, 0.5, 1.0]),
)
def test_frequency_is_within_one_count_of_the_truth(hertz: float, every_ms: int, window_s: float) -> None:
    found, notices = said_of(make(Settings((), {"window_s": window_s})), lines(hertz, every_ms, 3000))
    assert found
    assert not notices
    for one in found:
        assert one.value is not None
        assert one.resolution is not None
        assert abs(float(one.value) - hertz) <= float(one.resolution) * 1.001
        assert float(one.resolution) <= 1 / window_s + 1e-9


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_a_wrap_of_the_counter_is_followed(bits: int) -> None:
    found, notices = said_of(
        make(Settings((), {"counter_bits": bits})), lines(60, 100, 3000, start=2**bits - 90, modulus=2**bits)
    )
    assert not notices
    assert {round(float(one.value or 0)) for one in found} <= {59, 60, 61}


def test_after_a_restart_a_whole_new_window_is_waited_for() -> None:
    decoder = make(Settings())
    said_of(decoder, lines(60, 100, 3000, start=1000))
    found, notices = said_of(decoder, lines(60, 100, 900))
    assert found == []
    assert [notice.kind for notice in notices] == ["frame"]


def test_a_pause_in_which_the_counter_may_have_wrapped_more_than_once_is_a_restart() -> None:
    """65536 counts at up to 20 kHz last 3.3 s; after 4 s of silence nobody can tell."""
    decoder = make(Settings((), {"counter_bits": 16}))
    found, notices = said_of(decoder, b"\n0,0\n60,1000\n300,5000\n")
    assert [str(one.value) for one in found] == ["60"]
    assert len(notices) == 1
