"""Cranks, draws and drops as recordings: `benchd judge` says of a CSV file what a live run would have said."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchd.cli import cli

Row = dict[str, float | None]


def crank(ohms: float) -> Iterator[Row]:
    rng = random.Random(1)
    for count in range(80):
        t = 0.25 * count
        amps = 0.0 if not 8 <= t < 13 else (300.0 if t < 8.25 else 105.0 + rng.gauss(0, 3))
        speed = 310 + rng.gauss(0, 5) if 8.3 <= t < 13 else 0.0
        volts = 12.55 - ohms * amps + rng.gauss(0, 0.01)
        yield {"t_s": t, "battery_volts": round(volts, 2), "crank_amps": round(amps, 1), "engine_rpm": round(speed)}


def draw(amps: float) -> Iterator[Row]:
    rng = random.Random(1)
    for count in range(120):
        yield {"t_s": float(count), "draw_amps": round(amps + rng.gauss(0, 0.0001), 4), "battery_volts": 12.6}


def drop(ohms: tuple[float, ...]) -> Iterator[Row]:
    rng = random.Random(1)
    for count in range(len(ohms) * 30):
        amps = 11.0 + rng.gauss(0, 0.05)
        away = count % 30 >= 24
        volts = None if away else round(ohms[count // 30] * amps + rng.gauss(0, 0.0005), 3)
        yield {"t_s": 0.5 * count, "joint_volts": volts, "charge_amps": round(amps, 2), "engine_rpm": 3500.0}


def judged(tmp_path: Path, procedure: str, rows: Iterator[Row]) -> tuple[int, dict[str, object]]:
    found = list(rows)
    lines = [",".join(found[0])] + [",".join("" if one is None else f"{one}" for one in row.values()) for row in found]
    trace = tmp_path / f"{procedure}.csv"
    trace.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = CliRunner().invoke(cli, ["judge", procedure, str(trace), "--spec", "hollin-t18", "--json"])
    return done.exit_code, json.loads(done.stdout)


GOOD = (0.002, 0.003, 0.002, 0.001, 0.001, 0.002, 0.001)


@pytest.mark.parametrize(
    ("procedure", "rows", "code", "finding"),
    [
        ("crank", lambda: crank(0.014), 0, "cranks"),
        ("crank", lambda: crank(0.040), 1, "battery-sags"),
        ("draw", lambda: draw(0.002), 0, "no-draw"),
        ("draw", lambda: draw(0.150), 1, "draw"),
        ("drop", lambda: drop(GOOD), 0, "joints-good"),
        ("drop", lambda: drop((*GOOD[:5], 0.030, GOOD[6])), 1, "bad-ground"),
    ],
)
def test_a_recording_is_judged(
    tmp_path: Path, procedure: str, rows: Callable[[], Iterator[Row]], code: int, finding: str
) -> None:
    exit_code, body = judged(tmp_path, procedure, rows())
    assert exit_code == code, body["reasons"]
    assert body["finding"] == finding
    assert body["limits"]


def test_ohms_alone_are_void(tmp_path: Path) -> None:
    rows: Iterator[Row] = iter({"t_s": 0.5 * count, "circuit_ohms": 0.3} for count in range(60))
    exit_code, body = judged(tmp_path, "continuity", rows)
    assert exit_code == 4
    assert "answers" in str(body["reasons"])
