"""`benchd verify`: whether the journal is whole."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from benchd.journal_verify import Finding

SHOWN = 200


@click.command("verify", short_help="Check that nothing in the journal is missing or altered.")
@click.argument("file", metavar="[FILE]", required=False, type=click.Path(dir_okay=False))
@click.option(
    "--anchor",
    "anchors",
    metavar="RUN:DIGEST",
    multiple=True,
    help="A run or work order and the digest of one of its records, kept elsewhere; may be repeated.",
)
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help='One object on stdout: {"file", "intact", "runs", "work_orders", "head", "findings"}.',
)
@click.pass_context
def command(ctx: click.Context, file: str | None, anchors: tuple[str, ...], as_json: bool) -> None:
    """Check the journal, or the journal in FILE (a backup): every record carries the digest of the one before it.

    Names every record that was altered, added or taken out, missing records and runs, and photos of work orders that
    are missing or altered in the folder photos beside it. It only reads, also while runs are under way. Exit code 0: intact, 5: trouble was found.

    It cannot find the work of somebody who has computed all digests anew. A digest that is kept elsewhere can: every
    verdict's is sent to the time-series store. Give it with --anchor.

    \b
    Examples:
      benchd verify
      benchd verify backups/journal-20270301-033000.sqlite --json
      benchd verify --anchor 20270301-100000-123ab:9f86d081884c7d659a2feaa0c55ad015
    """
    from benchd.cli.common import print_json, say
    from benchd.journal import FILE_NAME, home
    from benchd.journal_read import JournalReader

    path = Path(file) if file else home() / FILE_NAME
    with JournalReader(path) as reader:
        findings = list(reader.verify(_anchors(anchors)))
        findings += _of_photos(path, damaged=bool(findings))
        count, orders, newest = reader.count(), reader.count_orders(), reader.runs(1)
        head = reader.digest(newest[0]["run"]) if newest and not findings else None
    if as_json:
        body = {"file": str(path), "intact": not findings, "runs": count, "work_orders": orders, "head": head}
        print_json(body | {"findings": [one.to_json() for one in findings]})
    else:
        for one in findings[:SHOWN]:
            click.echo(str(one))
        if len(findings) > SHOWN:
            click.echo(f"... and {len(findings) - SHOWN} more")
        say(_summary(path, count, orders, len(findings)))
        if head:
            say(f"the newest run ends with digest {newest[0]['run']}:{head}")
    ctx.exit(5 if findings else 0)


def _of_photos(path: Path, *, damaged: bool) -> list[Finding]:
    from benchd.errors import StoreError
    from benchd.visits.photo_backup import photo_findings

    try:
        return list(photo_findings(path))
    except StoreError:
        if damaged:  # what is wrong with the journal itself comes first, and must be told
            return []
        raise


def _summary(path: Path, runs: int, orders: int, troubles: int) -> str:
    held = "1 run" if runs == 1 else f"{runs} runs"
    held += f" and {orders} work order{'s' * (orders > 1)}" if orders else ""
    if not troubles:
        return f"{path}: intact, {held}"
    found = "1 trouble" if troubles == 1 else f"{troubles} troubles"
    return f"{path}: {found} in {held}; keep this file as it is, and compare it with a backup"


def _anchors(given: tuple[str, ...]) -> dict[str, str]:
    """run -> digest. UsageError."""
    from benchd.errors import UsageError

    found = {}
    for one in given:
        run, _, digest = one.rpartition(":")
        if not run or len(digest) != 32 or not set(digest.lower()) <= set("0123456789abcdef"):
            raise UsageError(
                f"--anchor {one}: give the id of a run or a work order, a colon, and a digest of 32 hex digits"
            )
        found[run] = digest.lower()
    return found
