"""The photos of orders beside a backup of the journal, and back again: FOLDER/<sha256>.<ext> next to either file.

Backups in one folder share their photos: a photo that is there is not copied again. Each is compared with its name.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

from benchd.errors import StoreError
from benchd.journal_backup import LEAVE_FREE_BYTES
from benchd.journal_read import JournalReader
from benchd.journal_verify import Finding
from benchd.visits.photos import FOLDER, place, what_is_wrong


def copy_photos(of: Path, to: Path) -> tuple[int, list[str]]:
    """Have beside the journal file `to` the photos that it speaks of, from beside the journal `of`: (how many are there
    now, a sentence about each that is not). StoreError if the disk does not take them."""
    source, target = of.parent / FOLDER, to.parent / FOLDER
    wanted = _named_in(to)
    lacking = [kept for kept in wanted if what_is_wrong(target, kept)]
    wrong = {kept: what_is_wrong(source, kept) for kept in lacking}
    good = [kept for kept in lacking if not wrong[kept]]
    try:
        _see_room(target.parent, source, good)
        for kept in good:
            target.mkdir(0o700, exist_ok=True)
            place(target, kept, source / kept)
    except OSError as error:
        raise StoreError(
            f"{target}: the journal is copied, its photos are not ({error.strerror or error}): make room, then do it again"
        ) from error
    told = [f"{source / kept} {why} ({wanted[kept]})" for kept, why in wrong.items() if why]
    return len(wanted) - len(told), told


def photo_findings(journal: Path) -> Iterator[Finding]:
    """The photos beside a journal that are missing or altered, as `benchd verify` tells them. StoreError."""
    folder = journal.parent / FOLDER
    with JournalReader(journal) as reader:
        for order, seq, photo in reader.photos():
            if wrong := what_is_wrong(folder, str(photo.get("kept") or "")):
                what = f"photo {photo.get('file')} of record {seq} {wrong}: {folder / str(photo.get('kept'))}"
                yield Finding("", seq, seq, what, order)


def _named_in(journal: Path) -> dict[str, str]:
    """Name of every kept photo that a journal speaks of -> where it speaks of it."""
    with JournalReader(journal) as reader:
        return {
            str(photo.get("kept")): f"photo {photo.get('file')} of work order {order}"
            for order, _, photo in reader.photos()
        }


def _see_room(to: Path, source: Path, photos: list[str]) -> None:
    wanted = sum((source / kept).stat().st_size for kept in photos)
    free = shutil.disk_usage(to).free
    least = LEAVE_FREE_BYTES if to.stat().st_dev == source.parent.stat().st_dev else 0
    if photos and free < wanted + least:
        raise OSError(f"they want {wanted / 1e6:.0f} MB, {free / 1e6:.0f} MB are free")
