"""benchd: the bench daemon for small-engine charging systems."""

__version__ = "0.1.0"
