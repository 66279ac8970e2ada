"""Runs: every run of the time range, and the curves of those that are picked."""

from __future__ import annotations

from . import _pieces as draw
from ._looks import BLUE, GREY, ORANGE, VERDICTS, YELLOW, Json, colour, matching, steps
from ._pieces import Column, Query
from ._queries import HERE, KIND, MACHINE, RUN, count, of, of_runs, or_none

#: Fields of a verdict that are no measured quantity.
NOT_MEASURED = "run_no|seq|samples|duration_s|run|work_order|unit|digest"
VERDICT = "daemon, bench, procedure, machine, verdict, suspect, turn"
VERDICT_NAMES = '__name__=~"bench_verdict_.+"'


def dashboard() -> Json:
    return draw.page(
        "benchd-runs",
        "benchd: runs",
        "Every run with its verdict, and the curves of the runs picked above. A run's number in the list leads to its curves. "
        "Reasons, limits and the report are in the journal: benchd history, benchd replay.",
        _variables(),
        [
            (4, [(12, _verdicts()), (6, _without()), (6, _duration())]),
            (10, [(24, _every_run())]),
            "Curves of the runs picked above",
            (8, [(12, _curve("battery_volts", "Battery volts", "volt", "max_over_time")), (12, _curve("charge_amps", "Charge amps", "amp"))]),
            (8, [(12, _curve("engine_rpm", "Engine speed", "rotrpm")), (12, _curve("stator_volts", "Stator volts, AC", "volt"))]),
            "What the verdicts rest on",
            (9, [(14, _measured()), (10, _seconds())]),
        ],
        since="now-24h", annotations=_annotations(),
    )  # fmt: skip


def _variables() -> list[Json]:
    numbers = of("bench_sample_run_no", KIND)
    seen = f'count_values by ({RUN}) ("run_no", last_over_time({numbers}[$__range]))'
    any_kind = '{__name__=~"bench_(sample|verdict)_seq"'
    return [
        draw.store(),
        draw.choice("daemon", "Daemon", f"label_values({any_kind}}}, daemon)"),
        draw.choice("bench", "Bench", f'label_values({any_kind}, daemon=~"$daemon"}}, bench)'),
        draw.choice("procedure", "Procedure", f"label_values({any_kind}, {HERE}}}, procedure)"),
        draw.choice("machine", "Machine", f"label_values({of('bench_verdict_seq', KIND)}, machine)", about="A machine or a part, by its spec."),
        draw.choice(
            "run", "Run", f"query_result({seen})", regex='/run_no="(\\d+)"/', all=False, sort=4,
            about="At least the sixteen newest runs of the time range. For older ones move its end, or click a run's number in the list.",
        ),
        draw.choice(
            "measured", "Measured", f"label_values({{{VERDICT_NAMES}, {MACHINE}}}, __name__)", all=False, several=False,
            regex=f"/^bench_verdict_((?!(?:{NOT_MEASURED})$)(?!.*_u$).+)$/", about="A quantity that verdicts hold, with its uncertainty.",
        ),
    ]  # fmt: skip


def _verdicts() -> Json:
    return draw.stat(
        "Verdicts",
        "Runs of the time range by verdict. Undecided: measured well, but too close to call. Void: the conditions were not met, it says "
        "nothing of the machine.",
        Query(count("bench_verdict_run_no", MACHINE, "verdict"), "{{verdict}}"),
        overrides=[colour(name, shade) for name, shade in VERDICTS.items()],
    )


def _without() -> Json:
    ended = count("bench_event_run_no", KIND + ', event="closed", state="interrupted"')
    return draw.stat(
        "Cut off, without a verdict",
        "Runs that a power cut or a killed process ended. Whatever the machine chosen: a run that was cut off names none in the store.",
        Query(or_none(ended)), thresholds=steps(BLUE, (1, YELLOW)),
    )  # fmt: skip


def _duration() -> Json:
    judged = of("bench_verdict_duration_s", MACHINE, 'verdict!="void"')
    return draw.stat(
        "Mean time to a verdict",
        "From the first sample to the decision, void runs left out.",
        Query(f"sum(sum_over_time({judged}[$__range])) / sum(count_over_time({judged}[$__range]))"),
        unit="s",
    )


def _every_run() -> Json:
    def each(how: str, field: str) -> str:  # without the metric's name, which would keep the columns apart
        return f"max by ({VERDICT}) ({how}({of(f'bench_verdict_{field}', MACHINE)}[$__interval]))"

    at, duration = each("tlast_over_time", "seq"), each("last_over_time", "duration_s")
    curves = (
        "/d/benchd-runs?var-daemon=${__data.fields.daemon}&var-bench=${__data.fields.bench}&var-run=${__value.raw}"
        "&from=${__data.fields.From.numeric}&to=${__data.fields.To.numeric}"
    )
    columns = [
        Column("Run", each("last_over_time", "run_no"), link=("Its curves", curves)),
        Column("Judged", f"{at} * 1000", "dateTimeAsIso", None),
        Column("Time to the verdict", duration, "s"),
        Column("Samples", each("last_over_time", "samples")),
        # The engine may have run for a while before the first sample that counts, and after the verdict.
        Column("From", f"({at} - {duration} - 60) * 1000", hidden=True),
        Column("To", f"({at} + 30) * 1000", hidden=True),
    ]
    labels = {
        "daemon": "Daemon", "bench": "Bench", "procedure": "Procedure", "machine": "Machine", "verdict": "Verdict", "suspect": "Suspect",
    }  # fmt: skip
    return draw.table(
        "Every run",
        "Runs with a verdict, the newest first. In a time range of months several runs of one bench can share a step, and the last is shown.",
        labels, columns, over=True, step="1s", sort=("Judged", True), points=10000, without=["turn"],
    )  # fmt: skip


def _curve(channel: str, title: str, unit: str, how: str = "avg_over_time") -> Json:
    about = "The highest of each step." if how.startswith("max") else "The mean of each step."
    legend = "run {{run_no}}, {{bench}} ({{daemon}})"
    return draw.chart(title, about, Query(of_runs(channel, how), legend, True, "1s"), unit=unit)


def _measured() -> Json:
    value, u = (
        f"last_over_time({of(f'bench_verdict_${{measured}}{end}', MACHINE)}[$__interval])" for end in ("", "_u")
    )
    by = "max by (daemon, bench, machine)"
    legend = "{{machine}}, {{bench}} ({{daemon}})"
    return draw.chart(
        "Measured: $measured",
        "One point a run, in the unit of the verdict; its expanded uncertainty above and below, where it is known.",
        Query(f"{by} ({value})", legend, True, "1s"),
        Query(f"{by} ({value} + {u})", f"{legend} + U", True, "1s"),
        Query(f"{by} ({value} - {u})", f"{legend} - U", True, "1s"),
        draw="points", points=5000,
        overrides=[matching("/ [-+] U$/", ("custom.pointSize", 3), ("color", {"mode": "fixed", "fixedColor": GREY}))],
    )  # fmt: skip


def _seconds() -> Json:
    value = f"max by (bench, procedure) (max_over_time({of('bench_verdict_duration_s', MACHINE)}[$__interval]))"
    return draw.chart(
        "Time to the verdict",
        "One point a run. Runs of one procedure that take longer and longer: look at speed, battery and leads.",
        Query(value, "{{procedure}}, {{bench}}", True, "1s"),
        unit="s", draw="points", points=5000, low=0,
    )  # fmt: skip


def _annotations() -> list[Json]:
    def events(which: str) -> str:
        return f"tlast_over_time({of('bench_event_seq', KIND, which)}[10m]) * 1000"

    verdicts = f"tlast_over_time({of('bench_verdict_seq', MACHINE)}[10m]) * 1000"
    where = "{{bench}}, {{daemon}}, {{procedure}}"
    return [
        draw.mark(
            "Verdicts", verdicts, BLUE, "{{verdict}}, suspect {{suspect}}", "{{machine}}, " + where, "bench,verdict"
        ),
        draw.mark("Lost and back", events('event="gap"'), ORANGE, "{{source}} {{state}}", where, "bench"),
        draw.mark("Flags", events('event="flag"'), YELLOW, "{{source}}: flag {{state}}", where, "bench", on=False),
        draw.mark("Operator's marks", events('event="mark"'), GREY, "marked", where, "bench"),
    ]
