"""`benchd study`: gauge studies: the same units by several people or benches, several times, in random order."""

from __future__ import annotations

from typing import Any

import click

from benchd.cli.common import print_json, say
from benchd.cli.lot import check_kind, closed, listed, paper_lines
from benchd.cli.units import at_door, bench_option, by_option, echo, form_of, json_option, text_of_part, written

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


@command.command("list", short_help="List the studies.")
@click.option("--state", type=click.Choice(["open", "closed"]), help="Only these.")
@click.option("--part", metavar="NUMBER", help="Only for this part number.")
@click.option("--limit", default=20, show_default=True, type=click.IntRange(1, 1000), help="At most so many.")
@json_option
def list_(state: str | None, part: str | None, limit: int, as_json: bool) -> None:
    """List the studies, newest first."""
    listed("study", state, part, limit, as_json)


@command.command("report", short_help="Repeatability, reproducibility, categories, bias.")
@name_argument
@click.option("--output", "-o", metavar="FILE", help="FILE.pdf or FILE.html; without it, on this terminal.")
@json_option
def report(name: str, output: str | None, as_json: bool) -> None:
    """Analysis of variance and average-and-range results, percent of tolerance and of study variation, bias between raters."""
    with at_door() as door:
        check_kind(door, "study", name)
        if output is not None:
            written(output, door.paper(name, "report", form_of(output, ("pdf", "html"))))
        elif as_json:
            print_json(door.report(name))
        else:
            echo(paper_lines("study", door.report(name)))


@command.command("close", short_help="End a study.")
@name_argument
@click.option("--reason", default="", metavar="TEXT", help="Why, where it is ended before it is complete.")
@by_option
@json_option
def close(name: str, reason: str, by: str, as_json: bool) -> None:
    """End a study."""
    closed("study", name, reason, by, as_json)
    say(f"its report: benchd study report {name}")
