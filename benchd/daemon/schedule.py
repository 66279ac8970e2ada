"""When the runs of a schedule are due. Local time of day; a time that the clock jumped over is taken up to a minute late.

A scheduled run opens, shows its prompts and waits for its operator. It starts no engine.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from benchd.site import Scheduled

#: A run is not made up for if the daemon or the computer slept longer than this through its time.
LATE_S = 60.0


def due(schedule: Sequence[Scheduled], after: datetime, until: datetime) -> list[tuple[datetime, Scheduled]]:
    """What falls due in (after, until], in order of time; at most what the last LATE_S seconds hold.

    Both are aware local times. A clock that was set back makes nothing due a second time: then `until` <= `after`.
    """
    begin = max(after, until - timedelta(seconds=LATE_S))
    found: list[tuple[datetime, Scheduled]] = []
    for one in schedule:
        for day in (begin.date(), until.date()) if begin.date() != until.date() else (until.date(),):
            if day.weekday() not in one.days:
                continue
            for at in one.at:
                moment = datetime.combine(day, at, tzinfo=until.tzinfo)
                if begin < moment <= until:
                    found.append((moment, one))
    return sorted(found, key=lambda pair: pair[0])


def missed(schedule: Sequence[Scheduled], after: datetime, until: datetime) -> list[tuple[datetime, Scheduled]]:
    """What fell due before the last LATE_S seconds and is not made up for; at most of the last day."""
    end = until - timedelta(seconds=LATE_S)
    begin = max(after, until - timedelta(days=1))
    found = []
    moment = begin
    while moment < end:
        step = min(moment + timedelta(seconds=LATE_S), end)
        found += due(schedule, moment, step)
        moment = step
    return found
