"""The shell of the shift's screen: Textual for keys, resizing and giving the terminal back. Calls on the door go to a thread;
the test runs in the same loop, and its records are folded as they come."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

from benchd_dashboards.look import Look
from benchd_dashboards.lot.page import page
from benchd_dashboards.lot.shift import Action, Shift
from benchd_dashboards.shell import Shell
from benchd_dashboards.terminal import usable
from rich.text import Text
from textual import events, work
from textual.binding import Binding, BindingType

FRAMES_PER_S = 8
LOOK_AGAIN_S = 5.0  # other benches test units of the same lot

Operator = Callable[[str, str, str], None]
Show = Callable[[AsyncIterator[dict[str, Any]], Operator | None], Awaitable[None]]


class Calls(Protocol):
    """What the screen may have done. `body` and `scan` block; all raise errors whose message is for a person."""

    def body(self) -> Mapping[str, Any]: ...
    def scan(self, text: str, again: bool) -> Mapping[str, Any]:
        """ANSWER of benchd/lots/door.py."""

    async def test(self, serial: str, again: bool, show: Show) -> Mapping[str, Any]:
        """Test the unit to its end, its records shown; the verdict object."""


class ShiftApp(Shell):
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(key, f"hit('{key}')", show=False, priority=True) for key in ("ctrl+c", "ctrl+q", "tab", "shift+tab")
    ]

    def __init__(self, calls: Calls, bench: str, by: str, look: Look) -> None:
        super().__init__(look)
        self.shift = Shift(bench, by)
        self._calls = calls
        self._operator: Operator | None = None
        self._drawn = -1

    def on_mount(self) -> None:
        self._look_again()
        self.set_interval(LOOK_AGAIN_S, self._look_again)
        self.set_interval(1 / FRAMES_PER_S, self._frame)

    def lines(self, columns: int, rows: int) -> list[Text]:
        return page(self.shift, columns, rows, self.look)

    def _frame(self) -> None:
        state = self.shift.state
        if state is not None and state.news != self._drawn:
            self._drawn = state.news
            self.redraw()

    # --- keys -------------------------------------------------------------------------------------------------------

    def on_key(self, event: events.Key) -> None:
        event.stop()
        self._press(event.key, event.character or "")

    def on_paste(self, event: events.Paste) -> None:
        self.shift.paste(event.text)
        self.redraw()

    def action_hit(self, key: str) -> None:
        self._press("ctrl+c" if key == "ctrl+q" else key, "")

    def _press(self, key: str, char: str) -> None:
        for action in self.shift.press(key, char):
            self._do(action)
        self.redraw()

    def _do(self, action: Action) -> None:
        if action[0] == "leave":
            self.exit()
        elif action[0] == "stop":
            if self._operator is not None:
                self._operator("abort", "", "stopped by the operator")
        else:
            self.shift.busy = True
            self._scan(action[1], action[2] == "again")

    # --- calls --------------------------------------------------------------------------------------------------------

    @work(thread=True, exclusive=True, group="looks")
    def _look_again(self) -> None:
        from benchd.errors import BenchdError

        try:
            body = self._calls.body()
        except BenchdError as error:
            self.call_from_thread(self._trouble, str(error))
            return
        self.call_from_thread(self._seen, body)

    def _seen(self, body: Mapping[str, Any]) -> None:
        self.shift.body = body
        self.redraw()

    @work(thread=True, group="scans")
    def _scan(self, text: str, again: bool) -> None:
        from benchd.errors import BenchdError

        try:
            answer = self._calls.scan(text, again)
        except BenchdError as error:
            self.call_from_thread(self._trouble, str(error))
            return
        self.call_from_thread(self._answered, answer, again)

    def _answered(self, answer: Mapping[str, Any], again: bool) -> None:
        self.shift.busy = False
        if self.shift.answered(answer):
            self._test(str(answer["serial"]), again)
        else:
            self.bell()
        self.redraw()

    def _trouble(self, text: str) -> None:
        self.shift.busy = False
        self.shift.say(text, trouble=True)
        self.bell()
        self.redraw()

    @work(group="tests")
    async def _test(self, serial: str, again: bool) -> None:
        from benchd.errors import BenchdError

        self.shift.began(serial)
        trouble = ""
        try:
            await self._calls.test(serial, again, self._follow)
        except BenchdError as error:
            trouble = str(error)
        finally:
            self._operator = None
            self.shift.ended(trouble)
            self.bell()
        self.redraw()
        self._look_again()

    async def _follow(self, records: AsyncIterator[dict[str, Any]], operator: Operator | None) -> None:
        self._operator = operator
        state = self.shift.state
        assert state is not None
        async for record in records:
            state.apply(record)


@dataclass(frozen=True, slots=True)
class ShiftForm:
    """The screen of a shift on this terminal."""

    def show(self, calls: Calls, bench: str, by: str = "", *, ascii: bool = False, no_color: bool = False) -> bool:
        """Until the person leaves; False at once where no terminal can carry it."""
        if not usable():
            return False
        look = Look(ascii=ascii, no_color=no_color or "NO_COLOR" in os.environ)
        ShiftApp(calls, bench, by, look).run(mouse=False)
        return True


FORM = ShiftForm()
