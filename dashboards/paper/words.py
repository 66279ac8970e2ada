"""Texts and numbers as the papers print them."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from benchd_dashboards.look import harmless

VERDICTS = {"pass": "PASS", "fail": "FAIL", "undecided": "UNDECIDED", "void": "VOID"}
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def clean(text: object) -> str:
    """A text from outside: line ends stay, whatever else does not print is a blank."""
    if text is None:
        return ""
    lines = str(text).replace("\r\n", "\n").split("\n")
    return "\n".join(harmless(line).strip() for line in lines).strip()


def one_line(text: object) -> str:
    return " ".join(clean(text).split())


def clipped(text: object, room: int) -> str:
    """One line that takes no more than `room` places (a wide letter takes two), cut at a word where there is one."""
    said = one_line(text)
    if places(said) <= room:
        return said
    kept, used = [], 0
    for letter in said:
        used += places(letter)
        if used > room - 4:
            break
        kept.append(letter)
    short = "".join(kept)
    at_word = short.rfind(" ")
    return (short[:at_word] if at_word > room // 2 else short).rstrip(" ,;:.") + " ..."


def places(text: str) -> int:
    """How many places of a line a text takes: a wide letter takes two."""
    return sum(2 if unicodedata.east_asian_width(letter) in "WF" else 1 for letter in text)


def sentence(text: object) -> str:
    """With a full stop, if it has no end of its own."""
    said = one_line(text)
    return said if not said or said[-1] in ".!?)" else said + "."


def joined(words: Iterable[object], last: str = "and") -> str:
    """'a, b and c'."""
    each = [one_line(one) for one in words]
    return each[0] if len(each) == 1 else f"{', '.join(each[:-1])} {last} {each[-1]}" if each else ""


def day(at: object) -> str:
    """'25 November 2026' of an ISO 8601 moment; the text itself where it is none."""
    found = _moment(at)
    return one_line(at) if found is None else f"{found.day} {_MONTHS[found.month - 1]} {found.year}"


def moment(at: object) -> str:
    """'2026-11-25 19:07 UTC'."""
    found = _moment(at)
    return one_line(at) if found is None else f"{found:%Y-%m-%d %H:%M} UTC"


def _moment(at: object) -> datetime | None:
    try:
        return datetime.fromisoformat(str(at))
    except ValueError:
        return None


def stamp(at: object) -> str:
    """'2026-11-25 19:07', where the column says that it is UTC."""
    return moment(at).removesuffix(" UTC")


def lowered(text: object) -> str:
    """As it stands within a sentence: 'Battery with a dead cell' begins small, 'AC lead' does not."""
    said = one_line(text)
    return said[0].lower() + said[1:] if len(said) > 1 and said[1:2].islower() else said


def titled(name: object) -> str:
    return one_line(name).replace("_", " ").replace("-", " ")


def percent(share: float) -> str:
    """A probability that never claims to be certain."""
    if share > 0.99:
        return "over 99 %"
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def plain(value: float) -> str:
    """A limit or a setting as a manual prints it: 14.7, 15, 0.05."""
    return f"{value:,.6g}".replace(",", "") if abs(value) < 1e6 else f"{value:g}"


def places_of(spread: object) -> int | None:
    """Decimals that show an uncertainty with two digits (GUM 7.2.6); None where there is none."""
    if not isinstance(spread, int | float) or not math.isfinite(spread) or spread <= 0:
        return None
    return min(max(1 - math.floor(math.log10(spread)), 0), 6)


def quantity(one: Mapping[str, Any]) -> str:
    """'14.39 ± 0.11 V', and a word where the uncertainty is not known."""
    places, unit = places_of(one.get("expanded_uncertainty")), one_line(one.get("unit"))
    value = number(one.get("value"))
    if value is None:
        return "not measured"
    if places is None:
        return f"{value:.4g} {unit}".rstrip()
    return f"{value:.{places}f} ± {one['expanded_uncertainty']:.{places}f} {unit}".rstrip()


def number(value: object) -> float | None:
    """A finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)


def limit(value: object, unit: str = "") -> str:
    """A limit of a verdict or a machine file in words: '13.8 to 14.7 V'."""
    if isinstance(value, list | tuple):
        each = [number(one) for one in value]
        if len(each) == 2 and None not in each:
            return f"{plain(each[0] or 0.0)} to {plain(each[1] or 0.0)} {unit}".rstrip()
        return ", ".join(limit(one) for one in value)
    if isinstance(value, Mapping):
        return "; ".join(f"{titled(key)}: {limit(one)}" for key, one in value.items())
    found = number(value)
    if found is not None:
        return f"{plain(found)} {unit}".rstrip()
    return (
        {True: "yes", False: "no", None: ""}.get(value, one_line(value)) if not isinstance(value, str) else clean(value)
    )  # type: ignore[arg-type,call-overload]
