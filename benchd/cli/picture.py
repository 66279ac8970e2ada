"""`benchd picture`: the end page of a kept run as SVG."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("picture", short_help="Write the end page of a kept run as an SVG picture.")
@click.argument("run", metavar="RUN")
@click.option("--output", "-o", required=True, type=click.Path(dir_okay=False), help="The SVG file to write.")
@click.option("--columns", default=80, show_default=True, type=click.IntRange(40, 300), help="Width in characters.")
@click.option("--rows", default=24, show_default=True, type=click.IntRange(10, 100), help="Height in lines.")
@click.option("--until", type=float, metavar="SECONDS", help="As the gauge looked so long after the start.")
def command(run: str, output: str, columns: int, rows: int, until: float | None) -> None:
    """Write what the gauge showed at the end of a kept RUN (its id, the beginning of it, or 'last') as an SVG.

    \b
    Example:
      benchd picture last --output run.svg
    """
    from importlib import import_module

    from benchd.cli.common import kept_run, say
    from benchd.errors import StoreError

    picture = import_module("benchd_dashboards.picture")  # by its installed name, which only exists once installed
    with kept_run(run) as (found, records):
        shown = [one for one in records if until is None or one.get("t_ns", 0) <= until * 1e9]
        if until is not None:
            shown = [one for one in shown if one["kind"] != "run-closed"]
        drawing = picture.svg(shown, columns=columns, rows=rows, title=f"run {found}")
    try:
        Path(output).write_text(drawing, encoding="utf-8")
    except OSError as error:
        raise StoreError(f"{output}: cannot be written: {error.strerror or error}") from error
    say(f"run {found}: written to {output}")
