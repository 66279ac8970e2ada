"""Lot drift: what an inspector looks at while a lot is tested, and over many lots of one part. A check standard is a lot too."""

from __future__ import annotations

from . import _pieces as draw
from ._looks import BLUE, GREY, ORANGE, VERDICTS, YELLOW, Json, colour, matching, ranges, steps
from ._pieces import Column, Query
from ._queries import HERE, JUDGED, count, deviation, mean, of, or_none, or_zero

ONE = 'daemon=~"$daemon"'
PART = 'machine=~"$part"'
LOTS = HERE + ', machine=~"$part", lot=~"$lot"'
VALUE = "bench_unit_$characteristic"
TESTED = f"{LOTS}, {JUDGED}"
ON_A_BENCH = "lot, daemon, bench"
LEAST = 10  # tests through which a line is laid
#: Fields of a test that are no characteristic.
NOT_CHARACTERISTIC = "run_no|seq|serial_key|serial|run"
UNIT = "In the characteristic's own unit, as the part's file has it."


def dashboard() -> Json:
    return draw.page(
        "benchd-lot-drift",
        "benchd: lot drift",
        "One characteristic of rebuilt units over time, by lot and bench. Choose a check standard as the lot to see the bench itself drift. "
        "All judged tests count here, retests too; control limits, capability and acceptance are in benchd lot report.",
        _variables(),
        [
            (4, [(5, _tests()), (5, _passed()), (5, _void()), (9, _worst_drift())]),
            (10, [(24, _each())]),
            (9, [(24, _by_bench())]),
            (8, [(12, _moving()), (12, _uncertainty())]),
            (8, [(14, _by_hour()), (10, _modes())]),
            (9, [(24, _lots())]),
        ],
        since="now-8h",
    )  # fmt: skip


def _variables() -> list[Json]:
    seq = "bench_unit_seq"
    names = f'label_values({{__name__=~"bench_unit_.+", {LOTS}}}, __name__)'
    limit = "Drawn as a line. NaN: none. The store does not know the limits; they stand in the part's file."
    return [
        draw.store(),
        draw.choice("daemon", "Daemon", f"label_values({seq}, daemon)"),
        draw.choice("bench", "Bench", f"label_values({of(seq, ONE)}, bench)"),
        draw.choice("part", "Part", f"label_values({of(seq, HERE)}, machine)"),
        draw.choice("lot", "Lot", f"label_values({of(seq, HERE, PART)}, lot)", sort=2, about="A lot, or a check standard."),
        draw.choice("characteristic", "Characteristic", names, all=False, several=False,
                    regex=f"/^bench_unit_((?!(?:{NOT_CHARACTERISTIC})$)(?!.*_su$).+)$/"),
        draw.picked("window", "Moving mean over", ["15m", "30m", "1h", "4h", "8h", "1d"], "1h", "How much of the past each point of it takes in."),
        draw.typed("low", "Low limit", "NaN", limit),
        draw.typed("high", "High limit", "NaN", limit),
    ]  # fmt: skip


# --- how it drifts -----------------------------------------------------------------------------------------------------


def _minutes() -> str:
    """A value a minute for each lot and bench, as a subquery over the time range: what a line can be fitted to."""
    return f"(avg by ({ON_A_BENCH}) (avg_over_time({of(VALUE, TESTED)}[1m])))[$__range:1m]"


def drift() -> str:
    """The slope of a straight line through the tests, per hour. A few tests make no line."""
    return f"(deriv({_minutes()}) and count_over_time({_minutes()}) >= {LEAST}) * 3600"


def surely() -> str:
    """The slope over its own standard error: t = r sqrt((n - 2) / (1 - r^2)), r = slope s_t / s_x; n at least LEAST, so that three of
    them are more than chance (1.7 % at ten tests, less beyond)."""
    minutes = _minutes()
    moments = f"(time() + 0 * avg by ({ON_A_BENCH}) (avg_over_time({of(VALUE, TESTED)}[1m])))[$__range:1m]"
    # Clamped: values that never differ have no drift, and a line without any scatter is as sure as can be.
    r = f"(deriv({minutes}) * stddev_over_time({moments}) / clamp_min(stddev_over_time({minutes}), 1e-12))"
    return f"{r} * sqrt(((count_over_time({minutes}) >= {LEAST}) - 2) / clamp_min(1 - {r} * {r}, 1e-9))"


_SURE = [
    ranges((None, -3, "falls", ORANGE), (3, None, "rises", ORANGE), (-3, -2, "perhaps falls", YELLOW), (2, 3, "perhaps rises", YELLOW),
           (-2, 2, "no drift shown", BLUE)),
]  # fmt: skip


def _worst_drift() -> Json:
    return draw.stat(
        "Fastest drift, an hour",
        f"The steepest of the straight lines through the tests of each lot and bench, up or down; from {LEAST} tests on. {UNIT} Whether it is "
        "more than chance, the table below says in words.",
        Query(f"topk(1, abs({drift()}))", "{{lot}}, {{bench}} ({{daemon}})"),
        decimals=4,
    )


def _by_bench() -> Json:
    n = count(VALUE, TESTED, ON_A_BENCH)
    columns = [
        Column("Tests", n),
        Column("Mean", mean(VALUE, TESTED, ON_A_BENCH), decimals=4),
        Column("Standard deviation", deviation(VALUE, TESTED, ON_A_BENCH), decimals=4),
        Column("Lowest", f"min by ({ON_A_BENCH}) (min_over_time({of(VALUE, TESTED)}[$__range]))", decimals=4),
        Column("Highest", f"max by ({ON_A_BENCH}) (max_over_time({of(VALUE, TESTED)}[$__range]))", decimals=4),
        Column("Drift, an hour", drift(), decimals=4),
        Column("Drift over its error", surely(), decimals=1),
        Column("It", surely(), mappings=_SURE[0]),
    ]
    return draw.table(
        "$characteristic by lot and bench",
        f"{UNIT} The drift is a straight line through the tests, a value a minute, from {LEAST} tests on. 'rises', 'falls': it is more than three of its own standard "
        "errors; 'perhaps': more than two. Benches that differ in their mean: compare them with a check standard or a gauge study.",
        {"lot": "Lot", "daemon": "Daemon", "bench": "Bench"}, columns, sort=("Lot", True),
    )  # fmt: skip


# --- charts ------------------------------------------------------------------------------------------------------------


def _each() -> Json:
    value = f"max by ({ON_A_BENCH}) (last_over_time({of(VALUE, TESTED)}[$__interval]))"
    everywhere = mean(VALUE, TESTED, at=" @ end()")
    spread = deviation(VALUE, TESTED, at=" @ end()")
    dashed = (
        ("custom.drawStyle", "line"),
        ("custom.showPoints", "never"),
        ("custom.lineStyle", {"fill": "dash", "dash": [10, 10]}),
    )
    return draw.chart(
        "Every test: $characteristic",
        f"One point a judged test, at the start of its run. {UNIT} Dashed: the mean of the tests shown and three standard deviations to each side, "
        "which are no control limits; the limits typed above. In a time range of weeks several tests can share a step, and the last is shown.",
        Query(value, "{{lot}}, {{bench}} ({{daemon}})", True, "1s"),
        Query(everywhere, "mean", True, "1m"),
        Query(f"{everywhere} + 3 * {spread}", "mean + 3 s", True, "1m"),
        Query(f"{everywhere} - 3 * {spread}", "mean - 3 s", True, "1m"),
        Query("$low", "low limit", True, "1m"),
        Query("$high", "high limit", True, "1m"),
        draw="points", points=5000, decimals=4, legend=["lastNotNull"],
        overrides=[matching("/^mean/", *dashed, ("color", {"mode": "fixed", "fixedColor": GREY})),
                   matching("/ limit$/", *dashed, ("color", {"mode": "fixed", "fixedColor": ORANGE}))],
    )  # fmt: skip


def _moving() -> Json:
    return draw.chart(
        "Moving mean over $window", f"Of all tests of the last $window, by lot and bench. {UNIT}",
        Query(mean(VALUE, TESTED, ON_A_BENCH, "$window"), "{{lot}}, {{bench}} ({{daemon}})", True, "1m"), decimals=4,
    )  # fmt: skip


def _uncertainty() -> Json:
    stated = of("bench_unit_${characteristic}_su", TESTED)
    value = f"max by ({ON_A_BENCH}) (last_over_time({stated}[$__interval]))"
    return draw.chart(
        "Standard uncertainty of each test",
        f"{UNIT} It belongs to the meters: where it grows, one of them changed range or wanders. Empty where no accuracy is stated.",
        Query(value, "{{lot}}, {{bench}} ({{daemon}})", True, "1s"), draw="points", points=5000, decimals=4, low=0,
    )  # fmt: skip


def _by_hour() -> Json:
    found = count("bench_unit_run_no", LOTS, "verdict", "1h", "-1h")
    return draw.chart(
        "Tests an hour", "Stacked by verdict; the bar of an hour stands at its beginning.", Query(found, "{{verdict}}", True, "1h"),
        draw="bars", legend=["sum"], decimals=0, overrides=[colour(name, shade) for name, shade in VERDICTS.items()],
    )  # fmt: skip


# --- counts ------------------------------------------------------------------------------------------------------------


def _counted(verdict: str, by: str = "") -> str:
    return count("bench_unit_run_no", f"{LOTS}, {verdict}", by)


def _tests() -> Json:
    return draw.stat(
        "Judged tests",
        "Tests of units that passed, failed or were undecided; retests count.",
        Query(or_none(_counted(JUDGED))),
    )


def _passed() -> Json:
    passed = or_none(_counted('verdict="pass"'))
    return draw.stat(
        "Passed, of judged", "Share of judged tests that passed. First pass and final yield by unit are in benchd lot report.",
        Query(f"({passed}) / {_counted(JUDGED)}"), unit="percentunit", decimals=1,
    )  # fmt: skip


def _void() -> Json:
    return draw.stat(
        "Void tests",
        "Tests that say nothing of the unit.",
        Query(or_none(_counted('verdict="void"'))),
        thresholds=steps(GREY),
    )


def _modes() -> Json:
    found = count("bench_unit_run_no", f'{LOTS}, verdict=~"fail|undecided"', "mode")
    return draw.bars_of(
        "Failure modes",
        "Main failure mode of tests that failed or were undecided.",
        Query(f"sort_desc({found})", "{{mode}}"),
    )


def _lots() -> Json:
    by = "lot, machine"
    everything, times = count("bench_unit_run_no", LOTS, by), of("bench_unit_seq", LOTS)
    columns = [
        Column("First test", f"min by ({by}) (tfirst_over_time({times}[$__range])) * 1000", "dateTimeAsIso", None),
        Column("Newest test", f"max by ({by}) (tlast_over_time({times}[$__range])) * 1000", "dateTimeAsIso", None),
        *(Column(title, or_zero(_counted(f'verdict="{name}"', by), everything))
          for name, title in (("pass", "Passed"), ("fail", "Failed"), ("undecided", "Undecided"), ("void", "Void"))),
        Column("Mean", mean(VALUE, TESTED, by), decimals=4),
        Column("Standard deviation", deviation(VALUE, TESTED, by), decimals=4),
    ]  # fmt: skip
    alone = (
        "This lot alone",
        "/d/benchd-lot-drift?var-lot=${__data.fields.lot}&var-characteristic=${characteristic}&${__url_time_range}",
    )
    return draw.table(
        "Lots",
        "Every lot and check standard that was tested in the time range, with mean and standard deviation of $characteristic; a longer time range "
        "shows how lots differ.",
        {"lot": "Lot", "machine": "Part"}, columns, sort=("Newest test", True), links={"Lot": alone},
    )  # fmt: skip
