"""`benchd run`: a live run or test on a bench, here or on the daemon that serves the bench."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchd.cli.answers import Prepared
from benchd.cli.common import rule_option
from benchd.core.procedures import NAMES

if TYPE_CHECKING:
    from benchd.client import Client
    from benchd.orders import Order
    from benchd.runner import Ended


@click.command("run", short_help="Run one test on a bench: battery, stator, regulator, wiring.")
@click.argument("procedure", type=click.Choice(NAMES))
@click.option(
    "--bench", required=True, metavar="FILE|NAME", help="Bench file, or the name of a bench that a daemon serves."
)
@click.option(
    "--spec", "spec_file", metavar="FILE", help="Machine file: limits from its manual. Without it, the work order's."
)
@click.option(
    "--work-order",
    metavar="N",
    help="Work order that the run belongs to; without --spec also the machine's serial number.",
)
@click.option("--unit", metavar="SERIAL", help="Serial number of the unit under test.")
@rule_option
@click.option(
    "--answer", "answers", multiple=True, metavar="ID=TEXT", help="Answer a prompt that will come; may be repeated."
)
@click.option("--headless", is_flag=True, help="No gauge: plain lines on stderr.")
@click.option("--json", "as_json", is_flag=True, help="The verdict as one JSON object on stdout, nothing else there.")
@click.pass_context
def command(
    ctx: click.Context,
    procedure: str,
    bench: str,
    spec_file: str | None,
    work_order: str | None,
    unit: str | None,
    rule: str | None,
    answers: tuple[str, ...],
    headless: bool,
    as_json: bool,
) -> None:
    """Run a test on live instruments: it waits for full throttle, measures, and ends by itself with a verdict.

    FILE is a path, or the name of a file that comes with benchd (hollin-t18). Everything is checked before the
    engine starts. Ctrl-C stops the run: it is kept, as void.

    Where a daemon serves the bench (benchd serve), the run is conducted there and shown here; all else is the same.

    \b
    Examples:
      benchd run load --bench bay-1.toml --spec hollin-t18 --work-order 1042 --answer battery-celsius=12
      benchd run stator --bench bay-1.toml --spec hollin-t18 --work-order 1042
      benchd run regulator --bench bay-1.toml --spec hollin-t18 --work-order 1042 --json
    """
    prepared = Prepared(answers)
    if (served := find_served(bench)) is not None:
        client, slug = served
        if spec_file is not None:
            sent = spec_of_order(spec_file, procedure)
        else:
            work_order, text = text_of_work_order(work_order)
            sent = {"spec_toml": text}
        body = {"bench": slug, "procedure": procedure, "work_order": work_order, "unit": unit, "rule": rule, **sent}
        given = {key: one for key, one in body.items() if one is not None}
        verdict, code = run_there(client, given, headless, prepared)
        from benchd.cli.common import leave_with

        leave_with(ctx, verdict, code, headless=headless, as_json=as_json)
    from benchd import config
    from benchd.cli.common import finish, load_limits, rule_of
    from benchd.orders import Order

    found = config.load_bench(config.find_file(bench, "bench"))
    if spec_file is not None:
        order = Order(procedure, found, load_limits(spec_file, procedure), work_order, unit, rule_of(rule))
    else:
        work_order, text = text_of_work_order(work_order)
        spec = config.load_spec_text(text, f"work order {work_order}")
        order = Order(procedure, found, spec, work_order, unit, rule_of(rule), spec_text=text)
    ended = asyncio.run(run(order, headless, prepared))
    finish(ctx, ended, headless=headless, as_json=as_json)


def text_of_work_order(work_order: str | None) -> tuple[str, str]:
    """(number, text of the machine file that it was opened with) of a work order, which may be meant by the machine's
    serial number. UsageError, NotFoundError."""
    from benchd.cli.order import on_order
    from benchd.errors import UsageError
    from benchd.visits.doors import open_door

    if work_order is None:
        raise UsageError("say which machine: --spec FILE, or --work-order N of an order that names one")
    with open_door() as door:
        body = on_order(door, work_order, door.visit)
        return str(body["work_order"]), str(body["spec_text"])


# --- alone ----------------------------------------------------------------------------------------------------------


async def run(order: Order, headless: bool, prepared: Prepared) -> Ended:
    from benchd.cli.common import choose_show, say
    from benchd.clock import Clock
    from benchd.journal import Journal
    from benchd.orders import prepare, run_ready

    clock = Clock()
    with Journal() as journal:
        ready = prepare(order, journal, clock.wall_utc())
        show = prepared.show(choose_show(headless=headless, title=order.procedure))
        ended = await run_ready(ready, journal, clock=clock, show=show, warn=say)
        say(f"kept as run {ended.verdict['run']} in {journal.path}")
        tell_left(prepared)
        return ended


# --- on the daemon --------------------------------------------------------------------------------------------------


def find_served(bench: str) -> tuple[Client, str] | None:
    """(the daemon that serves this bench, the bench's slug there); None if the run is to be done alone.

    A path is compared with what the daemon has read: ConfigError if the file has changed since.
    """
    from benchd import client as clients

    client = clients.find()
    if client is None:
        return None
    from benchd.cli.common import say

    benches = client.status()["benches"]
    if not Path(bench).is_file():
        for one in benches:
            if bench in (one["bench"], one["name"]):
                return client, str(one["bench"])
    from benchd import config

    path = config.find_file(bench, "bench")
    name = config.load_bench(path).name
    for one in benches:
        if name == one["name"]:
            _refuse_another_file(client, path, one)
            return client, str(one["bench"])
    there = ", ".join(str(one["bench"]) for one in benches) or "none"
    say(f"{client.who} does not serve {name!r} (it serves {there}): the run is conducted here")
    return None


def _refuse_another_file(client: Client, path: Path, served: dict[str, Any]) -> None:
    import hashlib

    from benchd.errors import ConfigError

    if hashlib.sha256(path.read_bytes()).hexdigest() != served["source_sha256"]:
        raise ConfigError(
            f"{path}: differs from the file that {client.who} serves as {served['bench']!r}. If it was edited, restart "
            f"the daemon so that it reads it; to run on what the daemon has, say --bench {served['bench']}"
        )


def spec_of_order(spec: str, procedure: str = "") -> dict[str, str]:
    """How an order names its machine: by the text of a file (checked here first, so that mistakes are told with the
    file's own name and lines), or by a name that the daemon looks up."""
    if not Path(spec).is_file() and not _looks_like_path(spec):
        return {"spec": spec.removesuffix(".toml")}
    from benchd import config
    from benchd.cli.common import limits_kind

    path = config.find_file(spec, limits_kind(procedure))
    config.load_spec(path)
    return {"spec_toml": path.read_text(encoding="utf-8-sig")}


def _looks_like_path(text: str) -> bool:
    return Path(text).name != text


def run_there(client: Client, order: dict[str, Any], headless: bool, prepared: Prepared) -> tuple[dict[str, Any], int]:
    """A run on the daemon, shown here: (verdict object, exit code) as of a run alone."""
    from benchd.cli.attach import operate
    from benchd.cli.common import choose_show, say

    show = prepared.show(choose_show(headless=headless, title=str(order["procedure"])))
    try:
        seen, ctrl_c = asyncio.run(operate(client, order["bench"], lambda: client.start(order), show))
    except KeyboardInterrupt:
        say("left in a hurry: whether the daemon has stopped the run, say: benchd status")
        raise
    verdict, code = seen.outcome(ctrl_c=ctrl_c)
    say(f"kept as run {seen.run} in {_where(client)}")
    tell_left(prepared)
    return verdict, code


def tell_left(prepared: Prepared) -> None:
    """What was prepared for prompts that did not come: most often a slip of the pen in the id."""
    from benchd.cli.common import say

    if prepared.left:
        say(f"not asked for in this run: {', '.join(prepared.left)} (given with --answer)")


def _where(client: Client) -> str:
    if not client.local:
        return client.url
    from benchd import journal

    return str(journal.home() / journal.FILE_NAME)
