"""One daemon a home, and everybody can read who it is."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from benchd.daemon.lock import FILE_NAME, DaemonLock, Holder, read_holder
from benchd.errors import StoreError

HOLDER = Holder(4711, "Tessel Lane", "tessel-lane-3f9a2c1b", "2026-11-25T08:00:00.000+00:00", "http://127.0.0.1:8477")


def test_a_second_daemon_is_refused_and_told_who_holds_the_folder(tmp_path: Path) -> None:
    lock = DaemonLock(tmp_path, HOLDER)
    with pytest.raises(StoreError, match=r"'Tessel Lane' \(process 4711, up since 2026-11-25.*8477.*BENCHD_HOME"):
        DaemonLock(tmp_path, HOLDER)
    lock.release()
    DaemonLock(tmp_path, HOLDER).release()


def test_the_holder_is_read_while_it_lives_and_not_after(tmp_path: Path) -> None:
    assert read_holder(tmp_path) is None
    lock = DaemonLock(tmp_path, HOLDER)
    assert read_holder(tmp_path) == HOLDER
    lock.tell(Holder(1, "x", "x-1", "now"))
    assert read_holder(tmp_path) == Holder(1, "x", "x-1", "now")
    lock.release()
    assert read_holder(tmp_path) is None


def test_nobody_reads_an_empty_file_while_the_holder_speaks(tmp_path: Path) -> None:
    """A daemon says twice who it is: before it listens and after. Whoever looks in between must not begin another."""
    short, long = Holder(1, "x", "x-1", "now"), replace(HOLDER, ca="c" * 300)
    lock, seen, over = DaemonLock(tmp_path, long), [], threading.Event()

    def look() -> None:
        while not over.is_set():
            seen.append((tmp_path / FILE_NAME).read_bytes())

    looking = threading.Thread(target=look)
    looking.start()
    for _ in range(500):
        lock.tell(short)
        lock.tell(long)
    over.set()
    looking.join()
    assert len(seen) > 10
    assert all(Holder(**json.loads(one)) in (short, long) for one in seen)
    lock.release()


def test_who_locks_the_file_may_speak_a_moment_later(tmp_path: Path) -> None:
    lock = DaemonLock(tmp_path, HOLDER)
    text = (tmp_path / FILE_NAME).read_bytes()
    (tmp_path / FILE_NAME).write_bytes(b"")
    late = threading.Timer(0.05, (tmp_path / FILE_NAME).write_bytes, [text])
    late.start()
    assert read_holder(tmp_path) == HOLDER
    late.join()
    lock.release()


def test_a_killed_holder_holds_nothing(tmp_path: Path) -> None:
    code = (
        "import sys, time; from pathlib import Path; from benchd.daemon.lock import *\n"
        "DaemonLock(Path(sys.argv[1]), Holder(1, 'a', 'a-1', 'now')); print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "held\n"
        assert read_holder(tmp_path) is not None
        os.kill(child.pid, signal.SIGKILL)
        child.wait()
    assert read_holder(tmp_path) is None
    DaemonLock(tmp_path, HOLDER).release()


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match=r"file.*BENCHD_HOME"):
        DaemonLock(tmp_path / "file", HOLDER)


def test_garbage_in_the_file_is_nobody(tmp_path: Path) -> None:
    lock = DaemonLock(tmp_path, HOLDER)
    (tmp_path / FILE_NAME).write_bytes(b"\x00{")
    assert read_holder(tmp_path) is None
    lock.release()


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
def test_other_users_of_the_computer_can_neither_read_nor_lock_what_a_daemon_makes(tmp_path: Path) -> None:
    code = """
import asyncio, os, sys
from pathlib import Path
os.umask(0o022)
from benchd.cli.serving import run_serving
from benchd.daemon.lock import DaemonLock, Holder
from benchd.forward.store import ForwardStore
from benchd.journal import Journal
home = Path(sys.argv[1])
async def work():
    lock = DaemonLock(home, Holder(1, "a", "a-1", "now"))
    with Journal(home / "journal.sqlite") as journal:
        journal.daemon_id("a")
        ForwardStore(home / "forward.sqlite").close()
run_serving(work(), 0)
"""
    home = tmp_path / "home"
    subprocess.run([sys.executable, "-c", code, str(home)], check=True, timeout=60)
    found = [home, *home.rglob("*")]
    assert len(found) > 3
    assert [str(one) for one in found if one.stat().st_mode & 0o077] == []
