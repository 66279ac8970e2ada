"""What the README says is so: its commands, its example driver, its tables."""

from __future__ import annotations

import re
from pathlib import Path

from benchd.cli import COMMANDS
from benchd.registry import drivers

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_ci_runs_the_second_command_word_for_word() -> None:
    commands = re.findall(r"^python3 -m venv .*$", README, re.MULTILINE)
    assert len(commands) == 2
    assert commands[0].endswith("benchd demo")
    assert commands[1] in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_the_example_driver_is_the_tested_one() -> None:
    source = (ROOT / "tests" / "drivers" / "example_meter.py").read_text(encoding="utf-8")
    assert source.strip() in README


def test_every_driver_stands_in_the_table() -> None:
    for name in drivers():
        assert f"| `{name}` |" in README, name


def test_every_command_is_mentioned() -> None:
    for name in COMMANDS:
        assert f"benchd {name}" in README, name


def test_the_picture_is_there_and_fetches_nothing() -> None:
    picture = (ROOT / "dashboards" / "gauge.svg").read_text(encoding="utf-8")
    assert "http" not in re.sub(r'xmlns(:\w+)?="[^"]*"', "", picture)


def test_pins_name_no_address() -> None:
    pins = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    assert len(pins) > 30
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!]+", pin) for pin in pins), pins
