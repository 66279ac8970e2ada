"""Benchmark (a): verdicts over seeded virtual runs with parameters drawn wide.

    python tests/bench/verdicts.py [--runs 1000] [--seed 1] [--jobs 2] [--show]

The runs go through recordings' text, as `benchd judge` reads them, with no accuracy statement but the digits. Prints a
confusion table, wrong and right verdicts, time to verdict over the all-knowing observer's, error of the settled volts.
The all-knowing observer follows the same rules on the same machine with perfect meters: no noise, no error, four
readings a second, 0.1 mV digits. What is left in the ratio is what honest meters cost.
"""

from __future__ import annotations

import argparse
import io
import random
import statistics
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

from benchd.config import load_spec
from benchd.core.readings import Quantity
from benchd.core.specs import AccuracyLine, ChannelModel, Metrology
from benchd.export import read_trace
from benchd.judge import judge_trace
from benchd.virtual.offline import simulate
from benchd.virtual.scenario import RUN_FAULTS, Scenario, draw
from benchd.virtual.truth import EXPECTED, expected, right, wrong

PERFECT = {
    "battery_volts": Quantity.DC_VOLTS,
    "charge_amps": Quantity.DC_AMPS,
    "stator_volts": Quantity.AC_VOLTS,
    "engine_rpm": Quantity.SPEED,
}


@dataclass
class Result:
    fault: str
    procedure: str
    seed: int
    verdict: str
    suspect: str
    because: str
    seconds: float  # of full throttle
    observer_s: float | None
    error_volts: float | None
    u_volts: float | None
    wanted: set[tuple[str, str]]

    @property
    def right(self) -> bool:
        return right(self.verdict, self.suspect, self.wanted)

    @property
    def wrong(self) -> bool:
        return wrong(self.verdict, self.suspect, self.wanted)


def spec_of(scenario: Scenario, folder: str):
    import pathlib

    path = pathlib.Path(folder) / f"{scenario.seed}.toml"
    path.write_text(scenario.spec_toml)
    return load_spec(path)


def perfect(scenario: Scenario) -> Scenario:
    """The same machine before eyes that see everything."""
    return replace(
        scenario, volts_digit=1e-4, amps_digit=1e-4, volts_percent=0.0, amps_percent=0.0, stator_percent=0.0,
        rpm_percent=0.0, ripple_volts=0.0, meter_period_s=0.25, meter_delay_s=0.0, meter_lag_s=1e-3,
    )  # fmt: skip


def full_throttle_s(trace) -> float:
    """When the machine came to full throttle (truth, for counting only)."""
    return next((t for t, rpm in zip(trace.truth.t_s, trace.truth.rpm, strict=True) if rpm > 2600), 0.0)


def wanted_of(fault: str, procedure: str, trace) -> set[tuple[str, str]]:
    truth = trace.truth
    limit_s = full_throttle_s(trace) + 1150.0  # regulating for less than the last minute is too late to see
    regulated = truth.regulating_s is not None and truth.regulating_s < limit_s
    regulated = regulated or (truth.over_s is not None and truth.over_s < limit_s)
    shown = truth.shown_s > 2.5 * (truth.t_s[1] - truth.t_s[0])
    return expected(fault, procedure, shown=shown, regulated=regulated)


def one(task: tuple[str, str, int, str]) -> Result:
    fault, procedure, seed, folder = task
    scenario = draw(random.Random(seed), None if fault == "healthy" else fault)
    scenario = replace(scenario, seed=seed)
    spec = spec_of(scenario, folder)
    trace = simulate(scenario, procedure)
    found = judge_trace(procedure, read_trace(io.StringIO(trace.csv())), spec, Metrology(), timing={"quiet": True})
    observer = None
    if found.outcome in ("pass", "fail"):
        exact = simulate(perfect(scenario), procedure, seconds=found.duration_s + 60)
        models = {name: ChannelModel(name, (AccuracyLine(kind, 0.0, 1.0, 1e-4),)) for name, kind in PERFECT.items()}
        known = judge_trace(
            procedure, read_trace(io.StringIO(exact.csv())), spec, Metrology(models), timing={"quiet": True}
        )
        if known.outcome == found.outcome:
            observer = max(known.duration_s - full_throttle_s(exact), 0.1)
    settled = found.measured.get("settled_volts")
    return Result(
        fault,
        procedure,
        seed,
        str(found.outcome),
        str(found.suspect),
        found.ended_because,
        found.duration_s - full_throttle_s(trace),
        observer,
        None if settled is None else settled.value - trace.truth.settled_volts,
        None if settled is None else settled.expanded_uncertainty,
        wanted_of(fault, procedure, trace),
    )


def tasks(runs: int, seed: int, folder: str) -> list[tuple[str, str, int, str]]:
    """A third healthy, the rest over every fault; every seventh a stator run where the fault shows in one."""
    rng = random.Random(seed)
    made = []
    names = list(RUN_FAULTS)
    for index in range(runs):
        fault = "healthy" if index % 3 == 0 else names[index % len(names)]
        known = list(EXPECTED[fault])
        procedure = rng.choice(known) if index % 7 == 0 else ("regulator" if "regulator" in known else known[0])
        made.append((fault, procedure, rng.randrange(2**31), folder))
    return made


def report(results: list[Result], show: bool) -> None:
    table: dict[tuple[str, str], Counter[str]] = {}
    for r in results:
        table.setdefault((r.fault, r.procedure), Counter())[f"{r.verdict}/{r.suspect}"] += 1
    for (fault, procedure), counts in sorted(table.items()):
        told = ", ".join(f"{what} {n}" for what, n in counts.most_common())
        print(f"{fault:26s} {procedure:9s} {told}")
    bad = [r for r in results if r.wrong]
    good = [r for r in results if r.right]
    ratios = [r.seconds / r.observer_s for r in results if r.observer_s]
    errors = [abs(r.error_volts) for r in results if r.error_volts is not None and r.verdict in ("pass", "fail")]
    inside = [abs(r.error_volts) <= r.u_volts for r in results if r.error_volts is not None and r.u_volts]
    healthy = [
        r.seconds for r in results if r.fault == "healthy" and r.verdict == "pass" and r.procedure == "regulator"
    ]
    print(f"\nruns {len(results)}   wrong {len(bad)}   right {len(good)} ({100 * len(good) / len(results):.1f} %)")
    if ratios:
        print(f"time to verdict over the observer's: median {statistics.median(ratios):.2f}")
    if healthy:
        print(f"healthy regulator run, full throttle to pass: median {statistics.median(healthy):.0f} s")
    if errors:
        within = sum(e <= 0.05 for e in errors) / len(errors)
        print(
            f"settled volts: median error {1000 * statistics.median(errors):.0f} mV, {100 * within:.1f} % within 50 mV"
        )
        print(f"settled volts within their own expanded uncertainty: {100 * sum(inside) / len(inside):.1f} %")
    for r in [r for r in results if not r.right] if show else bad:
        print("  ", r)


def main() -> None:
    import tempfile

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--show", action="store_true", help="list every run that is not right")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, ProcessPoolExecutor(chosen.jobs) as pool:
        results = list(pool.map(one, tasks(chosen.runs, chosen.seed, folder), chunksize=4))
    report(results, chosen.show)


if __name__ == "__main__":
    main()
