"""Limits of the voltage drop along joints and sides, and what the joints of a machine come to together.

A drop is judged at the regulator's rated amps, to which the measured one is scaled by the resistance: a joint that is
good at 6 A may lose a volt at 20 A.

Where the machine file names no limit the published ones stand in, and they differ (tests/outside): 0.1 V a connection and
0.2 V a wire; 0.2 to 0.5 V a side; 0.6 V both sides. Up to the least of them a joint is good, above the largest bad. In
between it is marginal and the verdict undecided: published authorities disagree about it, cleaning it costs nothing, and
no part is condemned by a disagreement. The outliers (0.05 V a ground connection with electronics; 1 V a whole circuit of
an old car) are named and not used.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchd.core.budget import decide
from benchd.core.procedures.averaged import Amount, total
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.joint import Joint, JointResult, finite
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.verdicts import Outcome, Suspect

JOINT = (0.1, 0.2)  # volts: a connection, a wire or cable
SIDE = (0.2, 0.5)
TOTAL = (0.6, 0.6)
SURE = 0.975


@dataclass(frozen=True, slots=True)
class Limit:
    """Up to `low` volts good, above `high` bad; the same number where the manual says one."""

    low: float
    high: float
    source: str

    def text(self) -> str:
        return f"at most {self.low:g}{'' if self.low == self.high else f' to {self.high:g}'} V"

    def call(self, amount: Amount, metrology: Metrology, *, last: bool) -> str:
        """'good', 'bad', 'marginal', or '' while more readings may still tell. `last`: no more will come."""
        if not finite(amount):
            return "marginal" if last else ""
        below, above = amount.within(None, self.low), 1 - amount.within(None, self.high)
        if below >= SURE:
            return "good"
        if above >= SURE:
            return "bad"
        if self.low < self.high and min(1 - below, 1 - above) >= SURE:
            return "marginal"
        if not last:
            return ""
        if self.low < self.high:
            if 1 - above < 0.5:
                return {"fail": "bad"}.get(self._decide(amount, metrology, self.high), "marginal")
            return {"pass": "good"}.get(self._decide(amount, metrology, self.low), "marginal")
        return {"pass": "good", "fail": "bad"}.get(self._decide(amount, metrology, self.low), "marginal")

    @staticmethod
    def _decide(amount: Amount, metrology: Metrology, limit: float) -> str:
        return decide(metrology.rule, amount.within(None, limit), amount.value <= limit, metrology.risk)


@dataclass(frozen=True, slots=True)
class Limits:
    joint: Limit
    side: Limit
    total: Limit

    def sources(self) -> str:
        """Where they come from, in one sentence."""
        named = (("a joint", self.joint), ("a side", self.side), ("both sides", self.total))
        by_source: dict[str, list[str]] = {}
        for what, limit in named:
            by_source.setdefault(limit.source, []).append(f"{what} {limit.text()}")
        return "Limits: " + "; ".join(f"{', '.join(limits)} ({source})" for source, limits in by_source.items()) + "."

    @classmethod
    def of(cls, spec: MachineSpec) -> Limits:
        wiring, regulator = spec.wiring, spec.regulator
        assert wiring is not None
        both = wiring.max_total_volts
        if both is None and regulator is not None:
            both = regulator.max_drop_volts
        return cls(
            _limit(wiring.max_joint_volts, JOINT, spec.manual),
            _limit(wiring.max_side_volts, SIDE, spec.manual),
            _limit(both, TOTAL, spec.manual if wiring.max_total_volts is not None else "shop figure, both sides"),
        )


def _limit(stated: float | None, published: tuple[float, float], manual: str) -> Limit:
    if stated is not None:
        return Limit(stated, stated, manual)
    return Limit(*published, "the machine file names none; published figures differ")


@dataclass(frozen=True, slots=True)
class Called:
    """One joint with what it was called."""

    result: JointResult
    call: str  # 'good', 'bad', 'marginal'
    loose: bool = False

    def text(self, limit: Limit) -> str:
        one = self.result
        jumps = f"; it jumps by {one.swing:.2f} V: loose" if self.loose else ""
        swapped = " (leads the other way round)" if one.swapped else ""
        silent = " It reads nothing at all: be sure that both tips were on metal." if one.silent else ""
        name = one.joint.name[0].upper() + one.joint.name[1:]
        return (
            f"{name}: {self.call}{jumps}. {one.volts.text(3)} at {one.amps.value:.1f} A{swapped}, so "
            f"{one.ohms.times(1000, 'mOhm').text(1)}; at {one.rated_amps:g} A {one.at_rated.text(3)} and {one.watts.value:.1f} W "
            f"lost, {limit.text()}.{silent}"
        )


def call_joint(one: JointResult, limits: Limits, metrology: Metrology, *, last: bool) -> Called | None:
    """What a joint is, as soon as it no longer changes."""
    limit = limits.joint
    loose = one.swing > limit.low
    if loose and last:
        return Called(one, "bad" if one.at_rated.value + one.swing / 2 > limit.high else "marginal", True)
    found = "" if loose else limit.call(one.at_rated, metrology, last=last)
    return Called(one, found) if found else None


@dataclass(frozen=True, slots=True)
class Circuit:
    """All joints of a machine, called or left out."""

    joints: Sequence[Joint]
    called: Sequence[Called]
    limits: Limits
    metrology: Metrology

    def side(self, ground: bool) -> Amount | None:
        """Volts of one side at rated amps, of what was measured of it; None where there is nothing."""
        found = [one.result.at_rated for one in self.called if one.result.joint.ground is ground]
        return total(found, "V") if found else None

    def both(self) -> Amount | None:
        found = [one.result.at_rated for one in self.called]
        return total(found, "V") if found else None

    def complete(self, ground: bool | None = None) -> bool:
        wanted = {one.number for one in self.joints if ground is None or one.ground is ground}
        return wanted <= {one.result.joint.number for one in self.called}

    def sums(self) -> list[tuple[str, Amount, Limit, str, bool]]:
        """(name, volts, limit, call, of the ground side) of each side with more than one joint, and of both."""
        found: list[tuple[str, Amount, Limit, str, bool]] = []
        for ground, name in ((False, "positive side"), (True, "ground side")):
            volts = self.side(ground)
            if volts is not None and sum(one.ground is ground for one in self.joints) > 1:
                found.append((name, volts, self.limits.side, self._call(volts, self.limits.side, ground), ground))
        volts = self.both()
        if volts is not None and {one.ground for one in self.joints} == {True, False}:
            of_ground = (self.side(True) or volts).value > volts.value / 2
            found.append(
                ("both sides", volts, self.limits.total, self._call(volts, self.limits.total, None), of_ground)
            )
        return found

    def _call(self, volts: Amount, limit: Limit, ground: bool | None) -> str:
        """A sum with joints left out can only be too much already."""
        call = limit.call(volts, self.metrology, last=True)
        return call if call == "bad" or self.complete(ground) else "incomplete"

    # --- findings -----------------------------------------------------------------------------------------------------

    def finding(self, because: str = "every joint is certain") -> Finding:
        bad = [one for one in self.called if one.call == "bad"]
        bad_sums = [one for one in self.sums() if one[3] == "bad"]
        if bad or bad_sums:
            return self._bad(bad, bad_sums)
        marginal = [one for one in self.called if one.call == "marginal"]
        if marginal or any(one[3] == "marginal" for one in self.sums()):
            return self._marginal(marginal)
        if self.called and all(one.result.silent for one in self.called):
            return Finding(
                Outcome.UNDECIDED, Suspect.INSTRUMENT,
                ("No joint showed any volts at all: the voltmeter or its tips were not proven, or no amps go through these joints.",
                 *self.facts()),
                "the voltmeter never showed anything", "Hold the tips on plus and minus: it must show the battery. Then run again.",
                slug="joints-good",
            )  # fmt: skip
        if not self.complete():
            left = ", ".join(one.name for one in self.joints if one.number not in self._numbers())
            return Finding(
                Outcome.UNDECIDED, Suspect.UNKNOWN, (*self.facts(), f"Not measured: {left}. The rest is good."),
                "joints were left out" if because == "every joint is certain" else because,
                "Measure what was left out.", slug="joints-good",
            )  # fmt: skip
        return Finding(
            Outcome.PASS, Suspect.NONE, self.facts(), because,
            "The wiring carries the charge. Go on with the charging system.", slug="joints-good",
        )  # fmt: skip

    def _numbers(self) -> set[int]:
        return {one.result.joint.number for one in self.called}

    def _bad(self, bad: Sequence[Called], sums: Sequence[tuple[str, Amount, Limit, str, bool]]) -> Finding:
        if bad:
            worst = max(bad, key=lambda one: one.result.at_rated.value)
            names = ", ".join(one.result.joint.name for one in bad)
            lost = sum(one.result.watts.value for one in bad)
            head = f"Bad: {names}. At {worst.result.rated_amps:g} A {lost:.1f} W are lost there."
            step = (
                f"Take {worst.result.joint.name} apart, clean it to bright metal, tighten it; measure again as proof."
            )
            ground = all(one.result.joint.ground for one in bad)
        else:
            head = f"No joint is bad alone, but together they lose too much: {', '.join(one[0] for one in sums)}."
            step = "Clean all joints of that side, or replace a wire that is too thin; measure again as proof."
            ground = all(one[4] for one in sums)
        return Finding(
            Outcome.FAIL, Suspect.CONNECTION, (head, *self.facts()), "a joint loses too much" if bad else "the sum is too much",
            step, slug="bad-ground" if ground else "bad-joint",
        )  # fmt: skip

    def _marginal(self, marginal: Sequence[Called]) -> Finding:
        names = ", ".join(one.result.joint.name for one in marginal) or "the sum"
        ground = bool(marginal) and all(one.result.joint.ground for one in marginal)
        told = (
            f"Marginal: {names}. Above what some publish as the most and below what others do, or too close for these meters: "
            "nobody can call it good or bad."
        )
        return Finding(
            Outcome.UNDECIDED, Suspect.CONNECTION, (told, *self.facts()), "between the limits",
            "Clean and tighten it, which costs nothing; measure again.", slug="bad-ground" if ground else "bad-joint",
        )  # fmt: skip

    def facts(self) -> tuple[str, ...]:
        told = [one.text(self.limits.joint) for one in sorted(self.called, key=lambda one: one.result.joint.number)]
        for name, volts, limit, call, _ in self.sums():
            told.append(f"{name[0].upper()}{name[1:]}: {call}. {volts.text(3)} at rated amps, {limit.text()}.")
        return (*told, self.limits.sources())
