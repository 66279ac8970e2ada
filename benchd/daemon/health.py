"""How the instruments of one bench are, folded from the records that its sampler emits, between runs and in them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

from benchd.config import Bench
from benchd.core.readings import Flag
from benchd.core.samples import CHANNELS, Sample

#: Names in the outside's counts -> the sampler's.
COUNTS = {
    "readings": "readings",
    "garbage": "garbage",
    "bad_frames": "frame",
    "errors": "error",
    "timeouts": "timeout",
    "gaps": "gaps",
    "reconnects": "reconnects",
}
#: A dial that points elsewhere is no trouble while nothing is being measured.
IDLE_FLAGS = frozenset({str(Flag.WRONG_FUNCTION)})


@dataclass
class _Instrument:
    state: str = "not open"
    since: str = ""
    what: str = ""
    cure: str = ""
    identity: str | None = None
    gaps: int = 0
    reconnects: int = 0
    kept: Counter[str] = field(default_factory=Counter)  # of samplers that have ended
    counting: Callable[[], Mapping[str, int]] = dict  # of the one that is at work


class BenchHealth:
    """Fed by `take`; asked by `instrument` and `channels`. Ages count on the monotonic clock `now_ns`."""

    def __init__(self, bench: Bench, now_ns: Callable[[], int]) -> None:
        self._bench, self._now_ns = bench, now_ns
        self._instruments = {name: _Instrument(since=_utc()) for name in bench.instruments}
        self._channels: dict[str, tuple[float | None, float | None, list[str], int]] = {}
        self.changed = 0  # goes up whenever an instrument is lost, back or named

    # --- what the sampler tells -----------------------------------------------------------------------------------

    def begin(self, counts: Callable[[], Mapping[str, Mapping[str, int]]]) -> None:
        """Another sampler is at work from now on; `counts` asks it."""
        self.rest()
        for name, one in self._instruments.items():
            one.counting = lambda name=name: counts().get(name, {})  # type: ignore[misc]

    def rest(self) -> None:
        """The sampler at work has ended."""
        for one in self._instruments.values():
            one.kept.update(one.counting())
            one.counting = dict

    def take(self, item: Mapping[str, Any] | Sample) -> None:
        if isinstance(item, Sample):
            now_ns = self._now_ns()
            for name, value in item.values.items():
                at_ns = now_ns - round(value.age_s * 1e9)
                self._channels[name] = (value.value, value.resolution, sorted(value.flags), at_ns)
            return
        kind = item["kind"]
        if kind == "reading":
            one = self._instruments[item["instrument"]]
            if one.state != "talking":
                self._talks(one)
        elif kind == "gap":
            self._gap(self._instruments[item["instrument"]], item)
        elif kind == "instrument":
            one = self._instruments[item["name"]]
            if item.get("identity") and one.identity != item["identity"]:
                one.identity = item["identity"]
                self.changed += 1

    def _gap(self, one: _Instrument, item: Mapping[str, Any]) -> None:
        if item["state"] == "back":
            self._talks(one)
            return
        one.gaps += one.state != "silent"  # another sampler may find it silent still
        self._turn(one, "silent", str(item["what"]), str(item.get("cure", "")))

    def _talks(self, one: _Instrument) -> None:
        one.reconnects += one.state == "silent"
        if one.state != "talking":
            self._turn(one, "talking")

    def _turn(self, one: _Instrument, state: str, what: str = "", cure: str = "") -> None:
        one.state, one.what, one.cure, one.since = state, what, cure, _utc()
        self.changed += 1

    # --- what is asked --------------------------------------------------------------------------------------------

    @property
    def silent(self) -> list[str]:
        """Names of the instruments that do not talk."""
        return [name for name, one in self._instruments.items() if one.state != "talking"]

    def instrument(self, name: str, today: date) -> dict[str, Any]:
        """JSON-ready; see DaemonInterface.instrument. KeyError."""
        one, wired = self._instruments[name], self._bench.instruments[name]
        due = wired.calibration_due
        counted = Counter(one.kept)
        counted.update(one.counting())
        counted["gaps"], counted["reconnects"] = one.gaps, one.reconnects
        return {
            "name": name,
            "driver": wired.driver,
            "port": wired.port,
            "identity": one.identity,
            "state": one.state,
            "since": one.since,
            "what": one.what,
            "cure": one.cure,
            "calibration_due": None if due is None else due.isoformat(),
            "overdue": due is not None and due < today,
            "counts": {outside: counted[own] for outside, own in COUNTS.items()},
        }

    def channels(self, *, idle: bool) -> dict[str, dict[str, Any]]:
        """Channel -> {value, unit, age_s, flags}; value None where there is none, age None where nothing ever came."""
        now_ns = self._now_ns()
        found: dict[str, dict[str, Any]] = {}
        for name in self._bench.channels:
            value, _, flags, at_ns = self._channels.get(name, (None, None, [], None))
            shown = [flag for flag in flags if not (idle and flag in IDLE_FLAGS)]
            age_s = None if at_ns is None else round((now_ns - at_ns) / 1e9, 3)
            found[name] = {"value": value, "unit": CHANNELS[name][1], "age_s": age_s, "flags": shown}
        return found


def _utc() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
