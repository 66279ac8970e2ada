"""What holds for all tests."""

from __future__ import annotations

import os

# The hundreds of processes that the tests start need not compile benchd anew each, whatever the shell around us says.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
