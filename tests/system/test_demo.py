"""The whole way with faults: virtual instruments on real ports, real drivers, sampler, judge, journal, command.

Every fault of a meter or tachometer goes that way, and one fault of every part; the other faults of parts, which no port
knows of, are judged from the virtual bench's recordings, which takes no time.

Verdict and suspect are what the trade would say (common practice, no source; the table stands in the issue's words in
benchd/virtual/truth.py, which the judge never sees). A regulator run follows a stator run of the same work order.
"""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from demo_kitchen import Kitchen

from benchd.cli import cli
from benchd.virtual.offline import simulate
from benchd.virtual.scenario import FAULTS, RUN_FAULTS, Scenario
from benchd.virtual.truth import EXPECTED, expected, right

SPEED = "25"
PARTS = (
    "weak-magnets", "regulator-stuck-on", "regulator-set-low", "battery-dead-cell", "joint-intermittent", "governor-hunting"
)  # fmt: skip
ON_PORTS = [one for one in RUN_FAULTS if one.startswith(("meter-", "tach-")) or one in PARTS]
RECORDED = [(fault, run) for fault in RUN_FAULTS if fault not in ON_PORTS for run in EXPECTED[fault]]
#: Runs of many minutes.
SLOW = ("battery-deeply-discharged", "battery-leaking", "battery-nearly-full")


@dataclass
class Demo:
    code: int
    said: dict[str, Any]
    heard: str

    def pairs(self) -> list[tuple[str, str, str]]:
        return [(one["procedure"], one["verdict"], one["suspect"]) for one in self.said["runs"]]


@pytest.fixture(autouse=True)
def no_long_pauses() -> Iterator[None]:
    """What pytest holds is not looked through by the collector while bench time runs many times as fast as ours."""
    gc.freeze()
    yield
    gc.unfreeze()


def process(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """The command as a process of its own."""
    env = os.environ | {"BENCHD_HOME": str(home)}
    return subprocess.run(
        [sys.executable, "-m", "benchd", *words], capture_output=True, text=True, env=env, timeout=110
    )


def benchd(home: Path, *words: str) -> Result:
    """The command in this process, which spares the second in which numpy and scipy are imported."""
    return CliRunner().invoke(cli, words, env={"BENCHD_HOME": str(home)})


def demo(home: Path, *words: str) -> Demo:
    done = benchd(home, *demo_words(), *words)
    return shown_by(done.exit_code, done.stdout, done.stderr)


def demo_words() -> tuple[str, ...]:
    return ("demo", "--headless", "--json", "--speed", SPEED)


def shown_by(code: int, out: str, err: str) -> Demo:
    assert out.count("\n") == 1, err[-3000:]
    return Demo(code, json.loads(out), err)


def test_a_healthy_machine_passes_both_runs_and_both_are_kept_under_one_work_order(tmp_path: Path) -> None:
    done = process(tmp_path, *demo_words())
    shown = shown_by(done.returncode, done.stdout, done.stderr)
    assert shown.pairs() == [("stator", "pass", "none"), ("regulator", "pass", "none")], shown.heard[-3000:]
    assert (shown.code, shown.said["verdict"]) == (0, "pass")
    kept = json.loads(process(tmp_path, "history", "--json").stdout)["runs"]
    assert [one["procedure"] for one in kept] == ["regulator", "stator"]
    assert len({one["work_order"] for one in kept}) == 1
    assert {one["status"] for one in kept} == {"judged"}
    assert str(tmp_path) in shown.heard, "it says where the runs are kept"
    instruments = shown.said["runs"][1]["instruments"]
    assert len(instruments) >= 2
    assert {one["name"]: one["identity"] for one in instruments}["volts"].startswith("TESSLUND")
    assert shown.said["runs"][0]["measured"]["stator_hertz"]["value"] == pytest.approx(3540 * 12 / 120, rel=0.03)
    assert all(one["driver"] and one["port"] for one in instruments)


@pytest.mark.parametrize("procedure", ["stator", "regulator"])
def test_a_live_run_exported_and_judged_again_says_the_same(tmp_path: Path, procedure: str) -> None:
    live = demo(tmp_path, "--only", procedure).said["runs"][0]
    out = tmp_path / "run.csv"
    assert benchd(tmp_path, "export", live["run"], "-o", str(out)).exit_code == 0
    bench = tmp_path / "bench.toml"
    bench.write_text(bench_as_it_was(tmp_path, live["run"]))
    words = ("judge", procedure, str(out), "--spec", "hollin-t18", "--json")
    known = json.loads(benchd(tmp_path, *words, "--bench", str(bench)).stdout)
    for key in ("verdict", "suspect", "measured", "duration_s", "samples", "ended_because", "reasons"):
        assert known[key] == live[key], key
    again = json.loads(benchd(tmp_path, "rejudge", live["run"], "--json").stdout)
    assert again == live


def bench_as_it_was(home: Path, run: str) -> str:
    from benchd.journal import Journal

    with Journal(home / "journal.sqlite") as journal:
        text = next(iter(journal.read(run)))["configuration"]["bench"]["text"]
    assert isinstance(text, str)
    return text


@pytest.fixture(scope="module")
def kitchen(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kitchen]:
    """Demos of all faults that are asked for here, being made."""
    mine = f"{request.node.nodeid}::test_every_fault"
    asked = [fault for fault in ON_PORTS if any(is_of(one, mine, fault) for one in request.session.items)]
    found = Kitchen()
    for fault in asked:
        found.order(fault, tmp_path_factory.mktemp(fault), (*demo_words(), "--fault", fault))
    yield found
    found.close()


def is_of(item: pytest.Item, begin: str, fault: str) -> bool:
    return item.nodeid.startswith(begin) and item.nodeid.endswith(f"[{fault}]")


@pytest.mark.parametrize("fault", ON_PORTS)
def test_every_fault_gets_the_verdict_and_the_suspect_that_the_trade_gives(kitchen: Kitchen, fault: str) -> None:
    shown = shown_by(*kitchen.serve(fault))
    for procedure, verdict, suspect in shown.pairs():
        wanted = expected(fault, procedure)
        assert right(verdict, suspect, wanted), (
            f"{fault}: the {procedure} run said {verdict}, {suspect}; the trade says {wanted}\n{shown.heard[-2500:]}"
        )


@pytest.mark.parametrize(("fault", "procedure"), RECORDED)
def test_a_recording_of_every_other_fault_gets_them_too(tmp_path: Path, fault: str, procedure: str) -> None:
    scenario = Scenario().with_fault(fault)
    (tmp_path / "machine.toml").write_text(scenario.spec_toml)
    (tmp_path / "run.csv").write_text(simulate(scenario, procedure, 1300.0 if fault in SLOW else 400.0).csv())
    words = (procedure, str(tmp_path / "run.csv"), "--spec", str(tmp_path / "machine.toml"), "--json")
    found = json.loads(benchd(tmp_path, "judge", *words).stdout)
    wanted = expected(fault, procedure)
    assert right(found["verdict"], found["suspect"], wanted), (found, wanted)


def test_the_faults_can_be_listed(tmp_path: Path) -> None:
    said = benchd(tmp_path, "demo", "--faults").stdout
    assert [line.split()[0] for line in said.splitlines()] == list(FAULTS)


@pytest.mark.parametrize(("fault", "words"), [("weak-magnet", "weak-magnets"), ("weak-magnets=much", "'much'")])
def test_a_fault_that_is_none_is_a_usage_error_with_a_hint(tmp_path: Path, fault: str, words: str) -> None:
    done = process(tmp_path, "demo", "--fault", fault, "--json")
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr
