"""The bench's own append-only record (being written)."""

from __future__ import annotations

import os
from pathlib import Path


def home() -> Path:
    """Where benchd writes: BENCHD_HOME, else the platform's folder for a user's data. It need not exist yet."""
    if given := os.environ.get("BENCHD_HOME"):
        return Path(given)
    from platformdirs import user_data_path

    return user_data_path("benchd", appauthor=False)
