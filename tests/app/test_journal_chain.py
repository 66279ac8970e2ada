"""benchd verify: whatever is missing or altered is found and named, and what is whole is not accused."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from hashlib import blake2b
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from journal_world import OPENED, behind, end, one_run, reading, troubles

from benchd.cli import cli
from benchd.journal import Journal
from benchd.journal_read import JournalReader


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def three_runs(path: Path) -> list[str]:
    with Journal(path) as journal:
        return [one_run(journal, 30) for _ in range(3)]


def found(path: Path, **anchors: str) -> list[tuple[str, int, int, str]]:
    with Journal(path) as journal:
        return [(one.run, one.seq_from, one.seq_to, one.what) for one in journal.verify(anchors)]


def row_with(db: sqlite3.Connection, run: str, seq: int) -> tuple[int, int, list[Any]]:
    """(no, first seq, body) of the row that holds a record."""
    no, first, body = db.execute(
        "SELECT events.no, seq, body FROM events JOIN runs ON runs.no = run_no"
        " WHERE run = ? AND seq <= ? ORDER BY seq DESC LIMIT 1",
        (run, seq),
    ).fetchone()
    return no, first, json.loads(body)


def rewrite(path: Path, run: str, seq: int, change: Callable[[list[Any], int], None]) -> None:
    """Change the row that holds a record, in its body alone."""
    with behind(path) as db:
        no, first, body = row_with(db, run, seq)
        change(body, seq - first)
        text = json.dumps(body, separators=(",", ":"), ensure_ascii=False)
        db.execute("UPDATE events SET body = ? WHERE no = ?", (text, no))


def test_the_digests_are_those_that_are_documented(path: Path) -> None:
    """Computed here from the words in journal_chain's docstring, without its code."""

    def h(data: bytes) -> bytes:
        return blake2b(data, digest_size=16).digest()

    three_runs(path)
    first_of_run_before = bytes(16)
    with closing(sqlite3.connect(path)) as db:
        for number, run in db.execute("SELECT no, run FROM runs ORDER BY no").fetchall():
            before = h(run.encode() + first_of_run_before)
            for seq, body, chain in db.execute(
                "SELECT seq, body, chain FROM events WHERE run_no = ? ORDER BY seq", (number,)
            ).fetchall():
                texts = [json.dumps(one, separators=(",", ":"), ensure_ascii=False) for one in json.loads(body)]
                assert f"[{','.join(texts)}]" == body
                for index, text in enumerate(texts):
                    before = h(before + text.encode())
                    assert chain[16 * index : 16 * index + 16] == before
                    if seq + index == 1:
                        first_of_run_before = before


def test_a_whole_journal_is_not_accused_while_it_is_written(path: Path) -> None:
    with Journal(path) as journal:
        assert_intact = lambda: troubles(journal) == []  # noqa: E731
        run = one_run(journal)
        writer = journal.open_run(OPENED)
        for number in range(500):
            writer.append(reading(number))
            if number % 50 == 0:
                assert assert_intact()
        end(writer)
        assert assert_intact()
        journal.open_run(OPENED).append({"kind": "mark", "text": "\ud800", "µ": float("nan")})
        assert run
    with Journal(path) as journal:  # closed the last one as interrupted
        assert troubles(journal) == []


@pytest.mark.parametrize("seq", [1, 2, 45, 91, 92, 93])
def test_an_altered_record_is_named(path: Path, seq: int) -> None:
    runs = three_runs(path)

    def change(body: list[Any], index: int) -> None:
        body[index]["t_ns"] = 7

    rewrite(path, runs[1], seq, change)
    assert found(path) == [(runs[1], seq, seq, f"record {seq} was altered: digest and text do not agree")]


def test_an_altered_digest_is_named(path: Path) -> None:
    runs = three_runs(path)
    with behind(path) as db:
        no, _, _ = row_with(db, runs[0], 40)
        db.execute("UPDATE events SET chain = zeroblob(length(chain)) WHERE no = ?", (no,))
    ((run, seq_from, seq_to, what),) = found(path)
    assert (run, what.split(":")[1]) == (runs[0], " digest and text do not agree")
    assert seq_from <= 40 <= seq_to


def test_a_record_taken_out_or_put_in_is_named(path: Path) -> None:
    runs = three_runs(path)
    rewrite(path, runs[0], 40, lambda body, index: body.pop(index))
    rewrite(path, runs[1], 40, lambda body, index: body.insert(index, {"kind": "mark"}))
    first, second = found(path)
    for one, run in ((first, runs[0]), (second, runs[1])):
        assert one[0] == run
        assert one[1] <= 40 <= one[2]
        assert one[3].endswith("some were taken out or put in")


def test_a_record_hidden_as_if_by_retention_is_named(path: Path) -> None:
    runs = three_runs(path)

    def hide(body: list[Any], index: int) -> None:
        body[index] = 1

    rewrite(path, runs[0], 40, hide)
    (one,) = found(path)
    assert (one[0], one[3].split(": ")[1]) == (runs[0], "some were taken out, and not by retention")


def test_a_missing_row_is_named(path: Path) -> None:
    runs = three_runs(path)
    with behind(path) as db:
        no, first, body = row_with(db, runs[1], 40)
        db.execute("DELETE FROM events WHERE no = ?", (no,))
    last = first + len(body) - 1
    assert found(path) == [(runs[1], first, last, f"records {first} to {last} are missing")]


def test_a_cut_end_is_named(path: Path) -> None:
    runs = three_runs(path)
    with behind(path) as db:
        first = row_with(db, runs[1], 90)[1]
        db.execute("DELETE FROM events WHERE run_no = 2 AND seq >= ?", (first,))
    what = f"the records after {first - 1} are missing: the list says that it was closed (judged)"
    assert found(path) == [(runs[1], first, first, what)]


def test_the_cut_end_of_the_newest_run_is_named_even_if_the_list_was_made_to_fit(path: Path) -> None:
    runs = three_runs(path)
    with behind(path) as db:
        first = row_with(db, runs[2], 60)[1]
        db.execute("DELETE FROM events WHERE run_no = 3 AND seq >= ?", (first,))
        nothing = "status = NULL, reason = NULL, verdict = NULL, suspect = NULL, ended = NULL, duration_s = NULL"
        db.execute(f"UPDATE runs SET {nothing} WHERE no = 3")
    with JournalReader(path) as reader:  # a Journal would close it as interrupted first
        assert [(one.run, one.seq_from) for one in reader.verify()] == [(runs[2], first)]
    ((_, _, _, what),) = found(path)  # and when it was, it is still known that rows are gone, if not whose
    assert what.endswith("rows of records are missing: the end of a run that is not closed was cut")


def test_missing_runs_are_named(path: Path) -> None:
    runs = three_runs(path)
    with behind(path) as db:
        db.execute("DELETE FROM events WHERE run_no = 2")
        db.execute("DELETE FROM runs WHERE no = 2")
    assert [one[3] for one in found(path)] == [f"run number 2 (opened after {runs[0]}) is missing with all its records"]
    with behind(path) as db:
        db.execute("DELETE FROM runs WHERE no = 3")
    assert (runs[2], 0, 0) in [one[:3] for one in found(path)]


def test_a_run_whose_records_are_all_gone_is_named(path: Path) -> None:
    runs = three_runs(path)
    with behind(path) as db:
        db.execute("DELETE FROM events WHERE run_no = 2")
    assert found(path)[0] == (runs[1], 1, 1, "all its records are missing")


@pytest.mark.parametrize(
    ("column", "value", "seq"),
    [
        ("verdict", "fail", 92),
        ("status", "aborted", 93),
        ("unit", "R-9", 1),
        ("started", "2027-03-02", 1),
        ("duration_s", 11.0, 92),
    ],
)
def test_an_altered_entry_of_the_list_is_named(path: Path, column: str, value: object, seq: int) -> None:
    runs = three_runs(path)
    with behind(path) as db:
        db.execute(f"UPDATE runs SET {column} = ? WHERE no = 2", (value,))
    (one,) = found(path)
    assert one[:3] == (runs[1], seq, seq)
    assert one[3].startswith(f"the list of runs was altered: {column} is {value!r}, record {seq} says ")


def test_guards_taken_off_are_named(path: Path) -> None:
    three_runs(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER events_stay")
    assert [one[3] for one in found(path)] == ["the guard 'events_stay' was taken off: records could be changed since"]


def test_a_damaged_file_is_found(path: Path) -> None:
    three_runs(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode=DELETE")
    data = bytearray(path.read_bytes())
    at = data.index(b'"t_ns":1000000000,')
    data[at : at + 10] = b"~~~~~~~~~~"
    path.write_bytes(data)
    assert len(found(path)) >= 1


def test_who_computes_everything_anew_is_found_by_an_anchor_only(path: Path) -> None:
    """The honest limit: without a digest kept elsewhere a whole new chain looks whole."""
    runs = three_runs(path)
    with Journal(path) as journal:
        anchor = journal.digest(runs[1])
        verdict = next(row for row in journal.tail(0, 1000) if row.run == runs[1] and 92 in row.digests).digest(92)
        assert troubles(journal, **{runs[1]: anchor}) == troubles(journal, **{runs[1]: verdict}) == []
    with behind(path) as db:
        before = bytes(16)
        for number in (1, 2, 3):
            (run,) = db.execute("SELECT run FROM runs WHERE no = ?", (number,)).fetchone()
            first, before = b"", blake2b(run.encode() + before, digest_size=16).digest()
            for no, body in db.execute(
                "SELECT no, body FROM events WHERE run_no = ? ORDER BY seq", (number,)
            ).fetchall():
                records = json.loads(body)
                links = []
                for one in records:
                    if "value" in one:
                        one["value"] = 14.2
                    text = json.dumps(one, separators=(",", ":"))
                    before = blake2b(before + text.encode(), digest_size=16).digest()
                    first = first or before
                    links.append(before)
                body = json.dumps(records, separators=(",", ":"))
                db.execute("UPDATE events SET body = ?, chain = ? WHERE no = ?", (body, b"".join(links), no))
            before = first
    assert found(path) == []
    ((run, _, _, what),) = found(path, **{runs[1]: anchor})
    assert run == runs[1]
    assert what == f"no record has the digest {anchor} that was kept elsewhere: it was cut or rewritten"
    assert found(path, **{"20270101-000000-000aa": anchor})[0][0] == "20270101-000000-000aa"


def test_the_command_says_it_in_words_and_json(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHD_HOME", str(path.parent))
    run = CliRunner().invoke
    nothing = run(cli, ["verify"])
    assert nothing.exit_code != 0
    assert not path.exists()
    runs = three_runs(path)
    whole = run(cli, ["verify", "--json"])
    body = json.loads(whole.stdout)
    assert (whole.exit_code, body["intact"], body["runs"], body["findings"]) == (0, True, 3, [])
    assert run(cli, ["verify", "--anchor", f"{runs[2]}:{body['head']}"]).exit_code == 0
    assert run(cli, ["verify", "--anchor", f"{runs[1]}:{body['head']}"]).exit_code == 5

    def change(body: list[Any], index: int) -> None:
        body[index]["t_ns"] = 7

    rewrite(path, runs[1], 17, change)
    before = path.read_bytes()
    told = run(cli, ["verify", str(path)])
    assert told.exit_code == 5
    assert f"run {runs[1]}: record 17 was altered" in told.output
    assert "1 trouble in 3 runs" in told.output
    assert json.loads(run(cli, ["verify", "--json"]).stdout)["findings"][0]["seq_from"] == 17
    assert path.read_bytes() == before
