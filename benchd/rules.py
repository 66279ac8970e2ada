"""Decision rules by the names that commands and the API take. Imports nothing: `benchd --help` reads it too."""

from __future__ import annotations

RULES = {
    "simple": "simple acceptance",
    "guarded-acceptance": "guarded acceptance",
    "guarded-rejection": "guarded rejection",
}
