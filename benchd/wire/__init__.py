"""Bytes to frames to readings, without I/O: what drivers are made of."""

from benchd.core.readings import Flag, Notice, Quantity, Reading
from benchd.errors import FrameError
from benchd.wire.driver import Decoder, Driver, Request, SerialParams, Settings, no_options

__all__ = [
    "Decoder",
    "Driver",
    "Flag",
    "FrameError",
    "Notice",
    "Quantity",
    "Reading",
    "Request",
    "SerialParams",
    "Settings",
    "no_options",
]
