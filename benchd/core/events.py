"""The events of a run: what the judge answers, what the journal keeps, what every screen reads.

One record = one event: {"kind": KIND, ...body}, JSON-ready. Records of one run, in order of `seq`:

    run-opened       run, procedure, bench, spec, work_order, unit, started (UTC), versions, configuration as it was;
                     last_good {run, started, from_s, points} of the same unit, if there is one
    instrument       name, driver, port, what it says it is, calibration due
    sample           t_ns, values {channel: [value, resolution, flags, age_s]}
    reading          every raw reading with instrument, arrival t_ns (what a sample was made of)
    thinned          what retention leaves of the readings of one instrument, quantity and point in a step of time:
                     t_ns and until_ns of the first and the last, min, mean, max (None without a number), n, flags.
                     Its seq is that of the last; the seqs of the others are gone
    standing         how the verdict stands now: see Standing
    prompt           id, text, choices or None for free text, caution
    answer           id, text (the operator's)
    caution          text
    flag             channel or instrument, flag, cure, state 'on' or 'off'
    gap              instrument, what happened, since when; state 'lost' or 'back'
    mark             text (the operator's)
    verdict          the contract object
    run-closed       status 'judged' | 'aborted' | 'interrupted' | 'failed', reason, counts

A live run and a replay are the same records, so they are the same to a screen.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.core.readings import Flag
from benchd.core.samples import Sample, Value
from benchd.core.verdicts import Verdict


class Phase(enum.StrEnum):
    """Where a run is; a screen shows it in these words."""

    CHECKING = "checking"  # before the engine starts
    WAITING = "waiting for full throttle"
    MEASURING = "measuring"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Standing:
    """How things stand right now, emitted whenever it changes and about once a second.

    `leaning` is the outcome that would come if it ended now ('pass', 'fail', 'undecided', 'void'), `sure` 0..1 how
    probable it is that this holds, `why` one sentence. `left_s` = predicted seconds to the verdict (None: cannot
    say), `limit_s` = seconds to the longest allowed time. `estimates` name -> {"value","unit","u","low","high"}
    where low..high is the band that passes (None = open) and u the standard uncertainty.
    `expected` is the expected curve's next value per channel (for the band behind the curve), if there is one.
    """

    t_ns: int
    phase: Phase
    leaning: str
    sure: float
    why: str
    left_s: float | None = None
    limit_s: float | None = None
    estimates: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    expected: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    ampere_hours: float | None = None

    kind = "standing"


@dataclass(frozen=True, slots=True)
class Prompt:
    """A question or an instruction to the operator. `choices` None = free text; () = a line to read, no answer."""

    t_ns: int
    id: str
    text: str
    choices: tuple[str, ...] | None = ()
    caution: str = ""

    kind = "prompt"


@dataclass(frozen=True, slots=True)
class Answer:
    """What the operator answered, fed to the procedure like a sample."""

    t_ns: int
    id: str
    text: str

    kind = "answer"


@dataclass(frozen=True, slots=True)
class Caution:
    t_ns: int
    text: str

    kind = "caution"


@dataclass(frozen=True, slots=True)
class FlagChanged:
    """A channel's flag went on or off; `cure` says what to do."""

    t_ns: int
    channel: str
    flag: Flag | str
    state: str
    cure: str

    kind = "flag"


@dataclass(frozen=True, slots=True)
class Decided:
    """The verdict; nothing comes after it from the judge."""

    t_ns: int
    verdict: Verdict

    kind = "verdict"


JudgeEvent = Standing | Prompt | Caution | FlagChanged | Decided


def record(event: JudgeEvent | Answer) -> dict[str, Any]:
    """The JSON-ready record of a judge's event (the verdict's record is completed by the shell)."""
    body: dict[str, Any] = {"kind": event.kind, "t_ns": event.t_ns}
    if isinstance(event, Decided):
        return body | event.verdict.to_json()
    for name in event.__dataclass_fields__:
        if name != "t_ns":
            found = getattr(event, name)
            body[name] = (
                list(found) if isinstance(found, tuple) else dict(found) if isinstance(found, Mapping) else found
            )
    return body


def sample_record(sample: Sample) -> dict[str, Any]:
    """A sample as a record; compact, since it is the bulk of every journal."""
    return {
        "kind": "sample",
        "t_ns": sample.t_ns,
        "values": {
            name: [one.value, one.resolution, sorted(one.flags), round(one.age_s, 4)]
            for name, one in sample.values.items()
        },
    }


def sample_of_record(body: Mapping[str, Any]) -> Sample:
    """The sample that a record was made of."""
    values = {
        name: Value(value, resolution, frozenset(Flag(flag) for flag in flags), age_s)
        for name, (value, resolution, flags, age_s) in body["values"].items()
    }
    return Sample(int(body["t_ns"]), values)
