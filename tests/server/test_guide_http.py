"""The guide's page on HTTP is true: its table against the server's own description, its program on a real run."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from http_world import World

PAGE = (Path(__file__).parents[2] / "configs" / "guide" / "http.md").read_text(encoding="utf-8")


def test_every_path_stands_there_with_its_scope(world: World) -> None:
    _, description, _ = world.ask("GET", "/openapi.json", scope=None)
    told = {}
    for path, operations in description["paths"].items():
        for method, operation in operations.items():
            scope = re.search(r"Scope: `(\w+)`", operation["description"])
            told[f"{method.upper()} {path}"] = scope[1] if scope else "none"
    assert dict(re.findall(r"^\| `(\S+ \S+)` \| (\w+) \|$", PAGE, re.MULTILINE)) == told


def test_the_page_s_program_shows_a_run(
    fresh: World, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    run = fresh.do(lambda: fresh.daemon.finished_run(samples=3))
    monkeypatch.setenv("BENCHD_URL", fresh.url.replace("http", "ws", 1))
    monkeypatch.setenv("BENCHD_TOKEN", fresh.tokens["look"])
    monkeypatch.setenv("RUN", run)
    found = re.search(r"```python\n(.*?)```", PAGE, re.DOTALL)
    assert found is not None
    exec(compile(found[1], "http.md", "exec"), {})
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4
    assert "battery_volts" in lines[0]
    assert lines[-1].split()[0] in ("pass", "fail", "undecided", "void")
