"""A real Mosquitto for tests: password, access list, TLS with an authority made here; killed, frozen and started again."""

from __future__ import annotations

import asyncio
import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiomqtt
import jsonschema_rs
import pytest
import yaml

PASSWORD = "correct horse 7"
ASYNCAPI = Path(__file__).parents[2] / "configs" / "guide" / "asyncapi.yaml"


def need(program: str) -> str:
    """The program's path; without it the test is skipped, but on a build machine it fails."""
    found = shutil.which(program) or shutil.which(program, path="/usr/sbin:/sbin")
    if found is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{program} is not installed: no broker to test against")
    return found


def make_certificates(folder: Path, name: str = "ca", san: str = "DNS:localhost,IP:127.0.0.1") -> Path:
    """An authority and a server certificate signed by it; the authority's file."""
    run = _openssl(folder)
    new = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    authority = ["-addext", "keyUsage=critical,keyCertSign", "-addext", "basicConstraints=critical,CA:TRUE"]
    run("req", "-x509", *new[:-2], "-days", "2", "-keyout", f"{name}.key", "-out", f"{name}.pem",
        "-subj", f"/CN=benchd test {name}", "-config", _minimal(folder), *authority)  # fmt: skip
    run("req", *new[:-2], "-keyout", f"{name}-server.key", "-out", f"{name}-server.csr", "-subj", "/CN=broker",
        "-config", _minimal(folder))  # fmt: skip
    (folder / "san.cnf").write_text(f"subjectAltName={san}\n")
    run("x509", "-req", "-in", f"{name}-server.csr", "-CA", f"{name}.pem", "-CAkey", f"{name}.key", "-CAcreateserial",
        "-days", "2", "-out", f"{name}-server.pem", "-extfile", "san.cnf")  # fmt: skip
    return folder / f"{name}.pem"


def _openssl(folder: Path) -> Any:
    program = need("openssl")

    def run(*arguments: str) -> None:
        subprocess.run([program, *arguments], cwd=folder, check=True, capture_output=True)

    return run


def _minimal(folder: Path) -> str:
    path = folder / "req.cnf"
    path.write_text("[req]\ndistinguished_name=dn\n[dn]\n")
    return str(path)


class Broker:
    """One port on 127.0.0.1, kept over kill and start. Users 'benchd' and 'office' with PASSWORD."""

    def __init__(self, folder: Path, *, tls_name: str | None = None, acl: str | None = None, more: str = "") -> None:
        self._folder = folder
        self._program = need("mosquitto")
        self._process: subprocess.Popen[bytes] | None = None
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port: int = probe.getsockname()[1]
        self.ca_file = folder / f"{tls_name}.pem" if tls_name else None
        self._write_files(tls_name, acl, more)

    def _write_files(self, tls_name: str | None, acl: str | None, more: str) -> None:
        passwords = self._folder / "passwords"
        passwords.touch()
        for user in ("benchd", "office"):
            command = [need("mosquitto_passwd"), "-b", str(passwords), user, PASSWORD]
            subprocess.run(command, check=True, capture_output=True)
        lines = [f"listener {self.port} 127.0.0.1", "allow_anonymous false", f"password_file {passwords}"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            lines.append("user root")  # else it may not read our files
        if tls_name:
            lines += [f"certfile {self._folder}/{tls_name}-server.pem", f"keyfile {self._folder}/{tls_name}-server.key"]
        if acl is not None:
            (self._folder / "acl").write_text(acl)
            lines.append(f"acl_file {self._folder}/acl")
        (self._folder / "mosquitto.conf").write_text("\n".join([*lines, more, ""]))

    def start(self) -> None:
        command = [self._program, "-c", str(self._folder / "mosquitto.conf")]
        with (self._folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(command, stdout=log, stderr=log)
        until = time.monotonic() + 10
        while time.monotonic() < until:
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            time.sleep(0.02)
        raise RuntimeError(f"mosquitto did not start: {(self._folder / 'mosquitto.log').read_text()[-500:]}")

    def kill(self) -> None:
        """As kill -9 does: what it had in memory is gone."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def freeze(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def client(self, **more: Any) -> aiomqtt.Client:
        """The office's own client."""
        context = None if self.ca_file is None else ssl.create_default_context(cafile=str(self.ca_file))
        return aiomqtt.Client(
            "localhost" if context else "127.0.0.1", self.port, username="office", password=PASSWORD,
            tls_context=context, timeout=5, **more,
        )  # fmt: skip


@dataclass(frozen=True)
class Heard:
    topic: str
    body: dict[str, Any]
    qos: int
    retain: bool
    at: float


class Ear:
    """Hears everything on the broker, over its deaths, and holds every payload to the AsyncAPI description."""

    def __init__(self, broker: Broker, topic: str = "benchd/#", *, keep: bool = False) -> None:
        self._broker, self._topic = broker, topic
        # With `keep` the broker keeps a session, and with it what comes while we are away.
        self._session: dict[str, Any] = {"identifier": "office-ear", "clean_session": False} if keep else {}
        self.heard: list[Heard] = []
        self.connections = 0
        self._schemas = Described()
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Ear:
        self._task = asyncio.create_task(self._hear())
        await until(lambda: self.connections > 0)
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._task is not None
        self._task.cancel()
        with suppress(asyncio.CancelledError):
            await self._task

    async def _hear(self) -> None:
        while True:
            with suppress(aiomqtt.MqttError):
                async with self._broker.client(**self._session) as client:
                    await client.subscribe(self._topic, 1)
                    self.connections += 1
                    async for message in client.messages:
                        assert isinstance(message.payload, bytes)
                        body, topic = json.loads(message.payload), str(message.topic)
                        self._schemas.check(topic, body)
                        self.heard.append(Heard(topic, body, message.qos, bool(message.retain), time.monotonic()))
            await asyncio.sleep(0.05)

    def of(self, ending: str) -> list[Heard]:
        """What came on topics that end so; fails if a payload was not as described."""
        assert self._task is not None
        if self._task.done() and not self._task.cancelled():
            self._task.result()
        return [one for one in self.heard if one.topic.endswith(ending)]


class Described:
    """configs/guide/asyncapi.yaml, as far as payloads go."""

    def __init__(self) -> None:
        self.document = yaml.safe_load(ASYNCAPI.read_text(encoding="utf-8"))
        self._by_topic = []
        for name, channel in self.document["channels"].items():
            (message,) = channel["messages"].values()
            schema = self.resolve(message)["payload"]
            pattern = re.sub(r"\{\w+\}", "[^/]+", channel["address"].replace("{prefix}", "benchd"))
            whole = {"$ref": schema["$ref"], "components": self.document["components"]}
            self._by_topic.append((re.compile(pattern), name, jsonschema_rs.Draft202012Validator(whole)))

    def resolve(self, found: dict[str, Any]) -> dict[str, Any]:
        """Follows a reference."""
        while "$ref" in found:
            target: Any = self.document
            for step in found["$ref"].removeprefix("#/").split("/"):
                target = target[step]
            found = target
        return found

    def check(self, topic: str, body: dict[str, Any]) -> str:
        """The name of the topic's channel; the payload must be as it says."""
        for pattern, name, validator in self._by_topic:
            if pattern.fullmatch(topic):
                validator.validate(body)
                return str(name)
        raise AssertionError(f"{topic} is described nowhere")


async def until(holds: Any, timeout_s: float = 15.0) -> None:
    """Wait until `holds()` is true; the test fails if it does not come true."""
    end = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < end, "waited in vain"
        await asyncio.sleep(0.02)
