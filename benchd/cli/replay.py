"""`benchd replay`: a kept run on the gauge, as it was."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Any

import click


@click.command("replay", short_help="Show a kept run again.")
@click.argument("run", metavar="RUN")
@click.option(
    "--speed", default=1.0, show_default=True, type=click.FloatRange(min=0, min_open=True), help="Times as fast."
)
def command(run: str, speed: float) -> None:
    """Show a kept RUN (its id, the beginning of it, or 'last') on the gauge again, with its prompts and its verdict.

    \b
    Example:
      benchd replay last --speed 20
    """
    from benchd.cli.common import choose_show, kept_run

    with kept_run(run) as (found, records):
        show = choose_show(headless=False, title=f"replay of {found}")
        asyncio.run(replay(records, show, speed))


async def replay(records: Sequence[dict[str, Any]], show: Callable[..., Any], speed: float) -> None:
    await show(paced(records, speed), None)


async def paced(records: Sequence[dict[str, Any]], speed: float) -> AsyncIterator[dict[str, Any]]:
    """The records at the pace at which they came, `speed` times as fast; what carries no time comes at once."""
    loop = asyncio.get_running_loop()
    zero = loop.time()
    for record in records:
        wait_s = float(record.get("t_ns", 0)) / 1e9 / speed - (loop.time() - zero)
        if wait_s > 0:
            await asyncio.sleep(wait_s)
        yield record
