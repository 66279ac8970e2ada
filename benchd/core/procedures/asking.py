"""What people type, read strictly: what may have been meant otherwise is asked about by name, never guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchd.core.events import Prompt

_NUMBER = re.compile(r"([+-]?[0-9]{1,3}(?:[.,][0-9]{1,2})?)\s*(?:deg|°)?\s*([cCfF]?)")

#: A bare number outside of these may well be degF: it is asked about. Common practice, no source.
BARE_CELSIUS = (-30.0, 35.0)
#: No battery in a shop is colder or hotter.
POSSIBLE_CELSIUS = (-50.0, 70.0)

CELSIUS_ID = "battery-celsius"
SKIP = ("", "skip", "s", "-")
YES = ("yes", "y", "ok")


@dataclass(frozen=True, slots=True)
class Temperature:
    """A temperature as typed: taken (`celsius`), left out (`skipped`), or to be asked about (`ask`)."""

    celsius: float | None = None
    skipped: bool = False
    ask: str = ""


def temperature(text: str) -> Temperature:
    """degC of a number with a unit 'C' or 'F'; a bare number only where it can hardly be degF."""
    text = text.strip()
    if text.lower() in SKIP:
        return Temperature(skipped=True)
    found = _NUMBER.fullmatch(text)
    if found is None:
        return Temperature(ask=f"{text!r} is no temperature: a number with its unit, such as 20C or 68F.")
    number, unit = float(found[1].replace(",", ".")), found[2].upper()
    celsius = (number - 32.0) / 1.8 if unit == "F" else number
    if not unit and not BARE_CELSIUS[0] <= number <= BARE_CELSIUS[1]:
        other = f"{(number - 32) / 1.8:.0f} degC"
        return Temperature(ask=f"{number:g}: degF? That is {other}. Answer {number:g}F, or {number:g}C if it is degC.")
    if not POSSIBLE_CELSIUS[0] <= celsius <= POSSIBLE_CELSIUS[1]:
        return Temperature(ask=f"{text}: no battery in a shop has {celsius:.0f} degC. Read the thermometer again.")
    return Temperature(celsius)


def ask_temperature(t_ns: int, again: str = "") -> Prompt:
    text = again or "Battery temperature with its unit, such as 20C or 68F (Enter to leave it out):"
    return Prompt(t_ns, CELSIUS_ID, text, None)
