"""`benchd causes`: what could be wrong and how often: show it, check a file of it, learn from closed orders."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import click

from benchd.cli.common import print_json, say

if TYPE_CHECKING:
    from benchd.core.causes.knowledge import Cause, Item, Knowledge
    from benchd.core.causes.learn import Learned


@click.group("causes", short_help="What could be wrong and how often: show, check, learn from closed orders.")
def command() -> None:
    """What could be wrong with a charging system, how often, and what tells: the numbers behind plan and ranking.

    They are data: the shipped file, a shop's own causes.toml in BENCHD_HOME over it, what was learned over both.

    \b
    Examples:
      benchd causes show
      benchd causes show regulator-dead
      benchd causes check my-causes.toml
      benchd causes learn
      benchd causes learn --weight 200 --write
    """


# --- show -----------------------------------------------------------------------------------------------------------


@command.command("show", short_help="The causes with their frequencies and origins; or one cause, test or repair.")
@click.argument("id", required=False, metavar="[ID]")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout: all of it, whatever ID says.")
def show(id: str | None, as_json: bool) -> None:
    """List causes, questions, looks, tests and repairs; or all that is known of the one with this ID."""
    from benchd.plaintext import harmless_lines
    from benchd.visits.body import knowledge_body
    from benchd.visits.knowledge import load_knowledge

    knowledge = load_knowledge()
    if as_json:
        print_json(knowledge_body(knowledge))
        return
    lines = _all(knowledge) if id is None else _folded(_one(knowledge, id))
    click.echo(harmless_lines("\n".join(lines)))


def _all(knowledge: Knowledge) -> Iterator[str]:
    yield "CAUSES: in how many visits, and where the number comes from"
    for cause in sorted(knowledge.causes.values(), key=lambda one: -one.frequency):
        yield _cut(f"{_percent(cause.frequency):>8}  {cause.id:<24}{cause.origin}")
    yield f"{_percent(knowledge.nothing):>8}  nothing wrong with the machine"
    yield f"{_percent(knowledge.two):>8}  two causes at once"
    for kind in ("question", "look", "test"):
        yield f"\n{kind.upper()}S: minutes, cost"
        for item in knowledge.items.values():
            if item.kind == kind:
                yield _cut(f"{item.minutes:>5g} {item.cost:>5g}  {item.id:<19}{item.text}")
    yield "\nREPAIRS: minutes, cost, how often it cures"
    for repair in knowledge.repairs.values():
        yield _cut(f"{repair.minutes:>5g} {repair.cost:>5g} {_percent(repair.right):>6}  {repair.id:<21}{repair.title}")
    yield ""
    yield f"read from: {', '.join(knowledge.sources)}"
    if knowledge.learned:
        yield f"learned {knowledge.learned}"


def _one(knowledge: Knowledge, id: str) -> Iterator[str]:
    if id in knowledge.causes:
        return _cause(knowledge, knowledge.causes[id])
    if id in knowledge.items:
        return _item(knowledge, knowledge.items[id])
    if id in knowledge.repairs:
        return _repair(knowledge, id)
    from benchd.errors import NotFoundError
    from benchd.registry import nearest

    near = nearest(id, [*knowledge.causes, *knowledge.items, *knowledge.repairs])
    raise NotFoundError(f"nothing has the id {id!r}{near}; benchd causes show lists all")


def _cause(knowledge: Knowledge, cause: Cause) -> Iterator[str]:
    yield f"{cause.title} ({cause.id}, {cause.system})"
    yield f"  in {_percent(cause.frequency)} of visits; {cause.origin}"
    for word, text in (("usually", cause.advice), ("CAUTION", cause.caution)):
        if text:
            yield f"  {word}: {text}"
    for one in knowledge.together:
        if one.times and cause.id in (one.first, one.second):
            other = one.second if cause.id == one.first else one.first
            yield f"  with {other} {one.times:g} times as often as by chance; {one.origin}"
    yield f"  mended by: {', '.join(one.id for one in knowledge.repairs.values() if cause.id in one.mends) or 'nothing'}"
    yield "  what it makes likely (in brackets: without any cause):"
    for item in knowledge.items.values():
        if cause.id in item.given:
            yield f"    {item.text}"
            shares = zip(item.outcomes, _seen(item, item.given[cause.id]), item.background, strict=True)
            for outcome, share, background in shares:
                yield f"    {_percent(share):>8} ({_percent(background)})  {outcome.text}"


def _item(knowledge: Knowledge, item: Item) -> Iterator[str]:
    yield f"{item.text} ({item.id}, {item.kind})"
    right = "" if item.right is None else f", right in {_percent(item.right)}"
    yield f"  {item.minutes:g} minutes, cost {item.cost:g}{right}; {item.origin}"
    needed = [f"{id} ({' or '.join(outcomes)})" for id, outcomes in item.needs_outcome.items()]
    needed += [id for id in item.needs if id not in item.needs_outcome]
    never = [f"{id} ({' or '.join(outcomes)})" for id, outcomes in item.never_after.items()]
    details = (
        ("how", item.how),
        ("CAUTION", item.caution),
        ("tools", item.tools),
        ("run", item.run and f"benchd run {item.run}"),
        ("needs", ", ".join(needed)),
        ("never after", ", ".join(never)),
    )
    yield from (f"  {word}: {text}" for word, text in details if text)
    yield "  outcomes:"
    for outcome in item.outcomes:
        yield f"    {outcome.id:<24}{outcome.text}{f' ({outcome.means})' if outcome.means else ''}"
    yield "  how probable, in percent, in their order:"
    yield f"    {'without any cause':<24}{_row(item.background)}"
    for cause, row in item.given.items():
        yield f"    {cause:<24}{_row(_seen(item, row))}"


def _repair(knowledge: Knowledge, id: str) -> Iterator[str]:
    repair = knowledge.repairs[id]
    yield f"{repair.title} ({repair.id})"
    yield f"  {repair.minutes:g} minutes, cost {repair.cost:g}, cures in {_percent(repair.right)}; {repair.origin}"
    yield f"  mends: {', '.join(repair.mends)}"
    yield f"  touches: {', '.join(repair.touches)}"
    if repair.caution:
        yield f"  CAUTION: {repair.caution}"


def _seen(item: Item, row: Sequence[float]) -> list[float]:
    """What is seen of a row beside the background: at most the k-th if both drew at most that."""
    from itertools import accumulate

    most = [one * other for one, other in zip(accumulate(item.background), accumulate(row), strict=True)]
    return [one - before for one, before in zip(most, [0.0, *most], strict=False)]


def _row(row: Sequence[float]) -> str:
    return " ".join(f"{100 * one:5.1f}" for one in row)


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _cut(line: str) -> str:
    from benchd.cli.status import columns

    width = columns()
    return line if len(line) <= width else f"{line[: width - 3]}..."


def _folded(lines: Iterator[str]) -> Iterator[str]:
    """Long lines over several, what follows the first further in."""
    from textwrap import wrap

    from benchd.cli.status import columns

    width = columns()
    for line in lines:
        inner = " " * (len(line) - len(line.lstrip()) + 4)
        yield from wrap(line, width, subsequent_indent=inner) if len(line) > width else [line]


# --- check ------------------------------------------------------------------------------------------------------------


@command.command("check", short_help="Check causes files: ids, rows, needs, origins.")
@click.argument("files", nargs=-1, metavar="[FILE]...")
@click.pass_context
def check(ctx: click.Context, files: tuple[str, ...]) -> None:
    """Check causes files as they would lie over the shipped one; without FILE those that count here, all together.

    Exit code 0 if all are right, 2 if not.
    """
    from benchd.config import find_file
    from benchd.errors import BenchdError
    from benchd.visits.knowledge import check_causes, known_paths, load_knowledge

    wrong = False
    if not files:
        load_knowledge()
    for name in files or known_paths():
        try:
            click.echo(f"{name}: {check_causes(find_file(name, 'causes'))}")
        except BenchdError as error:
            wrong = True
            click.echo(str(error), err=True)
    ctx.exit(2 if wrong else 0)


# --- learn ------------------------------------------------------------------------------------------------------------


@command.command("learn", short_help="Count how often each cause was it, from closed, proven orders.")
@click.option(
    "--weight",
    default=50.0,
    show_default=True,
    metavar="VISITS",
    type=click.FloatRange(min=0, min_open=True, max=1e6),
    help="As how many visits the frequencies weigh that were there before.",
)
@click.option(
    "--row-weight",
    default=20.0,
    show_default=True,
    metavar="ORDERS",
    type=click.FloatRange(min=0, min_open=True, max=1e6),
    help="As how many orders with one cause its rows weigh.",
)
@click.option("--write", is_flag=True, help="Write what was learned; without it, it is only shown.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout: before, counts and after of each.")
def learn(weight: float, row_weight: float, write: bool, as_json: bool) -> None:
    """Count how often each cause was it and what was seen of it, from all orders that were closed as proven.

    Orders closed without proof never count, and of the others the newest 1000. It starts anew from the shipped file
    and the shop's own each time, so counting twice changes nothing. What is written lies over both as
    causes-learned.toml in BENCHD_HOME.
    """
    from benchd.core.causes import learn as counting
    from benchd.journal import home
    from benchd.visits.doors import open_door
    from benchd.visits.knowledge import LEARNED, known_paths, load_knowledge
    from benchd.visits.lessons import lessons, write_learned

    knowledge = load_knowledge(known_paths(learned=False))
    with open_door() as door:
        learned = counting.learn(knowledge, list(lessons(door, knowledge)), weight, row_weight)
    path = home() / LEARNED
    if write:
        write_learned(path, learned, knowledge)
        load_knowledge()  # whoever wrote it says so if it cannot be read
    if as_json:
        print_json({**learned.to_json(), "written": str(path) if write else None})
        return
    for line in _learned(learned, counting.summary(learned)):
        click.echo(line)
    say(f"written: {path}" if write else "not written; to let it count: benchd causes learn --write")


def _learned(learned: Learned, told: str) -> Iterator[str]:
    yield f"counted {told}"
    for number in learned.passed_over:
        yield f"order {number} is left out: its repairs do not fit what was seen"
    yield f"{'':24}{'before':>9}{'counted':>9}{'after':>9}"
    for one in sorted(learned.causes, key=lambda one: -one.after):
        yield f"{one.id:<24}{_percent(one.before):>9}{one.count:>9.1f}{_percent(one.after):>9}"
    for name, one in (("nothing wrong", learned.nothing), ("two causes at once", learned.two)):
        yield f"{name:<24}{_percent(one.before):>9}{one.count:>9.1f}{_percent(one.after):>9}"
    if learned.rows:
        yield "\nrows, in percent by outcome: before, after (drawn)"
    for row in learned.rows:
        yield f"  {row.item}, {row.cause}"
        yield f"    {_row(row.before)}"
        yield f"    {_row(row.after)}  ({sum(row.counts):.1f})"
