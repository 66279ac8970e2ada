"""`benchd thin`: old raw readings become averages."""

from __future__ import annotations

from pathlib import Path

import click

#: Forwarders that may not have taken everything yet; their cursors stand beside the journal.
FORWARDERS = ("series", "mqtt")


@click.command("thin", short_help="Thin the raw readings of old runs; verdicts and samples stay.")
@click.option(
    "--older-than",
    "days",
    required=True,
    metavar="DAYS",
    type=click.FloatRange(min=0),
    help="Only runs begun longer ago than this.",
)
@click.option(
    "--step",
    "step_s",
    default=10.0,
    show_default=True,
    metavar="S",
    type=click.FloatRange(min=0, min_open=True),
    help="One line of min/mean/max for so many seconds.",
)
@click.option("--json", "as_json", is_flag=True, help='One object on stdout: {"runs", "readings", "bytes", "refused"}.')
@click.pass_context
def command(ctx: click.Context, days: float, step_s: float, as_json: bool) -> None:
    """Replace the raw readings of closed runs that are older than DAYS by one line of min/mean/max every S seconds.

    What a verdict rests on stays for ever: samples, questions, answers, flags, verdicts. `benchd rejudge` says the
    same afterwards, and `benchd verify` still checks all that is kept. It cannot be undone: make a backup first.
    Runs that a forwarder has not taken yet wait for it. The room is used by later runs; the file does not shrink.

    \b
    Examples:
      benchd thin --older-than 90
      benchd thin --older-than 365 --step 60
    """
    from datetime import UTC, datetime, timedelta

    from benchd.cli.common import print_json, say
    from benchd.journal import Journal

    try:
        before = datetime.now(UTC) - timedelta(days=days)
    except OverflowError:
        raise click.BadParameter(f"{days:g} days ago there was no calendar", param_hint="--older-than") from None
    with Journal() as journal:
        upto = _taken(journal.path.with_name("forward.sqlite"))
        done = journal.thin(before, step_s, upto)
        with journal.reader() as reader:
            waiting = reader.thinnable(before) - len(done.refused)
    if as_json:
        print_json({"runs": done.runs, "readings": done.readings, "bytes": done.bytes, "refused": list(done.refused)})
    else:
        say(f"{done.runs} runs thinned: {done.readings} readings, {done.bytes / 1e6:.1f} MB free for later runs")
        if waiting > 0:
            say(f"{waiting} runs wait until every forwarder has taken them")
    for run in done.refused:
        say(f"run {run} was left as it is, since something in it is not in order: see benchd verify")
    ctx.exit(5 if done.refused else 0)


def _taken(path: Path) -> int | None:
    """The row up to which every forwarder that ever ran here has taken the journal; None if none did."""
    if not path.exists():
        return None
    from benchd.forward.store import ForwardStore

    store = ForwardStore(path)
    try:
        rows = [row for name in FORWARDERS if (row := store.cursor(name).row)]
    finally:
        store.close()
    return min(rows, default=None)
