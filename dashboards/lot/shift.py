"""A shift at one bench: scan, test, next. Pure: keys and news in, actions out; the shell carries them out.

Letters and digits always go to the scan line, so that a scanner that types and ends with Enter is all that is needed. What is
scanned while a unit is under test is not kept: a unit is scanned when it is mounted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchd_dashboards.state import State

#: ('scan', text, 'again' or ''), ('stop',), ('leave',).
Action = tuple[str, ...]
MOST_TYPED = 200


@dataclass(slots=True)
class Shift:
    """What the screen shows. `body` is the lot body of benchd/lots/door.py; `state` the run under way, or the last one."""

    bench: str = ""
    by: str = ""
    body: Mapping[str, Any] = field(default_factory=dict)
    typed: str = ""
    asked: str = ""  # a serial that was judged before: scanned again it is tested again
    testing: str = ""
    shown: str = ""  # whose run stands on the screen
    said: str = ""
    troubled: bool = False
    more: Sequence[str] = ()  # lines below what is said: history, what to check
    state: State | None = None
    busy: bool = False

    # --- keys -------------------------------------------------------------------------------------------------------

    def press(self, key: str, char: str) -> list[Action]:
        """What to do about this key (named as Textual names keys; `char` '' if it prints nothing)."""
        if key == "ctrl+c":
            return [("stop",)] if self.testing else [("leave",)]
        if key == "escape":
            return self._back()
        if key == "enter":
            return self._enter()
        if key == "backspace":
            self.typed = self.typed[:-1]
        elif key == "ctrl+u":
            self.typed = ""
        elif char:
            self.paste(char)
        return []

    def paste(self, text: str) -> None:
        """Signs of a scanner: also those that cannot be seen, since a damaged label must be named, not mended."""
        self.typed = (self.typed + text)[:MOST_TYPED]

    def _back(self) -> list[Action]:
        if self.typed or self.asked:
            self.typed = self.asked = ""
            self.say("")
            return []
        return [] if self.testing else [("leave",)]

    def _enter(self) -> list[Action]:
        typed, self.typed = self.typed, ""
        if self.testing:
            self.say(f"{self.testing} is under test: scan the next one when it is mounted.", trouble=True)
            return []
        if self.busy:
            self.say("One moment: the last scan is being looked up. Scan again.", trouble=True)
            return []
        again = "again" if self.asked and typed.strip() == self.asked else ""
        self.asked = ""
        return [("scan", typed, again)]

    # --- news -------------------------------------------------------------------------------------------------------

    def say(self, text: str, *more: str, trouble: bool = False) -> None:
        self.said, self.more, self.troubled = text, more, trouble

    def answered(self, answer: Mapping[str, Any]) -> bool:
        """Take the answer to a scan; whether the unit is to be tested now."""
        serial, history = str(answer.get("serial") or ""), [told(one) for one in answer.get("history") or ()]
        if answer.get("action") == "test":
            self.say("", *history[:3])
            return True
        if answer.get("action") == "ask":
            self.asked = serial
            self.say(
                f"{answer.get('why')} Scan it again to test it again; any other scan goes on.", *history, trouble=True
            )
            return False
        self.say(str(answer.get("why") or ""), *history, trouble=True)
        return False

    def began(self, serial: str) -> None:
        self.testing = self.shown = serial
        self.state = State()

    def ended(self, trouble: str = "") -> None:
        self.testing = ""
        if trouble:
            self.say(trouble, trouble=True)


def told(test: Mapping[str, Any]) -> str:
    """An earlier test of a unit as a line."""
    what = str(test.get("verdict") or test.get("status") or "not judged").upper()
    mode = f", {test['title']}" if test.get("title") else ""
    at = str(test.get("started") or "")[:16].replace("T", " ")
    lot = f" in {test['lot']}" if test.get("lot") else ""
    return f"{what}{mode}: {at} UTC on {test.get('bench') or '?'}{lot}"
