"""`benchd dashboards`: the files of the package, listed or written."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner

from benchd.cli import cli
from benchd.cli.dashboards import command

FOLDER = Path(__file__).parents[2] / "dashboards" / "store"
NAMES = {path.name for path in FOLDER.glob("*.json")}


def test_the_list_names_every_file_and_what_it_shows() -> None:
    lines = CliRunner().invoke(command, []).stdout.splitlines()
    assert {line.split()[0] for line in lines} == NAMES
    assert all(len(line) < 160 for line in lines)
    told = json.loads(CliRunner().invoke(command, ["--json"]).stdout)["dashboards"]
    assert {one["file"]: one["uid"] for one in told} == {
        name: json.loads((FOLDER / name).read_text(encoding="utf-8"))["uid"] for name in NAMES
    }


def test_the_files_are_written_as_they_are_over_older_ones(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "one"
    for _ in range(2):
        done = CliRunner().invoke(command, ["--output", str(folder)])
        assert (done.exit_code, done.stdout) == (0, "")
        assert str(folder) in done.stderr
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == {
            name: (FOLDER / name).read_bytes() for name in NAMES
        }
        (folder / "runs.json").write_text("{}")


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = CliRunner().invoke(cli, ["dashboards", "--output", str(tmp_path / "file")])
    assert done.exit_code == 5
    assert str(tmp_path / "file") in done.stderr
    assert "Traceback" not in done.stderr
