"""The shell of the visit's screens: Textual for keys, resizing and giving the terminal back; calls on the door go to a
thread, one after the other, so that a daemon that answers late holds up no key."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol

from benchd_dashboards.look import Look
from benchd_dashboards.shell import Shell
from benchd_dashboards.terminal import usable
from benchd_dashboards.visit.desk import Action, Desk
from benchd_dashboards.visit.sheet import sheet
from rich.text import Text
from textual import events, work
from textual.binding import Binding, BindingType

LOOK_AGAIN_S = 3.0  # another bench may write into the same order


class Calls(Protocol):
    """What the screens may have done; each blocks, and raises an error whose message is for a person."""

    def orders(self) -> Sequence[Mapping[str, Any]]: ...
    def order(self, number: str) -> Mapping[str, Any]: ...
    def knowledge(self) -> Mapping[str, Any]: ...
    def machines(self) -> Sequence[str]: ...
    def do(self, number: str, action: Action) -> tuple[Mapping[str, Any] | None, str]:
        """Carry one action out: (the order's body as it is now, what to say)."""


#: Runs a procedure for an order in this terminal, which it has for itself meanwhile; what to say afterwards.
RunHere = Callable[[str, str], str]


class VisitApp(Shell):
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(key, f"hit('{key}')", show=False, priority=True) for key in ("ctrl+c", "tab", "shift+tab")
    ]

    def __init__(self, calls: Calls, run_here: RunHere, look: Look, number: str | None = None) -> None:
        super().__init__(look)
        self.desk = Desk()
        self._calls, self._run_here, self._number = calls, run_here, number
        self._asked = 0  # actions under way: an older look at the order does not undo a newer one

    def on_mount(self) -> None:
        self._begin()
        self.set_interval(LOOK_AGAIN_S, self._again)

    def lines(self, columns: int, rows: int) -> list[Text]:
        return sheet(self.desk, columns, rows, self.look)

    # --- keys -------------------------------------------------------------------------------------------------------

    def on_key(self, event: events.Key) -> None:
        event.stop()
        self._press(event.key, event.character or "")

    def on_paste(self, event: events.Paste) -> None:
        self.desk.paste(event.text)
        self.redraw()

    def action_hit(self, key: str) -> None:
        self._press(key, "")

    def _press(self, key: str, char: str) -> None:
        for action in self.desk.press(key, char):
            if action[0] == "leave":
                self.exit()
            elif action[0] == "run":
                self._run(action[1])
            else:
                self._asked += 1
                self.desk.busy = True
                self._act(action)
        self.redraw()

    def _run(self, procedure: str) -> None:
        """The run has the terminal for itself."""
        assert self.desk.body is not None
        number = str(self.desk.body["work_order"])
        with self.suspend():
            said = self._run_here(procedure, number)
        self.desk.say(said)
        self._look_at(number)

    # --- calls --------------------------------------------------------------------------------------------------------

    @work(thread=True, group="calls")
    def _begin(self) -> None:
        self._told(self._first_look)

    def _first_look(self) -> Callable[[], None]:
        knowledge, machines, orders = self._calls.knowledge(), self._calls.machines(), self._calls.orders()
        body = None if self._number is None else self._calls.order(self._number)

        def show() -> None:
            self.desk.knowledge, self.desk.machines = knowledge, machines
            self.desk.list(orders)
            self.desk.show(body)

        return show

    @work(thread=True, group="calls")
    def _act(self, action: Action) -> None:
        self._told(lambda: self._done(action), asked=True)

    def _done(self, action: Action) -> Callable[[], None]:
        if action[0] == "orders":
            orders = self._calls.orders()

            def listed() -> None:
                self.desk.list(orders)
                self.desk.show(None)

            return listed
        number = "" if self.desk.body is None else str(self.desk.body["work_order"])
        body, said = self._calls.do(number, action)

        def show() -> None:
            self.desk.show(body)
            self.desk.say(said)

        return show

    def _again(self) -> None:
        if self.desk.body is not None and not self._asked and self.desk.body["state"] == "open":
            self._look_at(str(self.desk.body["work_order"]))

    @work(thread=True, exclusive=True, group="looks")
    def _look_at(self, number: str) -> None:
        self._told(lambda: self._fresh(number), quiet=True)

    def _fresh(self, number: str) -> Callable[[], None]:
        body = self._calls.order(number)

        def show() -> None:
            here = self.desk.body
            if not self._asked and here is not None and here["work_order"] == body["work_order"]:
                self.desk.show(body)

        return show

    def _told(self, call: Callable[[], Callable[[], None]], *, asked: bool = False, quiet: bool = False) -> None:
        """In the thread: make the call, then have its news shown, or its trouble said."""
        from benchd.errors import BenchdError

        try:
            show = call()
        except BenchdError as error:
            trouble = str(error)
            self.call_from_thread(self._shown, None if quiet else lambda: self.desk.say(trouble, trouble=True), asked)
        else:
            self.call_from_thread(self._shown, show, asked)

    def _shown(self, show: Callable[[], None] | None, asked: bool) -> None:
        if asked:
            self._asked -= 1
            self.desk.busy = self._asked > 0
        if show is not None:
            show()
        self.redraw()


@dataclass(frozen=True, slots=True)
class VisitForm:
    """The screens of a visit on this terminal."""

    def show(
        self,
        calls: Calls,
        run_here: RunHere,
        number: str | None = None,
        *,
        ascii: bool = False,
        no_color: bool = False,
    ) -> bool:
        """Until the person leaves; False at once where no terminal can carry it."""
        if not usable():
            return False
        look = Look(ascii=ascii, no_color=no_color or "NO_COLOR" in os.environ)
        VisitApp(calls, run_here, look, number).run(mouse=False)
        return True


FORM = VisitForm()
