"""The pure core: no I/O, no clock, no async. See DEVELOPERS.md for what may be imported here."""
