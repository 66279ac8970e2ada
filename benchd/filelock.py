"""A lock on an open file that the system takes back at the holder's death, however it dies."""

from __future__ import annotations

import os
import sys

_BEYOND_TEXT = 1 << 20  # Windows: a byte that is locked cannot be read, so none of the text's


def try_lock(file: int, *, shared: bool = False) -> bool:
    """Whether the open file could be locked, at once; it stays so until it is closed. Many may hold a shared lock."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(file, _BEYOND_TEXT, os.SEEK_SET)
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
            os.lseek(file, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(file, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
