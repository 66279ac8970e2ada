"""Work orders in the journal: what is kept stays whole, through old files, two writers, a kill, and careless hands."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from hashlib import blake2b
from pathlib import Path
from typing import Any

import pytest
from journal_world import OPENED, SCHEMA_1, behind, child, end, one_run, troubles

from benchd.errors import BusyError, NotFoundError, StoreError
from benchd.journal import Journal
from benchd.journal_disk import transaction as journal_transaction
from benchd.journal_orders import Moved
from benchd.journal_read import JournalReader

#: What the second schema had beyond the first, as it was released; never to be changed.
SCHEMA_2 = """
DROP INDEX events_in_order;
DROP TRIGGER events_stay;
DROP TRIGGER events_are_kept;
DROP TABLE events;
CREATE TABLE events (
    no INTEGER PRIMARY KEY AUTOINCREMENT,  -- in the order of the commits: a cursor for readers
    run_no INTEGER NOT NULL REFERENCES runs (no),
    seq INTEGER NOT NULL,      -- of the first record in the row, from 1 in every run
    records INTEGER NOT NULL,  -- how many seqs the row spans
    body TEXT NOT NULL,        -- JSON array of records; a number where so many were dropped by retention
    chain BLOB NOT NULL        -- 16 bytes for every element of the body
);
CREATE UNIQUE INDEX events_in_order ON events (run_no, seq);
CREATE INDEX runs_by_bench ON runs (bench, no) WHERE bench IS NOT NULL;
CREATE TABLE identity (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE thinning (run_no INTEGER PRIMARY KEY, first INTEGER NOT NULL, last INTEGER NOT NULL);
CREATE TABLE thinned_rows (   -- rows of events that retention wrote: of how many, and their seal
    no INTEGER PRIMARY KEY, was INTEGER NOT NULL, seal BLOB NOT NULL
);
CREATE TABLE thinned_runs (run_no INTEGER PRIMARY KEY, step_s REAL NOT NULL, at TEXT NOT NULL);
CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
-- Retention names the rows that it is about to replace in `thinning`, for the length of one transaction.
CREATE TRIGGER events_are_kept BEFORE DELETE ON events
WHEN NOT EXISTS (SELECT 1 FROM thinning WHERE run_no = OLD.run_no AND OLD.no BETWEEN first AND last)
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER seals_stay BEFORE UPDATE ON thinned_rows
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER seals_are_kept BEFORE DELETE ON thinned_rows
BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
PRAGMA user_version=2;
"""
NEW = {
    "machine": "Hollin T18",
    "unit": "4711",
    "customer": "Piet Marlow",
    "complaint": "dead each morning, \u00b5 \u2028",
}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def h(data: bytes) -> bytes:
    return blake2b(data, digest_size=16).digest()


def second_schema(path: Path) -> dict[str, list[dict[str, Any]]]:
    """A journal as the second release left it, filled by SQL: run -> its records."""
    held: dict[str, list[dict[str, Any]]] = {}
    first_before = bytes(16)
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode=WAL")
        db.executescript(SCHEMA_1 + SCHEMA_2)
        db.execute("INSERT INTO identity VALUES ('generation', 'abc'), ('daemon', '01234567')")
        for no in (1, 2):
            run = f"20270301-10000{no}-000ab"
            records = [{"kind": "run-opened", "run": run, **OPENED, "work_order": "1001"}]
            records += [{"kind": "mark", "t_ns": n, "text": f"\u00b5 {n}"} for n in range(20)]
            records.append({"kind": "run-closed", "status": "aborted", "reason": "Ctrl-C", "counts": {}})
            held[run] = records
            values = (no, run, "12-dead", "regulator", "bay 1", "Hollin T18", "1001", OPENED["started"])
            db.execute(
                "INSERT INTO runs (no, run, owner, procedure, bench, spec, work_order, started, status, reason)"
                " VALUES (?,?,?,?,?,?,?,?,'aborted','Ctrl-C')",
                values,
            )
            texts = [json.dumps(one) for one in records]
            before, links = h(run.encode() + first_before), []
            for text in texts:
                before = h(before + text.encode())
                links.append(before)
            first_before = links[0]
            for start in range(0, len(texts), 8):
                part = texts[start : start + 8]
                row = (no, start + 1, len(part), f"[{','.join(part)}]", b"".join(links[start : start + 8]))
                db.execute("INSERT INTO events (run_no, seq, records, body, chain) VALUES (?,?,?,?,?)", row)
        db.commit()
    return held


def filled(path: Path) -> None:
    """Three orders, the first closed, and two runs."""
    with Journal(path) as journal:
        for number in range(3):
            work_order, _ = journal.open_order({**NEW, "by": "Anna Weld"})
            journal.append_order(work_order, {"kind": "order-note", "text": f"note {number}", "by": ""})
            journal.append_order(work_order, {"kind": "order-answer", "question": "onset", "outcome": "sudden"})
        one_run(journal, 2, work_order="1001")
        journal.append_order("1001", {"kind": "order-closed", "proven": False, "reason": "no parts"})
        one_run(journal, 2, work_order="1002")


# --- writing and reading --------------------------------------------------------------------------------------------------


def test_orders_are_opened_written_to_and_closed(path: Path) -> None:
    with Journal(path) as journal:
        assert journal.orders() == []
        assert journal.open_order(NEW) == ("1001", 1)
        run = one_run(journal, 1, work_order="1001")
        assert journal.append_order("1001", {"kind": "order-note", "text": "x", "seq": 77}) == 2
        assert journal.open_order({**NEW, "work_order": " WO-7 ", "unit": ""}) == ("WO-7", 1)
        assert (
            journal.append_order("1001", {"kind": "order-closed", "proven": True, "at_ns": 1_800_000_000_123_456_789})
            == 3
        )
        first, note, last = journal.order_records("1001")
        assert (
            first.items() >= {**NEW, "kind": "order-opened", "work_order": "1001", "seq": 1, "after_run_no": 0}.items()
        )
        assert abs(first["at_ns"] - time.time_ns()) < 60e9
        assert (note["seq"], note["after_run_no"], note["text"]) == (2, 1, "x")
        assert last["at_ns"] == 1_800_000_000_123_456_789
        newest, oldest = journal.orders()
        assert (newest["work_order"], newest["unit"], newest["state"], newest["closed"]) == ("WO-7", None, "open", None)
        assert oldest == {
            **NEW,
            "work_order": "1001",
            "opened": oldest["opened"],
            "closed": "2027-01-15T08:00:00.123+00:00",
            "state": "proven",
            "runs": 1,
        }
        assert [one["work_order"] for one in journal.orders("open")] == ["WO-7"]
        assert journal.orders("closed") == journal.orders("proven") == journal.orders(unit="4711") == [oldest]
        assert journal.orders("closed without proof") == journal.orders(machine="x") == []
        assert len(journal.orders(limit=1)) == 1
        (listed,) = journal.runs()
        assert (listed["run"], listed["run_no"]) == (run, 1)
        verdict = journal.verdict(run)
        assert verdict is not None
        assert (verdict["kind"], verdict["verdict"]) == ("verdict", "pass")
        assert troubles(journal) == []


def test_a_closed_order_takes_no_record_and_no_run(path: Path) -> None:
    filled(path)
    with Journal(path) as journal:
        with pytest.raises(BusyError, match=r"work order 1001 was closed 20\d\d-.*takes no more records"):
            journal.append_order("1001", {"kind": "order-note", "text": "too late"})
        with pytest.raises(BusyError, match=r"work order 1001 was closed .*no run can be added"):
            journal.open_run({**OPENED, "work_order": "1001"})
        with pytest.raises(BusyError, match=r"there is a work order 1001 already"):
            journal.open_order({**NEW, "work_order": "1001"})
        end(journal.open_run({**OPENED, "work_order": "no order"}))
        with pytest.raises(NotFoundError, match=r"no work order '1011'; there are 1001, 1003, 1002"):
            journal.order_records("1011")
        with pytest.raises(NotFoundError, match="'x'; there are 1003, 1002, 1001"):
            journal.append_order("x", {"kind": "order-note"})
        assert len(journal.order_records("1001")) == 4
        assert troubles(journal) == []
    with Journal(path.with_name("none.sqlite")) as empty, pytest.raises(NotFoundError, match="none was opened yet"):
        empty.order("1001")


def test_the_number_is_the_next_that_nobody_uses(path: Path) -> None:
    with Journal(path) as journal:
        one_run(journal, 1, work_order="1002")
        for taken in ("1004", "7", "00", "x1005", "99999999999999999999", "12.5"):
            journal.open_order({"work_order": taken})
        assert [journal.open_order({})[0] for _ in range(4)] == ["1001", "1003", "1005", "1006"]


def test_no_order_is_numbered_like_a_machine_that_was_here(path: Path) -> None:
    """A scanner reads both at the same prompt."""
    with Journal(path) as journal:
        journal.open_order({"work_order": "A", "unit": "1001"})
        one_run(journal, 1, unit="1002")
        assert journal.open_order({})[0] == "1003"


def test_who_read_an_order_that_moved_is_told(path: Path) -> None:
    with Journal(path) as journal:
        journal.open_order({})
        one_run(journal, 1, work_order="1001")
        for stale in ((1, 0), (2, 1)):
            with pytest.raises(Moved, match="was written to meanwhile"):
                journal.append_order("1001", {"kind": "order-closed", "proven": True}, at=stale)
        one_run(journal, 1, work_order="other")
        assert journal.append_order("1001", {"kind": "order-closed", "proven": True}, at=(1, 1)) == 2


def test_the_digests_are_those_that_are_documented(path: Path) -> None:
    """Computed here from the words in journal_orders' docstring, without its code."""
    filled(path)
    first_before = bytes(16)
    with closing(sqlite3.connect(path)) as db, Journal(path) as journal:
        for no, work_order in db.execute("SELECT no, work_order FROM orders ORDER BY no").fetchall():
            before = h(work_order.encode() + first_before)
            rows = db.execute("SELECT seq, body, chain FROM order_records WHERE order_no = ? ORDER BY seq", (no,))
            for seq, body, chain in rows.fetchall():
                before = h(before + body.encode())
                assert chain == before
                first_before = before if seq == 1 else first_before
            assert journal.order_digest(work_order) == before.hex()


# --- two at once, and death -----------------------------------------------------------------------------------------------

WRITES = """
me = sys.argv[2]
journal = Journal(path)
print("now", flush=True)
sys.stdin.readline()
for number in range(40):
    journal.append_order("1001", {"kind": "order-note", "text": f"{me} {number}", "by": me})
    journal.open_order({"machine": me})
"""


def test_two_processes_at_once_both_get_through(path: Path) -> None:
    import subprocess

    with Journal(path) as journal:
        journal.open_order(NEW)
    both = [child(WRITES, path, me, stdin=subprocess.PIPE) for me in ("a", "b")]
    for one in both:
        assert one.stdout is not None
        assert one.stdout.readline() == "now\n"
    for one in both:
        assert one.stdin is not None
        one.stdin.write("go\n")
        one.stdin.flush()
    for one in both:
        _, trouble = one.communicate(timeout=60)
        assert (one.returncode, trouble) == (0, "")
    with Journal(path) as journal:
        notes = journal.order_records("1001")[1:]
        assert [one["seq"] for one in notes] == list(range(2, 82))
        for me in "ab":
            assert [one["text"] for one in notes if one["by"] == me] == [f"{me} {number}" for number in range(40)]
        assert {one["work_order"] for one in journal.orders(limit=200)} == {str(number) for number in range(1001, 1082)}
        assert troubles(journal) == []


def test_threads_of_one_process_write_orders_while_runs_are_opened(path: Path) -> None:
    from concurrent.futures import ThreadPoolExecutor

    with Journal(path) as journal, ThreadPoolExecutor(4) as pool:
        journal.open_order(NEW)
        wrote = [
            pool.submit(journal.append_order, "1001", {"kind": "order-note", "text": str(number)})
            for number in range(60)
        ]
        for _ in range(5):
            one_run(journal, 2, work_order="1001")
        assert sorted(one.result(30) for one in wrote) == list(range(2, 62))
        assert troubles(journal) == []


def test_what_was_acknowledged_is_there_after_a_kill_and_nothing_is_torn(path: Path) -> None:
    script = """
    journal = Journal(path)
    while True:
        number, _ = journal.open_order({"machine": "x" * 3000})
        print("opened", number, flush=True)
        for seq in range(2, 5):
            journal.append_order(number, {"kind": "order-note", "text": "y" * 3000})
            print("wrote", number, seq, flush=True)
        journal.append_order(number, {"kind": "order-closed", "proven": False, "reason": "z"})
        print("closed", number, flush=True)
    """
    for attempt in range(5):
        process = child(script, path)
        assert process.stdout is not None
        said = [process.stdout.readline()]
        time.sleep(0.02 + 0.013 * attempt)
        process.kill()
        said += process.communicate()[0].splitlines()
        with Journal(path) as journal:
            assert troubles(journal) == []
            held = {
                one["work_order"]: (one["state"], journal.order_records(one["work_order"]))
                for one in journal.orders(limit=9999)
            }
        for line in said:
            what, number, *seq = line.split()
            state, records = held[number]
            assert len(records) >= {"opened": 1, "wrote": int(seq[0]) if seq else 0, "closed": 5}[what]
            assert what != "closed" or state == "closed without proof"
        assert all((state == "open") == (records[-1]["kind"] != "order-closed") for state, records in held.values())


# --- careless hands -------------------------------------------------------------------------------------------------------


def test_plain_sql_meets_the_guards(path: Path) -> None:
    filled(path)
    with closing(sqlite3.connect(path)) as db:
        for query in (
            "UPDATE order_records SET body = '{}'",
            "DELETE FROM order_records WHERE no = 1",
            "DELETE FROM orders WHERE no = 1",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                db.execute(query)
        with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
            db.execute("INSERT INTO order_records (order_no, seq, body, chain) VALUES (1, 1, '', '')")


@pytest.mark.parametrize(
    ("query", "told"),
    [
        (
            "UPDATE order_records SET body = replace(body, 'note 1', 'note 9') WHERE order_no = 2",
            ["work order 1002: record 2 was altered: digest and text do not agree"],
        ),
        ("DELETE FROM order_records WHERE order_no = 2 AND seq = 2", ["work order 1002: the records before 3 are missing"]),
        (
            "DELETE FROM order_records WHERE order_no = 1 AND seq = 4",
            ["work order 1001: the records after 3 are missing: the list says it is closed"],
        ),
        (
            "DELETE FROM order_records WHERE order_no = 3 AND seq = 3",
            ["1 of the newest records of work orders are missing: the end of an open order was cut"],
        ),
        ("DELETE FROM order_records WHERE order_no = 3", ["work order 1003: all its records are missing"]),
        (
            "DELETE FROM orders WHERE no = 2",
            ["work order number 2 (opened after 1001) is missing in the list of orders, its records are there"],
        ),
        (
            "UPDATE orders SET customer = 'Ida Brandt' WHERE no = 3",
            ["work order 1003: the list of orders was altered: customer is 'Ida Brandt', its records say 'Piet Marlow'"],
        ),
        (
            "UPDATE orders SET state = 'proven' WHERE no = 1",
            [
                "work order 1001: the list of orders was altered: state is 'proven', its records say 'closed without proof'"
            ],
        ),
        (
            "UPDATE orders SET state = 'open', closed = NULL WHERE no = 1",
            ["work order 1001: the list of orders was altered: closed is None, its records say", "state is 'open'"],
        ),
        (
            "UPDATE orders SET work_order = '2001' WHERE no = 3",
            ["work order 2001: record 1 was altered", "the list calls it so, its first record '1003'"],
        ),
        ("UPDATE order_records SET body = 'x' WHERE order_no = 2 AND seq = 3", ["record 3 was altered", "is no JSON"]),
    ],
)  # fmt: skip
def test_whatever_was_done_to_an_order_is_named(path: Path, query: str, told: list[str]) -> None:
    filled(path)
    with behind(path) as db:
        db.execute(query)
    with Journal(path) as journal:
        found = troubles(journal)
    assert len(found) == len(told)
    assert all(part in line for part, line in zip(told, found, strict=True)), found


def test_an_order_left_out_with_all_that_is_its_own_is_missed(path: Path) -> None:
    for gone, told in ((2, "work order number 2 (opened after 1001) is missing"), (3, "work order number 3")):
        one = path.with_name(f"{gone}.sqlite")
        filled(one)
        with behind(one) as db:
            db.execute("DELETE FROM order_records WHERE order_no = ?", (gone,))
            db.execute("DELETE FROM orders WHERE no = ?", (gone,))
        with Journal(one) as journal:
            (found, *_) = troubles(journal)
        assert told in found


def test_an_order_rewritten_with_all_its_digests_does_not_match_what_was_kept_elsewhere(path: Path) -> None:
    filled(path)
    with Journal(path) as journal:
        kept = {"1001": journal.order_digest("1001"), "1002": journal.order_digest("1002").upper()}
        journal.append_order("1002", {"kind": "order-note", "text": "later"})
        assert troubles(journal, **kept) == []
        (told,) = troubles(journal, **{"1002": "0" * 32})
        assert (
            told
            == f"work order 1002: no record has the digest {'0' * 32} that was kept elsewhere: it was cut or rewritten"
        )
        (told,) = troubles(journal, **{"1009": "0" * 32})
        assert "knows no such run" in told
    with Journal(path.with_name("again.sqlite")) as journal:
        for work_order in ("1001", "1002"):
            journal.open_order({**NEW, "work_order": work_order})
        told = troubles(journal, **kept)
        assert [one.split(":")[0] for one in told] == ["work order 1001", "work order 1002"]


def test_the_command_counts_the_orders(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from benchd.cli import cli

    filled(path)
    with Journal(path) as journal:
        head = journal.order_digest("1001")
    done = CliRunner().invoke(cli, ["verify", str(path), "--anchor", f"1001:{head}"])
    assert (done.exit_code, "intact, 2 runs and 3 work orders" in done.output) == (0, True), done.output
    with behind(path) as db:
        db.execute("UPDATE order_records SET body = replace(body, 'note 1', 'note 9')")
    done = CliRunner().invoke(cli, ["verify", str(path), "--json"])
    found = json.loads(done.stdout)
    assert (done.exit_code, found["intact"], found["work_orders"], found["findings"][0]["work_order"]) == (
        5,
        False,
        3,
        "1002",
    )


def test_guards_that_were_taken_off_are_missed(path: Path) -> None:
    filled(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute("DROP TRIGGER order_records_stay")
        db.commit()
    with Journal(path) as journal:
        assert troubles(journal) == ["the guard 'order_records_stay' was taken off: records could be changed since"]
        (finding,) = journal.verify()
        assert "work_order" not in finding.to_json()


def test_a_damaged_record_is_a_store_error(path: Path) -> None:
    filled(path)
    with behind(path) as db:
        db.execute("UPDATE order_records SET body = '[1]' WHERE order_no = 2 AND seq = 3")
    with Journal(path) as journal, pytest.raises(StoreError, match="work order 1002 is damaged: it is no record"):
        journal.order_records("1002")


# --- copies, and files of before ------------------------------------------------------------------------------------------


def test_a_backup_takes_the_orders_along(path: Path, tmp_path: Path) -> None:
    filled(path)
    with Journal(path) as journal:
        journal.backup(tmp_path / "copy.sqlite")
        with Journal(tmp_path / "copy.sqlite") as copy:
            assert copy.orders() == journal.orders()
            assert copy.order_records("1001") == journal.order_records("1001")
            assert troubles(copy) == []


def test_the_second_schema_is_brought_forward_and_every_record_is_the_same(path: Path) -> None:
    held = second_schema(path)
    with closing(sqlite3.connect(path)) as db:
        before = [db.execute(f"SELECT * FROM {table}").fetchall() for table in ("runs", "events", "identity")]
    with Journal(path) as journal:
        assert troubles(journal) == []
        for run, records in held.items():
            assert [{**one, "seq": seq} for seq, one in enumerate(records, 1)] == list(journal.read(run))
        assert journal.orders() == []
        assert journal.open_order(NEW)[0] == "1002"  # there are runs of a 1001
        assert journal.open_order({"work_order": "1001"}) == ("1001", 1)
        assert journal.order("1001")["runs"] == 2
        one_run(journal, 1)
        assert troubles(journal) == []
    with closing(sqlite3.connect(path)) as db:
        after = [
            db.execute(query).fetchall()
            for query in (
                "SELECT * FROM runs WHERE no < 3",
                "SELECT * FROM events WHERE run_no < 3",
                "SELECT * FROM identity",
            )
        ]
        assert after == before
        assert db.execute("PRAGMA user_version").fetchone() == (4,)


def test_a_migration_from_the_second_schema_that_fails_leaves_it(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from benchd import journal_disk

    second_schema(path)
    before = path.read_bytes()
    monkeypatch.setattr(journal_disk, "ORDERS", journal_disk.ORDERS + "CREATE TABLE runs (x);\n")
    with pytest.raises(StoreError, match="must be brought up to date"):
        Journal(path)
    assert path.read_bytes() == before
    with (
        JournalReader(path) as reader,
        pytest.raises(StoreError, match=r"an older benchd \(schema 2, this one reads 4\)"),
    ):
        reader.orders()
    monkeypatch.undo()
    with Journal(path) as journal:
        assert len(journal.runs()) == 2


def test_the_fixture_is_the_second_schema(path: Path) -> None:
    second_schema(path)
    with closing(sqlite3.connect(path)) as db:
        tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert tables == {
            "runs", "tried", "events", "identity", "thinning", "thinned_rows", "thinned_runs", "sqlite_sequence"
        }  # fmt: skip
        assert db.execute("PRAGMA user_version").fetchone() == (2,)


def test_a_hundred_orders_with_a_thousand_records_are_quick(path: Path) -> None:
    with Journal(path) as journal:
        with journal._edit() as db, journal_transaction(db):
            from benchd import journal_orders

            for _ in range(100):
                number, _ = journal_orders.open_order(db, NEW)
                for step in range(9):
                    journal_orders.append_order(db, number, {"kind": "order-note", "text": f"step {step}"})

        def took(look: Callable[[], Any]) -> float:
            begin = time.perf_counter()
            look()
            return time.perf_counter() - begin

        assert took(lambda: journal.orders(limit=1000)) < 0.5
        assert took(lambda: troubles(journal)) < 2.0
        assert took(lambda: journal.open_order({})) < 0.5
