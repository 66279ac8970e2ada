"""`benchd judge`: recorded traces from anywhere."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchd.cli.common import rule_option
from benchd.core.procedures import NAMES

if TYPE_CHECKING:
    from benchd.core.specs import MachineSpec, Metrology


@click.command("judge", short_help="Judge recorded traces (CSV) as a live run would be judged.")
@click.argument("procedure", type=click.Choice(NAMES))
@click.argument("traces", nargs=-1, required=True, metavar="TRACE.csv...")
@click.option("--spec", "spec_file", required=True, metavar="FILE", help="Machine file with the limits.")
@click.option("--bench", "bench_file", metavar="FILE", help="Bench file: accuracy and limits of the meters used.")
@rule_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line on stdout, in the order of the files.")
@click.pass_context
def command(
    ctx: click.Context,
    procedure: str,
    traces: tuple[str, ...],
    spec_file: str,
    bench_file: str | None,
    rule: str | None,
    as_json: bool,
) -> None:
    """Judge recorded traces as fast as they can be read, exactly as a live run would have been judged.

    A trace is CSV: t_s (seconds) and channels such as battery_volts, charge_amps, engine_rpm, stator_volts,
    stator_hertz; a cell is empty where nothing was read. Without --bench nothing is known of the meters, and the
    verdict says what was assumed. The exit code is that of the worst verdict; 2 if a file could not be read.

    \b
    Examples:
      benchd judge regulator run.csv --spec hollin-t18
      benchd judge stator lot-7/*.csv --spec hollin-t18 --json > verdicts.jsonl
    """
    from benchd import config, preflight
    from benchd.cli.common import load_limits, print_json, rule_of, say, say_verdict
    from benchd.errors import UsageError
    from benchd.judge import exit_code

    spec = load_limits(spec_file, procedure)
    bench = None if bench_file is None else config.load_bench(config.find_file(bench_file, "bench"))
    preflight.check_spec(spec, procedure)
    metrology, timing = preflight.known_of(bench, rule_of(rule), preflight.poles_of(spec))
    instruments = [] if bench is None else preflight.instrument_records(bench)
    outcomes, unreadable = [], False
    for trace in traces:
        try:
            body = judged(procedure, Path(trace), spec, metrology, timing)
        except UsageError as error:  # one bad file of a lot is told; the others are judged all the same
            say(f"benchd: {error}")
            unreadable = True
            continue
        body |= {"instruments": instruments, "bench": None if bench is None else bench.name}
        outcomes.append(body["verdict"])
        print_json(body) if as_json else say_verdict(body)
    ctx.exit(2 if unreadable else exit_code(outcomes))


def judged(
    procedure: str, trace: Path, spec: MachineSpec, metrology: Metrology, timing: dict[str, float]
) -> dict[str, Any]:
    """The verdict object on one file; `run` is the file's name."""
    from benchd.errors import UsageError
    from benchd.export import read_trace
    from benchd.judge import contract, judge_trace

    try:
        with trace.open(encoding="utf-8-sig", newline="") as file:
            verdict = judge_trace(procedure, read_trace(file), spec, metrology, timing=timing)
    except OSError as error:
        raise UsageError(f"{trace}: cannot be read: {error.strerror or error}") from error
    return contract(verdict, run=str(trace), spec=spec)
