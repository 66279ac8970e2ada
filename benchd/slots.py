"""Which reading of which instrument belongs to which channel, and what the channel's number then is."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from benchd.config import Bench, Channel
from benchd.core.readings import NOT_A_MEASUREMENT, Flag, Quantity
from benchd.core.samples import Value
from benchd.errors import ConfigError

#: How long the wrong quantity may come in between before the dial counts as wrong: a meter with two displays sends
#: both in turn, at least once a second.
WRONG_AFTER_NS = 1_200_000_000
#: A rate is taken over at least so long where an instrument gives a bare count of pulses: arrival times scatter.
RATE_NS = 1_000_000_000

#: Points that are remembered: more than any instrument has inputs; a driver that invents names fills no memory.
MOST_POINTS = 500

NONE: frozenset[Flag] = frozenset()
#: value, resolution, flags, arrival
Fresh = tuple[float | None, float | None, frozenset[Flag], int]


class Slot:
    """One channel: what came newest since the last sample, and its flags."""

    def __init__(self, channel: Channel, function: Quantity, point: str, factor: float, offset: float) -> None:
        self.channel = channel.name
        self.function, self.point = function, point
        self.patience_ns = WRONG_AFTER_NS
        self.right_ns = -math.inf  # when a reading of the right function came last
        self.flags: frozenset[Flag] = NONE
        self.fresh: Fresh | None = None
        self._factor, self._offset = factor, offset
        self._pulses: deque[tuple[int, float]] | None = deque() if function is Quantity.PULSES else None

    def put(self, value: float | None, resolution: float | None, flags: frozenset[Flag], t_ns: int) -> None:
        """Take a reading of the right function; under a flag that makes it no measurement it has no value."""
        self.right_ns = t_ns
        if value is not None and self._pulses is not None:
            value, resolution = self._rate(value, t_ns)
            if value is None:
                return
        if flags and flags & NOT_A_MEASUREMENT:
            value = None
        if value is not None:
            value = value * self._factor - self._offset
        if resolution is not None:
            resolution = abs(resolution * self._factor)
        self.fresh = (value, resolution, flags, t_ns)

    def put_wrong(self, flags: frozenset[Flag], t_ns: int) -> None:
        """The instrument measures something else."""
        self.fresh = (None, None, flags, t_ns)

    def is_wrong(self, t_ns: int) -> bool:
        """Whether a reading of another function means that the dial is wrong."""
        return t_ns - self.right_ns > self.patience_ns

    def take(self, now_ns: int) -> Value | None:
        """What came since the last call, and forget it."""
        if self.fresh is None:
            return None
        value, resolution, flags, t_ns = self.fresh
        self.fresh = None
        return Value(value, resolution, flags, (now_ns - t_ns) / 1e9)

    def _rate(self, count: float, t_ns: int) -> tuple[float | None, float | None]:
        """Pulses a second and what one more pulse would make of it; None until the window is full."""
        seen = self._pulses
        assert seen is not None
        if seen and (count < seen[-1][1] or t_ns <= seen[-1][0]):  # the counter began anew
            seen.clear()
        seen.append((t_ns, count))
        while len(seen) > 2 and t_ns - seen[1][0] >= RATE_NS:
            seen.popleft()
        elapsed_ns = t_ns - seen[0][0]
        if elapsed_ns < RATE_NS:
            return None, None
        return (count - seen[0][1]) / elapsed_ns * 1e9, 1e9 / elapsed_ns


@dataclass(frozen=True, slots=True)
class Place:
    """Where a reading goes: slots of its function, and slots of the same input that want another one."""

    function: Quantity
    word: str  # the function's, as records have it
    right: tuple[Slot, ...]
    others: tuple[Slot, ...]


class Inputs:
    """The slots of one instrument by point and function."""

    def __init__(self, slots: Iterable[Slot]) -> None:
        self.slots = tuple(slots)
        self._places: dict[str, list[Place]] = {}

    def place(self, function: Quantity, point: str) -> Place:
        for found in self._places.get(point, ()):  # one or two as a rule; an enum's hash would cost more
            if found.function is function:
                return found
        made = self._made(function, point)
        if len(self._places) < MOST_POINTS:
            self._places.setdefault(point, []).append(made)
        return made

    def _made(self, function: Quantity, point: str) -> Place:
        here = [slot for slot in self.slots if point == slot.point or (not slot.point and point == slot.channel)]
        right = tuple(slot for slot in here if slot.function is function)
        return Place(function, function.value, right, tuple(slot for slot in here if slot.function is not function))

    def connected(self, t_ns: int) -> None:
        """A shared input gives its functions in turn: each slot waits from now on for its own."""
        for slot in self.slots:
            if slot.patience_ns > WRONG_AFTER_NS:
                slot.right_ns = t_ns


def source_of(bench: Bench, channel: Channel) -> Channel:
    """The channel that an instrument reads: this one, or the one that this one is computed from."""
    return bench.channels[channel.from_channel] if channel.from_channel else channel


def slots_of(bench: Bench, channels: Iterable[str], poles: int | None) -> Mapping[str, list[Slot]]:
    """Instrument -> slots of these channels, in order. ConfigError for a channel that cannot be computed."""
    found: dict[str, list[Slot]] = {}
    for name in channels:
        channel = bench.channels[name]
        source = source_of(bench, channel)
        slot = _slot(channel, source, poles)
        shared = {source_of(bench, one).function for one in bench.channels.values() if _same_input(bench, one, source)}
        if len(shared) > 1:
            slot.patience_ns = max(WRONG_AFTER_NS + 1, round(bench.lost_after_s * 1e9))
        found.setdefault(source.instrument, []).append(slot)
    return found


def _same_input(bench: Bench, channel: Channel, source: Channel) -> bool:
    other = source_of(bench, channel)
    return (other.instrument, other.point) == (source.instrument, source.point)


def _slot(channel: Channel, source: Channel, poles: int | None) -> Slot:
    factor = channel.factor(poles)
    if factor is None:
        raise ConfigError(
            f"channels.{channel.name} comes from {channel.from_channel}, which needs the number of magnet poles; "
            "put stator.magnet_poles into the machine file"
        )
    if source is channel:
        return Slot(channel, channel.function, channel.point, factor, channel.offset)
    offset = source.offset * factor + channel.offset
    return Slot(channel, source.function, source.point, source.ratio * factor, offset)
