"""The journal copied while it is written, and put back. No file is ever written over or thrown away."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

from benchd import journal_disk as disk
from benchd.errors import StoreError
from benchd.journal_verify import verify

FOLDER = "backups"
#: What a copy leaves free on the journal's own disk.
LEAVE_FREE_BYTES = 64 * 1024 * 1024


def default_target(path: Path) -> Path:
    """A new name in the folder `backups` beside the journal."""
    return path.parent / FOLDER / f"journal-{datetime.now(UTC):%Y%m%d-%H%M%S-%f}.sqlite"


def backup(path: Path, target: Path) -> None:
    """Copy the journal at `path` to `target`, which must not exist; checked and on the disk on return. StoreError.

    The copy is what was committed at one moment. Writers are not held up.
    """
    try:
        if not path.exists():
            raise StoreError(f"{path}: there is no journal here yet: nothing to back up")
        target.parent.mkdir(parents=True, exist_ok=True)
        part = target.with_name(f"{target.name}.{uuid4().hex[:8]}.part")
        _see_room(path, target)
        try:
            _copy(path, part)
            _check(part, newest=1)
            _put(part, target)
        finally:
            part.unlink(missing_ok=True)
    except (OSError, sqlite3.Error) as error:
        raise disk.trouble(target, error) from error


def restore(path: Path, source: Path) -> Path | None:
    """Put a backup in the journal's place, with benchd stopped; where the old journal was moved to. StoreError.

    The backup is verified whole and stays as it is. Cursors of forwarders begin anew: see JournalReader.generation.
    """
    part = path.with_name(f"{path.name}.{uuid4().hex[:8]}.part")
    try:
        _see_nobody(path)
        _check(source)
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            _copy(source, part)
            with closing(disk.connect(part)) as db:
                with disk.transaction(db):
                    db.execute("INSERT OR REPLACE INTO identity VALUES ('generation', ?)", (uuid4().hex,))
                db.execute("PRAGMA journal_mode=DELETE")
            moved = _move_away(path)
            _put(part, path)
        finally:
            part.unlink(missing_ok=True)
    except (OSError, sqlite3.Error) as error:
        raise disk.trouble(path, error) from error
    return moved


def _see_room(path: Path, target: Path) -> None:
    size = path.stat().st_size
    same_disk = path.stat().st_dev == target.parent.stat().st_dev
    wanted = size + (LEAVE_FREE_BYTES if same_disk else 0)
    free = shutil.disk_usage(target.parent).free
    if free < wanted:
        raise StoreError(
            f"{target}: a backup wants {wanted / 1e6:.0f} MB, {free / 1e6:.0f} MB are free on this disk: "
            "make room, or give a target on another disk"
        )


def _copy(source: Path, part: Path) -> None:
    """One read of the whole file: in write-ahead mode that holds no writer up, and is not begun anew by one."""
    found = disk.connect_to_read(source)
    if found is None:
        raise StoreError(f"{source}: nothing is in it yet")
    os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644))
    with closing(found[0]) as old, closing(sqlite3.connect(part, isolation_level=None)) as new:
        old.backup(new, pages=-1)
        new.execute("PRAGMA journal_mode=DELETE")  # one file, readable from any medium


def _check(part: Path, newest: int | None = None) -> None:
    """StoreError unless the file is a journal in which nothing is amiss."""
    for finding in verify(part, {}, newest):
        raise StoreError(f"{part.name}: this copy is not in order: {finding}; see `benchd verify`")


def _put(part: Path, target: Path) -> None:
    """Give the finished file its name, which nobody may have, and have both on the disk."""
    _sync(part)
    if hasattr(os, "link"):
        try:
            os.link(part, target)
        except FileExistsError:
            raise StoreError(f"{target}: is there already, and is not written over: give another name") from None
        except OSError:  # a disk without links
            _rename(part, target)
    else:
        _rename(part, target)
    with suppress(OSError):  # Windows cannot, and does not need it
        _sync(target.parent)


def _rename(part: Path, target: Path) -> None:
    if target.exists():
        raise StoreError(f"{target}: is there already, and is not written over: give another name")
    part.rename(target)


def _sync(path: Path) -> None:
    file = os.open(path, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)


def _see_nobody(path: Path) -> None:
    """StoreError while a daemon or a run is under way here."""
    lock = path.parent / "daemon.lock"
    if not disk.is_dead(lock.parent, lock.name):
        raise StoreError(f"{path}: the daemon works with this journal: stop it, then put the backup back")
    live = path.with_name(path.name + "-live")
    signs = list(live.iterdir()) if live.is_dir() else []
    for sign in signs:
        if not disk.is_dead(live, sign.name):
            raise StoreError(f"{path}: process {sign.name.split('-')[0]} conducts a run here: let it end first")


def _move_away(path: Path) -> Path | None:
    """Rename the old journal with what belongs to it."""
    if not path.exists():
        return None
    moved = path.with_name(f"{path.name}.before-restore-{datetime.now(UTC):%Y%m%d-%H%M%S-%f}")
    # A sound one becomes a single file; a damaged one is moved as it is.
    with suppress(sqlite3.Error, StoreError), closing(disk.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    for ending in ("-wal", "-shm", ""):
        one = path.with_name(path.name + ending)
        if one.exists():
            one.rename(moved.with_name(moved.name + ending))
    return moved
