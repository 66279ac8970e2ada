"""Reads the instruments of a run: one task each, readings stamped as they arrive, a sample at every step of the clock.

Time is bench time since run() began. A reading's time is that of its last byte's arrival, whatever clock the
instrument has itself, so two instruments are aligned by arrival; how far apart the readings of one sample are stands
in their ages (see `skew_s`). Nothing is queued here: what a link holds is bounded there, and `emit` is called at once.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, suppress
from typing import Any, Protocol

from benchd.clock import Clock
from benchd.config import Bench, Instrument
from benchd.core.readings import CURES, Flag, Notice, Reading
from benchd.core.samples import Sample
from benchd.errors import ConfigError, PortError
from benchd.links import Ended, Link, open_link
from benchd.links.ports import serial_params
from benchd.slots import Inputs, Slot, slots_of, source_of
from benchd.wire.driver import Driver, Request, SerialParams, Settings

__all__ = ["Sampler", "serial_params", "settings_of", "skew_s"]

Emit = Callable[[Mapping[str, Any] | Sample], None]


class OpenLink(Protocol):
    """links.open_link, or what stands in for it."""

    def __call__(
        self, port: str, serial: SerialParams | None = None, *, clock: Clock | None = None
    ) -> AbstractAsyncContextManager[Link]: ...


BACK_OFF_S = (0.2, 5.0)  # first and longest wait before a dropped link is opened again
#: A silent link is opened again after this long, then after twice as long, up to the longest: some adapters hang.
LONGEST_SILENCE_S = 10.0
WATCH_S = 0.1
#: Least real times, for clocks that run fast while ports do not: of a silence, of one after which the link is opened
#: again, of waiting for an answer, of a look at all instruments.
REAL_SILENCE_S, REAL_REOPEN_S, REAL_TIMEOUT_S, REAL_WATCH_S = 0.1, 1.0, 0.2, 0.005
USUAL_SILENCE_S = 3.0
NOTICE_NS = 1_000_000_000
#: Requests in a row before a pause: more than any instrument has inputs; a driver that never rests floods no wire.
ROUND = 64
#: Errors told apart by their text, an instrument; beyond that they are counted together.
TEXTS = 16


def settings_of(bench: Bench, instrument: Instrument, channels: Iterable[str] | None = None) -> Settings:
    """What the driver of this instrument is told: the functions of these channels (default: all), its own keys."""
    wanted = [bench.channels[name] for name in (bench.channels if channels is None else channels)]
    sources = [source_of(bench, channel) for channel in wanted]
    functions = dict.fromkeys((one.function, one.point) for one in sources if one.instrument == instrument.name)
    options = {key: value for key, value in instrument.options.items() if key != "poll_s"}
    return Settings(tuple(functions), options)


def skew_s(sample: Sample) -> float:
    """How far apart in time the oldest and the newest reading of a sample are, in s."""
    ages = [one.age_s for one in sample.values.values()]
    return max(ages) - min(ages) if ages else 0.0


class Sampler:
    """Reads the instruments behind `channels` of a bench until cancelled, or until all have ended (recordings).

    `poles`: the machine's magnet poles, where rpm is computed from stator frequency. ConfigError if they are needed
    and missing, or if a driver is. `open_link`: another way to come by a link, for instance KeptLinks.open.
    """

    def __init__(
        self,
        bench: Bench,
        channels: Sequence[str],
        clock: Clock,
        drivers: Mapping[str, Driver],
        poles: int | None = None,
        *,
        open_link: OpenLink | None = None,
    ) -> None:
        self._clock = clock
        self._step_ns = round(bench.sample_s * 1e9)
        by_instrument = slots_of(bench, channels, poles)
        if not by_instrument:
            raise ConfigError(f"{bench.source or bench.name}: no instrument reads any of: {', '.join(channels)}")
        self._tenders = [
            _Tender(bench, bench.instruments[name], channels, slots, clock, drivers, open_link)
            for name, slots in by_instrument.items()
        ]
        by_name = {slot.channel: slot for slots in by_instrument.values() for slot in slots}
        self._slots = [by_name[name] for name in channels]
        self._emit: Emit = lambda record: None
        self._zero_ns = 0

    @property
    def counts(self) -> Mapping[str, Mapping[str, int]]:
        """Instrument -> how many readings, bytes of garbage, bad frames, errors, timeouts there were."""
        return {one.name: dict(one.counts) for one in self._tenders}

    async def run(self, emit: Emit) -> None:
        """Read and emit: records 'instrument', 'reading', 'notice', 'flag', 'gap', and Samples, as they become known.

        A reading stamped just before a sample may be told just after it; it is then part of the next. What `emit` raises ends it. An instrument that is missing, lost or talks nonsense does not.
        """
        self._emit, self._zero_ns = emit, self._clock.now_ns()
        for one in self._tenders:
            one.begin(emit, self._zero_ns)
        failed = None
        try:
            async with asyncio.TaskGroup() as group:
                tending = [group.create_task(one.run(), name=f"benchd {one.name}") for one in self._tenders]
                ticking = [group.create_task(self._sample()), group.create_task(self._watch())]
                await asyncio.wait(tending)
                for task in ticking:
                    task.cancel()
        except BaseExceptionGroup as error:
            if len(error.exceptions) > 1:
                raise
            failed = error.exceptions[0]
        if failed is not None:  # alone and with its own cause, for whoever tells a StoreError from a mistake
            raise failed
        for one in self._tenders:
            one.tell_held(self._now(), all_of_them=True)
        self._take_sample()

    def _now(self) -> int:
        return self._clock.now_ns() - self._zero_ns

    async def _sample(self) -> None:
        """A sample at every step; steps that a stalled computer missed are left out, not made up."""
        due_ns = self._step_ns
        while True:
            await self._clock.sleep((due_ns - self._now()) / 1e9)
            late_ns = self._now() - due_ns
            if late_ns < 0:  # a timer may be early by its resolution
                continue
            self._take_sample()
            due_ns += self._step_ns * (1 + late_ns // self._step_ns)

    def _take_sample(self) -> None:
        t_ns = self._now()
        values = {slot.channel: found for slot in self._slots if (found := slot.take(t_ns)) is not None}
        self._emit(Sample(t_ns, values))

    async def _watch(self) -> None:
        """Name what is silent. Time in which this program itself was held up counts against no instrument."""
        tick_s = max(WATCH_S, REAL_WATCH_S * self._clock.speed)
        tick_ns = round(tick_s * 1e9)
        before_ns = self._now()
        while True:
            await self._clock.sleep(tick_s)
            t_ns = self._now()
            stalled_ns = max(0, t_ns - before_ns - 2 * tick_ns)
            before_ns = t_ns
            for one in self._tenders:
                one.watch(t_ns, stalled_ns, tick_ns)


class _Held:
    """A kind of notice that was told less than a second ago, and what came since."""

    def __init__(self, t_ns: int) -> None:
        self.t_ns = t_ns
        self.count = 0
        self.text = ""


class _Tender:
    """Looks after one instrument: keeps its link open, holds its conversation, tells what it says."""

    def __init__(
        self,
        bench: Bench,
        instrument: Instrument,
        channels: Sequence[str],
        slots: Sequence[Slot],
        clock: Clock,
        drivers: Mapping[str, Driver],
        open_link: OpenLink | None,
    ) -> None:
        driver = drivers.get(instrument.driver)
        if driver is None:
            raise ConfigError(
                f"instruments.{instrument.name}: driver {instrument.driver!r} is not there; there are {', '.join(drivers)}"
            )
        self.name = instrument.name
        self.counts: Counter[str] = Counter()
        self._instrument, self._driver, self._clock = instrument, driver, clock
        self._open_link = open_link
        self._inputs = Inputs(slots)
        self._decoder = driver.make(settings_of(bench, instrument, channels))
        self._poll_s = None if driver.poll_s is None else float(instrument.options.get("poll_s", driver.poll_s))
        slow = driver.silent_s > USUAL_SILENCE_S
        limit_s = max(bench.lost_after_s, driver.silent_s) if slow else bench.lost_after_s
        self._limit_ns = round(max(limit_s, REAL_SILENCE_S * clock.speed) * 1e9)
        self._first_reopen_ns = max(self._limit_ns, round(REAL_REOPEN_S * clock.speed * 1e9))
        self._identity: str | None = None
        self._held: dict[tuple[str, str], _Held] = {}

    def begin(self, emit: Emit, zero_ns: int) -> None:
        self._emit, self._zero_ns = emit, zero_ns
        self._heard_ns = self._alive_ns = 0  # the last reading; the same, moved on by opening and by stalls
        self._lost_ns: int | None = None
        self._reopen_ns = self._first_reopen_ns
        self._quiet: asyncio.Timeout | None = None
        self._noise = 0  # bytes and frames without sense since the last reading
        self._tell_instrument(0)

    def _now(self) -> int:
        return self._clock.now_ns() - self._zero_ns

    # --- the link -------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Open, converse, and open again, until cancelled or the recording ends."""
        pause_s = BACK_OFF_S[0]
        while True:
            heard_ns = self._heard_ns
            try:
                await self._connect()
            except Ended as error:
                self._lose(str(error), "nothing more will come from a recording")
                return
            except PortError as error:
                self._lose(str(error))
            except TimeoutError:  # silent: watch() has told it, and opening again may wake the adapter
                continue
            if self._heard_ns != heard_ns:
                pause_s = BACK_OFF_S[0]
            await self._clock.sleep(pause_s)
            pause_s = min(2 * pause_s, BACK_OFF_S[1])

    async def _connect(self) -> None:
        """One connection; ends by PortError, or by TimeoutError after a long silence."""
        serial = serial_params(self._driver, self._instrument)
        async with (self._open_link or open_link)(self._instrument.port, serial, clock=self._clock) as link:
            self._alive_ns = self._now()
            self._inputs.connected(self._alive_ns)
            self._guarded(self._decoder.connected)
            try:
                async with asyncio.timeout(None) as self._quiet:
                    await self._converse(link)
            finally:
                self._quiet = None

    async def _converse(self, link: Link) -> None:
        poll_ns = None if self._poll_s is None else round(max(self._poll_s, 0.001) * 1e9)
        due_ns = self._now()
        while True:
            await self._ask(link)
            if poll_ns is None:
                await link.listen(self._receive)
            else:
                due_ns = max(due_ns + poll_ns, self._now())
                with suppress(TimeoutError):  # its own: that of `_quiet` comes as a cancellation until it is outside
                    async with asyncio.timeout(self._clock.real_s((due_ns - self._now()) / 1e9)):
                        await link.listen(self._receive)

    async def _ask(self, link: Link) -> None:
        """One round of requests, each answered or timed out before the next."""
        for _ in range(ROUND):
            request = self._guarded(self._decoder.request)
            if request is None:
                return
            timeout_s = max(self._clock.real_s(request.timeout_s), min(request.timeout_s, REAL_TIMEOUT_S))
            await link.write(request.data, request.reply, timeout_s)
            if request.reply:
                await self._wait_answer(link, request, timeout_s)

    async def _wait_answer(self, link: Link, request: Request, timeout_s: float) -> None:
        try:
            async with asyncio.timeout(timeout_s):
                while not self._decoder.answered:
                    self._receive(await link.read(), link.arrived_ns)
        except TimeoutError:
            if not self._decoder.answered:
                self._take(self._guarded(self._decoder.timed_out), self._now())

    def _guarded(self, call: Callable[[], Any]) -> Any:
        try:
            return call()
        except Exception as error:  # a stranger's driver: it costs this instrument, not the run
            raise self._broken(error) from error

    def _broken(self, error: Exception) -> PortError:
        return PortError(
            f"{self._instrument.port}: driver {self._driver.name!r} broke ({type(error).__name__}: {error}). "
            "That is a mistake in the driver: tell its author."
        )

    # --- what it says ---------------------------------------------------------------------------------------------

    def _receive(self, data: bytes, at_ns: int) -> None:
        try:
            said = self._decoder.receive(data)
        except Exception as error:
            raise self._broken(error) from error
        if said:
            self._take(said, at_ns - self._zero_ns)

    def _take(self, said: Iterable[Reading | Notice], t_ns: int) -> None:
        readings = 0
        for one in said:
            if isinstance(one, Reading):
                readings += 1
                self._reading(one, t_ns)
            else:
                self._notice(one, t_ns)
        if readings:
            self.counts["readings"] += readings

    def _reading(self, one: Reading, t_ns: int) -> None:
        if self._lost_ns is not None:
            self._back(t_ns)
        self._heard_ns = self._alive_ns = t_ns
        self._noise = 0
        value = None if one.value is None else float(one.value)
        resolution = None if one.resolution is None else float(one.resolution)
        flags = one.flags
        place = self._inputs.place(one.quantity, one.point)
        self._emit(
            {
                "kind": "reading",
                "t_ns": t_ns,
                "instrument": self.name,
                "quantity": place.word,
                "point": one.point,
                "value": value,
                "resolution": resolution,
                "flags": sorted(flags) if flags else [],
            }
        )
        if value is None and not one.flags:
            flags = frozenset({Flag.NO_NUMBER})
        for slot in place.right:
            slot.put(value, resolution, flags, t_ns)
            if flags != slot.flags:
                self._change_flags(slot, flags, t_ns)
        for slot in place.others:
            if slot.is_wrong(t_ns):
                wrong = flags | {Flag.WRONG_FUNCTION}
                slot.put_wrong(wrong, t_ns)
                self._change_flags(
                    slot, wrong, t_ns, f" (it shows {one.quantity}, {slot.channel} needs {slot.function})"
                )

    def _change_flags(self, slot: Slot, flags: frozenset[Flag], t_ns: int, detail: str = "") -> None:
        before, slot.flags = slot.flags, flags
        for flag in sorted(before ^ flags):
            self._emit(
                {
                    "kind": "flag",
                    "t_ns": t_ns,
                    "channel": slot.channel,
                    "instrument": self.name,
                    "flag": flag.value,
                    "cure": CURES[flag] + (detail if flag is Flag.WRONG_FUNCTION else ""),
                    "state": "on" if flag in flags else "off",
                }
            )

    # --- notices --------------------------------------------------------------------------------------------------

    def _notice(self, one: Notice, t_ns: int) -> None:
        """Tell the first of a kind at once, then at most one a second with how much came."""
        if one.kind == "identity":
            self._identify(one.text, t_ns)
            return
        self.counts[one.kind] += one.count
        self._noise += one.kind in ("garbage", "frame")
        key = (one.kind, one.text if one.kind == "error" and len(self._held) < TEXTS else "")
        held = self._held.get(key)
        if held is None:
            self._held[key] = _Held(t_ns)
            self._tell_notice(one.kind, one.text, one.count, t_ns)
        else:
            held.count += one.count
            held.text = one.text

    def tell_held(self, t_ns: int, *, all_of_them: bool = False) -> None:
        """Tell what was held back for a second by now; a kind that came no more is at once told again next time."""
        for key, held in list(self._held.items()):
            if t_ns - held.t_ns < NOTICE_NS and not all_of_them:
                continue
            del self._held[key]
            if held.count:
                self._held[key] = _Held(t_ns)
                self._tell_notice(key[0], held.text, held.count, t_ns)

    def _tell_notice(self, kind: str, text: str, count: int, t_ns: int) -> None:
        body = {"kind": "notice", "t_ns": t_ns, "instrument": self.name, "notice": kind, "text": text, "count": count}
        self._emit(body)

    def _identify(self, text: str, t_ns: int) -> None:
        before, self._identity = self._identity, text
        if before == text:
            return
        if before is not None:
            self._tell_notice(
                "error", f"another instrument answers on this port: {text}; before it was {before}", 1, t_ns
            )
        self._tell_instrument(t_ns)

    def _tell_instrument(self, t_ns: int) -> None:
        due = self._instrument.calibration_due
        self._emit(
            {
                "kind": "instrument",
                "t_ns": t_ns,
                "name": self.name,
                "driver": self._driver.name,
                "port": self._instrument.port,
                "identity": self._identity,
                "calibration_due": None if due is None else due.isoformat(),
            }
        )

    # --- silence --------------------------------------------------------------------------------------------------

    def watch(self, t_ns: int, stalled_ns: int, tick_ns: int) -> None:
        """Called every tick: name this instrument if it is silent for too long by the next, open it again if it stays so."""
        self.tell_held(t_ns)
        self._alive_ns += stalled_ns
        silent_ns = t_ns - self._alive_ns
        if self._lost_ns is None and silent_ns > self._limit_ns - 2 * tick_ns:
            self._lose(*self._why_silent())
        if self._quiet is not None and silent_ns > self._reopen_ns - 2 * tick_ns:
            longest_ns = max(self._first_reopen_ns, round(LONGEST_SILENCE_S * 1e9))
            self._reopen_ns = min(2 * self._reopen_ns, longest_ns)
            self._quiet.reschedule(asyncio.get_running_loop().time())

    def _why_silent(self) -> tuple[str, str]:
        port = self._instrument.port
        if self._noise:
            cure = "check the instrument's driver, baud, data_bits and parity in the bench file"
            return f"{port}: bytes come, but no reading is among them: {cure}", cure
        if self._poll_s is not None:
            cure = "check that it is on, its address and its cable"
            return f"{port}: it does not answer: {cure}", cure
        cure = "wake the meter, switch its data output on, check its cable"
        return f"{port}: nothing comes from it: {cure}", cure

    def _lose(self, what: str, cure: str = "") -> None:
        if self._lost_ns is not None:
            return
        self._lost_ns = self._heard_ns
        self.counts["gaps"] += 1
        self._tell_gap("lost", self._now(), what, cure or what)

    def _back(self, t_ns: int) -> None:
        since_ns = self._lost_ns or 0
        self._tell_gap("back", t_ns, f"back after {(t_ns - since_ns) / 1e9:.1f} s", "")
        self._lost_ns = None
        self._reopen_ns = self._first_reopen_ns

    def _tell_gap(self, state: str, t_ns: int, what: str, cure: str) -> None:
        body: dict[str, Any] = {
            "kind": "gap",
            "t_ns": t_ns,
            "instrument": self.name,
            "port": self._instrument.port,
            "state": state,
            "since_ns": self._lost_ns or 0,
            "what": what,
        }
        if state == "lost":
            body["cure"] = cure
        else:
            body["duration_s"] = (t_ns - body["since_ns"]) / 1e9
        self._emit(body)
