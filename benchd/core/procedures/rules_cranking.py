"""What a crank's figures mean: battery, starter, joint, or all well.

Common practice where the machine file is silent: at least 9.6 V at the battery's posts at 70 degF (21 degC), the load
test's figure, and at least 200 rpm (no source). The load test also gives the inner resistance that a good battery may
have: from 12.6 V to 9.6 V at half the cold-cranking amps are 6.0 / CCA ohm (8.2 / CCA at 0 degF, where 8.5 V are
asked), computed from the published table.

Slow cranking is told apart by the amps. An engine that is hard to turn, or a starter that drags, takes more of them; where
volts are lost on the way, they are as many as usual or fewer while the battery's volts stay up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchd.core import lead_acid, ratings
from benchd.core.budget import decide
from benchd.core.procedures.averaged import Amount
from benchd.core.procedures.cranking import Cranked
from benchd.core.procedures.finding import Finding
from benchd.core.specs import BatterySpec, MachineSpec, Metrology
from benchd.core.verdicts import Outcome, Suspect

USUAL_MIN_VOLTS = 9.6  # at 70 degF
COLDEST_CELSIUS = -18.0  # the load test's table ends there
USUAL_MIN_RPM = 200.0  # common practice, no source
MILD_CELSIUS = 15.0  # below it the usual volts are asked too much
FULL_VOLTS = 12.6
CHARGED_VOLTS = 12.4  # three quarters charged at rest
USUAL_PART_OF_MOST = 0.75  # of the manual's most amps: no more than a good starter takes; common practice, no source
USUAL_PART_OF_CCA = 0.35  # the same where the manual names no most; common practice, no source
SMALL_DROP = 0.7  # volts; the same where no amps are read


@dataclass(frozen=True, slots=True)
class Bounds:
    """Limits that hold for this crank, and where they come from."""

    volts: float
    rpm: float
    amps: float | None
    volts_from: str
    rpm_from: str
    cold_volts: float | None = None  # what the cold may still leave, where the usual figure stands in


def bounds(spec: MachineSpec, celsius: float | None) -> Bounds:
    starting = spec.starting
    volts = starting.min_cranking_volts if starting else None
    rpm = starting.min_cranking_rpm if starting else None
    cold = volts is None and celsius is not None and celsius < MILD_CELSIUS
    return Bounds(
        USUAL_MIN_VOLTS if volts is None else volts,
        USUAL_MIN_RPM if rpm is None else rpm,
        starting.max_starter_amps if starting else None,
        spec.manual if volts is not None else "common practice at 70 degF (21 degC); the machine file names none",
        spec.manual if rpm is not None else "common practice, no source; the machine file names none",
        _table_volts(celsius) if cold else None,
    )


def _table_volts(celsius: float | None) -> float:
    """What the load test asks of a battery at this temperature."""
    return ratings.least_load_volts(21.0 if celsius is None else max(celsius, COLDEST_CELSIUS))


@dataclass(frozen=True, slots=True)
class Judge:
    """One crank under its limits."""

    crank: Cranked
    bounds: Bounds
    spec: MachineSpec
    metrology: Metrology
    earlier: Mapping[str, str]
    celsius: float | None

    def finding(self) -> Finding:
        volts, rpm, amps = self._calls()
        if amps == "fail":
            return self._dragging(("more amps than the manual allows",))
        if volts == "fail":
            return self._low_volts(amps)
        if rpm == "fail":
            return self._slow()
        if "undecided" in (volts, rpm, amps):
            return self._close(volts, rpm)
        return self._cranks()

    def _calls(self) -> tuple[str, str | None, str | None]:
        crank, limits = self.crank, self.bounds
        volts = self._call(crank.volts, limits.volts, None)
        if volts == "fail" and limits.cold_volts is not None and crank.volts.within(limits.cold_volts, None) > 0.05:
            volts = "undecided"
        rpm = None if crank.rpm is None else self._call(crank.rpm, limits.rpm, None)
        if rpm == "fail" and not (crank.steady and crank.borne_out):
            rpm = "undecided"
        amps = None if crank.amps is None or limits.amps is None else self._call(crank.amps, None, limits.amps)
        return volts, rpm, amps

    def _call(self, amount: Amount, low: float | None, high: float | None) -> str:
        inside = (low is None or amount.value >= low) and (high is None or amount.value <= high)
        return decide(self.metrology.rule, amount.within(low, high), inside, self.metrology.risk)

    # --- what was read, in sentences ----------------------------------------------------------------------------------

    def facts(self) -> tuple[str, ...]:
        crank, limits = self.crank, self.bounds
        told = [
            f"Cranking {crank.volts.text()} at the posts ({crank.rest.value:.2f} V at rest); at least {limits.volts:g} V is "
            f"asked ({limits.volts_from})."
        ]
        if crank.amps is not None:
            most = "the machine file names no most" if limits.amps is None else f"at most {limits.amps:g} A is allowed"
            told.append(f"The starter takes {crank.amps.text(0)}; {most}.")
        if crank.rpm is not None:
            told.append(f"It turns at {crank.rpm.text(0)}; at least {limits.rpm:g} rpm is asked ({limits.rpm_from}).")
        else:
            told.append("Cranking speed was not read (a pickup on the ignition lead sees nothing with the spark off).")
        if crank.ohms is not None:
            held = self.held_ohms
            asked = f"; a battery that passes its load test has at most {1000 * held:.1f} mOhm" if held else ""
            told.append(f"Inner resistance from the step: {crank.ohms.times(1000, 'mOhm').text(1)}{asked}.")
        return tuple(told)

    @property
    def held_ohms(self) -> float | None:
        """The most inner resistance of a battery that just passes its load test."""
        battery = self.spec.battery
        amps = None if battery is None else _cold_cranking_amps(battery)
        return None if amps is None else 2 * (FULL_VOLTS - _table_volts(self.celsius)) / amps

    def battery_holds(self) -> bool | None:
        """Whether the battery is known good, known bad, or neither: by its own step, else by its load test."""
        held = self.held_ohms
        if self.crank.ohms is not None and held is not None:
            good = self.crank.ohms.within(None, held)
            if good >= 0.95 or good <= 0.05:
                return good >= 0.95
        return {"pass": True, "fail": False}.get(self.earlier.get("load", ""))

    # --- findings -----------------------------------------------------------------------------------------------------

    def _low_volts(self, amps: str | None) -> Finding:
        holds, rest = self.battery_holds(), self.crank.rest.value
        if lead_acid.looks_like_dead_cell(rest):
            return self._sags(
                "So few volts at rest are those of a dead cell, or of a battery run flat.", (Suspect.BATTERY,)
            )
        if holds is True and amps != "pass":
            return self._dragging(("the volts go down though the battery holds",))
        if rest < CHARGED_VOLTS:
            also = " and its inner resistance is too high as well" if holds is False else ""
            return self._sags(
                f"It rested less than three quarters charged{also}: a discharged battery sags on any starter.",
                (Suspect.BATTERY,),
            )
        if holds is False or amps == "pass":
            return self._sags("The battery does not hold the starter's amps.", (Suspect.BATTERY,))
        return self._sags(
            "A weak battery and a starter that takes too much look alike here: the load test tells them apart.",
            (Suspect.BATTERY, Suspect.UNKNOWN),
        )

    def _sags(self, why: str, suspects: tuple[Suspect, ...]) -> Finding:
        return Finding(
            Outcome.FAIL, Suspect.BATTERY, (*self.facts(), why), "cranking volts below the limit",
            "Charge the battery and load-test it; crank again as proof. Clean its terminals first.", suspects,
            slug="battery-sags",
        )  # fmt: skip

    def _dragging(self, why: tuple[str, ...]) -> Finding:
        holds = self.battery_holds()
        told = (
            *self.facts(),
            f"The starter drags ({'; '.join(why)}): points to the starter itself (bushings, armature, brushes), or to an "
            "engine that is hard to turn (belts or blades engaged, oil too thick, a tight engine, liquid in the cylinder).",
        )
        suspects = (Suspect.UNKNOWN,) if holds is not False else (Suspect.UNKNOWN, Suspect.BATTERY)
        also = ("The battery's inner resistance is too high as well: test it too.",) if holds is False else ()
        return Finding(
            Outcome.FAIL, Suspect.UNKNOWN, told + also, "the starter takes too much",
            "Spark plug out, turn the engine by hand: hard to turn is the engine, easy is the starter. Then crank again.",
            suspects, slug="starter-dragging",
        )  # fmt: skip

    def _slow(self) -> Finding:
        if self._low_current():
            return Finding(
                Outcome.FAIL, Suspect.CONNECTION,
                (*self.facts(), "Slow, with no more amps than usual and the battery's volts staying up: the volts are lost on the way. "
                 "Points to a joint: battery terminals, ground cable at the engine, solenoid's big contacts, starter cable."),
                "slow, and the volts are lost on the way",
                "Measure volts along each joint while cranking (more than 0.2 V is too much), clean and tighten it; crank again.",
                slug="high-resistance",
            )  # fmt: skip
        return Finding(
            Outcome.FAIL, Suspect.UNKNOWN,
            (*self.facts(), "Slow though the volts hold: points to the engine (oil too thick, belts or blades engaged, "
             "a tight engine), the starter, or its cables."),
            "cranking speed below the limit",
            "Spark plug out, turn the engine by hand; measure volts along the starter's cables while cranking.",
            (Suspect.UNKNOWN, Suspect.CONNECTION), slug="slow",
        )  # fmt: skip

    def _low_current(self) -> bool:
        amps, battery = self.crank.amps, self.spec.battery
        rating = None if battery is None else _cold_cranking_amps(battery)
        if amps is None:
            return self.crank.drop.value < SMALL_DROP
        if self.bounds.amps is not None:
            return amps.value < USUAL_PART_OF_MOST * self.bounds.amps
        if rating is not None:
            return amps.value < USUAL_PART_OF_CCA * rating
        return self.crank.drop.value < SMALL_DROP

    def _close(self, volts: str, rpm: str | None) -> Finding:
        why, then = "Too close to call with these meters.", "crank again with meters of a better accuracy statement."
        if volts == "undecided" and self.bounds.cold_volts is not None:
            why = (
                f"At {self.celsius:g} degC a good battery may crank at down to {self.bounds.cold_volts:.1f} V: crank again at "
                "20 degC, or look up the manual's figure."
            )
        elif rpm == "undecided" and not self.crank.borne_out:
            why = (
                "Nothing but the volts tells of a crank: a pickup on the ignition lead sees nothing with the spark off."
            )
            then = "crank again with a clamp around the starter's cable."
        elif rpm == "undecided" and not self.crank.steady:
            why = "The speed read was no steady one: readings that come late have the run-up or the release among them."
            then = "crank again, with nothing else keeping the computer busy."
        suspects = (Suspect.BATTERY, Suspect.UNKNOWN) if volts == "undecided" else (Suspect.UNKNOWN,)
        return Finding(
            Outcome.UNDECIDED, suspects[0], (*self.facts(), why), "too close to call",
            f"Load-test the battery; {then}", suspects,
            slug="battery-sags" if volts == "undecided" else "slow" if rpm == "undecided" else "starter-dragging",
        )  # fmt: skip

    def _cranks(self) -> Finding:
        return Finding(
            Outcome.PASS, Suspect.NONE, self.facts(), "the crank is certain",
            "Battery, starter and their cables do their work. Go on with the charging system.", slug="cranks",
        )  # fmt: skip


def _cold_cranking_amps(battery: BatterySpec) -> float | None:
    """CCA as stated or converted; None where the file states none that can be used."""
    try:
        return ratings.cold_cranking(battery).amps
    except ratings.RatingRefused:
        return None
