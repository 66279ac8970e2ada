"""Stores for tests: a real VictoriaMetrics, a real InfluxDB 1.6, and a server that does wrong on purpose.

All on free ports of 127.0.0.1, their files in a temporary folder, ended by the number of their process. A program that
is not installed skips the test, but fails it on CI (environment variable CI).
"""

from __future__ import annotations

import gzip
import json
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
import urllib3

HTTP = urllib3.PoolManager(retries=False, timeout=urllib3.Timeout(total=10))


def program(name: str) -> str:
    """The path of an installed program; skips the test without it, and fails it on CI."""
    if found := shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin"):
        return found
    why = f"{name} is not installed (Debian has it)"
    if os.environ.get("CI"):
        pytest.fail(why)
    pytest.skip(why)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def get(url: str, **fields: Any) -> bytes:
    answer = HTTP.request("GET", url + ("?" + urlencode(fields, doseq=True) if fields else ""))
    assert answer.status == 200, (url, fields, answer.status, answer.data)
    return answer.data


class Server:
    """A server program that can be killed and started again on the same port and folder."""

    def __init__(self, command: list[str], url: str, ready: str, log: Path) -> None:
        self.command, self.url, self.ready, self.log = command, url, ready, log
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(self.command, stdout=log, stderr=log, stdin=subprocess.DEVNULL)
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            assert self.process.poll() is None, self.log.read_text()[-3000:]
            try:
                if HTTP.request("GET", self.url + self.ready).status < 300:
                    return
            except urllib3.exceptions.HTTPError:
                time.sleep(0.02)
        pytest.fail(f"{self.command[0]} did not come up: {self.log.read_text()[-3000:]}")

    def kill(self) -> None:
        """kill -9."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def pause(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)

    def end(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.resume()
            self.kill()


class VictoriaMetrics(Server):
    def __init__(self, folder: Path, *more: str) -> None:
        port = free_port()
        command = [
            program("victoria-metrics"),
            f"-httpListenAddr=127.0.0.1:{port}",
            f"-storageDataPath={folder / 'vm'}",
            "-retentionPeriod=10y",
            "-search.latencyOffset=0s",
            "-dedup.minScrapeInterval=1ms",
            "-memory.allowedBytes=200MB",
            *more,
        ]
        super().__init__(command, f"http://127.0.0.1:{port}", "/health", folder / "vm.log")

    def export(self, match: str, **fields: Any) -> list[dict[str, Any]]:
        """The series of a selector: [{'metric': {...}, 'values': [...], 'timestamps': [ms...]}]."""
        get(self.url + "/internal/force_flush")
        fields = {"match[]": match, "start": 0, **fields}
        return [json.loads(line) for line in get(self.url + "/api/v1/export", **fields).splitlines()]


class InfluxDB(Server):
    """InfluxDB 1.6: no v2 write API, but the strictest reader of line protocol in Debian."""

    def __init__(self, folder: Path) -> None:
        port, other = free_port(), free_port()
        config = folder / "influxdb.conf"
        config.write_text(
            f'reporting-disabled = true\nbind-address = "127.0.0.1:{other}"\n'
            f'[meta]\ndir = "{folder / "meta"}"\n'
            f'[data]\ndir = "{folder / "data"}"\nwal-dir = "{folder / "wal"}"\n'
            f'[http]\nbind-address = "127.0.0.1:{port}"\nlog-enabled = false\n'
            "[monitor]\nstore-enabled = false\n"
        )
        super().__init__(
            [program("influxd"), "-config", str(config)], f"http://127.0.0.1:{port}", "/ping", folder / "influxdb.log"
        )

    def start(self) -> None:
        super().start()
        answer = HTTP.request("POST", self.url + "/query?" + urlencode({"q": "CREATE DATABASE benchd"}))
        assert answer.status == 200, answer.data

    def write(self, *lines: str) -> str:
        """'' or the reason of a refusal."""
        answer = HTTP.request("POST", self.url + "/write?db=benchd", body="\n".join(lines).encode())
        return "" if answer.status == 204 else answer.data.decode()

    def query(self, query: str) -> list[dict[str, Any]]:
        """The rows of an InfluxQL query as dicts; times in ns."""
        found = json.loads(get(self.url + "/query", db="benchd", epoch="ns", q=query))
        assert "error" not in found["results"][0], found
        return [
            {**one.get("tags", {}), **dict(zip(one["columns"], row, strict=True))}
            for one in found["results"][0].get("series", [])
            for row in one["values"]
        ]


@contextmanager
def running(server: Server) -> Iterator[Any]:
    try:
        server.start()
        yield server
    finally:
        server.end()


# --- a server that does wrong -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reply:
    """What the fault server answers. `keep`: whether the lines count as written. `cut`: 'before' closes without an
    answer, 'half' after half of one, 'drip' sends a byte now and then for ever."""

    status: int = 204
    body: str | bytes = ""
    headers: Mapping[str, str] = field(default_factory=dict)
    delay_s: float = 0.0
    keep: bool | None = None
    cut: str = ""


@dataclass(frozen=True)
class Asked:
    at: float
    lines: list[str]
    headers: Mapping[str, str]
    path: str


class FaultServer:
    """`answer(n, lines)` decides about the n-th write (from 0). What was written stands in `lines`, in order."""

    def __init__(self, answer: Callable[[int, list[str]], Reply] = lambda n, lines: Reply()) -> None:
        self.answer = answer
        self.asked: list[Asked] = []
        self.lines: list[str] = []
        self.metrics: Callable[[], str | None] = lambda: None
        self._lock = threading.Lock()
        self._ended = threading.Event()
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            disable_nagle_algorithm = True  # head and body go out apart: the second would wait 40 ms for the first

            def do_POST(self) -> None:
                outer._write(self)

            def do_GET(self) -> None:
                text = outer.metrics() if self.path == "/metrics" else None
                outer._send(self, Reply(404 if text is None else 200, text or "", {}))

            def log_message(self, *_: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True).start()

    def _write(self, handler: BaseHTTPRequestHandler) -> None:
        raw = handler.rfile.read(int(handler.headers["Content-Length"]))
        if handler.headers.get("Content-Encoding") == "gzip":
            raw = gzip.decompress(raw)
        lines = raw.decode().split("\n")
        with self._lock:
            number = len(self.asked)
            self.asked.append(Asked(time.monotonic(), lines, dict(handler.headers), handler.path))
            reply = self.answer(number, lines)
            if reply.keep or (reply.keep is None and reply.status < 300 and not reply.cut):
                self.lines += lines
        self._ended.wait(reply.delay_s)
        self._send(handler, reply)

    def _send(self, handler: BaseHTTPRequestHandler, reply: Reply) -> None:
        body = reply.body if isinstance(reply.body, bytes) else reply.body.encode()
        handler.close_connection = handler.close_connection or bool(reply.cut)
        try:
            if reply.cut == "before":
                return
            handler.send_response(reply.status)
            for key, value in reply.headers.items():
                handler.send_header(key, value)
            if reply.status != 204:
                handler.send_header("Content-Length", str(len(body) + (100 if reply.cut else 0)))
            handler.end_headers()
            handler.wfile.write(body)
            while reply.cut == "drip" and not self._ended.wait(0.1):
                handler.wfile.write(b"x")
                handler.wfile.flush()
        except OSError:
            pass  # the other side has gone

    def close(self) -> None:
        self._ended.set()
        self._server.shutdown()
        self._server.server_close()
