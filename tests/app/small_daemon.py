"""A daemon's API without a daemon, on loopback: says what a test gives it, and breaks its streams where it is told to."""

from __future__ import annotations

import base64
import hashlib
import json
import struct
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

TOKEN = "look-operate-token-of-a-test"


@dataclass
class SmallDaemon:
    """`records` by run id, without seq; a run is open until its run-closed record is among them."""

    records: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    benches: list[dict[str, Any]] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    #: (status, body) for a path, instead of the usual answer.
    answers: dict[str, tuple[int, Any]] = field(default_factory=dict)
    #: Records after which a stream is cut without a word, one for each connection; then it is left alone.
    cuts: list[int] = field(default_factory=list)
    again: bool = False  # say the last record of the connection before once more after a cut
    token: str = TOKEN
    on_post: Callable[[str, dict[str, Any]], None] = lambda path, body: None
    started: str = ""  # the run that POST /v1/runs opens
    seen: list[tuple[str, str, dict[str, Any]]] = field(default_factory=list)
    asked_from: list[int] = field(default_factory=list)  # the cursors of all streams
    more: dict[str, Any] = field(default_factory=dict)  # what status says beside

    def __enter__(self) -> SmallDaemon:
        daemon = self

        class Handler(_Handler):
            small = daemon

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._server.handle_error = lambda *_: None  # type: ignore[method-assign]  # clients that leave are the point
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def status(self) -> dict[str, Any]:
        usual = {
            "daemon": "tessel-lane-0a1b2c3d",
            "name": "Tessel Lane",
            "version": "0.1.0",
            "started": "2026-03-01T07:00:00.000+00:00",
            "benches": self.benches,
            "forwarders": [],
            "disk": {"free_bytes": 12_300_000_000, "low": False},
            "warnings": [],
        }
        return usual | self.more

    def numbered(self, run: str) -> list[dict[str, Any]]:
        return [{**one, "seq": seq} for seq, one in enumerate(self.records[run], 1)]

    def row(self, run: str) -> dict[str, Any]:
        return next(one for one in self.rows if one["run"] == run)


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    small: SmallDaemon

    def log_message(self, *_: object) -> None:
        pass

    def do_GET(self) -> None:
        self._serve("GET", {})

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers.get("Content-Length", 0))) or b"{}")
        self._serve("POST", body)

    def _serve(self, method: str, body: dict[str, Any]) -> None:
        small, parts = self.small, urlsplit(self.path)
        path, query = parts.path, parse_qs(parts.query)
        small.seen.append((method, self.path, body))
        if self.headers.get("Authorization") != f"Bearer {small.token}":
            self._say(401, {"error": {"kind": "access", "message": "this token is not known here"}})
        elif path in small.answers:
            self._say(*small.answers[path])
        elif method == "POST":
            small.on_post(path, body)
            self._say(201, {"run": small.started}) if path == "/v1/runs" else self._say(204, None)
        elif path.endswith("/stream"):
            self._stream(path.split("/")[3], int(query.get("after", ["0"])[0]))
        else:
            self._get(path, query)

    def _get(self, path: str, query: dict[str, list[str]]) -> None:
        small = self.small
        if path == "/v1/status":
            self._say(200, small.status())
        elif path == "/v1/runs":
            rows = [one for one in small.rows if "before" not in query or one["run"] < query["before"][0]]
            for key in ("bench", "work_order", "unit"):
                rows = [one for one in rows if key not in query or one[key] == query[key][0]]
            self._say(200, {"runs": rows[: int(query["limit"][0])]})
        elif path.startswith("/v1/runs/") and any(one["run"] == path.split("/")[3] for one in small.rows):
            self._say(200, small.row(path.split("/")[3]))
        else:
            self._say(404, {"error": {"kind": "not-found", "message": f"there is no {path}"}})

    def _say(self, status: int, body: Any) -> None:
        text = b"" if body is None else body if isinstance(body, bytes) else json.dumps(body).encode()
        self.send_response(status)
        if status == 302:
            self.send_header("Location", "http://127.0.0.1:9/elsewhere")
        if status in (429, 503):
            self.send_header("Retry-After", "1")
        self.send_header("Content-Length", str(len(text)))
        self.end_headers()
        self.wfile.write(text)

    # --- the stream -------------------------------------------------------------------------------------------------

    def _stream(self, run: str, after: int) -> None:
        small = self.small
        small.asked_from.append(after)
        if run not in small.records:
            self._say(404, {"error": {"kind": "not-found", "message": f"no run {run!r} is kept here"}})
            return
        key = self.headers["Sec-WebSocket-Key"] + "258EAFA5-E914-47DA-95CA-C5AB0DC85B11"
        self.send_response(101)
        self.send_header("Upgrade", "websocket")
        self.send_header("Connection", "Upgrade")
        self.send_header("Sec-WebSocket-Accept", base64.b64encode(hashlib.sha1(key.encode()).digest()).decode())
        self.end_headers()
        self.close_connection = True
        left = small.cuts.pop(0) if small.cuts else None
        if small.again and after:
            after -= 1
        with suppress(OSError):  # the watcher has gone
            self._send_records(run, after, left)

    def _send_records(self, run: str, after: int, left: int | None) -> None:
        while True:
            found = [one for one in self.small.numbered(run) if one["seq"] > after][
                : 3 if left is None else min(left, 3)
            ]
            is_open = not (found and found[-1]["kind"] == "run-closed")
            if found:
                after = found[-1]["seq"]
                self._frame(1, json.dumps({"records": found, "next": after, "open": is_open}).encode())
            if left is not None:
                left -= len(found)
                if left <= 0:
                    return  # and the connection is closed without a word
            if not is_open:
                self._frame(8, struct.pack("!H", 1000))
                return
            if not found:
                time.sleep(0.02)

    def _frame(self, opcode: int, data: bytes) -> None:
        size = bytes([len(data)]) if len(data) < 126 else b"\x7e" + struct.pack("!H", len(data))
        if len(data) > 65535:
            size = b"\x7f" + struct.pack("!Q", len(data))
        self.wfile.write(bytes([0x80 | opcode]) + size + data)
        self.wfile.flush()


def bench_body(slug: str = "bay-1", name: str = "bay 1", **more: Any) -> dict[str, Any]:
    """A bench as the daemon tells it."""
    usual: dict[str, Any] = {
        "bench": slug,
        "name": name,
        "state": "ready",
        "run": None,
        "last_run": None,
        "source_sha256": "0" * 64,
        "channels": {"battery_volts": {"value": 12.61, "unit": "V", "age_s": 0.2, "flags": []}},
        "instruments": [instrument_body("volts"), instrument_body("tach", driver="tach-lines")],
    }
    return usual | more


def instrument_body(name: str, **more: Any) -> dict[str, Any]:
    usual: dict[str, Any] = {
        "name": name,
        "driver": "scpi",
        "port": f"/dev/{name}",
        "identity": None,
        "state": "talking",
        "since": "2026-03-01T07:00:01.000+00:00",
        "what": "",
        "cure": "",
        "calibration_due": None,
        "overdue": False,
        "counts": {},
    }
    return usual | more


def forwarder_body(name: str, **more: Any) -> dict[str, Any]:
    usual: dict[str, Any] = {
        "name": name,
        "target": "http://127.0.0.1:8428",
        "state": "up to date",
        "position": 10,
        "behind_rows": 0,
        "behind_s": 0.0,
        "sent": 1234,
        "quarantined": 0,
        "failures": 0,
        "last_error": None,
        "last_error_at": None,
    }
    return usual | more
