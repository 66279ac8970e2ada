"""One characteristic being measured: its conditions, its readings, and its result once that is certain."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from benchd.core.lots.modes import mode_of
from benchd.core.procedures import unit_words
from benchd.core.procedures.averaged import Amount, average
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.procedures.unit_amounts import (
    EARLY,
    LEAST,
    Ramp,
    Result,
    apart,
    call,
    hunts,
    inside,
    level,
    pulled_down,
    tolerance,
    with_wave,
)
from benchd.core.procedures.unit_held import Held, Needs, Row, zero_amps
from benchd.core.readings import CURES, NOT_A_MEASUREMENT, Flag
from benchd.core.specs import Characteristic, Measures, PartSpec

NO_OUTPUT_S = 6.0  # at speed with no amps and no more than the battery's own volts
OVER_REST_VOLTS = 0.2
USUAL_REST_VOLTS = 12.9  # where the battery's rest was not seen
SAG_VOLTS = 0.4  # below its set-point, with too few amps: it gives all it has
SAG_S = 8.0
FIRST_S = 3.0  # of a warm-up: its first and its last seconds
RETRIES = 2  # of a ramp that was too fast
GLANCE_S = 3.0  # of readings, as a rule, until it is certain
CHANGE_S = 4.0  # for a change of speed or load, as a rule

CHANNELS: Mapping[
    Measures, tuple[str, str, float]
] = {  # channel, its name in a Row, factor to the characteristic's unit
    Measures.LEAKAGE: ("draw_amps", "draw", 1000.0),
    Measures.SET_POINT: ("battery_volts", "volts", 1.0),
    Measures.RIPPLE: ("ripple_volts", "ripple", 1000.0),
}
NEED_OUTPUT = frozenset({Measures.SET_POINT, Measures.RIPPLE, Measures.WARM_UP, Measures.GREATEST_OUTPUT})
_LOOK_BACK = frozenset({Measures.SET_POINT, Measures.RIPPLE, Measures.WARM_UP})


class Step:
    """Fed with rows; `result()` is asked at every look. `before`: what came of the characteristics before it."""

    def __init__(
        self,
        one: Characteristic,
        part: PartSpec,
        facts: Mapping[str, ChannelFacts],
        before: Mapping[str, Result],
        rows: Sequence[Row],
        rest_volts: float | None,
        now_s: float,
        wait_s: float,
    ) -> None:
        self.one, self.part, self.facts, self.before = one, part, facts, before
        self.started_s = self.now_s = now_s
        self.wait_s = wait_s
        self.newest = rows[-1] if rows else None
        self.way: list[Row] = []
        self.retries = 0
        self.flags: frozenset[Flag] = frozenset()  # of the channel that it reads
        looked_back = rows if one.measures in _LOOK_BACK else rows[-1:]
        self.held = Held(_needs(one, before), looked_back)
        self.ramp = Ramp(one) if one.measures is Measures.FIRST_OUTPUT else None
        top = (USUAL_REST_VOLTS if rest_volts is None else rest_volts) + OVER_REST_VOLTS
        nothing = Needs(one.rpm, (-math.inf, zero_amps(part)), (-math.inf, top))
        self.dead = Held(nothing, looked_back)
        points = _points(before)
        weak = bool(points) and one.measures in _LOOK_BACK and one.amps is not None
        few = (zero_amps(part), one.amps[0]) if weak and one.amps is not None else None
        self.sag = Held(Needs(one.rpm, few, (-math.inf, min(points) - SAG_VOLTS)), rows[-1:]) if weak else None
        if self.ramp is not None:
            for row in rows:
                self.ramp.feed(row)

    def feed(self, row: Row, flags: frozenset[Flag]) -> None:
        self.newest, self.now_s, self.flags = row, row.t_s, flags
        self.held.feed(row)
        self.dead.feed(row)
        if self.sag is not None:
            self.sag.feed(row)
        if self.ramp is not None:
            self.ramp.feed(row)
        if self.held.needs.rpm is None or not Needs(self.held.needs.rpm).missing(row):
            self.way.append(row)

    @property
    def channel(self) -> str:
        return CHANNELS.get(self.one.measures, ("battery_volts", "", 1.0))[0]

    @property
    def waits(self) -> bool:
        """Whether speed or load are not there yet."""
        if self.ramp is not None:
            return self.ramp.found is None
        return self.held.since_s is None and self.one.measures is not Measures.LOAD_REGULATION

    def left_s(self) -> float:
        """Seconds that it may still take, as a rule."""
        one = self.one
        usual = usual_s(one)
        if self.held.since_s is None or self.ramp is not None:
            return usual
        return max(0.5, one.settle_s + GLANCE_S + (one.over_s or 0.0) - (self.now_s - self.held.since_s))

    def result(self, *, last: bool = False) -> Result | None:
        last = last or self.now_s - self.started_s >= self.one.longest_s
        if self._no_output():
            return self._named(
                "fail", "No output: no amps, and no more than the battery's own volts.", mode="no-output"
            )
        if self.sag is not None and self.sag.since_s is not None and self.now_s - self.sag.since_s >= SAG_S:
            says = f"Not measured: it gives all it has. {self._there('load').capitalize()}."
            return self._named("void", says, cause="load")
        measures = self.one.measures
        if self.ramp is not None:
            return self._first_output(self.ramp, last)
        if measures is Measures.LOAD_REGULATION:
            return self._load_regulation()
        if measures is Measures.CEILING:
            return self._ceiling(last)
        if measures is Measures.WARM_UP:
            return self._warm_up(last)
        return self._steady(last)

    def _no_output(self) -> bool:
        since_s = self.dead.since_s
        return self.one.measures in NEED_OUTPUT and since_s is not None and self.now_s - since_s >= NO_OUTPUT_S

    # --- each kind ------------------------------------------------------------------------------------------------------

    def _steady(self, last: bool) -> Result | None:
        """Set-point, ripple, leakage, greatest output: a level that stands."""
        one, rows = self.one, self.held.after(self.one.settle_s)
        if one.measures is Measures.GREATEST_OUTPUT:
            volts, amps = self.facts["battery_volts"], self.facts["charge_amps"]
            amount, still = pulled_down(volts, amps, rows, self.way, one, self.part)
        else:
            channel, name, factor = CHANNELS[one.measures]
            amount, still = level(self.facts[channel], rows, name, factor, one.unit, tolerance(one))
            if amount is not None and one.measures is Measures.LEAKAGE:
                amount = Amount(abs(amount.value), amount.unit, amount.parts, amount.n)
            if amount is not None and one.measures is Measures.RIPPLE:
                amount = with_wave(self.facts[channel], amount)
        if amount is None:
            return self._silent(rows) or (self._unmet() if last else None)
        why = "it never stood still"
        if one.measures is Measures.RIPPLE and hunts(rows):
            still, why = False, "the drive hunts"
        if not still:
            return self._moving(amount, rows, why) if last else None
        outcome = call(one, amount, self.part, last=last)
        return None if outcome is None else self._called(outcome, amount, rows)

    def _moving(self, amount: Amount, rows: Sequence[Row], why: str) -> Result:
        p = amount.within(self.one.low, self.one.high)
        surely = not inside(self.one, amount.value) and p <= self.part.risk / EARLY
        return self._called("fail" if surely else "undecided", amount, rows, f" {why[0].upper()}{why[1:]}.")

    def _silent(self, rows: Sequence[Row]) -> Result | None:
        """Speed and load are there, and the meter that is needed says nothing."""
        if not rows or rows[-1].t_s - rows[0].t_s < self.wait_s:
            return None
        shown = sorted(str(flag) for flag in self.flags & NOT_A_MEASUREMENT)
        lines = self.facts[self.channel].model.lines
        reach = max((line.up_to or math.inf for line in lines), default=0.0) * abs(self.facts[self.channel].model.ratio)
        factor = CHANNELS.get(self.one.measures, ("", "", 1.0))[2]
        high = self.one.high
        if Flag.OVERLOAD in self.flags and high is not None and math.isfinite(reach) and reach * factor > high:
            says = f"Over the meter's range of {reach * factor:g} {self.one.unit}, the limit is {high:g}."
            return self._named("fail", says, mode=mode_of(self.one.measures, above=True))
        cures = "; ".join(CURES[flag] for flag in sorted(self.flags & NOT_A_MEASUREMENT))
        told = f": the meter shows {' and '.join(shown)} ({cures})" if shown else ""
        return self._named("void", f"Not measured: {self.channel} was not read{told}.", cause=self.channel)

    def _first_output(self, ramp: Ramp, last: bool) -> Result | None:
        assert self.one.rpm is not None
        nothing = ramp.top_since_s is not None and self.dead.since_s is not None
        if nothing and self.now_s - max(ramp.top_since_s or 0.0, self.dead.since_s or 0.0) >= self.one.settle_s:
            return self._named("fail", f"No output up to {self.one.rpm[1]:g} rpm.", mode="starts-late")
        amount = ramp.amount(self.facts["engine_rpm"])
        if amount is None:
            if not last:
                return None
            told = "it charged already when it was first seen" if ramp.from_above else self._there("speed")
            return self._named("void", f"Not measured: {told}.", cause="load" if ramp.top_since_s else "speed")
        outcome = call(self.one, amount, self.part, last=True)
        if (
            outcome != "pass"
            and ramp.too_fast(amount)
            and self._too_wide(amount)
            and self.retries < RETRIES
            and not last
        ):
            self.retries, self.ramp = self.retries + 1, Ramp(self.one)
            return None
        return self._called(outcome or "undecided", amount, ())

    def _too_wide(self, amount: Amount) -> bool:
        """Whether the limit lies where the ramp was too fast to see."""
        return self.part.risk / EARLY < amount.within(self.one.low, self.one.high) < 1 - self.part.risk / EARLY

    def _load_regulation(self) -> Result:
        light, rated = (self.before.get(id) for id in self.one.between or ("", ""))
        if light is None or rated is None or light.amount is None or rated.amount is None:
            skipped = any(one is not None and one.outcome == "skipped" for one in (light, rated))
            says = "Not measured: a set-point that it needs was not."
            return self._named("skipped" if skipped else "void", says)
        amount = apart(self.facts["battery_volts"], light.amount, rated.amount)
        found = self._called(call(self.one, amount, self.part, last=True) or "undecided", amount, ())
        return Result(found.one, found.outcome, found.says, found.t_s, amount, found.mode, rated.load)

    def _warm_up(self, last: bool) -> Result | None:
        assert self.one.over_s is not None
        rows = [row for row in self.held.after(self.one.settle_s) if row.volts is not None]
        if len(rows) < 2 * LEAST or rows[-1].t_s - rows[0].t_s < self.one.over_s:
            return self._unmet() if last else None
        first = [row for row in rows if row.t_s <= rows[0].t_s + FIRST_S]
        end = [row for row in rows if row.t_s >= rows[-1].t_s - FIRST_S]
        first, end = max(first, rows[:LEAST], key=len), max(end, rows[-LEAST:], key=len)
        facts = self.facts["battery_volts"]
        start, now = (
            average(facts, [row.volts for row in part if row.volts is not None], "V") for part in (first, end)
        )
        amount = apart(facts, now, start)
        told = ""
        heat = [row.celsius for row in rows if row.celsius is not None]
        if len(heat) >= 2:
            told = f" Its case went from {heat[0]:.0f} to {heat[-1]:.0f} degC."
        return self._called(call(self.one, amount, self.part, last=True) or "undecided", amount, rows, told)

    def _ceiling(self, last: bool) -> Result | None:
        """Its place in the order is over; its value comes from the whole test, at the end."""
        anyhow = self.one.rpm is None and self.one.amps is None
        if anyhow or self.held.after(self.one.settle_s):
            return self._named("pass", "")
        return self._unmet() if last else None

    # --- results --------------------------------------------------------------------------------------------------------

    def _called(self, outcome: str, amount: Amount, rows: Sequence[Row], told: str = "") -> Result:
        load = [row.amps for row in rows if row.amps is not None]
        return called(self.one, outcome, amount, self.now_s, sum(load) / len(load) if load else None, told)

    def _named(self, outcome: str, says: str, mode: str = "", cause: str = "") -> Result:
        return Result(self.one, outcome, says, self.now_s, None, mode, None, cause)

    def _unmet(self) -> Result:
        what = self.held.missing
        if not what:  # they came too late, or not for long enough
            says = "Not measured: speed and load did not hold for long enough."
            return self._named("void", says, cause="speed" if self.one.amps is None else "load")
        return self._named("void", f"Not measured: {self._there(what)}.", cause=what)

    def _there(self, what: str) -> str:
        return unit_words.unmet(self.one, what, self.newest, self.part)

    def unmet(self) -> str:
        """What is waited for, '' where it is there."""
        if self.ramp is not None:
            return self._there("speed") if self.ramp.found is None else ""
        return self._there(self.held.missing) if self.held.missing else ""


def called(
    one: Characteristic, outcome: str, amount: Amount, t_s: float, load: float | None = None, told: str = ""
) -> Result:
    """A result with its sentence."""
    digits = {"rpm": 0, "mV": 0, "mA": 2, "A": 2, "V": 3}[one.unit]
    low, high = one.low, one.high
    limits = (
        f"{low:g} to {high:g}" if low is not None and high is not None else f"at most {high:g}" if low is None else f"at least {low:g}"
    )  # fmt: skip
    word = {"undecided": "too close to call", "pass": "inside", "fail": "outside"}[outcome]
    if outcome == "fail" and inside(one, amount.value):
        word = "not surely inside"
    mode = mode_of(one.measures, above=high is not None and amount.value > high) if outcome == "fail" else ""
    says = f"{amount.text(digits)}, limits {limits} {one.unit}: {word}.{told}"
    return Result(one, outcome, says, t_s, amount, mode, load)


def usual_s(one: Characteristic) -> float:
    """Seconds that a characteristic takes as a rule, the operator's part included."""
    if one.measures is Measures.LOAD_REGULATION or (one.measures is Measures.CEILING and one.rpm is None):
        return 0.0
    ramp = 10.0 if one.measures is Measures.FIRST_OUTPUT else 0.0
    return CHANGE_S + one.settle_s + GLANCE_S + ramp + (one.over_s or 0.0)


def _needs(one: Characteristic, before: Mapping[str, Result]) -> Needs:
    """A unit with a low set-point is near the volts of its greatest output without being pulled down: it must be below its
    own set-point."""
    found = Needs.of(one)
    points = _points(before)
    if one.measures is not Measures.GREATEST_OUTPUT or found.volts is None or one.at_volts is None or not points:
        return found
    top = max(one.at_volts - 0.1, min(found.volts[1], min(points) - 0.15))
    return Needs(found.rpm, found.amps, (found.volts[0], top))


def _points(before: Mapping[str, Result]) -> list[float]:
    """Set-points that are known."""
    return [r.amount.value for r in before.values() if r.one.measures is Measures.SET_POINT and r.amount is not None]
