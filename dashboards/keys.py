"""What a key press means, apart from any terminal: typing, marking, answering, aborting, scrolling, leaving."""

from __future__ import annotations

from dataclasses import dataclass

from benchd_dashboards.state import Ask, State

#: (kind, id, text) as the run takes it: kind is "answer", "mark" or "abort".
Action = tuple[str, str, str]

_OWN = frozenset("amqy")  # letters with a meaning of their own are no short cut for a choice
_STARTS_FIGURE = frozenset("0123456789+-.")
MOST_TYPED = 200


@dataclass(slots=True)
class Hand:
    """What the person at the keys is doing. `live` = there is a run to act on; else it is only watched.

    `mode` is 'watch', 'sure?' (abort asked once more), 'answer' or 'mark' (a line is being typed).
    """

    live: bool = True
    mode: str = "watch"
    typed: str = ""
    scroll: int = 0
    aborted: bool = False
    leaving: bool = False
    stirred: bool = False  # a key was pressed on the end page: do not leave it unasked
    note: str = ""  # stands at the foot of the page

    def press(self, key: str, char: str, state: State) -> list[Action]:
        """What to tell the run about this key (named as Textual names keys; `char` '' if it prints nothing)."""
        self.stirred = self.stirred or state.ended
        if key == "ctrl+c":
            self.leaving = True
            return self._abort("ctrl-c", "Ctrl-C at the gauge") if not state.ended else []
        if self.mode == "sure?":
            self.mode = "watch"
            return self._abort("key", "aborted at the gauge") if char in ("y", "Y") else []
        if self.mode in ("answer", "mark"):
            return self._type(key, char, state)
        if self._moves(key) or not key:
            return []
        return self._watch(key, char, state)

    def paste(self, text: str) -> None:
        """Pasted words go to the line being typed, nowhere else."""
        if self.mode in ("answer", "mark"):
            self._add(text)

    def _add(self, text: str) -> None:
        self.typed = (self.typed + "".join(c for c in text if c.isprintable()))[:MOST_TYPED]

    def _abort(self, ident: str, why: str) -> list[Action]:
        if self.aborted or not self.live:
            return []
        self.aborted = True
        return [("abort", ident, why)]

    def _moves(self, key: str) -> bool:
        step = {"up": -1, "down": 1, "pageup": -8, "pagedown": 8, "home": -(10**6), "end": 10**6}.get(key)
        if step is not None:
            self.scroll = max(self.scroll + step, 0)
        return step is not None

    def _watch(self, key: str, char: str, state: State) -> list[Action]:
        if char in ("q", "Q") or (state.ended and key in ("enter", "escape")):
            self.leaving = state.ended or not self.live
            return []
        if not self.live or state.ended:
            return []
        if char in ("a", "A"):
            self.mode = "watch" if self.aborted else "sure?"
            return []
        if char in ("m", "M"):
            self.mode, self.typed = "mark", ""
            return []
        return self._ask(key, char, state)

    def _ask(self, key: str, char: str, state: State) -> list[Action]:
        if not state.questions:
            return []
        ask = state.questions[0]
        if ask.choices is None:
            if key == "enter" or char in _STARTS_FIGURE - {""}:
                self.mode, self.typed = "answer", char if key != "enter" else ""
            return []
        chosen = choice(ask, key, char)
        return [] if chosen is None else [("answer", ask.id, chosen)]

    def _type(self, key: str, char: str, state: State) -> list[Action]:
        if key == "escape":
            self.mode, self.typed = "watch", ""
        elif key == "backspace":
            self.typed = self.typed[:-1]
        elif key == "ctrl+u":
            self.typed = ""
        elif key == "enter":
            return self._send(state)
        elif char and char.isprintable():
            self._add(char)
        return []

    def _send(self, state: State) -> list[Action]:
        mode, text = self.mode, self.typed.strip()
        self.mode, self.typed = "watch", ""
        if mode == "mark":
            return [("mark", "", text or "mark")]
        free = next((ask for ask in state.questions if ask.choices is None), None)
        return [] if free is None else [("answer", free.id, text)]


def shortcuts(ask: Ask) -> list[tuple[str, str]]:
    """(key, choice) for every choice: Enter for the only one, else its number."""
    choices = ask.choices or ()
    if len(choices) == 1:
        return [("Enter", choices[0])]
    return [(str(place), one) for place, one in enumerate(choices, 1)]


def choice(ask: Ask, key: str, char: str) -> str | None:
    """The choice that a key means: its number, its first letter if only one has it, Enter for the only one."""
    choices = ask.choices or ()
    if key == "enter":
        return choices[0] if len(choices) == 1 else None
    if char.isascii() and char.isdigit():
        return choices[int(char) - 1] if 1 <= int(char) <= len(choices) else None
    letter = char.lower()
    if not letter or letter in _OWN:
        return None
    fits = [one for one in choices if one.lower().startswith(letter)]
    return fits[0] if len(fits) == 1 else None
