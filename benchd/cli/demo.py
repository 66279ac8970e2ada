"""`benchd demo`: both runs on a virtual bench that is read through real ports by the real drivers."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchd.core.specs import MachineSpec
    from benchd.journal import Journal
    from benchd.runner import Ended
    from benchd.virtual.scenario import Scenario

MACHINE = "hollin-t18"
PROCEDURES = ("stator", "regulator")
SPEED = 10.0
STORY_NAMES = ("joint", "cell", "stuck-on")  # of stories.STORIES
LINGER_S = 8.0  # between the two runs, if nobody presses a key


@click.command("demo", short_help="Show both runs on a virtual bench: no hardware, nothing to set up.")
@click.option("--fault", metavar="NAME[=STRENGTH]", help="Build this fault in. See --faults.")
@click.option("--faults", "list_faults", is_flag=True, help="List the faults that can be built in.")
@click.option(
    "--visit",
    "story",
    type=click.Choice(STORY_NAMES),
    help="Show a whole visit instead, unattended: complaint, plan, repair, proof.",
)
@click.option("--only", type=click.Choice(PROCEDURES), help="Only this run.")
@click.option("--speed", default=SPEED, show_default=True, type=click.FloatRange(0.1, 1000), help="Times as fast.")
@click.option(
    "--seed", default=1, show_default=True, type=int, help="Another seed is another machine and other meters."
)
@click.option("--headless", is_flag=True, help="No gauge: plain lines on stderr.")
@click.option("--json", "as_json", is_flag=True, help='One object on stdout: {"runs": [...], "verdict": the worst}.')
@click.pass_context
def command(
    ctx: click.Context,
    fault: str | None,
    list_faults: bool,
    story: str | None,
    only: str | None,
    speed: float,
    seed: int,
    headless: bool,
    as_json: bool,
) -> None:
    """Watch a stator run and then a regulator run on a simulated garden tractor, judged like real ones.

    Simulated meters answer on real ports of this computer; a simulated technician starts the engine and opens the
    throttle. Both runs are kept in the journal under one work order. The judge does not know what was built in.

    \b
    Examples:
      benchd demo
      benchd demo --fault regulator-stuck-on
      benchd demo --fault weak-magnets=0.5 --speed 40 --headless --json
      benchd demo --visit stuck-on
    """
    if list_faults:
        for line in fault_lines():
            click.echo(line)
        return
    if story is not None:
        show_visit(ctx, story, seed, as_json, clash=fault or only)
        return
    from dataclasses import replace

    from benchd.virtual.scenario import Scenario

    scenario = replace(Scenario(), seed=seed)
    if (built_in := parse_fault(fault)) is not None:
        scenario = scenario.with_fault(*built_in)
    names = (only,) if only else PROCEDURES
    ends = asyncio.run(demo(scenario, names, speed=speed, headless=headless))
    finish(ctx, ends, headless, as_json)


def show_visit(ctx: click.Context, story: str, seed: int, as_json: bool, clash: str | None) -> None:
    """A whole visit; exit code 0 if it ends proven, else 1."""
    from benchd.cli import demo_visit
    from benchd.cli.common import print_json
    from benchd.errors import UsageError

    if clash is not None:
        raise UsageError(f"--visit {story} brings its own machine: leave --fault and --only out")
    given = ctx.get_parameter_source("speed") is not click.core.ParameterSource.DEFAULT
    body = asyncio.run(demo_visit.visit(story, seed, ctx.params["speed"] if given else demo_visit.SPEED))
    if as_json:
        print_json(body)
    ctx.exit(0 if body["state"] == "proven" else 1)


def fault_lines() -> list[str]:
    """A line for each fault: its name, what it is, its usual strength and the range that makes sense."""
    from benchd.virtual.scenario import FAULTS

    width = max(map(len, FAULTS))
    lines = []
    for name, one in FAULTS.items():
        strength = f"  [{one.usual:g} {one.unit}; {one.low:g} to {one.high:g}]" if one.unit else ""
        lines.append(f"{name.ljust(width)}  {one.title}{strength}")
    return lines


def parse_fault(text: str | None) -> tuple[str, float | None] | None:
    """'name' or 'name=0.5' -> (name, strength or None for the usual one); UsageError says what there is."""
    from math import isfinite

    from benchd.errors import UsageError
    from benchd.registry import nearest
    from benchd.virtual.scenario import FAULTS

    if text is None:
        return None
    name, _, strength = text.partition("=")
    if name not in FAULTS:
        hint = nearest(name, FAULTS)
        raise UsageError(f"--fault {name}: there is no such fault{hint}; list them with: benchd demo --faults")
    if not strength:
        return name, None
    try:
        value = float(strength)
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise UsageError(f"--fault {text}: the strength {strength!r} is no number; see: benchd demo --faults")
    kind = FAULTS[name]
    if not kind.unit:
        raise UsageError(f"--fault {text}: {name} has no strength; leave '={strength}' out")
    if not kind.low <= value <= kind.high:
        raise UsageError(f"--fault {text}: {name} takes {kind.low:g} to {kind.high:g} {kind.unit}, not {value:g}")
    return name, value


async def demo(scenario: Scenario, names: tuple[str, ...], *, speed: float, headless: bool) -> list[Ended]:
    """The runs one after the other, under one work order; one that did not end by itself is the last."""
    from benchd import config
    from benchd.cli.common import say
    from benchd.journal import Journal

    spec = config.load_spec(config.find_file(MACHINE, "machine"))
    ends: list[Ended] = []
    with Journal() as journal:
        work_order = f"demo-{datetime.now(UTC):%Y%m%d-%H%M%S}"
        for name in names:
            ended = await one_run(name, scenario, spec, journal, work_order, speed=speed, headless=headless)
            ends.append(ended)
            if ended.status != "judged":
                break
        say(f"kept under work order {work_order} in {journal.path}; see it again with: benchd replay last")
    return ends


async def one_run(
    name: str,
    scenario: Scenario,
    spec: MachineSpec,
    journal: Journal,
    work_order: str,
    *,
    speed: float,
    headless: bool,
) -> Ended:
    """One run on a virtual bench of its own."""
    from benchd import config
    from benchd.cli.common import choose_show, say
    from benchd.clock import Clock
    from benchd.orders import Order, prepare, run_ready
    from benchd.virtual.bench import VirtualBench

    clock = Clock(speed)
    async with VirtualBench(scenario, clock, name) as virtual:
        with bench_file(virtual.bench_toml) as path:
            order = Order(name, config.load_bench(path), spec, work_order)
            ready = prepare(order, journal, clock.wall_utc())
            show = choose_show(headless=headless, title=f"{name} run on the virtual bench", linger_s=LINGER_S)
            return await run_ready(ready, journal, clock=clock, show=show, technician=virtual.operator, warn=say)


@contextmanager
def bench_file(text: str) -> Iterator[Path]:
    """The virtual bench's file, for as long as its ports are open."""
    with tempfile.TemporaryDirectory(prefix="benchd-demo-") as folder:
        path = Path(folder) / "virtual-bench.toml"
        path.write_text(text, encoding="utf-8")
        yield path


def finish(ctx: click.Context, ends: list[Ended], headless: bool, as_json: bool) -> None:
    """The worst verdict decides the exit code, unless a run did not end by itself."""
    from benchd.cli.common import print_json, say_verdict, tell_fault, uses_gauge
    from benchd.judge import exit_code, worst

    verdicts: list[dict[str, Any]] = [one.verdict for one in ends]
    outcomes = [one["verdict"] for one in verdicts]
    for ended in ends:
        tell_fault(ended)
    if as_json:
        print_json({"runs": verdicts, "verdict": str(worst(outcomes))})
    elif uses_gauge(headless):
        for one in verdicts:
            say_verdict(one)
    ctx.exit(ends[-1].exit_code if ends[-1].status != "judged" else exit_code(outcomes))
