"""Unit after unit at one bench, of a lot or of a gauge study: on the screen, or a line at a time."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.cli.common import print_json, say
from benchd.cli.units import Place, at_door, written
from benchd.core.lots.serials import JUDGED

if TYPE_CHECKING:
    from benchd.lots.door import LotDoor
    from benchd.runner import Show

#: Exit codes of a scan that no test followed: the scan made no sense here; the bench may not judge lots today.
REFUSED, NOT_FIT = 2, 5


class Calls:
    """What the shift's screen may have done, through a door. `labels`: where a label of every judged unit is put."""

    def __init__(self, door: LotDoor, lot: str, place: Place, by: str, labels: Labels | None = None) -> None:
        self._door, self._lot, self.place, self._by, self._labels = door, lot, place, by, labels
        self.codes: list[int] = []
        self._body: dict[str, Any] = {}
        self._trial: Any = None  # of a study: which one the last scan was for

    def body(self) -> dict[str, Any]:
        self._body = self._door.lot(self._lot)
        return self._body

    def scan(self, text: str, again: bool) -> Mapping[str, Any]:
        answer = self._door.scan(self._lot, text, self.place.name, again=again, by=self._by)
        self._trial = answer.get("trial")
        return answer

    async def test(self, serial: str, again: bool, show: Show) -> Mapping[str, Any]:
        body = self._body or await asyncio.to_thread(self.body)
        verdict, code = await self.place.test(body, serial, show, by=self._by, again=again, trial=self._trial)
        self.codes.append(code)
        if self._labels is not None and verdict["verdict"] in JUDGED:
            await asyncio.to_thread(self._labels.write, self._door, self._lot, serial)
        return verdict


@dataclass(frozen=True, slots=True)
class Labels:
    """A PNG of every judged unit, named after its serial number, in a folder that a label printer watches."""

    folder: Path
    symbol: str

    def write(self, door: LotDoor, lot: str, serial: str) -> None:
        name = "".join(one if one.isascii() and (one.isalnum() or one in "-_") else "-" for one in serial)
        written(str(self.folder / f"{name}.png"), door.label(lot, serial, self.symbol, "png"), quiet=True)


def scan_here(lot: str, bench: str, by: str, *, headless: bool, as_json: bool, labels: Labels | None = None) -> int:
    """Test what is scanned until nobody scans any more; the exit code of the worst verdict."""
    from benchd import registry
    from benchd.cli.common import uses_gauge, wants_ascii

    with at_door() as door:
        body = door.lot(lot)
        calls = Calls(door, str(body["lot"]), Place(bench), by, labels)
        calls.body()
        place = calls.place.name
        if not uses_gauge(headless) or not registry.form("shift").show(calls, place, by, ascii=wants_ascii()):
            _lines(calls, as_json)
        return worst(calls.codes)


def _lines(calls: Calls, as_json: bool) -> None:
    """A serial number a line, until there are no more; what a line came to is said before the next is read."""
    from benchd.cli.common import choose_show
    from benchd.errors import BenchdError

    asked = ""
    for text in _typed():
        again = bool(asked) and text.strip() == asked
        try:
            answer = dict(calls.scan(text, again))
            if answer["action"] == "test":
                show = choose_show(headless=True, title="unit")
                verdict = asyncio.run(_tested(calls, str(answer["serial"]), again, show))
                answer = {"action": "tested", "serial": answer["serial"], "verdict": verdict}
            elif answer["action"] == "refuse":
                calls.codes.append(NOT_FIT if answer.get("not_fit") else REFUSED)
        except BenchdError as error:
            calls.codes.append(error.exit_code)
            answer = {"action": "refuse", "serial": text.strip("\r\n"), "why": str(error)}
        asked = str(answer["serial"]) if answer["action"] == "ask" else ""
        _said(answer)
        if as_json:
            print_json(answer)


async def _tested(calls: Calls, serial: str, again: bool, show: Show) -> Mapping[str, Any]:
    return await calls.test(serial, again, show)


def _said(answer: Mapping[str, Any]) -> None:
    from benchd.cli.lot_words import verdict_words

    if answer["action"] == "tested":
        verdict = answer["verdict"]
        say(f"{answer['serial']}: {str(verdict['verdict']).upper()}{_mode(verdict)}")
        return
    say(str(answer["why"]))
    for test in answer.get("history") or ():
        at = str(test.get("started") or "")[:16].replace("T", " ")
        say(f"  {verdict_words(test)}: {at} UTC on {test.get('bench')}")
    if answer["action"] == "ask":
        say("Scan it again to test it again; any other scan goes on.")


def _mode(verdict: Mapping[str, Any]) -> str:
    from benchd.core.lots.modes import TITLES

    found = str(verdict.get("finding") or "")
    return f", {TITLES.get(found, found)}" if found and verdict["verdict"] != "pass" else ""


def _typed() -> Iterator[str]:
    """Lines as a scanner types them."""
    yield from iter(partial(sys.stdin.readline), "")


def worst(codes: list[int]) -> int:
    """The exit code that says the worst: trouble, then Ctrl-C, fail, void, undecided, pass."""
    order = (0, 3, 4, 1, 130, 5, 2)
    return max(codes, key=lambda one: order.index(one) if one in order else len(order), default=0)
