"""The visit in the terminal: forms, check list, plan, results. Reads and writes through what it is given."""

from benchd_dashboards.visit.terminal import FORM, VisitForm

__all__ = ["FORM", "VisitForm"]
