"""Fleet: several daemons of one owner side by side."""

from __future__ import annotations

from . import _pieces as draw
from ._looks import BLUE, GREY, ORANGE, Json, steps, words
from ._pieces import Column, Query
from ._queries import JUDGED, count, of, or_none, or_zero, share, wilson
from .verdict_rates import FEW

DAEMON = 'daemon=~"$daemon"'
KIND = 'procedure=~"$procedure"'
WHERE = DAEMON + ', procedure=~"$procedure", machine=~"$machine"'
RUN_NO = "bench_verdict_run_no"
#: Anything that a daemon sent: samples, verdicts, events, units.
ANYTHING = of("", '__name__=~"bench_(sample|verdict|event|unit)_seq"', DAEMON)
HEARD = f"count by (daemon) (count_over_time({ANYTHING}[$heard]))"
KNOWN = f"count by (daemon) (count_over_time({ANYTHING}[$__range]))"


def dashboard() -> Json:
    return draw.page(
        "benchd-fleet",
        "benchd: fleet",
        "All daemons that feed this store: who is heard, how much each does, and whether the same machine fares alike everywhere. A daemon "
        "is heard while a bench of it is in a run; at night all are silent.",
        _variables(),
        [
            (4, [(6, _heard()), (6, _silent()), (6, _benches()), (6, _judged())]),
            (9, [(24, _daemons())]),
            (9, [(12, _runs_a_day()), (12, _samples())]),
            (9, [(24, _same_machine())]),
            (8, [(14, _trouble()), (10, _series())]),
        ],
        since="now-30d",
    )  # fmt: skip


def _variables() -> list[Json]:
    seq = "bench_verdict_seq"
    return [
        draw.store(),
        draw.choice("daemon", "Daemon", 'label_values({__name__=~"bench_(sample|verdict|event|unit)_seq"}, daemon)'),
        draw.choice("procedure", "Procedure", f"label_values({of(seq, DAEMON)}, procedure)"),
        draw.choice("machine", "Machine", f"label_values({of(seq, DAEMON, KIND)}, machine)"),
        draw.picked(
            "heard",
            "Heard in the last",
            ["1m", "15m", "1h", "8h", "1d", "3d"],
            "1h",
            "A daemon that sent nothing for longer is silent.",
        ),
    ]


def _heard() -> Json:
    return draw.stat(
        "Daemons heard", "Daemons that sent something in the time chosen above.", Query(or_none(f"count({HEARD})"))
    )


def _silent() -> Json:
    missing = f"({or_none(f'count({KNOWN})')}) - ({or_none(f'count({HEARD})')})"
    return draw.stat(
        "Daemons silent", "Daemons of the time range that sent nothing in the time chosen above; the table says which.", Query(missing),
        mappings=words(v0=("none silent", BLUE)), thresholds=steps(BLUE, (1, GREY)),
    )  # fmt: skip


def _benches() -> Json:
    return draw.stat(
        "Benches",
        "Benches that had a run in the time range.",
        Query(or_none(f"count(count by (daemon, bench) (count_over_time({ANYTHING}[$__range])))")),
    )


def _counted(verdict: str, by: str = "") -> str:
    return count(RUN_NO, f"{WHERE}, {verdict}", by)


def _judged() -> Json:
    return draw.stat("Judged runs", "Runs that passed, failed or were undecided.", Query(or_none(_counted(JUDGED))))


def _shares(by: str) -> list[Column]:
    judged, failed = _counted(JUDGED, by), _counted('verdict="fail"', by)
    return [
        Column("Judged", judged),
        Column("Failed, of judged", share(failed, judged), "percentunit", 1),
        Column("at least", wilson(failed, judged, "-"), "percentunit", 1),
        Column("at most", wilson(failed, judged, "+"), "percentunit", 1),
    ]


def _daemons() -> Json:
    void = _counted('verdict="void"', "daemon")
    columns = [
        Column(
            "State", f"({HEARD} > bool 0) or 0 * ({KNOWN})", mappings=words(v0=("silent", GREY), v1=("heard", BLUE))
        ),
        Column("Newest point's age", f"time() - max by (daemon) (tlast_over_time({ANYTHING}[$__range]))", "s"),
        Column("Benches", f"count by (daemon) (count by (daemon, bench) (count_over_time({ANYTHING}[$__range])))"),
        *_shares("daemon"),
        Column("Void", or_zero(void, _counted('verdict=~".+"', "daemon"))),
        Column("Units tested", or_zero(count("bench_unit_run_no", DAEMON, "daemon"), KNOWN)),
        Column("Samples", or_zero(count("bench_sample_seq", DAEMON, "daemon"), KNOWN), "short"),
    ]
    now = ("Its benches now", "/d/benchd-benches-now?var-daemon=${__data.fields.daemon}")
    return draw.table(
        "Every daemon", f"Shares are of judged runs of the procedures and machines chosen. {FEW}", {"daemon": "Daemon"}, columns,
        sort=("Daemon", False), links={"Daemon": now},
    )  # fmt: skip


def _runs_a_day() -> Json:
    found = count(RUN_NO, WHERE, "daemon", "1d", "-1d")
    return draw.chart(
        "Runs a day", "With a verdict, stacked by daemon; the bar of a day stands at its beginning.",
        Query(found, "{{daemon}}", True, "1d"), draw="bars", legend=["sum"], decimals=0,
    )  # fmt: skip


def _samples() -> Json:
    rate = f"{count('bench_sample_seq', DAEMON, 'daemon', '$__interval')} / ($__interval_ms / 1000)"
    return draw.chart(
        "Samples a second", "What each daemon sends, mean of each step.", Query(rate, "{{daemon}}", True, "1m"), unit="suffix:/s", decimals=2,
        low=0, legend=["mean", "max"],
    )  # fmt: skip


def _same_machine() -> Json:
    return draw.table(
        "The same machine, everywhere",
        f"One row a machine or part and daemon. Intervals that do not meet: the daemons' benches or their customers differ. {FEW}",
        {"machine": "Machine", "daemon": "Daemon"}, _shares("machine, daemon"), sort=("Machine", False),
    )  # fmt: skip


def _trouble() -> Json:
    lost, ended = (
        count("bench_event_run_no", f"{DAEMON}, {which}", "daemon")
        for which in ('event="gap", state="lost"', 'event="closed", state!="judged"')
    )
    columns = [
        Column("Instruments lost", or_zero(lost, KNOWN), thresholds=steps(BLUE, (1, ORANGE))),
        Column("Runs not judged", or_zero(ended, KNOWN), thresholds=steps(BLUE, (1, ORANGE))),
    ]
    health = ("Its benches' health", "/d/benchd-bench-health?var-daemon=${__data.fields.daemon}")
    return draw.table(
        "Trouble", "Times that an instrument was lost in a run, and runs that were stopped, cut off or failed. Orange: one or more.",
        {"daemon": "Daemon"}, columns, sort=("Instruments lost", True), links={"Daemon": health},
    )  # fmt: skip


def _series() -> Json:
    every = of("", '__name__=~"bench_.+"', DAEMON)
    return draw.bars_of(
        "Series of each daemon",
        "How many time series a daemon has in the store in the time range. It grows with machines, suspects and lots, not with runs.",
        Query(f"count by (daemon) (count_over_time({every}[$__range]) keep_metric_names)", "{{daemon}}"),
    )
