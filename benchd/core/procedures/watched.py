"""What the tests of starting, wiring and the key-off draw have in common: presence, looking about twice a second, ending.

A test of this kind fills in `_take` (a sample), `_answer`, `_judge` (the finding once there is one), `_say` (prompts and
cautions that are due), `_standing`, `_at_end` (what can be said of what there is) and what was measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

from benchd.core.events import Answer, Caution, Decided, JudgeEvent, Phase, Prompt, Standing
from benchd.core.procedures import words
from benchd.core.procedures.base import Range
from benchd.core.procedures.charging import ChannelFacts
from benchd.core.procedures.finding import Finding
from benchd.core.procedures.presence import Presence
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec, Metrology
from benchd.core.verdicts import Measured, Outcome, Suspect, Verdict

STOPPED = "stopped by the operator"
ENDED = "the recording ended"


class Watched:
    """One test, judged as its samples come; see base.Procedure."""

    name: ClassVar[str] = ""
    channels_needed: tuple[str, ...] = ()
    channels_used: tuple[str, ...] = ()
    spec_needs: tuple[str, ...] = ()
    look_s: ClassVar[float] = 0.49
    stand_s: ClassVar[float] = 0.98

    def __init__(
        self,
        spec: MachineSpec,
        metrology: Metrology,
        earlier: Mapping[str, str],
        *,
        wait_s: float = 20.0,
        max_run_s: float = 1200.0,
        quiet: bool = False,
    ) -> None:
        self.spec, self.metrology, self.earlier = spec, metrology, earlier
        self.max_run_s, self.quiet = max_run_s, quiet
        self.presence = Presence(self.channels_needed, wait_s)
        self.facts = {name: ChannelFacts(name, metrology.channels.get(name)) for name in self.channels_used}
        self.samples = 0
        self.first_s: float | None = None
        self.now_s = 0.0
        self.hands_on = False  # leads are being moved: a silent meter is no fault
        self._wait_s, self._hands_off_s = wait_s, -math.inf
        self._looked_s = self._stood_s = -math.inf
        self._verdict: Verdict | None = None
        self._seen: set[str] = set()

    @staticmethod
    def spec_complaints(spec: MachineSpec) -> Sequence[str]:
        return ()

    def least_ranges(self) -> Sequence[Range]:
        return ()

    @property
    def verdict(self) -> Verdict | None:
        return self._verdict

    @property
    def run_s(self) -> float:
        """Seconds since the first sample."""
        return self.now_s - (self.first_s or 0.0)

    def opening(self) -> Sequence[JudgeEvent]:
        raise NotImplementedError

    def feed(self, item: Sample | Answer) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        if isinstance(item, Answer):
            return self._answer(item)
        events: list[JudgeEvent] = list(self.presence.feed(self._as_present(item)))
        self._take_in(item)
        if item.t_s - self._looked_s < self.look_s:
            return events
        self._looked_s = item.t_s
        return events + self._look(item.t_ns)

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        if self._verdict is not None:
            return ()
        return self._conclude(int(self.now_s * 1e9), self._unfinished(because))

    # --- filled in by each test ---------------------------------------------------------------------------------------

    def _take(self, sample: Sample) -> None:
        raise NotImplementedError

    def _answer(self, answer: Answer) -> list[JudgeEvent]:
        raise NotImplementedError

    def _judge(self) -> Finding | None:
        raise NotImplementedError

    def _say(self, t_ns: int) -> list[JudgeEvent]:
        raise NotImplementedError

    def _standing(self, t_ns: int) -> Standing:
        raise NotImplementedError

    def _at_end(self, because: str) -> Finding:
        raise NotImplementedError

    def _measured(self) -> dict[str, Measured]:
        raise NotImplementedError

    def _limits(self) -> dict[str, Any]:
        raise NotImplementedError

    def _extra(self) -> dict[str, Any]:
        return {}

    def _rpm(self) -> tuple[float, float, float] | None:
        return None

    def _closing(self, t_ns: int) -> list[JudgeEvent]:
        """What the operator must do now that it is over."""
        return []

    def _as_present(self, sample: Sample) -> Sample:
        """The sample as presence sees it."""
        return sample

    # --- the same for all -----------------------------------------------------------------------------------------------

    def number(self, sample: Sample, channel: str) -> float | None:
        """The channel's number if it was read just now; its display's digits are noted."""
        value = sample.values.get(channel)
        if value is None or value.value is None:
            return None
        self.facts[channel].see(value)
        self._seen.add(channel)
        return value.value

    def hands_off(self, t_s: float) -> None:
        """The operator has done what he was asked for: from now on a meter that is silent is missed again."""
        self.hands_on, self._hands_off_s = False, t_s

    def was_read(self, channel: str) -> bool:
        """Whether this channel ever had a number in this run."""
        return channel in self._seen

    def _take_in(self, sample: Sample) -> None:
        self.samples += 1
        self.now_s = sample.t_s
        if self.first_s is None:
            self.first_s = sample.t_s
        self._take(sample)

    def _look(self, t_ns: int) -> list[JudgeEvent]:
        finding = self._missing() or self._judge()
        if finding is None and self.run_s >= self.max_run_s:
            finding = self._at_end(f"longest allowed time ({self.max_run_s / 60:.0f} min) reached")
        if finding is not None:
            return self._conclude(t_ns, finding)
        events = self._say(t_ns)
        if self.quiet or self.now_s - self._stood_s < self.stand_s:
            return events
        self._stood_s = self.now_s
        return [*events, self._standing(t_ns)]

    def _missing(self) -> Finding | None:
        hands = self.hands_on or self.now_s - self._hands_off_s < self._wait_s
        objection = None if hands else self.presence.objection()
        return None if objection is None else Finding.of(objection)

    def _unfinished(self, because: str) -> Finding:
        if because == STOPPED:
            return Finding(Outcome.VOID, Suspect.UNKNOWN, ("The operator stopped the run.",), because, "Run again.")
        missing = self.presence.missing_reason()
        if missing is not None:
            return Finding.of(missing)
        if because != ENDED:
            return Finding(
                Outcome.VOID, Suspect.INSTRUMENT, (f"The run was cut short: {because}.",), because, "Run again."
            )
        return self._judge() or self._at_end(because)

    def _conclude(self, t_ns: int, finding: Finding) -> list[JudgeEvent]:
        read = [self.facts[name] for name in self.channels_used if name in self._seen]
        verdict = finding.verdict(
            procedure=self.name,
            measured=self._measured(),
            limits=self._limits(),
            duration_s=max(self.run_s, 0.0),
            samples=self.samples,
            rpm=self._rpm(),
            rule=self.metrology.rule,
            assumptions=(*self.presence.came_back(), *words.assumptions(*read)),
        )
        self._verdict = replace(verdict, extra={**verdict.extra, **self._extra()})
        return [*(Caution(t_ns, one) for one in finding.cautions), *self._closing(t_ns), Decided(t_ns, self._verdict)]

    def _stands(self, t_ns: int, phase: Phase, why: str, **more: Any) -> Standing:
        """A standing that leans nowhere yet."""
        return Standing(t_ns, phase, "undecided", 0.0, why, **more)


def ask_again(answer: Answer, choices: Sequence[str]) -> Prompt:
    """The same question again, naming what was answered."""
    text = f"{answer.text.strip()!r} is none of the answers: {', '.join(choices)}."
    return Prompt(answer.t_ns, answer.id, text, tuple(choices))
