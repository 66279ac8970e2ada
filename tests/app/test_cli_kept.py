"""What is kept can be listed, shown, judged again, exported and drawn: through the real journal, without any port."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from bench_files import BENCH, MACHINE
from click.testing import CliRunner, Result
from test_judge import Played, stator_samples
from test_runner import Ticks

from benchd.cli import cli
from benchd.config import load_bench, load_spec
from benchd.core.events import sample_record
from benchd.journal import Journal
from benchd.orders import Order, earlier_outcomes, prepare, run_opened
from benchd.preflight import instrument_records
from benchd.runner import Ended, Facts, conduct


@dataclass
class Shop:
    """A folder with the files of one bench and one machine, and a journal."""

    folder: Path

    @property
    def machine(self) -> Path:
        return self.folder / "machine.toml"

    def order(self, procedure: str = "stator", work_order: str | None = "1042") -> Order:
        return Order(procedure, load_bench(self.folder / "bench.toml"), load_spec(self.machine), work_order, "SN 7")

    def keep(self, volts: float, work_order: str | None = "1042", cut_after: int | None = None) -> Ended:
        """A stator run at so many volts, through the runner into the journal."""
        return asyncio.run(self._keep(volts, work_order, cut_after))

    async def _keep(self, volts: float, work_order: str | None, cut_after: int | None) -> Ended:
        with Journal() as journal:
            ready = prepare(self.order(work_order=work_order), journal, datetime(2025, 1, 1, tzinfo=UTC))
            opened = run_opened(ready, "2025-01-01T08:00:00.000+00:00")
            writer = journal.open_run(opened)
            bench, spec = ready.order.bench, ready.order.spec
            facts = Facts(
                spec, bench.name, instrument_records(bench, ready.instruments), work_order, "SN 7", ready.notes, opened
            )

            async def show(records: object, operator: object) -> None:
                seen = 0
                async for one in records:  # type: ignore[attr-defined]
                    seen += one["kind"] == "sample"
                    if seen == cut_after:
                        operator("abort", "key", "")  # type: ignore[operator]

            return await conduct(
                ready.procedure, Played(stator_samples(volts)), writer, facts, clock=Ticks(), show=show
            )


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    monkeypatch.setenv("BENCHD_HOME", str(tmp_path / "home"))
    (tmp_path / "machine.toml").write_text(MACHINE)
    (tmp_path / "bench.toml").write_text(BENCH.format(max_volts=100.0, max_amps=20.0, shunt=""))
    return Shop(tmp_path)


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_history_lists_runs_newest_first_and_filters(shop: Shop) -> None:
    shop.keep(31.0)
    shop.keep(20.0, work_order="7")
    listed = json.loads(run("history", "--json").stdout)["runs"]
    assert [(one["verdict"], one["suspect"], one["work_order"]) for one in listed] == [
        ("fail", "stator", "7"),
        ("pass", "none", "1042"),
    ]
    only = json.loads(run("history", "--work-order", "1042", "--json").stdout)["runs"]
    assert [one["verdict"] for one in only] == ["pass"]
    assert len(json.loads(run("history", "--limit", "1", "--json").stdout)["runs"]) == 1
    lines = run("history").stdout.splitlines()
    assert lines[0].split() == [
        "run",
        "started",
        "(UTC)",
        "procedure",
        "verdict",
        "suspect",
        "machine",
        "work",
        "order",
        "unit",
    ]
    assert "Hollin T18 garden tractor" in lines[1]
    assert "SN 7" in lines[2]


def test_rejudge_says_what_the_run_said(shop: Shop) -> None:
    live = shop.keep(31.0).verdict
    result = run("rejudge", "last", "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout) == json.loads(json.dumps(live))


def test_rejudge_under_another_spec_uses_its_limits(shop: Shop, tmp_path: Path) -> None:
    assert shop.keep(20.0).exit_code == 1
    milder = tmp_path / "milder.toml"
    milder.write_text(MACHINE.replace("min_volts_ac = 28.0", "min_volts_ac = 15.0"))
    result = run("rejudge", "last", "--spec", milder, "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)["limits"]["min_volts_ac"] == 15.0


def test_rejudge_needs_none_of_the_files_of_the_day(shop: Shop) -> None:
    shop.keep(31.0)
    for name in ("machine.toml", "bench.toml"):
        (shop.folder / name).unlink()
    assert run("rejudge", "last").exit_code == 0


def test_a_run_that_was_stopped_stays_void_when_judged_again(shop: Shop) -> None:
    live = shop.keep(31.0, cut_after=5).verdict
    result = run("rejudge", "last", "--json")
    again = json.loads(result.stdout)
    assert result.exit_code == 4
    assert (
        (again["verdict"], again["ended_because"])
        == (live["verdict"], live["ended_because"])
        == (
            "void",
            "stopped by the operator",
        )
    )
    assert json.loads(run("history", "--json").stdout)["runs"][0]["status"] == "aborted"


def test_a_thinned_run_is_judged_as_before(shop: Shop) -> None:
    """Retention takes the raw readings; the verdict rests on the samples, and so does the export."""
    shop.keep(30.0)
    with Journal() as journal:
        opened, *records = [dict(one) for one in journal.read(journal.resolve("last"))]
        writer = journal.open_run({key: opened[key] for key in opened if key not in ("kind", "run", "seq")})
        for one in records:  # the same run with the readings that a live one keeps
            del one["seq"]
            for name, (value, *_) in one.get("values", {}).items():
                reading = {"kind": "reading", "t_ns": one["t_ns"], "instrument": name, "quantity": name, "point": ""}
                writer.append({**reading, "value": value, "resolution": 0.01, "flags": []})
            writer.append(one)
        writer.flush()
    before, exported = run("rejudge", "last", "--json"), run("export", "last").stdout
    thinned = json.loads(run("thin", "--older-than", "30", "--json").stdout)
    assert (thinned["runs"], thinned["refused"]) == (2, [])
    assert thinned["readings"] > 20, thinned
    after = run("rejudge", "last", "--json")
    assert (after.exit_code, after.stdout) == (before.exit_code, before.stdout)
    assert json.loads(after.stdout)["verdict"] in ("pass", "fail")
    assert run("export", "last").stdout == exported
    assert run("verify").exit_code == 0


def test_an_exported_run_is_judged_as_it_was_live(shop: Shop, tmp_path: Path) -> None:
    live = shop.keep(31.0).verdict
    out = tmp_path / "run.csv"
    assert run("export", "last", "--output", out).exit_code == 0
    bench = shop.folder / "bench.toml"
    judged = json.loads(run("judge", "stator", out, "--spec", shop.machine, "--bench", bench, "--json").stdout)
    for key in ("verdict", "suspect", "measured", "duration_s", "samples", "ended_because", "rpm"):
        assert judged[key] == live[key], key


def test_export_to_stdout_is_the_contracts_csv(shop: Shop) -> None:
    live = shop.keep(31.0).verdict
    rows = list(csv.DictReader(io.StringIO(run("export", "last").stdout)))
    assert len(rows) == live["samples"]
    assert set(rows[0]) == {"t_s", "stator_volts", "engine_rpm", "stator_hertz"}
    assert (float(rows[3]["t_s"]), float(rows[3]["stator_volts"])) == (1.5, 31.0)


def test_export_says_what_is_wrong_with_an_output(shop: Shop, tmp_path: Path) -> None:
    shop.keep(31.0)
    assert run("export", "last", "--format", "parquet").exit_code == 2
    result = run("export", "last", "--output", tmp_path / "no" / "such" / "run.csv")
    assert result.exit_code == 5
    assert "no/such/run.csv" in result.stderr


def test_replay_shows_the_prompts_and_the_verdict(shop: Shop) -> None:
    shop.keep(20.0)
    result = run("replay", "last", "--speed", "100000")
    assert result.exit_code == 0
    assert "FAIL" in result.stderr
    assert "unplug the regulator" in result.stderr
    assert result.stdout == ""


def test_picture_draws_the_verdict(shop: Shop, tmp_path: Path) -> None:
    ended = shop.keep(20.0)
    out = tmp_path / "run.svg"
    assert run("picture", "last", "--output", out).exit_code == 0
    drawing = out.read_text()
    assert drawing.startswith("<svg")
    assert "stator" in drawing
    assert ended.verdict["run"][:15] in drawing


def test_the_opening_record_keeps_the_configuration_as_it_was(shop: Shop) -> None:
    run_id = shop.keep(31.0).verdict["run"]
    with Journal() as journal:
        opened = next(iter(journal.read(run_id)))
    assert opened["kind"] == "run-opened"
    assert opened["configuration"]["spec"]["text"] == MACHINE
    assert opened["spec"]["stator"]["min_volts_ac"] == 28.0
    assert {"benchd", "python", "numpy"} <= set(opened["versions"])


def test_the_last_judged_outcome_of_a_work_order_is_known_to_its_next_run(shop: Shop) -> None:
    shop.keep(20.0)
    shop.keep(31.0)
    shop.keep(31.0, cut_after=3)
    shop.keep(20.0, work_order="other")
    with Journal() as journal:
        machine = str(journal.runs(1)[0]["spec"])
        assert earlier_outcomes(journal, "1042", machine) == {"stator": "pass"}
        assert earlier_outcomes(journal, "other", machine) == {"stator": "fail"}
        assert earlier_outcomes(journal, "1042", "another machine") == {}
        assert earlier_outcomes(journal, None, machine) == {}


def test_a_run_killed_in_the_middle_is_void_when_judged_again(shop: Shop) -> None:
    with Journal() as journal:
        ready = prepare(shop.order(), journal, datetime(2025, 1, 1, tzinfo=UTC))
        writer = journal.open_run(run_opened(ready, "2025-01-01T08:00:00.000+00:00"))
        for one in stator_samples(31.0):
            writer.append(sample_record(one))
        writer.flush()
    result = run("rejudge", "last", "--json")
    body = json.loads(result.stdout)
    # All samples are there, and they decide; what is missing is only that the run itself never said so.
    assert (body["verdict"], result.exit_code) == ("pass", 0)


@pytest.mark.skipif(os.geteuid() == 0, reason="root writes anywhere")
def test_a_read_only_home_is_refused_before_the_start(shop: Shop) -> None:
    home = shop.folder / "home"
    home.mkdir(mode=0o500)
    words = ("--bench", shop.folder / "bench.toml", "--spec", shop.machine, "--json")
    result = run("run", "stator", *words)
    assert (result.exit_code, result.stdout) == (5, "")
    assert str(home) in result.stderr


def test_a_home_that_cannot_be_is_refused_before_the_start(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file where the folder should be: refused also where root may write anywhere."""
    (shop.folder / "file").write_text("")
    monkeypatch.setenv("BENCHD_HOME", str(shop.folder / "file" / "home"))
    words = ("--bench", shop.folder / "bench.toml", "--spec", shop.machine, "--json")
    result = run("run", "stator", *words)
    assert (result.exit_code, result.stdout) == (5, "")
    assert str(shop.folder / "file") in result.stderr


def test_missing_ports_are_named_together_and_nothing_is_kept(shop: Shop) -> None:
    words = ("--bench", shop.folder / "bench.toml", "--spec", shop.machine, "--json")
    result = run("run", "regulator", *words)
    assert (result.exit_code, result.stdout) == (5, "")
    for name in ("volts", "amps", "tach"):
        assert f"[instruments.{name}] port /dev/{name}" in result.stderr
    assert json.loads(run("history", "--json").stdout) == {"runs": []}
