"""The terminal gauge: Textual for keys, resizing and putting the terminal back; what is drawn comes from view.py.

The records are folded by a task of their own, so a slow terminal never holds up the run: each frame draws the newest
state and skips what lay between.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any, ClassVar

from benchd_dashboards.keys import Action, Hand
from benchd_dashboards.look import Look
from benchd_dashboards.plain import Operator, PlainScreen, Printer, line_width
from benchd_dashboards.state import State
from benchd_dashboards.view import page
from rich.text import Text
from textual import events
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.widget import Widget

FRAMES_PER_S = 8
LINGER_S = 30.0
_RECORDS_AT_ONCE = 64  # then the loop gets a turn: a replay never waits by itself


class Sheet(Widget):
    """The whole terminal as one page."""

    DEFAULT_CSS = "Sheet { width: 100%; height: 100%; }"

    def render(self) -> Text:
        app = self.app
        assert isinstance(app, Gauge)
        return app.draw(self.size.width, self.size.height)


class Gauge(App[None]):
    """The shell: hands keys to `Hand`, what they mean to the operator's callback, and the newest state to the page."""

    CSS = """
    Screen { background: #14181c; color: #d5dde5; overflow: hidden; }
    Screen.bare { background: ansi_default; color: ansi_default; }
    """
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "hit('ctrl+c')", show=False, priority=True),
        Binding("ctrl+q", "hit('q')", show=False, priority=True),
    ]

    def __init__(self, state: State, look: Look, operator: Operator | None, title: str, linger_s: float) -> None:
        super().__init__(ansi_color=look.no_color)
        self.state, self.look, self.heading = state, look, title
        self.hand = Hand(live=operator is not None)
        self.ended = False  # no more records will come
        self.gone = False  # the terminal was given back
        self.left_early = False  # before the run's end: what comes is said in lines
        self.missed: list[str] = []  # lines for the time between leaving and getting the terminal back
        self._operator, self._linger_s = operator, linger_s
        self._rung, self._ended_for_s, self._drawn = state.bells, 0.0, -1

    def compose(self) -> ComposeResult:
        yield Sheet()

    def on_mount(self) -> None:
        self.screen.set_class(self.look.no_color, "bare")
        self.set_interval(1 / FRAMES_PER_S, self.frame)

    def draw(self, columns: int, rows: int) -> Text:
        lines = page(self.state, columns, rows, self.look, self.hand, self.heading)
        return Text("\n", no_wrap=True, overflow="crop", end="").join(lines)

    def frame(self) -> None:
        """One picture: ring if a bell is due, leave if it is time, draw the newest state."""
        if self.state.bells > self._rung:
            self._rung = self.state.bells
            self.bell()
        if _hung_up():
            self._tell([("abort", "hang-up", "the terminal was closed")] if not self.state.ended else [])
            self._leave()
            return
        self._linger()
        if self.hand.leaving:
            self._leave()
            return
        if self.ended or self.state.news != self._drawn:  # an unchanged page costs nothing
            self._drawn = self.state.news
            self.query_one(Sheet).refresh()

    def _linger(self) -> None:
        """Leave the end page unasked after a while, unless somebody is reading it."""
        if not self.ended:
            return
        if self.hand.stirred:
            self.hand.note = ""
            return
        self._ended_for_s += 1 / FRAMES_PER_S
        left_s = self._linger_s - self._ended_for_s
        self.hand.note = f"any key stays, else on in {max(left_s, 0):.0f} s"
        self.hand.leaving = self.hand.leaving or left_s <= 0

    def on_key(self, event: events.Key) -> None:
        event.stop()
        self._press(event.key, event.character or "")

    def on_paste(self, event: events.Paste) -> None:
        self.hand.paste(event.text)

    def action_hit(self, key: str) -> None:
        self._press(key, key if len(key) == 1 else "")

    def _press(self, key: str, char: str) -> None:
        actions = self.hand.press(key, char, self.state)
        if self.hand.leaving:
            self._leave()
        self._tell(actions)
        if self.hand.leaving:
            return
        self.query_one(Sheet).refresh()

    def _leave(self) -> None:
        self.left_early = self.left_early or not self.state.ended
        self.exit()

    def _tell(self, actions: list[Action]) -> None:
        for action in actions:
            if self._operator is not None:
                self._operator(*action)


def _hung_up() -> bool:
    """Whether the terminal is gone: Textual would go on reading from it in a tight loop."""
    stdin = sys.__stdin__
    if not hasattr(select, "poll") or stdin is None or stdin.closed:
        return False
    try:
        poll = select.poll()
        poll.register(stdin.fileno(), 0)
        return any(event & (select.POLLHUP | select.POLLNVAL) for _, event in poll.poll(0))
    except (OSError, ValueError):
        return False


def usable() -> bool:
    """Whether keys can be read and a page be drawn (Textual draws on stderr)."""
    streams = (sys.__stdin__, sys.__stderr__)
    ttys = all(one is not None and not one.closed and one.isatty() for one in streams)
    return ttys and os.environ.get("TERM", "") not in ("", "dumb")


@dataclass(frozen=True, slots=True)
class TerminalScreen:
    """The gauge on this terminal. `linger_s`: how long the end page stays if nobody presses a key."""

    linger_s: float = LINGER_S

    async def show(
        self,
        records: AsyncIterator[dict[str, Any]],
        operator: Operator | None,
        *,
        ascii: bool = False,
        no_color: bool = False,
        title: str = "",
    ) -> None:
        """Draw until the records have ended and the person leaves the end page.

        Who leaves earlier (Ctrl-C, a closed terminal) gets the terminal back at once; a live run's records are then
        taken to their end as plain lines, a replay's are left alone. Without a usable terminal: plain lines.
        """
        if not usable():
            await PlainScreen().show(records, operator, ascii=ascii, no_color=no_color, title=title)
            return
        look = Look(ascii=ascii, no_color=no_color or "NO_COLOR" in os.environ)
        printer = Printer(look, title, width=line_width(sys.stderr))
        gauge = Gauge(printer.state, look, operator, title, self.linger_s)
        fold = asyncio.create_task(_fold(records, printer, gauge))
        try:
            await gauge.run_async(mouse=False)
            gauge.left_early = gauge.left_early or not printer.state.ended
            gauge.gone = True
            task = asyncio.current_task()
            if task is not None and task.cancelling():  # Textual takes a cancellation for an ordinary end
                raise asyncio.CancelledError
            PlainScreen().say(gauge.missed)
            # Left at the end page, nothing of this run is still to be told; whoever follows gets no end of records.
            if fold.done() or (operator is not None and gauge.left_early):
                await fold
        finally:
            fold.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await fold


async def _fold(records: AsyncIterator[dict[str, Any]], printer: Printer, gauge: Gauge) -> None:
    """Take every record as it comes; once the gauge has gone, say the news in lines."""
    taken, lines = 0, PlainScreen()
    try:
        async for record in records:
            if not gauge.left_early:
                printer.state.apply(record)
            elif gauge.gone:
                lines.say(_lines(printer, record))
            else:
                gauge.missed += _lines(printer, record)
            taken += 1
            if taken % _RECORDS_AT_ONCE == 0:
                await asyncio.sleep(0)
    except Exception:
        gauge.hand.leaving = True  # nobody wants to read an end page; show() raises what happened
        raise
    finally:
        gauge.ended = True


def _lines(printer: Printer, record: dict[str, Any]) -> list[str]:
    """The record's news but for the verdict: the command that began the run says that once the screen is gone."""
    lines = printer.lines(record)
    return [] if record.get("kind") in ("verdict", "run-closed") else lines


SCREEN = TerminalScreen()
