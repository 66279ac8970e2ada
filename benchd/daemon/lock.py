"""One daemon a home: a locked file that says who holds it and where it listens. The system unlocks it at any death."""

from __future__ import annotations

import json
import os
import time
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

from benchd.errors import StoreError
from benchd.filelock import try_lock

FILE_NAME = "daemon.lock"
#: Whoever only looks holds a shared lock for microseconds; a daemon that starts in that moment tries again.
TRY_FOR_S = 0.5
#: Whoever holds it says so at once; on a busy computer a little later.
SPEAKS_WITHIN_S = 0.3


@dataclass(frozen=True, slots=True)
class Holder:
    """The daemon that is up. `url` is None until it listens; `ca` is the certificate that a client must trust."""

    pid: int
    name: str
    daemon: str
    since: str
    url: str | None = None
    ca: str | None = None


class DaemonLock:
    """Held from construction to release(). StoreError says who holds it, or why it cannot be made."""

    def __init__(self, home: Path, holder: Holder) -> None:
        self._path = home / FILE_NAME
        try:
            home.mkdir(0o700, parents=True, exist_ok=True)
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o644)
        except OSError as error:
            raise StoreError(
                f"{self._path}: cannot be made ({error.strerror}): check BENCHD_HOME and the folder"
            ) from error
        deadline = time.monotonic() + TRY_FOR_S
        while not try_lock(self._file):
            if time.monotonic() > deadline:
                os.close(self._file)
                raise StoreError(_taken(home))
            time.sleep(0.02)
        self.tell(holder)

    def tell(self, holder: Holder) -> None:
        """Say (anew) who holds it: in one write over what stood there, since whoever reads meanwhile must find somebody."""
        text = json.dumps(asdict(holder)).encode()
        try:
            text = text.ljust(os.fstat(self._file).st_size)  # no rest of a longer text behind it
            os.lseek(self._file, 0, os.SEEK_SET)
            os.write(self._file, text)
        except OSError as error:
            raise StoreError(f"{self._path}: cannot be written ({error.strerror}): check the disk") from error

    def release(self) -> None:
        with suppress(OSError):
            os.ftruncate(self._file, 0)
        os.close(self._file)


def read_holder(home: Path) -> Holder | None:
    """Who is up in this home, or None."""
    path = home / FILE_NAME
    try:
        file = os.open(path, os.O_RDONLY)
    except OSError:
        return None
    try:
        deadline = time.monotonic() + SPEAKS_WITHIN_S
        while not try_lock(file, shared=True):
            os.lseek(file, 0, os.SEEK_SET)
            found = _holder(os.read(file, 65536))
            if found is not None or time.monotonic() > deadline:
                return found
            time.sleep(0.01)
        return None
    finally:
        os.close(file)


def _holder(text: bytes) -> Holder | None:
    try:
        return Holder(**json.loads(text))
    except (ValueError, TypeError):  # it has been locked this very moment and says nothing yet
        return None


def _taken(home: Path) -> str:
    holder = read_holder(home)
    who = (
        "another daemon"
        if holder is None
        else f"the daemon {holder.name!r} (process {holder.pid}, up since {holder.since})"
    )
    where = "" if holder is None or holder.url is None else f" at {holder.url}"
    return f"{home}: {who}{where} serves from this folder already. Stop it first, or set BENCHD_HOME to a folder of its own"
