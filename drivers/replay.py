"""A recorded run as an instrument: the lines of its CSV, sent by a ``replay:FILE`` port at their times.

The first line is the header, ``t_s`` and channel names; a header may come again (the recording starts anew). Each
cell becomes a reading whose `point` is the channel's name, in that channel's unit, after any shunt or divider: give
its channels no ratio. An empty cell is no reading. The time column paces the port and is not read here.
"""

from __future__ import annotations

import csv

from benchd.core.samples import CHANNELS
from benchd.wire import Decoder, Driver, FrameError, Notice, Reading, SerialParams, Settings
from benchd.wire.framing import Lines, Said, Stream

TIME = "t_s"


class Rows:
    """The rows of one recording, by its header."""

    def __init__(self) -> None:
        self.columns: list[str] = []

    def decode(self, line: bytes) -> list[Said]:
        try:
            cells = [cell.strip() for cell in next(csv.reader([line.decode("utf-8-sig")]))]
        except csv.Error as error:  # a NUL byte, a bare carriage return
            raise FrameError(f"a row of comma-separated cells ({error})", line) from error
        if cells[0] == TIME:
            return self._header(cells)
        if len(cells) != len(self.columns):
            expected = f"a row of {len(self.columns)} cells" if self.columns else f"a header that begins with {TIME}"
            raise FrameError(expected, line)
        out: list[Said] = []
        for name, cell in zip(self.columns, cells, strict=True):
            if name in CHANNELS and cell:
                out.append(self._reading(name, cell))
        return out

    def _header(self, cells: list[str]) -> list[Said]:
        self.columns = cells
        unknown = [name for name in cells[1:] if name not in CHANNELS]
        if len(set(cells)) < len(cells):
            self.columns = []
            return [Notice("frame", f"a column stands twice in the recording's header: {', '.join(cells)}")]
        return [Notice("frame", f"columns that are no channel: {', '.join(unknown)}")] if unknown else []

    def _reading(self, name: str, cell: str) -> Said:
        try:
            return Reading.of_text(CHANNELS[name][0], cell, point=name)
        except ValueError as error:
            return Notice("frame", f"{name}: {error}")


class Recording(Stream):
    """A stream that expects a header after every connection."""

    def __init__(self) -> None:
        super().__init__(Lines(limit=4096, join=False), Rows().decode)

    def connected(self) -> None:
        super().connected()
        self.decode = Rows().decode


def make(settings: Settings) -> Decoder:
    return Recording()


DRIVER = Driver(
    name="replay",
    title="recorded run (CSV)",
    make=make,
    serial=SerialParams(),
    quantities=frozenset(quantity for quantity, _ in CHANNELS.values()),
)
