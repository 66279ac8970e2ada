"""What the queries of *benches now* and *runs* must answer."""

from __future__ import annotations

from collections.abc import Callable
from statistics import fmean

from dashboard_queries import Labels
from dashboard_view import (
    BENCH,
    DAY,
    JUDGED,
    RUN,
    Answer,
    Place,
    View,
    alone,
    by_series,
    choices,
    grouped,
    having,
    last_at,
    marks,
    newest,
)
from planted import Point, Run

# --- benches now -------------------------------------------------------------------------------------------------------


def benches(view: View, window: str) -> set[Labels]:
    return set(view.count(view.of("bench_sample"), *BENCH, window_s=view.window(window)))


def silent(view: View, window_s: int) -> list[tuple[Run, str, float]]:
    """(run, instrument, since when it is lost), of runs that are not closed."""
    found = []
    for run in view.runs:
        if run.closed is not None or not view.takes({"daemon": run.daemon, "bench": run.bench.replace(" ", "-")}):
            continue
        lost: dict[str, float] = {}
        for t_s, body in sorted(run.events, key=lambda event: event[0]):
            if body["kind"] == "gap" and view.end_s - window_s < run.start_s + t_s <= view.end_s:
                lost.pop(body["instrument"], None)
                if body["state"] == "lost":
                    lost[body["instrument"]] = run.start_s + t_s
        found += [(run, source, at_s) for source, at_s in lost.items()]
    return found


def silent_labels(view: View, window_s: int, *by: str) -> dict[Labels, float]:
    found = {}
    for run, source, at_s in silent(view, window_s):
        labels = {**next(iter(run.points())).labels, "source": source}
        found[frozenset((tag, labels[tag]) for tag in by)] = view.end_s - at_s
    return found


def newest_runs(view: View, measurement: str, window_s: int) -> list[list[Point]]:
    """The points of the newest run of each bench, in order of time."""
    found = []
    for points in grouped(view.within(view.of(measurement), window_s), BENCH).values():
        number = max(one.fields["run_no"] for one in points)
        found.append([one for one in points if one.fields["run_no"] == number])
    return found


def number_of_newest(measurement: str, *by: str) -> Answer:
    def answer(view: View) -> dict[Labels, float]:
        runs = newest_runs(view, measurement, view.window("known"))
        return {frozenset((tag, run[0].labels[tag]) for tag in by): run[0].fields["run_no"] for run in runs}

    return answer


def of_newest(channel: str) -> Answer:
    def answer(view: View) -> dict[Labels, float]:
        runs = [having(run, channel) for run in newest_runs(view, "bench_sample", view.window("fresh"))]
        return {frozenset((tag, run[0].labels[tag]) for tag in BENCH): newest(channel)(run) for run in runs if run}

    return answer


def ran(view: View) -> dict[Labels, dict[float, float]]:
    """1 where a bench had samples in the step, 0 where it had some in the time before that counts as known."""
    points = view.of("bench_sample")
    known = view.over(points, BENCH, lambda _: 0.0, view.window("known"))
    now = view.over(points, BENCH, lambda _: 1.0)
    return {key: times | now.get(key, {}) for key, times in known.items()}


def state(view: View) -> dict[Labels, float]:
    fresh = benches(view, "fresh")
    return {key: float(key in fresh) for key in benches(view, "known")}


def channel_of_benches(channel: str, how: Callable[[list[float]], float]) -> Answer:
    return lambda view: view.over(having(view.of("bench_sample"), channel), BENCH, by_series(channel, how))


BENCHES_NOW: Place = {
    "Benches in a run": lambda view: alone(len(benches(view, "fresh"))),
    "Benches between runs": lambda view: alone(len(benches(view, "known") - benches(view, "fresh"))),
    "Instruments silent": lambda view: alone(len(silent(view, view.window("known")))),
    "Newest sample": lambda view: view.each(
        view.of("bench_sample"), [], lambda some: view.end_s - last_at(some), view.window("known")
    ),
    "Every bench": [
        state,
        number_of_newest("bench_sample", *BENCH, "procedure"),
        *(of_newest(channel) for channel in ("battery_volts", "charge_amps", "engine_rpm", "stator_volts")),
        lambda view: view.each(
            view.of("bench_sample"), BENCH, lambda some: view.end_s - last_at(some), view.window("known")
        ),
        number_of_newest("bench_verdict", *BENCH, "verdict", "suspect"),
    ],
    "When it ran": ran,
    "Silent instruments": lambda view: silent_labels(view, view.window("known"), *RUN, "source"),
    "Battery volts": channel_of_benches("battery_volts", max),
    "Charge amps": channel_of_benches("charge_amps", fmean),
    "Engine speed": channel_of_benches("engine_rpm", fmean),
    "Stator volts, AC": channel_of_benches("stator_volts", fmean),
    "@Lost and back": marks("bench_event", event="gap"),
    "$daemon": choices("daemon", "bench_sample", "bench_verdict"),
    "$bench": choices("bench", "bench_sample", "bench_verdict", only=["daemon"]),
}


# --- runs --------------------------------------------------------------------------------------------------------------

VERDICT = ("daemon", "bench", "procedure", "machine", "verdict", "suspect", "turn")


def curve(channel: str, how: Callable[[list[float]], float]) -> Answer:
    def answer(view: View) -> dict[Labels, dict[float, float]]:
        found: dict[Labels, dict[float, float]] = {}
        picked = view.chosen.values["run"]
        for number in sorted({one.fields["run_no"] for one in view.of("bench_sample")}):
            if f"{number:g}" in picked:
                points = [one for one in having(view.of("bench_sample"), channel) if one.fields["run_no"] == number]
                for key, times in view.over(points, RUN, by_series(channel, how)).items():
                    found[key | {("run_no", f"{number:g}")}] = times
        return found

    return answer


def every_run(how: Callable[[Point], float]) -> Answer:
    return lambda view: view.over(
        view.of("bench_verdict"), VERDICT, lambda some: how(max(some, key=lambda one: one.at_s))
    )


def measured(sign: int) -> Answer:
    def answer(view: View) -> dict[Labels, dict[float, float]]:
        name = str(view.chosen.values["measured"])
        points = [one for one in having(view.of("bench_verdict"), name) if not sign or f"{name}_u" in one.fields]
        by = ("daemon", "bench", "machine")
        return view.over(
            points, by, lambda some: max(one.fields[name] + sign * one.fields.get(f"{name}_u", 0) for one in some)
        )

    return answer


def run_numbers(view: View) -> list[str]:
    """The newest run of every series."""
    series = grouped(view.within(view.of("bench_sample")), RUN).values()
    return sorted({f"{newest('run_no')(points):g}" for points in series})


def measured_names(view: View) -> list[str]:
    fixed = {"run_no", "seq", "samples", "duration_s", "run", "work_order", "unit", "digest"}
    first_s = view.chosen.start_s - view.chosen.start_s % DAY
    points = [one for one in view.of("bench_verdict") if one.at_s >= first_s]
    return sorted({name for one in points for name in one.fields if name not in fixed and not name.endswith("_u")})


RUNS: Place = {
    "Verdicts": lambda view: view.count(view.of("bench_verdict"), "verdict"),
    "Cut off, without a verdict": lambda view: alone(
        len(view.within(view.of("bench_event", event="closed", state="interrupted")))
    ),
    "Mean time to a verdict": lambda view: view.each(
        view.of("bench_verdict", verdict=JUDGED), [], lambda some: fmean(one.fields["duration_s"] for one in some)
    ),
    "Every run": [
        every_run(lambda point: point.fields["run_no"]),
        every_run(lambda point: point.at_s * 1000),
        every_run(lambda point: point.fields["duration_s"]),
        every_run(lambda point: point.fields["samples"]),
        every_run(lambda point: (point.at_s - point.fields["duration_s"] - 60) * 1000),
        every_run(lambda point: (point.at_s + 30) * 1000),
    ],
    "Battery volts": curve("battery_volts", max),
    "Charge amps": curve("charge_amps", fmean),
    "Engine speed": curve("engine_rpm", fmean),
    "Stator volts, AC": curve("stator_volts", fmean),
    "Measured: $measured": [measured(0), measured(1), measured(-1)],
    "Time to the verdict": lambda view: view.over(
        view.of("bench_verdict"), ("bench", "procedure"), lambda some: max(one.fields["duration_s"] for one in some)
    ),
    "@Verdicts": marks("bench_verdict"),
    "@Lost and back": marks("bench_event", event="gap"),
    "@Flags": marks("bench_event", event="flag"),
    "@Operator's marks": marks("bench_event", event="mark"),
    "$daemon": choices("daemon", "bench_sample", "bench_verdict"),
    "$bench": choices("bench", "bench_sample", "bench_verdict", only=["daemon"]),
    "$procedure": choices("procedure", "bench_sample", "bench_verdict", only=BENCH),
    "$machine": choices("machine", "bench_verdict", only=[*BENCH, "procedure"]),
    "$run": run_numbers,
    "$measured": measured_names,
}
