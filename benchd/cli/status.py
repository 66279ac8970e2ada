"""`benchd status`: how the daemon and its benches are; without a daemon, what the journal says."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from benchd.plaintext import harmless

if TYPE_CHECKING:
    from benchd.client import Client

WIDTH, WIDEST = 80, 120
NEWEST = 5


@click.command("status", short_help="Say how the daemon and its benches are.")
@click.option("--json", "as_json", is_flag=True, help='One object on stdout: {"up": true or false, ...}.')
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> None:
    """Say whether a daemon is up, how its benches, instruments and forwarders are, and what wants attention.

    Without a daemon: where the journal is, its newest runs, and what other benchd processes are running now. Exit
    code 5 if a daemon is up but does not answer.

    \b
    Example:
      benchd status
    """
    from benchd import client
    from benchd.cli.common import print_json, say
    from benchd.errors import PortError

    code = 0
    try:
        found = client.find()
        body = alone() if found is None else of_daemon(found)
    except PortError as error:
        say(f"benchd: {error}")
        code, body = error.exit_code, alone()
    if as_json:
        print_json(body)
    else:
        for line in daemon_lines(body) if body["up"] else journal_lines(body, looked_for=code == 0):
            click.echo(line)
    ctx.exit(code)


# --- what is known --------------------------------------------------------------------------------------------------


def of_daemon(client: Client) -> dict[str, Any]:
    """The daemon's own status, with `up`, `url` and `runs`: the listing row of every run under way."""
    body = client.status()
    under_way = [one["run"] for one in body["benches"] if one.get("run")]
    return {"up": True, "url": client.url, **body, "runs": {run: client.run(run) for run in under_way}}


def alone() -> dict[str, Any]:
    """What the journal of this computer says: {up: False, journal: {path, bytes, newest, open}}."""
    from benchd.journal import Journal

    with Journal() as journal:
        runs = journal.runs(200)
        path = journal.path
    log = path.with_name(path.name + "-wal")
    size = sum(one.stat().st_size for one in (path, log) if one.exists())
    newest, under_way = runs[:NEWEST], [one for one in runs if one["status"] is None]
    return {"up": False, "journal": {"path": str(path), "bytes": size, "newest": newest, "open": under_way}}


# --- in words -------------------------------------------------------------------------------------------------------


def daemon_lines(body: Mapping[str, Any]) -> Iterator[str]:
    yield from wrapped(f"{body['name']}: up since {moment(body['started'])}, at {body['url']}")
    yield from wrapped(f"daemon {body['daemon']}, benchd {body['version']}, {disk_text(body['disk'])}")
    for bench in body["benches"]:
        yield ""
        yield from bench_lines(bench, body["runs"])
    if body["forwarders"]:
        yield ""
        for forwarder in body["forwarders"]:
            yield from forwarder_lines(forwarder)
    if body["warnings"]:
        yield ""
        for warning in body["warnings"]:
            yield from wrapped(warning, "WARNING: ")


def bench_lines(bench: Mapping[str, Any], runs: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    named = "" if bench["name"] == bench["bench"] else f" ({bench['name']})"
    yield from wrapped(f"{bench['bench']}{named}: {bench['state']}")
    if bench["run"]:
        yield from wrapped(run_text(bench["run"], runs.get(bench["run"], {})), "  run: ")
    elif bench["last_run"]:
        yield from wrapped(bench["last_run"], "  last run: ")
    instruments = bench["instruments"]
    talking = [f"{one['name']} ({one['identity'] or one['driver']})" for one in instruments if is_well(one)]
    if talking:
        yield from wrapped(", ".join(talking), "  talking: ")
    for one in instruments:
        if one["state"] != "talking":
            yield from trouble_lines(one)
        if one["overdue"]:
            yield from wrapped(f"its calibration was due {one['calibration_due']}", f"  {harmless(one['name'])}: ")
    shown = [text for name, one in bench["channels"].items() if (text := channel_text(name, one))]
    if shown:
        yield from wrapped(", ".join(shown), "  shows: ")


def is_well(instrument: Mapping[str, Any]) -> bool:
    return bool(instrument["state"] == "talking")


def trouble_lines(one: Mapping[str, Any]) -> Iterator[str]:
    """An instrument that does not talk: since when, what happened, and its cure; the port and each of them once."""
    port = str(one["port"])
    what, cure = without_port(one["what"], port), without_port(one["cure"], port)
    if what.endswith(cure):
        what = what.removesuffix(cure).rstrip(" :.")
    if not what:  # one text for both: what happened, a full stop, what to do
        what, _, cure = cure.partition(". ")
    since = f" since {moment(one['since'])}" if one["since"] else ""
    told = f": {what}" if what else ""
    yield from wrapped(f"{str(one['state']).upper()}{since} on {port}{told}", f"  {harmless(one['name'])} ")
    if cure:
        yield from wrapped(cure, "    do: ")


def without_port(text: object, port: str) -> str:
    """What an instrument's trouble says, without the port in front of it."""
    found = str(text or "")
    while found.startswith(port):
        rest = found.removeprefix(port)
        _, colon, rest = rest.partition(": ") if rest.startswith((":", " (")) else ("", "", "")
        if not colon:
            break
        found = rest
    return found


def channel_text(name: str, one: Mapping[str, Any]) -> str:
    """'battery volts 12.61 V'; nothing for what was never read."""
    if one["age_s"] is None:
        return ""
    flags = f" [{', '.join(map(str, one['flags']))}]" if one["flags"] else ""
    value = "no number" if one["value"] is None else f"{one['value']:.6g} {one['unit']}"
    old = f" ({one['age_s']:.0f} s ago)" if one["age_s"] >= 3.0 else ""
    return f"{name.replace('_', ' ')} {value}{flags}{old}"


def run_text(run: str, row: Mapping[str, Any]) -> str:
    told = [f"{row['procedure']} run" if row.get("procedure") else "", str(row.get("spec") or "")]
    told += [f"work order {row['work_order']}"] if row.get("work_order") else []
    told += [f"unit {row['unit']}"] if row.get("unit") else []
    told += [f"since {moment(row['started'])}"] if row.get("started") else []
    return ", ".join([run, *(one for one in told if one)])


def forwarder_lines(one: Mapping[str, Any]) -> Iterator[str]:
    lag = "nothing behind" if not one["behind_rows"] else f"{one['behind_rows']} rows, {one['behind_s']:.0f} s behind"
    yield from wrapped(f"{one['state']}, {lag}, {one['sent']} sent, to {one['target']}", f"{harmless(one['name'])}: ")
    if one["quarantined"]:
        yield from wrapped(f"{one['quarantined']} refused for good, kept in quarantine", "  ")
    if one["last_error"] and one["state"] != "up to date":
        yield from wrapped(f"{one['last_error']} ({moment(one['last_error_at'])})", "  last trouble: ")


def disk_text(disk: Mapping[str, Any]) -> str:
    free = disk["free_bytes"]
    text = "disk space not known" if free is None else f"{size_text(free)} of disk free"
    return text + (" (LOW)" if disk["low"] else "")


def journal_lines(body: Mapping[str, Any], *, looked_for: bool) -> Iterator[str]:
    journal = body["journal"]
    if looked_for:
        yield from wrapped("No daemon is up: run, watch and history work alone. Start one with: benchd serve")
    if os.environ.get("BENCHD_SERVER"):
        yield from wrapped(
            "What follows is this computer's own journal, not that of the daemon that BENCHD_SERVER names."
        )
    size = f"{size_text(journal['bytes'])}" if journal["newest"] else "nothing kept yet"
    yield from wrapped(f"{journal['path']} ({size})", "journal: ")
    for row in journal["open"]:
        text = f"{run_text(row['run'], row)}; bench {row['bench']}; conducted by another benchd"
        yield from wrapped(text, "open: ")
    if journal["newest"]:
        yield "newest runs:"
        yield from run_lines(journal["newest"])


def run_lines(runs: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """The runs in columns; the bench gives way where the line would be too long."""
    for row in runs:
        outcome = row["verdict"] or row["status"] or "open"
        cells = (row["run"], moment(row["started"])[:16], f"{row['procedure']}", f"{outcome}", f"{row['bench']}")
        widths = (21, 16, 9, 11, 0)
        line = "  " + "  ".join(harmless(cell).ljust(width) for cell, width in zip(cells, widths, strict=True))
        yield line.rstrip()[:WIDTH]


def moment(text: object) -> str:
    """'2026-11-25 15:57:46 UTC' of an ISO time in UTC."""
    return f"{harmless(text)[:19].replace('T', ' ')} UTC" if text else "?"


def size_text(count: float) -> str:
    """Bytes as a person reads them."""
    for unit in ("bytes", "kB", "MB", "GB"):
        if count < 1000:
            return f"{count:.0f} {unit}" if unit == "bytes" or count >= 100 else f"{count:.1f} {unit}"
        count /= 1000
    return f"{count:.1f} TB"


def columns() -> int:
    """How wide a line may be: the terminal's width, at most WIDEST; WIDTH where it goes elsewhere."""
    import shutil
    import sys

    return min(WIDEST, shutil.get_terminal_size().columns) if sys.stdout.isatty() else WIDTH


def wrapped(text: object, lead: str = "") -> list[str]:
    """Words from anywhere as lines that fit; what follows the first hangs under it."""
    width = columns()
    lead = harmless(lead)
    if len(lead) > width // 2:
        lead = lead[: width // 2 - 5] + "...: "
    hang = " " * (len(lead) or 2)
    lines: list[str] = []
    for part in str(text).split("\n"):
        lines += textwrap.wrap(harmless(part), width, initial_indent=hang if lines else lead, subsequent_indent=hang)
    return lines or [lead.rstrip()]
