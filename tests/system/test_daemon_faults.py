"""The real daemon, its instruments, store and broker as processes, and what may befall each. Few rounds of everything;
tests/bench/faults.py does many and prints the table that stands in the README."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("pseudo-terminals and signals", allow_module_level=True)

import fault_house as house
import fault_kills as kills


def test_a_daemon_killed_at_any_moment_has_lost_nothing_that_was_committed(tmp_path: Path) -> None:
    found = kills.kill_daemon(tmp_path, 5, 1.0)
    assert found["samples"] > 5


def test_a_store_that_dies_or_hangs_gets_everything_in_the_end(tmp_path: Path) -> None:
    assert kills.trouble_store(tmp_path, 1, 2.5)["samples"] > 20


def test_a_store_that_refuses_in_every_way_holds_up_no_run(tmp_path: Path) -> None:
    assert kills.refusing_store(tmp_path, 0.4)["quarantined"] == 1


async def test_verdicts_outlast_a_broker_that_dies_or_hangs(tmp_path: Path) -> None:
    assert (await kills.trouble_broker(tmp_path, 1, 3.0))["verdicts"] == 3


def test_an_unplugged_instrument_is_named_and_comes_back(tmp_path: Path) -> None:
    assert house.unplugged(tmp_path, 1)["back"] == 4


def test_a_full_disk_ends_the_runs_and_room_is_enough_to_go_on(tmp_path: Path) -> None:
    assert house.disk_full(tmp_path, 1)["runs ended with the reason"] == 2


def test_a_disk_that_turns_read_only_keeps_what_it_had(tmp_path: Path) -> None:
    assert house.disk_read_only(tmp_path)["witnessed"] > 20


def test_a_signal_ends_it_in_time_whatever_hangs(tmp_path: Path) -> None:
    assert house.signals(tmp_path, [signal.SIGTERM, signal.SIGINT])["longest_s"] < 5.0


def test_what_another_program_holds_is_named_and_the_rest_goes_on(tmp_path: Path) -> None:
    assert house.held(tmp_path)["others went on"] == 3


def test_a_clock_put_back_mixes_nothing_up(tmp_path: Path) -> None:
    assert house.clock_back(tmp_path)["samples"] >= 806


def test_hostile_callers_hold_up_no_run(tmp_path: Path) -> None:
    assert house.hostile(tmp_path, 3.0)["hostile requests"] > 50
