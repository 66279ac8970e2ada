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
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING

from benchd.errors import BenchdError, ConfigError, StoreError
from benchd.forward.base import ForwarderStatus, News
from benchd.forward.series_batches import Batch, Batches
from benchd.forward.series_door import Door, GivenUp, Seen, Trouble, Why
from benchd.forward.store import Cursor, ForwardStore, Refused
from benchd.forward.worker import Worker
from benchd.site import SeriesSettings

if TYPE_CHECKING:
    from benchd.journal_read import JournalReader

NAME = "series"
THREAD = "benchd time series"
LOOK_AGAIN_S = 5.0  # for rows of other processes, and lines released from quarantine
#: Points refused one by one before any was taken: then it is not the points.
ALL_REFUSED = 20
SMALLEST_SLOW = 100  # points a request when the store is slow
REST_MOST_S = 1.0
STUCK_TIMES = 4.0  # timeouts, after which a request that hangs is left behind

log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Stream:
    """A place in the journal from which is sent, and the batch that is under way from there."""

    at: Cursor
    pending: Batch | None = None


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
        self._settings, self._store, self._news = settings, store, news
        self._door = Door(settings)
        self._make_batches = partial(Batches, reader, store, NAME, daemon_id, settings.batch, settings.readings)
        self._batches = self._make_batches()
        self._settled = store.cursor(NAME)
        self._front = _Stream(self._settled)  # where nothing was taken yet
        self._again: _Stream | None = None  # what was taken before an outage, up to `_again_upto`
        self._again_upto = 0
        self._on_disk = self._settled
        self._acked: deque[tuple[float, Cursor]] = deque()  # monotonic time of the acknowledgement, oldest first
        self._sent_released: deque[tuple[float, list[int]]] = deque()
        self._good: str | None = None  # the newest line that was taken
        self._size = max(1, settings.batch)
        self._worker: Worker | None = None
        self._outage = True  # what a store remembers from before we came is not known
        self._seen: Seen | None = None
        self._taken_since = 0  # lines, since then
        self._look_at = 0.0
        self._tick_s = min(max(settings.resend_s / 4, 0.05), 15.0)
        self._troubled = False
        self._attempts = 0  # that failed one after the other
        # shown
        self._state = "stopped"
        self._sent = self._failures = 0
        self._quarantined = store.quarantined(NAME)
        self._last_error: str | None = None
        self._last_error_at: str | None = None
        self._oldest_ns: int | None = None

    # --- for the daemon, in its event loop ----------------------------------------------------------------------------

    @property
    def settled(self) -> int:
        return self._settled.row

    def status(self) -> ForwarderStatus:
        behind = max(0, self._news.row - self._front.at.row)
        oldest = self._oldest_ns
        return ForwarderStatus(
            name=NAME,
            target=self._door.target,
            state=self._state,
            position=self._front.at.row,
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
        if self._door.given_up:  # begun anew after a fault; the thread of before may still be at work with its own
            self._door, self._batches, self._outage = Door(self._settings), self._make_batches(), True
        worker = self._worker = Worker(THREAD)
        try:
            if self._store.notice:
                self._tell(self._store.notice)
            while True:
                await self._rest(await self._watched(worker))
                worker = self._worker
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
        worker.end(self._batches.close)
        self._door, self._batches, self._worker = Door(self._settings), self._make_batches(), Worker(THREAD)
        return self._after(Trouble(Why.LOST, f"{self._door.target}: it answers without end", slow=True))

    async def _rest(self, wait_s: float | None) -> None:
        if wait_s is not None:
            await asyncio.sleep(wait_s)
            return
        position = self._front.at.row
        if await self._news.after(position, min(self._tick_s, LOOK_AGAIN_S)) > position:
            if self._oldest_ns is None:
                self._oldest_ns = time.time_ns()
            await asyncio.sleep(self._settings.flush_s)

    # --- in the thread: attempts and their troubles --------------------------------------------------------------------

    def _attempt(self) -> float | None:
        """Take the next batch over. Seconds to wait before the next attempt; None: until there is news."""
        began = time.thread_time()
        try:
            more = self._round()
        except GivenUp:
            return None
        except Trouble as trouble:
            return self._after(trouble)
        except BenchdError as error:  # a token that cannot be read, a journal or forward.sqlite that cannot be
            self._batches.close()
            why = Why.SETTINGS if isinstance(error, ConfigError) else Why.LATER
            return self._after(Trouble(why, str(error)))
        except Exception as error:  # a mistake of ours must not end the forwarding
            self._front.pending = None
            log.exception("the time-series forwarder broke")
            self._batches.close()
            return self._after(Trouble(Why.LATER, f"the forwarder broke: {type(error).__name__}: {error}"))
        self._attempts, self._troubled = 0, False
        self._state = "sending" if more else "up to date"
        # A backlog takes half a core at most: live runs share this process.
        return min(time.thread_time() - began, REST_MOST_S) if more else None

    def _after(self, trouble: Trouble) -> float:
        """Note a trouble; how long to wait: full jitter, so that many daemons do not come back at once."""
        first, longest = self._settings.back_off_s
        self._failures += 1
        self._troubled = True
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
        changed, complaint = self._batches.open(self._settled)
        if changed:
            self._begin(complaint)
        front = self._front
        front.pending = front.pending or self._batches.after(front.at)
        self._oldest_ns = None if front.pending is None else front.pending.oldest_ns
        self._look_after_store()
        self._send_released()
        more = self._step(front, None)
        if self._again is not None:
            if not self._step(self._again, self._again_upto):
                self._again = None
                self._acked = deque([(time.monotonic(), self._front.at)])
            more = True
        return more

    def _begin(self, complaint: str) -> None:
        if complaint:
            self._tell(complaint)
            self._settled = Cursor()
        self._front, self._again = _Stream(self._settled), None
        self._acked.clear()

    def _step(self, stream: _Stream, upto: int | None) -> bool:
        """Send a stream's next batch, or the rest of one; whether there is more."""
        batch = stream.pending = stream.pending or self._batches.after(stream.at, upto)
        if batch is None:
            return False
        if batch.done < len(batch.lines):
            if not self._troubled:  # what is wrong is shown until it is right again
                self._state = "sending"
            self._deliver(batch)
        if batch.refused:
            self._store.refuse(NAME, batch.refused)  # before the cursor: a point is here or there
            self._quarantined = self._store.quarantined(NAME)
        stream.at, stream.pending = batch.upto, None
        if upto is None:
            self._acknowledge(batch.upto)
            if not batch.full:
                self._oldest_ns = None
        return batch.full

    # --- in the thread: sending ---------------------------------------------------------------------------------------

    def _deliver(self, batch: Batch) -> None:
        """Send a batch's lines in requests of at most `_size`. Trouble: it can be gone on with where it stopped."""
        lines = batch.lines
        todo = [(batch.done, len(lines))]
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
                    raise
                batch.proven = batch.proven or self._is_the_points(trouble, batch.done)
                if high - low > 1 and trouble.dropped != high - low:
                    middle = (low + high) // 2
                    todo += [(middle, high), (low, middle)]
                    continue
                for index in range(low, high):
                    batch.refuse(index, str(trouble))
            else:
                batch.proven = True
                self._sent += high - low
                self._taken_since += high - low
                self._good = lines[high - 1]
                self._size = min(self._settings.batch, self._size + max(1, self._size // 10))
            batch.done = high
        if not batch.proven:
            raise self._everything_refused(batch.refused[-1].reason)

    def _is_the_points(self, trouble: Trouble, refused: int) -> bool:
        """Whether a refusal is about the points: the store takes one that it has taken before. Trouble if it does not."""
        if trouble.dropped:
            return True
        if self._good is None:
            if refused + 1 >= ALL_REFUSED:
                raise self._everything_refused(str(trouble))
            return False
        try:
            self._door.write([self._good])
        except Trouble as again:
            if again.why is Why.POINTS:
                self._good = None
                raise self._everything_refused(str(again)) from again
            raise
        return True

    def _everything_refused(self, said: str) -> Trouble:
        """It is not the points then: nothing is quarantined, the batch is made anew."""
        self._front.pending = None
        if self._again is not None:
            self._again.pending = None
        return Trouble(Why.SETTINGS, f"{self._door.target}: it refuses every point ({said})")

    def _send_released(self) -> None:
        """What somebody let out of quarantine; it leaves the store's file once that is settled."""
        sent = {no for _, numbers in self._sent_released for no in numbers}
        ready = self._store.released(NAME, len(sent) + self._settings.batch)
        ready = [one for one in ready if one.no not in sent]
        if not ready:
            return
        # Those without a line are records of which no point could be made: nothing can be sent, so they just go.
        self._store.taken(NAME, [one.no for one in ready if not one.line])
        lines = [one for one in ready if one.line]
        batch = Batch(self._front.at, [one.line for one in lines], proven=True)
        batch.starts = [(index, one.row, one.run) for index, one in enumerate(lines)]
        if lines:
            self._deliver(batch)
        self._store.refuse(NAME, batch.refused)
        back = {(one.row, one.line) for one in batch.refused}
        if taken := [one.no for one in lines if (one.row, one.line) not in back]:
            self._sent_released.append((time.monotonic(), taken))
        self._quarantined = self._store.quarantined(NAME)

    # --- in the thread: what the store may forget -----------------------------------------------------------------------

    def _acknowledge(self, upto: Cursor) -> None:
        now = time.monotonic()
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
        if seen is not None and self._seen is not None and seen.is_same_process(self._seen, self._taken_since):
            self._warn_of_invalid(seen)
        elif self._outage or (seen is not None and self._seen is not None):
            self._send_again()
        if seen is not None:
            self._seen, self._taken_since = seen, 0
        self._outage, self._look_at = False, now + self._tick_s
        self._settle(now - self._settings.resend_s)

    def _send_again(self) -> None:
        """Everything beyond `settled`, beside what is new: a store that fails now and then still gets on."""
        front = self._front
        self._again_upto = (front.pending.upto if front.pending is not None and front.pending.done else front.at).row
        self._again = _Stream(self._settled) if self._again_upto > self._settled.row else None
        self._acked.clear()
        self._sent_released.clear()

    def _warn_of_invalid(self, seen: Seen) -> None:
        assert self._seen is not None
        if (count := int(seen.invalid - self._seen.invalid)) > 0:
            self._tell(
                f"{self._door.target}: it threw away {count} lines without saying which (vm_rows_invalid_total, of all"
                " that write to it): look into its log"
            )

    def _settle(self, before: float) -> None:
        """What was acknowledged before this moment, and by a store that is the same since, is done with."""
        while self._again is None and self._acked and self._acked[0][0] <= before:
            self._settled = self._acked.popleft()[1]
        while self._sent_released and self._sent_released[0][0] <= before:
            self._store.taken(NAME, self._sent_released.popleft()[1])
        if self._settled != self._on_disk:
            try:
                self._store.move(NAME, self._settled)
                self._on_disk = self._settled
            except StoreError as error:  # no reason to stop: more is sent again after a restart
                self._tell(str(error))

    def _close(self) -> None:
        self._batches.close()
        self._door.reset()
