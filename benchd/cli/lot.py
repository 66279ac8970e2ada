"""`benchd lot`: rebuilt parts by the lot: open it, scan unit after unit, see where it stands, close it, report."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from benchd.cli.common import print_json, say
from benchd.cli.units import at_door, bench_option, by_option, echo, form_of, json_option, text_of_part, written

if TYPE_CHECKING:
    from benchd.lots.door import LotDoor

lot_argument = click.argument("lot", metavar="LOT")


@click.group("lot", short_help="Rebuilt regulators by the lot: open, scan, status, close, report.")
def command() -> None:
    """Rebuilt regulators by the lot, on a motor-driven bench.

    A lot has one part number and goes by the part's file as it was when the lot was opened. A bench judges lots only while
    its check standard is in control (benchd standard) and no calibration is overdue.

    \b
    Examples:
      benchd lot open --part vantry-vr20 --units 200 --customer "Marlow Farm Supply"
      benchd lot scan VR20-0001 --bench rig-1 --by "Ines Calder"
      benchd lot status VR20-0001
      benchd lot report VR20-0001 --output VR20-0001.pdf
      benchd lot close VR20-0001
    """


@command.command("open", short_help="Open a lot of one part.")
@click.option(
    "--part", required=True, metavar="FILE", help="Regulator file, or the name of one: what is measured, limits."
)
@click.option(
    "--lot", "name", default="", metavar="NAME", help="Its name; without it the part's number and the next free one."
)
@click.option("--customer", default="", metavar="NAME", help="Whose lot it is.")
@click.option("--title", default="", metavar="TEXT", help="What it is, in words.")
@click.option("--units", "planned", type=click.IntRange(1), metavar="N", help="How many units it has.")
@click.option(
    "--plan", default="", metavar="TEXT",
    help="Sampling plan, as in \"attributes, general II, AQL 0.65\"; without it every unit is tested.",
)  # fmt: skip
@by_option
@json_option
def open_(
    part: str, name: str, customer: str, title: str, planned: int | None, plan: str, by: str, as_json: bool
) -> None:
    """Open a lot: it keeps the part's file as it is now, and every unit of it is judged by that."""
    from benchd.lots.door import NewLot

    wanted = NewLot("lot", name, part, text_of_part(part), title, customer, planned, plan, by)
    with at_door() as door:
        body = door.open(wanted)
    if as_json:
        print_json(body)
        return
    echo([f"lot {body['lot']} is open: {body['title'] or body['part']}"])
    say(f"next: benchd lot scan {body['lot']} --bench NAME")


@command.command("list", short_help="List the lots, newest first.")
@click.option("--state", type=click.Choice(["open", "closed"]), help="Only these.")
@click.option("--part", metavar="NUMBER", help="Only of this part number.")
@click.option("--limit", default=20, show_default=True, type=click.IntRange(1, 1000), help="At most so many.")
@json_option
def list_(state: str | None, part: str | None, limit: int, as_json: bool) -> None:
    """List the lots, newest first."""
    listed("lot", state, part, limit, as_json)


@command.command("scan", short_help="Test unit after unit: scan, test, next.")
@lot_argument
@bench_option
@by_option
@click.option("--headless", is_flag=True, help="No screen: a serial number a line on stdin, results as lines.")
@click.option("--json", "as_json", is_flag=True, help="Headless, and one JSON object a scan on stdout.")
@click.pass_context
def scan(ctx: click.Context, lot: str, bench: str, by: str, headless: bool, as_json: bool) -> None:
    """Scan a unit that is mounted: it is tested, the verdict stands large until the next scan. No key but the scanner's.

    A serial that was judged in this lot before is shown with its history; scanned again it is tested again, and that is
    counted. Ctrl-C stops a test (it is kept as void), Escape leaves. The exit code is that of the worst verdict.
    """
    from benchd.cli.scanning import scan_here

    ctx.exit(scan_here(lot, bench, by, headless=headless or as_json, as_json=as_json))


@command.command("status", short_help="Say where a lot stands, and whether its benches are fit.")
@lot_argument
@json_option
def status(lot: str, as_json: bool) -> None:
    """Say where a lot stands: units by verdict, failure modes, what is under test, whether its benches are fit today."""
    from benchd.cli.lot_words import status_lines

    with at_door() as door:
        body = door.lot(lot)
    if as_json:
        print_json(body)
    else:
        echo(status_lines(body))


@command.command("report", short_help="Statistics of a lot: yield, capability, charts, risks.")
@lot_argument
@click.option("--output", "-o", metavar="FILE", help="FILE.pdf or FILE.html; without it, on this terminal.")
@click.option("--store", metavar="SITE", help="Read the units back from the time-series store of this site file.")
@json_option
def report(lot: str, output: str | None, store: str | None, as_json: bool) -> None:
    """Statistics of a lot: yields with their intervals, failure modes, control charts, capability, drift, benches, risks.

    With --store the units come from the time-series store that several daemons forward to, so that a lot that was tested
    on benches of several computers is reported as one.
    """
    with at_door() as door:
        if store is not None:
            from benchd.cli.stored_lot import paper_of, report_of

            data = report_of(door, lot, store)
            if output is not None:
                written(output, paper_of(data, form_of(output, ("pdf", "html"))))
            elif as_json:
                print_json(data)
            else:
                echo(paper_lines("lot", data))
        elif output is not None:
            written(output, door.paper(lot, "report", form_of(output, ("pdf", "html"))))
        elif as_json:
            print_json(door.report(lot))
        else:
            echo(paper_lines("lot", door.report(lot)))


@command.command("certificate", short_help="Write the certificate, or test report, of one unit.")
@lot_argument
@click.argument("serial")
@click.option("--output", "-o", metavar="FILE", help="FILE.pdf or FILE.html; without it JSON on stdout.")
def certificate(lot: str, serial: str, output: str | None) -> None:
    """Write what was measured of one unit, with uncertainty, limits, rule, instruments and the journal's digest."""
    with at_door() as door:
        if output is None:
            print_json(door.certificate(lot, serial))
        else:
            written(output, door.paper(lot, f"unit:{serial}", form_of(output, ("pdf", "html"))))


@command.command("label", short_help="Write the label of one unit.")
@lot_argument
@click.argument("serial")
@click.option("--symbol", type=click.Choice(["code128", "datamatrix"]), default="code128", show_default=True)
@click.option("--output", "-o", required=True, metavar="FILE", help="FILE.svg, .png, .pdf or .txt.")
def label(lot: str, serial: str, symbol: str, output: str) -> None:
    """Write a label with the unit's serial number as a bar code, and its verdict."""
    with at_door() as door:
        written(output, door.label(lot, serial, symbol, form_of(output, ("svg", "png", "pdf", "txt"))))


@command.command("export", short_help="Write all tests of a lot as CSV or Parquet.")
@lot_argument
@click.option("--output", "-o", required=True, metavar="FILE", help="FILE.csv or FILE.parquet.")
def export(lot: str, output: str) -> None:
    """Write one row a test; the columns are described in the guide (lots)."""
    with at_door() as door:
        written(output, door.export(lot, form_of(output, ("csv", "parquet"))))


@command.command("note", short_help="Write a remark into a lot.")
@lot_argument
@click.argument("text")
@by_option
def note(lot: str, text: str, by: str) -> None:
    """Write a remark into a lot."""
    with at_door() as door:
        door.note(lot, text, by)
    say(f"lot {lot}: noted")


@command.command("close", short_help="Close a lot: no unit is tested in it any more.")
@lot_argument
@click.option("--reason", default="", metavar="TEXT", help="Why, where it is closed before its end.")
@by_option
@json_option
def close(lot: str, reason: str, by: str, as_json: bool) -> None:
    """Close a lot: no unit is tested in it any more."""
    closed("lot", lot, reason, by, as_json)


# --- shared with standards and studies ------------------------------------------------------------------------------


def listed(kind: str, state: str | None, part: str | None, limit: int, as_json: bool) -> None:
    from benchd.cli.lot_words import list_lines

    with at_door() as door:
        found = door.lots(kind=kind, state=state, part=part, limit=limit)
    if as_json:
        print_json({"lots": found})
        return
    echo(list_lines(found))
    if not found:
        say(
            f"No {KIND_WORDS[kind]} is kept"
            + (" that matches." if state or part else f" yet. Begin with: benchd {kind} open")
        )


def closed(kind: str, name: str, reason: str, by: str, as_json: bool) -> None:
    with at_door() as door:
        check_kind(door, kind, name)
        body = door.close(name, reason, by)
    if as_json:
        print_json(body)
    else:
        counts = body["counts"]
        echo([f"{KIND_WORDS[kind]} {body['lot']} is closed: {counts['units']} units, {counts['passed']} passed"])


KIND_WORDS = {"lot": "lot", "standard": "check standard", "study": "gauge study"}


def check_kind(door: LotDoor, kind: str, name: str) -> dict[str, Any]:
    """The body of what is meant, if it is of this kind. UsageError, NotFoundError."""
    from benchd.errors import UsageError

    body = door.lot(name)
    if body["kind"] != kind:
        raise UsageError(f"{name} is a {KIND_WORDS[body['kind']]}: benchd {body['kind']} ... {name}")
    return body


def paper_lines(paper: str, data: dict[str, Any]) -> list[str]:
    """A paper as it stands on a terminal."""
    import shutil

    from benchd import registry

    made: list[str] = registry.paper(paper).lines(data, min(shutil.get_terminal_size((80, 24)).columns, 110))
    return made
