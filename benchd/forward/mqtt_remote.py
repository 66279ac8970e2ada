"""Commands from the broker, from message to result: at most a few at once, and none is lost half way with the link."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from benchd.errors import BenchdError
from benchd.forward import payloads
from benchd.forward.mqtt_commands import Command, CommandGate, CommandSink, KeyLookup, Refused
from benchd.forward.mqtt_link import Link, LinkError

_LOG = logging.getLogger(__name__)
AT_ONCE = 8
ANSWERS_PER_S = 5.0  # to what is refused: a flood of rubbish is counted, not answered
END_S = 2.0


class Remote:
    """`link` is the connection of now, None while there is none. A command that has begun goes on without it; only
    its result is not heard then."""

    def __init__(self, daemon: str, base: str, sink: CommandSink, key_of: KeyLookup) -> None:
        self.gate = CommandGate(daemon, key_of)
        self.link: Link | None = None
        self._daemon, self._base, self._sink = daemon, base, sink
        self._tasks: set[asyncio.Task[None]] = set()
        self._executing = 0
        self._answers, self._answers_at = ANSWERS_PER_S, time.monotonic()

    def take(self, bench: str, payload: bytes | bytearray, *, retained: bool) -> None:
        """A message on a bench's command topic. Never raises."""
        found = self.gate.admit(bench, payload, retained=retained)
        if isinstance(found, Command) and self._executing >= AT_ONCE:
            self.gate.refused["too much"] += 1
            found = Refused("too much", f"{AT_ONCE} commands are under way: send it anew, with a new id", found.id)
        if isinstance(found, Command):
            self._executing += 1
            self._begin(self._carry_out(found))
        elif self._may_answer():
            self._begin(self._answer(bench, found.id, reason=found.reason))

    async def end(self) -> None:
        """Give up what is under way."""
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(set(self._tasks), timeout=END_S)

    def _begin(self, work: Any) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _carry_out(self, command: Command) -> None:
        try:
            result = await self._sink.execute(command.bench, command.command, command.parameters, command.asked_by)
        except BenchdError as error:
            await self._answer(command.bench, command.id, reason=str(error))
        except Exception as error:
            _LOG.error("a command by MQTT broke", exc_info=error)
            await self._answer(command.bench, command.id, reason="benchd broke on it, its log says where")
        else:
            await self._answer(command.bench, command.id, result=dict(result))
        finally:
            self._executing -= 1

    def _may_answer(self) -> bool:
        now = time.monotonic()
        self._answers = min(ANSWERS_PER_S, self._answers + (now - self._answers_at) * ANSWERS_PER_S)
        self._answers_at = now
        if self._answers < 1:
            return False
        self._answers -= 1
        return True

    async def _answer(
        self, bench: str, id: str | None, *, reason: str | None = None, result: Mapping[str, Any] | None = None
    ) -> None:
        if self.link is None:
            return
        said = payloads.command_result(self._daemon, bench, id, datetime.now(UTC), reason=reason, result=result)
        try:
            await self.link.publish(f"{self._base}/{bench}/command/result", payloads.encoded(said))
        except LinkError as error:
            _LOG.warning("the result of a command was not heard: %s", error)
