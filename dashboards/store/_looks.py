"""How the dashboards look: colours that stay apart under every common colour blindness, and the words that go with them.

Every colour is told in a word beside it (a legend, a value's mapping, a column), so that nothing is lost without them.
"""

from __future__ import annotations

from typing import Any

BLUE, ORANGE, YELLOW, GREY = "#3f8fd6", "#e8602c", "#d9b310", "#8a949e"

#: Verdict -> colour; also the order in which they are stacked and listed.
VERDICTS = {"fail": ORANGE, "undecided": YELLOW, "void": GREY, "pass": BLUE}
#: Closed runs -> colour.
ENDINGS = {"judged": BLUE, "aborted": GREY, "interrupted": YELLOW, "failed": ORANGE}

Json = dict[str, Any]


def colour(name: str, value: str) -> Json:
    """What is called `name` has this colour, wherever it is drawn."""
    return override(name, ("color", {"mode": "fixed", "fixedColor": value}))


def override(name: str, *properties: tuple[str, Any]) -> Json:
    return {
        "matcher": {"id": "byName", "options": name},
        "properties": [{"id": id, "value": value} for id, value in properties],
    }


def matching(pattern: str, *properties: tuple[str, Any]) -> Json:
    """The same for every name that the pattern matches."""
    return {
        "matcher": {"id": "byRegexp", "options": pattern},
        "properties": [{"id": id, "value": value} for id, value in properties],
    }


def words(**said: tuple[str, str]) -> list[Json]:
    """Numbers told as words: words(v0=("between runs", GREY), v1=("in a run", BLUE))."""
    options = {
        number[1:]: {"text": text, "color": shade, "index": place}
        for place, (number, (text, shade)) in enumerate(said.items())
    }
    return [{"type": "value", "options": options}]


def ranges(*said: tuple[float | None, float | None, str, str]) -> list[Json]:
    """Ranges told as words: (from, to, word, colour), None for no end."""
    return [
        {
            "type": "range",
            "options": {"from": low, "to": high, "result": {"text": text, "color": shade, "index": place}},
        }
        for place, (low, high, text, shade) in enumerate(said)
    ]


def steps(base: str, *more: tuple[float, str]) -> Json:
    """Thresholds: the colour below all of them, then (from, colour)."""
    found: list[Json] = [{"color": base, "value": None}]
    return {"mode": "absolute", "steps": found + [{"color": shade, "value": value} for value, shade in more]}
