"""Forwards the journal to a time-series store: at least once, in order, whatever the store does.

Everything that may wait (journal, forward.sqlite, HTTP) happens in one thread of the forwarder's own; a run never waits
for it. A store that acknowledges has not yet kept: the cursor on the disk, `settled`, stays `resend_s` behind the
acknowledgements, and sending begins again from there after a restart of the daemon and after every outage, unless the
store itself tells that it is still the same process. What is sent again overwrites itself.
"""

from __future__ import annotations

import asyncio
import logging
import random
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from benchd.errors import BenchdError, ConfigError, StoreError
from benchd.forward.base import ForwarderStatus, News
from benchd.forward.points import RunLines, complaint
from benchd.forward.series_door import Door, GivenUp, Seen, Trouble, Why
from benchd.forward.store import Cursor, ForwardStore, Refused
from benchd.forward.worker import Worker
from benchd.site import SeriesSettings

if TYPE_CHECKING:
    from benchd.journal_read import JournalReader, Row

NAME = "series"
ROWS_A_READ = 25  # of up to 1000 records each: what is in memory at once is bounded
ROWS_A_ROUND = 2000  # however few points there are in them
RUNS_KNOWN = 500
LOOK_AGAIN_S = 5.0  # for rows of other processes, and lines released from quarantine
LOOK_BACK = 1000  # records, for the engine speed before a resumed row
#: Points refused one by one before any was taken: then it is not the points.
ALL_REFUSED = 20
SMALLEST_SLOW = 100  # points a request when the store is slow
STUCK_TIMES = 4.0  # timeouts, after which a request that hangs is left behind

log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Batch:
    """Rows made into lines. `starts`: (index of the first line, row, run) of every row."""

    upto: Cursor
    lines: list[str] = field(default_factory=list)
    starts: list[tuple[int, int, str]] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    full: bool = False
    oldest_ns: int | None = None

    def refuse(self, index: int, reason: str) -> Refused:
        _, row, run = next(one for one in reversed(self.starts) if one[0] <= index)
        return Refused(run, row, self.lines[index], reason)


class SeriesForwarder:
    """See forward.base.Forwarder. `settled` is the row that will never be sent again: retention may thin up to it."""

    name = NAME

    def __init__(
        self,
        settings: SeriesSettings,
        reader: Callable[[], JournalReader],
        store: ForwardStore,
        daemon_id: str,
        news: News,
    ) -> None:
        self._settings, self._make_reader, self._store, self._news = settings, reader, store, news
        self._daemon = daemon_id
        self._door = Door(settings)
        self._reader: JournalReader | None = None
        self._runs: OrderedDict[int, RunLines] = OrderedDict()
        self._journal = ""  # its generation
        self._position = Cursor()
        self._settled = store.cursor(NAME)
        self._on_disk = self._settled
        self._acked: deque[tuple[float, Cursor]] = deque()  # monotonic time of the acknowledgement, oldest first
        self._sent_released: deque[tuple[float, list[int]]] = deque()
        self._good: str | None = None  # the newest line that was taken
        self._size = max(1, settings.batch)
        self._outage = True  # what a store remembers from before we came is not known
        self._seen: Seen | None = None
        self._look_at = 0.0
        self._tick_s = min(max(settings.resend_s / 4, 0.05), 15.0)
        self._attempts = 0  # that failed one after the other
        # shown
        self._state = "stopped"
        self._sent = self._failures = 0
        self._quarantined = store.quarantined(NAME)
        self._last_error: str | None = None
        self._last_error_at: str | None = None
        self._oldest_ns: int | None = None
        self._begun = False

    # --- for the daemon, in its event loop ----------------------------------------------------------------------------

    @property
    def settled(self) -> int:
        return self._settled.row

    def status(self) -> ForwarderStatus:
        behind = max(0, self._news.row - self._position.row)
        oldest = self._oldest_ns
        return ForwarderStatus(
            name=NAME,
            target=self._door.target,
            state=self._state,
            position=self._position.row,
            behind_rows=behind,
            behind_s=max(0.0, (time.time_ns() - oldest) / 1e9) if behind and oldest is not None else 0.0,
            sent=self._sent,
            quarantined=self._quarantined,
            failures=self._failures,
            last_error=self._last_error,
            last_error_at=self._last_error_at,
        )

    def quarantine(self, limit: int = 100) -> list[Refused]:
        """Points that the store refuses, newest first."""
        return self._store.quarantine(NAME, limit)

    def release(self, no: int | None = None) -> int:
        """Have one refused point, or all, sent again; how many. NotFoundError, StoreError."""
        count = self._store.release(NAME, no)
        self._quarantined = self._store.quarantined(NAME)
        return count

    async def run(self) -> None:
        worker = Worker("benchd time series")
        try:
            if self._store.notice:
                self._tell(self._store.notice)
            while True:
                wait_s = await self._watched(worker)
                if wait_s is _STUCK:
                    worker = Worker("benchd time series")
                    continue
                await self._rest(wait_s)
        finally:
            self._state = "stopped"
            self._door.given_up = True
            worker.end(self._close)

    async def _watched(self, worker: Worker) -> float | None:
        """One attempt in the thread. A request that hangs beyond all timeouts is left behind, with its thread."""
        door = self._door
        attempt = asyncio.ensure_future(worker.do(self._attempt))
        try:
            while not attempt.done():
                await asyncio.wait({attempt}, timeout=1.0)
                since = door.busy_since
                if since is not None and time.monotonic() - since > self._settings.timeout_s * STUCK_TIMES:
                    return self._leave_behind(worker)
            return attempt.result()
        finally:
            attempt.cancel()

    def _leave_behind(self, worker: Worker) -> float:
        self._door.given_up = True
        left = self._reader
        worker.end(lambda: None if left is None else left.close())
        self._door, self._reader = Door(self._settings), None
        self._lost(Trouble(Why.LOST, f"{self._door.target}: it answers without end", slow=True))
        return _STUCK

    async def _rest(self, wait_s: float | None) -> None:
        if wait_s is not None:
            await asyncio.sleep(wait_s)
            return
        position = self._position.row
        if await self._news.after(position, min(self._tick_s, LOOK_AGAIN_S)) > position:
            if self._oldest_ns is None:
                self._oldest_ns = time.time_ns()
            await asyncio.sleep(self._settings.flush_s)

    # --- in the thread: attempts and their troubles --------------------------------------------------------------------

    def _attempt(self) -> float | None:
        """Take the next batch over. Seconds to wait before the next attempt; None: until there is news."""
        try:
            more = self._round()
        except GivenUp:
            return None
        except Trouble as trouble:
            return self._after(trouble)
        except BenchdError as error:  # a token that cannot be read, a journal or forward.sqlite that cannot be
            self._close_reader()
            why = Why.SETTINGS if isinstance(error, ConfigError) else Why.LATER
            return self._after(Trouble(why, str(error)))
        except Exception as error:  # a mistake of ours must not end the forwarding
            log.exception("the time-series forwarder broke")
            self._close_reader()
            return self._after(Trouble(Why.LATER, f"the forwarder broke: {type(error).__name__}: {error}"))
        self._attempts = 0
        self._state = "sending" if more else "up to date"
        return 0.0 if more else None

    def _after(self, trouble: Trouble) -> float:
        """Note a trouble; how long to wait: full jitter, so that many daemons do not come back at once."""
        first, longest = self._settings.back_off_s
        self._failures += 1
        self._tell(str(trouble))
        if trouble.why in (Why.SETTINGS, Why.POINTS, Why.TOO_MUCH):
            self._state = "refused"
            self._door.reset()  # the next attempt reads the token anew
            return longest * random.uniform(0.5, 1.0)
        self._state = "waiting to try again"
        if trouble.why is Why.LOST:
            self._lost(trouble)
            self._door.reset()
        delay = random.uniform(0, min(longest, first * 2 ** min(self._attempts, 30)))
        self._attempts += 1
        return max(trouble.wait_s, delay)

    def _lost(self, trouble: Trouble) -> None:
        self._outage = True
        if trouble.slow:
            self._size = max(min(self._size, SMALLEST_SLOW), self._size // 2)

    def _tell(self, text: str) -> None:
        self._last_error = text
        self._last_error_at = datetime.now(UTC).isoformat(timespec="milliseconds")

    # --- in the thread: one round -------------------------------------------------------------------------------------

    def _round(self) -> bool:
        """Look after the store, then send what there is, up to one batch; whether there is more."""
        self._open_reader()
        self._look_after_store()
        self._send_released()
        batch = self._read()
        if batch is None:
            self._oldest_ns = None
            return False
        self._oldest_ns = batch.oldest_ns
        if batch.lines:
            self._state = "sending"
            batch.refused += self._deliver(batch.lines, batch.refuse)
        if batch.refused:
            self._store.refuse(NAME, batch.refused)  # before the cursor: a point is here or there
            self._quarantined = self._store.quarantined(NAME)
        self._acknowledge(batch.upto)
        if not batch.full:
            self._oldest_ns = None
        return batch.full

    def _open_reader(self) -> None:
        if self._reader is not None and self._journal:
            return
        if self._reader is None:
            self._reader = self._make_reader()
        journal = self._reader.generation()  # '' until the first run makes the file
        if not self._begun or journal != self._journal:
            self._begin(self._reader, journal)

    def _begin(self, reader: JournalReader, journal: str) -> None:
        """Find the place in this journal. One that was put back from a copy is sent again as a whole."""
        kept = self._settled
        if kept.row and not self._is_place(reader, kept, journal):
            self._tell(f"{reader.path} is not the journal that was forwarded before: all of it is sent again")
            kept = Cursor()
        self._journal = journal
        self._runs.clear()
        self._settled = self._position = kept
        self._acked.clear()
        self._begun = True

    def _is_place(self, reader: JournalReader, kept: Cursor, journal: str) -> bool:
        if kept.journal != journal or reader.last_row() < kept.row:
            return False
        return all(row.no != kept.row or row.run == kept.run for row in reader.tail(kept.row - 1, 1))

    def _read(self) -> _Batch | None:
        """The next rows as lines, whole rows up to a batch; None if there are none."""
        assert self._reader is not None
        batch = _Batch(self._position)
        looked = 0
        while not batch.full:
            rows = self._reader.tail(batch.upto.row, ROWS_A_READ)
            for row in rows:
                self._add(batch, row)
                if len(batch.lines) >= self._settings.batch:
                    batch.full = True
                    break
            looked += len(rows)
            if len(rows) < ROWS_A_READ:
                break
            batch.full = batch.full or looked >= ROWS_A_ROUND
        if batch.upto == self._position:
            return None
        self._hold_back(batch)
        return batch

    def _add(self, batch: _Batch, row: Row) -> None:
        batch.upto = Cursor(row.no, row.run, self._journal)
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
        if (found := self._runs.get(row.run_no)) is not None:
            self._runs.move_to_end(row.run_no)
            return found
        assert self._reader is not None
        made = RunLines.of(self._reader.info(row.run), self._daemon, readings=self._settings.readings)
        if self._settings.readings and row.seq > 1:
            before = (one for one in self._reader.read(row.run, max(0, row.seq - LOOK_BACK)) if one["kind"] == "sample")
            for one in before:
                if one["seq"] >= row.seq:
                    break
                made.note_rpm(one)
        self._runs[row.run_no] = made
        if len(self._runs) > RUNS_KNOWN:
            self._runs.popitem(last=False)
        return made

    def _hold_back(self, batch: _Batch) -> None:
        """Take out of a batch what is in quarantine already, and what no store can read."""
        known = self._store.refused_between(NAME, self._position.row, batch.upto.row)
        wrong = {index: why for index, line in enumerate(batch.lines) if (why := complaint(line)) is not None}
        batch.refused += [batch.refuse(index, why) for index, why in wrong.items() if batch.lines[index] not in known]
        if not known and not wrong:
            return
        lines, starts = batch.lines, batch.starts
        batch.lines, batch.starts = [], []
        ends = [start for start, _, _ in starts[1:]] + [len(lines)]
        for (start, row, run), end in zip(starts, ends, strict=True):
            batch.starts.append((len(batch.lines), row, run))
            batch.lines += [lines[at] for at in range(start, end) if at not in wrong and lines[at] not in known]

    # --- in the thread: sending ---------------------------------------------------------------------------------------

    def _deliver(
        self, lines: list[str], refuse: Callable[[int, str], Refused], *, proven: bool = False
    ) -> list[Refused]:
        """Send lines in requests of at most `_size`; those the store will not have by themselves. Trouble.

        `proven`: it is known that the store takes points of ours, so that a refusal is about these."""
        refused: list[Refused] = []
        todo = [(0, len(lines))]
        while todo:
            low, high = todo.pop()
            if high - low > self._size:
                todo += [(low + self._size, high), (low, low + self._size)]
                continue
            try:
                self._door.write(lines[low:high])
            except Trouble as trouble:
                if trouble.why is Why.TOO_MUCH and high - low > 1:
                    self._size = (high - low) // 2
                    todo.append((low, high))
                    continue
                if trouble.why not in (Why.POINTS, Why.TOO_MUCH):
                    if proven and refused:
                        self._store.refuse(NAME, refused)  # not to be looked for again
                    raise
                proven = proven or self._is_the_points(trouble, len(refused))
                if high - low == 1 or trouble.dropped == high - low:
                    refused += [refuse(index, str(trouble)) for index in range(low, high)]
                else:
                    middle = (low + high) // 2
                    todo += [(middle, high), (low, middle)]
            else:
                proven = True
                self._sent += high - low
                self._good = lines[high - 1]
                self._size = min(self._settings.batch, self._size + max(1, self._size // 10))
        if refused and not proven:
            raise Trouble(Why.SETTINGS, f"{self._door.target}: it refuses every point ({refused[0].reason})")
        return refused

    def _is_the_points(self, trouble: Trouble, refused: int) -> bool:
        """Whether a refusal is about the points: the store takes one that it has taken before. Trouble if it does not."""
        if trouble.dropped:
            return True
        if self._good is None:
            if refused + 1 >= ALL_REFUSED:
                raise Trouble(Why.SETTINGS, f"{self._door.target}: it refuses every point ({trouble})")
            return False
        try:
            self._door.write([self._good])
        except Trouble as again:
            if again.why is Why.POINTS:
                self._good = None
                raise Trouble(Why.SETTINGS, f"{self._door.target}: it refuses every point ({again})") from again
            raise
        return True

    def _send_released(self) -> None:
        """What somebody let out of quarantine; it leaves the store's file once that is settled."""
        sent = {no for _, numbers in self._sent_released for no in numbers}
        ready = self._store.released(NAME, len(sent) + self._settings.batch)
        ready = [one for one in ready if one.no not in sent]
        if not ready:
            return
        empty = [one.no for one in ready if not one.line]  # records, not points: they are made anew after an update
        lines = [one for one in ready if one.line]
        again: list[Refused] = []
        if lines:
            again = self._deliver(
                [one.line for one in lines], lambda at, why: replace(lines[at], reason=why), proven=True
            )
        if again:
            self._store.refuse(NAME, again)
        back = {(one.row, one.line) for one in again}
        taken = [one.no for one in lines if (one.row, one.line) not in back]
        self._store.taken(NAME, empty)
        if taken:
            self._sent_released.append((time.monotonic(), taken))
        self._quarantined = self._store.quarantined(NAME)

    # --- in the thread: what the store may forget -----------------------------------------------------------------------

    def _acknowledge(self, upto: Cursor) -> None:
        now = time.monotonic()
        self._position = upto
        # A few a tick are enough, however many requests there are.
        if len(self._acked) > 1 and now - self._acked[-2][0] < self._tick_s / 4:
            self._acked.pop()
        self._acked.append((now, upto))

    def _look_after_store(self) -> None:
        """After an outage, and every now and then: has the store begun anew? Then begin again from `settled`."""
        now = time.monotonic()
        if not self._outage and now < self._look_at:
            return
        seen = self._door.look()
        if seen is not None and self._seen is not None and seen.is_same_process(self._seen):
            self._warn_of_invalid(seen)
        elif self._outage or (seen is not None and self._seen is not None):
            self._position = self._settled
            self._acked.clear()
            self._sent_released.clear()
        self._outage, self._seen, self._look_at = False, seen or self._seen, now + self._tick_s
        self._settle(now - self._settings.resend_s)

    def _warn_of_invalid(self, seen: Seen) -> None:
        assert self._seen is not None
        if (count := int(seen.invalid - self._seen.invalid)) > 0:
            self._tell(
                f"{self._door.target}: it threw away {count} lines without saying which (vm_rows_invalid_total, of all"
                " that write to it): look into its log"
            )

    def _settle(self, before: float) -> None:
        """What was acknowledged before this moment, and by a store that is the same since, is done with."""
        while self._acked and self._acked[0][0] <= before:
            self._settled = self._acked.popleft()[1]
        while self._sent_released and self._sent_released[0][0] <= before:
            self._store.taken(NAME, self._sent_released.popleft()[1])
        if self._settled != self._on_disk:
            try:
                self._store.move(NAME, self._settled)
                self._on_disk = self._settled
            except StoreError as error:  # no reason to stop: more is sent again after a restart
                self._tell(str(error))

    def _close_reader(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def _close(self) -> None:
        self._close_reader()
        self._door.reset()


_STUCK = -1.0
