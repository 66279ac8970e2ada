"""`benchd history`: what is kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click


@click.command("history", short_help="List the runs that are kept.")
@click.option("--work-order", metavar="N", help="Only this work order's runs.")
@click.option("--unit", metavar="SERIAL", help="Only this unit's runs.")
@click.option(
    "--limit", default=20, show_default=True, type=click.IntRange(min=1), help="At most so many, newest first."
)
@click.option("--json", "as_json", is_flag=True, help='One object on stdout: {"runs": [...]}.')
def command(work_order: str | None, unit: str | None, limit: int, as_json: bool) -> None:
    """List the runs that are kept, newest first.

    \b
    Examples:
      benchd history
      benchd history --work-order 1042 --json
    """
    from benchd.cli.common import print_json, say
    from benchd.journal import Journal

    with Journal() as journal:
        runs = journal.runs(limit, work_order=work_order, unit=unit)
    if as_json:
        print_json({"runs": runs})
        return
    if not runs:
        say("No run is kept yet" + (" that matches." if work_order or unit else ". Begin with: benchd demo"))
    for line in table(runs):
        click.echo(line)


COLUMNS = (
    ("run", "run"),
    ("started", "started (UTC)"),
    ("procedure", "procedure"),
    ("verdict", "verdict"),
    ("suspect", "suspect"),
    ("spec", "machine"),
    ("work_order", "work order"),
    ("unit", "unit"),
)


def table(runs: Sequence[Mapping[str, Any]]) -> list[str]:
    """The runs as lines of columns; no column wider than what stands in it."""
    if not runs:
        return []
    rows = [[title for _, title in COLUMNS]]
    for run in runs:
        rows.append([_cell(run, key) for key, _ in COLUMNS])
    widths = [max(len(row[index]) for row in rows) for index in range(len(COLUMNS))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _cell(run: Mapping[str, Any], key: str) -> str:
    value = run.get(key)
    if key == "verdict" and value is None:
        return str(run.get("status") or "open")
    if key == "started" and isinstance(value, str):
        return value[:19].replace("T", " ")
    return "-" if value is None else str(value)
