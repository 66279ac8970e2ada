"""What a regulator run has seen so far: rest volts, paired volts and amps at full throttle, charge, output, glitches."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from benchd.core.accuracy import assumed_model, uncertainty
from benchd.core.budget import combine
from benchd.core.procedures.standstill import Standstill
from benchd.core.procedures.throttle import Throttle
from benchd.core.samples import Sample, Value
from benchd.core.series import deviation, effective_size, median
from benchd.core.specs import ChannelModel, MachineSpec, Metrology
from benchd.core.track import Array, Track

SECONDS, AH, VOLTS, AMPS = range(4)  # columns of the track: seconds, ampere-hours, volts, amps
PAIR_S = 1.3  # volts and amps further apart than this do not belong together (trap 15)
STEP_MAX_S = 6.0  # charge is not counted across longer holes than this (or three usual steps)
REST_S = 30.0


@dataclass
class ChannelFacts:
    """Resolution and accuracy of one channel: the bench's statement, or an assumption from the digits seen."""

    channel: str
    stated: ChannelModel | None
    resolution: float = 0.0
    _assumed: ChannelModel | None = None
    _assumed_for: float = 0.0
    _asked: tuple[tuple[float, float | None, float], float | None] | None = None

    def see(self, value: Value) -> None:
        """The finest digits seen are the display's resolution (trailing zeros get lost in recordings)."""
        if value.resolution and (self.resolution == 0.0 or value.resolution < self.resolution):
            self.resolution = value.resolution

    @property
    def model(self) -> ChannelModel:
        if self.stated is not None:
            return self.stated
        if self._assumed is None or self._assumed_for != self.resolution:
            self._assumed = assumed_model(self.channel, self.resolution or None)
            self._assumed_for = self.resolution
        return self._assumed

    def u(self, value: float, hertz: float | None = None) -> float | None:
        """Standard uncertainty of one reading from statement, digits, shunt or clamp; None if nothing is stated."""
        asked = (value, hertz, self.resolution)
        if self._asked is None or self._asked[0] != asked:  # one level is asked about several times
            parts = uncertainty(self.model, value, resolution=self.resolution or None, hertz=hertz)
            self._asked = asked, combine(parts)[0] if parts else None
        return self._asked[1]


@dataclass(frozen=True, slots=True)
class Level:
    """Mean of the last seconds: value, standard uncertainty of the mean (scatter and half digit), readings."""

    value: float
    u: float
    n: int


@dataclass
class Charging:
    """The growing picture of one regulator run; asked by the judge, decides nothing."""

    spec: MachineSpec
    metrology: Metrology
    throttle: Throttle
    track: Track = field(default_factory=lambda: Track(4))
    rest_volts: float | None = None
    celsius: float | None = None
    ampere_hours: float = 0.0
    peak_amps: float = 0.0  # greatest sustained amps with the engine running
    amps_alive: bool = False
    over_since_s: float | None = None
    over_count: int = 0
    over_peak: float = 0.0
    glitches: int = 0
    samples: int = 0
    first_s: float | None = None
    now_s: float = 0.0
    full_now: bool = False

    def __post_init__(self) -> None:
        self.volts = ChannelFacts("battery_volts", self.metrology.channels.get("battery_volts"))
        self.amps = ChannelFacts("charge_amps", self.metrology.channels.get("charge_amps"))
        self._rest: deque[tuple[float, float]] = deque()
        self._output: deque[float] = deque(maxlen=3)
        self._pending: dict[str, tuple[float, float]] = {}
        self._last_amps: tuple[float, float] | None = None
        self._steps: deque[float] = deque(maxlen=15)
        self._rpm_at_s = -math.inf
        self.negative_row = 0
        self.volts_still, self.amps_still = Standstill(), Standstill()
        self._levels: dict[tuple[int, float], Level | None] = {}

    # --- taking in -------------------------------------------------------------------------------------------

    def feed(self, sample: Sample) -> bool:
        """Take a sample; whether a new pair of volts and amps at full throttle was added."""
        self.samples += 1
        self._levels.clear()
        t_s = self.now_s = sample.t_s
        if self.first_s is None:
            self.first_s = t_s
        rpm = sample.number("engine_rpm")
        if rpm is not None:
            self.full_now = self.throttle.feed(t_s, rpm)
            self._rpm_at_s = t_s
        found = sample.number("battery_celsius")
        if found is not None:
            self.celsius = found
        volts, amps = self._seen(sample, self.volts), self._seen(sample, self.amps)
        if volts is not None:
            self.volts_still.feed(t_s, volts)
            self._take_volts(t_s, volts, amps)
        if amps is not None:
            self.amps_still.feed(t_s, amps)
            self._take_amps(t_s, amps)
        return self._pair(t_s, volts, amps)

    def _seen(self, sample: Sample, facts: ChannelFacts) -> float | None:
        value = sample.values.get(facts.channel)
        if value is None or value.value is None:
            return None
        facts.see(value)
        return value.value

    def _take_volts(self, t_s: float, volts: float, amps: float | None) -> None:
        self.negative_row = self.negative_row + 1 if volts < -1.0 else 0
        if self.throttle.engine_stands and (amps is None or abs(amps) < 3.0):
            self._rest.append((t_s, volts))
            while self._rest[0][0] < t_s - REST_S:
                self._rest.popleft()
            self.rest_volts = median([one for _, one in self._rest])
        self._watch_ceiling(t_s, volts)

    def _watch_ceiling(self, t_s: float, volts: float) -> None:
        regulator = self.spec.regulator
        assert regulator is not None
        if volts > regulator.ceiling_volts and not self.throttle.engine_stands:
            if self.over_since_s is None:
                self.over_since_s = t_s
            self.over_count += 1
            self.over_peak = max(self.over_peak, volts)
        elif self.over_since_s is not None:
            self.glitches += self.over_count
            self.over_since_s, self.over_count = None, 0

    @property
    def ceiling_confirmed(self) -> bool:
        """Two readings in a row at least 0.4 s apart, three if they come faster: one glitch is no crossing."""
        if self.over_since_s is None:
            return False
        for_s = self.now_s - self.over_since_s
        return self.over_count >= 2 and (for_s >= 0.8 or (for_s >= 0.4 and self.over_count >= 3))

    def _take_amps(self, t_s: float, amps: float) -> None:
        if abs(amps) > 3 * max(self.amps.resolution, 0.01):
            self.amps_alive = True
        if self._last_amps is not None:
            before_s, before = self._last_amps
            step = t_s - before_s
            usual = median(self._steps) if self._steps else step
            if 0 < step <= max(STEP_MAX_S, 3 * usual):
                self.ampere_hours += (amps + before) / 2 * step / 3600.0
            self._steps.append(step)
        self._last_amps = (t_s, amps)
        if self.throttle.running_since_s is not None:
            self._take_output(amps)

    def _take_output(self, amps: float) -> None:
        """Sustained output: two readings in a row, or one that the next two bear out (strong alternator, small
        battery: rated amps last a second). A lone spike counts for nothing."""
        self._output.append(amps)
        kept = list(self._output)
        if len(kept) >= 2:
            self.peak_amps = max(self.peak_amps, min(kept[-2:]))
        if len(kept) == 3 and min(kept[1], kept[2]) >= 0.75 * kept[0]:
            self.peak_amps = max(self.peak_amps, kept[0])

    def _pair(self, t_s: float, volts: float | None, amps: float | None) -> bool:
        if volts is not None:
            self._pending["v"] = (t_s, volts)
        if amps is not None:
            self._pending["i"] = (t_s, amps)
        if len(self._pending) < 2 or (volts is None and amps is None):
            return False
        (tv, v), (ti, i) = self._pending["v"], self._pending["i"]
        if abs(tv - ti) > PAIR_S:
            return False
        self._pending.clear()
        if not self.full_now or t_s - self._rpm_at_s > 5.0:
            return False
        self.track.append(t_s, self.ampere_hours, v, i)
        return True

    # --- being asked ------------------------------------------------------------------------------------------

    @property
    def measuring_s(self) -> float:
        """Seconds since full throttle; 0 before."""
        since = self.throttle.full_since_s
        return 0.0 if since is None else self.now_s - since

    def window(self, seconds: float) -> tuple[Array, Array, Array, Array]:
        """(t, q, v, i) of the last `seconds`."""
        start = self.track.since(self.now_s - seconds)
        return tuple(self.track.column(one, start) for one in (SECONDS, AH, VOLTS, AMPS))  # type: ignore[return-value]

    def level(self, column: int, seconds: float) -> Level | None:
        """Mean of the last seconds of VOLTS or AMPS; None with fewer than three readings."""
        key = (column, seconds)
        if key not in self._levels:
            self._levels[key] = self._level(column, seconds)
        return self._levels[key]

    def _level(self, column: int, seconds: float) -> Level | None:
        start = self.track.since(self.now_s - seconds)
        x = self.track.column(column, start)
        if len(x) < 3:
            return None
        facts = self.volts if column == VOLTS else self.amps
        scatter = deviation(x) / math.sqrt(effective_size(x))
        return Level(float(x.mean()), math.hypot(scatter, facts.resolution * 0.2887), len(x))

    @property
    def c_rate(self) -> float | None:
        """Amps over ampere-hours of capacity, if the spec names the battery."""
        level = self.level(AMPS, 10.0)
        if self.spec.battery is None or level is None:
            return None
        return level.value / self.spec.battery.amp_hours
