"""Tells a service manager that starts daemons with Type=notify how it goes. Without one nothing is told.

The protocol is sd_notify's: datagrams of NAME=value lines to the socket named by NOTIFY_SOCKET (systemd's
sd_notify(3), read 2026-11; WATCHDOG_USEC from sd_watchdog_enabled(3)).
"""

from __future__ import annotations

import os
import socket
from contextlib import suppress


def notify(**facts: str) -> bool:
    """Send e.g. READY="1", STATUS="...". Whether somebody was there to hear it; never raises."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address or not hasattr(socket, "AF_UNIX"):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    text = "\n".join(f"{name}={' '.join(value.split())}" for name, value in facts.items())
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
        sender.connect(address)
        sender.send(text.encode())
        return True
    return False


def watchdog_s() -> float | None:
    """How often the manager wants to hear WATCHDOG=1, halved as it asks; None if it does not watch this process."""
    if os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    try:
        return int(os.environ["WATCHDOG_USEC"]) / 2e6
    except (KeyError, ValueError):
        return None
