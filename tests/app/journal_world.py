"""What the journal's tests share: runs as they come, a journal of the first schema, and SQL behind the journal's back."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from benchd.journal import Journal, RunWriter

OPENED = {"procedure": "regulator", "bench": "bay 1", "machine": "Hollin T18", "started": "2027-03-01T10:00:00+00:00"}

#: The first schema as it was released; never to be changed.
SCHEMA_1 = """
CREATE TABLE runs (
    no INTEGER PRIMARY KEY AUTOINCREMENT,
    run TEXT NOT NULL UNIQUE,
    owner TEXT NOT NULL,       -- the lock file of the process that conducts it
    procedure TEXT, bench TEXT, spec TEXT, work_order TEXT, unit TEXT, started TEXT,
    status TEXT,               -- NULL while it is open
    reason TEXT, verdict TEXT, suspect TEXT, ended TEXT, duration_s REAL
);
CREATE INDEX runs_by_work_order ON runs (work_order, no) WHERE work_order IS NOT NULL;
CREATE INDEX runs_by_unit ON runs (unit, no) WHERE unit IS NOT NULL;
CREATE INDEX runs_open ON runs (no) WHERE status IS NULL;
CREATE TABLE events (
    run_no INTEGER NOT NULL REFERENCES runs (no),
    seq INTEGER NOT NULL,      -- of the first record in the row, from 1 in every run
    records INTEGER NOT NULL,
    body TEXT NOT NULL         -- JSON array
);
CREATE UNIQUE INDEX events_in_order ON events (run_no, seq);
CREATE TABLE tried (at TEXT NOT NULL);  -- one row, written anew to see that the disk takes it
CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER events_are_kept BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER runs_are_kept BEFORE DELETE ON runs BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
PRAGMA user_version=1;
"""


def reading(number: int, instrument: str = "volts", value: float | None = 12.5, **more: Any) -> dict[str, Any]:
    body = {"kind": "reading", "t_ns": number * 100_000_000, "instrument": instrument, "quantity": "dc volts"}
    return body | {"point": "battery", "value": value, "resolution": 0.01, "flags": [], **more}


def sample(number: int) -> dict[str, Any]:
    return {"kind": "sample", "t_ns": number * 100_000_000, "values": {"battery_volts": [12.5, 0.01, [], 0.05]}}


def one_run(journal: Journal, steps: int = 100, rows: int = 10, **opened: Any) -> str:
    """A closed run of `steps` samples with two readings each, in about `rows` rows; its id."""
    writer = journal.open_run({**OPENED, **opened})
    for number in range(steps):
        writer.append(reading(number, value=12.0 + number / 100))
        writer.append(reading(number, "amps", value=None, flags=["overload"]))
        writer.append(sample(number))
        if number % max(1, steps // rows) == 0:
            writer.flush()
    end(writer)
    return writer.run


def end(writer: RunWriter) -> None:
    writer.append({"kind": "verdict", "verdict": "pass", "suspect": "none", "duration_s": 10, "ended": "2027-03-01"})
    writer.close({"status": "judged", "reason": "settled", "counts": {}})


def troubles(journal: Journal, **anchors: str) -> list[str]:
    return [str(one) for one in journal.verify(anchors)]


@contextmanager
def behind(path: Path) -> Iterator[sqlite3.Connection]:
    """Plain SQL on the journal with its guards taken off meanwhile, as somebody with the file in hand can do it."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        guards = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            db.execute(f"DROP TRIGGER {name}")
        yield db
        for _, sql in guards:
            db.execute(sql)


def first_schema(
    path: Path, runs: int = 3, *, open_run: bool = False, fill: int = 40
) -> dict[str, list[dict[str, Any]]]:
    """A journal as the first release left it, filled by SQL: run -> its records. Two of its runs overlap."""
    path.parent.mkdir(parents=True, exist_ok=True)
    held: dict[str, list[dict[str, Any]]] = {}
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA journal_mode=WAL")
        db.executescript(SCHEMA_1)
        rows = []
        for no in range(1, runs + 1):
            run = f"20270301-10000{no}-000ab"
            records = [{"kind": "run-opened", "run": run, **OPENED}]
            records += [{"kind": "mark", "t_ns": n, "text": 'µ "[{,' + f"}}] {n}", "x": 0.1 + n} for n in range(fill)]
            closed = not (open_run and no == runs)
            if closed:
                records.append({"kind": "run-closed", "status": "aborted", "reason": "Ctrl-C", "counts": {}})
            held[run] = records
            values = (no, run, "12-dead", "regulator", "bay 1", "Hollin T18", OPENED["started"])
            db.execute(
                "INSERT INTO runs (no, run, owner, procedure, bench, spec, started) VALUES (?,?,?,?,?,?,?)", values
            )
            if closed:
                db.execute("UPDATE runs SET status = 'aborted', reason = 'Ctrl-C' WHERE no = ?", (no,))
            rows += [(start, no, records[start : start + 7]) for start in range(0, len(records), 7)]
        for start, no, part in sorted(rows, key=lambda one: (one[0], one[1])):
            text = json.dumps(part, ensure_ascii=no % 2 == 0)  # with spaces, and escapes in every other run
            db.execute("INSERT INTO events VALUES (?, ?, ?, ?)", (no, start + 1, len(part), text))
        db.commit()
    return held


def child(script: str, *arguments: str | Path, **options: Any) -> subprocess.Popen[str]:
    """A process of its own that runs `script` with the journal's path as `path`."""
    head = "import sys, time\nfrom pathlib import Path\nfrom benchd.journal import Journal\npath = Path(sys.argv[1])\n"
    command = [sys.executable, "-c", head + textwrap.dedent(script), *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **options)
