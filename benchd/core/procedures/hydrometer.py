"""Six hydrometer readings, asked for one after the other: prompt ids gravity:1 .. gravity:6."""

from __future__ import annotations

from benchd.core import electrolyte
from benchd.core.events import Answer, Prompt
from benchd.core.procedures.asking import SKIP, YES

ACID = "Battery acid burns: eyes and hands covered, no flame or spark, water at hand. Never add acid, only distilled water."
PREFIX = "gravity:"
_NONE = ("none", "skip all", "all", "no hydrometer")
_ICE = ("frozen", "ice", "slush")


class Hydrometer:
    """Which cells were read or left out, and what is to be asked next."""

    def __init__(self, wanted: bool) -> None:
        self.readings: dict[int, float] = {}
        self.ice = False  # somebody saw ice or slush
        self._skipped: set[int] = set() if wanted else set(range(1, electrolyte.CELLS + 1))
        self._meant: dict[int, electrolyte.Typed] = {}
        self._forms: set[str] = set()  # ways of writing that one 'yes' has settled
        self._asked: set[int] = set()

    @property
    def pending(self) -> int | None:
        """The number of the next cell that is neither read nor left out."""
        return next(
            (one for one in range(1, electrolyte.CELLS + 1) if one not in self.readings and one not in self._skipped),
            None,
        )

    def next(self, t_ns: int) -> list[Prompt]:
        """The prompt for the pending cell, once."""
        cell = self.pending
        if cell is None or cell in self._asked:
            return []
        self._asked.add(cell)
        extra = " ('none' if there is no hydrometer)" if cell == 1 else ""
        text = f"Hydrometer, cell {cell} of {electrolyte.CELLS}, from plus: a reading like 1.265, or skip{extra}:"
        return [Prompt(t_ns, f"{PREFIX}{cell}", text, None, ACID if cell == 1 else "")]

    def answer(self, answer: Answer) -> list[Prompt]:
        """Take the answer to one of its prompts; the question again where it cannot be taken as it stands."""
        number = answer.id.removeprefix(PREFIX)
        if not (number.isascii() and number.isdigit() and 1 <= int(number) <= electrolyte.CELLS):
            return []
        cell, text = int(number), answer.text.strip()
        low = text.lower()
        meant = self._meant.pop(cell, None)
        if low in _ICE:
            self.ice = True
        elif low in SKIP:
            self._skipped.add(cell)
            self.readings.pop(cell, None)
        elif low in _NONE:
            self._skipped.update(set(range(1, electrolyte.CELLS + 1)) - set(self.readings))
        elif low in YES and meant is not None and meant.gravity is not None:
            self.readings[cell] = meant.gravity
            self._forms |= {meant.form} - {""}
        else:
            return self._typed(answer.t_ns, cell, text)
        return self.next(answer.t_ns)

    def _typed(self, t_ns: int, cell: int, text: str) -> list[Prompt]:
        found = electrolyte.typed(text)
        if found.gravity is not None and (not found.ask or found.form in self._forms):
            self.readings[cell] = found.gravity
            self._skipped.discard(cell)
            return self.next(t_ns)
        self._meant[cell] = found
        self._asked.add(cell)
        return [Prompt(t_ns, f"{PREFIX}{cell}", f"Cell {cell}: {found.ask}", None)]
