"""Unit after unit at one bench, of a lot or of a gauge study: on the screen, or a line at a time."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

from benchd.cli.common import print_json, say
from benchd.cli.units import Place, at_door

if TYPE_CHECKING:
    from benchd.lots.door import LotDoor
    from benchd.runner import Show


class Calls:
    """What the shift's screen may have done, through a door."""

    def __init__(self, door: LotDoor, lot: str, place: Place, by: str) -> None:
        self._door, self._lot, self.place, self._by = door, lot, place, by
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
        return verdict


def scan_here(lot: str, bench: str, by: str, *, headless: bool, as_json: bool) -> int:
    """Test what is scanned until nobody scans any more; the exit code of the worst verdict."""
    from benchd import registry
    from benchd.cli.common import uses_gauge, wants_ascii

    with at_door() as door:
        body = door.lot(lot)
        calls = Calls(door, str(body["lot"]), Place(bench), by)
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
        asked = ""
        try:
            answer = calls.scan(text, again)
        except BenchdError as error:
            say(str(error))
            if as_json:
                print_json({"action": "refuse", "serial": text.strip("\r\n"), "why": str(error)})
            continue
        if answer["action"] != "test":
            asked = str(answer["serial"]) if answer["action"] == "ask" else ""
            _said(answer, as_json)
            continue
        try:
            show = choose_show(headless=True, title="unit")
            verdict = asyncio.run(_tested(calls, answer, again, show))
        except BenchdError as error:
            say(str(error))
            if as_json:
                print_json({"action": "refuse", "serial": answer["serial"], "why": str(error)})
            continue
        if as_json:
            print_json({"action": "tested", "serial": answer["serial"], "verdict": verdict})
        say(f"{answer['serial']}: {str(verdict['verdict']).upper()}" + _mode(verdict))


async def _tested(calls: Calls, answer: Mapping[str, Any], again: bool, show: Show) -> Mapping[str, Any]:
    return await calls.test(str(answer["serial"]), again, show)


def _said(answer: Mapping[str, Any], as_json: bool) -> None:
    from benchd.cli.lot_words import verdict_words

    say(str(answer["why"]))
    for test in answer.get("history") or ():
        say(
            f"  {verdict_words(test)}: {str(test.get('started') or '')[:16].replace('T', ' ')} UTC on {test.get('bench')}"
        )
    if answer["action"] == "ask":
        say("Scan it again to test it again; any other scan goes on.")
    if as_json:
        print_json(dict(answer))


def _mode(verdict: Mapping[str, Any]) -> str:
    found = str(verdict.get("finding") or "")
    return f", {found.replace('-', ' ')}" if found and verdict["verdict"] != "pass" else ""


def _typed() -> Iterator[str]:
    """Lines as a scanner types them."""
    yield from iter(partial(sys.stdin.readline), "")


def worst(codes: list[int]) -> int:
    """The exit code that says the worst: trouble, then Ctrl-C, fail, void, undecided, pass."""
    order = (0, 3, 4, 1, 130, 5, 2)
    return max(codes, key=lambda one: order.index(one) if one in order else len(order), default=0)
