"""What whole_way.py and latency.py share: a charge that stays undecided, the wires it comes over, a run on them."""

from __future__ import annotations

import asyncio
import math
import os
import pty
import tty
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchd import preflight
from benchd.clock import Clock
from benchd.config import Bench, find_file, load_bench, load_spec
from benchd.core import procedures
from benchd.core.samples import Sample
from benchd.registry import drivers
from benchd.runner import Facts, Show, Writer, conduct
from benchd.sampler import Sampler

MACHINE = "hollin-t18"
HOURS_S = 36_000.0  # no meter's absence and no longest time may end a benchmark's run

BENCH = """
[bench]
name = "benchmark"
sample_s = {sample_s}

[instruments.tape]
driver = "replay"
port = "replay:{tape}"

{rest}
"""
TACH = """
[instruments.tach]
driver = "tach-lines"
port = "{port}"

[channels.engine_rpm]
instrument = "tach"
function = "speed"
"""
CHANNEL = """
[channels.{0}]
instrument = "tape"
point = "{0}"
"""


def charge(number: int) -> str:
    """Volts and amps of a battery that takes all the amps there are: nothing can be decided yet."""
    return f"{13.1 + number % 5 * 0.002:.3f},{14.8 + number % 3 * 0.01:.2f}"


def bench_of(folder: Path, tape: str, channels: Sequence[str], sample_s: float = 0.5, tach: str = "") -> Bench:
    """A bench file like any other: `tape` is a recording's FILE?speed=..., `tach` the port of a tachometer."""
    rest = "".join(CHANNEL.format(one) for one in channels) + (TACH.format(port=tach) if tach else "")
    path = folder / "bench.toml"
    path.write_text(BENCH.format(sample_s=sample_s, tape=tape, rest=rest), encoding="utf-8")
    return load_bench(path)


@contextmanager
def wire() -> Iterator[tuple[int, int, str]]:
    """A pty: the descriptor of the meter's end, of benchd's end, and the port's name."""
    meter, port = pty.openpty()
    tty.setraw(port)
    try:
        yield meter, port, os.ttyname(port)
    finally:
        os.close(meter)
        os.close(port)


class Tapped:
    """The sampler, with `heard` told of everything before the run is; ends when `done` is set or the sampler does."""

    def __init__(self, sampler: Sampler, heard: Callable[[Any], None], done: asyncio.Event) -> None:
        self._sampler, self._heard, self._done = sampler, heard, done

    async def run(self, emit: Callable[[Mapping[str, Any] | Sample], None]) -> None:
        def tap(item: Mapping[str, Any] | Sample) -> None:
            self._heard(item)
            emit(item)

        sampling = asyncio.ensure_future(self._sampler.run(tap))
        ending = asyncio.ensure_future(self._done.wait())
        try:
            await asyncio.wait({sampling, ending}, return_when=asyncio.FIRST_COMPLETED)
            if sampling.done():
                sampling.result()
        finally:
            sampling.cancel()
            ending.cancel()
            await asyncio.wait({sampling, ending})


async def regulator_run(
    bench: Bench,
    writer: Writer,
    show: Show | None = None,
    heard: Callable[[Any], None] | None = None,
    done: asyncio.Event | None = None,
) -> None:
    """A regulator run as `benchd run` conducts it, until `done` or the recording's end. SystemExit if it broke.

    Whether everything came through is for the caller to count.
    """
    spec, clock = load_spec(find_file(MACHINE, "machine")), Clock()
    known, _ = preflight.known_of(bench, None, preflight.poles_of(spec))
    procedure = procedures.make("regulator", spec, known, wait_s=HOURS_S, max_run_s=HOURS_S)
    channels = preflight.wanted_channels(bench, procedure)
    sampler = Sampler(bench, channels, clock, drivers(), preflight.poles_of(spec))
    sampling = sampler if heard is None else Tapped(sampler, heard, done or asyncio.Event())
    opened = {"procedure": "regulator", "spec": {"regulator": {"ceiling_volts": 15.0}}, "machine": spec.name}
    facts = Facts(spec, bench.name, preflight.instrument_records(bench), opened=opened)
    ended = await conduct(procedure, sampling, writer, facts, clock=clock, show=show)
    if ended.status != "judged" or ended.fault is not None:
        raise SystemExit(f"the run {ended.status}: {ended.verdict['ended_because']} {ended.fault or ''}")


def percentile(values: Sequence[float], percent: float) -> float:
    """The smallest value that so many percent do not exceed; NaN of none."""
    ordered = sorted(values)
    return ordered[max(math.ceil(len(ordered) * percent / 100) - 1, 0)] if ordered else math.nan
