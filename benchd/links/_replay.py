"""`replay:FILE?speed=2`: the lines of a recording, each when its time has come on the bench's clock."""

from __future__ import annotations

import asyncio
import csv
import math
from collections.abc import Iterator
from itertools import chain, islice
from pathlib import Path
from types import TracebackType
from typing import Self
from urllib.parse import parse_qsl

from benchd.clock import Clock
from benchd.errors import PortError
from benchd.links._link import TURN, Ended, Reads
from benchd.links.ports import REPLAY

TIME = "t_s"
#: Lines handed out together where no time lies between them.
BATCH = 100


class ReplayLink(Reads):
    """A CSV file (first column `t_s`, then channel names) as an instrument that sends its rows.

    The header goes out at once, the first row too, every other as long after it as it was recorded, `speed` times as
    fast ('max': all at once). After the last row read() raises Ended.
    """

    def __init__(self, port: str, clock: Clock) -> None:
        self.name = port
        self.arrived_ns = 0
        path, _, query = port.removeprefix(REPLAY).partition("?")
        self._path, self._clock = Path(path).expanduser(), clock
        self._speed = _speed(port, query)

    async def __aenter__(self) -> Self:
        try:
            # Read line by line: a recording may be of any length, and each line is on the disk already.
            self._file = self._path.open(encoding="utf-8-sig", newline="")
        except OSError as error:
            raise PortError(f"{self.name}: cannot be read: {error.strerror or error}. Correct `port`.") from error
        self._lines = self._timed()
        self._next: tuple[int, bytes] | None = None
        self._zero_ns = self._clock.now_ns()
        self._turns = 0
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    async def write(self, data: bytes, reply: bool | None = None, timeout_s: float | None = None) -> None:
        """A recording cannot be asked anything: what is sent goes nowhere."""

    async def read(self) -> bytes:
        if self._next is None:
            self._next = next(self._lines, None)
        if self._next is None:
            raise Ended(f"{self.name}: the recording has come to its end")
        due_ns, line = self._next
        wait_ns = self._zero_ns + due_ns - self._clock.now_ns()
        self._turns += 1
        if wait_ns > 0:
            await self._clock.sleep(wait_ns / 1e9)
        elif self._turns % TURN == 0:
            await asyncio.sleep(0)
        self._next = None
        self.arrived_ns = self._clock.now_ns()
        if self._speed == math.inf:
            line += b"".join(more for _, more in islice(self._lines, BATCH))
        return line

    def _timed(self) -> Iterator[tuple[int, bytes]]:
        """(nanoseconds after the first row, line) of every line that holds something."""
        first_s: float | None = None
        try:
            for number, line in enumerate(self._file, 1):
                if not line.strip():
                    continue
                if number == 1 or line.startswith(TIME):
                    self._check_header(number, line)
                    yield 0, line.encode()
                    continue
                now_s = self._time_of(number, line)
                first_s = now_s if first_s is None else first_s
                end = "" if line.endswith("\n") else "\n"
                yield round((now_s - first_s) / self._speed * 1e9), (line + end).encode()
        except UnicodeDecodeError as error:
            raise PortError(f"{self.name}: not a text saved as UTF-8: {error.reason}") from error

    def _check_header(self, number: int, line: str) -> None:
        found = next(chain(csv.reader([line]), [[""]]))[0].strip()
        if found != TIME:
            raise PortError(
                f"{self.name}: line {number}: found {found[:40]!r}, expected a header that begins with {TIME}"
            )

    def _time_of(self, number: int, line: str) -> float:
        cell = line.partition(",")[0].strip().strip('"')
        try:
            found = float(cell)
        except ValueError:
            found = math.nan
        if not math.isfinite(found):
            raise PortError(
                f"{self.name}: line {number}, column {TIME}: found {cell[:40]!r}, expected a number of seconds"
            )
        return found


def _speed(port: str, query: str) -> float:
    """Times as fast. PortError for anything but ?speed=NUMBER or ?speed=max."""
    keys = dict(parse_qsl(query, keep_blank_values=True))
    text = keys.pop("speed", "1")
    if keys:
        raise PortError(f"{port}: found {next(iter(keys))!r} after the file, expected only speed, as in FILE?speed=2")
    if text == "max":
        return math.inf
    try:
        speed = float(text)
    except ValueError:
        speed = math.nan
    if not (0 < speed < math.inf):
        raise PortError(f"{port}: found speed={text!r}, expected a number above 0, or max")
    return speed
