"""/metrics: what Prometheus reads of it, and that every figure stands in the guide."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from fake_daemon import COUNTS
from http_world import World
from prometheus_client import CollectorRegistry
from prometheus_client.parser import text_string_to_metric_families

from benchd.errors import StoreError
from benchd.server.metrics import LoopDelay, Metrics

GUIDE = Path(__file__).parents[2] / "configs" / "guide" / "metrics.md"


def samples(world: World) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    status, body, headers = world.ask("GET", "/metrics", scope="look")
    assert status == 200
    assert headers["content-type"].startswith("text/plain; version=")
    found = {}
    for family in text_string_to_metric_families(body.decode()):
        for one in family.samples:
            found[one.name, tuple(sorted(one.labels.items()))] = one.value
    return found


def test_figures_of_instruments_forwarders_and_runs(fresh: World) -> None:
    fresh.do(lambda: [fresh.daemon.finished_run(0) for _ in range(3)])
    fresh.do(lambda: fresh.daemon.finished_run(0, "aborted", bench="bay-2"))
    run = fresh.do(fresh.daemon.open_run).run
    found = samples(fresh)
    volts = (("bench", "bay-1"), ("instrument", "volts"))
    assert found["benchd_readings_total", volts] == COUNTS["readings"]
    assert found["benchd_decode_errors_total", (*volts, ("kind", "garbage"))] == COUNTS["garbage"]
    assert found["benchd_decode_errors_total", (*volts, ("kind", "bad frame"))] == COUNTS["bad_frames"]
    assert found["benchd_instrument_errors_total", (*volts, ("kind", "timeout"))] == COUNTS["timeouts"]
    assert found["benchd_instrument_errors_total", (*volts, ("kind", "error"))] == COUNTS["errors"]
    assert found["benchd_gaps_total", volts] == COUNTS["gaps"]
    assert found["benchd_reconnects_total", volts] == COUNTS["reconnects"]
    assert found["benchd_forwarder_behind_seconds", (("forwarder", "series"),)] == 0.5
    assert found["benchd_forwarder_sent_total", (("forwarder", "series"),)] == 900

    def of(bench: str, verdict: str) -> tuple[tuple[str, str], ...]:
        return ("bench", bench), ("procedure", "regulator"), ("verdict", verdict)

    assert found["benchd_runs_total", of("bay 1", "pass")] == 3
    assert found["benchd_runs_total", of("bay 2", "aborted")] == 1
    assert found["benchd_runs_open", ()] == 1
    assert found["benchd_journal_row", ()] == fresh.daemon.journal.last_row()
    assert found["benchd_disk_free_bytes", ()] == 1e11
    assert found["process_resident_memory_bytes", ()] > 1e6
    fresh.do(lambda: fresh.daemon.end_run(run))
    fresh.do(lambda: fresh.daemon.finished_run(0))
    again = samples(fresh)
    assert again["benchd_runs_total", of("bay 1", "pass")] == 5
    assert again["benchd_runs_open", ()] == 0
    assert samples(fresh)["benchd_runs_total", of("bay 1", "pass")] == 5
    assert again["benchd_http_responses_total", (("status", "200"),)] >= 1


def test_labels_are_escaped(fresh: World) -> None:
    fresh.daemon.name = 'Tessel "Lane"\n\\'
    labels = next(labels for name, labels in samples(fresh) if name == "benchd_build_info")
    assert dict(labels)["name"] == 'Tessel "Lane"\n\\'


def test_the_worst_delay_of_the_loop_is_remembered_for_a_minute() -> None:
    delay = LoopDelay(CollectorRegistry())
    for now, delay_s in ((0.0, 0.5), (10.0, 0.1), (20.0, 0.2), (30.0, 0.05)):
        delay.note(delay_s, now)
    assert [delay.worst_s(now) for now in (30.0, 60.1, 80.1, 90.1)] == [0.5, 0.2, 0.05, 0.0]


def test_the_loops_delay_is_measured(fresh: World) -> None:
    import time

    fresh.do(lambda: time.sleep(0.4))
    time.sleep(0.3)
    assert 0.25 < samples(fresh)["benchd_event_loop_delay_max_seconds", ()] < 2.0


def test_every_figure_stands_in_the_guide(world: World) -> None:
    body = world.ask("GET", "/metrics")[1].decode()
    told = set(re.findall(r"^\| `([a-z_]+)", GUIDE.read_text(encoding="utf-8"), re.MULTILINE))
    families = {
        line.split()[2]
        for line in body.splitlines()
        if line.startswith("# TYPE ") and not line.split()[2].endswith("_created")
    }
    assert {one for one in families if one.startswith("benchd_")} == told


class _Breaking:
    """A list of runs longer than a page whose second page cannot be read at first."""

    def __init__(self) -> None:
        self.rows = [
            {"run": f"{no:06}", "status": "judged", "verdict": "pass", "bench": "bay 1", "procedure": "stator"}
            for no in reversed(range(700))
        ]
        self.breaks = True

    def runs(self, limit: int, before: str | None = None) -> list[dict[str, str]]:
        if before is not None and self.breaks:
            raise StoreError("the disk does not answer")
        return [row for row in self.rows if before is None or row["run"] < before][:limit]

    def last_row(self) -> int:
        return 1


def test_runs_that_could_not_be_read_once_are_counted_the_next_time() -> None:
    reader: Any = _Breaking()
    metrics = Metrics()
    with pytest.raises(StoreError):
        metrics.look(reader)
    reader.breaks = False
    assert metrics.look(reader).runs == {("bay 1", "stator", "pass"): 700}
    assert metrics.look(reader).runs == {("bay 1", "stator", "pass"): 700}
