"""What several commands share: a verdict in words, the screen that fits the terminal, the crash log, kept runs."""

from __future__ import annotations

import os
import sys
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import is_dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, NoReturn

import click

from benchd.plaintext import harmless_json, harmless_lines, harmless_record
from benchd.rules import RULES

if TYPE_CHECKING:
    from benchd.core.specs import MachineSpec, Rule
    from benchd.runner import Ended, Operator, Show


VERDICT_WORDS = {"pass": "PASS", "fail": "FAIL", "undecided": "UNDECIDED", "void": "VOID"}


def rule_option(function: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--rule",
        type=click.Choice(list(RULES)),
        help="How the uncertainty weighs; overrides the bench file. Shop: simple, QA: guarded-acceptance.",
    )(function)


def rule_of(name: str | None) -> Rule | None:
    from benchd.core.specs import Rule

    return None if name is None else Rule(RULES[name])


def load_limits(name: str, procedure: str) -> MachineSpec:
    """What a run goes by: a machine file, or for a unit's test a regulator file; a path or a name. ConfigError."""
    from benchd import config

    return config.load_spec(config.find_file(name, limits_kind(procedure)))


def limits_kind(procedure: str) -> Literal["machine", "regulator"]:
    return "regulator" if procedure == "unit" else "machine"


def say(text: str = "") -> None:
    """A line for people, on stderr, harmless; a terminal that has gone is no reason to lose the exit code."""
    try:
        click.echo(harmless_lines(text), err=True)
    except OSError:
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115 - it replaces stderr until the process ends


def print_json(body: Any) -> None:
    """One JSON object on one line of stdout."""
    click.echo(harmless_json(body))


def log_crash(error: BaseException) -> str:
    """Append the traceback to the log; the message for the person says where it is."""
    import traceback
    from datetime import UTC, datetime

    from benchd import journal

    told = f"benchd: something unforeseen happened: {type(error).__name__}: {error}"
    try:
        folder = journal.home()
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / "log"
        with path.open("a", encoding="utf-8") as log:
            log.write(f"--- {datetime.now(UTC).isoformat(timespec='seconds')} benchd {' '.join(sys.argv[1:])}\n")
            log.write("".join(traceback.format_exception(error)))
    except OSError as trouble:
        return f"{told}\n(the log could not be written: {trouble})"
    return f"{told}\nThis is a fault in benchd. The details are in {path}"


# --- a verdict in words ---------------------------------------------------------------------------------------------


def quantity_text(name: str, one: Mapping[str, Any]) -> str:
    """'settled volts: 14.21 ± 0.03 V'; the digits follow the uncertainty."""
    value, spread, unit = one["value"], one.get("expanded_uncertainty"), one["unit"]
    if spread is None or not spread > 0:
        shown = f"{value:.4g} {unit} (uncertainty not known)"
    else:
        places = decimals_for(spread)
        shown = f"{value:.{places}f} ± {spread:.{places}f} {unit} (k = {one['coverage_factor']:.3g})"
    conformity = one.get("probability_of_conformity")
    inside = "" if conformity is None else f", {chance_text(conformity)} likely within limits"
    return f"{name.replace('_', ' ')}: {shown}{inside}"


def chance_text(probability: float) -> str:
    """A probability in percent that never claims to be certain."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{probability:.0%}".replace("%", " %")


def decimals_for(spread: float) -> int:
    """Decimals that show an uncertainty with two significant digits (GUM 7.2.6), at most six."""
    from math import floor, log10

    return min(6, max(0, 1 - floor(log10(spread))))


def verdict_lines(body: Mapping[str, Any]) -> Iterator[str]:
    """The verdict for a reader: what, who, why, measured, what next, what to mind."""
    yield f"{body['procedure']} run, {body['spec']}: {VERDICT_WORDS[body['verdict']]}"
    suspects = body.get("suspects") or ()
    if body["suspect"] != "none":
        others = [one for one in suspects if one != body["suspect"]]
        also = f" (may be: {', '.join(suspects)})" if others else ""
        yield f"  suspect: {body['suspect']}{also}"
    for reason in body["reasons"]:
        yield f"  - {reason}"
    for name, one in body["measured"].items():
        yield f"  {quantity_text(name, one)}"
    if body.get("rpm"):
        rpm = body["rpm"]
        yield f"  engine speed: {rpm['mean']:.0f} rpm ({rpm['min']:.0f} to {rpm['max']:.0f})"
    yield f"  ended after {body['duration_s']:.1f} s: {body['ended_because']}"
    if body.get("next_step"):
        yield f"  next: {body['next_step']}"
    for caution in body.get("cautions", ()):
        yield f"  CAUTION: {caution}"
    yield f"  run {body['run']}"


def say_verdict(body: Mapping[str, Any]) -> None:
    for line in verdict_lines(body):
        say(line)


def finish(ctx: click.Context, ended: Ended, *, headless: bool, as_json: bool) -> NoReturn:
    """Say how a live run ended and leave with its exit code."""
    tell_fault(ended)
    leave_with(ctx, ended.verdict, ended.exit_code, headless=headless, as_json=as_json)


def leave_with(
    ctx: click.Context, verdict: Mapping[str, Any], exit_code: int, *, headless: bool, as_json: bool
) -> NoReturn:
    """Say a verdict and leave with an exit code. The gauge takes its page with it; lines stay."""
    if as_json:
        print_json(verdict)
    elif uses_gauge(headless):
        say_verdict(verdict)
    ctx.exit(exit_code)


def tell_fault(ended: Ended) -> None:
    """A mistake in the program that ended a run: into the log, and where that is."""
    if ended.fault is not None:
        say(log_crash(ended.fault))


# --- screens --------------------------------------------------------------------------------------------------------


def choose_show(*, headless: bool, title: str, linger_s: float | None = None) -> Show:
    """The gauge on a terminal that can carry it; plain lines on stderr elsewhere and if headless.

    `linger_s` is how long the end page stays if nobody presses a key; None leaves it to the gauge.
    """
    from benchd import registry

    options = {"ascii": wants_ascii(), "no_color": bool(os.environ.get("NO_COLOR")), "title": title}
    plain = registry.screen("plain")
    if not uses_gauge(headless):
        return lambda records, operator: plain.show(_HarmlessRecords(records), operator, **options)
    gauge = registry.screen("terminal")
    if linger_s is not None and is_dataclass(gauge) and not isinstance(gauge, type):
        gauge = replace(gauge, linger_s=linger_s)

    async def show(records: AsyncIterator[dict[str, Any]], operator: Operator | None) -> None:
        shown = _HarmlessRecords(records)
        try:
            await gauge.show(shown, operator, **options)
        except Exception as error:  # the engine runs: whoever stands there must still be told what to do
            say(f"the gauge broke; what is left comes as lines\n{log_crash(error)}")
            await plain.show(shown, operator, **options)

    return show


class _HarmlessRecords(AsyncIterator[dict[str, Any]]):
    """Records whose texts can move no screen's cursor, wherever they come from (a meter, a work order, a token's
    holder). No generator: a screen that breaks must not end it for the next one."""

    def __init__(self, records: AsyncIterator[dict[str, Any]]) -> None:
        self._records = records

    async def __anext__(self) -> dict[str, Any]:
        found: dict[str, Any] = harmless_record(await anext(self._records))
        return found


def uses_gauge(headless: bool) -> bool:
    """Whether the gauge is drawn: it was not declined, keys can be read and a page be drawn here."""
    return not headless and sys.stdin.isatty() and sys.stderr.isatty() and os.environ.get("TERM", "dumb") != "dumb"


def wants_ascii() -> bool:
    encoding = (sys.stderr.encoding or "ascii").lower().replace("-", "")
    # Python takes the C locale for UTF-8; a terminal set to it hardly is.
    locale = os.environ.get("LC_ALL") or os.environ.get("LC_CTYPE") or os.environ.get("LANG") or ""
    if locale in ("C", "POSIX") and os.environ.get("LC_ALL"):
        return True
    return not encoding.startswith("utf") or bool(os.environ.get("BENCHD_ASCII"))


# --- kept runs ------------------------------------------------------------------------------------------------------


@contextmanager
def kept_run(name: str) -> Iterator[tuple[str, Sequence[dict[str, Any]]]]:
    """A run by its id, the beginning of its id, or 'last': (id, its records)."""
    from benchd.journal import Journal

    with Journal() as journal:
        run = journal.resolve(name)
        yield run, list(journal.read(run))
