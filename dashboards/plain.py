"""The screen for terminals that cannot be drawn on, for log files and for --headless: one line for each news.

Lines go to stderr: stdout belongs to --json.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, TextIO

from benchd_dashboards.dials import dial, main_channels
from benchd_dashboards.endpage import account, suspect_line, verdict_word
from benchd_dashboards.keys import choice, shortcuts
from benchd_dashboards.look import Look, clock, harmless
from benchd_dashboards.state import Ask, State
from benchd_dashboards.words import flag_line, gap_line, heading, leaning, number_with_spread

Operator = Callable[[str, str, str], None]

STATUS_EVERY_S = 10.0  # run time between two status lines
_STAMP = 8  # columns before each line's words


@dataclass(slots=True)
class Printer:
    """Turns records into lines; keeps the state that they fold into."""

    look: Look = field(default_factory=Look)
    title: str = ""
    state: State = field(default_factory=State)
    reads_answers: bool = False
    width: int = 100
    _told_s: float = -1e9
    _leaning: str = ""
    _flags: set[tuple[str, str]] = field(default_factory=set)

    def lines(self, record: Mapping[str, Any]) -> list[str]:
        """The news in this record, mostly none."""
        over, gaps = self.state.over_ceiling, dict(self.state.gaps)
        self.state.apply(record)
        news = [self.look.say(text) for text in self._news(record, over, gaps)]
        return [f"[{clock(self.state.t_s):>5}] {text}" for text in news]

    def _news(self, record: Mapping[str, Any], over: bool, gaps: Mapping[str, Any]) -> list[str]:
        kind, state = record.get("kind"), self.state
        if kind == "sample":
            crossed = state.over_ceiling and not over
            alarm = [f"OVER {state.ceiling():g} V, THE CEILING: CLOSE THE THROTTLE"] if crossed else []
            return alarm + self._new_flags() + self._status()
        if kind == "standing":
            return self._standing()
        if kind == "gap":
            name = harmless(record.get("instrument", ""))
            return (
                [f"{name} is back"] * (name in gaps)
                if name not in state.gaps
                else [gap_line(name, state.gaps[name], state.t_s)]
            )
        if kind == "flag":
            return self._new_flags()
        teller = _TELLERS.get(str(kind))
        return [] if teller is None else teller(self, record)

    def _new_flags(self) -> list[str]:
        now = self.state.flags_now()
        fresh = [flag_line(*key, cure) for key, cure in now.items() if key not in self._flags]
        gone = [f"{where.replace('_', ' ')}: {flag} is over" for where, flag in self._flags if (where, flag) not in now]
        self._flags = set(now)
        return fresh + sorted(gone)

    def _standing(self) -> list[str]:
        words = leaning(self.state)[0].split(",")[0]
        key = f"{self.state.phase}: {words}"
        if key == self._leaning:
            return []
        self._leaning = key
        if words.lower() == self.state.phase:
            return [words]
        return [f"{key}. {harmless(self.state.standing.get('why', ''))}".rstrip()]

    def _status(self) -> list[str]:
        """One line of numbers every few seconds of run time."""
        state = self.state
        if state.t_s - self._told_s < STATUS_EVERY_S:
            return []
        self._told_s = state.t_s
        parts = []
        turns = state.engine_runs or "engine_rpm" in state.tracks
        for channel in (*main_channels(state), *(["engine_rpm"] if turns else [])):
            one = dial(state, channel)
            value = one.word.lower() if one.value is None else f"{one.text()} {one.unit}".strip()
            word = f" ({one.word.lower()})" if one.word and one.value is not None else ""
            parts.append(f"{channel.replace('_', ' ')} {value}{word}")
        if state.standing:
            parts.append(leaning(state)[0].lower())
        if state.left_s() is not None:
            parts.append(f"about {clock(state.left_s())} left")
        return ["; ".join(parts)]

    def _opened(self, _record: Mapping[str, Any]) -> list[str]:
        return [heading(self.state, self.width, self.look, self.title).plain.rstrip()]

    def _prompt(self, record: Mapping[str, Any]) -> list[str]:
        state = self.state
        asks = [*state.questions, *([state.instruction] if state.instruction else [])]
        ask = next((one for one in asks if one.id == str(record.get("id", ""))), None)
        if ask is None:
            return []
        lines = [f"DO: {ask.text}" + (f"  {self._how(ask)}" if self.reads_answers else "")]
        return lines + ([f"CAUTION: {ask.caution}"] if ask.caution else [])

    def _how(self, ask: Ask) -> str:
        if not ask.is_question:
            return ""
        if ask.choices is None:
            return "(type the figure and Enter, Enter alone if there is none)"
        return "(" + ", ".join(f"{key} = {one}" for key, one in shortcuts(ask)) + ")"

    def _caution(self, record: Mapping[str, Any]) -> list[str]:
        return [f"CAUTION: {harmless(record.get('text', ''))}"]

    def _mark(self, _record: Mapping[str, Any]) -> list[str]:
        return [f"marked: {self.state.mark.text}"] if self.state.mark else []

    def _trouble(self, _record: Mapping[str, Any]) -> list[str]:
        return [f"NOT BEING KEPT: {self.state.trouble}"]

    def _notice(self, _record: Mapping[str, Any]) -> list[str]:
        return [self.state.notice.text] if self.state.notice else []

    def _verdict(self, _record: Mapping[str, Any]) -> list[str]:
        words, suspect = verdict_word(self.state)[0], suspect_line(self.state)
        estimates = dict(self.state.standing.get("estimates") or {}) if not self.state.verdict.get("measured") else {}
        lines = [f"VERDICT: {words}" + (f", {suspect}" if suspect else "")]
        lines += [line.plain for line in account(self.state, self.width, self.look) if line.plain.strip()]
        lines += [f"{name}: {number_with_spread(found)}" for name, found in estimates.items()]
        return [lines[0], *(["Close the throttle."] if self.state.engine_runs else []), *lines[1:]]

    def _closed(self, record: Mapping[str, Any]) -> list[str]:
        reason = harmless(record.get("reason") or "")
        return [f"run closed, {record.get('status', '')}" + (f": {reason}" if reason else "")]


_TELLERS: dict[str, Callable[[Printer, Mapping[str, Any]], list[str]]] = {
    "run-opened": Printer._opened,
    "prompt": Printer._prompt,
    "caution": Printer._caution,
    "mark": Printer._mark,
    "trouble": Printer._trouble,
    "notice": Printer._notice,
    "verdict": Printer._verdict,
    "run-closed": Printer._closed,
}


def typed(line: str, state: State) -> tuple[str, str, str] | None:
    """What a typed line means to the run: 'abort', 'mark ...', or the answer to the oldest question."""
    line = line.strip()
    word, _, rest = line.partition(" ")
    if word.lower() == "abort":
        return ("abort", "key", "aborted at the keyboard")
    if word.lower() in ("mark", "m"):
        return ("mark", "", rest.strip() or "mark")
    if not state.questions:
        return None
    ask = state.questions[0]
    if ask.choices is None:
        return ("answer", ask.id, line)
    if line in ask.choices:
        return ("answer", ask.id, line)
    chosen = choice(ask, line or "enter", line if len(line) == 1 else "")
    return None if chosen is None else ("answer", ask.id, chosen)


class Keyboard:
    """Lines typed on a terminal, without a thread that would outlive the screen."""

    def __init__(self, take: Callable[[str], None]) -> None:
        self._take, self._kept, self._fd = take, b"", -1

    def __enter__(self) -> Keyboard:
        if sys.stdin is not None and not sys.stdin.closed and sys.stdin.isatty():
            with contextlib.suppress(NotImplementedError, PermissionError):  # not every event loop can
                asyncio.get_running_loop().add_reader(sys.stdin.fileno(), self._read)
                self._fd = sys.stdin.fileno()
        return self

    def __exit__(self, *_: object) -> None:
        if self._fd >= 0:
            asyncio.get_running_loop().remove_reader(self._fd)
            self._fd = -1

    @property
    def works(self) -> bool:
        return self._fd >= 0

    def _read(self) -> None:
        try:
            data = os.read(self._fd, 4096)
        except OSError:
            data = b""
        if not data:  # closed: nothing more will come, and a reader on it would spin
            self.__exit__()
            return
        *lines, self._kept = (self._kept + data).split(b"\n")
        for line in lines:
            self._take(harmless(line.decode(errors="replace")))


@dataclass(frozen=True, slots=True)
class PlainScreen:
    """Lines to `out` (stderr)."""

    out: TextIO | None = None

    async def show(
        self,
        records: AsyncIterator[dict[str, Any]],
        operator: Operator | None,
        *,
        ascii: bool = False,
        no_color: bool = False,
        title: str = "",
    ) -> None:
        """Print the records' news until they end. `no_color` changes nothing: there is none."""
        printer = Printer(Look(ascii=ascii, no_color=no_color), title, width=line_width(self.out or sys.stderr))

        def take(line: str) -> None:
            action = typed(line, printer.state)
            if action is not None and operator is not None:
                operator(*action)
            elif operator is not None:
                self.say([f"not understood: {printer.look.say(line)!r}"])

        with Keyboard(take) if operator is not None else contextlib.nullcontext() as keyboard:
            printer.reads_answers = keyboard is not None and keyboard.works
            async for record in records:
                self.say(printer.lines(record))

    def say(self, lines: list[str]) -> None:
        """Print; a reader that has gone away must not end the run."""
        out = self.out or sys.stderr
        with contextlib.suppress(OSError, ValueError):
            for line in lines:
                print(_encodable(line, out), file=out, flush=True)


def line_width(out: TextIO) -> int:
    """Columns for the words of a line: the terminal's, or a file's usual."""
    try:
        return max(os.get_terminal_size(out.fileno()).columns - _STAMP, 20)
    except (OSError, ValueError, AttributeError):
        return 100


def _encodable(line: str, out: TextIO) -> str:
    encoding = getattr(out, "encoding", None) or "utf-8"
    return line.encode(encoding, "replace").decode(encoding)


SCREEN = PlainScreen()
