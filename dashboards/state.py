"""What is known of a run after each record: a fold over the journal's records, live or long after.

Bounded: a run of any length keeps at most MOST_POINTS per channel.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd_dashboards.look import harmless

from benchd.core.readings import Flag

MOST_POINTS = 1200
STALE_S = 3.0  # a lost meter is named within 3 s; its last number goes with it
BEFORE = ("checking", "waiting for full throttle")  # phases in which nothing is measured yet
#: Procedures with the engine stopped, or turned by a starter or a motor: nobody is told to close a throttle.
NO_ENGINE = frozenset({"charge", "load", "crank", "draw", "continuity", "unit"})
#: Those that go on asking for things while they measure.
ASKING = frozenset({"charge", "unit"})
SURE_CROSSING = 2  # samples in a row above the ceiling: one glitch is not a crossing


@dataclass(slots=True)
class Track:
    """One channel: its newest reading, and the curve since the start as (t_s, least, most)."""

    value: float | None = None
    resolution: float | None = None
    flags: tuple[str, ...] = ()
    read_s: float = 0.0
    points: list[tuple[float, float, float]] = field(default_factory=list)

    def add(self, t_s: float, low: float, high: float) -> None:
        self.points.append((t_s, low, high))
        if len(self.points) >= MOST_POINTS:
            old = self.points
            self.points = [(a[0], min(a[1], b[1]), max(a[2], b[2])) for a, b in zip(old[::2], old[1::2], strict=False)]

    def age_s(self, now_s: float) -> float:
        return max(now_s - self.read_s, 0.0)


@dataclass(frozen=True, slots=True)
class Ask:
    """A prompt as it stands on the screen. `choices` None = free text, () = only to be read."""

    id: str
    text: str
    choices: tuple[str, ...] | None
    caution: str
    t_s: float

    @property
    def is_question(self) -> bool:
        return self.choices != ()


@dataclass(frozen=True, slots=True)
class Said:
    """A text with the time it was said (run seconds)."""

    t_s: float
    text: str


@dataclass(slots=True)
class State:
    """Everything a screen shows. `bells` counts the occasions on which a bell is due."""

    opened: dict[str, Any] = field(default_factory=dict)
    t_s: float = 0.0
    samples: int = 0
    tracks: dict[str, Track] = field(default_factory=dict)
    expected: dict[str, Track] = field(default_factory=dict)
    measuring_s: float | None = None  # since when it is measured (full throttle, say)
    standing: dict[str, Any] = field(default_factory=dict)
    questions: list[Ask] = field(default_factory=list)
    instruction: Ask | None = None
    cautions: list[Said] = field(default_factory=list)
    flags: dict[tuple[str, str], str] = field(default_factory=dict)
    gaps: dict[str, Said] = field(default_factory=dict)
    instruments: dict[str, dict[str, Any]] = field(default_factory=dict)
    trouble: str = ""
    notice: Said | None = None
    thrown: dict[str, int] = field(default_factory=dict)  # instrument -> how much its notices counted
    mark: Said | None = None
    marks: int = 0
    verdict: dict[str, Any] = field(default_factory=dict)
    closed: dict[str, Any] = field(default_factory=dict)
    over: int = 0  # samples in a row above the ceiling
    bells: int = 0
    news: int = 0  # records that changed something to be seen

    def apply(self, record: Mapping[str, Any]) -> None:
        """Take one record; kinds and fields that are not known are left alone."""
        t_ns = record.get("t_ns")
        if isinstance(t_ns, int | float):
            self.t_s = max(self.t_s, t_ns / 1e9)
        take = _TAKES.get(str(record.get("kind")))
        if take is not None:
            take(self, record)
            self.news += 1

    # What the run is

    @property
    def procedure(self) -> str:
        return str(self.opened.get("procedure") or self.verdict.get("procedure") or "")

    @property
    def engine_runs(self) -> bool:
        """Whether this is a run with the engine running."""
        return self.procedure not in NO_ENGINE

    def estimates(self) -> Mapping[str, Mapping[str, Any]]:
        """Name -> estimate with a value, of the newest standing."""
        found = dict(self.standing.get("estimates") or {})
        return {name: one for name, one in found.items() if isinstance(one, Mapping) and one.get("value") is not None}

    @property
    def phase(self) -> str:
        return "ended" if self.ended else str(self.standing.get("phase", "checking"))

    @property
    def ended(self) -> bool:
        return bool(self.verdict or self.closed)

    def behind(self, channel: str) -> Track | None:
        """The curve of the last good run of this unit, laid so that its measuring began when this run's did; None
        until then, and where there is none."""
        good = self.opened.get("last_good")
        if self.measuring_s is None or not isinstance(good, Mapping):
            return None
        shift_s = self.measuring_s - float(good.get("from_s") or 0.0)
        found = Track()
        for t_s, values in good.get("points") or ():
            if channel in values:
                found.add(float(t_s) + shift_s, float(values[channel]), float(values[channel]))
        return found if found.points else None

    def limits(self, part: str) -> Mapping[str, Any]:
        """One table of the spec, empty if there is none."""
        spec = self.opened.get("spec")
        found = spec.get(part) if isinstance(spec, Mapping) else None
        return found if isinstance(found, Mapping) else {}

    def ceiling(self) -> float | None:
        found = self.limits("regulator").get("ceiling_volts") if self.procedure == "regulator" else None
        return None if found is None else float(found)

    @property
    def over_ceiling(self) -> bool:
        return self.over >= SURE_CROSSING

    def number(self, channel: str) -> float | None:
        """The channel's newest value while it is fresh and a measurement."""
        track = self.tracks.get(channel)
        if track is None or track.age_s(self.t_s) > STALE_S:
            return None
        return track.value

    def left_s(self, name: str = "left_s") -> float | None:
        """Seconds left ('left_s' to the verdict, 'limit_s' to the longest allowed time), counted on to now."""
        found = self.standing.get(name)
        if found is None:
            return None
        return max(float(found) - (self.t_s - float(self.standing.get("t_ns", 0)) / 1e9), 0.0)

    def caution(self) -> Said | None:
        """The caution to stand on the screen now: a new one for 20 s, then all of them in turn."""
        if not self.cautions:
            return None
        newest = self.cautions[-1]
        if self.t_s - newest.t_s < 20:
            return newest
        return self.cautions[int(self.t_s / 8) % len(self.cautions)]

    def flags_now(self) -> dict[tuple[str, str], str]:
        """(channel or instrument, flag) -> cure; those told by a record and those on the newest samples."""
        found = dict(self.flags)
        for channel, track in self.tracks.items():
            for flag in track.flags:
                if track.age_s(self.t_s) <= STALE_S:
                    found.setdefault((channel, flag), "")
        return {key: cure for key, cure in found.items() if not is_open(self, key[0], (key[1],))}

    # One method for each kind of record

    def _run_opened(self, record: Mapping[str, Any]) -> None:
        for name, fresh in ((one, getattr(State(), one)) for one in State.__dataclass_fields__):
            if name not in ("bells", "news"):
                setattr(self, name, fresh)
        self.opened = dict(record)

    def _instrument(self, record: Mapping[str, Any]) -> None:
        self.instruments[harmless(record.get("name", ""))] = dict(record)

    def _sample(self, record: Mapping[str, Any]) -> None:
        self.samples += 1
        now_s = float(record["t_ns"]) / 1e9
        for channel, (value, resolution, flags, age_s) in record["values"].items():
            track = self.tracks.setdefault(channel, Track())
            track.value, track.flags, track.read_s = value, tuple(flags), now_s - age_s
            track.resolution = track.resolution if resolution is None else resolution
            if value is not None:
                track.add(now_s, value, value)
        self._watch_ceiling(record["values"])

    def _watch_ceiling(self, values: Mapping[str, Any]) -> None:
        ceiling, found = self.ceiling(), values.get("battery_volts")
        if ceiling is None or found is None or found[0] is None:
            return
        self.over = self.over + 1 if found[0] > ceiling else 0
        if self.over == SURE_CROSSING:
            self.bells += 1

    def _standing(self, record: Mapping[str, Any]) -> None:
        before = self.standing.get("phase")
        self.standing = dict(record)
        now_s = float(record.get("t_ns", 0)) / 1e9
        if self.measuring_s is None and record.get("phase") == "measuring":
            self.measuring_s = now_s
        for channel, (low, high) in dict(record.get("expected") or {}).items():
            self.expected.setdefault(channel, Track()).add(now_s, float(low), float(high))
        begins = self.engine_runs or (before in BEFORE and self.procedure not in ASKING)
        if record.get("phase") in ("measuring", "ended") and before != record.get("phase") and begins:
            self._forget_preparations(now_s)

    def _forget_preparations(self, now_s: float) -> None:
        """Full throttle, or the load, or the starter is on: what was to be done before is done. Figures may still be
        typed in."""
        self.questions = [ask for ask in self.questions if ask.choices is None or ask.t_s >= now_s]
        if self.instruction is not None and self.instruction.t_s < now_s:
            self.instruction = None

    def _prompt(self, record: Mapping[str, Any]) -> None:
        choices = record.get("choices", ())
        ask = Ask(
            str(record.get("id", "")),
            harmless(record.get("text", "")),
            None if choices is None else tuple(harmless(one) for one in choices),
            harmless(record.get("caution") or ""),
            float(record.get("t_ns", 0)) / 1e9,
        )
        if ask.is_question:
            self.questions = [*(one for one in self.questions if one.id != ask.id), ask]
        else:
            self.instruction = ask

    def _answer(self, record: Mapping[str, Any]) -> None:
        self.questions = [ask for ask in self.questions if ask.id != record.get("id")]

    def _caution(self, record: Mapping[str, Any]) -> None:
        text = harmless(record.get("text", ""))
        self.cautions = [one for one in self.cautions if one.text != text]
        self.cautions.append(Said(float(record.get("t_ns", 0)) / 1e9, text))

    def _flag(self, record: Mapping[str, Any]) -> None:
        where = harmless(record.get("channel") or record.get("instrument") or "")
        key = (where, harmless(record.get("flag", "")))
        if record.get("state") == "off":
            self.flags.pop(key, None)
        else:
            self.flags[key] = harmless(record.get("cure") or "")

    def _gap(self, record: Mapping[str, Any]) -> None:
        name = harmless(record.get("instrument", ""))
        if record.get("state") == "back":
            self.gaps.pop(name, None)
            return
        since_ns = next((record[key] for key in ("since_ns", "since_t_ns", "t_ns") if record.get(key) is not None), 0)
        what = next((record[key] for key in ("what", "text", "happened", "reason") if record.get(key)), "no answer")
        self.gaps[name] = Said(float(since_ns) / 1e9, harmless(what))

    def _trouble(self, record: Mapping[str, Any]) -> None:
        self.trouble = harmless(record.get("text") or record.get("reason") or "the journal cannot be written")

    def _notice(self, record: Mapping[str, Any]) -> None:
        named = harmless(record.get("instrument") or "")
        count = 0 if "identity" in (record.get("notice"), record.get("what")) else record.get("count")
        self.thrown[named] = self.thrown.get(named, 0) + (int(count) if isinstance(count, int) else 1)
        text = harmless(record.get("text", ""))
        self.notice = Said(self.t_s, f"{named}: {text}" if named else text)

    def _mark(self, record: Mapping[str, Any]) -> None:
        self.marks += 1
        self.mark = Said(float(record.get("t_ns", self.t_s * 1e9)) / 1e9, harmless(record.get("text", "")))

    def _verdict(self, record: Mapping[str, Any]) -> None:
        inner = record.get("verdict")
        self.verdict = dict(inner) if isinstance(inner, Mapping) else dict(record)
        self.questions = []
        self.bells += 1

    def _run_closed(self, record: Mapping[str, Any]) -> None:
        self.closed = dict(record)
        self.questions = []
        if not self.verdict:
            self.bells += 1


def is_open(state: State, channel: str, flags: tuple[str, ...]) -> bool:
    """Whether an ohmmeter says that nothing joins its tips: in a continuity test that is an answer, not a fault."""
    return state.procedure == "continuity" and channel == "circuit_ohms" and flags == (str(Flag.OVERLOAD),)


_TAKES = {
    "run-opened": State._run_opened,
    "instrument": State._instrument,
    "sample": State._sample,
    "standing": State._standing,
    "prompt": State._prompt,
    "answer": State._answer,
    "caution": State._caution,
    "flag": State._flag,
    "gap": State._gap,
    "trouble": State._trouble,
    "notice": State._notice,
    "mark": State._mark,
    "verdict": State._verdict,
    "run-closed": State._run_closed,
}
