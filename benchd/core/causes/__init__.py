"""Causes and the plan: what could be wrong, how probable each is, what to check next. Pure: no I/O, no clock."""
