"""Verdict rates: what the office asks at the end of a month."""

from __future__ import annotations

from . import _pieces as draw
from ._looks import GREY, ORANGE, VERDICTS, YELLOW, Json, colour, steps
from ._pieces import Column, Query
from ._queries import HERE, JUDGED, KIND, MACHINE, count, of, or_none, or_zero, share, wilson

ONE = 'daemon=~"$daemon"'
RUN_NO = "bench_verdict_run_no"
FEW = "Small numbers say little: the interval (95 %, Wilson) shows how little."


def dashboard() -> Json:
    return draw.page(
        "benchd-verdict-rates",
        "benchd: verdict rates",
        "How many runs passed, failed, were undecided or void: over time, by machine, bench and suspect. Shares are of judged runs "
        "(pass, fail, undecided); a void run says nothing of a machine. A machine that was run twice counts twice.",
        _variables(),
        [
            (4, [(6, _judged()), (6, _failed()), (6, _undecided()), (6, _void())]),
            (9, [(16, _by_day()), (8, _suspects())]),
            (9, [(24, rates("By machine or part", "Which machines fail oftenest. " + FEW, "machine", {"machine": "Machine"}, MACHINE))]),
            (9, [(24, rates("By bench", "A bench that fails more than its neighbours on the same machines: look at its leads and meters first. "
                            + FEW, "daemon, bench", {"daemon": "Daemon", "bench": "Bench"}, MACHINE,
                            links={"Bench": ("This bench's runs", draw.RUNS_OF_BENCH)}))]),
            (8, [(12, _times()), (12, _share_by_day())]),
        ],
        since="now-30d",
    )  # fmt: skip


def _variables() -> list[Json]:
    seq = "bench_verdict_seq"
    return [
        draw.store(),
        draw.choice("daemon", "Daemon", f"label_values({seq}, daemon)"),
        draw.choice("bench", "Bench", f"label_values({of(seq, ONE)}, bench)"),
        draw.choice(
            "procedure",
            "Procedure",
            f"label_values({of(seq, HERE)}, procedure)",
            about="Tests of units of a lot are the procedure unit.",
        ),
        draw.choice(
            "machine", "Machine", f"label_values({of(seq, KIND)}, machine)", about="A machine or a part, by its spec."
        ),
    ]


def _counted(verdict: str, by: str = "", where: str = MACHINE) -> str:
    return count(RUN_NO, f"{where}, {verdict}", by)


def _judged() -> Json:
    return draw.stat("Judged runs", "Runs that passed, failed or were undecided.", Query(or_none(_counted(JUDGED))))


def _of_judged(title: str, verdict: str, about: str, shade: str) -> Json:
    part, whole = or_none(_counted(f'verdict="{verdict}"')), _counted(JUDGED)
    return draw.stat(
        title, about, Query(f"({part}) / {whole}"), unit="percentunit", decimals=1, thresholds=steps(shade)
    )


def _failed() -> Json:
    return _of_judged("Failed, of judged", "fail", "Share of judged runs that failed.", ORANGE)


def _undecided() -> Json:
    return _of_judged(
        "Undecided, of judged", "undecided",
        "Share of judged runs that were too close to call or did not settle. Many: better meters or another decision rule.", YELLOW,
    )  # fmt: skip


def _void() -> Json:
    part, whole = or_none(_counted('verdict="void"')), _counted('verdict=~".+"')
    return draw.stat(
        "Void, of all",
        "Share of all runs with a verdict that say nothing: stopped, wrong speed, battery too full, an instrument lost.",
        Query(f"({part}) / {whole}"), unit="percentunit", decimals=1, thresholds=steps(GREY),
    )  # fmt: skip


def _by_day() -> Json:
    # The window lies behind the point, so that a day's bar stands at its morning.
    found = count(RUN_NO, MACHINE, "verdict", "1d", "-1d")
    return draw.chart(
        "Runs a day", "Stacked by verdict; the bar of a day stands at its beginning.", Query(found, "{{verdict}}", True, "1d"),
        draw="bars", legend=["sum"], decimals=0, overrides=[colour(name, shade) for name, shade in VERDICTS.items()],
    )  # fmt: skip


def _suspects() -> Json:
    found = _counted('verdict="fail"', "suspect")
    return draw.bars_of(
        "Suspects of failed runs", "What the failed runs blame.", Query(f"sort_desc({found})", "{{suspect}}")
    )


def rates(
    title: str, about: str, by: str, labels: dict[str, str], where: str, links: dict[str, tuple[str, str]] | None = None
) -> Json:
    """A table of counts and of the share failed with its interval."""
    judged, failed = _counted(JUDGED, by, where), _counted('verdict="fail"', by, where)
    everything = _counted('verdict=~".+"', by, where)
    columns = [
        Column("Judged", or_zero(judged, everything)),
        *(Column(title, or_zero(_counted(f'verdict="{name}"', by, where), everything))
          for name, title in (("pass", "Passed"), ("fail", "Failed"), ("undecided", "Undecided"), ("void", "Void"))),
        Column("Failed, of judged", share(failed, judged), "percentunit", 1),
        Column("at least", wilson(failed, judged, "-"), "percentunit", 1),
        Column("at most", wilson(failed, judged, "+"), "percentunit", 1),
    ]  # fmt: skip
    return draw.table(title, about, labels, columns, sort=("Failed, of judged", True), links=links)


def _times() -> Json:
    judged = of("bench_verdict_duration_s", MACHINE, JUDGED)
    columns = [
        Column("Judged", _counted(JUDGED, "procedure")),
        Column(
            "Mean time",
            f"sum by (procedure) (sum_over_time({judged}[$__range])) / {_counted(JUDGED, 'procedure')}",
            "s",
        ),
        Column("Shortest", f"min by (procedure) (min_over_time({judged}[$__range]))", "s"),
        Column("Longest", f"max by (procedure) (max_over_time({judged}[$__range]))", "s"),
    ]
    return draw.table(
        "Time to the verdict",
        "Of judged runs, from the first sample to the decision.",
        {"procedure": "Procedure"},
        columns,
    )


def _share_by_day() -> Json:
    failed = count(RUN_NO, f'{MACHINE}, verdict="fail"', "procedure", "1d", "-1d")
    judged = count(RUN_NO, f"{MACHINE}, {JUDGED}", "procedure", "1d", "-1d")
    return draw.chart(
        "Failed, of judged, a day",
        "By procedure. A day with few runs jumps: see the table for how sure a share is.",
        Query(share(failed, judged), "{{procedure}}", True, "1d"),
        unit="percentunit", draw="points", low=0, legend=["mean"],
    )  # fmt: skip
