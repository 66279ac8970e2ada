"""`benchd study`: gauge studies: the same units by several people or benches, several times, in random order."""

from __future__ import annotations

from typing import Any

import click

from benchd.cli.common import print_json
from benchd.cli.series import check_kind, closing, listing, reporting
from benchd.cli.units import at_door, bench_option, by_option, echo, json_option, text_of_part

name_argument = click.argument("name", metavar="NAME")


@click.group("study", short_help="Gauge studies: how much of the spread is the bench's own.")
def command() -> None:
    """Gauge studies: repeatability and reproducibility of the bench by the same procedure that tests the lots.

    Usual are 10 units, 3 people or benches, 3 trials each, in random order; the study says which unit is next and for whom.

    \b
    Examples:
      benchd study open G-2026-11 --part vantry-vr20 --unit A1 --unit A2 ... --rater "Ines" --rater "Tomas"
      benchd study scan G-2026-11 --bench rig-1 --by "Ines"
      benchd study report G-2026-11 --output study.pdf
    """


@command.command("open", short_help="Plan a study: units, people or benches, trials.")
@name_argument
@click.option("--part", required=True, metavar="FILE", help="Regulator file, or the name of one.")
@click.option("--unit", "units", multiple=True, metavar="SERIAL", help="A unit of the study; usual are ten.")
@click.option(
    "--rater", "raters", multiple=True, metavar="NAME", help="A person, or with --benches the name of a bench."
)
@click.option("--benches", is_flag=True, help="The raters are benches.")
@click.option("--trials", type=click.IntRange(2, 10), default=3, show_default=True)
@click.option("--seed", type=int, metavar="N", help="Of the random order; without it one is drawn and kept.")
@by_option
@json_option
def open_(
    name: str,
    part: str,
    units: tuple[str, ...],
    raters: tuple[str, ...],
    benches: bool,
    trials: int,
    seed: int | None,
    by: str,
    as_json: bool,
) -> None:
    """Plan a study; its random order is drawn now and kept."""
    from benchd.lots.door import NewLot

    wanted = NewLot(
        "study", name, part, text_of_part(part), by=by, units=units, raters=raters,
        rated_by="bench" if benches else "person", trials=trials, seed=seed,
    )  # fmt: skip
    with at_door() as door:
        body = door.open(wanted)
    if as_json:
        print_json(body)
        return
    echo(
        [
            f"study {body['lot']}: {len(units)} units, {len(raters)} {'benches' if benches else 'people'}, {trials} trials",
            *next_lines(body),
        ]
    )


@command.command("scan", short_help="Test unit after unit in the study's order.")
@name_argument
@bench_option
@by_option
@click.option("--headless", is_flag=True, help="No screen: a serial number a line on stdin, results as lines.")
@click.option("--json", "as_json", is_flag=True, help="Headless, and one JSON object a scan on stdout.")
@click.pass_context
def scan(ctx: click.Context, name: str, bench: str, by: str, headless: bool, as_json: bool) -> None:
    """Test the units as the study's random order wants them; a scan out of order says which unit is next.

    --by is the rater where the raters are people. The exit code is that of the worst verdict.
    """
    from benchd.cli.scanning import scan_here

    with at_door() as door:
        check_kind(door, "study", name)
    ctx.exit(scan_here(name, bench, by, headless=headless or as_json, as_json=as_json))


@command.command("status", short_help="Say how far a study is, and what is next.")
@name_argument
@json_option
def status(name: str, as_json: bool) -> None:
    """Say how far a study is, and which unit is next for whom."""
    with at_door() as door:
        body = check_kind(door, "study", name)
    if as_json:
        print_json(body)
    else:
        echo(next_lines(body))


def next_lines(body: dict[str, Any]) -> list[str]:
    """What is done, and the next trial of every rater."""
    order = body["design"]["order"]
    left = [one for one in body.get("left", order)]
    lines = [f"{len(order) - len(left)} of {len(order)} trials are done"]
    for rater in body["design"]["raters"]:
        own = [one for one in left if one[1] == rater]
        lines.append(f"  {rater}: " + (f"next unit {own[0][0]}, trial {own[0][2]}, {len(own)} left" if own else "done"))
    return lines


_REPORT = reporting("study", "report", "Repeatability, reproducibility, number of categories, bias between raters.")
for made in (listing("study"), _REPORT, closing("study")):
    command.add_command(made)
