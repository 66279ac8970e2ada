"""Photos of a finding: kept as BENCHD_HOME/photos/<sha256>.<ext>, written once and never changed."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from hashlib import file_digest, sha256
from pathlib import Path
from typing import Any
from uuid import uuid4

from benchd.errors import StoreError, UsageError
from benchd.plaintext import harmless

FOLDER = "photos"
MOST_BYTES = 20 * 1024 * 1024
MOST_PHOTOS = 20  # of one finding
LONGEST_NAME = 128
_KEPT = re.compile(r"([0-9a-f]{64})\.(jpg|png|gif|webp|heic|pdf)")

#: By what a file begins with, whatever its name says.
_KINDS: tuple[tuple[str, Callable[[bytes], bool]], ...] = (
    ("jpg", lambda head: head.startswith(b"\xff\xd8\xff")),
    ("png", lambda head: head.startswith(b"\x89PNG\r\n\x1a\n")),
    ("gif", lambda head: head.startswith((b"GIF87a", b"GIF89a"))),
    ("webp", lambda head: head.startswith(b"RIFF") and head[8:12] == b"WEBP"),
    ("heic", lambda head: head[4:8] == b"ftyp" and head[8:12] in (b"heic", b"heix", b"mif1", b"hevc", b"avif")),
    ("pdf", lambda head: head.startswith(b"%PDF-")),
)


@dataclass(frozen=True, slots=True)
class Photo:
    """`name` as it was called. Either `data`, or `kept`: the name of a file that is in the folder already."""

    name: str
    data: bytes | None = None
    kept: str = ""


def read_photo(path: str | Path) -> Photo:
    """A photo by its path. UsageError names the file that is not there, is none, is too large, or is no picture."""
    try:
        file = Path(path).expanduser()
        if file.exists() and not file.is_file():  # a device or a pipe would be read for ever
            raise UsageError(f"{path}: is no file: give the photo's path")
        with file.open("rb") as opened:
            size = os.fstat(opened.fileno()).st_size
            data = opened.read(MOST_BYTES + 1)
    except FileNotFoundError as error:
        raise UsageError(f"{path}: there is no such file: give the photo's path") from error
    except (OSError, RuntimeError, ValueError) as error:  # also no home for '~', or a NUL in it
        raise UsageError(f"{path}: cannot be read ({getattr(error, 'strerror', None) or error})") from error
    if len(data) > MOST_BYTES:
        raise UsageError(_too_large(str(path), max(size, len(data))))
    kind_of(str(path), data)
    return Photo(named(file.name), data)


def named(name: str) -> str:
    """What a file was called, on one line, no path, in at most LONGEST_NAME characters, its ending kept."""
    found = harmless(name).replace("/", "-").replace("\\", "-").strip() or "photo"
    if len(found) <= LONGEST_NAME:
        return found
    ending = Path(found).suffix[:16]
    return found[: LONGEST_NAME - len(ending)] + ending


def kind_of(name: str, data: bytes) -> str:
    """The ending that fits the content. UsageError if it is no picture and no PDF."""
    for ending, fits in _KINDS:
        if fits(data[:16]):
            return ending
    known = ", ".join(ending for ending, _ in _KINDS)
    raise UsageError(f"{name}: is no picture: expected one of {known}")


def keep(folder: Path, photo: Photo) -> dict[str, Any]:
    """Have a photo in the folder, on the disk: {file, sha256, bytes, kept}. UsageError, StoreError."""
    return keep_all(folder, [photo])[0]


def keep_all(folder: Path, photos: Sequence[Photo]) -> list[dict[str, Any]]:
    """The same with several: none is kept unless all are what they should be."""
    told = [_known(folder, one) if one.data is None else _told(one) for one in photos]
    for photo, one in zip(photos, told, strict=True):
        if photo.data is not None:
            _have(folder, one["kept"], photo)
    return told


def _told(photo: Photo) -> dict[str, Any]:
    data = photo.data
    assert data is not None
    if len(data) > MOST_BYTES:
        raise UsageError(_too_large(photo.name, len(data)))
    digest = sha256(data).hexdigest()
    kept = f"{digest}.{kind_of(photo.name, data)}"
    return {"file": named(photo.name), "sha256": digest, "bytes": len(data), "kept": kept}


def _have(folder: Path, kept: str, photo: Photo) -> None:
    assert photo.data is not None
    try:
        folder.mkdir(0o700, parents=True, exist_ok=True)
        if what_is_wrong(folder, kept):  # not there, or damaged since: here is a good one
            _write(folder, kept, photo.data)
    except OSError as error:
        raise StoreError(
            f"{folder / kept}: the photo {photo.name} cannot be kept ({error.strerror or error}): check the disk and the "
            "folder, then write the finding down again"
        ) from error


def what_is_wrong(folder: Path, kept: str) -> str:
    """'' if a kept photo is there and is what its name says; else 'is missing', 'was altered' or why it cannot be read."""
    found = _KEPT.fullmatch(kept)
    if found is None:
        return "has no name of a kept photo"
    try:
        with (folder / kept).open("rb") as file:
            same = file_digest(file, "sha256").hexdigest() == found[1]
    except FileNotFoundError:
        return "is missing"
    except OSError as error:
        return f"cannot be read ({error.strerror or error})"
    return "" if same else "was altered"


def path_of(home: Path, photo: dict[str, Any]) -> Path | None:
    """Where a photo of a record is kept; None if it is not there (a journal without its folder of photos)."""
    kept = str(photo.get("kept") or "")
    file = home / FOLDER / kept
    return file if _KEPT.fullmatch(kept) and file.is_file() else None


def _known(folder: Path, photo: Photo) -> dict[str, Any]:
    """One that is there already, by its name; its content must be what the name says."""
    found = _KEPT.fullmatch(photo.kept)
    if found is None:
        raise UsageError(f"{photo.name}: {photo.kept[:80]!r} is no name of a kept photo")
    if (wrong := what_is_wrong(folder, photo.kept)) == "is missing":
        raise UsageError(f"{photo.name}: no photo {photo.kept} is kept here: send its data")
    if wrong:
        raise UsageError(f"{photo.name}: {photo.kept} {wrong} since it was kept: send its data")
    size = (folder / photo.kept).stat().st_size
    return {"file": named(photo.name), "sha256": found[1], "bytes": size, "kept": photo.kept}


def place(folder: Path, kept: str, source: Path) -> None:
    """Copy a photo into the folder under its name, whole or not at all, on the disk on return. OSError."""
    _write(folder, kept, source.read_bytes())


def _write(folder: Path, kept: str, data: bytes) -> None:
    part = folder / f".{uuid4().hex}.part"
    try:
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(folder / kept)
        with suppress(OSError):  # Windows cannot, and does not need it
            sync(folder)
    finally:
        part.unlink(missing_ok=True)


def sync(path: Path) -> None:
    """Have a file or a folder's names on the disk."""
    file = os.open(path, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)


def _too_large(name: str, size: int) -> str:
    return f"{name}: has {size / 1e6:.1f} MB, a photo may have {MOST_BYTES / 1e6:.0f} MB: make it smaller"
