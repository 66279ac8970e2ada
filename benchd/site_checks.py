"""What the keys of a site file must be to one another, and to the bench and machine files that it names.

Works on the parsed file, as config_checks.py does. No complaint here shows what may be a secret.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal
from urllib.parse import urlsplit

from benchd import preflight
from benchd.config import Bench, find_file, known_files, load_bench, load_spec
from benchd.config_checks import Complaint, Raw, merged
from benchd.config_keys import complaints
from benchd.core.procedures import PROCEDURES
from benchd.errors import ConfigError
from benchd.registry import nearest
from benchd.site import host_and_port, is_loopback, slug_of
from benchd.site_keys import DAYS, SiteFile
from benchd.toml_lines import Path as Path_

#: A secret written straight into the file, by the key that a person would try.
_SECRETS = {
    ("series", "token"): 'token_file = "..." or token_env = "..."',
    ("series", "password"): 'token_file = "..." or token_env = "..."',
    ("mqtt", "password"): 'password_file = "..." or password_env = "..."',
    ("mqtt", "token"): 'password_file = "..." or password_env = "..."',
}
_SHARED_PORT = re.compile(r"replay:|visa:TCPIP", re.IGNORECASE)


@dataclass(slots=True)
class Found:
    """What a site file names, and everything that is wrong with it. `nested` are lines about other files."""

    complaints: list[Complaint] = field(default_factory=list)
    nested: list[str] = field(default_factory=list)
    benches: dict[str, Bench] = field(default_factory=dict)
    specs: dict[int, str] = field(default_factory=dict)  # row of [[schedule]] -> as in Scheduled.spec


def look_through(data: Mapping[str, Any], folder: Path) -> Found:
    """Check a parsed site file, and load every bench and machine that it names; paths are relative to `folder`."""
    raw, found = Raw(data), Found()
    own = [(where, said) for where, said in complaints(SiteFile, data) if where not in _SECRETS]
    found.complaints = merged(own, _between_keys(raw))
    found.complaints += _benches(raw, folder, found)
    found.complaints += _schedule(raw, folder, found)
    return found


def find_named(name: str, kind: Literal["bench", "machine"], folder: Path) -> Path:
    """The file of a bench or machine: beside the site file, in benches/ or machines/ beside it, else by its bare name
    as everywhere, and never in the folder one happens to stand in. ConfigError lists the names that exist."""
    for place in (folder, folder / {"bench": "benches", "machine": "machines"}[kind]):
        for ending in ("", ".toml"):
            if (path := place / f"{name}{ending}").is_file():
                return path
    by_name = known_files(kind).get(name.removesuffix(".toml"))
    return by_name.absolute() if by_name else find_file(folder / name, kind)


def _between_keys(raw: Raw) -> Iterator[Complaint]:
    for (table, key), instead in _SECRETS.items():
        tables = raw.at(table)
        if isinstance(tables, Mapping) and key in tables:
            yield (table, key), f"found a secret in the file itself, expected {instead}: take it out, and change it"
    yield from _server(raw)
    yield from _series(raw)
    yield from _mqtt(raw)


# --- addresses and secrets ------------------------------------------------------------------------------------------


def _server(raw: Raw) -> Iterator[Complaint]:
    certificate, key = raw.at("server", "certificate"), raw.at("server", "key")
    for present, name, missing in ((certificate, "certificate", "key"), (key, "key", "certificate")):
        if present is not None and (key is None or certificate is None):
            yield ("server", missing), f"found nothing beside {name}, expected both (PEM files)"
    listen = raw.text("server", "listen")
    if not listen:
        return
    try:
        host, _ = host_and_port(listen)
    except ValueError as error:
        yield (
            ("server", "listen"),
            f"found {listen!r}, expected an address and a port such as '127.0.0.1:8477': {error}",
        )
        return
    if not is_loopback(host) and certificate is None and key is None:
        said = "expected certificate and key with an address that other computers reach, or 127.0.0.1"
        yield ("server", "listen"), f"found {listen!r}, {said}"


def _series(raw: Raw) -> Iterator[Complaint]:
    yield from _one_secret(raw, "series", "token")
    first, longest = raw.number("series", "back_off_s", 0), raw.number("series", "back_off_s", 1)
    if first is not None and longest is not None and first > longest:
        yield ("series", "back_off_s"), f"found [{first:g}, {longest:g}], expected the first wait not above the longest"
    url = raw.text("series", "url")
    if not url:
        return
    where = ("series", "url")
    parts = _split(url)
    if parts is None or parts.scheme not in ("http", "https") or not parts.hostname:
        yield where, "found no address of a store, expected 'https://HOST:PORT' or 'http://HOST:PORT'"
    elif parts.username is not None or parts.password is not None:
        yield where, "found a user or a secret in the address, expected token_file or token_env instead: change it"
    elif parts.query or parts.fragment:
        yield where, "found more than an address and a path, expected 'https://HOST:PORT': org and bucket have keys"
    elif parts.scheme == "http" and raw.at("series", "ca_file") is not None:
        yield ("series", "ca_file"), "found beside an http:// address, expected https:// in url"


def _split(url: str) -> Any:
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError:
        return None
    return parts


def _mqtt(raw: Raw) -> Iterator[Complaint]:
    table = raw.at("mqtt")
    if not isinstance(table, Mapping):
        return
    yield from _one_secret(raw, "mqtt", "password")
    has_password = "password_file" in table or "password_env" in table
    if has_password and "user" not in table:
        yield ("mqtt", "user"), "found nothing beside a password, expected the user's name"
    if "user" in table and not has_password:
        yield ("mqtt", "password_file"), "found nothing beside user, expected password_file or password_env"
    if "ca_file" in table and table.get("tls") is not True:
        yield ("mqtt", "ca_file"), "found without TLS, expected tls = true with it"
    if table.get("commands") is True:
        needs = {"tls = true": table.get("tls") is True, "user": "user" in table, "a password": has_password}
        missing = [name for name, is_there in needs.items() if not is_there]
        if missing:
            yield (
                ("mqtt", "commands"),
                f"found true, expected with it {', '.join(missing)}: commands are only taken signed in",
            )


def _one_secret(raw: Raw, table: str, name: str) -> Iterator[Complaint]:
    if raw.at(table, f"{name}_file") is not None and raw.at(table, f"{name}_env") is not None:
        yield (table, f"{name}_env"), f"found beside {name}_file, expected one of the two"
    variable = raw.text(table, f"{name}_env")
    if variable and not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", variable):
        said = "found what is no variable's name (not shown, it may be the secret), expected such as 'BENCHD_SECRET'"
        yield (table, f"{name}_env"), said


# --- benches --------------------------------------------------------------------------------------------------------


def _benches(raw: Raw, folder: Path, found: Found) -> Iterator[Complaint]:
    """Loads the benches into `found`; slugs, names and ports must be each bench's own."""
    rows = raw.at("bench")
    names: dict[str, str] = {}
    ports: dict[str, str] = {}
    for place in range(len(rows) if isinstance(rows, list) else 0):
        where = ("bench", place, "file")
        named = raw.text(*where)
        if not named:
            continue
        try:
            path = find_named(named, "bench", folder)
        except ConfigError as error:
            yield where, f"found {named!r}, expected a bench file{nearest(named, known_files('bench'))}: {error}"
            continue
        try:
            bench = load_bench(path)
        except ConfigError as error:
            found.nested += str(error).splitlines()
            continue
        slug = raw.text("bench", place, "slug") or slug_of(bench.name)
        if not slug:
            yield ("bench", place, "slug"), f"found nothing, expected one: of {bench.name!r} none can be made"
        elif slug in found.benches:
            said = f"found {slug!r}, the slug of bench {found.benches[slug].name!r} too; expected one of its own"
            yield ("bench", place, "slug"), said
        elif bench.name in names:
            said = f"found a second bench named {bench.name!r} beside {names[bench.name]!r}, expected a name of its own"
            yield where, said
        else:
            yield from _shared_ports(bench, slug, where, ports)
            names[bench.name] = slug
            found.benches[slug] = bench


def _shared_ports(bench: Bench, slug: str, where: Path_, ports: dict[str, str]) -> Iterator[Complaint]:
    """A port that two benches would read. Recordings and instruments that take several connections may be shared."""
    for instrument in bench.instruments.values():
        if _SHARED_PORT.match(instrument.port):
            continue
        port = instrument.port.lower() if instrument.port.startswith("serial:") else instrument.port
        if port in ports:
            said = f"found port {instrument.port!r} of {instrument.name!r} on bench {ports[port]!r} too"
            yield where, f"{said}, expected a port of its own"
        ports.setdefault(port, slug)


# --- schedule -------------------------------------------------------------------------------------------------------


def _schedule(raw: Raw, folder: Path, found: Found) -> Iterator[Complaint]:
    """Finds the machine files into `found`; each must have the limits that its procedure needs."""
    rows = raw.at("schedule")
    taken: set[tuple[str, str, str]] = set()
    for place in range(len(rows) if isinstance(rows, list) else 0):
        where: Path_ = ("schedule", place)
        bench, procedure = raw.text(*where, "bench"), raw.text(*where, "procedure")
        # A bench whose own file is wrong is not in `found`: more is not said of it here.
        if bench and bench not in found.benches and not found.nested:
            known = ", ".join(found.benches) or "none"
            said = f"found {bench!r}, expected the slug of a bench of this site{nearest(bench, found.benches)}: {known}"
            yield (*where, "bench"), said
        if procedure and procedure not in PROCEDURES:
            said = f"found {procedure!r}, expected a procedure: {', '.join(PROCEDURES)}"
            yield (*where, "procedure"), said
        yield from _spec(raw, place, folder, found)
        yield from _twice(raw, place, taken)


def _spec(raw: Raw, place: int, folder: Path, found: Found) -> Iterator[Complaint]:
    where: Path_ = ("schedule", place, "spec")
    named, procedure = raw.text(*where), raw.text("schedule", place, "procedure")
    if not named:
        return
    try:
        path = find_named(named, "machine", folder)
    except ConfigError as error:
        yield where, f"found {named!r}, expected a machine file{nearest(named, known_files('machine'))}: {error}"
        return
    try:
        spec = load_spec(path)
    except ConfigError as error:
        found.nested += [line for line in str(error).splitlines() if line not in found.nested]
        return
    by_name = known_files("machine").get(path.stem)
    found.specs[place] = path.stem if by_name is not None and by_name.absolute() == path.absolute() else str(path)
    if procedure is not None and procedure in PROCEDURES:
        try:
            preflight.check_spec(spec, procedure)
        except ConfigError as error:
            yield where, f"found {named!r}, expected a machine with limits for {procedure}: {error}"


def _twice(raw: Raw, place: int, taken: set[tuple[str, str, str]]) -> Iterator[Complaint]:
    """A bench takes one run at a time."""
    bench, times = raw.text("schedule", place, "bench"), raw.at("schedule", place, "at")
    days = raw.at("schedule", place, "days")
    for one in times if isinstance(times, list) else ():
        for day in days if isinstance(days, list) else DAYS:
            when = (str(bench), str(day), str(one))
            if when in taken:
                said = f"found {one!r} on {day!r} for bench {bench!r} twice, expected one run of a bench at a time"
                yield ("schedule", place, "at"), said
                return
            taken.add(when)
