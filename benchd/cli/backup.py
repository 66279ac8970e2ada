"""`benchd backup`: the journal copied while it is in use, and put back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

SHOWN = 20


@click.command("backup", short_help="Copy the journal while it is in use, or put a copy back.")
@click.argument("target", metavar="[TARGET]", required=False, type=click.Path())
@click.option("--restore", "source", metavar="FILE", type=click.Path(), help="Put this backup in the journal's place.")
@click.option("--json", "as_json", is_flag=True, help='One object on stdout: {"file", "photos", "missing"}.')
def command(target: str | None, source: str | None, as_json: bool) -> None:
    """Copy the journal to TARGET (a file that does not exist yet, or a folder), by default into the folder backups.

    Runs go on meanwhile; the copy is the journal of one moment, checked, and on the disk when the command ends.
    Nothing is ever written over. The photos of its work orders go into the folder photos beside the copy; backups in
    one folder share them, so that each is copied once.

    To restore: stop benchd, then `benchd backup --restore FILE`. The backup is verified whole and copied; the journal
    that was there is moved aside, not deleted; the daemon's identity is the backup's. Runs that were open when the
    backup was made are closed as interrupted. Photos are put back from the folder photos beside the backup. The daemon's own files beside the journal (tokens, configs) are plain
    files: copy them as such.

    \b
    Examples:
      benchd backup
      benchd backup /media/stick
      benchd backup --restore /media/stick/journal-20270301-033000-000000.sqlite
    """
    from benchd.cli.common import say
    from benchd.errors import UsageError
    from benchd.journal import FILE_NAME, home
    from benchd.journal_backup import backup, default_target, restore
    from benchd.visits.photo_backup import copy_photos

    path = home() / FILE_NAME
    if source is None:
        wanted = default_target(path) if target is None else Path(target)
        if wanted.is_dir():
            wanted /= default_target(path).name
        elif target is not None and (wanted.suffix != ".sqlite" or not wanted.parent.is_dir()):
            raise UsageError(
                f"{wanted}: there is no such folder (a stick that is not mounted?); give a folder that is there, "
                "or a file name that ends in .sqlite in one"
            )
        backup(path, wanted)
        if not as_json:
            say(f"{path}: copied to {wanted}")
        count, missing = copy_photos(path, wanted)
        _tell_photos({"file": str(wanted)}, count, missing, as_json)
        return
    if target is not None:
        raise UsageError("--restore takes the backup alone: where it goes is the journal's place (BENCHD_HOME)")
    moved = restore(path, Path(source))
    if not as_json:
        say(f"{path}: restored from {source}")
        if moved is not None:
            say(f"the journal that was there is now {moved}")
    count, missing = copy_photos(Path(source), path)
    _tell_photos({"file": str(path), "moved_to": None if moved is None else str(moved)}, count, missing, as_json)


def _tell_photos(body: dict[str, Any], count: int, missing: list[str], as_json: bool) -> None:
    from benchd.cli.common import print_json, say

    if as_json:
        print_json({**body, "photos": count, "missing": missing})
        return
    if count:
        say(f"with {count} photo{'s' * (count != 1)} of its work orders")
    for one in missing[:SHOWN]:
        say(f"CAUTION: {one}")
    if len(missing) > SHOWN:
        say(f"... and {len(missing) - SHOWN} more photos; see benchd verify")
