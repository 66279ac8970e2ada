"""Writes the files of this folder anew: `python -m benchd_dashboards.store`."""

from pathlib import Path

from . import write

if __name__ == "__main__":
    write(Path(__file__).parent)
