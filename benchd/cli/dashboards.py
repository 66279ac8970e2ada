"""`benchd dashboards`: the dashboards for the time-series store, as files."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("dashboards", short_help="Write the dashboards for the time-series store as files.")
@click.option("--output", "-o", metavar="FOLDER", help="Write them into this folder; without it they are listed.")
@click.option("--json", "as_json", is_flag=True, help='One object on stdout: {"dashboards": [...]}.')
def command(output: str | None, as_json: bool) -> None:
    """Write the dashboards for the time-series store as JSON files for Grafana, or list them.

    Files of the same names in FOLDER are written over: save your own changes under other names. How to put them up
    stands in the guide, dashboards.md.

    \b
    Example:
      benchd dashboards --output /var/lib/grafana/dashboards
    """
    import json
    from importlib import import_module, resources

    from benchd.cli.common import print_json, say

    package = "benchd_dashboards.store"  # by its installed name, which only exists once installed
    names: list[str] = list(import_module(package).FILES)
    texts = {name: resources.files(package).joinpath(name).read_text(encoding="utf-8") for name in names}
    if output is not None:
        _write(Path(output), texts)
        say(f"{len(texts)} dashboards: written to {output}")
    told = [
        {"file": name, **{key: json.loads(text)[key] for key in ("title", "description", "uid")}}
        for name, text in texts.items()
    ]
    if as_json:
        print_json({"dashboards": told})
    elif output is None:
        for one in told:
            click.echo(f"{one['file']:<20} {one['description'].partition('. ')[0].rstrip('.')}")


def _write(folder: Path, texts: dict[str, str]) -> None:
    from benchd.errors import StoreError

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise StoreError(f"{folder}: cannot be written: {error.strerror or error}") from error
