"""A shift on screens: scan, test, next. Reads and writes through what it is given."""
