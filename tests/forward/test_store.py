"""forward.sqlite: cursors and quarantine, and what happens to a file that is damaged, missing or another program's."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest

from benchd.errors import NotFoundError, StoreError
from benchd.forward import store as module
from benchd.forward.store import Cursor, ForwardStore, Refused


def test_a_cursor_is_kept_over_a_restart_and_each_forwarder_has_its_own(tmp_path: Path) -> None:
    store = ForwardStore(tmp_path / "forward.sqlite")
    assert store.cursor("series") == Cursor(0, "")
    store.move("series", Cursor(7, "run-a"))
    store.move("series", Cursor(9, "run-b"))
    store.move("mqtt", Cursor(3, "run-a"))
    store.close()
    again = ForwardStore(tmp_path / "forward.sqlite")
    assert (again.cursor("series"), again.cursor("mqtt")) == (Cursor(9, "run-b"), Cursor(3, "run-a"))
    assert again.notice == ""


def test_refused_lines_are_listed_newest_first_and_once(tmp_path: Path) -> None:
    store = ForwardStore(tmp_path / "forward.sqlite")
    store.refuse("series", [Refused("r", 1, "a 1", "bad"), Refused("r", 2, "b 2", "bad")])
    store.refuse("series", [Refused("r", 1, "a 1", "still bad")])
    store.refuse("mqtt", [Refused("r", 1, "a 1", "other")])
    found = store.quarantine("series")
    assert [(one.row, one.line, one.reason) for one in found] == [(2, "b 2", "bad"), (1, "a 1", "still bad")]
    assert store.quarantined("series") == 2
    assert set(found[0].to_json()) == {"no", "at", "run", "row", "line", "reason"}
    assert store.refused_between("series", 1, 5) == {"b 2"}


def test_a_released_line_leaves_the_quarantine_only_when_it_was_taken(tmp_path: Path) -> None:
    store = ForwardStore(tmp_path / "forward.sqlite")
    store.refuse("series", [Refused("r", row, f"line {row}", "bad") for row in (1, 2, 3)])
    no = store.quarantine("series")[0].no
    assert store.release("series", no) == 1
    assert [one.line for one in store.released("series", 10)] == ["line 3"]
    assert store.quarantined("series") == 2
    store.refuse("series", [Refused("r", 3, "line 3", "bad again")])
    assert store.released("series", 10) == []
    assert store.release("series") == 3
    store.taken("series", [one.no for one in store.released("series", 2)])
    assert [one.line for one in store.released("series", 10)] == ["line 3"]
    with pytest.raises(NotFoundError, match="no refused line 999"):
        store.release("series", 999)


def test_the_quarantine_is_bounded_and_keeps_the_newest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "KEPT", 10)
    store = ForwardStore(tmp_path / "forward.sqlite")
    store.refuse("mqtt", [Refused("r", 0, "kept", "x")])
    for row in range(25):
        store.refuse("series", [Refused("r", row, f"line {row}", "x")])
    assert [one.row for one in store.quarantine("series")] == list(range(24, 14, -1))
    assert store.quarantined("mqtt") == 1


@pytest.mark.parametrize(
    "content", [b"this is no database, whatever its name says", b"SQLite format 3\0" + b"\xff" * 5000]
)
def test_a_damaged_file_is_kept_aside_and_begun_anew_and_said(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "forward.sqlite"
    path.write_bytes(content)
    store = ForwardStore(path)
    assert "was damaged" in store.notice
    assert store.cursor("series") == Cursor(0, "")
    store.move("series", Cursor(1, "r"))
    aside = list(tmp_path.glob("forward.sqlite.damaged-*"))
    assert len(aside) == 1
    assert aside[0].read_bytes() == content


def test_a_file_torn_in_its_middle_is_begun_anew(tmp_path: Path) -> None:
    path = tmp_path / "forward.sqlite"
    store = ForwardStore(path)
    store.refuse("series", [Refused("r", row, f"line {row} " + "x" * 400, "bad") for row in range(400)])
    store.close()
    whole = bytearray(path.read_bytes())
    whole[4096 * 3 : 4096 * 20] = b"\xa5" * (4096 * 17)
    path.write_bytes(whole)
    again = ForwardStore(path)
    assert "was damaged" in again.notice
    assert again.quarantined("series") == 0


def test_another_programs_or_a_newer_file_is_moved_aside_not_written_to(tmp_path: Path) -> None:
    path = tmp_path / "forward.sqlite"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE theirs (x)")
        db.execute("INSERT INTO theirs VALUES (42)")
    db.close()
    store = ForwardStore(path)
    assert "another program" in store.notice
    (aside,) = tmp_path.glob("forward.sqlite.damaged-*")
    db = sqlite3.connect(aside)
    assert db.execute("SELECT x FROM theirs").fetchone() == (42,)
    db.close()


def test_a_missing_file_is_made_and_said(tmp_path: Path) -> None:
    assert "is new" in ForwardStore(tmp_path / "deeper" / "forward.sqlite").notice


def test_a_folder_that_cannot_be_is_a_store_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="check the folder"):
        ForwardStore(tmp_path / "file" / "forward.sqlite")


def test_threads_share_it(tmp_path: Path) -> None:
    store = ForwardStore(tmp_path / "forward.sqlite")

    def work(name: str) -> None:
        for row in range(50):
            store.move(name, Cursor(row, "r"))
            store.refuse(name, [Refused("r", row, "line", "x")])

    threads = [threading.Thread(target=work, args=(f"f{n}",)) for n in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert [(store.cursor(f"f{n}").row, store.quarantined(f"f{n}")) for n in range(4)] == [(49, 50)] * 4
