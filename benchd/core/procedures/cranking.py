"""What a cranking test has seen: the battery at rest, the step when the starter takes hold, and what the crank read."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from benchd.core.procedures.averaged import Amount, average, difference, paired, ratio, resolution_of
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.procedures.throttle import RUNNING_RPM
from benchd.core.series import median
from benchd.core.track import Array, Track

REST_S = 20.0
STEP_VOLTS = 0.3  # a starter takes more, lamps and ignition less
STEP_AMPS = 25.0  # no lamp takes so many, every starter does
TURNING_RPM = 60.0
INRUSH_S = 0.4  # the starter's first gulp, longer than the current's peak lasts
RUN_UP_S = 1.0  # until the engine turns evenly and meters that average have forgotten the gulp
ON_THE_WAY = 0.2
LET_GO_S = 0.7  # before a release was seen: the meters may have averaged it in
RELEASED_PART = 0.4  # of the drop is left: the key was let go
COIL_VOLTS, COIL_AMPS = 0.04, 2.0  # what a solenoid's coil alone takes at least
LEAST_READINGS = 3
LEAST_S = 1.0
BORNE_OUT_S = 2.0  # a clamp that has read no starter by then says that there was none: clamps are a second late at most
STEADY_PART = 2 / 3  # of the readings lie together, or they are not of one speed
BLIND_S = 2.0  # no volts for so long in a crank: it is over as far as can be seen


@dataclass
class Crank:
    """One go on the starter. Rows of the tracks: seconds and the value."""

    began_s: float
    ended_s: float | None = None
    volts: Track = field(default_factory=lambda: Track(2))
    amps: Track = field(default_factory=lambda: Track(2))
    rpm: Track = field(default_factory=lambda: Track(2))
    clamp_readings: int = 0
    borne_out: bool = False  # clamp or tachometer saw it too

    def settled(self, track: Track) -> tuple[Array, Array]:
        """(seconds, values) between run-up and release; of a short crank all that is after the inrush."""
        for after_s, before_s in ((RUN_UP_S, LET_GO_S), (INRUSH_S, 0.1)):
            start = track.since(self.began_s + after_s)
            end = len(track) if self.ended_s is None else track.since(self.ended_s - before_s)
            if end - start >= LEAST_READINGS:
                break
        return track.column(0)[start:end], track.column(1)[start:end]

    def seconds(self, now_s: float) -> float:
        return (now_s if self.ended_s is None else self.ended_s) - self.began_s

    @property
    def judgeable(self) -> bool:
        """Whether there is enough after the inrush to say anything."""
        late = self.volts.since(self.began_s + INRUSH_S)
        n = len(self.volts) - late
        return n >= LEAST_READINGS and self.volts.last(0) - float(self.volts.column(0)[late]) >= LEAST_S


@dataclass
class Starter:
    """Follows volts, amps and speed; tells when cranking begins and ends."""

    max_crank_s: float
    rest_s: float
    rest: deque[tuple[float, float]] = field(default_factory=deque)
    rest_amps: deque[float] = field(default_factory=lambda: deque(maxlen=30))
    cranks: list[Crank] = field(default_factory=list)
    started_s: float | None = None  # the engine runs by itself since
    clamp_turned: bool = False
    coil_seen: bool = False
    dips: int = 0  # lone low readings: a solenoid that chatters, or a glitch
    falls: int = 0  # of the volts, that the clamp did not bear out
    least_volts: float | None = None
    greatest_amps: float | None = None
    _low: list[tuple[float, float]] = field(default_factory=list)
    _running: int = 0
    _amps: tuple[float, float] | None = None
    _rpm: tuple[float, float] | None = None
    _median: tuple[tuple[int, float, float], float] | None = None

    @property
    def crank(self) -> Crank | None:
        """The crank that is going on."""
        return self.cranks[-1] if self.cranks and self.cranks[-1].ended_s is None else None

    @property
    def rest_volts(self) -> float | None:
        if not self.rest:
            return None
        asked = (len(self.rest), self.rest[0][0], self.rest[-1][0])
        if self._median is None or self._median[0] != asked:  # it is asked for several times between two samples
            self._median = asked, median([volts for _, volts in self.rest])
        return self._median[1]

    def feed(self, t_s: float, volts: float | None, amps: float | None, rpm: float | None) -> None:
        if rpm is not None:
            self._rpm = (t_s, rpm)
            self._running = self._running + 1 if rpm >= RUNNING_RPM else 0
            if self._running >= 2 and self.started_s is None:
                self.started_s = t_s
        if amps is not None:
            self._take_amps(t_s, amps)
        if volts is not None:
            self._follow(t_s, volts)
        crank = self.crank
        if crank is None:
            return
        if volts is None and len(crank.volts) and t_s - crank.volts.last(0) > BLIND_S:
            crank.ended_s = crank.volts.last(0)  # what clamp and tachometer read from here on may be of the release
            return
        if volts is not None:
            crank.volts.append(t_s, volts)
            self.least_volts = volts if self.least_volts is None else min(self.least_volts, volts)
        if amps is not None:
            crank.clamp_readings += 1
        if amps is not None and abs(amps) > STEP_AMPS / 5:
            crank.amps.append(t_s, abs(amps))
            crank.borne_out = True
            self.greatest_amps = max(self.greatest_amps or 0.0, abs(amps))
        if rpm is not None and rpm < RUNNING_RPM:
            crank.rpm.append(t_s, rpm)
            crank.borne_out = crank.borne_out or rpm > TURNING_RPM
        self._disown(t_s, crank)

    def _disown(self, t_s: float, crank: Crank) -> None:
        """Volts that fell while the clamp read nothing and nothing turned were no crank: the engine or a charger was just
        stopped, and the battery comes to rest. Its rest begins anew."""
        over = crank.ended_s is not None or t_s - crank.began_s >= BORNE_OUT_S
        if crank.borne_out or crank.clamp_readings < LEAST_READINGS or not over:
            return
        self.cranks.pop()
        self.falls += 1
        if not self.cranks and crank.ended_s is None:
            self.rest.clear()
            self.rest_amps.clear()

    def _take_amps(self, t_s: float, amps: float) -> None:
        self._amps = (t_s, amps)
        if self.crank is not None:
            self.clamp_turned = self.clamp_turned or amps < -STEP_AMPS

    def _follow(self, t_s: float, volts: float) -> None:
        """Rest, step, crank, release: by the volts, borne out by amps or speed or a second reading."""
        rest = self.rest_volts
        crank = self.crank
        if crank is not None:
            self._see_release(t_s, volts, crank)
            return
        amps = self._lately(self._amps, t_s)
        pulls = amps is not None and abs(amps) > STEP_AMPS
        if rest is None and pulls:
            return  # the key was turned before the battery was seen at rest: nothing to compare with
        if rest is None or (volts > rest - STEP_VOLTS and not pulls):
            self.dips += len(self._low)
            self._low.clear()
            self._keep_rest(t_s, volts, amps)
            return
        turns = (self._lately(self._rpm, t_s) or 0.0) > TURNING_RPM
        if not (pulls or turns or self.cranks or len(self.rest) >= LEAST_READINGS):
            self.rest.clear()  # one or two readings are no rest to fall from
            self._keep_rest(t_s, volts, amps)
            return
        self._low.append((t_s, volts))
        if len(self._low) >= 2 or pulls or turns:
            begun = Crank(self._low[0][0], borne_out=pulls or turns)
            for at_s, was in self._low[:-1]:
                begun.volts.append(at_s, was)
            if pulls and amps is not None and self._amps is not None and self._amps[0] < t_s:
                begun.amps.append(self._amps[0], abs(amps))
            self.cranks.append(begun)
            self._low.clear()

    def _keep_rest(self, t_s: float, volts: float, amps: float | None) -> None:
        rest = self.rest_volts
        idle = median(self.rest_amps) if self.rest_amps else 0.0
        coil = (rest is not None and volts < rest - COIL_VOLTS) or (amps is not None and abs(amps - idle) > COIL_AMPS)
        self.coil_seen = self.coil_seen or (coil and len(self.rest) >= 4)
        if self.cranks or (coil and len(self.rest) >= 4):
            return  # a battery that was just cranked, or feeds a coil, is not at rest
        self.rest.append((t_s, volts))
        if amps is not None:
            self.rest_amps.append(amps)
        while self.rest[0][0] < t_s - REST_S:
            self.rest.popleft()

    def _see_release(self, t_s: float, volts: float, crank: Crank) -> None:
        rest = self.rest_volts
        assert rest is not None
        held = crank.volts.column(1)
        drop = rest - (median(held) if len(held) else volts)
        amps = self._lately(self._amps, t_s)
        # Amps tell only once they have been seen in this crank: a clamp may be late, or not around the cable.
        by_amps = amps is not None and len(crank.amps) > 0
        let_go = abs(amps or 0.0) < STEP_AMPS / 2 if by_amps else rest - volts < RELEASED_PART * drop
        if let_go or self.started_s is not None:
            crank.ended_s = t_s
            self._low.clear()

    @staticmethod
    def _lately(found: tuple[float, float] | None, t_s: float) -> float | None:
        """A reading that is of now, not of a second ago."""
        return found[1] if found is not None and t_s - found[0] < 1.0 else None

    def used_s(self, now_s: float) -> float:
        """Seconds that the starter has turned since it last had its rest."""
        used, before = 0.0, None
        for crank in self.cranks:
            if before is not None and crank.began_s - before >= self.rest_s:
                used = 0.0
            used += crank.seconds(now_s)
            before = crank.ended_s
        return 0.0 if before is not None and now_s - before >= self.rest_s else used

    def rest_left_s(self, now_s: float) -> float:
        """How long the starter must still rest before it may be used again; 0 while it has time left."""
        if not self.cranks or self.cranks[-1].ended_s is None or self.used_s(now_s) < 0.5 * self.max_crank_s:
            return 0.0
        return max(self.rest_s - (now_s - self.cranks[-1].ended_s), 0.0)


@dataclass(frozen=True, slots=True)
class Cranked:
    """One crank's figures. `ohms` is the battery's inner resistance, with whatever lies between the clips."""

    rest: Amount
    volts: Amount
    drop: Amount
    amps: Amount | None
    rpm: Amount | None
    ohms: Amount | None
    seconds: float
    borne_out: bool  # clamp or tachometer saw it too
    steady: bool  # its speed is one that was kept; else it proves nothing slow


def cranked(crank: Crank, starter: Starter, facts: dict[str, ChannelFacts], now_s: float) -> Cranked | None:
    """What a crank came to; None while there is too little of it."""
    if not crank.judgeable or not starter.rest:
        return None
    rest = average(facts["battery_volts"], [volts for _, volts in starter.rest], "V", drifts=True)
    held = crank.settled(crank.volts)[1]
    volts = average(facts["battery_volts"], without_ends(held, abs(rest.value - median(held))), "V", drifts=True)
    drop = difference(facts["battery_volts"], rest, volts)
    speeds = crank.settled(crank.rpm)[1]
    pulled, turned = (without_ends(x, median(x)) for x in (crank.settled(crank.amps)[1], speeds))
    amps = average(facts["crank_amps"], pulled, "A", drifts=True) if len(pulled) >= LEAST_READINGS else None
    rpm = average(facts["engine_rpm"], turned, "rpm", drifts=True) if len(turned) >= LEAST_READINGS else None
    ohms = _ohms(crank, rest, drop, amps, facts) if amps is not None and amps.value > STEP_AMPS / 2 else None
    return Cranked(rest, volts, drop, amps, rpm, ohms, crank.seconds(now_s), crank.borne_out, is_steady(speeds))


def without_ends(x: Array, size: float) -> Array:
    """The readings without those at either end that are on their way: off the median by more than a part of `size`. A meter
    that is late, or averages, has the gulp or the release in them."""
    if len(x) <= LEAST_READINGS:
        return x
    near = np.flatnonzero(np.abs(x - median(x)) <= ON_THE_WAY * size)
    if len(near) < LEAST_READINGS:
        return x
    return x[near[0] : near[-1] + 1]


def is_steady(speeds: Array) -> bool:
    """Whether most readings lie about one speed. Readings that come late, or in clumps from a computer that was busy, have
    run-up and release among them, and a few of those make a slow crank of a good one."""
    near = np.abs(speeds - median(speeds)) <= ON_THE_WAY * median(speeds)
    return bool(near.sum() >= max(LEAST_READINGS, STEADY_PART * len(speeds)))


def _ohms(crank: Crank, rest: Amount, drop: Amount, amps: Amount, facts: dict[str, ChannelFacts]) -> Amount:
    """Inner resistance: the drop over the amps, each reading of volts with the amps read at that time."""
    plain = ratio(drop, amps, "ohm")
    t, v = crank.settled(crank.volts)
    at = np.interp(t, crank.amps.column(0), crank.amps.column(1))
    of_volts, of_amps = (resolution_of(facts[name]) or 0.0 for name in ("battery_volts", "crank_amps"))
    return paired(plain, (rest.value - v) / at, (of_volts / amps.value, of_amps * plain.value / amps.value))
