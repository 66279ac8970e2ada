"""A shift on screens: scan, test, next. Reads and writes through what it is given."""

from benchd_dashboards.lot.terminal import FORM, ShiftForm

__all__ = ["FORM", "ShiftForm"]
