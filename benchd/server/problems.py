"""What goes wrong, as the API says it: {"error": {"kind", "message"}} with the status that fits."""

from __future__ import annotations

import logging
import secrets
import sqlite3
from collections.abc import Mapping
from typing import Any

from pydantic_core import to_json

from benchd.errors import (
    AccessError,
    BenchdError,
    BusyError,
    ConfigError,
    NotFitError,
    NotFoundError,
    PortError,
    StoreError,
    UsageError,
)
from benchd.server.auth import NotSignedInError

log = logging.getLogger(__name__)

KINDS = (
    "not-found", "busy", "configuration", "port", "store", "access", "not-fit", "invalid", "too-much", "internal",
)  # fmt: skip
LONGEST_MESSAGE = 4000

#: Which status and kind an error of benchd's own is; the first that fits.
_STATUS: tuple[tuple[type[BaseException], int, str], ...] = (
    (NotSignedInError, 401, "access"),
    (AccessError, 403, "access"),
    (NotFoundError, 404, "not-found"),
    (BusyError, 409, "busy"),
    (ConfigError, 422, "configuration"),
    (UsageError, 422, "invalid"),
    (NotFitError, 409, "not-fit"),
    (PortError, 503, "port"),
    (StoreError, 503, "store"),
    (BenchdError, 503, "port"),
    (sqlite3.Error, 503, "store"),
)


class ProblemError(Exception):
    """An answer that is an error. Raised anywhere between the guard and a route."""

    def __init__(self, status: int, kind: str, message: str, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(message)
        self.status = status
        self.kind = kind
        self.message = message
        self.headers = dict(headers or {})

    def body(self) -> bytes:
        return error_body(self.kind, self.message)


def error_body(kind: str, message: str) -> bytes:
    """The body of an error; text from outside may be in the message, and is data."""
    text = message[:LONGEST_MESSAGE].encode("utf-8", "replace").decode()
    return encode({"error": {"kind": kind, "message": text}})


def encode(body: Any) -> bytes:
    """JSON; NaN and infinity are null."""
    return to_json(body, inf_nan_mode="null")


def problem_of(error: BaseException) -> ProblemError:
    """The answer to whatever was raised. What nobody foresaw goes to the log with an id, and only the id goes out."""
    if isinstance(error, ProblemError):
        return error
    for kind_of_error, status, kind in _STATUS:
        if isinstance(error, kind_of_error):
            return ProblemError(status, kind, str(error), _headers(status))
    number = secrets.token_hex(4)
    log.error("request failed, id %s", number, exc_info=error)
    return ProblemError(500, "internal", f"something unforeseen happened; the daemon's log has it under {number}")


def _headers(status: int) -> dict[str, str]:
    if status == 401:
        return {"WWW-Authenticate": 'Bearer realm="benchd"'}
    return {"Retry-After": "5"} if status == 503 else {}
