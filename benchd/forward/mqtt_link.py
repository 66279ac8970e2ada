"""One connection to a broker: aiomqtt with every wait bounded, and with the broker's refusals heard.

What aiomqtt leaves to its user, and what is done about it here:

- A sign-in that is refused, or that nobody answers, leaves its socket open and served: `close` shuts it.
- Connecting happens in a thread that cannot be cancelled. An abandoned attempt shuts its socket by itself when it is
  through, so that no second client lives on behind our back.
- A socket that closes before its writer is watched leaves a number behind that may be another port's by then: watched only
  while it is open (aiomqtt hands the bare number to the loop for later).
- It waits with `asyncio.wait_for`, which before Python 3.12 forgets that it was cancelled if the answer comes at the same
  moment; whoever waits for the cancelled task then waits for ever: `_heard` remembers.
- A broker may acknowledge a message and say in the same packet that it threw it away (MQTT 5): `Denied`.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, TypeVar

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchd.site import MqttSettings

V5, V311 = aiomqtt.ProtocolVersion.V5, aiomqtt.ProtocolVersion.V311
MOST_INCOMING_BYTES = 64 * 1024  # a broker of MQTT 5 sends nothing longer; nothing that we accept is
MOST_INCOMING = 100
_BAD_USER, _NOT_AUTHORIZED, _BAD_PROTOCOL = 134, 135, 132  # reason codes, MQTT 5 section 2.4
#: Reasons that say that the message itself can never be taken: packet too large, payload format invalid.
_HOPELESS = frozenset({149, 153})

# The library tells of every packet; what matters of it is in the forwarder's status.
T = TypeVar("T")
_LOG = logging.getLogger("benchd.forward.mqtt.client")
_LOG.setLevel(logging.CRITICAL)


@dataclass(frozen=True, slots=True)
class Waits:
    """In s. `connect_s` bounds reaching the broker and, again, its TLS handshake; `answer_s` any answer of it."""

    connect_s: float = 2.5
    answer_s: float = 5.0
    keepalive_s: int = 10


class LinkError(Exception):
    """The connection cannot be made, or is lost. `refused`: one side will not have the other, somebody must act.
    `ended`: it was ended while we listened, not given up by us."""

    def __init__(self, message: str, *, refused: bool = False, ended: bool = False, old_protocol: bool = False) -> None:
        super().__init__(message)
        self.refused, self.ended = refused, ended
        self.old_protocol = old_protocol  # the broker knows only the version before MQTT 5


class Denied(LinkError):
    """The broker acknowledged a message and refused it. `hopeless`: it will never take this one."""

    def __init__(self, topic: str, code: Any) -> None:
        super().__init__(f"the broker refused a message on {topic}: {code}", refused=True)
        self.hopeless = code.value in _HOPELESS


class _Client(aiomqtt.Client):
    refusal: Any = None  # of the newest acknowledgement

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any) -> None:
        if reason_code is not None and reason_code.is_failure:
            self.refusal = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        def write() -> None:
            try:
                client.loop_write()
            except Exception as error:  # as aiomqtt does: a write that breaks is a broken connection
                if not self._disconnected.done():
                    self._disconnected.set_exception(error)

        def watch() -> None:
            if sock.fileno() >= 0 and client.socket() is sock and client.want_write():
                self._loop.add_writer(sock.fileno(), write)

        self._loop.call_soon_threadsafe(watch)

    def set_connect_timeout(self, seconds: float) -> None:
        self._client.connect_timeout = seconds

    def shut(self) -> bool:
        """Shut the socket; the loop's reader then lets go of it. Whether there is still one."""
        sock: Any = self._client.socket()
        if sock is None:
            return False
        with suppress(OSError):
            sock.shutdown(socket.SHUT_RDWR)
        return True

    def note_its_end(self) -> None:
        """Somebody looks at how the connection ends, or asyncio complains that nobody did."""
        self._disconnected.add_done_callback(lambda ended: None if ended.cancelled() else ended.exception())


class Link:
    """Made, opened once, closed once. Every method but `close` raises LinkError. `context`: of `tls_context`."""

    def __init__(
        self,
        settings: MqttSettings,
        *,
        identifier: str,
        will: tuple[str, bytes],
        password: str | None,
        context: ssl.SSLContext | None,
        version: aiomqtt.ProtocolVersion = V5,
        waits: Waits = Waits(),
    ) -> None:
        self._settings, self._waits = settings, waits
        self._one_at_a_time = asyncio.Lock()
        self._opening: asyncio.Future[Any] | None = None
        self.is_open = False
        properties = None
        if version is V5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.MaximumPacketSize = MOST_INCOMING_BYTES
        self._client = _Client(
            settings.host,
            settings.port,
            username=settings.user,
            password=password,
            identifier=identifier,
            protocol=version,
            will=aiomqtt.Will(*will, qos=1, retain=True),
            tls_context=context,
            timeout=waits.answer_s,
            keepalive=waits.keepalive_s,
            max_queued_incoming_messages=MOST_INCOMING,
            properties=properties,
            logger=_LOG,
        )
        self._client.pending_calls_threshold = 1000
        self._client.note_its_end()
        self._client.set_connect_timeout(waits.connect_s)

    async def open(self) -> None:
        opening = self._opening = asyncio.ensure_future(self._client.__aenter__())
        try:
            async with asyncio.timeout(2 * self._waits.connect_s + self._waits.answer_s):
                await asyncio.shield(opening)
        except TimeoutError:
            raise LinkError(f"{self._address()} cannot be reached within {self._waits.connect_s:g} s") from None
        except (aiomqtt.MqttError, ValueError) as error:
            raise self._told(error) from None
        self.is_open = True

    async def close(self) -> None:
        """Take leave if possible, let go in any case. Never raises, never waits for long."""
        opening = self._opening
        if opening is not None and not opening.done():
            opening.add_done_callback(self._let_go)
            return
        try:
            if self.is_open:
                self.is_open = False
                with suppress(aiomqtt.MqttError, TimeoutError, OSError):
                    async with asyncio.timeout(1.0):
                        await _heard(self._client.__aexit__(None, None, None))
        finally:
            for _ in range(50):
                if not self._client.shut():
                    break
                await asyncio.sleep(0.01)

    @property
    def busy(self) -> asyncio.Future[Any] | None:
        """An attempt that was given up but still holds its thread."""
        return self._opening if self._opening is not None and not self._opening.done() else None

    async def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """With QoS 1 the broker has taken it on return."""
        try:
            if qos == 0:
                await _heard(self._client.publish(topic, payload, 0, retain))
                return
            async with self._one_at_a_time:  # so that a refusal is known to be this message's
                self._client.refusal = None
                await _heard(self._client.publish(topic, payload, qos, retain))
                if self._client.refusal is not None:
                    raise Denied(topic, self._client.refusal)
        except (aiomqtt.MqttError, ValueError) as error:
            raise self._told(error) from None

    async def subscribe(self, topic: str) -> None:
        try:
            codes = await _heard(self._client.subscribe(topic, 1))
        except (aiomqtt.MqttError, ValueError) as error:
            raise self._told(error) from None
        if any(getattr(code, "value", code) >= 128 for code in codes):
            raise LinkError(f"the broker does not let {self._user()} read {topic}: {codes[0]}", refused=True)

    async def messages(self) -> AsyncIterator[aiomqtt.Message]:
        """What arrives, until the connection is lost."""
        try:
            async for message in self._client.messages:
                yield message
        except aiomqtt.MqttError as error:
            what = f" ({error.__cause__})" if error.__cause__ else ""
            raise LinkError(f"{self._address()} ended the connection{what}", ended=True) from None

    def _let_go(self, opening: asyncio.Future[Any]) -> None:
        if not opening.cancelled():
            opening.exception()
        self._client.shut()

    def _address(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"

    def _user(self) -> str:
        return f"user {self._settings.user!r}" if self._settings.user else "us, without a user's name,"

    def _told(self, error: Exception) -> LinkError:
        """The library's error as a sentence that says what to do."""
        cause = error.__cause__ or error.__context__
        if isinstance(error, MqttConnectError):
            return self._refused(error)
        if isinstance(cause, ssl.SSLCertVerificationError):
            return LinkError(
                f"{self._address()} shows a certificate that is not trusted ({cause.verify_message}): "
                "ca_file must hold the authority that signed it, and host must be a name that stands in it",
                refused=True,
            )
        if isinstance(cause, ssl.SSLError):
            return LinkError(f"{self._address()}: no TLS ({cause.reason or cause}): is this the broker's TLS port?")
        if isinstance(cause, ConnectionResetError | BrokenPipeError) and not self.is_open:
            is_it = "the broker's TLS port" if self._settings.tls else "a port without TLS"
            return LinkError(f"{self._address()} hung up at once: is this {is_it}?")
        if isinstance(cause, ConnectionRefusedError):
            return LinkError(f"nobody listens at {self._address()}: is the broker running?")
        if str(error) == "Operation timed out":
            return LinkError(f"{self._address()} did not answer within {self._waits.answer_s:g} s")
        return LinkError(f"{self._address()}: {error}")

    def _refused(self, error: MqttConnectError) -> LinkError:
        code = getattr(error.rc, "value", error.rc)
        if code in (_BAD_USER, _NOT_AUTHORIZED, 4, 5):
            what = f"{self._address()} does not let {self._user()} in ({error.rc}): check user and password"
            return LinkError(what, refused=True)
        return LinkError(f"{self._address()} refused the connection: {error.rc}", old_protocol=code == _BAD_PROTOCOL)


async def _heard(call: Awaitable[T]) -> T:
    """What the call returns, unless this task was cancelled meanwhile and the call kept that to itself."""
    task = asyncio.current_task()
    before = 0 if task is None else task.cancelling()
    answer = await call
    if task is not None and task.cancelling() > before:
        raise asyncio.CancelledError
    return answer


def tls_context(settings: MqttSettings) -> ssl.SSLContext | None:
    """Certificate and host name are checked; there is no switch for that. Reads files. LinkError."""
    if not settings.tls:
        return None
    try:
        return ssl.create_default_context(cafile=None if settings.ca_file is None else str(settings.ca_file))
    except (OSError, ssl.SSLError) as error:
        raise LinkError(f"ca_file {settings.ca_file} cannot be used: {error}", refused=True) from None
