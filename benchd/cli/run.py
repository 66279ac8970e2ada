"""`benchd run`: a live run on a bench."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import click

from benchd.cli.common import rule_option

if TYPE_CHECKING:
    from benchd.orders import Order
    from benchd.runner import Ended


@click.command("run", short_help="Run a stator or a regulator test on a bench.")
@click.argument("procedure", type=click.Choice(["stator", "regulator"]))
@click.option("--bench", "bench_file", required=True, metavar="FILE", help="Bench file: meters, channels, accuracy.")
@click.option("--spec", "spec_file", required=True, metavar="FILE", help="Machine file: limits from its manual.")
@click.option("--work-order", metavar="N", help="Work order that the run belongs to.")
@click.option("--unit", metavar="SERIAL", help="Serial number of the unit under test.")
@rule_option
@click.option("--headless", is_flag=True, help="No gauge: plain lines on stderr.")
@click.option("--json", "as_json", is_flag=True, help="The verdict as one JSON object on stdout, nothing else there.")
@click.pass_context
def command(
    ctx: click.Context,
    procedure: str,
    bench_file: str,
    spec_file: str,
    work_order: str | None,
    unit: str | None,
    rule: str | None,
    headless: bool,
    as_json: bool,
) -> None:
    """Run a test on live instruments: it waits for full throttle, measures, and ends by itself with a verdict.

    FILE is a path, or the name of a file that comes with benchd (hollin-t18). Everything is checked before the
    engine starts. Ctrl-C stops the run: it is kept, as void.

    \b
    Examples:
      benchd run stator --bench bay-1.toml --spec hollin-t18 --work-order 1042
      benchd run regulator --bench bay-1.toml --spec hollin-t18 --work-order 1042 --json
    """
    from benchd import config
    from benchd.cli.common import finish, rule_of
    from benchd.orders import Order

    spec = config.load_spec(config.find_file(spec_file, "machine"))
    bench = config.load_bench(config.find_file(bench_file, "bench"))
    order = Order(procedure, bench, spec, work_order, unit, rule_of(rule))
    ended = asyncio.run(run(order, headless))
    finish(ctx, ended, headless=headless, as_json=as_json)


async def run(order: Order, headless: bool) -> Ended:
    from benchd.cli.common import choose_show, say
    from benchd.orders import prepare, run_ready
    from benchd.clock import Clock
    from benchd.journal import Journal

    clock = Clock()
    with Journal() as journal:
        ready = prepare(order, journal, clock.wall_utc())
        show = choose_show(headless=headless, title=order.procedure)
        ended = await run_ready(ready, journal, clock=clock, show=show, warn=say)
        say(f"kept as run {ended.verdict['run']} in {journal.path}")
        return ended
