"""`benchd standard`: check standards: a kept unit, measured at the start of a shift and at set intervals, with its chart."""

from __future__ import annotations

import click

from benchd.cli.common import print_json, say
from benchd.cli.series import check_kind, closing, listing, reporting
from benchd.cli.units import at_door, bench_option, by_option, echo, json_option, text_of_part

name_argument = click.argument("name", metavar="NAME")


@click.group("standard", short_help="Check standards: is the bench right today? Measure, chart.")
def command() -> None:
    """Check standards: a kept regulator (or a source) that shows whether a bench is right today.

    Its first measurements on a bench set the limits of that bench's control chart; with reference values it is compared with
    those from the first one on. While it is out of control, not measured lately, or a calibration is overdue, the bench
    judges no lots and says why.

    \b
    Examples:
      benchd standard open REF-1 --part vantry-vr20 --reference set_point_rated=14.312,0.020
      benchd standard measure REF-1 --bench rig-1 --by "Tomas Rue"
      benchd standard chart REF-1
    """


@command.command("open", short_help="Begin with a check standard.")
@name_argument
@click.option("--part", required=True, metavar="FILE", help="Regulator file, or the name of one: how it is measured.")
@click.option(
    "--reference", "references", multiple=True, metavar="ID=VALUE[,U]",
    help="What a characteristic really is, and its expanded uncertainty, both in its unit.",
)  # fmt: skip
@click.option(
    "--every-hours", type=click.FloatRange(0, min_open=True), metavar="H", help="How old its last measurement may be."
)
@click.option(
    "--baseline", type=click.IntRange(8, 200), metavar="N", help="How many measurements set a bench's limits."
)
@click.option("--title", default="", metavar="TEXT", help="What it is, in words.")
@by_option
@json_option
def open_(
    name: str,
    part: str,
    references: tuple[str, ...],
    every_hours: float | None,
    baseline: int | None,
    title: str,
    by: str,
    as_json: bool,
) -> None:
    """Begin with a check standard for one part number."""
    from benchd.lots.door import NewLot

    wanted = NewLot(
        "standard", name, part, text_of_part(part), title, by=by, references=dict(map(reference_of, references)),
        every_hours=every_hours, baseline=baseline,
    )  # fmt: skip
    with at_door() as door:
        body = door.open(wanted)
    if as_json:
        print_json(body)
        return
    echo([f"check standard {body['lot']} is kept for {body['part']}"])
    say(f"next, on every bench: benchd standard measure {body['lot']} --bench NAME")


def reference_of(text: str) -> tuple[str, tuple[float, float | None]]:
    """ID=VALUE[,U] as (id, (value, expanded uncertainty)). UsageError."""
    from math import isfinite

    from benchd.errors import UsageError

    id, _, numbers = text.partition("=")
    try:
        value, *more = [float(one) for one in numbers.split(",")]
        if len(more) > 1 or not all(map(isfinite, [value, *more])) or any(one <= 0 for one in more):
            raise ValueError
    except ValueError:
        raise UsageError(
            f"--reference {text}: say ID=VALUE or ID=VALUE,U, as in set_point_rated=14.312,0.020"
        ) from None
    return id.strip(), (value, more[0] if more else None)


@command.command("measure", short_help="Measure a check standard on a bench.")
@name_argument
@bench_option
@by_option
@click.option("--headless", is_flag=True, help="No gauge: plain lines on stderr.")
@json_option
@click.pass_context
def measure(ctx: click.Context, name: str, bench: str, by: str, headless: bool, as_json: bool) -> None:
    """Measure a check standard on a bench, like a unit; then say whether the bench is fit for lots.

    The exit code is 0 if it is, 1 if not, 4 if the measurement itself was void.
    """
    import asyncio

    from benchd.cli.common import choose_show
    from benchd.cli.lot_words import gate_lines
    from benchd.cli.units import Place

    with at_door() as door:
        body = check_kind(door, "standard", name)
        place = Place(bench)
        show = choose_show(headless=headless or as_json, title=f"check standard {name}", linger_s=3.0)
        verdict, code = asyncio.run(place.test(body, str(body["lot"]), show, by=by))
        gate = door.gate(place.name, str(body["part"]))
    if as_json:
        print_json({"verdict": verdict, "gate": gate})
    else:
        echo(gate_lines(gate))
    ctx.exit(code if code not in (0, 1, 3) else 0 if gate["fit"] else 1)


@command.command("fit", short_help="Say whether a bench may judge lots of a part today.")
@click.option("--bench", required=True, metavar="NAME", help="The bench.")
@click.option("--part", required=True, metavar="NUMBER", help="Part number.")
@json_option
@click.pass_context
def fit(ctx: click.Context, bench: str, part: str, as_json: bool) -> None:
    """Say whether a bench may judge lots of a part today, and if not, which rule broke and what to check. Exit code 0 or 1."""
    from benchd.cli.lot_words import gate_lines

    with at_door() as door:
        gate = door.gate(bench, part)
    if as_json:
        print_json(gate)
    else:
        echo(gate_lines(gate))
    ctx.exit(0 if gate["fit"] else 1)


@command.command("cleared", short_help="Write down that the cause of a signal was found and put right.")
@name_argument
@click.option("--bench", required=True, metavar="NAME", help="The bench that was out of control.")
@click.option("--text", required=True, metavar="TEXT", help="What the cause was, and what was done about it.")
@click.option("--adjusted", is_flag=True, help="An instrument was adjusted: the bench's chart is made anew.")
@by_option
@json_option
def cleared(name: str, bench: str, text: str, adjusted: bool, by: str, as_json: bool) -> None:
    """Write down that the cause of a signal on a bench was found and put right. Then measure the standard there again."""
    with at_door() as door:
        check_kind(door, "standard", name)
        body = door.cleared(name, bench, text, adjusted=adjusted, by=by)
    if as_json:
        print_json(body)
        return
    echo([f"{name}: noted for {bench}"])
    say(f"next: benchd standard measure {name} --bench {bench}")


_CHARTS = reporting(
    "standard", "chart", "Control charts of a check standard, bench by bench, with every rule that broke."
)
for made in (listing("standard"), _CHARTS, closing("standard")):
    command.add_command(made)
