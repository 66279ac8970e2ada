"""What the benches do, told to a broker: states that stay there, samples at a chosen rate, every verdict at least once.

A reader of the journal with its own cursor. MQTT is a feed, not a store: states are published again on every
connection, samples that nobody could take are left out, and the cursor passes a verdict only when the broker has
acknowledged it. Topics and payloads: configs/guide/mqtt.md and asyncapi.yaml.
"""

from __future__ import annotations

import asyncio
import json
import logging
import random
import secrets
import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from benchd import __version__
from benchd.errors import BenchdError, StoreError
from benchd.forward import payloads
from benchd.forward.base import ForwarderStatus, News
from benchd.forward.mqtt_again import Recent, Stumbles
from benchd.forward.mqtt_commands import CommandSink, KeyLookup
from benchd.forward.mqtt_link import V5, V311, Denied, Link, LinkError, Waits, tls_context
from benchd.forward.mqtt_reading import Reader, Reading, Told
from benchd.forward.mqtt_remote import Remote
from benchd.forward.mqtt_twin import Twins
from benchd.forward.store import ForwardStore
from benchd.site import MqttSettings, slug_of
from benchd.site_secrets import read_secret

NAME = "mqtt"
_LOG = logging.getLogger(__name__)
MOST_READY = 1000  # samples that wait to be sent where every one is wanted; beyond it the oldest are left out
READ_AHEAD_S = 0.25
KEEP_CURSOR_S = 5.0  # how often a cursor that passed no verdict is kept


@dataclass(frozen=True, slots=True)
class Pace:
    """Times in s; tests hurry some of them."""

    back_off_s: tuple[float, float] = (0.5, 30.0)  # first and longest
    settled_s: float = 10.0  # a connection that held so long makes the back-off begin anew
    state_s: float = 1.0  # a bench's state at most so often
    refresh_s: float = 30.0  # and at least so often
    look_s: float = 5.0  # journal and quarantine are looked at without news: other processes report none
    goodbye_s: float = 1.0
    waits: Waits = field(default_factory=Waits)


class MqttForwarder:
    """See forward.base.Forwarder. `states` gives every bench's status (DaemonInterface.bench) by slug. `commands` carries
    out what is signed with a key that `key_of` knows; without both, or with commands off in the settings, none is heard.
    """

    name = NAME

    def __init__(
        self,
        settings: MqttSettings,
        reader: Callable[[], Reader],
        store: ForwardStore,
        daemon_id: str,
        news: News,
        states: Callable[[], Mapping[str, Mapping[str, Any]]],
        commands: CommandSink | None = None,
        key_of: KeyLookup | None = None,
        *,
        pace: Pace = Pace(),
    ) -> None:
        self._settings, self._news, self._states, self._pace = settings, news, states, pace
        self._daemon, self._base = daemon_id, f"{settings.prefix}/{daemon_id}"
        self._reading = Reading(reader, store, NAME)
        self._remote = None
        if settings.commands:
            if commands is None or key_of is None:
                raise ValueError("commands are switched on in the settings: they need a sink and a look-up of keys")
            self._remote = Remote(daemon_id, self._base, commands, key_of)
        self._instance = secrets.token_hex(8)
        self._twins = Twins(self._instance)
        self._version = V5
        self._given_up: Link | None = None  # an attempt whose thread still hangs
        self._state = "stopped"
        self._stumbles, self._recent = Stumbles(), Recent()
        self._to_keep: Told | None = None  # the newest row that was taken, while the disk does not know
        self._position = 0
        self._live_row = 0
        self._kept_at = self._looked_at = 0.0
        self._oldest: datetime | None = None
        self._begun = False
        self._newest: dict[str, payloads.NewestSample] = {}
        self._started: dict[str, str | None] = {}  # bench -> start of the run of its newest sample
        self._ready: deque[tuple[str, dict[str, Any]]] = deque(maxlen=MOST_READY)
        self._noted = asyncio.Event()
        self._facts: dict[str, dict[str, Any]] = {}  # as they stand on the broker
        self._slugs: dict[str, str] = {}  # name -> slug of the benches that are served
        self._sent = self._quarantined = self._failures = 0
        self._error: tuple[str, str] | None = None

    # --- what the daemon sees -----------------------------------------------------------------------------------------

    @property
    def settled(self) -> int:
        """Nothing before this row is asked for again, but verdicts of the last minute, which are never thinned."""
        return self._position

    def status(self) -> ForwarderStatus:
        behind = max(0, self._news.row - self._position)
        state = self._state
        if state == "up to date" and behind:
            state = "sending"
        late_s = (datetime.now(UTC) - self._oldest).total_seconds() if behind and self._oldest else 0.0
        scheme = "mqtts" if self._settings.tls else "mqtt"
        return ForwarderStatus(
            name=NAME,
            target=f"{scheme}://{self._settings.host}:{self._settings.port}/{self._base}",
            state=state,
            position=self._position,
            behind_rows=behind,
            behind_s=round(max(0.0, late_s), 3),
            sent=self._sent,
            quarantined=self._quarantined,
            failures=self._failures,
            last_error=self._error[0] if self._error else None,
            last_error_at=self._error[1] if self._error else None,
        )

    def warnings(self) -> list[str]:
        """Sentences for the daemon's status."""
        if not self._twins.alive():
            return []
        return [
            f"another daemon that calls itself {self._daemon} is on the broker {self._settings.host}: two homes with one "
            "journal's identity, likely a copied BENCHD_HOME; give one of them a journal of its own"
        ]

    @property
    def commands_refused(self) -> Mapping[str, int]:
        """Why -> how many, since the daemon started."""
        return {} if self._remote is None else dict(self._remote.gate.refused)

    async def run(self) -> None:
        """Forward until cancelled; then the states say 'stopped'."""
        attempts = 0
        try:
            while True:
                began = time.monotonic()
                await self._once()
                attempts = 0 if time.monotonic() - began > self._pace.settled_s else attempts + 1
                await self._look_behind()
                await asyncio.sleep(self._delay(attempts))
        finally:
            self._state = "stopped"
            if self._remote is not None:
                await self._remote.end()
            with suppress(TimeoutError):
                async with asyncio.timeout(self._pace.goodbye_s):
                    await self._keep_cursor()
            self._reading.close()

    def _delay(self, attempts: int) -> float:
        first, longest = self._pace.back_off_s
        return min(longest, first * 2.0 ** min(attempts, 30)) * random.uniform(0.5, 1.0)

    def _trouble(self, error: Exception | str) -> None:
        self._error = (str(error), payloads.utc(datetime.now(UTC)))

    # --- one connection -----------------------------------------------------------------------------------------------

    async def _once(self) -> None:
        """Connect and forward until the connection is lost. Every trouble ends in the status."""
        link: Link | None = None
        try:
            link = await self._connected()
            await self._forward(link)
        except asyncio.CancelledError:
            if link is not None and link.is_open:
                await self._say_goodbye(link)
            raise
        except Exception as error:
            self._failed(_first(error))
        finally:
            if self._remote is not None:
                self._remote.link = None
            if link is not None:
                await link.close()

    def _failed(self, error: Exception) -> None:
        self._failures += 1
        self._state = "waiting to try again"
        if isinstance(error, LinkError):
            self._state = "refused" if error.refused else self._state
            if error.old_protocol:
                self._version = V311
            if error.ended:
                self._stumbles.ended()
        elif not isinstance(error, BenchdError):  # a mistake of ours: loud in the log, and tried again all the same
            _LOG.error("forwarding by MQTT broke", exc_info=error)
            error = RuntimeError(f"benchd's MQTT forwarder broke ({type(error).__name__}), its log says where")
        self._trouble(error)

    async def _connected(self) -> Link:
        if self._given_up is not None and (busy := self._given_up.busy) is not None:
            await asyncio.wait({busy})  # one hanging attempt at a time
        self._given_up = None
        password, context = await asyncio.to_thread(self._credentials)
        link = Link(
            self._settings,
            identifier=f"{self._daemon}-{self._instance[:6]}",
            will=(f"{self._base}/state", payloads.encoded(self._own_state("gone", None))),
            password=password,
            context=context,
            version=self._version,
            waits=self._pace.waits,
        )
        try:
            await link.open()
        except BaseException:
            self._given_up = link
            await link.close()
            raise
        return link

    def _credentials(self) -> tuple[str | None, Any]:
        """Read anew for every attempt, so that a password may be changed while the daemon runs."""
        secret = self._settings.password
        return None if secret is None else read_secret(secret), tls_context(self._settings)

    async def _forward(self, link: Link) -> None:
        await self._begin()
        self._facts, self._newest, self._stumbles.trying = {}, {}, None
        self._ready.clear()
        await link.subscribe(f"{self._base}/state")
        if self._remote is not None:
            await link.subscribe(f"{self._base}/+/command")
            self._remote.link = link
        await self._say_states(link, all_of_them=True)
        async with asyncio.TaskGroup() as group:
            for work in (self._listen, self._tell_states, self._tell_samples, self._tell_verdicts):
                group.create_task(work(link))
            group.create_task(self._read_ahead())
            self._state = "up to date"

    async def _begin(self) -> None:
        """Where to go on. A journal that cannot be read now is no reason not to tell the states."""
        try:
            if not self._begun:
                self._position, self._quarantined = await self._reading.begin()
                self._begun = True
            self._live_row = await self._reading.last_row()
        except StoreError as error:
            self._trouble(error)
            self._live_row = self._news.row

    async def _look_behind(self) -> None:
        """How old is what waits; asked between connections, when nobody else reads."""
        try:
            if not self._begun:
                await self._begin()
            found = await self._reading.tail(self._position, 1) if self._position < self._news.row else []
            self._oldest = found[0].oldest if found else None
        except StoreError as error:
            self._trouble(error)

    # --- states -------------------------------------------------------------------------------------------------------

    def _own_state(self, state: str, now: datetime | None) -> dict[str, Any]:
        benches = None if now is None else list(self._states())
        return payloads.daemon_state(self._daemon, state, self._instance, now, benches, __version__)

    async def _tell_states(self, link: Link) -> None:
        """Whenever they change; all of them again now and then."""
        again_at = time.monotonic() + self._pace.refresh_s
        while True:
            await asyncio.sleep(self._pace.state_s)
            due = time.monotonic() >= again_at
            if due:
                again_at = time.monotonic() + self._pace.refresh_s
            await self._say_states(link, all_of_them=due)

    async def _say_states(self, link: Link, *, all_of_them: bool) -> None:
        if self._twins.answer_wanted() or all_of_them:
            state = self._own_state("up", datetime.now(UTC))
            await link.publish(f"{self._base}/state", payloads.encoded(state), retain=True)
        for bench, status in list(self._states().items()):
            facts = payloads.bench_facts(status)
            self._slugs[str(facts["name"])] = bench
            if all_of_them or facts != self._facts.get(bench):
                state = payloads.bench_state(self._daemon, bench, facts, datetime.now(UTC))
                await link.publish(f"{self._base}/{bench}/state", payloads.encoded(state), retain=True)
                self._facts[bench] = facts

    async def _say_goodbye(self, link: Link) -> None:
        """States say 'stopped', if the broker takes them at once; else its last will says 'gone'."""
        try:
            async with asyncio.timeout(self._pace.goodbye_s):
                for bench, facts in self._facts.items():
                    state = payloads.bench_stopped(self._daemon, bench, facts, datetime.now(UTC))
                    await link.publish(f"{self._base}/{bench}/state", payloads.encoded(state), retain=True)
                state = self._own_state("stopped", datetime.now(UTC))
                await link.publish(f"{self._base}/state", payloads.encoded(state), retain=True)
        except (LinkError, TimeoutError) as error:
            self._trouble(error if str(error) else "the broker did not take the last states in time")

    async def _listen(self, link: Link) -> None:
        async for message in link.messages():
            topic, payload = str(message.topic), message.payload
            if not isinstance(payload, bytes | bytearray):
                continue
            if topic == f"{self._base}/state":
                self._twins.heard(payload, retained=bool(message.retain))
                if found := self.warnings():
                    self._trouble(found[0])
            elif self._remote is not None:
                bench = topic.removeprefix(f"{self._base}/").removesuffix("/command")
                if bench in self._facts:
                    self._remote.take(bench, payload, retained=bool(message.retain))
                else:
                    self._remote.gate.refused["no such bench"] += 1

    # --- records ------------------------------------------------------------------------------------------------------

    async def _tell_verdicts(self, link: Link) -> None:
        """All rows in order; past a verdict only when the broker has it."""
        for topic, payload in self._recent.again():
            await link.publish(topic, payload)
        while True:
            head = self._news.row  # before reading: everything up to it is there to be read
            try:
                if not self._begun:
                    self._position, self._quarantined = await self._reading.begin()
                    self._begun = True
                if time.monotonic() - self._looked_at > self._pace.look_s:
                    self._looked_at = time.monotonic()
                    await self._say_released(link)
                found = await self._reading.tail(self._position)
            except StoreError as error:
                self._trouble(error)
                await asyncio.sleep(self._pace.look_s)
                continue
            self._oldest = found[0].oldest if found else None
            for told in found:
                self._note_samples(told)
            before = self._sent
            for told in found:
                await self._tell_row(link, told)
            if self._sent > before or time.monotonic() - self._kept_at > KEEP_CURSOR_S:
                await self._keep_cursor()
            if not found:
                self._position = max(self._position, head)
                await self._news.after(self._position, self._pace.look_s)

    async def _tell_row(self, link: Link, told: Told) -> None:
        for record in told.row.records:
            if record.get("kind") != "verdict":
                continue
            bench, run = self._slug(told.bench), told.row.run
            payload = payloads.encoded(payloads.verdict(self._daemon, bench, record, run, told.started))
            self._stumbles.trying = told.row.no, int(record["seq"])
            if why := await self._say_verdict(link, bench, payload):
                self._trouble(why)
                self._quarantined = await self._reading.quarantine(told.row.no, run, payload.decode(), why)
            self._stumbles.trying = None
        self._position, self._to_keep = told.row.no, told

    async def _say_verdict(self, link: Link, bench: str, payload: bytes) -> str:
        """'' once the broker has it, else why it never will."""
        topic = f"{self._base}/{bench}/verdict"
        if self._stumbles.enough:
            return f"the connection ended {self._stumbles.times} times over this message of {len(payload)} bytes"
        try:
            await link.publish(topic, payload)
        except Denied as error:
            if error.hopeless:
                return str(error)
            raise
        self._recent.add(topic, payload)
        self._sent += 1
        return ""

    async def _say_released(self, link: Link) -> None:
        """What was in quarantine and is to be tried again: once, so it goes back before and leaves when it is taken."""
        for one in await self._reading.released():
            bench = str(json.loads(one.line)["bench"])
            why = f"tried again: {one.reason.removeprefix('tried again: ')}"
            self._quarantined = await self._reading.quarantine(one.row, one.run, one.line, why)
            if not await self._say_verdict(link, bench, one.line.encode()):
                self._quarantined = await self._reading.taken(one.no)

    async def _keep_cursor(self) -> None:
        """On the disk, so that a restart goes on here."""
        told = self._to_keep
        if told is None:
            return
        self._kept_at = time.monotonic()
        try:
            await self._reading.move(told.row.no, told.row.run)
            self._to_keep = None
        except StoreError as error:  # goes on from memory; after a restart some verdicts come twice
            self._trouble(error)

    def _slug(self, name: str) -> str:
        """A bench's word in a topic, also of a bench that is not served any more."""
        return self._slugs.get(name) or slug_of(name) or "bench"

    def _note_samples(self, told: Told) -> None:
        """Keep the newest sample of a bench. Rows from before this connection are past: stale samples are left out."""
        if told.row.no <= self._live_row:
            return
        self._live_row = told.row.no
        for record in told.row.records:
            if record.get("kind") == "sample":
                newest = self._newest.get(told.bench)
                if newest is None or newest.run != told.row.run:
                    newest = self._newest[told.bench] = payloads.NewestSample(told.row.run)
                    self._started[told.bench] = told.started
                newest.add(record)
                if self._settings.sample_every_s == 0:
                    self._make_ready(told.bench, newest)

    async def _read_ahead(self) -> None:
        """Samples do not wait for verdicts: while those are behind, new rows are read for their samples alone."""
        while True:
            await asyncio.sleep(READ_AHEAD_S)
            while self._position < self._live_row < self._news.row:
                try:
                    found = await self._reading.tail(self._live_row)
                except StoreError:
                    break  # told by the one who reads for the verdicts
                if not found:
                    break
                for told in found:
                    self._note_samples(told)

    def _make_ready(self, name: str, newest: payloads.NewestSample) -> None:
        bench = self._slug(name)
        self._ready.append((bench, newest.payload(self._daemon, bench, self._started.get(name))))
        self._noted.set()

    async def _tell_samples(self, link: Link) -> None:
        """The newest of every bench at the chosen rate, or every single one."""
        every_s = self._settings.sample_every_s
        due_at = time.monotonic()
        while True:
            if every_s == 0:
                await self._noted.wait()
                self._noted.clear()
            else:
                due_at = max(due_at + every_s, time.monotonic())
                await asyncio.sleep(due_at - time.monotonic())
                for name, newest in self._newest.items():
                    if newest.waits:
                        self._make_ready(name, newest)
            while self._ready:
                bench, payload = self._ready.popleft()
                await link.publish(f"{self._base}/{bench}/sample", payloads.encoded(payload), qos=0)
                self._sent += 1


def _first(error: Exception) -> Exception:
    """The first single error of a group."""
    while isinstance(error, ExceptionGroup):
        error = error.exceptions[0]
    return error
