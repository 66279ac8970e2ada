"""A broker that knows only the version before MQTT 5: played here, since no broker of today can be told to be one."""

from __future__ import annotations

import asyncio
import json
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from broker import until
from mqtt_world import DAEMON, World, verdict

from benchd.forward.mqtt_link import V311


class OldBroker:
    """MQTT 3.1.1 as far as a publisher needs it (OASIS standard, sections 3.1 to 3.9; written from memory)."""

    def __init__(self) -> None:
        self.published: list[tuple[str, dict[str, Any]]] = []
        self.levels: list[int] = []

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            while await self._answer(reader, writer):
                await writer.drain()
        writer.close()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        kind, body = await self._packet(reader)
        if kind >> 4 == 1:  # CONNECT: protocol name, then its level
            self.levels.append(body[6])
            writer.write(b"\x20\x02\x00\x00" if body[6] == 4 else b"\x20\x02\x00\x01")
            return body[6] == 4
        if kind >> 4 == 8:  # SUBSCRIBE -> SUBACK
            writer.write(b"\x90\x03" + body[:2] + b"\x01")
        elif kind >> 4 == 3:  # PUBLISH -> PUBACK
            end = 2 + int.from_bytes(body[:2], "big")
            payload = body[end:]
            if kind & 0b110:
                writer.write(b"\x40\x02" + payload[:2])
                payload = payload[2:]
            self.published.append((body[2:end].decode(), json.loads(payload)))
        elif kind >> 4 == 12:  # PINGREQ -> PINGRESP
            writer.write(b"\xd0\x00")
        return kind >> 4 != 14

    async def _packet(self, reader: asyncio.StreamReader) -> tuple[int, bytes]:
        kind, length, shift = (await reader.readexactly(1))[0], 0, 0
        while True:
            (digit,) = await reader.readexactly(1)
            length |= (digit & 0x7F) << shift
            shift += 7
            if digit < 0x80:
                return kind, await reader.readexactly(length)


async def test_a_broker_of_the_version_before_is_spoken_to_in_its_own(tmp_path: Path) -> None:
    broker = OldBroker()
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    there = SimpleNamespace(port=server.sockets[0].getsockname()[1], ca_file=None)
    world = World(tmp_path, cast(Any, there))
    world.book.add("run-1", verdict("run-1"))
    async with world.running() as forwarder:
        await until(lambda: forwarder.status().state == "up to date")
        await until(lambda: forwarder.status().position == 1)
    assert broker.levels == [5, V311]
    topics = [topic for topic, _ in broker.published]
    assert topics[:2] == [f"benchd/{DAEMON}/state", f"benchd/{DAEMON}/bay-1/state"]
    assert f"benchd/{DAEMON}/bay-1/verdict" in topics
    assert broker.published[-1][1]["state"] == "stopped"
    server.close()
