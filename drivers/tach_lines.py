"""Tachometer that sends lines of text; `pattern` says what a line looks like.

`pattern` is a regular expression that matches a whole line and names one group: `rpm` (revolutions a minute),
`hertz` (pulses a second) or `count` (a running count of pulses). The default is a number with or without "rpm", the
commonest form (common practice, no source). `line_end` is what closes a line: "\\n" (default; a CR before it is
dropped) or "\\r".

Text lines carry no checksum: a lost character inside a line reads as another number. A pattern of fixed width
(``(?P<rpm>[0-9]{5})``) sees that. A line of dashes or "OL" means that the tachometer has no number to show.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import partial
from typing import Any

from benchd.wire import Decoder, Driver, Flag, FrameError, Quantity, Reading, SerialParams, Settings
from benchd.wire.framing import Lines, Stream
from benchd.wire.options import Complaints, check_keys, one_of

DEFAULT_PATTERN = r"\+?(?P<rpm>[0-9]+(?:\.[0-9]+)?)(?: *[Rr][Pp][Mm])?"
GROUPS = {"rpm": Quantity.SPEED, "hertz": Quantity.FREQUENCY, "count": Quantity.PULSES}
NO_NUMBER = re.compile(r"-{2,}|O\.?L", re.ASCII | re.IGNORECASE)


def group_of(pattern: re.Pattern[str]) -> str:
    """The one group that the pattern names; ValueError says what is wrong."""
    named = sorted(pattern.groupindex)
    if len(named) != 1 or named[0] not in GROUPS:
        raise ValueError(f"must name exactly one group, rpm, hertz or count; it names {', '.join(named) or 'none'}")
    return named[0]


def decode(pattern: re.Pattern[str], line: bytes) -> Reading:
    """Turn one line into a reading."""
    group = group_of(pattern)
    shown = line.decode("ascii").strip()
    if NO_NUMBER.fullmatch(shown):
        return Reading(GROUPS[group], None, flags=frozenset({Flag.NO_NUMBER}))
    match = pattern.fullmatch(shown)
    if match is None or not match[group]:
        raise FrameError(f"a line like {pattern.pattern}", line)
    return Reading.of_text(GROUPS[group], match[group])


def make(settings: Settings) -> Decoder:
    pattern = re.compile(settings.options.get("pattern", DEFAULT_PATTERN), re.ASCII)
    end = settings.options.get("line_end", "\n").encode("ascii")
    return Stream(Lines(end=end), partial(decode, pattern))


def pattern_complaint(value: Any) -> str | None:
    if not isinstance(value, str):
        return f"is {value!r}, expected a regular expression"
    try:
        group_of(re.compile(value, re.ASCII))
    except (re.error, ValueError) as error:
        return f"{value!r}: {error}"
    return None


def check(options: Mapping[str, Any]) -> Complaints:
    return check_keys(options, {"pattern": pattern_complaint, "line_end": one_of("\n", "\r", "\r\n")})


DRIVER = Driver(
    name="tach-lines",
    title="tachometer, lines of text",
    make=make,
    serial=SerialParams(baud=9600),
    quantities=frozenset(GROUPS.values()),
    check=check,
)
