"""Pulse counter used as a tachometer: pulses a second; pulses per revolution belong to the channel.

`mode = "count"` (default): lines ``count,time_ms`` with a running count of pulses and the device's own running
milliseconds at that count. Frequency is the difference of counts over the difference of the device's times, taken
over at least `window_s` (default 1.0), so cable and host delays do not matter. One count in the window is the
resolution: at 60 Hz and 1 s that is 1 Hz, 60 rpm at one pulse a revolution.
`mode = "hertz"`: lines with the frequency, a number with or without "Hz".

A counter that wraps (`counter_bits`, default 32) is followed. A device that starts anew, or a jump that would need
more than `max_hertz` (default 20000), begins a new window: nothing is read across it. A channel that wants "pulses"
gets the bare count instead. The line forms are ours (no standard exists).
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from benchd.wire import Decoder, Driver, FrameError, Notice, Quantity, Reading, SerialParams, Settings
from benchd.wire.framing import Lines, Stream
from benchd.wire.options import Complaints, check_keys, number, one_of

COUNT_LINE = re.compile(r"([0-9]{1,20}) *, *([0-9]{1,20})", re.ASCII)
HERTZ_LINE = re.compile(r"([0-9]+(?:\.[0-9]+)?)(?: *[Hh][Zz])?", re.ASCII)
#: Marks kept of one window, however fast the lines come; the window is longer than asked by one part at most.
PARTS = 64


class Counting:
    """Frequency from a running count and the device's own time."""

    def __init__(self, options: Mapping[str, Any], want_count: bool) -> None:
        self.window_ms = round(1000 * float(options.get("window_s", 1.0)))
        self.modulus = 2 ** int(options.get("counter_bits", 32))
        self.max_hertz = float(options.get("max_hertz", 20000.0))
        self.want_count = want_count
        self.marks: deque[tuple[int, int]] = deque()  # (time_ms, total then), oldest first
        self.last = (0, 0)  # (count, time_ms) of the line before
        self.total = 0  # pulses since the counter began anew

    def decode(self, line: bytes) -> Reading | Notice | None:
        match = COUNT_LINE.fullmatch(line.decode("ascii").strip())
        if match is None or int(match[1]) >= self.modulus:
            raise FrameError(f"'count,time_ms' with a count below {self.modulus}", line)
        count, now_ms = int(match[1]), int(match[2])
        complaint = self._take(count, now_ms)
        if complaint:
            return Notice("frame", complaint)
        if self.want_count:
            return Reading(Quantity.PULSES, Decimal(count), Decimal(1))
        return self._frequency(now_ms)

    def _take(self, count: int, now_ms: int) -> str | None:
        """Keep a count; a count that cannot follow the last one begins anew and is told in words."""
        (previous, then_ms), self.last = self.last, (count, now_ms)
        step, elapsed_s = (count - previous) % self.modulus, (now_ms - then_ms) / 1000
        follows = elapsed_s > 0 and step <= self.max_hertz * elapsed_s < self.modulus
        if self.marks and follows:
            self.total += step
            if now_ms - self.marks[-1][0] >= self.window_ms / PARTS:
                self.marks.append((now_ms, self.total))
            return None
        first = not self.marks
        self.marks = deque([(now_ms, 0)])
        self.total = 0
        if first:
            return None
        return f"counter began anew: count {previous} at {then_ms} ms, then {count} at {now_ms} ms"

    def _frequency(self, now_ms: int) -> Reading | None:
        while len(self.marks) > 1 and now_ms - self.marks[1][0] >= self.window_ms:
            self.marks.popleft()
        start_ms, start = self.marks[0]
        elapsed = Decimal(now_ms - start_ms) / 1000
        if now_ms - start_ms < self.window_ms:
            return None
        return Reading(Quantity.FREQUENCY, (self.total - start) / elapsed, 1 / elapsed)


def decode_hertz(line: bytes) -> Reading:
    """Turn one line with a frequency into a reading."""
    match = HERTZ_LINE.fullmatch(line.decode("ascii").strip())
    if match is None:
        raise FrameError("a frequency such as '60.00 Hz'", line)
    return Reading.of_text(Quantity.FREQUENCY, match[1])


class CountStream(Stream):
    """A stream whose window is begun anew with every connection."""

    def __init__(self, options: Mapping[str, Any], want_count: bool) -> None:
        self.options, self.want_count = options, want_count
        super().__init__(Lines(limit=64), Counting(options, want_count).decode)

    def connected(self) -> None:
        super().connected()
        self.decode = Counting(self.options, self.want_count).decode


def make(settings: Settings) -> Decoder:
    if settings.options.get("mode", "count") == "hertz":
        return Stream(Lines(limit=64), decode_hertz)
    return CountStream(settings.options, any(wanted is Quantity.PULSES for wanted, _ in settings.functions))


def check(options: Mapping[str, Any]) -> Complaints:
    return check_keys(
        options,
        {
            "mode": one_of("count", "hertz"),
            "window_s": number(0.01, 10.0, "s"),
            "counter_bits": one_of(16, 24, 32, 64),
            "max_hertz": number(1.0, 1e6, "Hz"),
        },
    )


DRIVER = Driver(
    name="tach-pulses",
    title="pulse counter: count and time, or hertz",
    make=make,
    serial=SerialParams(baud=115200),
    quantities=frozenset({Quantity.FREQUENCY, Quantity.PULSES}),
    check=check,
)
