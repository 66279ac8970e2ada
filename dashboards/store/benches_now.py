"""Benches now: what a foreman wants on the wall."""

from __future__ import annotations

from . import _pieces as draw
from ._looks import BLUE, GREY, ORANGE, VERDICTS, YELLOW, Json, override, steps, words
from ._pieces import Column, Query
from ._queries import BENCH, HERE, newest, newest_value, of, or_none, silent

SEQ = of("bench_sample_seq", HERE)
IN_A_RUN = f"count by ({BENCH}) (count_over_time({SEQ}[$fresh]))"
KNOWN = f"count by ({BENCH}) (count_over_time({SEQ}[$known]))"
RUNNING = words(v0=("between runs", GREY), v1=("in a run", BLUE))


def dashboard() -> Json:
    return draw.page(
        "benchd-benches-now",
        "benchd: benches now",
        "Every bench: what it runs, what it reads, which instrument is silent. The store hears of a bench only while it is in a run; "
        "between runs ask the daemon (benchd status).",
        _variables(),
        [
            (4, [(6, _in_a_run()), (6, _between()), (6, _silent_count()), (6, _newest())]),
            (9, [(24, _every_bench())]),
            (6, [(14, _who_ran()), (10, _silent_list())]),
            (8, [(12, _channel("battery_volts", "Battery volts", "volt", "max", _VOLTS)),
                 (12, _channel("charge_amps", "Charge amps", "amp", "avg", "Into the battery; mean of each step."))]),
            (8, [(12, _channel("engine_rpm", "Engine speed", "rotrpm", "avg", "Mean of each step.")),
                 (12, _channel("stator_volts", "Stator volts, AC", "volt", "avg", "RMS, stator unplugged; mean of each step."))]),
        ],
        since="now-15m", refresh="5s", annotations=_annotations(),
    )  # fmt: skip


_VOLTS = "The highest of each step, so that a peak over the ceiling shows in a long time range too."


def _variables() -> list[Json]:
    names = '{__name__=~"bench_(sample|verdict)_seq"'
    return [
        draw.store(),
        draw.choice("daemon", "Daemon", f"label_values({names}}}, daemon)"),
        draw.choice("bench", "Bench", f'label_values({names}, daemon=~"$daemon"}}, bench)'),
        draw.picked("fresh", "Now is the last", ["10s", "30s", "1m", "5m", "15m"], "30s",
                    "A bench whose newest sample is older than this is between runs."),
        draw.picked("known", "Benches of the last", ["1h", "8h", "1d", "7d", "30d"], "1d",
                    "A bench without a run for longer than this is not listed."),
    ]  # fmt: skip


def _in_a_run() -> Json:
    return draw.stat("Benches in a run", "Benches with a sample just now.", Query(or_none(f"count({IN_A_RUN})")))


def _between() -> Json:
    return draw.stat(
        "Benches between runs",
        "Benches that had a run in the time chosen above, and have none just now.",
        Query(f"({or_none(f'count({KNOWN})')}) - ({or_none(f'count({IN_A_RUN})')})"),
        thresholds=steps(GREY),
    )


def _silent_count() -> Json:
    return draw.stat(
        "Instruments silent",
        "Lost in a run that is not closed, and not back yet. Orange: somebody must look, the list below says where.",
        Query(or_none(f"count({silent('$known')})")),
        mappings=words(v0=("none silent", BLUE)), thresholds=steps(BLUE, (1, ORANGE)),
    )  # fmt: skip


def _newest() -> Json:
    return draw.stat(
        "Newest sample",
        "Its age. It grows between runs; while a bench is in a run, more than some seconds means that forwarder or store lag.",
        Query(f"time() - max(tlast_over_time({SEQ}[$known]))"),
        unit="s", thresholds=steps(BLUE),
    )  # fmt: skip


def _every_bench() -> Json:
    age = f"time() - max by ({BENCH}) (tlast_over_time({SEQ}[$known]))"
    verdict = newest("bench_verdict_run_no", HERE, "$known")
    run = newest("bench_sample_run_no", HERE, "$known")
    columns = [
        Column("State", f"({IN_A_RUN} > bool 0) or 0 * ({KNOWN})", mappings=RUNNING),
        Column("Run", f"max by ({BENCH}, procedure) ({run})", link=("This bench's runs", draw.RUNS_OF_BENCH)),
        Column("Battery", newest_value("battery_volts", "$fresh"), "volt", 2),
        Column("Charge", newest_value("charge_amps", "$fresh"), "amp", 1),
        Column("Speed", newest_value("engine_rpm", "$fresh"), "rotrpm"),
        Column("Stator, AC", newest_value("stator_volts", "$fresh"), "volt", 1),
        Column("Sample's age", age, "s"),
        Column("Verdict of run", f"max by ({BENCH}, verdict, suspect) ({verdict})"),
    ]
    found = draw.table(
        "Every bench",
        "The newest run of each bench. Volts, amps and speed are empty where no sample of just now has them. The verdict is that of the "
        "newest run that has one, which may be the run before.",
        {"daemon": "Daemon", "bench": "Bench", "procedure": "Procedure", "verdict": "Verdict", "suspect": "Suspect"},
        columns,
        sort=("Bench", False),
    )
    found["fieldConfig"]["overrides"].append(override("Verdict", *_verdict_words()))
    return found


def _verdict_words() -> list[tuple[str, object]]:
    options = {
        name: {"text": name, "color": shade, "index": place} for place, (name, shade) in enumerate(VERDICTS.items())
    }
    return [("mappings", [{"type": "value", "options": options}]), ("custom.cellOptions", {"type": "color-text"})]


def _who_ran() -> Json:
    ran = f"(count by ({BENCH}) (count_over_time({SEQ}[$__interval])) > bool 0) or 0 * ({KNOWN})"
    return draw.timeline(
        "When it ran",
        "One row a bench: in a run where it had samples.",
        Query(ran, "{{bench}} ({{daemon}})", True, "5s"),
        RUNNING,
    )


def _silent_list() -> Json:
    return draw.table(
        "Silent instruments",
        "Lost in a run that is not closed. Its cure stands on the bench's own screen. Orange: for more than 10 s.",
        {"daemon": "Daemon", "bench": "Bench", "procedure": "Procedure", "source": "Instrument"},
        [Column("Silent for", f"time() - {silent('$known')}", "s", mappings=[], thresholds=steps(YELLOW, (10, ORANGE)))],
        without=["turn"],
    )  # fmt: skip


def _channel(channel: str, title: str, unit: str, how: str, about: str) -> Json:
    value = f"max by ({BENCH}) ({how}_over_time({of(f'bench_sample_{channel}', HERE)}[$__interval]))"
    return draw.chart(title, about, Query(value, "{{bench}} ({{daemon}})", True, "1s"), unit=unit)


def _annotations() -> list[Json]:
    gaps = of("bench_event_seq", HERE, 'event="gap"')
    moments = f"tlast_over_time({gaps}[10m]) * 1000"
    return [
        draw.mark(
            "Lost and back", moments, ORANGE, "{{source}} {{state}}", "{{bench}}, {{daemon}}, {{procedure}}", "bench"
        )
    ]
