"""Pieces of queries in MetricsQL over what benchd writes (configs/guide/time-series.md).

The traps: most measurements have one point an event, so every query names its window (`[...]`): without one, a store repeats
old values into gaps. Series are told apart by tags that come and go (`turn`, `verdict`, `mode`), so values are counted and
summed inside each series first and over the series then. A store of numbers keeps the run's number, not its id.
"""

from __future__ import annotations

#: What names one run's series; `run_no` tells runs of one turn apart.
RUN = "daemon, bench, procedure, turn"
BENCH = "daemon, bench"
HERE = 'daemon=~"$daemon", bench=~"$bench"'
KIND = HERE + ', procedure=~"$procedure"'
MACHINE = KIND + ', machine=~"$machine"'
JUDGED = 'verdict=~"pass|fail|undecided"'


def of(metric: str, *where: str) -> str:
    """A selector. A name that is a variable or has a hyphen stands in quotes."""
    named = "-" in metric or "$" in metric
    matchers = [f'__name__="{metric}"'] if named else []
    inside = ", ".join([*matchers, *filter(None, where)])
    return f"{'' if named else metric}{{{inside}}}"


def count(metric: str, where: str, by: str = "", window: str = "$__range", offset: str = "") -> str:
    """How many points there are in the window. Nothing, not 0, where there are none."""
    grouped = f" by ({by})" if by else ""
    behind = f" offset {offset}" if offset else ""
    return f"sum{grouped} (count_over_time({of(metric, where)}[{window}]{behind}))"


def mean(metric: str, where: str, by: str = "", window: str = "$__range", at: str = "") -> str:
    """The mean over all points, each with the same weight, whatever series they are in."""
    total, n = (_summed(how, of(metric, where), by, window, at) for how in ("sum_over_time", "count_over_time"))
    return f"{total} / {n}"


def deviation(metric: str, where: str, by: str = "", window: str = "$__range", at: str = "") -> str:
    """The standard deviation over all points of several series, n - 1 in the denominator; nothing below two points.

    From sums of squares: 1 mV of spread at 14 V leaves seven of the sixteen digits, which is enough to look at."""
    n, total, squares = (
        _summed(how, of(metric, where), by, window, at)
        for how in ("count_over_time", "sum_over_time", "sum2_over_time")
    )
    return f"sqrt(clamp_min({squares} - {total} ^ 2 / {n}, 0) / (({n} - 1) > 0))"


def _summed(how: str, selector: str, by: str, window: str, at: str) -> str:
    grouped = f" by ({by})" if by else ""
    return f"sum{grouped} ({how}({selector}[{window}]{at}))"


def or_none(query: str) -> str:
    """0 where a count has nothing to count."""
    return f"({query}) or vector(0)"


def or_zero(query: str, others: str) -> str:
    """`query`, and 0 for whatever `others` have beside."""
    return f"(({query}) or 0 * ({others}))"


# --- the newest run of a bench -----------------------------------------------------------------------------------------


def newest(metric: str, where: str, window: str) -> str:
    """The run number of the newest run of each bench, with its tags: numbers of a daemon only grow."""
    seen = f"last_over_time({of(metric, where)}[{window}])"
    return f"({seen} == on ({BENCH}) group_left () max by ({BENCH}) ({seen}))"


def newest_value(channel: str, window: str) -> str:
    """The newest value of a channel in the newest run of each bench."""
    run = newest("bench_sample_run_no", HERE, window)
    return f"max by ({BENCH}) (last_over_time({of(f'bench_sample_{channel}', HERE)}[{window}]) and on ({RUN}) {run})"


def silent(window: str) -> str:
    """Since when (UTC s) instruments are lost that did not come back, in runs that are not closed."""
    source = f"{RUN}, source"
    lost, back, closed = (
        f"max by ({group}) (tlast_over_time({of('bench_event_seq', HERE, which)}[{window}]))"
        for group, which in (
            (source, 'event="gap", state="lost"'),
            (source, 'event="gap", state="back"'),
            (RUN, 'event="closed"'),
        )
    )
    return f"({lost} unless {lost} <= {back} unless {lost} <= on ({RUN}) group_left () {closed})"


# --- the runs that were chosen -----------------------------------------------------------------------------------------


def of_runs(metric: str, how: str = "avg_over_time") -> str:
    """A channel of the runs in `$run`, one series a run, with the tag `run_no`. `turn` alone comes back every sixteenth run."""
    numbers = f"last_over_time({of('bench_sample_run_no', KIND)}[$__interval])"
    chosen = f'label_match(count_values by ({RUN}) ("run_no", {numbers}), "run_no", "$run")'
    return f"{how}({of(f'bench_sample_{metric}', KIND)}[$__interval]) * on ({RUN}) group_left (run_no) {chosen}"


# --- shares ------------------------------------------------------------------------------------------------------------

Z = 1.959964  # of 95 %


def share(part: str, whole: str) -> str:
    return f"{or_zero(part, whole)} / ({whole})"


def wilson(part: str, whole: str, sign: str) -> str:
    """One end ('-' or '+') of the 95 % interval of a share (Wilson's score interval): few runs say little, and it shows."""
    p, n, z2 = f"({share(part, whole)})", f"({whole})", f"{Z * Z:.9f}"
    half = f"{Z} * sqrt({p} * (1 - {p}) / {n} + {z2} / (4 * {n} * {n}))"
    return f"({p} + {z2} / (2 * {n}) {sign} {half}) / (1 + {z2} / {n})"
