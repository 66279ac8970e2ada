"""The jobs of the house: scheduled runs, thinning old readings at night, the service manager's watchdog."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Coroutine
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.daemon import schedule
from benchd.daemon.interface import RunRequest
from benchd.daemon.notify import notify, watchdog_s
from benchd.errors import BenchdError
from benchd.site import Scheduled

if TYPE_CHECKING:
    from benchd.daemon.daemon import Daemon

log = logging.getLogger("benchd.jobs")

LOOK_S = 5.0
DISK_EVERY_S = 20.0
FORWARDERS_EVERY_S = 1.0
TROUBLED = ("waiting to try again", "refused")
WARNINGS = 20
THIN_LOOK_S = 60.0
#: A clock that steps back so little is being corrected, and what was due is not due again; one that steps back further
#: had been wrong.
SET_BACK = timedelta(hours=2)


class Jobs:
    """`all()` gives the coroutines by name; `warnings` is what they could not do lately."""

    def __init__(self, daemon: Daemon, now: Callable[[], datetime] = lambda: datetime.now().astimezone()) -> None:
        self._daemon, self._now = daemon, now
        self.warnings: deque[str] = deque(maxlen=WARNINGS)

    def all(self) -> dict[str, Callable[[], Coroutine[Any, Any, None]]]:
        found: dict[str, Callable[[], Coroutine[Any, Any, None]]] = {"disk": self.disk}
        if self._daemon.forwarders():
            found["forwarders' log"] = self.forwarders
        if self._daemon.site.schedule:
            found["schedule"] = self.scheduled_runs
        if self._daemon.site.retention.raw_days is not None:
            found["retention"] = self.thinning
        if watchdog_s() is not None:
            found["watchdog"] = self.watchdog
        return found

    # --- scheduled runs -------------------------------------------------------------------------------------------

    async def scheduled_runs(self) -> None:
        newest = self._now()
        while True:
            await asyncio.sleep(LOOK_S)
            now, site = self._now(), self._daemon.site
            if newest - now > SET_BACK:  # it had been wrong: waiting until it is that late again could take years
                self._warn(f"the clock was set back from {newest:%Y-%m-%d %H:%M}: the schedule goes by the new time")
                newest = now
            for moment, one in schedule.missed(site.schedule, newest, now):
                self._warn(f"{_named(moment, one)} was missed: the computer or benchd slept through it")
            for moment, one in schedule.due(site.schedule, newest, now):
                await self._open(moment, one)
            newest = max(newest, now)

    async def _open(self, moment: datetime, one: Scheduled) -> None:
        spec = Path(one.spec)
        by_path = spec.is_absolute()  # what the site file names by path is read when it is due
        try:
            spec_toml = await asyncio.to_thread(spec.read_text, encoding="utf-8-sig") if by_path else None
        except (OSError, UnicodeDecodeError) as error:
            self._warn(f"{_named(moment, one)} was not opened: {spec}: cannot be read: {error}")
            return
        request = RunRequest(
            one.bench,
            one.procedure,
            None if by_path else one.spec,
            spec_toml,
            work_order=one.work_order,
            unit=one.unit,
            asked_by="schedule",
        )
        try:
            run = await self._daemon.start_run(request)
        except BenchdError as error:
            self._warn(f"{_named(moment, one)} was not opened: {error}")
        else:
            log.info("%s is run %s: it waits for its operator", _named(moment, one), run)

    # --- retention ------------------------------------------------------------------------------------------------

    async def thinning(self) -> None:
        """Once a day, at its time; what no forwarder has taken yet is not thinned."""
        at = self._daemon.site.retention.at
        while True:
            due = _next(at, self._now())
            # In steps, since the clock may be set meanwhile.
            while (left_s := (due - self._now()).total_seconds()) > 0:
                await asyncio.sleep(min(left_s, THIN_LOOK_S))
                due = min(due, _next(at, self._now()))
            await self.thin_now()

    async def thin_now(self) -> None:
        keep = self._daemon.site.retention
        assert keep.raw_days is not None
        newest = self._daemon.reader.runs(1)
        if not newest:
            return
        # A clock that is years ahead at this moment must not thin what is new: no later than the newest run counts.
        today = min(self._now(), datetime.fromisoformat(str(newest[0]["started"])))
        before = today - timedelta(days=keep.raw_days)
        try:
            done = await asyncio.to_thread(self._daemon.journal.thin, before, keep.step_s, self._daemon.settled_row())
        except BenchdError as error:
            self._warn(f"old readings could not be thinned: {error}")
        else:
            log.info("thinned: %s", done)

    # --- the disk -------------------------------------------------------------------------------------------------

    async def disk(self) -> None:
        """Say once that the disk gets full, and once that it is no longer."""
        was_low = False
        while True:
            found = await asyncio.to_thread(self._daemon.disk)
            if found["low"] != was_low:
                was_low = bool(found["low"])
                if was_low:
                    log.warning("%s", self._daemon.disk_warning(found))
                else:
                    log.info("the disk of %s has room again", self._daemon.journal.path)
            await self._recover()
            await asyncio.sleep(DISK_EVERY_S)

    async def forwarders(self) -> None:
        """Say when a store or a broker goes away, refuses, or is back."""
        before: dict[str, str] = {}
        while True:
            for one in self._daemon.forwarders():
                trouble = one.last_error or "" if one.state in TROUBLED else ""
                # The wording of one trouble may change with every try; that it is there is the news.
                state = one.state if one.state in TROUBLED else "well"
                if state != before.get(one.name, "well"):
                    if trouble:
                        log.warning("forwarder %s: %s: %s: %s", one.name, one.target, one.state, trouble)
                    else:
                        log.info("forwarder %s: %s takes again what it is sent", one.name, one.target)
                    before[one.name] = state
            await asyncio.sleep(FORWARDERS_EVERY_S)

    async def _recover(self) -> None:
        """Close the runs that a full disk left open, as soon as it takes it."""
        async with self._daemon.store_lock:
            try:
                runs = await asyncio.to_thread(self._daemon.journal.recover)
            except BenchdError as error:
                log.debug("%s", error)  # not yet: the run that was lost has said so
                return
        for run in runs:
            log.info("%s: closed as interrupted, with what was kept", run)

    # --- the service manager --------------------------------------------------------------------------------------

    async def watchdog(self) -> None:
        """An event loop that hangs tells nothing, and is started anew."""
        every_s = watchdog_s()
        assert every_s is not None
        while True:
            notify(WATCHDOG="1")
            await asyncio.sleep(every_s)

    def _warn(self, text: str) -> None:
        self.warnings.append(text)
        log.warning("%s", text)


def _next(at: time, now: datetime) -> datetime:
    """The next moment of this time of day after now."""
    due = datetime.combine(now.date(), at, tzinfo=now.tzinfo)
    return due + timedelta(days=1) if due <= now else due


def _named(moment: datetime, one: Scheduled) -> str:
    return f"the {one.procedure} run of {moment:%Y-%m-%d %H:%M} on {one.bench}"
