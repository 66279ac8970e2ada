"""A run as it is drawn: a column a channel, thinned to what a screen can show, with what happened on the same time axis.

Thinned by tsdownsample's MinMaxLTTB, which keeps the peaks. A channel that is silent for more than BREAK_S, or that reads no
number, is broken by a null, so that nobody draws a line where nothing was read.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.core.samples import CHANNELS
from benchd.journal_read import JournalReader
from benchd.server import reading
from benchd.server.page import Fold

Array = NDArray[np.float64]

BREAK_S = 5.0
FEWEST, MOST = 100, 10_000  # points of a channel
#: Runs of which the columns stay in memory: an hour of four channels at 10 Hz is 2.5 MB.
MOST_BYTES = 64 * 1024 * 1024
MOST_EVENTS = 2000
#: What becomes of an event on the time axis.
EVENTS = frozenset(
    {"prompt", "answer", "caution", "flag", "gap", "trouble", "notice", "mark", "verdict", "run-closed", "phase"}
)
#: Of the first record: what a page of a run need not have, and what is long.
_NOT_TOLD = ("spec_text", "spec_toml", "last_good")


class _Column:
    """Seconds and values as they come; a value that is none is NaN."""

    __slots__ = ("_n", "_rows")

    def __init__(self, width: int) -> None:
        self._rows = np.empty((64, width))
        self._n = 0

    def add(self, *row: float) -> None:
        if self._n == len(self._rows):
            self._rows = np.concatenate([self._rows, np.empty_like(self._rows)])
        self._rows[self._n] = row
        self._n += 1

    def part(self, from_s: float | None, to_s: float | None) -> Array:
        """[n, width] of a window, with one row more on either side, so that lines run to its edge."""
        rows = self._rows[: self._n]
        low = 0 if from_s is None else max(int(np.searchsorted(rows[:, 0], from_s)) - 1, 0)
        high = self._n if to_s is None else int(np.searchsorted(rows[:, 0], to_s, "right")) + 1
        found: Array = rows[low:high]
        return found

    def __len__(self) -> int:
        return self._n

    @property
    def bytes(self) -> int:
        return int(self._rows.nbytes)


@dataclass(slots=True)
class Drawn:
    """All of a run up to record `next`."""

    opened: dict[str, Any] = field(default_factory=dict)
    channels: dict[str, _Column] = field(default_factory=dict)
    expected: dict[str, _Column] = field(default_factory=dict)
    events: list[dict[str, Any]] = field(default_factory=list)
    fold: Fold | None = None
    samples: int = 0
    last_s: float = 0.0
    measuring_s: float | None = None
    phase: str = ""
    next: int = 0
    open: bool = True
    digest: str | None = None  # of the last record, once the run is closed

    def take(self, record: Mapping[str, Any]) -> None:
        kind = record.get("kind")
        if self.fold is not None:
            self.fold.apply(record)
        t_ns = record.get("t_ns")
        t_s = float(t_ns) / 1e9 if isinstance(t_ns, int | float) else self.last_s
        self.last_s = max(self.last_s, t_s)
        if kind == "sample":
            self._sample(t_s, record["values"])
        elif kind == "standing":
            self._standing(t_s, record)
        elif kind == "run-opened":
            self.opened = dict(record)
        elif kind in EVENTS and len(self.events) < MOST_EVENTS:
            self.events.append(event(t_s, record) | dict((self.fold and self.fold.told(record)) or {}))

    def _sample(self, t_s: float, values: Mapping[str, Any]) -> None:
        self.samples += 1
        for name, found in values.items():
            self.channels.setdefault(name, _Column(2)).add(t_s, np.nan if found[0] is None else found[0])

    def _standing(self, t_s: float, record: Mapping[str, Any]) -> None:
        phase = str(record.get("phase") or "")
        if phase != self.phase:
            self.phase = phase
            if phase == "measuring" and self.measuring_s is None:
                self.measuring_s = t_s
            if len(self.events) < MOST_EVENTS:
                self.events.append({"t_s": t_s, "kind": "phase", "text": phase})
        for name, (low, high) in dict(record.get("expected") or {}).items():
            self.expected.setdefault(name, _Column(3)).add(t_s, low, high)

    @property
    def bytes(self) -> int:
        columns = sum(one.bytes for one in (*self.channels.values(), *self.expected.values()))
        return columns + 500 * len(self.events) + 10_000


def event(t_s: float, record: Mapping[str, Any]) -> dict[str, Any]:
    """A record as a mark on the time axis: its time, its kind, and the fields that say what happened."""
    left_out = {"t_ns", "seq", "values", "measured", "limits", "instruments", "estimates", "budget", "curve"}
    if record.get("kind") == "verdict":
        body = record.get("verdict") if isinstance(record.get("verdict"), Mapping) else record
        assert isinstance(body, Mapping)
        told = {key: body.get(key) for key in ("verdict", "suspect", "reasons")}
    else:
        told = {key: value for key, value in record.items() if key not in left_out}
    return {"t_s": t_s, **told, "kind": str(record["kind"])}


class Curves:
    """Runs made ready to be drawn; the newest asked for are kept. Any thread."""

    def __init__(self, fold: Callable[[], Fold] | None = None) -> None:
        self._fold = fold
        self._kept: OrderedDict[str, tuple[threading.Lock, Drawn]] = OrderedDict()
        self._lock = threading.Lock()

    def curve(
        self, reader: JournalReader, run: str, points: int, from_s: float | None, to_s: float | None
    ) -> dict[str, Any]:
        """The body of the route. NotFoundError, StoreError."""
        listed = reading.info(reader, run)
        lock, drawn = self._of(run)
        with lock:
            self._read_on(reader, run, drawn)
            body = _body(listed, drawn, points, from_s, to_s)
        self._forget()
        return body

    def _of(self, run: str) -> tuple[threading.Lock, Drawn]:
        with self._lock:
            if run not in self._kept:
                fold = None if self._fold is None else self._fold()
                self._kept[run] = threading.Lock(), Drawn(fold=fold)
            self._kept.move_to_end(run)
            return self._kept[run]

    def _read_on(self, reader: JournalReader, run: str, drawn: Drawn) -> None:
        if not drawn.open:
            return
        # Asked for first: a run that is closed by now has all its records on the disk.
        closed = reading.info(reader, run)["status"] is not None
        for record in reader.read(run, drawn.next):
            drawn.take(record)
            drawn.next = int(record["seq"])
        drawn.open = not closed
        drawn.digest = reader.digest(run) if closed else None

    def _forget(self) -> None:
        with self._lock:
            while len(self._kept) > 1 and sum(drawn.bytes for _, drawn in self._kept.values()) > MOST_BYTES:
                self._kept.popitem(last=False)


def _body(
    listed: Mapping[str, Any], drawn: Drawn, points: int, from_s: float | None, to_s: float | None
) -> dict[str, Any]:
    channels = {name: _thin(one.part(from_s, to_s), points) for name, one in drawn.channels.items()}
    return {
        "run": listed,
        "opened": {key: value for key, value in drawn.opened.items() if key not in _NOT_TOLD},
        "channels": {
            name: {
                "t": _told(rows[:, 0]),
                "v": _told(rows[:, 1]),
                "unit": CHANNELS[name][1] if name in CHANNELS else "",
                "n": len(drawn.channels[name]),
            }
            for name, rows in channels.items()
        },
        "expected": {
            name: {"t": _told(rows[:, 0]), "low": _told(rows[:, 1]), "high": _told(rows[:, 2])}
            for name, rows in ((name, _every(one.part(from_s, to_s), points)) for name, one in drawn.expected.items())
        },
        "last_good": _last_good(drawn.opened),
        "behind": _behind(drawn),
        "events": drawn.events,
        "measuring_s": drawn.measuring_s,
        "duration_s": drawn.last_s,
        "samples": drawn.samples,
        "thinned": any(len(rows) < len(drawn.channels[name].part(from_s, to_s)) for name, rows in channels.items()),
        "view": None if drawn.fold is None else drawn.fold.view(),
        "next": drawn.next,
        "open": drawn.open,
        "digest": drawn.digest,
    }


def _thin(rows: Array, points: int) -> Array:
    """At most about `points` rows of [seconds, value], breaks marked by a NaN."""
    rows = _broken(rows)
    if len(rows) <= points:
        return rows
    from tsdownsample import MinMaxLTTBDownsampler

    downsampler = MinMaxLTTBDownsampler()  # type: ignore[no-untyped-call]
    parts = list(_whole(rows))
    total = sum(len(one) for one in parts)
    kept = []
    for part in parts:
        room = max(int(points * len(part) / total), 4)
        if len(part) > room:
            t, v = np.ascontiguousarray(part[:, 0]), np.ascontiguousarray(part[:, 1])
            part = part[downsampler.downsample(t, v, n_out=room)]
        kept += [part, np.array([[part[-1, 0], np.nan]])]
    found: Array = np.concatenate(kept[:-1]) if kept else rows[:0]
    return found


def _broken(rows: Array) -> Array:
    """With a row of NaN wherever nothing was read for long."""
    gaps = np.flatnonzero(np.diff(rows[:, 0]) > BREAK_S)
    if not len(gaps):
        return rows
    found: Array = np.insert(rows, gaps + 1, np.column_stack([rows[gaps, 0], np.full(len(gaps), np.nan)]), axis=0)
    return found


def _whole(rows: Array) -> Iterator[Array]:
    """The stretches without a NaN."""
    there = ~np.isnan(rows[:, 1])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(np.int8)))
    for low, high in zip(edges[::2], edges[1::2], strict=True):
        yield rows[low:high]


def _every(rows: Array, points: int) -> Array:
    """A band is smooth: every so many rows, and the last."""
    if len(rows) <= points:
        return rows
    at = np.unique(np.append(np.arange(0, len(rows), -(-len(rows) // points)), len(rows) - 1))
    found: Array = rows[at]
    return found


def _told(column: Array) -> list[float | None]:
    return [None if value != value else round(value, 6) for value in column.tolist()]


def _last_good(opened: Mapping[str, Any]) -> dict[str, Any] | None:
    good = opened.get("last_good")
    return {key: good.get(key) for key in ("run", "started")} if isinstance(good, Mapping) else None


def _behind(drawn: Drawn) -> dict[str, dict[str, list[float]]]:
    """The last good run of the unit, laid so that its measuring began when this run's did."""
    good = drawn.opened.get("last_good")
    if drawn.measuring_s is None or not isinstance(good, Mapping):
        return {}
    shift_s = drawn.measuring_s - float(good.get("from_s") or 0.0)
    found: dict[str, dict[str, list[float]]] = {}
    for t_s, values in _points(good.get("points") or ()):
        for name, value in values.items():
            column = found.setdefault(name, {"t": [], "v": []})
            column["t"].append(round(t_s + shift_s, 6))
            column["v"].append(float(value))
    return found


def _points(points: Iterable[Any]) -> Iterator[tuple[float, Mapping[str, Any]]]:
    for t_s, values in points:
        yield float(t_s), values
