"""Demos made ahead, two at a time, for test_demo.py: a demo does little but wait for its meters."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterable
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path

Made = tuple[int, str, str]  # exit code, stdout, stderr


def make(home: str, words: tuple[str, ...]) -> Made:
    """The command in this process; it is used again, which spares the second in which numpy and scipy are imported."""
    from click.testing import CliRunner

    from benchd.cli import cli

    done = CliRunner().invoke(cli, words, env={"BENCHD_HOME": home})
    return done.exit_code, done.stdout, done.stderr


class Kitchen:
    """Makes what was ordered in the order in which it was ordered."""

    def __init__(self) -> None:
        self._pool = ProcessPoolExecutor(2, multiprocessing.get_context("spawn"))
        self._ordered: dict[str, Future[Made]] = {}

    def order(self, name: str, home: Path, words: Iterable[str]) -> None:
        self._ordered[name] = self._pool.submit(make, str(home), tuple(words))

    def serve(self, name: str) -> Made:
        return self._ordered[name].result(timeout=110)

    def close(self) -> None:
        self._pool.shutdown(cancel_futures=True)
