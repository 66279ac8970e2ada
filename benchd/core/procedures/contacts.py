"""The single steps of a continuity test: what is measured, what is expected there, and what a reading means.

Limits where the manual is silent (common practice, no source): a closed contact has at most 1 ohm above the leads; open
means at least 1 megohm or the meter's overload; under 20 kilohm a stator lead is grounded, an open switch bridged. In
between it may be dirt or moisture: undecided.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, field

from benchd.core.procedures.averaged import Amount, average
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.series import median
from benchd.core.specs import MachineSpec, StatorSpec

CLOSED_OHMS = 1.0
OPEN_OHMS = 1e6
LEAKS_OHMS = 20e3
OPEN_WINDING = 10.0  # times the most that the manual allows: no turns are left
OPEN_WINDING_OHMS = 50.0  # the same without a manual's figure: no flywheel stator has so much
TELLABLE_OHMS = 1.0  # below it an ordinary ohmmeter cannot tell good from shorted
LEADS_OHMS = (0.0, 1.0)  # of the meter's own leads; more is a bad lead or contact
ASSUMED_LEADS, ASSUMED_LEADS_HALF = 0.3, 0.2  # 0.1 to 0.5 ohm, where they were not measured
LEAST_READINGS = 3
LEAST_S = 1.0
OPEN_S = 3.0  # of overload before it is open: a meter that looks for its range shows overload first
POWERED_OHMS = -0.5  # below: a voltage on the circuit drives the meter backwards
UNASKED_S = 3.0  # a closed contact that nobody said 'done' to: longer than tips that touch by chance
STEADY_PART = 0.1  # of the reading, or a few digits


@dataclass(slots=True)
class Step:
    """One thing to clip on to. `expect` is 'leads', 'closed', 'open' or 'winding'; `part` 'meter', 'breaker', 'switch',
    'stator-ground' or 'stator'. `ohms` holds its readings, inf for the meter's overload."""

    id: str
    part: str
    expect: str
    where: str
    ask: str
    readings: list[tuple[float, float]] = field(default_factory=list)
    skipped: bool = False

    @property
    def span_s(self) -> float:
        """Seconds over which this step was read."""
        return self.readings[-1][0] - self.readings[0][0] if self.readings else 0.0

    @property
    def powered(self) -> bool:
        """Whether its newest readings are below zero, which no resistance is."""
        return len(self.readings) >= 2 and all(ohms < POWERED_OHMS for _, ohms in self.readings[-2:])

    def steady(self) -> list[float] | None:
        """The newest readings, if they stand for long enough to be believed; open ones are inf."""
        if len(self.readings) < LEAST_READINGS:
            return None
        last_s, last = self.readings[-1]
        first = min(len(self.readings) - LEAST_READINGS, bisect_left(self.readings, (last_s - LEAST_S,)))
        if math.isinf(last):
            first = min(first, max(bisect_left(self.readings, (last_s - OPEN_S,)) - 1, 0))
        kept = [ohms for _, ohms in self.readings[first:]]
        if last_s - self.readings[first][0] < 0.9 * (OPEN_S if math.isinf(last) else LEAST_S):
            return None
        if math.isinf(last):
            return kept if all(math.isinf(one) for one in kept) else None
        if any(math.isinf(one) for one in kept):
            return None
        room = max(STEADY_PART * abs(median(kept)), 0.3)
        return kept if max(kept) - min(kept) <= room else None


def steps_of(spec: MachineSpec) -> list[Step]:
    """All steps that this machine's file gives reason for, in their order."""
    found = [
        Step(
            "leads", "meter", "leads", "the meter's leads", "Hold the meter's two tips together: this zeroes its leads."
        )
    ]
    wiring, stator = spec.wiring, spec.stator
    rating = f" ({wiring.breaker_amps:g} A)" if wiring and wiring.breaker_amps else ""
    found.append(
        Step(
            "breaker",
            "breaker",
            "closed",
            f"Breaker{rating}",
            f"Across the breaker or fuse{rating}, both wires off it.",
        )
    )
    if wiring is not None:
        found += _switch_steps(wiring.switch)
    if stator is not None:
        found += _stator_steps(stator)
    return found


def _switch_steps(positions: Mapping[str, tuple[str, ...]]) -> list[Step]:
    pairs = list(dict.fromkeys(pair for joined in positions.values() for pair in joined))
    found = []
    for position, joined in positions.items():
        for number, pair in enumerate(pairs, start=1):
            expect = "closed" if pair in joined else "open"
            where = f"Switch at {position}, {pair}"
            ask = f"Key switch unplugged, at {position}: {pair} ({'joined' if expect == 'closed' else 'apart'} by the manual)."
            found.append(Step(f"switch:{position}:{number}", "switch", expect, where, ask))
    return found


def _stator_steps(stator: StatorSpec) -> list[Step]:
    leads = list(dict.fromkeys(lead.strip() for pair in stator.lead_pairs for lead in pair.split(" - ")))
    found = [
        Step(f"stator-ground:{number}", "stator-ground", "open", f"{lead} to ground",
             f"Stator unplugged from the regulator: {lead} to bare metal of the engine block.")
        for number, lead in enumerate(leads, start=1)
    ]  # fmt: skip
    found += [
        Step(f"stator-pair:{number}", "stator", "winding", pair, f"Stator unplugged: {pair}, across the winding.")
        for number, pair in enumerate(stator.lead_pairs, start=1)
    ]
    return found


@dataclass(frozen=True, slots=True)
class Contact:
    """What one step came to: 'good', 'bad' or 'unclear', in a sentence. `ohms` None = open (the meter's overload)."""

    step: Step
    call: str
    text: str
    ohms: Amount | None
    slug: str = ""


@dataclass(frozen=True, slots=True)
class Bounds:
    """What the machine's manual says of ohms, and the resistance of the meter's own leads."""

    spec: MachineSpec
    leads: Amount
    facts: ChannelFacts

    def contact(self, step: Step) -> Contact | None:
        """What a step's steady readings mean; None while they are not steady."""
        kept = step.steady()
        if kept is None:
            return None
        if math.isinf(kept[-1]):
            return self._open(step)
        read = average(self.facts, kept, "ohm")
        if step.expect == "leads":
            return self._leads_step(step, read)
        if step.expect == "open":
            return self._open_step(step, read)
        return (self._closed_step if step.expect == "closed" else self._winding_step)(step, self._net(read))

    def _net(self, read: Amount) -> Amount:
        return Amount(read.value - self.leads.value, "ohm", (*read.parts, *self.leads.parts), read.n)

    def _open(self, step: Step) -> Contact:
        text = f"{step.where}: open (the meter shows overload)"
        if step.expect == "open":
            return Contact(step, "good", f"{text}, as it must be.", None)
        if step.expect == "leads":
            return Contact(step, "bad", f"{text}: a broken lead, or the tips do not touch.", None)
        slug = {"breaker": "breaker-open", "switch": "switch-bad", "stator": "stator-open"}[step.part]
        return Contact(
            step, "bad", f"{text}; it must be {'closed' if step.part != 'stator' else 'joined'}.", None, slug
        )

    def _leads_step(self, step: Step, read: Amount) -> Contact:
        good = LEADS_OHMS[0] - 0.2 <= read.value <= LEADS_OHMS[1]
        why = "" if good else ": more than 1 ohm is a bad lead or a dirty tip, below 0 the meter is set to relative"
        return Contact(step, "good" if good else "bad", f"The meter's own leads: {read.text(2)}{why}.", read)

    def _closed_step(self, step: Step, net: Amount) -> Contact:
        if net.within(None, CLOSED_OHMS) >= 0.5:
            return Contact(step, "good", f"{step.where}: {net.text(2)}, closed.", net)
        slug = "breaker-open" if step.part == "breaker" else "switch-bad"
        return Contact(
            step,
            "bad",
            f"{step.where}: {ohms_text(net)}, at most {CLOSED_OHMS:g} ohm is asked: a burnt or dirty contact.",
            net,
            slug,
        )

    def _open_step(self, step: Step, read: Amount) -> Contact:
        stator = self.spec.stator
        least = stator.min_ground_ohms if step.part == "stator-ground" and stator is not None else None
        slug = "stator-grounded" if step.part == "stator-ground" else "switch-bad"
        if least is not None:
            good = read.within(least, None)
            asked = f"at least {least:g} ohm is asked ({self.spec.manual})"
            call = "good" if good >= 0.95 else "bad" if good <= 0.05 else "unclear"
        else:
            asked = "open is asked (the meter's overload, or a megohm and more)"
            call = "good" if read.value >= OPEN_OHMS else "bad" if read.value < LEAKS_OHMS else "unclear"
        what = {"good": "", "bad": ": grounded" if slug == "stator-grounded" else ": bridged"}.get(
            call, ": too close to call" if least is not None else ": perhaps dirt or moisture, dry and clean it"
        )
        return Contact(
            step, call, f"{step.where}: {ohms_text(read)}; {asked}{what}.", read, slug if call != "good" else ""
        )

    def _winding_step(self, step: Step, net: Amount) -> Contact:
        stator = self.spec.stator
        limits = stator.lead_ohms if stator is not None else None
        if net.value > (OPEN_WINDING_OHMS if limits is None else OPEN_WINDING * limits[1]):
            asked = "" if limits is None else f", {limits[0]:g} to {limits[1]:g} ohm is asked"
            return Contact(step, "bad", f"{step.where}: {ohms_text(net)}{asked}: open.", net, "stator-open")
        if limits is None:
            return Contact(step, "good", f"{step.where}: {net.text(2)}, joined; the machine file names no limits.", net)
        asked = f"{limits[0]:g} to {limits[1]:g} ohm is asked ({self.spec.manual})"
        # Inside as far as the meter can tell: two expanded uncertainties of the nearest limit.
        low, high = limits[0] - 2 * net.u, limits[1] + 2 * net.u
        if low <= net.value <= high:
            blind = net.u > (limits[1] - limits[0]) / 4 or limits[0] < TELLABLE_OHMS
            also = (
                "; so low an ordinary ohmmeter cannot tell a good winding from a shorted one, the stator run does"
                if blind
                else ""
            )
            return Contact(step, "good", f"{step.where}: {net.text(2)}, {asked}{also}.", net)
        if limits[0] < TELLABLE_OHMS:
            why = "below about 1 ohm an ordinary ohmmeter cannot tell: the stator run's volts decide, not this"
        else:
            why = "shorted turns or a bad splice: the stator run's volts decide"
        return Contact(step, "unclear", f"{step.where}: {net.text(2)}, {asked}; {why}.", net)


def ohms_text(amount: Amount) -> str:
    for factor, unit in ((1e-6, "Mohm"), (1e-3, "kohm")):
        if abs(amount.value) * factor >= 1:
            return amount.times(factor, unit).text(2)
    return amount.text(2)
