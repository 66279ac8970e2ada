"""Framing: whole frames out of any cut, bounded, with every lost byte counted."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.core.readings import Notice, Quantity, Reading
from benchd.errors import FrameError
from benchd.wire import Settings
from benchd.wire.framing import FixedFrames, Framing, Lines, Stream, streaming

COUNTING = FixedFrames(3, lambda place, byte: byte >> 4 == place + 1)


def cut(framing: Framing, pieces: list[bytes]) -> tuple[list[bytes], int]:
    """(frames, bytes noticed as thrown away) of a stream that comes in pieces."""
    reader = framing.reader()
    out = [one for piece in pieces for one in reader.feed(piece)]
    lost = sum(one.count for one in out if isinstance(one, Notice))
    return [one for one in out if isinstance(one, bytes)], lost


def pieces_of(data: bytes, cuts: list[int]) -> list[bytes]:
    return [data[a:b] for a, b in pairwise([0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)])]


def test_lines_lose_their_end_and_the_one_not_seen_from_its_start() -> None:
    assert cut(Lines(), [b"600\n3600\r\n\r\n \n3601\n36"]) == ([b"3600", b"3601"], 0)


def test_lines_from_a_known_start_are_all_read() -> None:
    assert cut(Lines(join=False), [b"600\n3600\n"]) == ([b"600", b"3600"], 0)


@pytest.mark.parametrize("size", [11, 50, 5000])
def test_an_overlong_line_is_counted_and_none_of_it_read(size: int) -> None:
    """Not even its tail, which looks like a short line of its own."""
    stream = b"x\n" + b"1" * size + b"\n22\n"
    for pieces in ([stream], [bytes([byte]) for byte in stream]):
        assert cut(Lines(limit=10), pieces) == ([b"22"], size)


def test_a_line_end_of_two_bytes_may_be_cut_between_them() -> None:
    stream = b"x\r\n" + b"1" * 30 + b"\r\n22\r\n"
    for at in range(len(stream)):
        assert cut(Lines(end=b"\r\n", limit=10), [stream[:at], stream[at:]]) == ([b"22"], 30)


@given(
    data=st.binary(max_size=80), cuts=st.lists(st.integers(0, 80), max_size=8), end=st.sampled_from([b"\n", b"\r\n"])
)
def test_cuts_change_neither_lines_nor_counts(data: bytes, cuts: list[int], end: bytes) -> None:
    framing = Lines(end=end, limit=12)
    assert cut(framing, pieces_of(data, cuts)) == cut(framing, [data])


def test_fixed_frames_skip_to_the_next_start() -> None:
    stream = bytes.fromhex("1a2b3c 00ff 1a2b 112233 99")
    assert cut(COUNTING, [stream]) == ([bytes.fromhex("1a2b3c"), bytes.fromhex("112233")], 5)


def test_the_rest_of_a_frame_that_began_before_is_no_garbage() -> None:
    """At most a frame less one byte is forgiven, and only before the first frame."""
    assert cut(COUNTING, [bytes.fromhex("2b3c 112233")]) == ([bytes.fromhex("112233")], 0)
    assert cut(COUNTING, [bytes.fromhex("002b3c 112233")]) == ([bytes.fromhex("112233")], 1)
    assert cut(COUNTING, [bytes.fromhex("112233 3c 112233")])[1] == 1


@given(data=st.lists(st.sampled_from([0x1A, 0x2B, 0x3C, 0x00]), max_size=60), cuts=st.lists(st.integers(0, 60)))
def test_cuts_change_neither_frames_nor_counts(data: list[int], cuts: list[int]) -> None:
    stream = bytes(data)
    assert cut(COUNTING, pieces_of(stream, cuts)) == cut(COUNTING, [stream])


@given(data=st.lists(st.sampled_from([0x1A, 0x2B, 0x3C, 0x00]), max_size=60))
def test_fixed_frames_are_where_they_stand_in_the_stream(data: list[int]) -> None:
    """Every run 1-2-3 is found: with these places a frame cannot hide another one's start."""
    stream = bytes(data)
    assert len(cut(COUNTING, [stream])[0]) == stream.count(bytes.fromhex("1a2b3c"))


def decode(frame: bytes) -> Reading | list[Reading | Notice] | None:
    if frame == b"none":
        return None
    if frame == b"two":
        return [Reading.of_text(Quantity.SPEED, "1"), Notice("error", "2")]
    if frame == b"key":
        raise KeyError("no such unit")
    if frame == b"frame":
        raise FrameError("something else", frame)
    return Reading.of_text(Quantity.SPEED, frame.decode("ascii"))


def test_a_decoders_complaints_become_notices() -> None:
    stream = streaming(Lines(join=False), decode)(Settings())
    said = stream.receive(b"none\ntwo\nkey\nframe\nnan\n\xff\n36\n")
    assert [one.kind if isinstance(one, Notice) else str(one.value) for one in said] == [
        "1", "error", "frame", "frame", "frame", "frame", "36",
    ]  # fmt: skip
    texts = [one.text for one in said if isinstance(one, Notice)]
    assert texts[2] == "something else; got 5 bytes: 66 72 61 6d 65"
    assert "not a displayed number: 'nan'" in texts[3]


def test_a_new_connection_forgets_half_a_frame() -> None:
    stream = Stream(COUNTING, lambda frame: Notice("error", frame.hex()))
    stream.receive(bytes.fromhex("1122"))
    stream.connected()
    assert stream.receive(bytes.fromhex("33")) == []
    assert [one.text for one in stream.receive(bytes.fromhex("112233"))] == ["112233"]  # type: ignore[union-attr]
