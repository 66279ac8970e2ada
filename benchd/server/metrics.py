"""Figures for Prometheus. What each one says stands in the guide (metrics.md)."""

from __future__ import annotations

import asyncio
import threading
import time
from collections import Counter as Count
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from prometheus_client import CollectorRegistry, Counter, Histogram, ProcessCollector, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_LATEST
from prometheus_client.registry import Collector

from benchd.journal_read import JournalReader

#: How often the event loop is looked at, and how long its worst delay is remembered.
LOOK_S = 0.1
REMEMBERED_S = 60
_PAGE = 500

_BY_INSTRUMENT = ("bench", "instrument")
#: A driver's count -> (metric, its label 'kind').
_DECODE_ERRORS = {"garbage": "garbage", "bad_frames": "bad frame"}
_WIRE_ERRORS = {"errors": "error", "timeouts": "timeout"}


@dataclass(frozen=True, slots=True)
class JournalFacts:
    runs: Mapping[tuple[str, str, str], int]  # (bench, procedure, verdict) -> closed runs
    open_runs: int
    last_row: int


class Metrics:
    """The figures of one server. `text` belongs to the event loop, `look` to any thread."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        self._facts = _Facts()
        self._registry.register(self._facts)
        ProcessCollector(registry=self._registry)
        self.loop_delay = LoopDelay(self._registry)
        self._answers = Counter(
            "benchd_http_responses", "Answers over HTTP by status.", ["status"], registry=self._registry
        )
        self._runs = _Runs()

    def answered(self, status: int) -> None:
        self._answers.labels(str(status)).inc()

    def look(self, reader: JournalReader) -> JournalFacts:
        """What has to be read for a scrape: the runs since the last one."""
        return self._runs.look(reader)

    def text(self, status: Mapping[str, Any], journal: JournalFacts, watchers: int = 0) -> tuple[bytes, str]:
        """(the body, its content type)."""
        self._facts.take(status, journal, watchers)
        return generate_latest(self._registry), CONTENT_TYPE_LATEST


class LoopDelay:
    """How late the event loop is: everything that should happen now happens so much later."""

    def __init__(self, registry: CollectorRegistry) -> None:
        self._worst: deque[tuple[float, float]] = deque()  # (when, s), falling
        self._histogram = Histogram(
            "benchd_event_loop_delay_seconds",
            "How late the event loop ran what was due.",
            buckets=(0.001, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5),
            registry=registry,
        )
        registry.register(_Worst(self))

    async def watch(self) -> None:
        """Look for ever."""
        loop = asyncio.get_running_loop()
        while True:
            due = loop.time() + LOOK_S
            await asyncio.sleep(LOOK_S)
            self.note(max(0.0, loop.time() - due), time.monotonic())

    def note(self, delay_s: float, now: float) -> None:
        self._histogram.observe(delay_s)
        while self._worst and self._worst[-1][1] <= delay_s:
            self._worst.pop()
        self._worst.append((now, delay_s))
        self._forget(now)

    def worst_s(self, now: float) -> float:
        """The longest of the last minute."""
        self._forget(now)
        return self._worst[0][1] if self._worst else 0.0

    def _forget(self, now: float) -> None:
        while self._worst and self._worst[0][0] < now - REMEMBERED_S:
            self._worst.popleft()


class _Worst(Collector):
    def __init__(self, delay: LoopDelay) -> None:
        self._delay = delay

    def collect(self) -> Iterable[Metric]:
        yield GaugeMetricFamily(
            "benchd_event_loop_delay_max_seconds",
            "The longest delay of the event loop in the last minute.",
            value=self._delay.worst_s(time.monotonic()),
        )


class _Runs:
    """Counts closed runs, looking only at those that are new since the last time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._newest = ""
        self._open: set[str] = set()
        self._closed: Count[tuple[str, str, str]] = Count()

    def look(self, reader: JournalReader) -> JournalFacts:
        with self._lock:
            for run in sorted(self._open):
                self._sort_in(reader.info(run))
            # All of them first: a journal that cannot be read half way is asked for the same runs the next time.
            for row in list(_newer_than(reader, self._newest)):
                self._newest = max(self._newest, str(row["run"]))
                self._sort_in(row)
            return JournalFacts(dict(self._closed), len(self._open), reader.last_row())

    def _sort_in(self, row: Mapping[str, Any]) -> None:
        run = str(row["run"])
        if row["status"] is None:
            self._open.add(run)
            return
        self._open.discard(run)
        verdict = str(row["verdict"] or row["status"])
        self._closed[str(row["bench"] or ""), str(row["procedure"] or ""), verdict] += 1


def _newer_than(reader: JournalReader, run: str) -> Iterator[dict[str, Any]]:
    before: str | None = None
    while True:
        page = reader.runs(_PAGE, before=before)
        for row in page:
            if str(row["run"]) == run:
                return
            yield row
        if len(page) < _PAGE:
            return
        before = str(page[-1]["run"])


class _Facts(Collector):
    """What the daemon and the journal say, as figures."""

    def __init__(self) -> None:
        self._status: Mapping[str, Any] = {}
        self._journal = JournalFacts({}, 0, 0)
        self._watchers = 0

    def take(self, status: Mapping[str, Any], journal: JournalFacts, watchers: int) -> None:
        self._status, self._journal, self._watchers = status, journal, watchers

    def collect(self) -> Iterable[Metric]:
        if not self._status:
            return
        benches = self._status["benches"]
        yield _build(self._status)
        yield from _of_benches(benches)
        yield from _of_instruments(benches)
        yield from _of_forwarders(self._status["forwarders"])
        yield from self._of_journal()
        yield GaugeMetricFamily("benchd_watchers", "Watchers of a run over WebSocket.", value=self._watchers)
        if (free := self._status["disk"]["free_bytes"]) is not None:
            yield GaugeMetricFamily("benchd_disk_free_bytes", "Free on the journal's disk.", value=free)
        yield GaugeMetricFamily(
            "benchd_warnings", "Warnings that /v1/status shows now.", value=len(self._status["warnings"])
        )

    def _of_journal(self) -> Iterator[Metric]:
        runs = CounterMetricFamily(
            "benchd_runs", "Closed runs by verdict, else by how they ended.", labels=["bench", "procedure", "verdict"]
        )
        for labels, number in sorted(self._journal.runs.items()):
            runs.add_metric(labels, number)
        yield runs
        yield GaugeMetricFamily("benchd_runs_open", "Runs that are open.", value=self._journal.open_runs)
        yield GaugeMetricFamily(
            "benchd_journal_row", "The newest row of the journal's events.", value=self._journal.last_row
        )


def _build(status: Mapping[str, Any]) -> Metric:
    found = GaugeMetricFamily("benchd_build_info", "Always 1.", labels=["version", "daemon", "name"])
    found.add_metric([str(status[key]) for key in ("version", "daemon", "name")], 1)
    return found


def _of_benches(benches: Iterable[Mapping[str, Any]]) -> Iterator[Metric]:
    state = GaugeMetricFamily("benchd_bench_in_run", "1 while the bench is in a run.", labels=["bench"])
    for bench in benches:
        state.add_metric([bench["bench"]], bench["run"] is not None)
    yield state


def _of_instruments(benches: Iterable[Mapping[str, Any]]) -> Iterator[Metric]:
    up = GaugeMetricFamily("benchd_instrument_up", "1 while the instrument talks.", labels=_BY_INSTRUMENT)
    readings = CounterMetricFamily("benchd_readings", "Readings decoded.", labels=_BY_INSTRUMENT)
    decode = CounterMetricFamily(
        "benchd_decode_errors", "Bytes or frames that were none.", labels=(*_BY_INSTRUMENT, "kind")
    )
    wire = CounterMetricFamily(
        "benchd_instrument_errors", "Errors that the instrument reported, and answers that did not come.",
        labels=(*_BY_INSTRUMENT, "kind"),
    )  # fmt: skip
    gaps = CounterMetricFamily("benchd_gaps", "Times that the instrument was lost.", labels=_BY_INSTRUMENT)
    again = CounterMetricFamily("benchd_reconnects", "Times that its port was opened again.", labels=_BY_INSTRUMENT)
    for bench in benches:
        for one in bench["instruments"]:
            labels, counts = [bench["bench"], one["name"]], one["counts"]
            up.add_metric(labels, one["state"] == "talking")
            readings.add_metric(labels, counts.get("readings", 0))
            gaps.add_metric(labels, counts.get("gaps", 0))
            again.add_metric(labels, counts.get("reconnects", 0))
            for family, kinds in ((decode, _DECODE_ERRORS), (wire, _WIRE_ERRORS)):
                for key, kind in kinds.items():
                    family.add_metric([*labels, kind], counts.get(key, 0))
    yield from (up, readings, decode, wire, gaps, again)


def _of_forwarders(forwarders: Iterable[Mapping[str, Any]]) -> Iterator[Metric]:
    gauge, counter = GaugeMetricFamily, CounterMetricFamily
    families: dict[str, GaugeMetricFamily | CounterMetricFamily] = {
        "behind_rows": gauge(
            "benchd_forwarder_behind_rows", "Rows of the journal not yet taken.", labels=["forwarder"]
        ),
        "behind_s": gauge(
            "benchd_forwarder_behind_seconds", "Age of the oldest record not yet taken.", labels=["forwarder"]
        ),
        "sent": counter("benchd_forwarder_sent", "Points or messages taken by the other side.", labels=["forwarder"]),
        "quarantined": gauge("benchd_forwarder_quarantined", "Refused for good, and kept.", labels=["forwarder"]),
        "failures": counter("benchd_forwarder_failures", "Attempts that failed.", labels=["forwarder"]),
    }
    up = gauge("benchd_forwarder_up", "1 while it is up to date or sending.", labels=["forwarder"])
    for one in forwarders:
        up.add_metric([one["name"]], one["state"] in ("up to date", "sending"))
        for key, family in families.items():
            if one[key] is not None:
                family.add_metric([one["name"]], one[key])
    yield up
    yield from families.values()
