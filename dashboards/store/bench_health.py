"""Bench health: which bench, instrument or lead gives trouble, before it costs a verdict."""

from __future__ import annotations

from . import _pieces as draw
from ._looks import BLUE, ENDINGS, GREY, ORANGE, YELLOW, Json, colour, steps
from ._pieces import Column, Query
from ._queries import BENCH, HERE, count, of, or_none, or_zero, share, silent

EVENT = "bench_event_run_no"
LOST, BACK = (f'{HERE}, event="gap", state="{state}"' for state in ("lost", "back"))
FLAGGED = HERE + ', event="flag", state="on"'
CLOSED = HERE + ', event="closed"'
INSTRUMENT = "daemon, bench, source"


def dashboard() -> Json:
    return draw.page(
        "benchd-bench-health",
        "benchd: bench health",
        "Instruments that were lost, flags, runs that came to nothing, channels that were not read. The store hears only of runs; "
        "what is wrong between runs, calibration dates, forwarders and disk are in benchd status and at /metrics.",
        _variables(),
        [
            (4, [(6, _lost()), (6, _flags()), (6, _void()), (6, _not_judged())]),
            (9, [(24, _instruments())]),
            (8, [(12, _losses()), (12, _flags_over_time())]),
            (9, [(12, _endings()), (12, _void_by_bench())]),
            (9, [(12, _channels_read()), (12, _rate())]),
            "Raw readings: only of daemons with readings = true in their site file",
            (8, [(12, _readings()), (12, _readings_now())]),
        ],
        since="now-7d",
    )  # fmt: skip


def _variables() -> list[Json]:
    names = '{__name__=~"bench_(sample|event|verdict)_seq"'
    return [
        draw.store(),
        draw.choice("daemon", "Daemon", f"label_values({names}}}, daemon)"),
        draw.choice("bench", "Bench", f'label_values({names}, daemon=~"$daemon"}}, bench)'),
    ]


def _some(title: str, about: str, query: str) -> Json:
    """A count that should be none."""
    return draw.stat(title, about, Query(or_none(query)), thresholds=steps(BLUE, (1, YELLOW)))


def _lost() -> Json:
    return _some("Instruments lost", "Times that an instrument fell silent in a run.", count(EVENT, LOST))


def _flags() -> Json:
    return _some(
        "Flags",
        "Times that a channel was no measurement: overload, hold, wrong function, low battery. Which one, the run's record says.",
        count(EVENT, FLAGGED),
    )


def _void() -> Json:
    part, whole = or_none(count("bench_verdict_run_no", HERE + ', verdict="void"')), count("bench_verdict_run_no", HERE)
    return draw.stat(
        "Void, of all runs", "Share of runs with a verdict that say nothing of the machine.", Query(f"({part}) / {whole}"),
        unit="percentunit", decimals=1, thresholds=steps(GREY),
    )  # fmt: skip


def _not_judged() -> Json:
    return _some(
        "Runs not judged",
        "Runs that were stopped (aborted), cut off (interrupted) or that benchd could not keep (failed).",
        count(EVENT, CLOSED + ', state!="judged"'),
    )


def _instruments() -> Json:
    lost = count(EVENT, LOST, INSTRUMENT)
    at = f"max by ({INSTRUMENT}) (tlast_over_time({of('bench_event_seq', LOST)}[$__range]))"
    columns = [
        Column("Lost", lost),
        Column("Back in the run", or_zero(count(EVENT, BACK, INSTRUMENT), lost)),
        Column("Lost last", f"{at} * 1000", "dateTimeAsIso", None),
        Column(
            "Silent now for", f"max by ({INSTRUMENT}) (time() - {silent('$__range')})", "s", thresholds=steps(ORANGE)
        ),
    ]
    return draw.table(
        "Instruments that were lost",
        "Often lost and back: cable, plug, battery or auto power off. Lost and not back: the run ended first. 'Silent now' is of a run that is "
        "not closed.",
        {"daemon": "Daemon", "bench": "Bench", "source": "Instrument"}, columns, sort=("Lost", True),
        links={"Bench": ("This bench's runs", draw.RUNS_OF_BENCH)},
    )  # fmt: skip


def _over_time(title: str, about: str, where: str) -> Json:
    found = Query(count(EVENT, where, INSTRUMENT, "$__interval"), "{{source}}, {{bench}} ({{daemon}})", True, "1m")
    return draw.chart(title, about, found, draw="bars", legend=["sum"], decimals=0)


def _losses() -> Json:
    return _over_time(
        "Losses over time", "By instrument. All at the same hour: look for what is switched on then.", LOST
    )


def _flags_over_time() -> Json:
    return _over_time(
        "Flags over time", "By channel: overload, hold, wrong function, low battery and the like.", FLAGGED
    )


def _endings() -> Json:
    found = count(EVENT, CLOSED, "state", "1d", "-1d")
    return draw.chart(
        "How runs ended, a day",
        "judged: by the procedure; aborted: stopped by somebody; interrupted: power cut or killed process; failed: benchd could not go on.",
        Query(found, "{{state}}", True, "1d"),
        draw="bars", legend=["sum"], decimals=0, overrides=[colour(name, shade) for name, shade in ENDINGS.items()],
    )  # fmt: skip


def _void_by_bench() -> Json:
    run_no = "bench_verdict_run_no"
    void, everything = count(run_no, HERE + ', verdict="void"', BENCH), count(run_no, HERE, BENCH)
    judged = count(EVENT, CLOSED + ', state!="judged"', BENCH)
    columns = [
        Column("Runs", everything),
        Column("Void", or_zero(void, everything)),
        Column("Void, of all", share(void, everything), "percentunit", 1),
        Column("Not judged", or_zero(judged, everything)),
    ]
    return draw.table(
        "By bench", "Runs with a verdict, and those that came to nothing. One bench far above its neighbours: its leads and instruments first.",
        {"daemon": "Daemon", "bench": "Bench"}, columns, sort=("Void, of all", True),
        links={"Bench": ("This bench's runs", draw.RUNS_OF_BENCH)},
    )  # fmt: skip


def _channels_read() -> Json:
    kind = "daemon, bench, procedure"
    every = of("", '__name__=~"bench_sample_.+"', '__name__!~"bench_sample_(run_no|seq)"', HERE)
    named = f'label_replace(count_over_time({every}[$__range]) keep_metric_names, "channel", "$1", "__name__", "bench_sample_(.+)")'
    whole = count("bench_sample_seq", HERE, kind)
    return draw.table(
        "Channels read, of all samples",
        "In how many samples of a procedure a channel had a new value. Slow meters have fewer than samples are taken: compare with the week "
        "before, not with 100 %.",
        {"daemon": "Daemon", "bench": "Bench", "procedure": "Procedure", "channel": "Channel"},
        [Column("Read", f"sum by ({kind}, channel) ({named}) / on ({kind}) group_left () {whole}", "percentunit", 1)],
        sort=("Read", False),
    )  # fmt: skip


def _rate() -> Json:
    rate = f"{count('bench_sample_seq', HERE, BENCH, '$__interval')} / ($__interval_ms / 1000)"
    return draw.chart(
        "Samples a second", "While a bench is in a run; a step that a run fills in part shows less.",
        Query(rate, "{{bench}} ({{daemon}})", True, "10s"), unit="suffix:/s", decimals=2, low=0,
    )  # fmt: skip


_ONE = "daemon, bench, instrument, quantity"


def _readings() -> Json:
    rate = f"{count('bench_reading_value', HERE, _ONE, '$__interval')} / ($__interval_ms / 1000)"
    return draw.chart(
        "Readings a second",
        "Measurements of each instrument in a run. Overload, hold and the like have no value, so an instrument in overload shows as silent.",
        Query(rate, "{{instrument}} {{quantity}}, {{bench}} ({{daemon}})", True, "10s"), unit="suffix:/s", decimals=2, low=0,
    )  # fmt: skip


def _readings_now() -> Json:
    value = of("bench_reading_value", HERE)
    columns = [
        Column("Readings", count("bench_reading_value", HERE, _ONE)),
        Column("Newest", f"max by ({_ONE}) (tlast_over_time({value}[$__range])) * 1000", "dateTimeAsIso", None),
    ]
    labels = {"daemon": "Daemon", "bench": "Bench", "instrument": "Instrument", "quantity": "Quantity"}
    return draw.table(
        "Readings by instrument", "Measurements kept in the time range.", labels, columns, sort=("Newest", False)
    )
