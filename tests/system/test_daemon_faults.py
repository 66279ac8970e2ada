"""The real daemon, its instruments, store and broker as processes, and what may befall each. Few rounds of everything;
tests/bench/faults.py does many and prints the table that stands in the README."""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Awaitable
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals and signals", allow_module_level=True)

import fault_house as house
import fault_kills as kills


def test_a_daemon_killed_at_any_moment_has_lost_nothing_that_was_committed(tmp_path: Path) -> None:
    found = kills.kill_daemon(tmp_path, 5, 1.0)
    assert found["samples"] > 5


async def test_what_it_forwards_to_may_die_hang_or_refuse(tmp_path: Path) -> None:
    """A store that dies or hangs gets everything in the end, one that refuses in every way holds up no run, and verdicts
    outlast a broker that dies or hangs. Three daemons, since there is much waiting in each."""
    folders = [tmp_path / name for name in ("dies", "refuses", "broker")]
    for one in folders:
        one.mkdir()
    dies, refuses, broker = await side_by_side(
        asyncio.to_thread(kills.trouble_store, folders[0], 1, 2.5),
        asyncio.to_thread(kills.refusing_store, folders[1], 0.4),
        kills.trouble_broker(folders[2], 1, 3.0),
    )
    assert dies["samples"] > 20
    assert refuses["quarantined"] == 1
    assert broker["verdicts"] == 3


async def side_by_side(*cases: Awaitable[kills.Counts]) -> list[kills.Counts]:
    """What each came to. All are waited for; one that is skipped for want of a program skips none of the others."""
    done = await asyncio.gather(*cases, return_exceptions=True)
    troubles = [one for one in done if isinstance(one, BaseException)]
    for trouble in sorted(troubles, key=lambda one: isinstance(one, pytest.skip.Exception)):
        raise trouble
    return [one for one in done if not isinstance(one, BaseException)]


def test_an_unplugged_instrument_is_named_and_comes_back(tmp_path: Path) -> None:
    assert house.unplugged(tmp_path, 1)["back"] == 4


async def test_a_disk_that_gets_full_or_read_only_ends_the_runs_and_loses_nothing(tmp_path: Path) -> None:
    """With room the daemon goes on; what was shown before the disk turned read-only is there afterwards."""
    folders = [tmp_path / name for name in ("full", "read-only")]
    for one in folders:
        one.mkdir()
    full, read_only = await side_by_side(
        asyncio.to_thread(house.disk_full, folders[0], 1), asyncio.to_thread(house.disk_read_only, folders[1])
    )
    assert full["runs ended with the reason"] == 2
    assert read_only["witnessed"] > 20


def test_a_signal_ends_it_in_time_whatever_hangs(tmp_path: Path) -> None:
    assert house.signals(tmp_path, [signal.SIGTERM, signal.SIGINT])["longest_s"] < 5.0


def test_what_another_program_holds_is_named_and_the_rest_goes_on(tmp_path: Path) -> None:
    assert house.held(tmp_path)["others went on"] == 3


def test_a_clock_put_back_mixes_nothing_up(tmp_path: Path) -> None:
    assert house.clock_back(tmp_path)["samples"] >= 806


def test_hostile_callers_hold_up_no_run(tmp_path: Path) -> None:
    assert house.hostile(tmp_path, 3.0)["hostile requests"] > 50
