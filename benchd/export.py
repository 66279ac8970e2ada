"""A run's samples for other programs, and recorded samples from anywhere: CSV with `t_s` and channel names, Parquet.

Exported and read back, samples are the same: time, value and resolution. One count of a channel's display stands in
the digits of its cells (14.20 at 0.01); where digits cannot say it (behind a shunt, or a range that changed) a column
NAME_resolution stands beside it. What flags were on is not in a CSV: a reading that is no measurement is an empty cell.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches
from functools import lru_cache
from itertools import chain, islice
from pathlib import Path
from typing import Any, TextIO

from benchd.core.samples import CHANNELS, Sample, Value, t_ns_of_text
from benchd.errors import StoreError, UsageError

TIME = "t_s"

# One strict grammar: float() would take nan, 1_000 and digits of other scripts.
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.(?P<digits>[0-9]*))?|\.(?P<bare>[0-9]+))(?:[eE](?P<power>[+-]?[0-9]{1,2}))?")
_LONGEST = 60  # characters of a cell
_RESOLUTION = "_resolution"
_LOOK_AHEAD = 500  # rows read before a column's digits are believed; 100 s at 0.2 s a sample


# --- out --------------------------------------------------------------------------------------------------------------


def samples_csv(records: Iterable[Mapping[str, Any]], file: TextIO) -> None:
    """Write the samples among a run's records: a header, then a row a sample; cells empty where nothing was read.

    Columns are the channels that occur, in the order of CHANNELS. UsageError if there is no sample.
    """
    samples, names = _samples(records)
    told = {name: _told_by_digits(samples, name) for name in names}
    columns = [column for name in names for column in ((name,) if told[name] else (name, name + _RESOLUTION))]
    rows = csv.writer(file, lineterminator="\n")
    rows.writerow([TIME, *columns])
    for body in samples:
        cells = [seconds_text(int(body["t_ns"]))]
        for name in names:
            value, resolution = _known(body, name)
            cells.append(_cell(value, resolution))
            if not told[name]:
                cells.append("" if value is None or resolution is None else repr(float(resolution)))
        rows.writerow(cells)


def parquet(records: Iterable[Mapping[str, Any]], path: str | Path) -> None:
    """Write the samples as Parquet: t_ns (int64), t_s, then for every channel its value, and its resolution as
    NAME_resolution; null where nothing was read. Needs the extra benchd[parquet]. UsageError, StoreError."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise UsageError(
            "Parquet needs the library pyarrow, which is not installed: pip install 'benchd[parquet]', or export CSV"
        ) from error
    samples, names = _samples(records)
    times = [int(body["t_ns"]) for body in samples]
    columns = {"t_ns": pa.array(times, pa.int64()), TIME: pa.array([t / 1e9 for t in times], pa.float64())}
    for name in names:
        known = [_known(body, name) for body in samples]
        columns[name] = pa.array([value for value, _ in known], pa.float64())
        columns[name + _RESOLUTION] = pa.array([resolution for _, resolution in known], pa.float64())
    try:
        pq.write_table(pa.table(columns), str(path), compression="zstd")
    except OSError as error:
        raise StoreError(f"{path}: cannot be written: {error}") from error


def _samples(records: Iterable[Mapping[str, Any]]) -> tuple[list[Mapping[str, Any]], list[str]]:
    samples = [body for body in records if body.get("kind") == "sample"]
    if not samples:
        raise UsageError("this run holds no samples: nothing was measured before it ended")
    seen = {name for body in samples for name in body["values"]}
    return samples, [name for name in CHANNELS if name in seen]


def _known(body: Mapping[str, Any], name: str) -> tuple[float | None, float | None]:
    """A channel's value and resolution in one sample record."""
    found = body["values"].get(name)
    if found is None or found[0] is None:
        return None, None
    return float(found[0]), None if found[1] is None else float(found[1])


def _told_by_digits(samples: Iterable[Mapping[str, Any]], name: str) -> bool:
    """Whether the cells of a channel tell its resolution: one for all, a power of ten, no value between its counts."""
    resolutions = set()
    for body in samples:
        value, resolution = _known(body, name)
        if value is not None and resolution is not None:
            resolutions.add(resolution)
            if len(resolutions) > 1 or resolution_of(_cell(value, resolution)) != resolution:
                return False
    return True


def seconds_text(t_ns: int) -> str:
    """Nanoseconds as decimal seconds, exactly and without idle zeros."""
    sign, t_ns = ("-", -t_ns) if t_ns < 0 else ("", t_ns)
    whole, rest = divmod(t_ns, 1_000_000_000)
    return sign + f"{whole}.{rest:09d}".rstrip("0").rstrip(".")


def _cell(value: float | None, resolution: float | None) -> str:
    """A value in as many digits as its resolution says; all its digits if it would not be the same number."""
    if value is None:
        return ""
    places = _places(resolution)
    if places is not None:
        text = f"{value:.{places}f}" if places >= 0 else _coarse(value, -places)
        if float(text) == value:
            return text
    return repr(value)


def _coarse(value: float, power: int) -> str:
    """3600 at a resolution of 10 is 3.60e+03: the only way to show that the last zero was not read."""
    counts = str(abs(round(value / 10**power)))
    if counts == "0":
        return f"0e{power}"
    return f"{value:.{len(counts) - 1}e}"


def _places(resolution: float | None) -> int | None:
    """Decimals of a resolution that is a power of ten (0.01 -> 2, 10 -> -1), else None."""
    if resolution is None or not 1e-12 <= resolution <= 1e12:
        return None
    _, digits, power = Decimal(repr(resolution)).normalize().as_tuple()
    return -power if digits == (1,) and isinstance(power, int) else None


# --- in ---------------------------------------------------------------------------------------------------------------


def read_trace(file: TextIO) -> Iterator[Sample]:
    """The samples of a recorded trace, in order, read as they are asked for.

    Header: `t_s` and channel names in any order, perhaps NAME_resolution columns; others are passed over unless they
    look like a channel misspelt. Times in seconds, kept to the nanosecond, never falling. An empty cell is no reading.
    One count of a cell's last digit is its resolution; in a file whose writer dropped idle zeros (12.5 beside 12.53)
    that of the column's finest cell. UsageError names file, line and column.
    """
    name = str(getattr(file, "name", "trace"))
    trace = _Trace(csv.reader(file), name)
    ahead = list(islice(trace.rows(), _LOOK_AHEAD))
    finest = {column: _finest([row.cells[place] for row in ahead]) for column, place in trace.channels.items()}
    before: int | None = None
    for row in chain(ahead, trace.rows()):
        t_ns = trace.time(row)
        if before is not None and t_ns < before:
            said = f"found {seconds_text(t_ns)} after {seconds_text(before)}, expected times that never fall"
            raise UsageError(f"{name}:{row.line}: column {TIME!r}: {said}")
        before = t_ns
        yield Sample(t_ns, {column: one for column in trace.channels if (one := trace.value(row, column, finest))})


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: list[str]


class _Trace:
    """The rows of one file, by its header."""

    def __init__(self, reader: Any, name: str) -> None:
        self._reader, self._name = reader, name
        header = next(self._lines(), None)
        if header is None:
            raise UsageError(f"{name}: empty, expected a header with {TIME} and channel names")
        self._header = header.cells
        self._time_at, self.channels, self._resolutions = _columns(header.cells, f"{name}:{header.line}")

    def rows(self) -> Iterator[_Row]:
        for row in self._lines():
            if len(row.cells) != len(self._header):
                said = f"found {len(row.cells)} cells, expected {len(self._header)} as in the header"
                raise UsageError(f"{self._name}:{row.line}: {said}")
            yield row

    def _lines(self) -> Iterator[_Row]:
        """Rows that are not blank, cells stripped."""
        try:
            for row in self._reader:
                cells = [cell.strip() for cell in row]
                if any(cells):
                    yield _Row(self._reader.line_num, cells)
        except csv.Error as error:
            raise UsageError(f"{self._name}:{self._reader.line_num}: not CSV: {error}") from error
        except UnicodeDecodeError as error:
            said = "found a byte that is not UTF-8, expected a text saved as UTF-8"
            raise UsageError(f"{self._name}: after line {self._reader.line_num}: {said}") from error

    def time(self, row: _Row) -> int:
        text = row.cells[self._time_at]
        self._check(text, row, TIME, "seconds")
        return t_ns_of_text(text)

    def value(self, row: _Row, column: str, finest: Mapping[str, float | None]) -> Value | None:
        text = row.cells[self.channels[column]]
        if not text:
            return None
        self._check(text, row, column, "a number or an empty cell")
        own = self._resolutions.get(column)
        if own is None:
            resolution = resolution_of(text)
            dropped = finest[column]
            return Value(float(text), resolution if dropped is None else min(resolution, dropped))
        given = row.cells[own]
        if given:
            self._check(given, row, column + _RESOLUTION, "a number or an empty cell")
        return Value(float(text), float(given) if given else None)

    def _check(self, text: str, row: _Row, column: str, expected: str) -> None:
        if len(text) > _LONGEST or _NUMBER.fullmatch(text) is None:
            shown = text if len(text) <= _LONGEST else text[:_LONGEST] + "..."
            raise UsageError(f"{self._name}:{row.line}: column {column!r}: found {shown!r}, expected {expected}")


def _columns(header: list[str], where: str) -> tuple[int, dict[str, int], dict[str, int]]:
    """Places of the time, of the channels, and of their resolutions. UsageError."""
    twice = sorted({name for name in header if name and header.count(name) > 1})
    if twice:
        raise UsageError(f"{where}: column {twice[0]!r} stands twice")
    if TIME not in header:
        hint = "; separate the columns with commas" if len(header) == 1 and re.search(r"[;\t]", header[0]) else ""
        raise UsageError(f"{where}: found the header {', '.join(header)[:200]!r}, expected one with {TIME!r}{hint}")
    for name in header:
        if name not in CHANNELS and name != TIME and (near := get_close_matches(name, CHANNELS, 1, 0.85)):
            raise UsageError(f"{where}: column {name!r} is no channel, expected {near[0]!r}")
    channels = {name: place for place, name in enumerate(header) if name in CHANNELS}
    if not channels:
        raise UsageError(f"{where}: no column is a channel; channels are {', '.join(CHANNELS)}")
    beside = {name: header.index(name + _RESOLUTION) for name in channels if name + _RESOLUTION in header}
    return header.index(TIME), channels, beside


@lru_cache(maxsize=64)
def _power_of_ten(exponent: int) -> float:
    return float(f"1e{exponent}")


def resolution_of(text: str) -> float:
    """One count of the last digit of a number in plain or scientific notation."""
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise ValueError(f"not a number: {text!r}")
    return _power_of_ten(int(found["power"] or 0) - len(found["digits"] or found["bare"] or ""))


def _finest(cells: Iterable[str]) -> float | None:
    """The resolution of a column whose writer dropped idle zeros; None where every cell tells its own.

    Where zeros were kept, one fraction in ten ends with 0; where they were dropped none does, and lengths differ.
    """
    fractions = [cell for cell in cells if _NUMBER.fullmatch(cell)]
    if any("." in cell and cell.endswith("0") for cell in fractions):
        return None
    counts = {resolution_of(cell) for cell in fractions}
    return min(counts) if len(counts) > 1 else None
