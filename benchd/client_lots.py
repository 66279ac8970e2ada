"""The lots of a daemon, over HTTP: a LotDoor (see benchd/lots/door.py)."""
