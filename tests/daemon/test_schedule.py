"""When scheduled runs are due: the days, midnight, clocks that jump."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from benchd.daemon.schedule import due, missed
from benchd.site import Scheduled

ZONE = ZoneInfo("Europe/Berlin")
MORNING = Scheduled("bay-1", "regulator", "hollin-t18", (time(7, 30),), frozenset({0, 1, 2, 3, 4}))
MIDNIGHT = Scheduled("bay-1", "stator", "hollin-t18", (time(0, 0), time(23, 59, 30)))


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=ZONE)


def times(found: list[tuple[datetime, Scheduled]]) -> list[str]:
    return [f"{moment:%d %H:%M:%S} {one.procedure}" for moment, one in found]


@pytest.mark.parametrize(
    ("after", "until", "expected"),
    [
        ("2026-11-25 07:29:50", "2026-11-25 07:30:00", ["25 07:30:00 regulator"]),
        ("2026-11-25 07:30:00", "2026-11-25 07:30:10", []),
        ("2026-11-28 07:29:50", "2026-11-28 07:30:10", []),  # a Saturday
        ("2026-11-25 23:59:20", "2026-11-26 00:00:05", ["25 23:59:30 stator", "26 00:00:00 stator"]),
        ("2026-11-25 07:30:10", "2026-11-25 07:29:00", []),  # the clock was set back
        ("2026-11-25 06:00:00", "2026-11-25 07:35:00", []),  # slept through it
        ("2026-11-25 06:00:00", "2026-11-25 07:30:40", ["25 07:30:00 regulator"]),
    ],
)
def test_due(after: str, until: str, expected: list[str]) -> None:
    assert times(due([MORNING, MIDNIGHT], at(after), at(until))) == expected


def test_set_back_and_on_again_is_due_once_a_look() -> None:
    """Looked at every 10 s with the newest time ever seen as `after`, a clock that steps back an hour repeats nothing."""
    seen, newest, found = at("2026-11-25 07:29:00"), at("2026-11-25 07:29:00"), []
    for step in [10] * 9 + [-3600] + [10] * 400:
        seen += timedelta(seconds=step)
        found += due([MORNING], newest, seen)
        newest = max(newest, seen)
    assert times(found) == ["25 07:30:00 regulator"]


def test_what_was_slept_through_is_named() -> None:
    assert times(missed([MORNING], at("2026-11-25 06:00:00"), at("2026-11-25 07:35:00"))) == ["25 07:30:00 regulator"]
    assert missed([MORNING], at("2026-11-25 07:29:30"), at("2026-11-25 07:30:10")) == []
