"""Are the needed channels being read? A channel without a measurement for too long voids the run, by name (trap 14)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from benchd.core.events import FlagChanged
from benchd.core.procedures.throttle import Objection
from benchd.core.readings import CURES, NOT_A_MEASUREMENT, Flag
from benchd.core.samples import CHANNELS, Sample, Value
from benchd.core.verdicts import Outcome, Suspect

NAMED_AFTER_S = 3.0  # a silent channel is named on the screen
MISSING = "no reading"

#: Channel -> the words people use for it.
WORDS = {
    "battery_volts": "battery volts",
    "charge_amps": "charge amps",
    "stator_volts": "stator volts",
    "stator_volts_2": "stator volts, pair 2",
    "stator_volts_3": "stator volts, pair 3",
    "stator_hertz": "stator frequency",
    "engine_rpm": "engine rpm",
    "battery_celsius": "battery temperature",
    "load_amps": "load amps",
    "crank_amps": "cranking amps",
    "draw_amps": "key-off amps",
    "joint_volts": "volts along the joint",
    "circuit_ohms": "ohms of the circuit",
}


@dataclass
class _Channel:
    read_at_s: float | None = None
    longest_away_s: float = 0.0  # between two readings
    flags: frozenset[Flag] = frozenset()
    shown: set[str] = field(default_factory=set)


class Presence:
    """Watches the channels a procedure needs; emits flags going on and off, and objects when one stays away."""

    def __init__(self, channels: Sequence[str], wait_s: float) -> None:
        self._wait_s = wait_s
        self._channels = {name: _Channel() for name in channels}
        self._first_s: float | None = None
        self._last_s: float | None = None
        self._longest_step_s = 0.0

    def feed(self, sample: Sample) -> list[FlagChanged]:
        t_s = sample.t_s
        if self._last_s is not None:
            self._longest_step_s = max(self._longest_step_s, t_s - self._last_s)
        self._last_s = t_s
        if self._first_s is None:
            self._first_s = t_s
        events: list[FlagChanged] = []
        for name, channel in self._channels.items():
            events += self._follow(name, channel, sample.values.get(name), sample)
        return events

    def _follow(self, name: str, channel: _Channel, value: Value | None, sample: Sample) -> list[FlagChanged]:
        if value is not None:
            channel.flags = value.flags
            if value.value is not None:
                if channel.read_at_s is not None:
                    channel.longest_away_s = max(channel.longest_away_s, sample.t_s - channel.read_at_s)
                channel.read_at_s = sample.t_s
        wanted: dict[str, str] = {}
        if value is not None or channel.flags & NOT_A_MEASUREMENT:
            wanted = {str(flag): CURES[flag] for flag in channel.flags}
        if self.silent_s(name) >= max(NAMED_AFTER_S, 2 * self._longest_step_s) and not wanted:
            wanted[MISSING] = "check that the meter is on, awake and plugged in"
        events = [
            FlagChanged(sample.t_ns, name, flag, "on", cure)
            for flag, cure in wanted.items()
            if flag not in channel.shown
        ]
        events += [
            FlagChanged(sample.t_ns, name, flag, "off", "") for flag in sorted(channel.shown) if flag not in wanted
        ]
        channel.shown = set(wanted)
        return events

    def silent_s(self, name: str) -> float:
        """Seconds since the channel last had a measurement (since the first sample if never)."""
        if self._last_s is None or self._first_s is None:
            return 0.0
        read_at = self._channels[name].read_at_s
        return self._last_s - (self._first_s if read_at is None else read_at)

    def objection(self) -> Objection | None:
        """The channel that has stayed away for too long, if any."""
        limit = max(self._wait_s, 3 * self._longest_step_s)
        for name, channel in self._channels.items():
            silent = self.silent_s(name)
            if silent > limit:
                return self._missing(name, channel, silent)
        return None

    def came_back(self) -> tuple[str, ...]:
        """A sentence for each channel that was away for longer than it is named for, and came back."""
        least = max(NAMED_AFTER_S, 3 * self._longest_step_s)
        return tuple(
            f"{name} was not read for {channel.longest_away_s:.0f} s in between and came back; that time counts for nothing."
            for name, channel in self._channels.items()
            if channel.longest_away_s > least
        )

    def never_read(self) -> list[str]:
        """The channels that never had a measurement."""
        return [name for name, channel in self._channels.items() if channel.read_at_s is None]

    def missing_reason(self) -> Objection | None:
        """Like objection(), at the end of a recording: a channel that was never read at all."""
        for name in self.never_read():
            return self._missing(name, self._channels[name], self.silent_s(name))
        return None

    def _missing(self, name: str, channel: _Channel, silent: float) -> Objection:
        words, unit = WORDS.get(name, name), CHANNELS[name][1]
        causes = sorted(str(flag) for flag in channel.flags & NOT_A_MEASUREMENT)
        since = "never had a reading" if channel.read_at_s is None else f"had no reading for {silent:.0f} s"
        why = f": the meter shows {' and '.join(causes)}" if causes else ""
        cure = "; ".join(CURES[flag] for flag in sorted(channel.flags & NOT_A_MEASUREMENT))
        return Objection(
            Outcome.VOID,
            Suspect.INSTRUMENT,
            f"{words[0].upper()}{words[1:]} ({name}, {unit}) {since}{why}.",
            f"{name} was lost" if channel.read_at_s is not None else f"{name} was never read",
            (cure or _look_for(name, channel)) + "; then run again.",
        )


def _look_for(name: str, channel: _Channel) -> str:
    look = "Check that the meter is on, awake and plugged in"
    return (
        look if channel.read_at_s is not None else f"{look} (in a recording: that it has a column {name} with numbers)"
    )
