"""A port's name to its link."""

from __future__ import annotations

import sys

from benchd.clock import Clock
from benchd.links._link import Link
from benchd.links._replay import ReplayLink
from benchd.links._serial import SerialLink
from benchd.links._tcp import TcpLink, address_of
from benchd.links._tty import TtyLink
from benchd.links._visa import VisaLink
from benchd.links.ports import REPLAY, VISA, is_url
from benchd.wire.driver import SerialParams

#: Elsewhere some kinds of event loop cannot wait for a terminal, so there a thread does.
LOOP_WAITS_FOR_TERMINALS = sys.platform.startswith("linux")


def open_link(
    port: str, serial: SerialParams | None = None, *, exclusive: bool = True, clock: Clock | None = None
) -> Link:
    """The link to a port; it opens when it is entered (`async with`), and raises PortError if it cannot.

    Ports: a device path, `COM5`, `serial:USBSERIAL`, any pyserial URL (`socket://`, `rfc2217://`), `visa:RESOURCE`,
    `replay:FILE?speed=2`. `clock` stamps what arrives and paces a replay.
    """
    clock = clock or Clock()
    if port.startswith(REPLAY):
        return ReplayLink(port, clock)
    if port.startswith(VISA):
        return VisaLink(port, serial or SerialParams(), clock.now_ns)
    if (address := address_of(port)) is not None:
        return TcpLink(port, address, clock.now_ns)
    if LOOP_WAITS_FOR_TERMINALS and not is_url(port):
        return TtyLink(port, serial or SerialParams(), exclusive, clock.now_ns)
    return SerialLink(port, serial or SerialParams(), exclusive, clock.now_ns)
