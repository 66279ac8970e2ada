"""A shift on screens: scan, test, next. Reads and writes through what it is given."""

from __future__ import annotations

from typing import Any


def __getattr__(name: str) -> Any:
    """FORM and ShiftForm, imported when they are asked for: whoever wants the words alone needs no terminal."""
    if name in ("FORM", "ShiftForm"):
        from benchd_dashboards.lot import terminal

        return getattr(terminal, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
