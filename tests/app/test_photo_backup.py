"""Photos of work orders in a backup, back from it, and in `benchd verify`."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from visit_world import KNOWN

from benchd.cli import cli
from benchd.errors import StoreError
from benchd.journal import Journal
from benchd.visits import photo_backup
from benchd.visits.door import NewVisit
from benchd.visits.photos import Photo
from benchd.visits.service import Visits

PNG, OTHER = (b"\x89PNG\r\n\x1a\n" + text for text in (b"terminal", b"case"))


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An order with two photos, one of them in two findings."""
    home = tmp_path / "home"
    monkeypatch.setenv("BENCHD_HOME", str(home))
    monkeypatch.delenv("BENCHD_SERVER", raising=False)
    with Journal(home / "journal.sqlite") as journal:
        visits = Visits(journal, KNOWN)
        visits.open(NewVisit("hollin-t18"))
        visits.find_with("1001", "terminals", "loose", photos=[Photo("a.png", PNG), Photo("b.png", OTHER)])
        visits.find_with("1001", "terminals", "good", photos=[Photo("again.png", PNG)])
    return home


def kept(home: Path) -> dict[str, bytes]:
    return {one.name: one.read_bytes() for one in (home / "photos").iterdir()}


def run(*words: str) -> tuple[int, dict[str, Any]]:
    done = CliRunner().invoke(cli, [*words, "--json"])
    return done.exit_code, json.loads(done.stdout)


def test_a_backup_takes_the_photos_along_and_the_restore_brings_them_back(home: Path, tmp_path: Path) -> None:
    before, stick = kept(home), tmp_path / "stick"
    stick.mkdir()
    assert len(before) == 2
    _, first = run("backup", str(stick))
    assert (first["photos"], first["missing"]) == (2, [])
    assert kept(stick) == before
    stamps = {one.name: one.stat().st_mtime_ns for one in (stick / "photos").iterdir()}
    run("backup", str(stick))
    assert {one.name: one.stat().st_mtime_ns for one in (stick / "photos").iterdir()} == stamps, "each is copied once"
    assert run("verify", first["file"])[0] == 0
    shutil.rmtree(home)
    code, back = run("backup", "--restore", first["file"])
    assert (code, back["photos"], back["missing"]) == (0, 2, [])
    assert kept(home) == before
    assert run("verify")[0] == 0


def test_a_photo_that_is_missing_or_altered_is_named_and_stops_no_backup(home: Path, tmp_path: Path) -> None:
    one, other = sorted((home / "photos").iterdir())
    one.unlink()
    other.write_bytes(b"another picture")
    code, told = run("verify")
    assert code == 5
    assert {finding["work_order"] for finding in told["findings"]} == {"1001"}
    said = "\n".join(finding["what"] for finding in told["findings"])
    assert f"is missing: {one}" in said
    assert f"was altered: {other}" in said
    code, made = run("backup")
    assert (code, made["photos"]) == (0, 0)
    assert any(f"{one} is missing (photo" in line for line in made["missing"])
    assert any(f"{other} was altered (photo" in line for line in made["missing"])
    assert not (home / "backups" / "photos").exists(), "an altered photo was taken for a good one"


def test_a_restore_puts_a_good_photo_in_the_place_of_an_altered_one(home: Path) -> None:
    before = kept(home)
    _, made = run("backup")
    (home / "journal.sqlite").unlink()
    for one in (home / "photos").iterdir():
        one.write_bytes(b"spoilt")
    run("backup", "--restore", made["file"])
    assert kept(home) == before


def test_a_disk_without_room_for_the_photos_keeps_the_copy_of_the_journal(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photo_backup, "LEAVE_FREE_BYTES", 10**18)
    done = CliRunner().invoke(cli, ["backup"], standalone_mode=False)
    assert isinstance(done.exception.__cause__ if done.exception else None, StoreError)
    assert "the journal is copied, its photos are not (they want 0 MB" in str(done.exception)
    assert len(list((home / "backups").glob("journal-*.sqlite"))) == 1
