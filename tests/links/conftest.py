"""Nothing that a test opens may outlive it."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import pytest_asyncio
from wires import PtyMeter


def open_files() -> dict[str, str]:
    """File descriptors that are ports, pseudo-terminals or sockets, with what they are."""
    found = {}
    for descriptor in Path("/proc/self/fd").glob("*"):
        try:
            target = os.readlink(descriptor)
        except OSError:
            continue
        if target.startswith(("/dev/pts/", "/dev/ptmx", "/dev/tty", "socket:")):
            found[descriptor.name] = target
    return found


def benchd_threads() -> set[str]:
    return {thread.name for thread in threading.enumerate() if thread.name.startswith("benchd ")}


@pytest.fixture(autouse=True)
def no_thread_outlives_its_test() -> Iterator[None]:
    yield
    until = time.monotonic() + 3
    while benchd_threads() and time.monotonic() < until:
        time.sleep(0.01)
    assert not benchd_threads()


@pytest_asyncio.fixture(autouse=True)
async def no_task_or_port_outlives_its_test(no_thread_outlives_its_test: None) -> AsyncIterator[None]:
    tasks, files = asyncio.all_tasks(), open_files()
    yield
    until = time.monotonic() + 3
    while (leaks := left_over(tasks, files)) and time.monotonic() < until:  # noqa: ASYNC110
        await asyncio.sleep(0.01)
    assert not leaks


def left_over(tasks: set[asyncio.Task[object]], files: dict[str, str]) -> list[str]:
    known = tasks | {asyncio.current_task()}
    running = [str(task) for task in asyncio.all_tasks() if task not in known and not task.done()]
    return running + [f"{number}: {target}" for number, target in open_files().items() if files.get(number) != target]


@pytest.fixture
def pty_meter(tmp_path: Path) -> Iterator[PtyMeter]:
    meter = PtyMeter(tmp_path / "meter")
    meter.plug_in()
    yield meter
    meter.unplug()
