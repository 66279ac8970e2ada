"""Forwarders: readers of the journal, each with its own cursor. None of them can hold up a run."""
