"""What a time-series store is given: every measurement with its tags and fields, as points.py writes them and as
configs/guide/time-series.md tells users. Dashboards and tests hold their names against this.
"""

from __future__ import annotations

from benchd.core.samples import CHANNELS

_RUN = ("bench", "daemon", "procedure", "turn")

#: Measurement -> its tags, in the order of its lines; every point has all of them.
TAGS: dict[str, tuple[str, ...]] = {
    "bench_sample": _RUN,
    "bench_reading": ("bench", "daemon", "instrument", "point", "procedure", "quantity", "turn"),
    "bench_verdict": ("bench", "daemon", "machine", "procedure", "suspect", "turn", "verdict"),
    "bench_unit": ("bench", "daemon", "lot", "machine", "mode", "verdict"),
    "bench_event": ("bench", "daemon", "event", "procedure", "source", "state", "turn"),
}

#: Measurement -> its fields that are numbers, beside those that `measured` names.
NUMBERS: dict[str, tuple[str, ...]] = {
    "bench_sample": ("run_no", "seq", *CHANNELS),
    "bench_reading": ("run_no", "seq", "value", "rpm"),
    "bench_verdict": ("run_no", "seq", "duration_s", "samples"),
    "bench_unit": ("run_no", "seq", "serial_key"),
    "bench_event": ("run_no", "seq"),
}

#: Measurement -> its fields that are strings; a store of numbers makes zeros of them.
STRINGS: dict[str, tuple[str, ...]] = {
    "bench_sample": (),
    "bench_reading": (),
    "bench_verdict": ("run", "work_order", "unit", "digest"),
    "bench_unit": ("serial", "run"),
    "bench_event": ("text",),
}

#: Measurement -> the ending of the fields that hold an uncertainty. These measurements have two more fields for every
#: quantity that was measured, under names of the procedure's or the part's: NAME and NAME with this ending.
MEASURED: dict[str, str] = {"bench_verdict": "_u", "bench_unit": "_su"}
