"""What the queries of *verdict rates* and *lot drift* must answer."""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import fmean, stdev
from typing import Any

from dashboard_queries import Labels
from dashboard_view import (
    BENCH,
    HOUR,
    JUDGED,
    Answer,
    Place,
    View,
    alone,
    bars,
    choices,
    grouped,
    having,
    last_at,
    newest,
    part_of,
    share_columns,
    verdicts,
)
from planted import Point

# --- verdict rates -----------------------------------------------------------------------------------------------------


def rates(*by: str) -> list[Answer]:
    def counted(*wanted: str) -> Answer:
        return lambda view: view.counted_or_zero(verdicts(view, *wanted), verdicts(view), *by)

    return [counted(*JUDGED), *(counted(name) for name in ("pass", "fail", "undecided", "void")), *share_columns(*by)]


def failed_a_day(view: View) -> dict[Labels, dict[float, float]]:
    def share(some: list[Point]) -> float:
        return sum(one.labels["verdict"] == "fail" for one in some) / len(some)

    return view.over(verdicts(view, *JUDGED), ["procedure"], share, ahead=True)


def times(how: Callable[[list[float]], float]) -> Answer:
    return lambda view: view.each(
        verdicts(view, *JUDGED), ["procedure"], lambda some: how([one.fields["duration_s"] for one in some])
    )


VERDICT_RATES: Place = {
    "Judged runs": lambda view: alone(len(view.within(verdicts(view, *JUDGED)))),
    "Failed, of judged": lambda view: part_of(view, verdicts(view, "fail"), verdicts(view, *JUDGED)),
    "Undecided, of judged": lambda view: part_of(view, verdicts(view, "undecided"), verdicts(view, *JUDGED)),
    "Void, of all": lambda view: part_of(view, verdicts(view, "void"), verdicts(view)),
    "Runs a day": bars(verdicts, "verdict"),
    "Suspects of failed runs": lambda view: view.count(verdicts(view, "fail"), "suspect"),
    "By machine or part": rates("machine"),
    "By bench": rates(*BENCH),
    "Time to the verdict": [
        lambda view: view.count(verdicts(view, *JUDGED), "procedure"),
        times(fmean),
        times(min),
        times(max),
    ],
    "Failed, of judged, a day": failed_a_day,
    "$daemon": choices("daemon", "bench_verdict"),
    "$bench": choices("bench", "bench_verdict", only=["daemon"]),
    "$procedure": choices("procedure", "bench_verdict", only=BENCH),
    "$machine": choices("machine", "bench_verdict", only=[*BENCH, "procedure"]),
}


# --- lot drift ---------------------------------------------------------------------------------------------------------

ON_A_BENCH = ("lot", "daemon", "bench")


def judged_tests(view: View, ending: str = "") -> tuple[str, list[Point]]:
    """The characteristic's field, and the judged tests that have it."""
    field = f"{view.chosen.values['characteristic']}{ending}"
    return field, having(view.of("bench_unit", verdict=JUDGED), field)


def of_values(how: Callable[[list[float]], float], *by: str, least: int = 1) -> Answer:
    def answer(view: View) -> dict[Labels, float]:
        field, points = judged_tests(view)
        groups = grouped(view.within(points), by)
        return {key: how([one.fields[field] for one in some]) for key, some in groups.items() if len(some) >= least}

    return answer


def fitted(how: Callable[[Any], float]) -> Answer:
    """Of the straight line through the tests of each lot and bench, from ten tests on."""

    def answer(view: View) -> dict[Labels, float]:
        from scipy.stats import linregress

        field, points = judged_tests(view)
        groups = {key: some for key, some in grouped(view.within(points), ON_A_BENCH).items() if len(some) >= 10}
        return {
            key: how(linregress([one.at_s - view.end_s for one in some], [one.fields[field] for one in some]))
            for key, some in groups.items()
        }

    return answer


def over_its_error(line: Any) -> float:
    return line.slope / line.stderr if line.slope else 0.0


per_hour = fitted(lambda line: line.slope * HOUR)


def fastest(view: View) -> dict[Labels, float]:
    found = {key: abs(value) for key, value in per_hour(view).items()}
    return dict([max(found.items(), key=lambda item: item[1])]) if found else {}


def each_test(ending: str = "") -> Answer:
    def answer(view: View) -> dict[Labels, dict[float, float]]:
        field, points = judged_tests(view, ending)
        return view.over(points, ON_A_BENCH, newest(field))

    return answer


def band(sigmas: float) -> Answer:
    def answer(view: View) -> dict[Labels, dict[float, float]]:
        field, points = judged_tests(view)
        values = [one.fields[field] for one in view.within(points, None, view.times[-1])]
        if not values:
            return {}
        return view.always(fmean(values) + sigmas * stdev(values))

    return answer


def typed(name: str) -> Answer:
    def answer(view: View) -> dict[Labels, dict[float, float]]:
        value = float(str(view.chosen.values[name]))
        return {} if math.isnan(value) else view.always(value)

    return answer


def moving_mean(view: View) -> dict[Labels, dict[float, float]]:
    field, points = judged_tests(view)
    return view.over(points, ON_A_BENCH, lambda some: fmean(one.fields[field] for one in some), view.window("window"))


def units(view: View, *wanted: str) -> list[Point]:
    return view.of("bench_unit", **({"verdict": wanted} if wanted else {}))


def lots() -> list[Answer]:
    by = ("lot", "machine")

    def counted(name: str) -> Answer:
        return lambda view: view.counted_or_zero(units(view, name), units(view), *by)

    return [
        lambda view: view.each(units(view), by, lambda some: min(one.at_s for one in some) * 1000),
        lambda view: view.each(units(view), by, lambda some: last_at(some) * 1000),
        *(counted(name) for name in ("pass", "fail", "undecided", "void")),
        of_values(fmean, *by),
        of_values(stdev, *by, least=2),
    ]


def characteristics(view: View) -> list[str]:
    fixed = {"run_no", "seq", "serial_key", "serial", "run"}
    return sorted(
        {name for one in units(view) for name in one.fields if name not in fixed and not name.endswith("_su")}
    )


LOT_DRIFT: Place = {
    "Judged tests": lambda view: alone(len(view.within(units(view, *JUDGED)))),
    "Passed, of judged": lambda view: part_of(view, units(view, "pass"), units(view, *JUDGED)),
    "Void tests": lambda view: alone(len(view.within(units(view, "void")))),
    "Fastest drift, an hour": fastest,
    "Every test: $characteristic": [each_test(), band(0), band(3), band(-3), typed("low"), typed("high")],
    "$characteristic by lot and bench": [
        of_values(lambda values: float(len(values)), *ON_A_BENCH),
        of_values(fmean, *ON_A_BENCH),
        of_values(stdev, *ON_A_BENCH, least=2),
        of_values(min, *ON_A_BENCH),
        of_values(max, *ON_A_BENCH),
        per_hour,
        fitted(over_its_error),
        fitted(over_its_error),
    ],
    "Moving mean over $window": moving_mean,
    "Standard uncertainty of each test": each_test("_su"),
    "Tests an hour": bars(units, "verdict"),
    "Failure modes": lambda view: view.count(units(view, "fail", "undecided"), "mode"),
    "Lots": lots(),
    "$daemon": choices("daemon", "bench_unit"),
    "$bench": choices("bench", "bench_unit", only=["daemon"]),
    "$part": choices("machine", "bench_unit", only=BENCH),
    "$lot": choices("lot", "bench_unit", only=[*BENCH, "part"]),
    "$characteristic": characteristics,
}
