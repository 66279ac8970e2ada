"""Rows of the journal as batches of lines, from any place in it. Blocking, for one thread at a time."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchd.forward.points import RunLines, complaint
from benchd.forward.store import Cursor, ForwardStore, Refused

if TYPE_CHECKING:
    from benchd.journal_read import JournalReader, Row

ROWS_A_READ = 25  # of up to 1000 records each: what is in memory at once is bounded
ROWS_A_ROUND = 200  # however few points there are in them
RUNS_KNOWN = 500
LOOK_BACK = 1000  # records, for the engine speed before a resumed row


@dataclass(slots=True)
class Batch:
    """Lines on their way. `starts`: (index of the first line, row, run) of every row. Lines before `done` are taken, or
    stand in `refused`; `proven` says that the store took one of ours, so that a refusal is about the point."""

    upto: Cursor
    lines: list[str] = field(default_factory=list)
    starts: list[tuple[int, int, str]] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    full: bool = False
    oldest_ns: int | None = None
    done: int = 0
    proven: bool = False

    def refuse(self, index: int, reason: str) -> None:
        _, row, run = next(one for one in reversed(self.starts) if one[0] <= index)
        self.refused.append(Refused(run, row, self.lines[index], reason))


class Batches:
    """Reads the journal for one forwarder. StoreError wherever the journal, or forward.sqlite, cannot be read."""

    def __init__(
        self,
        reader: Callable[[], JournalReader],
        store: ForwardStore,
        name: str,
        daemon: str,
        size: int,
        readings: bool,
    ) -> None:
        self._make, self._store, self._name = reader, store, name
        self._daemon, self._size, self._readings = daemon, size, readings
        self._reader: JournalReader | None = None
        self._runs: OrderedDict[int, RunLines] = OrderedDict()
        self._journal: str | None = None  # its generation; None before the first look, '' while there is no journal

    def close(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def open(self, kept: Cursor) -> tuple[bool, str]:
        """See that the journal can be read. (whether it is another one than at the last call, what is wrong with the
        place `kept` in it: '' if nothing is)."""
        if self._reader is None:
            self._reader = self._make()
        elif self._journal:
            return False, ""
        journal = self._reader.generation()
        if journal == self._journal:
            return False, ""
        self._journal = journal
        self._runs.clear()
        if not kept.row or self._is_place(self._reader, kept):
            return True, ""
        return True, f"{self._reader.path} is not the journal that was forwarded before: all of it is sent again"

    def _is_place(self, reader: JournalReader, kept: Cursor) -> bool:
        if kept.journal != self._journal or reader.last_row() < kept.row:
            return False
        return all(row.no != kept.row or row.run == kept.run for row in reader.tail(kept.row - 1, 1))

    def after(self, place: Cursor, upto: int | None = None) -> Batch | None:
        """The next rows as lines, whole rows up to about a batch; None if there are none (up to row `upto`)."""
        assert self._reader is not None
        batch = Batch(place)
        looked = 0
        while not batch.full:
            rows = self._reader.tail(batch.upto.row, ROWS_A_READ, upto)
            for row in rows:
                self._add(batch, row)
                if len(batch.lines) >= self._size:
                    batch.full = True
                    break
            looked += len(rows)
            if len(rows) < ROWS_A_READ:
                break
            batch.full = batch.full or looked >= ROWS_A_ROUND
        if batch.upto == place:
            return None
        self._hold_back(batch, place.row)
        return batch

    def _add(self, batch: Batch, row: Row) -> None:
        batch.upto = Cursor(row.no, row.run, self._journal or "")
        broken: list[tuple[int, str]] = []
        try:
            made = self._run_lines(row)
        except ValueError as error:
            batch.refused.append(Refused(row.run, row.no, "", f"no point can be made of this run: {error}"))
            return
        lines = made.lines(row.records, broken, row.digests)
        batch.refused += [Refused(row.run, row.no, "", f"record {seq}: {why}") for seq, why in broken]
        if batch.oldest_ns is None and row.records:
            t_ns = row.records[0].get("t_ns")
            batch.oldest_ns = made.started_ns + (t_ns if isinstance(t_ns, int) else 0)
        if lines:
            batch.starts.append((len(batch.lines), row.no, row.run))
            batch.lines += lines

    def _run_lines(self, row: Row) -> RunLines:
        """The maker of a run's lines. Where rows are read again, its speed is that before the row, as it was then."""
        assert self._reader is not None
        if (found := self._runs.get(row.run_no)) is not None and found.next_seq == row.seq:
            self._runs.move_to_end(row.run_no)
            return found
        made = found or RunLines.of(self._reader.info(row.run), self._daemon, readings=self._readings)
        made.rpm = None
        if self._readings and row.seq > 1:
            for one in self._reader.read(row.run, max(0, row.seq - LOOK_BACK)):
                if one["seq"] >= row.seq:
                    break
                if one["kind"] == "sample":
                    made.note_rpm(one)
        self._runs[row.run_no] = made
        if len(self._runs) > RUNS_KNOWN:
            self._runs.popitem(last=False)
        return made

    def _hold_back(self, batch: Batch, after_row: int) -> None:
        """Take out of a batch what is in quarantine already, and what no store can read."""
        known = self._store.refused_between(self._name, after_row, batch.upto.row)
        wrong = {index: why for index, line in enumerate(batch.lines) if (why := complaint(line)) is not None}
        if not known and not wrong:
            return
        batch.refused = [one for one in batch.refused if one.line or one.line not in known]
        for index, why in wrong.items():
            if batch.lines[index] not in known:
                batch.refuse(index, why)
        lines, starts = batch.lines, batch.starts
        batch.lines, batch.starts = [], []
        ends = [start for start, _, _ in starts[1:]] + [len(lines)]
        for (start, row, run), end in zip(starts, ends, strict=True):
            batch.starts.append((len(batch.lines), row, run))
            batch.lines += [lines[at] for at in range(start, end) if at not in wrong and lines[at] not in known]
