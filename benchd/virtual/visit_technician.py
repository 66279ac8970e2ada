"""The technician of a whole visit: what he does and answers at the prompts of all procedures, on a machine that lasts.

Prompts are told apart by their id, up to the colon. What takes time is answered when it is done and the meters have
come to show it.
"""

from __future__ import annotations

import random
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from benchd.clock import Clock
from benchd.virtual.machine import Machine
from benchd.virtual.technician import IDLE_S, Technician

SETTLE_S, SETTLE_REAL_S = 2.0, 0.08  # until meters show what was done
HELD_S, HELD_REAL_S, LONGEST_HELD_S = 5.5, 0.15, 9.0  # on the starter
LOAD_S, LONGEST_LOAD_S = 15.0, 18.0
FULL_RPM, UP_S = 2600.0, 200.0
LATELY_S = 4 * 3600.0
FLOAT_SPREAD, FLOAT_MARK = 0.0008, 0.001  # reading a float by eye
BETWEEN_S = 600.0  # two runs are not begun in one minute; nobody waits for it
#: Charge to which the battery is let down before a run that must show rated output.
ON_CHARGE = ("charge", "load", "crank", "draw")  # before these the charge that was let out is put back
LET_DOWN = {"regulator": 0.5, "drop": 0.42}


class VisitTechnician(Technician):
    """As `Technician`, with a hydrometer, a load tester, probes and an ohmmeter besides."""

    def __init__(self, world_now: Callable[[], Machine], clock: Clock, procedure: str | None, seed: int) -> None:
        super().__init__(world_now, clock, procedure)
        self._machine_now = world_now
        self._rng = random.Random(seed ^ 0xF10A7)

    def begin(self) -> None:
        """Before a run on a machine that has seen others."""
        machine = self._machine_now()
        machine.tidy()
        machine.stand(BETWEEN_S)
        if (to := LET_DOWN.get(self._procedure or "")) is not None:
            machine.let_down(to)
        elif self._procedure in ON_CHARGE:
            machine.give_back()

    def _take(self, prompt: Mapping[str, Any]) -> str | Awaitable[str | None] | None:
        kind, _, rest = str(prompt["id"]).partition(":")
        acts = getattr(self, "_at_" + kind.replace("-", "_"), None)
        if acts is None:
            return super()._take(prompt)
        found: str | Awaitable[str | None] | None = acts(rest, prompt)
        return found

    # --- battery ----------------------------------------------------------------------------------------------------

    def _at_charged_lately(self, rest: str, prompt: Mapping[str, Any]) -> str:
        return "yes" if self._machine_now().since_charge_s < LATELY_S else "no"

    def _at_gravity(self, rest: str, prompt: Mapping[str, Any]) -> str:
        machine = self._machine_now()
        if machine.scenario.strength("battery-frozen") is not None:
            return "ice"
        if machine.scenario.sealed:
            return "none"
        seen = machine.battery.float_reads(int(rest)) + self._rng.gauss(0.0, FLOAT_SPREAD)
        return f"{round(seen / FLOAT_MARK) * FLOAT_MARK:.3f}"

    def _at_take_off(self, rest: str, prompt: Mapping[str, Any]) -> Awaitable[str | None]:
        return self._start_doing(self._load_for(LOAD_S, "done"))

    def _at_apply_load(self, rest: str, prompt: Mapping[str, Any]) -> None:
        self._start_doing(self._load_for(LONGEST_LOAD_S, None))

    def _at_let_go(self, rest: str, prompt: Mapping[str, Any]) -> None:
        self._machine_now().load(None)

    async def _load_for(self, seconds: float, answer: str | None) -> str | None:
        """Half the cold-cranking amps of the battery that belongs in the machine."""
        await self._walk()
        amps = self._machine_now().scenario.half_cranking_amps
        self._machine_now().load(amps)
        end_ns = self._clock.now_ns() + int(seconds * 1e9)
        while self._clock.now_ns() < end_ns and self._machine_now().loaded:
            await self._clock.sleep(0.5)
        self._machine_now().load(None)
        await self._settle()
        return answer

    # --- starting ---------------------------------------------------------------------------------------------------

    def _at_spark_off(self, rest: str, prompt: Mapping[str, Any]) -> str:
        return "done"

    def _at_crank(self, rest: str, prompt: Mapping[str, Any]) -> Awaitable[str | None]:
        return self._start_doing(self._crank())

    def _at_release(self, rest: str, prompt: Mapping[str, Any]) -> None:
        self._machine_now().crank(False)

    async def _crank(self) -> str | None:
        """Spark off; what is answered says what was heard where nothing turned."""
        await self._walk()
        self._machine_now().crank(True)
        held_s = min(max(HELD_S, HELD_REAL_S * self._clock.speed), LONGEST_HELD_S)
        end_ns = self._clock.now_ns() + int(held_s * 1e9)
        turned, pulled = False, False
        while self._clock.now_ns() < end_ns and self._machine_now().cranking:
            machine = self._machine_now()
            turned, pulled = turned or machine.rpm > 20.0, pulled or machine.starter_amps > 5.0
            await self._clock.sleep(0.5)
        self._machine_now().crank(False)
        if turned:
            return None
        await self._settle()
        return "clicks" if pulled else "nothing"

    def _crank_s(self) -> float:
        return self._machine_now().crank_needed_s

    # --- key-off draw -----------------------------------------------------------------------------------------------

    def _at_hook_up(self, rest: str, prompt: Mapping[str, Any]) -> str:
        machine = self._machine_now()
        if self._procedure == "draw":
            machine.put_ammeter_in()
        if self._procedure in ("stator", "regulator", None):
            return self._hook_up(str(prompt.get("text", "")))
        return "done"

    def _at_unplug_regulator(self, rest: str, prompt: Mapping[str, Any]) -> Awaitable[str | None]:
        return self._start_doing(self._unplug())

    async def _unplug(self) -> str | None:
        await self._walk()
        self._machine_now().plug_regulator(False)
        return "done"

    def _at_prove_ammeter(self, rest: str, prompt: Mapping[str, Any]) -> str:
        return "skip"

    # --- wiring -----------------------------------------------------------------------------------------------------

    def _at_joint(self, rest: str, prompt: Mapping[str, Any]) -> Awaitable[str | None]:
        """The first one is clipped on before the start, and said to be on when the engine has come up."""
        return self._start_doing(self._probe(joint_of(str(prompt.get("text", "")))), in_turn=False)

    async def _probe(self, part: str) -> str | None:
        self._machine_now().joint = None
        await self._settle()
        self._machine_now().joint = part
        end_ns = self._clock.now_ns() + int(UP_S * 1e9)
        while self._machine_now().rpm < FULL_RPM and self._clock.now_ns() < end_ns:
            await self._clock.sleep(0.5)
        await self._settle()
        return "done"

    def _at_leads(self, rest: str, prompt: Mapping[str, Any]) -> Awaitable[str | None]:
        return self._start_doing(self._touch("leads"))

    def _at_breaker(self, rest: str, prompt: Mapping[str, Any]) -> Awaitable[str | None]:
        return self._start_doing(self._touch("breaker"))

    def _at_switch(self, rest: str, prompt: Mapping[str, Any]) -> Awaitable[str | None]:
        """A good switch joins what its manual says that it joins."""
        if "joined" not in str(prompt.get("text", "")):
            return self._start_doing(self._touch(None))
        return self._start_doing(self._touch("switch start" if "start" in rest.lower() else "switch"))

    def _at_stator_ground(self, rest: str, prompt: Mapping[str, Any]) -> Awaitable[str | None]:
        return self._start_doing(self._touch("stator ground"))

    def _at_stator_pair(self, rest: str, prompt: Mapping[str, Any]) -> Awaitable[str | None]:
        return self._start_doing(self._touch("stator"))

    async def _touch(self, circuit: str | None) -> str | None:
        self._machine_now().circuit = None
        await self._settle()
        self._machine_now().circuit = circuit
        await self._settle()
        return "done"

    # --- what all have in common --------------------------------------------------------------------------------------

    def _at_discharge(self, rest: str, prompt: Mapping[str, Any]) -> str:
        """He has let it down already; see LET_DOWN."""
        return "done"

    async def _settle(self) -> None:
        await self._clock.sleep(max(SETTLE_S, SETTLE_REAL_S * self._clock.speed))

    async def _stop(self) -> None:
        await super()._stop()
        await self._clock.sleep(IDLE_S)


#: Words that a joint's name may hold -> the part of the harness, by side, the telling words first.
ON_GROUND = ((("minus", "negative", "battery", "post"), "negative post"), (("",), "ground"))
ON_PLUS = (
    (("plug",), "regulator plug"),
    (("breaker", "fuse"), "breaker"),
    (("switch", "ammeter"), "switch"),
    (("solenoid", "starter"), "solenoid"),
    (("",), "positive post"),
)


def joint_of(text: str) -> str:
    """The part of the harness that a prompt means: 'Joint 3 of 7 (ground side): one tip on either end of NAME, on ...'."""
    name = text.rpartition("either end of ")[2].partition(", on the metal")[0].lower()
    sides = ON_GROUND if "ground side" in text.lower() else ON_PLUS
    return next(part for words, part in sides if any(word in name for word in words))
