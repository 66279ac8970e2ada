"""Reads tests/drivers/*.frames: bytes of one instrument family with the readings they mean.

# comment
options {"mode": "hertz"}          begins a part: the driver's options (JSON)
functions dc volts; ac volts@out   begins a part or goes with options: what the bench wants, function or function@point
< "READ?\\n"                        what the driver must ask now (text or hex)
timeout                            the answer does not come
> 17 20 35                         bytes that the instrument sends (text or hex)
= dc volts 12.65 0.01 [hold] @out  the readings that come of them: value or none, resolution or none
! error -113                       a notice of this kind, with this in its text
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import Any

from benchd.core.readings import Flag, Notice, Quantity, Reading
from benchd.wire import Settings

HERE = Path(__file__).parent
EXPECTED = re.compile(
    r"(?P<quantity>[a-z ]+?) (?P<value>none|[-+0-9.E]+) (?P<one>none|[-+0-9.E]+)"
    r"(?: \[(?P<flags>[a-z/, ]+)\])?(?: @(?P<point>\S+))?"
)


@dataclass
class Part:
    """One conversation: steps of (verb, argument) in order."""

    place: str
    settings: Settings
    steps: list[tuple[str, Any]] = field(default_factory=list)

    @property
    def sent(self) -> bytes:
        """Everything that the instrument sends."""
        return b"".join(data for verb, data in self.steps if verb == ">")

    @property
    def readings(self) -> list[Reading]:
        return [reading for verb, reading in self.steps if verb == "="]


def bytes_of(text: str) -> bytes:
    return ast.literal_eval(text).encode("latin-1") if text.startswith('"') else bytes.fromhex(text)


def reading_of(text: str) -> Reading:
    match = EXPECTED.fullmatch(text)
    assert match, text
    return Reading(
        Quantity(match["quantity"]),
        None if match["value"] == "none" else Decimal(match["value"]),
        None if match["one"] == "none" else Decimal(match["one"]),
        frozenset(Flag(one.strip()) for one in (match["flags"] or "").split(",") if one.strip()),
        match["point"] or "",
    )


def settings_of(options: str, functions: str) -> Settings:
    wanted = [one.partition("@") for one in functions.split(";") if one.strip()]
    return Settings(
        tuple((Quantity(name.strip()), point.strip()) for name, _, point in wanted), json.loads(options or "{}")
    )


def parts(name: str) -> Iterator[Part]:
    """The parts of tests/drivers/<name>.frames."""
    part, heads = None, {"options": "", "functions": ""}
    for number, line in enumerate((HERE / f"{name}.frames").read_text("utf-8").splitlines(), 1):
        verb, _, rest = line.strip().partition(" ")
        rest = rest.strip()
        if verb in heads:
            if part is not None:
                yield part
                part, heads = None, {"options": "", "functions": ""}
            heads[verb] = rest
        elif verb and not verb.startswith("#"):
            part = part or Part(f"{name}.frames:{number}", settings_of(**heads))
            assert verb in ("<", ">", "=", "!", "timeout"), line
            take = {"<": bytes_of, ">": bytes_of, "=": reading_of}.get(verb, str)
            part.steps.append((verb, take(rest)))
    if part is not None:
        yield part


def same(found: Reading, expected: Reading) -> bool:
    """Equal but for the span, which the files do not state."""
    return (found.quantity, found.value, found.resolution, found.flags, found.point) == (
        expected.quantity,
        expected.value,
        expected.resolution,
        expected.flags,
        expected.point,
    )


def matches(found: Reading | Notice, verb: str, expected: Any) -> bool:
    if verb == "=":
        return isinstance(found, Reading) and same(found, expected)
    kind, _, text = expected.partition(" ")
    return isinstance(found, Notice) and found.kind == kind and text in found.text
