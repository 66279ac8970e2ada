"""What every procedure is: fed samples and answers, it answers with events. No I/O, no clock.

The shell (live run), `benchd rejudge` and `benchd judge` drive the same object in the same way, so what they say of
the same samples is the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple, Protocol

from benchd.core.events import Answer, JudgeEvent
from benchd.core.samples import Sample
from benchd.core.specs import MachineSpec
from benchd.core.verdicts import Verdict


class Range(NamedTuple):
    """The least that a channel's meter must take, in the channel's unit, and where that comes from."""

    channel: str
    least: float
    unit: str
    why: str


class Procedure(Protocol):
    """One run being judged.

    `channels_needed` must be on the bench or the run does not start; `channels_used` are read if present.
    """

    name: str
    channels_needed: tuple[str, ...]
    channels_used: tuple[str, ...]
    #: Tables of the machine file without which there is nothing to judge by ('battery', 'wiring', ...).
    spec_needs: tuple[str, ...]

    @staticmethod
    def spec_complaints(spec: MachineSpec) -> Sequence[str]:
        """What else the machine file lacks for this procedure, a sentence each that names the key."""

    def least_ranges(self) -> Sequence[Range]:
        """What the meters must take, so that no fuse blows and no display runs over in the middle of a run."""

    def opening(self) -> Sequence[JudgeEvent]:
        """Hook-up, cautions, conditions: shown before anything is measured."""

    def feed(self, item: Sample | Answer) -> Sequence[JudgeEvent]:
        """Take one sample or answer, in order of time. After Decided every call answers ()."""

    def finish(self, because: str) -> Sequence[JudgeEvent]:
        """No more samples will come ('the recording ended', 'stopped by the operator'): decide on what there is."""

    @property
    def verdict(self) -> Verdict | None:
        """The verdict once there is one."""


#: What the shell knows of this work order's earlier runs: procedure name -> its last outcome.
Earlier = Mapping[str, str]
