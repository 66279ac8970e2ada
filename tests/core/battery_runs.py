"""Small closed-form batteries for the tests of the battery procedures. Not the virtual bench."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from traces import SPEC, digits

from benchd.core.events import Answer, Caution, JudgeEvent, Prompt, Standing
from benchd.core.procedures import make
from benchd.core.samples import Sample
from benchd.core.specs import BatterySpec, MachineSpec, Metrology
from benchd.core.verdicts import Verdict

BATTERY = BatterySpec(28.0, 300.0, full_gravity=1.265)
MACHINE = replace(SPEC, battery=BATTERY)
SIX = {f"gravity:{cell}": "1.260" for cell in range(1, 7)}
RESTED = {"charged-lately": "no", "battery-celsius": "20C"}


@dataclass
class Resting:
    """Volts of a battery at rest: what it holds, a surface charge that decays, noise, a display."""

    volts: float = 12.62
    surface: float = 0.0
    decay_s: float = 1500.0
    noise: float = 0.002
    digit: float = 0.01
    step_s: float = 1.0
    seed: int = 1
    glitches: Mapping[float, float] | None = None

    def samples(self, seconds: float) -> Iterator[Sample]:
        rng = random.Random(self.seed)
        t = 0.0
        while t <= seconds:
            v = self.volts + self.surface * math.exp(-t / self.decay_s) + rng.gauss(0, self.noise)
            v = (self.glitches or {}).get(t, v)
            yield Sample(round(t * 1e9), {"battery_volts": digits(v, self.digit)})
            t = round(t + self.step_s, 6)


@dataclass
class Played:
    """What a procedure said, and its verdict."""

    events: list[JudgeEvent]
    verdict: Verdict

    def prompts(self, ident: str) -> list[Prompt]:
        return [one for one in self.events if isinstance(one, Prompt) and one.id == ident]

    def cautions(self) -> str:
        return " ".join(one.text for one in self.events if isinstance(one, Caution))

    def standings(self) -> list[Standing]:
        return [one for one in self.events if isinstance(one, Standing)]

    @property
    def finding(self) -> Any:
        return self.verdict.extra.get("finding")


def play(
    name: str,
    samples: Iterable[Sample],
    answers: Mapping[str, str | list[str]] | None = None,
    *,
    spec: MachineSpec = MACHINE,
    metrology: Metrology | None = None,
    earlier: Mapping[str, str] | None = None,
    **timing: Any,
) -> Played:
    """Drive a procedure; each prompt is answered two seconds after it came, with the next of its answers."""
    procedure = make(name, spec, metrology, earlier, **timing)
    left = {ident: [given] if isinstance(given, str) else list(given) for ident, given in (answers or {}).items()}
    events: list[JudgeEvent] = []
    due: list[tuple[float, str, str]] = []

    def say(new: Iterable[JudgeEvent], now_s: float) -> None:
        for event in new:
            events.append(event)
            if isinstance(event, Prompt) and event.choices != () and left.get(event.id):
                due.append((now_s + 2.0, event.id, left[event.id].pop(0)))

    say(procedure.opening(), 0.0)
    for sample in samples:
        for one in [one for one in due if one[0] <= sample.t_s]:
            due.remove(one)
            say(procedure.feed(Answer(sample.t_ns, one[1], one[2])), sample.t_s)
        say(procedure.feed(sample), sample.t_s)
        if procedure.verdict is not None:
            break
    say(procedure.finish("the recording ended"), 0.0)
    assert procedure.verdict is not None
    return Played(events, procedure.verdict)


_PLAYED: dict[str, Played] = {}


def once(name: str, battery: Resting | Loaded, seconds: float, answers: Mapping[str, Any], **more: Any) -> Played:
    """What `play` says; the same battery with the same answers is played once in a session. Nobody may alter it."""
    key = repr((name, battery, seconds, sorted(answers.items()), sorted(more.items())))
    if key not in _PLAYED:
        _PLAYED[key] = play(name, battery.samples(seconds), answers, **more)
    return _PLAYED[key]


@dataclass
class Loaded:
    """A battery under a load tester: rest, `rest_s` later the load for `hold_s`, then the recovery.

    Volts = rest - amps x ohms - a slow part that grows toward `sag` (for 150 A). `cell_dies_s`: so long under load one
    cell gives out and takes 2 V with it. Meters read volts and amps every `step_s`.
    """

    rest: float = 12.65
    amps: float = 150.0
    ohms: float = 0.011
    sag: float = 0.4
    rest_s: float = 20.0
    hold_s: float = 16.0
    cell_dies_s: float | None = None
    noise: float = 0.004
    volts_digit: float = 0.01
    amps_digit: float = 0.1
    surface: float = 0.0  # volts of surface charge, which the load takes off
    clamp: float = 1.0  # what the clamp makes of the amps
    step_s: float = 0.5
    seed: int = 1
    glitches: Mapping[float, float] | None = None

    def samples(self, seconds: float = 120.0) -> Iterator[Sample]:
        rng, t = random.Random(self.seed), 0.0
        while t <= seconds:
            on = t - self.rest_s
            amps = self.amps if 0 <= on < self.hold_s else 0.0
            slow = 1 - math.exp(-on / 8.0) if amps else math.exp(-(on - self.hold_s) / 5.0) if on > 0 else 0.0
            v = self.rest + self.surface * (on < 0) - amps * self.ohms - self.sag * self.amps / 150.0 * slow
            if self.cell_dies_s is not None and amps and on > self.cell_dies_s:
                v -= 2.2 * (1 - math.exp(-(on - self.cell_dies_s) / 1.0))
            v = (self.glitches or {}).get(t, v + rng.gauss(0, self.noise))
            i = amps * self.clamp + rng.gauss(0, 0.3)
            yield Sample(
                round(t * 1e9),
                {"battery_volts": digits(v, self.volts_digit), "load_amps": digits(i, self.amps_digit)},
            )
            t = round(t + self.step_s, 6)
