"""Which ports this computer has, by which stable names, and what to tell a person when one cannot be opened."""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.errors import PortError
from benchd.wire.driver import Driver, SerialParams

if TYPE_CHECKING:
    from benchd.config import Instrument

SERIAL = "serial:"
VISA = "visa:"
REPLAY = "replay:"
_BY_ID = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A port as the system knows it. `port` is what a bench file takes; `stable` a name that stays with the adapter
    whichever socket it is in, '' if it has none."""

    port: str
    about: str = ""
    usb_serial: str = ""
    stable: str = ""

    def line(self) -> str:
        """For people: port, what it is, its stable name."""
        stable = f"; stable name {self.stable}" if self.stable else ""
        return f"{self.port}{f' ({self.about})' if self.about else ''}{stable}"


def serial_ports() -> list[PortInfo]:
    """The serial ports that are plugged in now."""
    from serial.tools import list_ports

    by_id = {os.path.realpath(link): str(link) for link in _BY_ID.glob("*")}
    found = []
    for one in sorted(list_ports.comports(), key=lambda port: port.device):
        about = "" if one.description in (None, "n/a", one.device) else str(one.description)
        serial = one.serial_number or ""
        stable = by_id.get(os.path.realpath(one.device), "") or (SERIAL + serial if serial else "")
        found.append(PortInfo(one.device, about, serial, stable))
    return found


def visa_resources() -> list[PortInfo]:
    """The VISA resources that answer, as 'visa:...' ports. Broadcasts on every network interface; takes seconds."""
    from benchd.links._visa import resources

    return [PortInfo(VISA + name, "VISA resource") for name in resources() if not name.startswith("ASRL")]


def list_ports(visa: bool = False) -> list[tuple[str, str]]:
    """(port, what it is) of every serial port, and of the VISA resources where asked for."""
    return [(one.port, one.about) for one in (*serial_ports(), *(visa_resources() if visa else ()))]


def port_lines() -> list[str]:
    """A line for people about each serial port."""
    return [one.line() for one in serial_ports()]


def resolve(port: str) -> str:
    """What pyserial opens for this name, looked up anew each time. PortError if no adapter has that serial number.

    Paths below /dev/serial/by-id need no help: the system resolves them when they are opened.
    """
    if not port.startswith(SERIAL):
        return port
    wanted, present = port.removeprefix(SERIAL), serial_ports()
    found = [one for one in present if one.usb_serial.lower() == wanted.lower()]
    if len(found) == 1:
        return found[0].port
    if found:
        raise PortError(
            f"{port}: {len(found)} ports have this serial number ({_joined(one.port for one in found)}); "
            f"name the one you mean by its path below {_BY_ID}"
        )
    known = _joined(one.usb_serial for one in present if one.usb_serial)
    raise PortError(f"{port}: no adapter with this serial number is plugged in; {known or 'none'} is. Plug it in.")


def is_url(port: str) -> bool:
    return "://" in port


def serial_params(driver: Driver, instrument: Instrument) -> SerialParams:
    """How this instrument's serial port is set: the driver's way, but for what the bench file says."""
    return replace(driver.serial, **instrument.serial)


async def try_open(instrument: Instrument, driver: Driver) -> None:
    """Open and close one instrument's port. PortError says what is wrong with it and what to do."""
    from benchd.links import _visa
    from benchd.links._open import open_link

    if instrument.port.startswith(VISA) and await _visa.try_connect(instrument.port):
        return
    async with open_link(instrument.port, serial_params(driver, instrument)):
        pass


def trouble(port: str, device: str, params: SerialParams, error: BaseException) -> PortError:
    """The PortError of a port that could not be opened."""
    at = port if device == port else f"{port} ({device})"
    if is_url(port):
        return PortError(f"{at}: cannot be reached: {_plain(error)}. Check address and port, and that the server runs.")
    code = _errno(error)
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or isinstance(error, FileNotFoundError):
        there = _joined(one.port for one in serial_ports())
        return PortError(f"{at}: there is no such port; there is {there or 'none'}. Plug it in, or correct `port`.")
    if code == errno.EACCES:
        return PortError(
            f"{at}: this user may not open it. On Linux: sudo usermod -aG dialout $USER, then log in anew."
        )
    if code in (errno.EBUSY, errno.EAGAIN):
        return PortError(f"{at}: another program has it open. Close that (another benchd, a terminal program).")
    if isinstance(error, ValueError) or code in (errno.EINVAL, errno.ENOTTY):
        setting = f"{params.baud} {params.data_bits}{params.parity}{params.stop_bits:g}"
        return PortError(
            f"{at}: does not take the setting {setting} ({_plain(error)}). "
            "Set baud, data_bits, parity, stop_bits of the instrument, or use another adapter."
        )
    return PortError(f"{at}: cannot be opened: {_plain(error)}")


def _errno(error: BaseException) -> int | None:
    """The system's number of an error. pyserial sometimes has it only in its words, termios only as an argument."""
    number = getattr(error, "errno", None)
    if number is None and error.args and isinstance(error.args[0], int):
        number = error.args[0]
    if number is None and (match := re.search(r"\[Errno (\d+)\]", str(error))):
        number = int(match[1])
    return number


def _plain(error: BaseException) -> str:
    return str(error) or type(error).__name__


def _joined(names: Iterable[str]) -> str:
    return ", ".join(names)
