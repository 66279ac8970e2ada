"""The house's walls: what may import what, as pyproject.toml says it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent


def test_every_import_contract_is_kept() -> None:
    lint = Path(sys.executable).with_name("lint-imports")
    found = subprocess.run([str(lint)], cwd=ROOT, capture_output=True, text=True, timeout=100, check=False)
    assert found.returncode == 0, found.stdout + found.stderr
    assert "kept" in found.stdout
