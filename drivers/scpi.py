"""SCPI bench meter over any link (serial, TCP socket, VISA): it is asked, it answers, one line each.

Options: `timeout_s` (default 2), `line_end` ("\\n" or "\\r\\n"), `configure = false` to leave the function alone,
`remote = true` to send ``SYST:REM``, which some meters want on a serial port before they measure (common practice).

The conversation (SCPI-1999, IEEE 488.2):
1. ``*IDN?``, everything before its answer is thrown away; then the error queue is read out and shown.
2. Each round: ``FUNC?``; where it is not what the bench file wants, ``CONF:...`` once after connecting, and the error
   queue again; then ``READ?``. Nothing else is set: no ``*RST``, no range, no trigger (but ``CONF`` itself presets
   the function's range to automatic and its integration time). A dial turned during the run is
   not turned back: the reading comes out under the function that the meter names. Only a meter that serves two
   functions is switched to and fro, since that was asked for. A meter that lives but twice leaves ``FUNC?`` unanswered
   is asked no more; then ``CONF`` is trusted unless it raised an error, and a turned dial is not seen.
3. Every 50 rounds the error queue is read again; ``*CLS`` only for a queue that does not end.

An answer that comes after its timeout must never pass for the answer to the next question. Answers come in the order
of the questions, so after a timeout ``*IDN?`` is asked and everything is thrown away until an identity comes: it looks
like no other answer. Besides, an answer is taken only if it has the shape that its question asks for.

Numbers: 9.9E37 either sign is overload, 9.91E37 is no number (within 0.01 %, as instruments round them). A strict
decimal number is needed, nothing else is read. Meters pad numbers with an exponent to a fixed count of digits
(``+1.44000000E+01``): beyond 7 digits these say nothing about the display, so `resolution` is then None and the
accuracy statement of the bench file counts.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from benchd.wire import Decoder, Driver, Flag, Notice, Quantity, Reading, Request, SerialParams, Settings
from benchd.wire.framing import Lines, Said, garbage
from benchd.wire.options import Complaints, boolean, check_keys, number, one_of

CONFIGURE = {
    Quantity.DC_VOLTS: "CONF:VOLT:DC",
    Quantity.AC_VOLTS: "CONF:VOLT:AC",
    Quantity.DC_AMPS: "CONF:CURR:DC",
    Quantity.AC_AMPS: "CONF:CURR:AC",
    Quantity.FREQUENCY: "CONF:FREQ",
    Quantity.RESISTANCE: "CONF:RES",
}
#: Answers to FUNC?, each keyword cut to its short form of four letters.
FUNCTIONS = {
    "VOLT": Quantity.DC_VOLTS,
    "VOLT:DC": Quantity.DC_VOLTS,
    "VOLT:AC": Quantity.AC_VOLTS,
    "CURR": Quantity.DC_AMPS,
    "CURR:DC": Quantity.DC_AMPS,
    "CURR:AC": Quantity.AC_AMPS,
    "FREQ": Quantity.FREQUENCY,
    "RES": Quantity.RESISTANCE,
    "RESI": Quantity.RESISTANCE,
    "FRES": Quantity.RESISTANCE,
    "TEMP": Quantity.TEMPERATURE,
}
#: Words for a code that comes without any; by hundreds, as SCPI-1999 divides them.
CLASSES = {1: "command error", 2: "execution error", 3: "device-dependent error", 4: "query error"}

INFINITY = Decimal("9.9E37")
NOT_A_NUMBER = Decimal("9.91E37")
NEAR = Decimal("1E-4")  # 9.9E37 and 9.91E37 are a tenth of a percent apart

PADDED = 7  # digits beyond which the exponent form is padding
ERRORS_EVERY = 50  # rounds
LONGEST_QUEUE = 30  # entries read before *CLS: queues hold 10 to 20

NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?", re.ASCII)
FUNCTION = re.compile(r'"([A-Za-z]+(?::[A-Za-z]+)*)(?: .*)?"|([A-Za-z]+(?::[A-Za-z]+)*)', re.ASCII)
ERROR = re.compile(r'([+-]?[0-9]{1,6}) *(?:, *"?(.*?)"?)?|([+-]?[0-9]{1,6}) +(no error)', re.ASCII | re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Step:
    """One line to send; `answer` is the shape of its answer, '' for a command that has none."""

    text: str
    answer: str = ""


IDENTITY = Step("*IDN?", "identity")
REMOTE = Step("SYST:REM")
WHICH_FUNCTION = Step("FUNC?", "function")
NEXT_ERROR = Step("SYST:ERR?", "error")
READ = Step("READ?", "number")
CLEAR = Step("*CLS")


def reading_of(quantity: Quantity, text: str, point: str = "") -> Reading:
    """The reading of an answer to READ?; ValueError for anything but one strict decimal number."""
    shown = Reading.of_text(quantity, text, point=point)
    assert shown.value is not None
    size = abs(shown.value)
    if abs(size / NOT_A_NUMBER - 1) < NEAR:
        return Reading(quantity, None, flags=frozenset({Flag.NO_NUMBER}), point=point)
    if size >= INFINITY * (1 - NEAR):
        return Reading(quantity, None, flags=frozenset({Flag.OVERLOAD}), point=point)
    mantissa, exponent, _ = text.upper().partition("E")
    digits = sum(character.isdigit() for character in mantissa)
    return replace(shown, resolution=None) if exponent and digits > PADDED else shown


def function_of(text: str) -> Quantity:
    """What an answer to FUNC? names; OTHER for what no bench measures; ValueError for no function at all."""
    match = FUNCTION.fullmatch(text)
    if match is None:
        raise ValueError(f"not a function: {text!r}")
    words = (match[1] or match[2]).upper().split(":")
    return FUNCTIONS.get(":".join(word[:4] for word in words), Quantity.OTHER)


def error_of(text: str) -> tuple[int, str]:
    """(code, words) of an answer to SYST:ERR?, quotes or not; (0, ...) is the empty queue."""
    match = ERROR.fullmatch(text)
    if match is None:
        raise ValueError(f"not an error entry: {text!r}")
    code = int(match[1] or match[3])
    hundreds = -code // 100 if code < 0 else 0
    return code, match[2] or CLASSES.get(hundreds, "an error of the instrument's own")


def identity_of(text: str) -> str:
    """The identity itself; ValueError for what is rather the late answer to another question."""
    of_another = '"' in text or NUMBER.fullmatch(text) or ERROR.fullmatch(text) or text.upper() in FUNCTIONS
    if of_another or not text.isascii() or not text.isprintable() or not any(map(str.isalpha, text)):
        raise ValueError(f"not an identity: {text!r}")
    return text


class Conversation:
    """What is asked next, and what an answer means; see the module's text."""

    def __init__(self, settings: Settings) -> None:
        options = settings.options
        self.wanted = settings.functions
        self.timeout_s = float(options.get("timeout_s", 2.0))
        self.may_configure = bool(options.get("configure", True))
        self.opening = (IDENTITY, REMOTE, NEXT_ERROR) if options.get("remote", False) else (IDENTITY, NEXT_ERROR)
        self.end = str(options.get("line_end", "\n")).encode("ascii")
        self.connected()

    def connected(self) -> None:
        self.reader = Lines(join=False).reader()
        self.steps = deque(self.opening)
        self.awaited: Step | None = None
        self.identity = ""
        self.function: Quantity | None = None  # as FUNC? or our own CONF said last; None: not known
        self.asks_function = True
        self.function_timeouts = 0
        self.switched = False  # whether this round sent a CONF
        self.configured: set[Quantity] = set()
        self.rounds = 0
        self.errors_read = 0
        self.resting = False

    @property
    def answered(self) -> bool:
        return self.awaited is None

    def request(self) -> Request | None:
        """The next line; None once after each round, and while an answer is awaited."""
        if self.awaited is not None:
            return None
        if not self.steps:
            self.resting = not self.resting
            if self.resting:
                return None
            self._plan_round()
        step = self.steps.popleft()
        self.awaited = step if step.answer else None
        return Request(step.text.encode("ascii") + self.end, bool(step.answer), self.timeout_s)

    def _plan_round(self) -> None:
        self.rounds += 1
        self.switched = False
        if self.rounds % ERRORS_EVERY == 0:
            self.steps.append(NEXT_ERROR)
        if self.asks_function:
            self.steps.append(WHICH_FUNCTION)
        else:
            self._plan_reading()

    @property
    def aim(self) -> tuple[Quantity | None, str]:
        """The function and point of this round: each of the wanted in turn."""
        return self.wanted[self.rounds % len(self.wanted)] if self.wanted else (None, "")

    def _plan_reading(self) -> None:
        """READ?, after CONF where this round's function is not set and may be; what came of CONF is asked, not assumed."""
        quantity, _ = self.aim
        may = self.may_configure and not self.switched and (len(self.wanted) > 1 or quantity not in self.configured)
        if quantity not in CONFIGURE or quantity is self.function or not may:
            self.steps.append(READ)
            return
        self.switched = True
        self.configured.add(quantity)
        self.function = quantity
        self.steps += (Step(CONFIGURE[quantity]), NEXT_ERROR, WHICH_FUNCTION if self.asks_function else READ)

    def receive(self, data: bytes) -> list[Said]:
        out: list[Said] = []
        for line in self.reader.feed(data):
            out += [line] if isinstance(line, Notice) else self._line(line)
        return out

    def _line(self, line: bytes) -> Iterable[Said]:
        text = line.decode("ascii", errors="replace").strip()
        if self.awaited is None or (text == self.identity and self.awaited is not IDENTITY):
            return [garbage(line, "nothing was asked that this answers")]
        step = self.awaited
        try:
            said = self._answer(step, text)
        except ValueError:
            return [garbage(line, f"no answer to {step.text}")]
        if self.awaited is step:
            self.awaited = None
        return said

    def _answer(self, step: Step, text: str) -> Iterable[Said]:
        if step.answer == "identity":
            return self._identity(identity_of(text))
        if step.answer == "function":
            self.function = function_of(text)
            self.function_timeouts = 0
            self._plan_reading()
            return []
        if step.answer == "error":
            return self._error(*error_of(text))
        quantity, point = self.aim
        return [reading_of(self.function or quantity or Quantity.OTHER, text, point)]

    def _identity(self, text: str) -> Iterable[Said]:
        known, self.identity = self.identity, text
        if self.function_timeouts >= 2:  # the meter lives but does not know FUNC?: trust CONF
            self.asks_function = False
        self.function = None
        return [] if known == text else [Notice("identity", text)]

    def _error(self, code: int, words: str) -> Iterable[Said]:
        if code == 0:
            self.errors_read = 0
            return []
        if self.switched and not self.asks_function and READ in self.steps:  # CONF may have been refused: do not read
            self.steps.remove(READ)
            self.function = None
        self.errors_read += 1
        if self.errors_read >= LONGEST_QUEUE:
            self.errors_read = 0
            self.steps.appendleft(CLEAR)
        else:
            self.steps.appendleft(NEXT_ERROR)
        return [Notice("error", f"{code} {words}")]

    def timed_out(self) -> list[Said]:
        """Begin again at ``*IDN?``: what comes late is thrown away there."""
        step, self.awaited = self.awaited, None
        if step is None:
            return []
        self.function_timeouts = self.function_timeouts + 1 if step is WHICH_FUNCTION else 0
        self.errors_read = 0
        self.steps = deque(self.opening)
        return [Notice("timeout", f"no answer to {step.text} within {self.timeout_s:g} s")]


def make(settings: Settings) -> Decoder:
    return Conversation(settings)


def check(options: Mapping[str, Any]) -> Complaints:
    return check_keys(
        options,
        {
            "timeout_s": number(0.05, 60.0, "s"),
            "configure": boolean,
            "remote": boolean,
            "line_end": one_of("\n", "\r\n"),
        },
    )


DRIVER = Driver(
    name="scpi",
    title="SCPI meter",
    make=make,
    serial=SerialParams(baud=9600),
    poll_s=0.2,
    quantities=frozenset(CONFIGURE) | {Quantity.TEMPERATURE, Quantity.OTHER},
    check=check,
    probe=True,
)
