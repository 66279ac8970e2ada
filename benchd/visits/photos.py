"""Photos of a finding: kept as BENCHD_HOME/photos/<sha256>.<ext>, written once and never changed."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any
from uuid import uuid4

from benchd.errors import StoreError, UsageError

FOLDER = "photos"
MOST_BYTES = 20 * 1024 * 1024
MOST_PHOTOS = 20  # of one finding
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
    """A photo by its path. UsageError names the file that is not there, is too large, or is no picture."""
    file = Path(path).expanduser()
    try:
        size = file.stat().st_size
        if size > MOST_BYTES:
            raise UsageError(_too_large(str(path), size))
        data = file.read_bytes()
    except FileNotFoundError as error:
        raise UsageError(f"{path}: there is no such file: give the photo's path") from error
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror or error})") from error
    kind_of(str(path), data)
    return Photo(file.name, data)


def kind_of(name: str, data: bytes) -> str:
    """The ending that fits the content. UsageError if it is no picture and no PDF."""
    for ending, fits in _KINDS:
        if fits(data[:16]):
            return ending
    known = ", ".join(ending for ending, _ in _KINDS)
    raise UsageError(f"{name}: is no picture: expected one of {known}")


def keep(folder: Path, photo: Photo) -> dict[str, Any]:
    """Have a photo in the folder, on the disk: {file, sha256, bytes, kept}. UsageError, StoreError."""
    if photo.data is None:
        return _known(folder, photo)
    if len(photo.data) > MOST_BYTES:
        raise UsageError(_too_large(photo.name, len(photo.data)))
    digest = sha256(photo.data).hexdigest()
    kept = f"{digest}.{kind_of(photo.name, photo.data)}"
    try:
        folder.mkdir(0o700, parents=True, exist_ok=True)
        if not (folder / kept).is_file():
            _write(folder, kept, photo.data)
    except OSError as error:
        raise StoreError(
            f"{folder / kept}: the photo {photo.name} cannot be kept ({error.strerror or error})"
        ) from error
    return {"file": photo.name, "sha256": digest, "bytes": len(photo.data), "kept": kept}


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
    try:
        data = (folder / photo.kept).read_bytes()
    except OSError as error:
        raise UsageError(f"{photo.name}: no photo {photo.kept} is kept here: send its data") from error
    if sha256(data).hexdigest() != found[1]:
        raise UsageError(f"{photo.name}: {photo.kept} is not what it was: it was changed since it was kept")
    return {"file": photo.name, "sha256": found[1], "bytes": len(data), "kept": photo.kept}


def _write(folder: Path, kept: str, data: bytes) -> None:
    part = folder / f".{uuid4().hex}.part"
    try:
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(folder / kept)
    finally:
        part.unlink(missing_ok=True)


def _too_large(name: str, size: int) -> str:
    return f"{name}: has {size / 1e6:.1f} MB, a photo may have {MOST_BYTES / 1e6:.0f} MB: make it smaller"
