"""VISA resources through PyVISA and its pure Python library: a query is written, then its answer is fetched.

Every call blocks, so each instrument has one thread that makes them in order. There is one ResourceManager in the
process: closing another one would end all sessions.
"""

from __future__ import annotations

import asyncio
import re
import select
import socket
import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from functools import cache
from types import TracebackType
from typing import Any, Self, TypeVar

from benchd.errors import PortError
from benchd.links._link import Now, Reads
from benchd.links.ports import VISA
from benchd.wire.driver import SerialParams

OPEN_TIMEOUT_S = 3.0
TIMEOUT_S = 2.0
CLOSE_S = 3.0
_SOCKET = re.compile(r"TCPIP\d*::(?P<host>.+)::(?P<port>\d+)::SOCKET", re.IGNORECASE)
_PARITY = {"N": 0, "O": 1, "E": 2}  # pyvisa.constants.Parity

T = TypeVar("T")
_manager_lock = threading.Lock()


@cache
def _manager() -> Any:
    import pyvisa  # here: it costs 0.2 s

    return pyvisa.ResourceManager("@py")


def manager() -> Any:
    """The process's one ResourceManager; any thread may ask."""
    with _manager_lock:
        return _manager()


def resources() -> list[str]:
    """Resource names that can be found. Broadcasts on every network interface and takes seconds: only when asked."""
    return sorted(manager().list_resources("?*"))


async def try_connect(port: str) -> bool:
    """Whether this is a plain TCP resource that was reached. PortError if it is one and was not.

    VISA itself opens a dead address without complaint; the first query tells. False: open it to see.
    """
    match = _SOCKET.fullmatch(port.removeprefix(VISA))
    if match is None:
        return False
    try:
        async with asyncio.timeout(OPEN_TIMEOUT_S):
            _, writer = await asyncio.open_connection(match["host"], int(match["port"]))
    except (OSError, TimeoutError) as error:
        raise _unreachable(port, error) from error
    writer.close()
    with suppress(OSError):
        await writer.wait_closed()
    return True


class VisaLink(Reads):
    """One VISA session. read() gives the answers to what was asked, whole, one a question.

    After an unanswered question the session is cleared (a bare socket: opened anew), so a late answer is never taken
    for the next one's. The answers held are at most those to the questions asked: one, for who waits.
    """

    def __init__(self, port: str, params: SerialParams, now: Now) -> None:
        self.name = port
        self.arrived_ns = 0
        self._params, self._now = params, now
        self._resource_name = port.removeprefix(VISA)
        self._resource: Any = None
        self._asked = 0
        self._answers: deque[tuple[bytes, int]] = deque()
        self._error: PortError | None = None
        self._news = asyncio.Event()
        self._writing = False  # a question is on its way, and nothing fetches its answer yet

    async def __aenter__(self) -> Self:
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=f"benchd {self.name}")
        try:
            await self._call(self._open)
        except BaseException:  # cancelled too: what is being opened is closed behind it
            self._thread.submit(self._close)
            self._thread.shutdown(wait=False)
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        closing = asyncio.wrap_future(self._thread.submit(self._close))
        self._thread.shutdown(wait=False)
        with suppress(TimeoutError):  # a query that hangs ends at its own timeout
            async with asyncio.timeout(CLOSE_S):
                await asyncio.shield(closing)

    async def write(self, data: bytes, reply: bool | None = None, timeout_s: float | None = None) -> None:
        """Send; with `reply` (default: whether there is a question mark) fetch the answer, for read() to give."""
        self._asked += 1
        self._answers.clear()
        self._writing = True
        await self._call(self._write, data)
        self._writing = False
        if reply if reply is not None else b"?" in data:
            fetched = self._thread.submit(self._fetch, self._asked, TIMEOUT_S if timeout_s is None else timeout_s)
            asyncio.wrap_future(fetched).add_done_callback(self._take)

    def park(self) -> bool:
        self._forget()
        return not self._writing and self._error is None

    async def unpark(self) -> bool:
        self._forget()
        return self._error is None and await self._call(self._lives)

    def _forget(self) -> None:
        self._asked += 1  # what is still being fetched is thrown away when it comes
        self._answers.clear()

    async def read(self) -> bytes:
        while not self._answers:
            if self._error is not None:
                raise self._error
            self._news.clear()
            await self._news.wait()
        data, self.arrived_ns = self._answers.popleft()
        return data

    def _take(self, fetched: asyncio.Future[tuple[int, bytes, int] | None]) -> None:
        if fetched.cancelled():
            return
        error = fetched.exception()
        if error is not None:
            self._error = error if isinstance(error, PortError) else _dropped(self.name, error)
        elif (found := fetched.result()) is not None and found[0] == self._asked:  # else asked again meanwhile
            self._answers.append(found[1:])
        self._news.set()

    async def _call(self, call: Callable[..., T], *arguments: Any) -> T:
        return await asyncio.wrap_future(self._thread.submit(call, *arguments))

    # --- the thread -----------------------------------------------------------------------------------------------

    def _open(self) -> None:
        try:
            found = manager().open_resource(self._resource_name, open_timeout=int(OPEN_TIMEOUT_S * 1000))
        except Exception as error:  # VisaIOError, OSError, SerialException, and bare Exception ("could not connect")
            raise _unreachable(self.name, error) from error
        self._resource = found
        try:
            if self._resource_name.upper().startswith("ASRL"):
                found.baud_rate, found.data_bits = self._params.baud, self._params.data_bits
                found.parity, found.stop_bits = _PARITY[self._params.parity], int(self._params.stop_bits * 10)
            if hasattr(found, "read_termination") and self._resource_name.upper().startswith(("ASRL", "TCPIP")):
                found.read_termination = "\n"
        except Exception as error:
            self._close()
            raise _unreachable(self.name, error) from error

    def _close(self) -> None:
        found, self._resource = self._resource, None
        if found is not None:
            with suppress(Exception):  # it may be gone
                found.close()

    def _lives(self) -> bool:
        """Whether a bare socket's other end is still there; of other sessions only a question tells."""
        if self._resource is None:
            return False
        found = None
        with suppress(Exception):  # PyVISA has no call for it, so this looks at what its library keeps
            found = self._resource.visalib.sessions[self._resource.session].interface
        if not isinstance(found, socket.socket):
            return True
        try:
            while select.select([found], [], [], 0)[0]:
                if not found.recv(4096):
                    return False
        except (OSError, ValueError):  # ValueError: closed on our side
            return False
        return True

    def _write(self, data: bytes) -> None:
        try:
            self._resource.write_raw(data)
        except Exception as error:
            raise _dropped(self.name, error) from error

    def _fetch(self, number: int, timeout_s: float) -> tuple[int, bytes, int] | None:
        """(question's number, answer, when it was whole); None if none came in time."""
        from pyvisa.errors import VisaIOError

        try:
            self._resource.timeout = max(1, round(timeout_s * 1000))
            return number, bytes(self._resource.read_raw()), self._now()
        except VisaIOError as error:
            if error.abbreviation != "VI_ERROR_TMO":
                raise _dropped(self.name, error) from error
        except Exception as error:
            raise _dropped(self.name, error) from error
        self._forget_late_answer()
        return None

    def _forget_late_answer(self) -> None:
        if not _SOCKET.fullmatch(self._resource_name):
            try:
                self._resource.clear()
                return
            except Exception:  # this kind of session knows no clear, or does not answer even that
                pass
        self._close()
        self._open()


def _unreachable(port: str, error: BaseException) -> PortError:
    said = str(error) or type(error).__name__
    if "PyUSB" in said or "No module named 'usb'" in said:
        return PortError(f"{port}: USBTMC needs one more library: pip install 'benchd[usb]' (it brings PyUSB)")
    return PortError(
        f"{port}: cannot be reached: {said}. Check cable, power and address; `benchd meters --visa` lists what answers."
    )


def _dropped(port: str, error: BaseException) -> PortError:
    return PortError(f"{port}: the connection was lost ({str(error) or type(error).__name__}). Check cable and power.")
