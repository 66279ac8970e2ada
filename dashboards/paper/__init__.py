"""What is written of visits and of lots: the customer's page, machine pages, histories, lot reports, certificates. HTML and PDF.

A paper is a function from JSON to a `sheet`: a heading and blocks in order (see sheet.py). One HTML template and one
typst template print every sheet, so that the two forms of a paper cannot say different things.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol


class Paper(Protocol):
    """JSON in, a whole document out. The same JSON gives the same bytes."""

    def html(self, data: Mapping[str, Any]) -> str:
        """One HTML file that needs nothing else."""

    def pdf(self, data: Mapping[str, Any]) -> bytes:
        """A4, fonts within."""


@dataclass(frozen=True, slots=True)
class _Paper:
    """`place`: the module beside this one whose `sheet` lays it out; imported when it is printed."""

    place: str

    def html(self, data: Mapping[str, Any]) -> str:
        from benchd_dashboards.paper import press

        return press.html(self._sheet(data))

    def pdf(self, data: Mapping[str, Any]) -> bytes:
        from benchd_dashboards.paper import press

        return press.pdf(self._sheet(data))

    def lines(self, data: Mapping[str, Any], width: int = 78, *, ascii: bool = False) -> list[str]:
        """The same for a terminal, in plain letters; with `ascii` in nothing else. AttributeError for a paper that is none for a
        terminal."""
        made: list[str] = importlib.import_module(f"{__name__}.{self.place}").lines(data, width)
        if ascii:
            from benchd_dashboards.paper.lot_words import ascii_line

            made = [ascii_line(line) for line in made]
        return made

    def _sheet(self, data: Mapping[str, Any]) -> dict[str, Any]:
        made: dict[str, Any] = importlib.import_module(f"{__name__}.{self.place}").sheet(data)
        return made


VISIT = _Paper("visit")
MACHINE = _Paper("machine")
HISTORY = _Paper("history")
LOT = _Paper("lot")
CERTIFICATE = _Paper("certificate")
STUDY = _Paper("study")
STANDARD = _Paper("standard")
