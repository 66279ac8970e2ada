"""The real daemon, its instruments, store and broker as processes, and what may befall each. Few rounds of everything;
tests/bench/faults.py does many and prints the table that stands in the README."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals and signals", allow_module_level=True)

import fault_kills as kills


def test_a_daemon_killed_at_any_moment_has_lost_nothing_that_was_committed(tmp_path: Path) -> None:
    found = kills.kill_daemon(tmp_path, 6)
    assert found["samples"] > 30


def test_a_store_that_dies_or_hangs_gets_everything_in_the_end(tmp_path: Path) -> None:
    assert kills.trouble_store(tmp_path, 1, 2.5)["samples"] > 20


def test_a_store_that_refuses_in_every_way_holds_up_no_run(tmp_path: Path) -> None:
    assert kills.refusing_store(tmp_path, 0.4)["quarantined"] == 1


async def test_verdicts_outlast_a_broker_that_dies_or_hangs(tmp_path: Path) -> None:
    assert (await kills.trouble_broker(tmp_path, 1, 3.0))["verdicts"] == 3
