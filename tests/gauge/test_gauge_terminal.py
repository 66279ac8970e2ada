"""The Textual shell: real key events through its pilot, and what it does where it cannot draw."""

from __future__ import annotations

import asyncio
import io

import gauge_runs as runs
import pytest
from benchd_dashboards import plain, terminal
from benchd_dashboards.look import Look
from benchd_dashboards.state import State
from benchd_dashboards.terminal import Gauge, Sheet
from test_gauge_state import until


class Bench:
    """A gauge on a made-up state, and what its keys told."""

    def __init__(self, records, live: bool = True, linger_s: float = 60.0) -> None:
        self.told: list[tuple[str, str, str]] = []
        self.state = State()
        for one in records:
            self.state.apply(one)
        operator = (lambda *what: self.told.append(what)) if live else None
        self.app = Gauge(self.state, Look(), operator, "", linger_s)

    def shown(self) -> str:
        size = self.app.query_one(Sheet).size
        return self.app.draw(size.width, size.height).plain


async def test_keys_reach_the_run():
    bench = Bench(runs.preparations("regulator"))
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await pilot.press("enter")
        await pilot.press("m", "k", "full_stop", "enter")
        await pilot.press("a", "x", "a", "y")
    assert bench.told == [
        ("answer", "hook-up", "done"),
        ("mark", "", "k."),
        ("abort", "key", "aborted at the gauge"),
    ]


async def test_ctrl_c_aborts_and_leaves():
    bench = Bench(until(runs.regulator_pass(), 60))
    async with bench.app.run_test(size=(80, 24)) as pilot:
        await pilot.press("ctrl+c")
        await pilot.pause()
        assert bench.app._exit
    assert bench.told == [("abort", "ctrl-c", "Ctrl-C at the gauge")]
    assert bench.app.left_early


async def test_the_page_follows_the_size():
    bench = Bench(until(runs.regulator_pass(), 60))
    async with bench.app.run_test(size=(80, 24)) as pilot:
        for columns, rows in ((40, 12), (120, 40), (80, 24)):
            await pilot.resize_terminal(columns, rows)
            await pilot.pause()
            lines = bench.shown().split("\n")
            assert len(lines) == rows
            assert max(map(len, lines)) == columns


async def test_it_rings_at_a_crossing_and_at_the_end(monkeypatch):
    rung = []
    monkeypatch.setattr(Gauge, "bell", lambda self: rung.append(self.state.t_s))
    records = list(runs.ceiling_crossing())
    bench = Bench([])
    async with bench.app.run_test(size=(80, 24)):
        for one in records:
            bench.state.apply(one)
            bench.app.frame()
    assert rung == [8.0, 10.0]


async def test_the_end_page_scrolls_and_is_left_by_q():
    bench = Bench(runs.regulator_pass(), live=False)
    async with bench.app.run_test(size=(40, 12)) as pilot:
        before = bench.shown()
        await pilot.press("down", "down")
        assert bench.app.hand.scroll == 2
        assert bench.shown() != before
        await pilot.press("q")
        await pilot.pause()
        assert bench.app._exit


async def test_the_end_page_goes_by_itself_unless_somebody_reads_it():
    left, read = Bench(runs.regulator_pass(), linger_s=1.0), Bench(runs.regulator_pass(), linger_s=1.0)
    for bench, key in ((left, None), (read, "down")):
        async with bench.app.run_test(size=(80, 24)) as pilot:
            bench.app.ended = True
            if key:
                await pilot.press(key)
            for _ in range(20):
                bench.app.frame()
            assert bench.app.hand.leaving == (key is None)


async def test_an_unchanged_state_is_not_drawn_again(monkeypatch):
    bench = Bench(until(runs.regulator_pass(), 60))
    drawn = []
    async with bench.app.run_test(size=(80, 24)):
        bench.app.frame()
        monkeypatch.setattr(Sheet, "refresh", lambda self, *_, **__: drawn.append(1))
        for _ in range(5):
            bench.app.frame()
        assert drawn == []
        bench.state.apply(runs.sample(61, battery_volts=13.9))
        bench.app.frame()
        assert drawn == [1]


async def stream(records):
    for one in records:
        yield one


async def test_without_a_terminal_the_run_is_told_in_lines(monkeypatch):
    out = io.StringIO()
    monkeypatch.setattr(terminal, "usable", lambda: False)
    monkeypatch.setattr(plain.sys, "stderr", out)
    await asyncio.wait_for(terminal.SCREEN.show(stream(runs.void_run()), None), 5)
    assert "VERDICT: VOID, suspect: engine speed" in out.getvalue()


@pytest.mark.parametrize("term", ["dumb", ""])
def test_a_dumb_terminal_is_not_usable(monkeypatch, term):
    class Tty(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(terminal.sys, "__stdin__", Tty())
    monkeypatch.setattr(terminal.sys, "__stderr__", Tty())
    monkeypatch.setenv("TERM", "xterm")
    assert terminal.usable()
    monkeypatch.setenv("TERM", term)
    assert not terminal.usable()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(terminal.sys, "__stdin__", io.StringIO())
    assert not terminal.usable()
