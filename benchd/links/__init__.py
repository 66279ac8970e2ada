"""The wires: ports opened, read, written, closed; what goes over them is not looked at here."""

from benchd.links._kept import KeptLinks
from benchd.links._link import Ended, Link
from benchd.links._open import open_link
from benchd.links.ports import PortInfo, list_ports

__all__ = ["Ended", "KeptLinks", "Link", "PortInfo", "list_ports", "open_link"]
