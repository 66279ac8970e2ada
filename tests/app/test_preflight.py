"""What is refused before the engine starts, and that everything wrong is told at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from bench_files import BENCH, MACHINE

from benchd import preflight
from benchd.config import Bench, load_bench, load_spec
from benchd.core import procedures
from benchd.core.specs import MachineSpec
from benchd.errors import ConfigError, PortError


@pytest.fixture
def spec(tmp_path: Path) -> MachineSpec:
    path = tmp_path / "machine.toml"
    path.write_text(MACHINE)
    return load_spec(path)


def bench_of(tmp_path: Path, *, max_amps: float = 20.0, max_volts: float = 100.0, shunt: str = "") -> Bench:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.format(max_amps=max_amps, max_volts=max_volts, shunt=shunt))
    return load_bench(path)


def checked(bench: Bench, spec: MachineSpec, name: str) -> None:
    known, timing = preflight.known_of(bench, None, preflight.poles_of(spec))
    preflight.check_bench(bench, known, procedures.make(name, spec, known, {}, **timing))


@pytest.mark.parametrize("name", ["stator", "regulator"])
def test_a_bench_that_is_fit_is_let_through(tmp_path: Path, spec: MachineSpec, name: str) -> None:
    checked(bench_of(tmp_path), spec, name)


def test_a_10_amp_jack_on_a_15_amp_system_is_refused(tmp_path: Path, spec: MachineSpec) -> None:
    with pytest.raises(ConfigError, match=r"'amps' takes at most 10 A.*needs 16\.5 A \(1\.1 x rated 15 A\)"):
        checked(bench_of(tmp_path, max_amps=10.0), spec, "regulator")
    checked(bench_of(tmp_path, max_amps=10.0), spec, "stator")


def test_the_limit_counts_after_the_shunt(tmp_path: Path, spec: MachineSpec) -> None:
    """A meter that takes 0.1 A is fit when every ampere of it stands for 200 A in the circuit."""
    checked(bench_of(tmp_path, max_amps=0.1, shunt="ratio = 200.0"), spec, "regulator")
    with pytest.raises(ConfigError, match="at most 10 A"):
        checked(bench_of(tmp_path, max_amps=0.1, shunt="ratio = 100.0"), spec, "regulator")


def test_a_stator_needs_twice_the_manuals_volts(tmp_path: Path, spec: MachineSpec) -> None:
    with pytest.raises(ConfigError, match=r"'volts' takes at most 50 V.*needs 56 V"):
        checked(bench_of(tmp_path, max_volts=50.0), spec, "stator")
    checked(bench_of(tmp_path, max_volts=56.0), spec, "stator")


def test_missing_channels_and_small_ranges_are_told_together(tmp_path: Path, spec: MachineSpec) -> None:
    bench = bench_of(tmp_path, max_amps=10.0)
    channels = {name: one for name, one in bench.channels.items() if name not in ("battery_volts", "engine_rpm")}
    with pytest.raises(ConfigError) as caught:
        checked(replace(bench, channels=channels), spec, "regulator")
    told = str(caught.value)
    assert "bench.toml" in told
    assert "[channels.battery_volts] is missing" in told
    assert "[channels.engine_rpm] is missing" in told
    assert "at most 10 A" in told


@pytest.mark.parametrize("name", ["stator", "regulator"])
def test_a_machine_without_the_limits_is_refused(spec: MachineSpec, name: str) -> None:
    with pytest.raises(ConfigError, match=rf"machine\.toml: no \[{name}\] table"):
        preflight.check_spec(replace(spec, stator=None, regulator=None), name)
    preflight.check_spec(spec, name)


def test_an_overdue_calibration_is_said_of_the_instruments_in_use_only(tmp_path: Path, spec: MachineSpec) -> None:
    bench = bench_of(tmp_path)
    assert preflight.overdue(bench, ["volts", "tach"], date(2026, 1, 31)) == []
    (said,) = preflight.overdue(bench, ["volts", "tach"], date(2026, 2, 1))
    assert said.startswith("volts: its calibration was due on 2026-01-31")
    assert preflight.overdue(bench, ["amps", "tach"], date(2026, 2, 1)) == []


def test_only_the_instruments_behind_the_wanted_channels_are_opened(tmp_path: Path, spec: MachineSpec) -> None:
    bench = bench_of(tmp_path)
    channels = preflight.wanted_channels(bench, procedures.make("regulator", spec))
    assert preflight.instruments_of(bench, channels) == ["volts", "amps", "tach"]
    assert "amps" not in preflight.instruments_of(
        bench, preflight.wanted_channels(bench, procedures.make("stator", spec))
    )


async def test_all_missing_ports_are_named_in_one_error_with_what_there_is(tmp_path: Path) -> None:
    there: Mapping[str, bool] = {"volts": False, "amps": True, "tach": False}

    async def try_open(name: str) -> None:
        if not there[name]:
            raise PortError("no such port: plug it in")

    with pytest.raises(PortError) as caught:
        await preflight.check_ports(bench_of(tmp_path), list(there), try_open, lambda: ["/dev/ttyUSB3 (adapter)"])
    lines = str(caught.value).splitlines()
    assert lines[0] == "2 of 3 instruments cannot be reached:"
    assert "[instruments.volts] port /dev/volts: no such port" in lines[1]
    assert "[instruments.tach] port /dev/tach: no such port" in lines[2]
    assert lines[-1].strip() == "/dev/ttyUSB3 (adapter)"


async def test_when_all_ports_open_nothing_is_said(tmp_path: Path) -> None:
    opened: list[str] = []

    async def try_open(name: str) -> None:
        opened.append(name)

    await preflight.check_ports(bench_of(tmp_path), ["volts", "amps"], try_open, list)
    assert opened == ["volts", "amps"]
