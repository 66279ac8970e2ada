"""The command line without a bench: help, files, errors and exit codes."""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from bench_files import BENCH, MACHINE
from click.testing import CliRunner, Result

from benchd.cli import COMMANDS, cli


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "home"
    monkeypatch.setenv("BENCHD_HOME", str(folder))
    return folder


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


@pytest.mark.parametrize("name", list(COMMANDS))
def test_the_short_help_in_the_table_is_the_commands_own(name: str) -> None:
    command = importlib.import_module(f"benchd.cli.{COMMANDS[name][0]}").command
    assert isinstance(command, click.Command)
    assert (command.name, command.short_help) == (name, COMMANDS[name][1])


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_commands_help_has_an_example_that_names_it(name: str) -> None:
    result = run(name, "--help")
    assert result.exit_code == 0
    assert "Example" in result.output
    assert f"  benchd {name}" in result.output


def test_help_imports_none_of_the_heavy_modules() -> None:
    """`benchd --help` must stay fast: what costs tens of ms is imported where it is used."""
    code = "import sys; sys.argv = ['benchd', '--help']\nfrom benchd.cli import main\ntry: main()\nexcept SystemExit: pass\n"
    code += "print(sorted({name.split('.')[0] for name in sys.modules}))"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    loaded = set(said.splitlines()[-1].strip("[]").replace("'", "").split(", "))
    assert "click" in loaded
    assert not loaded & {
        "asyncio",
        "numpy",
        "scipy",
        "pydantic",
        "textual",
        "rich",
        "pyvisa",
        "serial",
        "pymodbus",
        "sqlite3",
    }


def test_an_unknown_command_is_a_usage_error() -> None:
    result = run("explode")
    assert result.exit_code == 2
    assert "explode" in result.output


def test_check_says_what_files_hold(tmp_path: Path) -> None:
    machine, bench = tmp_path / "m.toml", tmp_path / "b.toml"
    machine.write_text(MACHINE)
    bench.write_text(BENCH.format(max_volts=100.0, max_amps=20.0, shunt=""))
    result = run("check", machine, bench)
    assert result.exit_code == 0
    assert "Hollin T18" in result.stdout
    assert "bay 1" in result.stdout


def test_check_tells_every_mistake_of_every_file_and_exits_2(tmp_path: Path) -> None:
    machine, bench = tmp_path / "m.toml", tmp_path / "b.toml"
    machine.write_text(MACHINE.replace("28.0\nat", "-1\nat").replace("rated_amps", "rated_ampere"))
    bench.write_text(BENCH.format(max_volts=100.0, max_amps=20.0, shunt="").replace('"scpi"', '"scpy"'))
    result = run("check", machine, bench)
    assert result.exit_code == 2
    assert f"{machine}:8:" in result.stderr, "the line of min_volts_ac"
    assert "rated_ampere" in result.stderr
    assert "scpy" in result.stderr
    assert "Traceback" not in result.stderr


def test_a_bad_spec_stops_a_run_before_anything_starts(tmp_path: Path, home: Path) -> None:
    machine, bench = tmp_path / "m.toml", tmp_path / "b.toml"
    machine.write_text(MACHINE.replace("[3350, 3650]", '"full"'))
    bench.write_text(BENCH.format(max_volts=100.0, max_amps=20.0, shunt=""))
    result = run("run", "stator", "--bench", bench, "--spec", machine, "--json")
    assert (result.exit_code, result.stdout) == (2, "")
    assert f"{machine}:6:" in result.stderr
    assert "full_throttle_rpm" in result.stderr
    assert not home.exists(), "nothing was started, nothing was kept"


TRACE = "t_s,stator_volts,engine_rpm,stator_hertz\n" + "".join(
    f"{t / 2},{30.0 + (t % 3) * 0.01:.2f},{3600 + t % 2},{360.0}\n" for t in range(240)
)


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    path = tmp_path / "m.toml"
    path.write_text(MACHINE)
    return path


def test_judge_says_one_object_a_line_and_exits_with_the_worst(tmp_path: Path, machine: Path) -> None:
    good, weak = tmp_path / "good.csv", tmp_path / "weak.csv"
    good.write_text(TRACE)
    weak.write_text(TRACE.replace(",30.", ",20."))
    result = run("judge", "stator", good, weak, "--spec", machine, "--json")
    said = [json.loads(line) for line in result.stdout.splitlines()]
    assert [(one["run"], one["verdict"], one["suspect"]) for one in said] == [
        (str(good), "pass", "none"),
        (str(weak), "fail", "stator"),
    ]
    assert result.exit_code == 1
    assert {
        "procedure",
        "spec",
        "reasons",
        "measured",
        "limits",
        "started",
        "ended",
        "duration_s",
        "ended_because",
    } <= set(said[0])
    assert {"samples", "rpm", "instruments"} <= set(said[0])
    assert run("judge", "stator", good, "--spec", machine).exit_code == 0


def test_judge_in_words_says_verdict_suspect_reasons_uncertainty_and_what_next(tmp_path: Path, machine: Path) -> None:
    weak = tmp_path / "weak.csv"
    weak.write_text(TRACE.replace(",30.", ",20."))
    result = run("judge", "stator", weak, "--spec", machine)
    assert result.stdout == ""
    for words in ("FAIL", "suspect: stator", "  - ", "±", "next: ", "rpm"):
        assert words in result.stderr


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("t_s,stator_volts,engine_rpm\n0.0,28.0,3600\n0.5,twenty,3600\n", ":3"),
        ("t_s,warp_speed\n0.0,9\n", "no column is a channel"),
        ("", "empty"),
    ],
)
def test_a_trace_that_is_none_is_named_with_its_place(tmp_path: Path, machine: Path, text: str, words: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text)
    result = run("judge", "stator", path, "--spec", machine, "--json")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "bad.csv" in result.stderr
    assert words in result.stderr


def test_a_trace_that_is_not_there_is_named_and_the_others_are_judged(tmp_path: Path, machine: Path) -> None:
    good = tmp_path / "good.csv"
    good.write_text(TRACE)
    result = run("judge", "stator", tmp_path / "none.csv", good, "--spec", machine, "--json")
    assert result.exit_code == 2
    assert "none.csv" in result.stderr
    assert [json.loads(line)["verdict"] for line in result.stdout.splitlines()] == ["pass"]


def test_a_spec_that_is_not_there_names_those_that_are(tmp_path: Path) -> None:
    result = run("judge", "stator", tmp_path / "x.csv", "--spec", "holin-t18")
    assert result.exit_code == 2
    assert "hollin-t18" in result.stderr


def test_history_of_an_empty_home_says_how_to_begin() -> None:
    result = run("history")
    assert result.exit_code == 0
    assert "benchd demo" in result.stderr
    assert json.loads(run("history", "--json").stdout) == {"runs": []}


@pytest.mark.parametrize(
    "words", [("replay", "last"), ("rejudge", "last"), ("export", "last"), ("picture", "last", "-o", "x")]
)
def test_asking_for_a_run_that_is_not_kept_is_no_traceback(words: tuple[str, ...]) -> None:
    result = run(*words)
    assert result.exit_code == 5
    assert result.stderr.startswith("benchd: ")


def test_an_unforeseen_error_is_short_and_logged(home: Path) -> None:
    code = "import benchd.cli as c, sys\nsys.argv=['benchd','history']\n"
    code += "import benchd.journal\ndef broken(*a, **k): raise ZeroDivisionError('nought')\nbenchd.journal.Journal = broken\nc.main()"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=os.environ | {"BENCHD_HOME": str(home)}
    )
    assert done.returncode == 70
    assert "Traceback" not in done.stderr
    assert str(home / "log") in done.stderr
    assert "ZeroDivisionError: nought" in (home / "log").read_text()
