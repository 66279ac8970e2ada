"""`benchd lot`: rebuilt parts by the lot: open it, scan unit after unit, see where it stands, close it, report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from benchd.cli.common import print_json, say
from benchd.cli.series import closing, listing, paper_lines
from benchd.cli.units import at_door, bench_option, by_option, echo, form_of, json_option, text_of_part, written

if TYPE_CHECKING:
    pass

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


@command.command("scan", short_help="Test unit after unit: scan, test, next.")
@lot_argument
@bench_option
@by_option
@click.option("--labels", metavar="FOLDER", help="Put a label of every judged unit there, as SERIAL.png.")
@click.option("--symbol", type=click.Choice(["code128", "datamatrix"]), default="code128", show_default=True)
@click.option("--headless", is_flag=True, help="No screen: a serial number a line on stdin, results as lines.")
@click.option("--json", "as_json", is_flag=True, help="Headless, and one JSON object a scan on stdout.")
@click.pass_context
def scan(
    ctx: click.Context,
    lot: str,
    bench: str,
    by: str,
    labels: str | None,
    symbol: str,
    headless: bool,
    as_json: bool,
) -> None:
    """Scan a unit that is mounted: it is tested, the verdict stands large until the next scan. No key but the scanner's.

    A serial that was judged in this lot before is shown with its history; scanned again it is tested again, and that is
    counted. Ctrl-C stops a test (it is kept as void), Escape leaves. The exit code is that of the worst verdict; without
    a screen a refused scan counts too, as 2, or 5 where the bench may not judge lots.
    """
    from pathlib import Path

    from benchd.cli.scanning import Labels, scan_here
    from benchd.errors import UsageError

    if labels is not None and not Path(labels).is_dir():
        raise UsageError(f"--labels {labels}: there is no such folder; make it first")
    put = None if labels is None else Labels(Path(labels), symbol)
    ctx.exit(scan_here(lot, bench, by, headless=headless or as_json, as_json=as_json, labels=put))


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


for made in (listing("lot"), closing("lot")):
    command.add_command(made)
