"""Every error benchd raises on purpose, split by who must act.

BenchdError
├── ConfigError      the operator edits a file (wrong key, missing limit)        exit 2
├── UsageError       the operator types another command                           exit 2
│   ├── NotFoundError    no such bench, run or instrument: the message lists what there is
│   └── BusyError        the bench is in a run, or the run has ended
├── AccessError      the daemon does not let this token in, or not so far          exit 2
├── NotFitError      the bench may not judge lots today: says which rule broke   exit 5
├── PortError        plug it in; the sampler retries (no such port, link dropped) exit 5
├── StoreError       make room or mend the disk (full, read-only, locked)         exit 5
└── FrameError       the wire lied; counted and survived, never fatal
"""

from __future__ import annotations


class BenchdError(Exception):
    """Base of all errors that carry a message meant for a person."""

    exit_code = 5


class ConfigError(BenchdError):
    """A configuration file is wrong: says file, line, key, what was found, what was expected."""

    exit_code = 2


class UsageError(BenchdError):
    """A command cannot be carried out as typed."""

    exit_code = 2


class NotFoundError(UsageError):
    """No bench, run or instrument of this name: lists what there is."""


class BusyError(UsageError):
    """Not now: the bench is in a run already, or the run that was meant has ended."""


class AccessError(BenchdError):
    """A token is missing, unknown, revoked, or its scope does not reach so far."""

    exit_code = 2


class NotFitError(BenchdError):
    """A bench may not judge lots: a check standard out of control or not measured, a calibration overdue. Says what to check."""

    exit_code = 5


class PortError(BenchdError):
    """A port is missing, taken or has dropped: names instrument and port and what to do."""

    exit_code = 5


class StoreError(BenchdError):
    """The journal cannot be read or written."""

    exit_code = 5


class FrameError(BenchdError):
    """Bytes that are no frame, or a frame that makes no sense."""

    def __init__(self, expected: str, frame: bytes) -> None:
        self.expected = expected
        self.frame = frame
        shown = frame[:32].hex(" ") + (" ..." if len(frame) > 32 else "")
        super().__init__(f"{expected}; got {len(frame)} bytes: {shown}")
