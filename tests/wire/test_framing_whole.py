"""Whole frames are found at once by a pattern: with the same result as byte by byte, on any stream in any cut."""

from __future__ import annotations

import random
import re

import pytest

from benchd.core.readings import Notice
from benchd.wire.framing import FixedFrames

NEVER = re.compile(b"(?!)")
COUNTING = FixedFrames(3, lambda place, byte: byte >> 4 == place + 1)
SPECIAL = FixedFrames(2, lambda place, byte: byte in (b"]^-\\", b"\n[&|")[place])
#: A place that takes no byte at all: there is no frame.
NONE = FixedFrames(2, lambda place, byte: place == 0)


def stream(frames: FixedFrames, chance: random.Random) -> bytes:
    """Whole frames, pieces of frames and noise."""
    legal = [[byte for byte in range(256) if frames.fits(place, byte)] or [0] for place in range(frames.length)]
    found = b""
    for _ in range(chance.randrange(1, 12)):
        frame = bytes(chance.choice(one) for one in legal)
        cut = chance.choice((frames.length, frames.length, chance.randrange(frames.length)))
        found += frame[:cut] + (chance.randbytes(chance.randrange(4)) if chance.random() < 0.3 else b"")
    return found


def fed(frames: FixedFrames, pieces: list[bytes], quick: bool) -> list[list[bytes | Notice]]:
    reader = frames.reader()
    if not quick:
        reader.pattern = NEVER  # type: ignore[attr-defined]
    return [reader.feed(one) for one in pieces]


@pytest.mark.parametrize("frames", [COUNTING, SPECIAL, NONE])
def test_the_quick_way_says_what_the_slow_one_says(frames: FixedFrames) -> None:
    chance = random.Random(7)
    whole = 0
    for _ in range(2000):
        data = stream(frames, chance)
        cuts = sorted(chance.randrange(len(data) + 1) for _ in range(chance.randrange(4)))
        pieces = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
        quick = fed(frames, pieces, True)
        assert quick == fed(frames, pieces, False)
        whole += sum(isinstance(one, bytes) for said in quick for one in said)
    assert whole > 3000 or frames is NONE
