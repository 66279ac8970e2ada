"""The report of a lot on a terminal: what it comes to, then a line for each characteristic."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from benchd_dashboards.paper.lot_words import (
    counts_words,
    digits,
    fixed,
    limits_words,
    part_words,
    risk_words,
    share_words,
    told,
    unit_places,
    yield_words,
)
from benchd_dashboards.paper.words import clipped, moment, number, one_line, places, sentence

Data = Mapping[str, Any]
LEAST_WIDTH = 72
_COLUMNS = (("units", 7), ("mean", 8), ("s", 8), ("Ppk", 5), ("beyond", 7), ("signals", 8))


def lines(data: Data, width: int = 80) -> list[str]:
    """No line wider than `width` (72 at least)."""
    return kept(_lines(data, max(width, LEAST_WIDTH)), max(width, LEAST_WIDTH))


def kept(found: Iterable[str], width: int) -> list[str]:
    """Lines without blanks at their ends; one that is too wide all the same is broken."""
    each = ([line.rstrip()] if places(line.rstrip()) <= width else wrapped(line, width, hang="  ") for line in found)
    return [line for lines in each for line in lines]


def _lines(data: Data, width: int) -> Iterator[str]:
    lot, body = data["lot"], data["report"]
    state = f"closed {moment(lot['closed'])}" if lot.get("closed") else "OPEN: this may still change"
    customer = f", for {one_line(lot['customer'])}" if lot.get("customer") else ""
    yield from wrapped(
        f"Lot {one_line(lot['lot'])}: {part_words(lot, body['part'])}{customer}, {state}", width, hang="  "
    )
    yield from wrapped(counts_words(body["counts"], lot.get("planned")), width, hang="  ")
    for title, key in (("first-pass yield", "first_pass"), ("final yield", "final")):
        found = body["yield"][key]
        yield f"{title:<17} {share_words(found['part']):>8}  {yield_words(found)}"
    risk = body["risk"] or {}
    if number(risk.get("consumer")) is not None:
        yield f"{'consumer risk':<17} {risk_words(risk['consumer']).replace('under', '<'):>8}  producer risk {risk_words(risk['producer'])}, of a whole unit"
    for one in data.get("doubtful") or ():
        yield from wrapped(f"TEST AGAIN: {told(one['says'])}", width, hang="  ")
    yield ""
    for one in body["says"]:
        yield from wrapped(sentence(one), width, "* ", "  ")
    yield from _modes(body["modes"], width)
    yield from _characteristics(body["characteristics"], width)
    yield from _benches(body["benches"], width)
    for one in data.get("gates") or ():
        for reason in () if one["fit"] else one["reasons"]:
            when = "now" if data["lot"].get("state") == "open" else "when it was closed"
            yield from wrapped(f"NOT FIT for lots {when}: {reason}", width, hang="  ")
    if data.get("digest"):
        yield ""
        yield f"journal's digest of the lot {one_line(data['digest'])}"


def wrapped(said: str, width: int, first: str = "", hang: str = "") -> list[str]:
    return textwrap.wrap(one_line(said), width, initial_indent=first, subsequent_indent=hang) or [first]


def padded(said: str, room: int) -> str:
    """Cut or filled to so many places of a terminal."""
    kept = clipped(said, room) if places(said) > room else said
    return kept + " " * max(0, room - places(kept))


def _modes(modes: Sequence[Data], width: int) -> Iterator[str]:
    if not modes:
        return
    yield ""
    yield "failure modes of first tests that did not pass"
    room = max(10, width - 58)
    most = max(one["units"] for one in modes)
    for one in modes:
        bar = "#" * max(1, round(room * one["units"] / most))
        yield f"{one['units']:>7}  {100 * one['part']:>4.0f} %  {padded(one_line(one['title']), 38)} {bar}"


def _characteristics(found: Sequence[Data], width: int) -> Iterator[str]:
    yield ""
    room = width - sum(wide for _, wide in _COLUMNS)
    name, limits = room - min(17, room // 2), min(17, room // 2)
    yield f"{'characteristic':<{name}}{'limits':>{limits}}" + "".join(f"{head:>{wide}}" for head, wide in _COLUMNS)
    by_id = any(places(one_line(one["title"])) > name - 1 for one in found)  # cut short, several titles read alike
    for one in found:
        decimals = unit_places(one)
        if decimals is not None and (number(one["mean"]) or 0.0) >= 1000:
            decimals = 0
        ppk = number((one["capability"].get("ppk") or {}).get("value"))
        marked = "!" if one.get("out_of_control") else ""
        cells = (
            str(one["n"]),
            fixed(one["mean"], decimals),
            digits(one["sd"]),
            "-" if ppk is None else f"{ppk:.2f}",
            str(one["beyond"]["low"] + one["beyond"]["high"]),
            f"{one['signals_found']}{marked}",
        )
        said = padded(one_line(one["id" if by_id else "title"]), name - 1) + " "
        bound = limits_words(one, one["unit"]).replace(" at most", " max").replace(" at least", " min")
        yield (
            said
            + f"{bound:>{limits}}"
            + "".join(f"{cell:>{wide}}" for cell, (_, wide) in zip(cells, _COLUMNS, strict=True))
        )
    if any(one.get("out_of_control") for one in found):
        yield "! more signals than chance brings: out of control"


def _benches(benches: Sequence[Data], width: int) -> Iterator[str]:
    if len(benches) < 2:
        return
    yield ""
    for one in benches:
        first = one["first_pass"]
        yield (
            padded(one_line(one["bench"]), 14)
            + f" {one['units']:>7} units  first-pass yield {share_words(first['part']):>7}"
            + ("" if first["part"] is None else f"  ({share_words(first['low'])} to {share_words(first['high'])})")
        )
