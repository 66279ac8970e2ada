"""What every query of every dashboard must answer of the planted runs; here those of *bench health* and *fleet*."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from answers_of_rates import LOT_DRIFT, VERDICT_RATES
from answers_of_runs import BENCHES_NOW, RUNS, silent_labels
from dashboard_queries import Labels
from dashboard_view import (
    BENCH,
    JUDGED,
    Answer,
    Place,
    View,
    a_second,
    alone,
    bars,
    choices,
    grouped,
    having,
    last_at,
    part_of,
    share_columns,
    verdicts,
)
from planted import Point

from benchd.core.samples import CHANNELS

# --- bench health ------------------------------------------------------------------------------------------------------

INSTRUMENT = ("daemon", "bench", "source")
READING = ("daemon", "bench", "instrument", "quantity")


def gaps(view: View, *states: str) -> list[Point]:
    return view.of("bench_event", event="gap", state=states)


def flagged(view: View) -> list[Point]:
    return view.of("bench_event", event="flag", state="on")


def closed(view: View) -> list[Point]:
    return view.of("bench_event", event="closed")


def not_judged(view: View) -> list[Point]:
    return [one for one in closed(view) if one.labels["state"] != "judged"]


def channels_read(view: View) -> dict[Labels, float]:
    kind = ("daemon", "bench", "procedure")
    points = view.within(view.of("bench_sample"))
    whole = {key: len(some) for key, some in grouped(points, kind).items()}
    found = {}
    for channel in CHANNELS:
        for key, some in grouped(having(points, channel), kind).items():
            found[key | {("channel", channel)}] = len(some) / whole[key]
    return found


def samples_of(view: View) -> list[Point]:
    return view.of("bench_sample")


def readings_of(view: View) -> list[Point]:
    return view.of("bench_reading")


BENCH_HEALTH: Place = {
    "Instruments lost": lambda view: alone(len(view.within(gaps(view, "lost")))),
    "Flags": lambda view: alone(len(view.within(flagged(view)))),
    "Void, of all runs": lambda view: part_of(view, verdicts(view, "void"), verdicts(view)),
    "Runs not judged": lambda view: alone(len(view.within(not_judged(view)))),
    "Instruments that were lost": [
        lambda view: view.count(gaps(view, "lost"), *INSTRUMENT),
        lambda view: view.counted_or_zero(gaps(view, "back"), gaps(view, "lost"), *INSTRUMENT),
        lambda view: view.each(gaps(view, "lost"), INSTRUMENT, lambda some: last_at(some) * 1000),
        lambda view: silent_labels(view, view.range_s, *INSTRUMENT),
    ],
    "Losses over time": lambda view: view.over(gaps(view, "lost"), INSTRUMENT, lambda some: float(len(some))),
    "Flags over time": lambda view: view.over(flagged(view), INSTRUMENT, lambda some: float(len(some))),
    "How runs ended, a day": bars(closed, "state"),
    "By bench": [
        lambda view: view.count(verdicts(view), *BENCH),
        lambda view: view.counted_or_zero(verdicts(view, "void"), verdicts(view), *BENCH),
        lambda view: {
            key: view.count(verdicts(view, "void"), *BENCH).get(key, 0) / n
            for key, n in view.count(verdicts(view), *BENCH).items()
        },
        lambda view: view.counted_or_zero(not_judged(view), verdicts(view), *BENCH),
    ],
    "Channels read, of all samples": channels_read,
    "Samples a second": a_second(samples_of, *BENCH),
    "Readings a second": a_second(readings_of, *READING),
    "Readings by instrument": [
        lambda view: view.count(readings_of(view), *READING),
        lambda view: view.each(readings_of(view), READING, lambda some: last_at(some) * 1000),
    ],
    "$daemon": choices("daemon", "bench_sample", "bench_event", "bench_verdict"),
    "$bench": choices("bench", "bench_sample", "bench_event", "bench_verdict", only=["daemon"]),
}


# --- fleet -------------------------------------------------------------------------------------------------------------


def anything(view: View) -> list[Point]:
    kinds = ("bench_sample", "bench_verdict", "bench_event", "bench_unit")
    return [point for kind in kinds for point in view.of(kind, "daemon")]


def heard(view: View) -> set[Labels]:
    return set(view.count(anything(view), "daemon", window_s=view.window("heard")))


def daemons(points: Callable[[View], list[Point]]) -> Answer:
    """A count for every daemon that was heard in the time range."""
    return lambda view: view.counted_or_zero(points(view), anything(view), "daemon")


def benches_of_daemons(view: View) -> dict[Labels, float]:
    groups = grouped(view.within(anything(view)), ["daemon"])
    return {key: float(len({one.labels["bench"] for one in some})) for key, some in groups.items()}


def series_of_daemons(view: View) -> dict[Labels, float]:
    kinds = ("bench_sample", "bench_verdict", "bench_event", "bench_unit", "bench_reading")
    found: dict[Labels, set[Any]] = {}
    for point in view.within(point for kind in kinds for point in view.of(kind, "daemon")):
        key = frozenset({("daemon", point.labels["daemon"])})
        found.setdefault(key, set()).update(
            (point.measurement, name, *sorted(point.labels.items())) for name in point.fields
        )
    return {key: float(len(some)) for key, some in found.items()}


def fleet_shares(*by: str) -> list[Answer]:
    return [lambda view: view.count(verdicts(view, *JUDGED), *by), *share_columns(*by)]


FLEET: Place = {
    "Daemons heard": lambda view: alone(len(heard(view))),
    "Daemons silent": lambda view: alone(len(set(view.count(anything(view), "daemon")) - heard(view))),
    "Benches": lambda view: alone(sum(benches_of_daemons(view).values())),
    "Judged runs": lambda view: alone(len(view.within(verdicts(view, *JUDGED)))),
    "Every daemon": [
        lambda view: {key: float(key in heard(view)) for key in view.count(anything(view), "daemon")},
        lambda view: view.each(anything(view), ["daemon"], lambda some: view.end_s - last_at(some)),
        benches_of_daemons,
        *fleet_shares("daemon"),
        lambda view: view.counted_or_zero(verdicts(view, "void"), verdicts(view), "daemon"),
        daemons(lambda view: view.of("bench_unit", "daemon")),
        daemons(lambda view: view.of("bench_sample", "daemon")),
    ],
    "Runs a day": bars(verdicts, "daemon"),
    "Samples a second": a_second(lambda view: view.of("bench_sample", "daemon"), "daemon"),
    "The same machine, everywhere": fleet_shares("machine", "daemon"),
    "Trouble": [
        daemons(lambda view: view.of("bench_event", "daemon", event="gap", state="lost")),
        daemons(
            lambda view: view.of("bench_event", "daemon", event="closed", state=("aborted", "interrupted", "failed"))
        ),
    ],
    "Series of each daemon": series_of_daemons,
    "$daemon": choices("daemon", "bench_sample", "bench_verdict", "bench_event", "bench_unit"),
    "$procedure": choices("procedure", "bench_verdict", only=["daemon"]),
    "$machine": choices("machine", "bench_verdict", only=["daemon", "procedure"]),
}

ANSWERS: dict[str, Place] = {
    "benches-now.json": BENCHES_NOW,
    "runs.json": RUNS,
    "verdict-rates.json": VERDICT_RATES,
    "lot-drift.json": LOT_DRIFT,
    "bench-health.json": BENCH_HEALTH,
    "fleet.json": FLEET,
}


def answers() -> dict[tuple[str, str, str], Answer]:
    """(file, place, ref) of a query -> what it must answer."""
    found: dict[tuple[str, str, str], Answer] = {}
    for file, places in ANSWERS.items():
        for place, told in places.items():
            several = [told] if callable(told) else told
            found |= {(file, place, chr(ord("A") + number)): each for number, each in enumerate(several)}
    return found
