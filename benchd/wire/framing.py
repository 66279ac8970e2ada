"""Cutting a byte stream into frames, bounded and without I/O, and the decoder of a meter that just streams.

A framing says what a frame looks like; its `reader()` holds the state of one stream. A reader takes any cut of the
stream and hands out whole frames (bytes) and Notices of what it threw away. It keeps at most one frame's length, so
noise can never fill the memory.

A serial port is opened in the middle of a frame as a rule. That first fragment is dropped without a word: half of
``3600`` is a number too, so a line whose start was not seen is never read.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

from benchd.core.readings import Notice, Reading
from benchd.errors import FrameError
from benchd.wire.driver import Decoder, Request, Settings

Said = Reading | Notice
#: What a decode function may answer for one frame.
Decoded = Said | Iterable[Said] | None


class FrameReader(Protocol):
    """One stream being cut: feed() takes bytes as they come."""

    def feed(self, data: bytes) -> list[bytes | Notice]: ...


class Framing(Protocol):
    """What frames look like; reader() starts on a stream of which nothing was seen yet."""

    def reader(self) -> FrameReader: ...


def garbage(data: bytes, why: str = "no frame") -> Notice:
    """The notice of bytes thrown away; shows the first of them."""
    shown = bytes(data[:16]).hex(" ") + (" ..." if len(data) > 16 else "")
    return Notice("garbage", f"{len(data)} bytes thrown away ({why}): {shown}", len(data))


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines that `end` closes, handed out without it and without a carriage return before it; empty ones are left out.

    `limit` is the longest line in bytes: no meter's line is near 200, so more is noise. With `join` the bytes before
    the first `end` are dropped, since nobody knows where that line began; take False where the stream starts with
    the question or the file.
    """

    end: bytes = b"\n"
    limit: int = 200
    join: bool = True

    def reader(self) -> FrameReader:
        return _LineReader(self)


class _LineReader:
    def __init__(self, lines: Lines) -> None:
        self.lines = lines
        self.buffer = bytearray()
        self.joining = lines.join
        self.overlong = bytearray()  # start of a line already over the limit, for the notice
        self.lost = 0

    def feed(self, data: bytes) -> list[bytes | Notice]:
        out: list[bytes | Notice] = []
        self.buffer += data
        while (at := self.buffer.find(self.lines.end)) >= 0:
            line = bytes(self.buffer[:at])
            del self.buffer[: at + len(self.lines.end)]
            out += self._close(line)
        if len(self.buffer) > self.lines.limit + len(self.lines.end):
            self._drop_overlong()
        return out

    def _close(self, line: bytes) -> list[bytes | Notice]:
        if self.lost or len(line) > self.lines.limit:
            shown, count = bytes(self.overlong) or line[:17], self.lost + len(line)
            self.overlong.clear()
            self.lost = 0
            self.joining = False
            text = f"{count} bytes thrown away (longer than any line): {shown[:16].hex(' ')} ..."
            return [Notice("garbage", text, count)]
        if self.joining:
            self.joining = False
            return []
        line = line.removesuffix(b"\r")
        return [line] if line.strip() else []

    def _drop_overlong(self) -> None:
        """Forget an endless line but for a possible first half of `end`, and go on until its end comes."""
        keep = len(self.lines.end) - 1
        cut = len(self.buffer) - keep
        if not self.lost:
            self.overlong = self.buffer[:16]
        self.lost += cut
        del self.buffer[:cut]


@dataclass(frozen=True, slots=True)
class FixedFrames:
    """Frames of `length` bytes; `fits(place, byte)` says whether `byte` may stand at `place` (0 based).

    A byte that does not fit moves the start on by one, so the next whole frame after noise or a cut is always found:
    the stream is in step again inside one frame.
    """

    length: int
    fits: Callable[[int, int], bool]

    def reader(self) -> FrameReader:
        return _FixedReader(self)


@lru_cache(maxsize=64)
def _pattern(frames: FixedFrames) -> re.Pattern[bytes]:
    """What one whole frame looks like."""
    places = (bytes(byte for byte in range(256) if frames.fits(place, byte)) for place in range(frames.length))
    return re.compile(b"".join(b"[" + re.escape(may) + b"]" if may else b"(?!)" for may in places), re.DOTALL)


class _FixedReader:
    def __init__(self, frames: FixedFrames) -> None:
        self.frames = frames
        self.pattern = _pattern(frames)
        self.buffer = bytearray()
        self.checked = 0  # so many bytes of the buffer are known to fit
        self.skipped = bytearray()
        self.joining = frames.length - 1  # so many bytes may be the rest of a frame that began before we listened

    def feed(self, data: bytes) -> list[bytes | Notice]:
        out: list[bytes | Notice] = []
        at = 0
        while at < len(data):
            if not self.buffer and (whole := self.pattern.match(data, at)):  # as below, but at once
                out += self._report()
                out.append(whole[0])
                at += self.frames.length
                self.joining = 0
                continue
            self.buffer.append(data[at])
            at += 1
            self._advance()
            if self.checked == self.frames.length:
                out += self._report()
                out.append(bytes(self.buffer))
                self.buffer.clear()
                self.checked = self.joining = 0
        return out + self._report()

    def _advance(self) -> None:
        while self.checked < len(self.buffer):
            if self.frames.fits(self.checked, self.buffer[self.checked]):
                self.checked += 1
            else:
                self.skipped.append(self.buffer.pop(0))
                self.checked = 0

    def _report(self) -> list[bytes | Notice]:
        if not self.skipped:
            return []
        lost = self.skipped[min(self.joining, len(self.skipped)) :]
        self.joining = max(0, self.joining - len(self.skipped))
        self.skipped.clear()
        return [garbage(bytes(lost))] if lost else []


class Stream:
    """The decoder of an instrument that sends by itself: a framing and a decode function, nothing to ask.

    `decode` takes one frame and answers a Reading, a Notice, several of them or None; it raises FrameError (or lets a
    ValueError, LookupError or ArithmeticError pass) for a frame that makes no sense, which becomes a 'frame' Notice.
    """

    def __init__(self, framing: Framing, decode: Callable[[bytes], Decoded]) -> None:
        self.framing = framing
        self.decode = decode
        self.reader = framing.reader()

    def connected(self) -> None:
        self.reader = self.framing.reader()

    def request(self) -> Request | None:
        return None

    def receive(self, data: bytes) -> list[Said]:
        out: list[Said] = []
        for frame in self.reader.feed(data):
            if isinstance(frame, Notice):
                out.append(frame)
            else:
                out += said_of(self.decode, frame)
        return out

    def timed_out(self) -> list[Said]:
        return []

    @property
    def answered(self) -> bool:
        return True


def said_of(decode: Callable[[bytes], Decoded], frame: bytes) -> list[Said]:
    """What `decode` makes of one frame, with its complaint turned into a Notice."""
    try:
        found = decode(frame)
        if found is None:
            return []
        return [found] if isinstance(found, Reading | Notice) else list(found)
    except FrameError as error:
        return [Notice("frame", str(error))]
    except (ValueError, LookupError, ArithmeticError) as error:
        return [Notice("frame", str(FrameError(f"a frame that makes sense ({error})", frame)))]


def streaming(framing: Framing, decode: Callable[[bytes], Decoded]) -> Callable[[Settings], Decoder]:
    """`Driver.make` for an instrument that streams and has no options."""

    def make(settings: Settings) -> Decoder:
        return Stream(framing, decode)

    return make
