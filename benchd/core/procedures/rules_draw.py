"""What a settled key-off draw means, in findings and in hours until the battery is at half its charge."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchd.core import lead_acid
from benchd.core.budget import Component
from benchd.core.procedures.averaged import Amount
from benchd.core.procedures.finding import Finding
from benchd.core.specs import MachineSpec
from benchd.core.verdicts import Outcome, Suspect

#: Published limits in amps, the least and the largest that are used; see tests/outside/test_wiring_figures.py.
LEAST_PUBLISHED, LARGEST_PUBLISHED = 0.001, 0.050
SPREAD = "1 mA (small tractors without electronics), 25 to 50 mA (by equipment), 35 mA, 50 mA (cars, modules asleep)"
HALF = 0.5  # of the charge: from there on a battery takes harm and the engine may not start
COARSE_PART = 0.5  # of the limit: a display whose one count is more cannot tell
FALLEN_PART = 0.5  # of the draw is gone: it went through the regulator
NOT_UNPLUGGED = "The regulator was not unplugged, so it is not ruled out."


def milliamps(amount: Amount) -> str:
    """A draw for people, in the unit that fits."""
    if amount.value >= 1.0:
        return amount.text(2)
    return amount.times(1000, "mA").text(2 if amount.value < 0.01 else 1)


@dataclass(frozen=True, slots=True)
class Draw:
    """The limits of one draw test and what is known beside the amps. Amps; `count` is one digit of the meter."""

    spec: MachineSpec
    low: float
    high: float
    stated: bool
    count: float
    rest_volts: float | None

    def over(self, level: Amount) -> bool:
        """Surely above every limit."""
        return level.within(None, self.high) <= 0.05

    def told(self, level: Amount) -> bool:
        """Whether there is so much draw that its hours are worth telling."""
        return level.value > self.low

    def too_coarse(self, level: Amount) -> bool:
        return self.count > COARSE_PART * self.low and level.value < max(self.high, 3 * self.count)

    # --- hours --------------------------------------------------------------------------------------------------------

    def charge(self) -> tuple[float, float, str]:
        """Least and most charge of the battery, and where that comes from."""
        if self.rest_volts is not None and self.rest_volts > lead_acid.DEAD_CELL_VOLTS:
            low, high = lead_acid.rest_charge(self.rest_volts)
            return low, high, f"charge by its {self.rest_volts:.2f} V"
        return 1.0, 1.0, "charge assumed full"

    def hours_to_half(self, level: Amount) -> Amount | None:
        """Hours until the battery is at half its charge by this draw alone."""
        battery = self.spec.battery
        if battery is None or level.value <= 2 * level.u:
            return None
        low, high, _ = self.charge()
        least, most = (max(one - HALF, 0.0) * battery.amp_hours for one in (low, high))
        hours = (least + most) / 2 / level.value
        parts = (
            Component("charge of the battery", (most - least) / 2 / math.sqrt(3) / level.value),
            Component("draw", hours * level.u / level.value),
        )
        return Amount(hours, "h", parts)

    def hours_text(self, level: Amount) -> tuple[str, ...]:
        hours, battery = self.hours_to_half(level), self.spec.battery
        if hours is None or battery is None:
            return ()
        source = self.charge()[2]
        if hours.value <= 0:
            return (f"The battery is below half its charge already ({source}).",)
        told = f"{hours.value / 24:.0f} days" if hours.value >= 72 else f"{hours.value:.2g} hours"
        return (f"It takes a {battery.amp_hours:g} Ah battery to half its charge in about {told} ({source}).",)

    # --- findings -----------------------------------------------------------------------------------------------------

    def none(self, level: Amount) -> Finding:
        named = f"({self.spec.manual})" if self.stated else f"(the least published limit; all: {SPREAD})"
        return Finding(
            Outcome.PASS, Suspect.NONE,
            (f"The draw is {milliamps(level)}; at most {1000 * self.low:g} mA is allowed {named}.",), "the draw is certain",
            "Nothing runs the battery down with the key off. Put the cable back.", slug="no-draw",
        )  # fmt: skip

    def unproven(self, level: Amount, lamp_tried: bool) -> Finding:
        """Nothing but zero: no draw, or a meter with a blown fuse. Without a proof it is no pass."""
        said = "it showed nothing with the test lamp either" if lamp_tried else "nobody proved that it reads"
        return Finding(
            Outcome.UNDECIDED, Suspect.INSTRUMENT,
            (f"The ammeter showed {level.value:g} A and never anything else, and {said}: a blown fuse in its current jack "
             "looks just like no draw.",),
            "the ammeter never showed anything", "Prove the meter with a test lamp or change its fuse; then run again.",
            slug="no-draw",
        )  # fmt: skip

    def unstated(self, level: Amount) -> Finding:
        return Finding(
            Outcome.UNDECIDED, Suspect.INSTRUMENT, (f"The meter's accuracy at {milliamps(level)} is not stated.",),
            "accuracy unknown", "State the meter's accuracy for this range in the bench file, then run again.", slug="draw",
        )  # fmt: skip

    def undecided(self, level: Amount, because: str = "") -> Finding:
        if self.too_coarse(level):
            return Finding(
                Outcome.UNDECIDED, Suspect.INSTRUMENT,
                (f"The draw is {milliamps(level)}, and one digit of the meter is {1000 * self.count:g} mA: too coarse for a "
                 f"limit of {1000 * self.low:g} mA.",),
                because or "the meter is too coarse", "Use the meter's mA range (mind its fuse), then run again.", slug="draw",
            )  # fmt: skip
        return Finding(
            Outcome.UNDECIDED, Suspect.UNKNOWN, (self._limits_text(level), *self.hours_text(level)),
            because or "between the limits",
            "Look up the manual's figure and write it into the machine file as max_key_off_amps. A machine without "
            "electronics draws nothing: then look for what does.",
            slug="draw",
        )  # fmt: skip

    def _limits_text(self, level: Amount) -> str:
        told = f"The draw is {milliamps(level)}"
        if self.stated:
            close = "" if self.over(level) else ": too close to call"
            return f"{told}; at most {1000 * self.high:g} mA is allowed ({self.spec.manual}){close}."
        if self.over(level):
            return f"{told}; every published limit is below: {SPREAD}."
        return (
            f"{told}. The machine file names no limit, and published ones differ: {SPREAD}. Between {1000 * self.low:g} and "
            f"{1000 * self.high:g} mA nobody can say whether this machine may draw it."
        )

    def through_regulator(self, before: Amount, now: Amount) -> Finding:
        rest = f" What is left, {milliamps(now)}, is still too much: look further." if self.over(now) else ""
        return Finding(
            Outcome.FAIL if self.over(before) else Outcome.UNDECIDED, Suspect.REGULATOR,
            (self._limits_text(before),
             f"It falls to {milliamps(now)} with the regulator unplugged: it goes backwards through the regulator.{rest}",
             *self.hours_text(before)),
            "the draw goes through the regulator",
            "Replace the regulator, or find why its sense wire is fed with the key off; run this test and the regulator run "
            "again as proof.",
            slug="draw-through-regulator",
        )  # fmt: skip

    def elsewhere(self, before: Amount, of_regulator: str) -> Finding:
        """A draw that is not, or not known to be, the regulator's."""
        if not self.over(before):
            found = self.undecided(before)
            return Finding(
                found.outcome,
                found.suspect,
                (*found.reasons, of_regulator),
                found.because,
                found.next_step,
                slug=found.slug,
            )
        suspects = (Suspect.UNKNOWN, Suspect.REGULATOR) if of_regulator == NOT_UNPLUGGED else (Suspect.UNKNOWN,)
        return Finding(
            Outcome.FAIL, Suspect.UNKNOWN,
            (self._limits_text(before), of_regulator,
             "Points to something left on, an accessory that was added, the key switch, a lamp or a relay that sticks.",
             *self.hours_text(before)),
            "a draw with the key off",
            "Pull the fuses one by one, then the accessories, and watch the amps: what makes them fall is it. Run again as "
            "proof.", suspects, slug="draw",
        )  # fmt: skip

    def fell_unsaid(self, before: Amount, now: Amount, because: str) -> Finding:
        return Finding(
            Outcome.UNDECIDED, Suspect.UNKNOWN,
            (f"The draw was {milliamps(before)} and fell to {milliamps(now)}; nobody said whether the regulator was unplugged "
             "or something went to sleep by itself.",),
            because, "Run again, and answer when the regulator is unplugged.", slug="draw",
        )  # fmt: skip

    @staticmethod
    def too_soon(level: Amount, falling: bool, wanted_s: float, because: str) -> Finding:
        told = f"The draw was {milliamps(level)} when it ended, " + (
            "and still falling."
            if falling
            else f"watched for less than {wanted_s:.0f} s: modules may still go to sleep."
        )
        return Finding(
            Outcome.UNDECIDED, Suspect.UNKNOWN, (told,), because,
            "Let it stand with the key off until the amps no longer move, then run again.", slug="draw",
        )  # fmt: skip
