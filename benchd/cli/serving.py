"""A daemon's life, from its lock to its last word: what `benchd serve` does."""

from __future__ import annotations

import asyncio
import gc
import logging
import os
import secrets
import signal
import sys
import threading
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchd import journal as journals
from benchd.clock import Clock
from benchd.daemon.daemon import Daemon
from benchd.daemon.lock import DaemonLock, Holder
from benchd.daemon.loop import loop_for
from benchd.daemon.notify import notify
from benchd.daemon.station import Technicians
from benchd.errors import ConfigError, StoreError
from benchd.plaintext import harmless, harmless_lines
from benchd.server.serve import HttpServer, check_reachable
from benchd.server.tokens import TokenStore
from benchd.site import ServerSettings, Site
from benchd.site_secrets import check_files

log = logging.getLogger("benchd")

#: A service manager is promised an end within 5 s. What has not let go by then is left behind: the journal is safe.
STOP_S, LAST_S = 4.0, 4.8
FILES = 16_384
CREDENTIALS = "/run/credentials/"  # systemd's, there while its service runs
LOCAL_KEY = "local-key"
TOKENS = "tokens.json"

Say = Callable[[str], None]


def run_serving(work: Coroutine[Any, Any, None], instruments: int) -> None:
    """Run `serve` or `serving_demo.serve_demo` in a process that suits so many instruments."""
    _prepare_process()
    with asyncio.Runner(loop_factory=lambda: loop_for(instruments)) as runner:
        runner.run(work)


def check(site: Site, say: Say) -> None:
    """What serve() would refuse before it opens a port, without taking the home's lock. ConfigError.

    What only a service has (its credentials, its environment) is named as not looked at.
    """
    wrong: list[str] = []
    try:
        check_files(site)
    except ConfigError as error:
        wrong += str(error).splitlines()
    try:
        check_reachable(site.server, TokenStore(journals.home() / TOKENS))
    except ConfigError as error:
        wrong += str(error).splitlines()
    elsewhere = [line for line in wrong if CREDENTIALS in line or line.startswith("environment variable ")]
    for line in elsewhere:
        say(f"not to be looked at from here, only as the service: {line}")
    if left := [line for line in wrong if line not in elsewhere]:
        raise ConfigError("\n".join(dict.fromkeys(left)))
    for warning in site.warnings:
        say(f"warning: {warning}")


def _prepare_process() -> None:
    """Files that other users of the computer can neither read nor lock. Open files for a hall full of instruments, as far
    as this user may have them. And a garbage collector that comes seldom: records are many and short-lived, and what was
    imported stays."""
    os.umask(0o077)
    with suppress(ImportError, OSError, ValueError):  # Windows has no limit of this kind
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        wanted = FILES if hard == resource.RLIM_INFINITY else min(FILES, hard)
        if soft != resource.RLIM_INFINITY and soft < wanted:
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


async def serve(
    site: Site,
    *,
    listen: str | None = None,
    say: Say,
    clock: Clock | None = None,
    technicians: Technicians | None = None,
) -> None:
    """Serve until SIGTERM, SIGINT or SIGHUP. ConfigError, StoreError or PortError before it is up."""
    _log_to_stderr()
    home = journals.home()
    if listen is not None:
        site = replace(site, server=_at(site.server, listen))
    check_files(site)
    tokens = TokenStore(home / TOKENS)
    check_reachable(site.server, tokens)
    since = datetime.now(UTC).isoformat(timespec="milliseconds")
    holder = Holder(os.getpid(), site.name, "", since)
    lock = DaemonLock(home, holder)
    try:
        with journals.Journal(home / journals.FILE_NAME) as journal:
            daemon = Daemon(site, journal, home, clock=clock, technicians=technicians, key_of=tokens.signing_key)
            signalled = _catch_signals()
            async with _listening(daemon, tokens, home) as server:
                ca = None if site.server.certificate is None else str(site.server.certificate)
                lock.tell(replace(holder, daemon=daemon.id, url=server.url, ca=ca))
                _told_up(daemon, server.url, say)
                said = await signalled
                notify(STOPPING="1", STATUS=f"stopping ({said})")
                log.info("stopping (%s)", said)
                _leave_within(LAST_S)
                await asyncio.wait(
                    {asyncio.ensure_future(daemon.stop(f"the daemon was told to stop ({said})"))}, timeout=STOP_S
                )
    finally:
        with suppress(OSError):  # a disk that turned read-only; the next start makes another key
            (home / LOCAL_KEY).unlink()
        lock.release()
    log.info("stopped")


@asynccontextmanager
async def _listening(daemon: Daemon, tokens: TokenStore, home: Path) -> AsyncIterator[HttpServer]:
    async with daemon:
        server = HttpServer(daemon, daemon.site.server, tokens, _new_local_key(home))
        await server.start()
        try:
            yield server
        finally:
            await server.stop(1.0)


def _told_up(daemon: Daemon, url: str, say: Say) -> None:
    benches = ", ".join(daemon.bench_names())
    notify(READY="1", STATUS=f"serving {benches} at {url}")
    for warning in daemon.warnings():
        log.warning("%s", warning)
    say(f"{daemon.name} ({daemon.id}) serves {benches} at {url}")
    say("run one with: benchd run; look with: a browser there, benchd status, benchd watch; end with Ctrl-C")


def _catch_signals() -> asyncio.Future[str]:
    """The name of the signal that ends the daemon, once it has come. A second one ends the process at once."""
    loop = asyncio.get_running_loop()
    told: asyncio.Future[str] = loop.create_future()

    def tell(name: str) -> None:
        if told.done():
            os._exit(130)
        told.set_result(name)

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if (number := getattr(signal, name, None)) is not None:
            try:
                loop.add_signal_handler(number, tell, name)
            except NotImplementedError:  # Windows: Ctrl-C comes as KeyboardInterrupt, and the journal is safe then too
                continue
    return told


def _leave_within(limit_s: float) -> None:
    """A hung serial driver or request keeps a thread, and Python would wait for it for ever."""

    def leave() -> None:
        log.error("something did not let go within %.1f s and is left behind", limit_s)
        logging.shutdown()
        os._exit(0)

    timer = threading.Timer(limit_s, leave)
    timer.daemon = True
    timer.start()


def _new_local_key(home: Path) -> str:
    """The key of this start for this user's own commands on this computer, in a file that nobody else can read."""
    key = secrets.token_urlsafe(32)
    path = home / LOCAL_KEY
    try:
        path.unlink(missing_ok=True)
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(file, "w", encoding="ascii") as out:
            out.write(key + "\n")
    except OSError as error:
        raise StoreError(f"{path}: cannot be written ({error.strerror}): check the folder and the disk") from error
    return key


def _at(settings: ServerSettings, listen: str) -> ServerSettings:
    host, _, port = listen.rpartition(":")
    if not host or not port.isdigit() or int(port) > 65535:
        raise ConfigError(f"--listen: found {listen!r}, expected HOST:PORT, such as 127.0.0.1:8477")
    return replace(settings, host=host.strip("[]"), port=int(port))


def _log_to_stderr() -> None:
    """One line a fact. A service manager stamps the lines itself."""
    form = "%(levelname)s %(name)s: %(message)s"
    if "JOURNAL_STREAM" not in os.environ:
        form = "%(asctime)s " + form
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Harmless(form))
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
    for noisy in ("urllib3", "pymodbus", "pyvisa", "Rx", "mqtt"):
        logging.getLogger(noisy).setLevel(logging.WARNING)


class _Harmless(logging.Formatter):
    """What an instrument, a broker or a person wrote may be in an error: it forges no line and moves no cursor."""

    def formatMessage(self, record: logging.LogRecord) -> str:
        record.message = harmless(record.message)
        return super().formatMessage(record)

    def format(self, record: logging.LogRecord) -> str:
        return harmless_lines(super().format(record))
