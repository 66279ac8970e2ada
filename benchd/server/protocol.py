"""uvicorn's two protocols with what they lack against a hostile other side: bounds on connections, deadlines for the
head of a request and for whoever does not read, and errors in the API's words."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.protocols.websockets.websockets_sansio_impl import WebSocketsSansIOProtocol

from benchd.server.guard import SAFE_HEADERS
from benchd.server.limits import client_key
from benchd.server.problems import error_body

MOST_CONNECTIONS = 512
MOST_OF_ONE_CLIENT = 256
HEAD_S = 10.0
UNREAD_S = 60.0  # for an answer to be read
WATCHER_UNREAD_S = 15.0  # for a message of a stream
LINGER_S = 2.0
#: A watcher's close frame: try again later.
TOO_SLOW = 1013


class HttpProtocol(H11Protocol):
    """One HTTP connection."""

    _head_timer: asyncio.TimerHandle | None = None
    _unread_timer: asyncio.TimerHandle | None = None
    _lingering = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as in uvicorn
        super().connection_made(transport)
        # Whatever has not gone out is waited for, and so has a deadline. (With high=0 TLS would wait for ever.)
        transport.set_write_buffer_limits(high=1, low=0)
        mine = self._client_key(self)
        same = sum(self._client_key(one) == mine for one in self.connections)
        if len(self.connections) > MOST_CONNECTIONS or same > MOST_OF_ONE_CLIENT:
            self._answer(503, "too-much", "too many connections: close some, or try again in a moment", "5")
            return
        self._watch_head()

    def connection_lost(self, exc: Exception | None) -> None:
        self._cancel_timers()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        if self._lingering:
            return
        super().data_received(data)
        self._watch_head()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        # A body that nobody wants: not read to its end, however slowly it comes.
        if self.conn.their_state is h11.SEND_BODY:
            self._linger()

    def send_400_response(self, msg: str) -> None:
        self._answer(400, "invalid", "this is no HTTP request")

    def pause_writing(self) -> None:
        super().pause_writing()
        if self._unread_timer is None:
            self._unread_timer = self.loop.call_later(UNREAD_S, self.transport.abort)

    def resume_writing(self) -> None:
        super().resume_writing()
        if self._unread_timer is not None:
            self._unread_timer.cancel()
            self._unread_timer = None

    def handle_websocket_upgrade(self, event: h11.Request) -> None:
        self._cancel_timers()
        super().handle_websocket_upgrade(event)

    @staticmethod
    def _client_key(connection: Any) -> str:
        return client_key(None if connection.client is None else connection.client[0])

    def _watch_head(self) -> None:
        """From the first byte of a connection, and of every later request, its head has so long."""
        waits = self.conn.their_state is h11.IDLE and not self.transport.is_closing() and not self._upgraded()
        if waits and self._head_timer is None:
            self._head_timer = self.loop.call_later(HEAD_S, self._head_is_late)
        elif not waits and self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _upgraded(self) -> bool:
        return self.transport.get_protocol() is not self

    def _head_is_late(self) -> None:
        self._head_timer = None
        self._answer(408, "too-much", f"the request was not here within {HEAD_S:.0f} s")

    def _answer(self, status: int, kind: str, message: str, retry_after: str | None = None) -> None:
        """An error without any application, and the end of the connection."""
        self._cancel_timers()
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE) and not self.transport.is_closing():
            body = error_body(kind, message)
            headers = [
                (b"content-type", b"application/json"),
                (b"content-length", str(len(body)).encode()),
                (b"connection", b"close"),
                *SAFE_HEADERS,
            ]
            if retry_after is not None:
                headers.append((b"retry-after", retry_after.encode()))
            for event in (h11.Response(status_code=status, headers=headers), h11.Data(body), h11.EndOfMessage()):
                self.transport.write(self.conn.send(event) or b"")
        self._linger()

    def _linger(self) -> None:
        """Close so that the answer arrives: a connection closed over unread bytes is reset, and the answer lost."""
        if self._lingering or self.transport.is_closing():
            return
        self._lingering = True
        self._unset_keepalive_if_required()
        if self.transport.can_write_eof():
            with suppress(OSError):  # the other side has reset it
                self.transport.write_eof()
            self.loop.call_later(LINGER_S, self.transport.abort)
        else:  # TLS has no half of a close
            self.transport.close()

    def _cancel_timers(self) -> None:
        for timer in (self._head_timer, self._unread_timer):
            if timer is not None:
                timer.cancel()
        self._head_timer = self._unread_timer = None


class WatcherProtocol(WebSocketsSansIOProtocol):
    """One WebSocket. Whoever does not read is not read from either, and is let go after a while."""

    _unread_timer: asyncio.TimerHandle | None = None

    def pause_writing(self) -> None:
        super().pause_writing()
        self.transport.pause_reading()
        if self._unread_timer is None:
            self._unread_timer = self.loop.call_later(WATCHER_UNREAD_S, self._too_slow)

    def resume_writing(self) -> None:
        super().resume_writing()
        if not self.read_paused:
            self.transport.resume_reading()
        self._forget()

    def connection_lost(self, exc: Exception | None) -> None:
        self._forget()
        super().connection_lost(exc)

    async def send(self, message: Any) -> None:
        await super().send(message)
        if message["type"] == "websocket.close":  # also where the other side does not answer
            self.loop.call_later(self.close_timeout + LINGER_S, self.transport.abort)

    def _too_slow(self) -> None:
        self._unread_timer = None
        if not self.close_sent:
            self.conn.fail(TOO_SLOW, "the watcher does not read")
            self.transport.write(b"".join(self.conn.data_to_send()))
            self.close_sent = True
        self.disconnected = True  # whoever waits in send() hears of it
        self.writable.set()
        self.queue.put_nowait({"type": "websocket.disconnect", "code": TOO_SLOW})
        self.transport.close()
        self.loop.call_later(LINGER_S, self.transport.abort)

    def _forget(self) -> None:
        if self._unread_timer is not None:
            self._unread_timer.cancel()
            self._unread_timer = None
