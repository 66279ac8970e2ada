"""`benchd rejudge`: a kept run under its own or another spec."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import click

from benchd.cli.common import rule_option


@click.command("rejudge", short_help="Judge a kept run again, under its own or another spec.")
@click.argument("run", metavar="RUN")
@click.option("--spec", "spec_file", metavar="FILE", help="Judge under these limits instead of those of the day.")
@rule_option
@click.option("--json", "as_json", is_flag=True, help="The verdict as one JSON object on stdout, nothing else there.")
@click.pass_context
def command(ctx: click.Context, run: str, spec_file: str | None, rule: str | None, as_json: bool) -> None:
    """Judge a kept RUN (its id, the beginning of it, or 'last') again from its samples and the answers given.

    Bench and spec are those that were kept with it, unless --spec gives another. A run that was cut short stays
    void. Nothing is written.

    \b
    Example:
      benchd rejudge last --spec hollin-t18-revised.toml
    """
    from benchd.cli.common import kept_run, print_json, rule_of, say_verdict
    from benchd.judge import exit_code

    with kept_run(run) as (found, records):
        body = rejudged(found, records, spec_file, rule_of(rule))
    print_json(body) if as_json else say_verdict(body)
    ctx.exit(exit_code([body["verdict"]]))


def _as_it_was(folder: str, kept: Mapping[str, str]) -> Path:
    """The configuration that was kept with a run, as a file of its old name."""
    path = Path(folder) / Path(kept["file"]).name
    path.write_text(kept["text"], encoding="utf-8")
    return path


def rejudged(run: str, records: Sequence[Mapping[str, Any]], spec_file: str | None, rule: Any) -> dict[str, Any]:
    """The verdict object of a kept run, judged now; started, ended and instruments are those of the day."""
    from benchd import config, preflight
    from benchd.cli.common import load_limits
    from benchd.core.specs import Rule
    from benchd.errors import StoreError
    from benchd.judge import contract, judge_records

    opened = next((one for one in records if one["kind"] == "run-opened"), None)
    if opened is None:
        raise StoreError(f"run {run}: its opening record is missing, so nobody knows what it was")
    kept = opened["configuration"]
    with TemporaryDirectory(prefix="benchd-rejudge-") as folder:
        bench = config.load_bench(_as_it_was(folder, kept["bench"]))
        if spec_file is None:
            spec = config.load_spec(_as_it_was(folder, kept["spec"]))
        else:
            spec = load_limits(spec_file, opened["procedure"])
    preflight.check_spec(spec, opened["procedure"])
    known, timing = preflight.known_of(bench, rule or Rule(opened["rule"]), preflight.poles_of(spec))
    verdict = judge_records(records, opened["procedure"], spec, known, earlier=opened.get("earlier"), timing=timing)
    before: Mapping[str, Any] = next((one for one in records if one["kind"] == "verdict"), {})
    return contract(
        verdict,
        run=run,
        spec=spec,
        started=opened.get("started"),
        ended=before.get("ended"),
        instruments=before.get("instruments", ()),
        bench=opened.get("bench"),
        work_order=opened.get("work_order"),
        unit=opened.get("unit"),
        notes=opened.get("warnings", ()),
    )
