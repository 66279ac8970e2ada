"""The last good run behind the live one: dotted, laid where measuring began, and never in front of anything."""

from __future__ import annotations

from typing import Any

import pytest
from benchd_dashboards.look import Look
from benchd_dashboards.state import State
from benchd_dashboards.view import page
from gauge_runs import opened, sample, standing

GOOD = {
    "run": "20270201-090000-aa11",
    "started": "2027-02-01T09:00:00+00:00",
    "from_s": 20.0,
    "points": [[20.0 + 2 * one, {"battery_volts": 13.0 + 0.01 * one, "charge_amps": 12.0}] for one in range(100)],
}


def live(good: Any, measuring: bool = True) -> State:
    state = State()
    state.apply({**opened("regulator"), **({} if good is None else {"last_good": good})})
    if measuring:
        state.apply(standing(50.0, "measuring", "undecided", 0.0, "Full throttle."))
    for t_s in range(50, 120):
        state.apply(sample(float(t_s), battery_volts=14.2, charge_amps=14.0, engine_rpm=3500.0))
    return state


def shown(state: State, columns: int = 120, look: Look | None = None) -> str:
    return "\n".join(line.plain for line in page(state, columns, 40, look or Look()))


def test_it_is_laid_where_measuring_began() -> None:
    behind = live(GOOD).behind("battery_volts")
    assert behind is not None
    assert behind.points[0] == (50.0, 13.0, 13.0)
    assert behind.points[-1][0] == pytest.approx(50 + 198)


def test_it_is_drawn_as_dots_and_said_to_be_there() -> None:
    said = shown(live(GOOD))
    assert "last good" in said
    assert "2027-02-01" in said
    assert said.count("·") > shown(live(None)).count("·") + 10


def test_plain_ascii_has_dots_too() -> None:
    look = Look(ascii=True)
    assert shown(live(GOOD), look=look).count(".") > shown(live(None), look=look).count(".") + 10


@pytest.mark.parametrize("good", [None, {}, {"points": []}, {"points": [[1.0, {"other": 3.0}]]}, "nonsense"])
def test_nothing_is_drawn_where_there_is_none(good: Any) -> None:
    assert "last good" not in shown(live(good))


def test_nothing_is_drawn_before_measuring_begins() -> None:
    assert live(GOOD, measuring=False).behind("battery_volts") is None


@pytest.mark.parametrize("columns", [40, 80, 120])
def test_it_hides_nothing_of_the_live_curve(columns: int) -> None:
    def bright(text: str) -> list[tuple[int, int]]:
        lines = text.splitlines()
        return [
            (row, at) for row, line in enumerate(lines) for at, char in enumerate(line) if "\u2800" < char <= "\u28ff"
        ]

    assert bright(shown(live(GOOD), columns)) == bright(shown(live(None), columns))
