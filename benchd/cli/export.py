"""`benchd export`: a kept run's samples for other programs."""

from __future__ import annotations

import sys

import click


@click.command("export", short_help="Write a kept run's samples as CSV or Parquet.")
@click.argument("run", metavar="RUN")
@click.option(
    "--format", "form", type=click.Choice(["csv", "parquet"]), help="Default: by the output's ending, else csv."
)
@click.option("--output", "-o", type=click.Path(dir_okay=False), help="File to write; CSV goes to stdout without it.")
def command(run: str, form: str | None, output: str | None) -> None:
    """Write the samples of a kept RUN (its id, the beginning of it, or 'last').

    The CSV is what `benchd judge` reads: t_s and one column a channel, empty where nothing was read.

    \b
    Examples:
      benchd export last > run.csv
      benchd export last --output run.parquet
    """
    from benchd import export
    from benchd.cli.common import kept_run, say
    from benchd.errors import StoreError, UsageError

    form = form or ("parquet" if (output or "").endswith(".parquet") else "csv")
    if form == "parquet" and output is None:
        raise UsageError("Parquet is not text: say where to write it with --output FILE.parquet")
    with kept_run(run) as (found, records):
        try:
            if output is None:
                export.samples_csv(records, sys.stdout)
            elif form == "csv":
                with open(output, "w", encoding="utf-8", newline="") as file:
                    export.samples_csv(records, file)
            else:
                export.parquet(records, output)
        except BrokenPipeError:
            raise
        except OSError as error:
            raise StoreError(f"{output}: cannot be written: {error.strerror or error}") from error
    if output is not None:
        say(f"run {found}: written to {output}")
