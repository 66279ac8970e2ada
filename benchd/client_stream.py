"""The records of a run from a daemon, live, over a connection that may break as often as it likes.

Every record is handed out once and in order: after a break the stream is asked for from the last record on.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from benchd.client import Client, error_of, untrusted
from benchd.errors import AccessError, BenchdError, BusyError, NotFoundError, PortError, StoreError
from benchd.plaintext import harmless

if TYPE_CHECKING:
    from websockets.asyncio.client import ClientConnection
    from websockets.exceptions import ConnectionClosed, InvalidStatus

Record = dict[str, Any]
#: Says a line for people: (what, text); what is 'away' or 'ended' when the daemon was lost, 'notice' otherwise.
Tell = Callable[[str, str], None]

GIVE_UP_S = 120.0
GONE_S = 30.0  # a daemon that has ended is given so long to be started again
TELL_S = 1.0  # a shorter absence is nobody's business
BACK_OFF_S = (0.2, 2.0)  # first and longest
SILENT_S = 5.0
_OPEN_S = 10.0
_PING_S = 10.0  # a daemon that is cut off without a word is missed after two of them
_MOST_BYTES = 16 * 1024 * 1024


class Cut(Exception):
    """The connection ended before the run did; asking again may help."""


async def stream(
    client: Client,
    run: str,
    after: int = 0,
    *,
    give_up_s: float = GIVE_UP_S,
    gone_s: float = GONE_S,
    bench: str | None = None,
    said: Tell = lambda kind, text: None,
) -> AsyncIterator[Record]:
    """The records of `run` beyond seq `after`, until the one that closes it. `said` takes a line for people.
    `bench` is the slug of the bench on which the daemon conducts it: should it fall silent there, it is looked after.

    PortError if the daemon was not reached for `give_up_s`; StoreError if it has ended and was not started again within
    `gone_s`, or conducts the run no more without having closed it; NotFoundError, AccessError as it said.
    """
    loop = asyncio.get_running_loop()
    cursor, heard, wait_s, lost = after, loop.time(), BACK_OFF_S[0], False
    while True:
        try:
            async for record in _connected(client, run, cursor, bench):
                heard = loop.time()
                if lost:
                    lost = False
                    said("notice", f"{client.who} is back")
                if record is None:
                    continue
                cursor, wait_s = int(record["seq"]), BACK_OFF_S[0]
                yield record
                heard = loop.time()  # whoever takes the records may have taken his time
                if record.get("kind") == "run-closed":
                    return
            return
        except AccessError:
            if not await asyncio.to_thread(client.look_again):  # started again, a daemon has another key
                raise
        except Cut as cut:
            away_s, ended = loop.time() - heard, client.has_ended()
            if away_s > give_up_s or (ended and away_s > gone_s):
                raise _lost(client, run, away_s, ended=ended) from cut
            if not lost and away_s > TELL_S:
                lost = True
                said(*_away(client, cut, ended=ended))
        await asyncio.sleep(wait_s * random.uniform(0.5, 1.0))
        wait_s = min(wait_s * 2, BACK_OFF_S[1])
        await asyncio.to_thread(client.look_again)


def _away(client: Client, cut: Cut, *, ended: bool) -> tuple[str, str]:
    if ended:
        return "ended", f"{client.who} HAS ENDED and judges no more: close the throttle. Waiting for it to be started"
    return "away", f"{client.who} is out of reach ({cut}); trying again, the run goes on there"


def _lost(client: Client, run: str, away_s: float, *, ended: bool) -> BenchdError:
    if ended:
        return StoreError(
            f"{client.who} has ended and was not started again within {away_s:.0f} s. What run {run} took is kept; judge "
            f"it with: benchd rejudge {run}"
        )
    return PortError(
        f"{client.who} was not reached for {away_s:.0f} s. Run {run} goes on there if the daemon does, and what it took "
        f"is kept; see it again with: benchd watch --run {run}"
    )


async def _connected(client: Client, run: str, after: int, bench: str | None) -> AsyncIterator[Record | None]:
    """Records beyond `after` over one connection; None once it stands, and for a message without news. Cut when it
    breaks."""
    import ssl

    from websockets.asyncio.client import connect
    from websockets.exceptions import ConnectionClosed, InvalidHandshake, InvalidStatus

    url = f"ws{client.url.removeprefix('http')}/v1/runs/{quote(run, safe='')}/stream?after={after}"
    headers = client.headers()
    agent = headers.pop("User-Agent")
    opening = connect(
        url, additional_headers=headers, user_agent_header=agent, ssl=client.tls(), proxy=None, compression=None,
        open_timeout=_OPEN_S, close_timeout=1.0, ping_interval=_PING_S, ping_timeout=_PING_S, max_size=_MOST_BYTES,
    )  # fmt: skip
    opening.process_redirect = _stay  # type: ignore[assignment,method-assign]  # the token goes to nobody else
    try:
        async with opening as socket:
            yield None
            while True:
                text = await _received(socket)
                if text is None:
                    await asyncio.to_thread(_look_after, client, run, bench)
                    continue
                records, still_open = _message(text, after)
                for record in records:
                    after = int(record["seq"])
                    yield record
                if not records:
                    yield None
                if not still_open:
                    return
    except InvalidStatus as error:
        raise _refused(error, client) from error
    except ConnectionClosed as error:
        raise _closed(error, client, run) from error
    except ssl.SSLCertVerificationError as error:
        raise untrusted(client.url, error) from error
    except (OSError, InvalidHandshake, TimeoutError, EOFError) as error:
        raise Cut(_why(error)) from error


async def _received(socket: ClientConnection) -> str | bytes | None:
    """The next message; None if there was none for SILENT_S."""
    try:
        async with asyncio.timeout(SILENT_S):
            return await socket.recv()
    except TimeoutError:
        return None


def _look_after(client: Client, run: str, bench: str | None) -> None:
    """A run under way says something every second. StoreError if the daemon has ended one that it could not close:
    its journal takes nothing any more, so neither do its watchers hear of it."""
    if bench is None:
        return
    try:
        if client.bench(bench)["run"] == run or client.run(run)["status"] is not None:
            return
    except BenchdError as error:  # the stream itself will tell
        raise Cut(str(error)) from error
    raise StoreError(
        f"{client.who} conducts run {run} no more and could not close it: its journal cannot be written. CLOSE THE "
        "THROTTLE. What was kept until then is kept; for the cause see: benchd status"
    )


def _why(error: Exception) -> str:
    if isinstance(error, OSError) and error.errno:
        return os.strerror(error.errno).lower()
    return harmless(error) or type(error).__name__


def _stay(error: Exception) -> Exception:
    return error


def _message(text: str | bytes, after: int) -> tuple[list[Record], bool]:
    """(the records beyond `after`, whether more may come). PortError for what is no message of the stream."""
    try:
        found = json.loads(text)
        records = [one for one in found["records"] if int(one["seq"]) > after]
        return records, bool(found["open"])
    except (ValueError, KeyError, TypeError) as error:
        raise PortError("the daemon's stream says what no benchd says: is it of another version?") from error


def _refused(error: InvalidStatus, client: Client) -> Exception:
    """The opening was answered with an HTTP status: for good, or for now."""
    status = error.response.status_code
    told = error_of(status, bytes(error.response.body or b""), client.url)
    if status in (401, 403, 404) or (400 <= status < 500 and not isinstance(told, BusyError)):
        return told
    return Cut(str(told))


def _closed(error: ConnectionClosed, client: Client, run: str) -> Exception:
    """The connection was closed: by the daemon for a reason that stays, or by an accident."""
    code = None if error.rcvd is None else error.rcvd.code
    reason = "" if error.rcvd is None else harmless(error.rcvd.reason)
    kinds: dict[int, type[BenchdError]] = {1008: AccessError, 4401: AccessError, 4403: AccessError, 4404: NotFoundError}
    if code in kinds:
        return kinds[code](reason or f"{client.who} does not show run {run} to this token")
    return Cut(reason or "the connection broke")
