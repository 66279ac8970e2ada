"""Tokens, passwords and private keys: read from a file that is nobody else's, or from the environment; never shown.

No message of this module holds a secret, only the name of the file or variable that should.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

from benchd.errors import ConfigError
from benchd.site import Secret, Site

MOST_BYTES = 4096
_MOST_PEM_BYTES = 64 * 1024


def read_secret(secret: Secret) -> str:
    """The secret itself, without the line end after it. ConfigError names file or variable, and what to do."""
    if secret.file is not None:
        return _text(private_bytes(secret.file), f"{secret.file}")
    if secret.variable is None:
        raise ConfigError("a secret is named neither by a file nor by a variable of the environment")
    value = os.environ.get(secret.variable)
    if value is None:
        raise ConfigError(
            f"environment variable {secret.variable}: is not set; set it for the daemon, or name a file instead"
        )
    return _text(value.encode("utf-8", "surrogateescape"), f"environment variable {secret.variable}")


def check_private(path: str | Path) -> None:
    """ConfigError unless `path` is a file that only its owner can read or write. On Windows only that it is a file."""
    os.close(_opened(Path(path)))


def private_bytes(path: str | Path, most: int = MOST_BYTES) -> bytes:
    """All bytes of a private file (see `check_private`), looked at and read through one handle. ConfigError if more
    than `most`."""
    handle = _opened(Path(path))
    try:
        found = os.read(handle, most + 1)
        while 0 < len(found) <= most and (more := os.read(handle, most + 1 - len(found))):
            found += more
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from error
    finally:
        os.close(handle)
    if len(found) > most:
        raise ConfigError(f"{path}: has more than {most} bytes, expected a secret and nothing else; put it there alone")
    return found


def check_files(site: Site) -> None:
    """ConfigError with every file and variable that the site names and the daemon could not use now."""
    wrong = []
    for secret in secrets_of(site):
        try:
            read_secret(secret)
        except ConfigError as error:
            wrong.append(str(error))
    for path in public_files_of(site):
        if not os.access(path, os.R_OK) or not path.is_file():
            wrong.append(f"{path}: is no file that can be read; put the certificate (PEM) there")
    if site.server.key is not None:
        try:
            private_bytes(site.server.key, _MOST_PEM_BYTES)
        except ConfigError as error:
            wrong.append(str(error))
    if wrong:
        raise ConfigError("\n".join(dict.fromkeys(wrong)))


def secrets_of(site: Site) -> list[Secret]:
    """Every secret that a site names."""
    found = (site.series.token if site.series else None, site.mqtt.password if site.mqtt else None)
    return [one for one in found if one is not None]


def public_files_of(site: Site) -> list[Path]:
    """The certificates that a site names."""
    found = (
        site.server.certificate,
        site.series.ca_file if site.series else None,
        site.mqtt.ca_file if site.mqtt else None,
    )
    return [one for one in found if one is not None]


def _text(raw: bytes, where: str) -> str:
    if len(raw) > MOST_BYTES:
        raise ConfigError(f"{where}: has more than {MOST_BYTES} bytes, expected a secret and nothing else")
    try:
        text = raw.decode("utf-8").rstrip("\r\n")
    except UnicodeDecodeError:  # the error itself holds the bytes
        raise ConfigError(f"{where}: is no UTF-8 text, expected a secret on one line") from None
    if not text.strip():
        raise ConfigError(f"{where}: is empty; write the secret into it")
    if not text.isprintable():
        raise ConfigError(f"{where}: has more than one line or control characters, expected a secret on one line")
    return text


def _opened(path: Path) -> int:
    """A handle on a private file. Without waiting: a pipe of this name must not hold up the daemon."""
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0))
    except OSError as error:
        raise ConfigError(f"{path}: {_why(error)}") from error
    try:
        _check(path, os.fstat(handle))
    except ConfigError:
        os.close(handle)
        raise
    return handle


def _why(error: OSError) -> str:
    if error.errno == errno.ENOENT:
        return "there is no such file; write the secret into it and make it readable to its owner only (mode 0600)"
    if error.errno in (errno.EACCES, errno.EPERM):
        return "this user may not read it; give it to the user that the daemon runs as (chown), with mode 0600"
    return f"cannot be read: {error.strerror or error}"


def _check(path: Path, found: os.stat_result) -> None:
    if not stat.S_ISREG(found.st_mode):
        raise ConfigError(f"{path}: is no plain file")
    if os.name != "posix":
        return
    mode = stat.S_IMODE(found.st_mode)
    if mode & (0o037 if _from_systemd(path) else 0o077):
        raise ConfigError(f"{path}: others than its owner can use it (mode {mode:04o}); do: chmod 600 {path}")
    if os.geteuid() not in (0, found.st_uid) and found.st_uid != 0:
        raise ConfigError(f"{path}: belongs to another user; give it to the user that the daemon runs as (chown)")


def _from_systemd(path: Path) -> bool:
    """systemd hands credentials over with an access list, whose mask shows as the group's bits though the group has
    no access."""
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    return bool(folder) and path.parent == Path(str(folder))
