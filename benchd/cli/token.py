"""`benchd token`: who may talk to the daemon over the network."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from benchd.server.tokens import TokenStore

SCOPES = ("look", "operate", "administer")


@click.group("token", short_help="Make, list and revoke tokens for the daemon.")
def command() -> None:
    """Make, list and revoke tokens for the daemon. A running daemon knows at once.

    \b
    Scopes, each with those before it:
      look         status, runs, records, verdicts, metrics
      operate      start and stop runs, answer prompts, set marks
      administer   release what forwarders have in quarantine, back up

    \b
    Examples:
      benchd token make 'office screen' --scope look
      benchd token revoke 'office screen'
    """


@command.command("make")
@click.argument("name")
@click.option("--scope", type=click.Choice(SCOPES), required=True, help="How far it reaches.")
@click.option("--expires-days", type=float, metavar="N", help="Days until it stops to work; by default never.")
def make(name: str, scope: str, expires_days: float | None) -> None:
    """Make a token. It is printed once, alone on stdout, and kept nowhere: put it where it is used."""
    from benchd.cli.common import say

    text = _store().make(name, scope, expires_days)
    click.echo(text)
    until = "until it is revoked" if expires_days is None else f"for {expires_days:g} days"
    say(f"The token {name!r} may {scope}, {until}. It is shown this once: put it into a file that only its user reads.")


@command.command("list")
@click.option("--json", "as_json", is_flag=True, help='One object on stdout: {"tokens": [...]}.')
def list_(as_json: bool) -> None:
    """List the tokens: name, scope, when made, until when. The tokens themselves are kept nowhere."""
    import os

    from benchd import journal
    from benchd.cli.common import print_json, say

    tokens = [one.to_json() for one in _store().list()]
    if os.environ.get("BENCHD_SERVER"):
        say(f"These are this computer's tokens, in {journal.home()}, not those of the daemon that BENCHD_SERVER names.")
    if as_json:
        print_json({"tokens": tokens})
        return
    if not tokens:
        say("There is no token. Make one with: benchd token make NAME --scope look")
        return
    rows = [("name", "scope", "made (UTC)", "expires (UTC)", "id")]
    for one in tokens:
        rows.append((one["name"], one["scope"], one["made"][:10], (one["expires"] or "never")[:16], one["id"]))
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


@command.command("revoke")
@click.argument("name")
def revoke(name: str) -> None:
    """Take a token back, by its name or id. Who is connected with it is let go within seconds."""
    from benchd.cli.common import say

    say(f"The token {_store().revoke(name).name!r} does not work any more.")


def _store() -> TokenStore:
    from benchd import journal
    from benchd.server.tokens import FILE_NAME, TokenStore

    return TokenStore(journal.home() / FILE_NAME)
