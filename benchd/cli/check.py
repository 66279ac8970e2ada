"""`benchd check`: the files are right, or everything that is wrong with them."""

from __future__ import annotations

import click


@click.command("check", short_help="Check bench, machine and causes files without running anything.")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.pass_context
def command(ctx: click.Context, files: tuple[str, ...]) -> None:
    """Check bench, machine, site and causes files: keys, units, drivers, ids, rows, what is connected to what.

    Nothing is opened and nothing is started. Exit code 0 if all are right, 2 if not.

    \b
    Example:
      benchd check configs/benches/bay-1.toml configs/machines/hollin-t18.toml
    """
    from benchd.config import check_file, kind_of
    from benchd.errors import BenchdError
    from benchd.visits.knowledge import check_causes

    wrong = False
    for name in files:
        try:
            kind, path = kind_of(name)
            click.echo(f"{name}: {check_causes(path) if kind == 'causes' else check_file(name)}")
        except BenchdError as error:
            wrong = True
            click.echo(str(error), err=True)
    ctx.exit(2 if wrong else 0)
