"""`benchd demo` whole: real command, real ports, real drivers, fast clock; what it says is what the trade would."""

import json
import os
import subprocess
import sys

import pytest


def demo(home, *arguments: str) -> tuple[int, dict, str]:
    """(exit code, the object on stdout, stderr) of a headless demo."""
    command = [sys.executable, "-m", "benchd", "demo", "--headless", "--json", "--speed", "30", *arguments]
    environment = {**os.environ, "BENCHD_HOME": str(home)}
    done = subprocess.run(command, capture_output=True, text=True, timeout=110, env=environment, check=False)
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout), done.stderr


def test_a_healthy_machine_passes_both_runs(tmp_path):
    code, found, said = demo(tmp_path)
    assert [(one["procedure"], one["verdict"]) for one in found["runs"]] == [
        ("stator", "pass"),
        ("regulator", "pass"),
    ], said
    assert (code, found["verdict"]) == (0, "pass")
    identities = {one["name"]: one["identity"] for one in found["runs"][1]["instruments"]}
    assert identities["volts"].startswith("MERROW")
    assert found["runs"][0]["measured"]["stator_hertz"]["value"] == pytest.approx(3540 * 12 / 120, rel=0.02)


@pytest.mark.parametrize(
    ("fault", "only", "verdict", "suspect", "code"),
    [
        ("weak-magnets", "stator", "fail", "stator", 1),
        ("regulator-dead", "regulator", "fail", "unknown", 1),
        ("battery-dead-cell", "regulator", "fail", "battery", 1),
        ("governor-low", "stator", "void", "engine speed", 4),
        ("tach-wrong-pulses", "stator", "void", "instrument", 4),
        ("meter-wrong-dial", "regulator", "void", "instrument", 4),
        ("meter-leads-reversed", "regulator", "void", "instrument", 4),
        ("meter-hold", "regulator", "void", "instrument", 4),
    ],
)
def test_a_fault_is_found(tmp_path, fault, only, verdict, suspect, code):
    ended, found, said = demo(tmp_path, "--fault", fault, "--only", only)
    (run,) = found["runs"]
    assert (run["verdict"], run["suspect"], ended) == (verdict, suspect, code), (run["reasons"], said)


def test_a_meter_that_comes_back_spoils_nothing(tmp_path):
    code, found, said = demo(tmp_path, "--fault", "meter-unplugged=12", "--only", "regulator")
    assert (found["runs"][0]["verdict"], code) == ("pass", 0), said
    assert "back" in said
