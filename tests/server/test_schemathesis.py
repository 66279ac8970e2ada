"""The OpenAPI description is true: schemathesis, told nothing but where it is, finds no answer that breaks it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from http_world import World, world_in

from benchd.lots.door import NewLot
from benchd.server import guard
from benchd.visits.door import NewVisit

CONFIG = """
seed = 3

[phases.coverage]
unexpected-methods = ["put", "delete"]

# A machine file that is none is told as 422, and no schema can say which text is one.
[[operations]]
include-name = "POST /v1/runs"
checks.positive_data_acceptance.expected-statuses = ["2xx", 401, 403, 404, 409, 422, "5xx"]

# So is what is no outcome of a check, no picture, no part of a machine; and an order that is not proven.
[[operations]]
include-path-regex = "^/v1/orders"
include-method = "POST"
checks.positive_data_acceptance.expected-statuses = ["2xx", 401, 403, 404, 409, 422, "5xx"]

# And what is no regulator file, no sampling plan, no study.
[[operations]]
include-path-regex = "^/v1/lots"
include-method = "POST"
checks.positive_data_acceptance.expected-statuses = ["2xx", 401, 403, 404, 409, 422, "5xx"]
"""
TOKEN = """
[auth.openapi.bearer]
bearer = "{token}"
"""
#: All phases with all checks; so many cases an operation that a run stays under a minute.
EXAMPLES, EXAMPLES_OUTSIDE = 3, 1


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[World]:
    """Something to find in it. Wrong tokens are not slowed down: it tries one at every operation, and wants its 401."""
    monkeypatch.setattr(guard, "WRONG_TOKENS", 1e9)
    home = tmp_path / "home"
    home.mkdir()
    with world_in(home) as found:
        found.do(lambda: found.daemon.finished_run(30, work_order="1042", unit="T18-00317"))
        found.do(lambda: found.daemon.open_run("bay-2"))
        found.do(lambda: found.daemon.visits.open(NewVisit("hollin-t18", unit="T18-00317")))
        found.do(lambda: found.daemon.lots.open(NewLot(lot="OR9-0001", part="vantry-or9")))
        found.do(lambda: found.daemon.lots.open(NewLot("standard", "REF-1", "vantry-or9")))
        yield found


def schemathesis(world: World, folder: Path, config: str, examples: int, *more: str) -> str:
    """What it says; the test fails if it found anything."""
    (folder / "schemathesis.toml").write_text(config, encoding="utf-8")
    command = [
        sys.executable, "-m", "schemathesis.cli", "--config-file", "schemathesis.toml", "run",
        f"{world.url}/openapi.json", "--checks", "all", "-n", str(examples), "--continue-on-failure", "--no-color",
        *more,
    ]  # fmt: skip
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=290, check=False)
    assert done.returncode == 0, done.stdout[-8000:] + done.stderr[-2000:]
    return done.stdout


@pytest.mark.timeout(300)
def test_with_a_token_that_may_everything(world: World, tmp_path: Path) -> None:
    said = schemathesis(world, tmp_path, CONFIG + TOKEN.format(token=world.tokens["administer"]), EXAMPLES)
    assert "Tested: 50" in said
    assert len(world.daemon.asked) > 0  # it did get in
    status, body, _ = world.ask("GET", "/v1/health")
    assert (status, body) == (200, {"status": "ok"})


@pytest.mark.timeout(300)
def test_without_a_token(world: World, tmp_path: Path) -> None:
    # A stranger gets the same answer whatever is asked: a few questions of every route are enough.
    said = schemathesis(world, tmp_path, CONFIG, EXAMPLES_OUTSIDE, "--phases", "examples,fuzzing")
    assert "Tested: 50" in said
    assert (world.daemon.asked, world.daemon.said, world.daemon.backups) == ([], [], 0)
