"""Collects what the papers print, from a visit body and the journal, and writes it. The papers see JSON only.

What a paper is given stands at the top of its module in dashboards/paper; which papers there are, in the entry points
`benchd.papers`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from benchd import __version__, registry
from benchd.errors import StoreError, UsageError

Record = Mapping[str, Any]
#: Points of one channel on paper: more cannot be told apart on a line of 16 cm.
MOST_POINTS = 400


class Reader(Protocol):
    """What is needed of the journal: `journal.Journal` and `journal_read.JournalReader` both are one."""

    def read(self, run: str, after_seq: int = 0) -> Iterable[dict[str, Any]]: ...
    def digest(self, run: str) -> str: ...


def visit_data(body: Record, reader: Reader, *, shop: str = "", printed: datetime | None = None) -> dict[str, Any]:
    """What the visit paper needs: the visit body and, of each of its runs, what the journal keeps. StoreError.

    Runs of another machine that was given this number are none of this customer's business: they are left out.
    """
    runs = [one for one in body.get("runs") or () if not one.get("foreign")]
    return {
        "visit": {**body, "runs": runs},
        "runs": {str(one["run"]): run_data(reader, str(one["run"])) for one in runs},
        "shop": shop,
        **stamp(printed),
    }


def stamp(printed: datetime | None = None) -> dict[str, str]:
    """When and by what a paper is printed."""
    return {
        "printed": (printed or datetime.now(UTC)).astimezone(UTC).isoformat(timespec="seconds"),
        "program": f"benchd {__version__}",
    }


def run_data(reader: Reader, run: str) -> dict[str, Any]:
    """One run as its records tell it, its curve thinned to what can be seen. StoreError."""
    kept = _Kept()
    for record in reader.read(run):
        kept.take(record)
    return {
        "opened": kept.opened,
        "closed": kept.closed,
        "verdict": kept.verdict,
        "instruments": list(kept.instruments.values()),
        "answers": [{"text": kept.asked.get(name, name), "answer": said} for name, said in kept.answers],
        "marks": kept.marks,
        "curve": {name: thinned(points) for name, points in kept.curve.items()},
        "digest": reader.digest(run),
        "records": kept.records,
    }


_OF_OPENED = ("started", "bench", "rule", "versions", "warnings", "asked_by", "procedure", "machine")


class _Kept:
    """A fold over one run's records."""

    def __init__(self) -> None:
        self.opened: dict[str, Any] = {}
        self.closed: dict[str, Any] = {}
        self.verdict: dict[str, Any] = {}
        self.instruments: dict[str, dict[str, Any]] = {}
        self.asked: dict[str, str] = {}
        self.answers: list[tuple[str, str]] = []
        self.marks: list[dict[str, Any]] = []
        self.curve: dict[str, list[list[float]]] = {}
        self.records = 0

    def take(self, record: Record) -> None:
        self.records = int(record.get("seq", self.records + 1))
        kind = record["kind"]
        if kind == "sample":
            self._sample(record)
        elif kind == "run-opened":
            self.opened = {name: record[name] for name in _OF_OPENED if name in record}
        elif kind == "instrument":
            self.instruments[str(record["name"])] = _without_place(record)
        elif kind == "prompt":
            self.asked[str(record["id"])] = str(record["text"])
        elif kind == "answer":
            self.answers.append((str(record["id"]), str(record["text"])))
        elif kind == "mark":
            self.marks.append({"t_s": float(record.get("t_ns", 0)) / 1e9, "text": str(record.get("text", ""))})
        elif kind == "verdict":
            self.verdict = _without_place(record)
        elif kind == "run-closed":
            self.closed = {"status": record.get("status"), "reason": record.get("reason")}

    def _sample(self, record: Record) -> None:
        t_s = float(record["t_ns"]) / 1e9
        for name, (value, *_) in record["values"].items():
            if value is not None:
                self.curve.setdefault(name, []).append([t_s, value, value])


def _without_place(record: Record) -> dict[str, Any]:
    return {name: one for name, one in record.items() if name not in ("kind", "seq", "t_ns")}


def thinned(points: list[list[float]], most: int = MOST_POINTS) -> list[list[float]]:
    """At most `most` points (t_s, least, most), no peak lost."""
    step = -(-len(points) // most)
    if step <= 1:
        return points
    groups = (points[at : at + step] for at in range(0, len(points), step))
    return [[group[0][0], min(one[1] for one in group), max(one[2] for one in group)] for group in groups]


def write_visit(door: Any, work_order: str, path: str | Path) -> None:
    """Print the paper of one order into a file: by the daemon that a door leads to, or here. NotFoundError."""
    form = format_of(path)
    keep(door.report(work_order, form), path)


# --- writing ------------------------------------------------------------------------------------------------------------

FORMATS = {".pdf": "pdf", ".html": "html", ".htm": "html"}


def format_of(path: str | Path) -> str:
    """'pdf' or 'html' by the name's ending. UsageError for any other."""
    found = FORMATS.get(Path(path).suffix.lower())
    if found is None:
        raise UsageError(f"{path}: name a file that ends in .pdf or .html")
    return found


def printed(paper: str, data: Record, form: str) -> bytes:
    """The paper of this name ('visit', 'machine', 'history') as the bytes of a file; `form` 'pdf' or 'html'.

    ConfigError if no such paper is installed.
    """
    made = registry.paper(paper)
    if form == "pdf":
        return bytes(made.pdf(data))
    return str(made.html(data)).encode()


def write(paper: str, data: Record, path: str | Path) -> None:
    """Print a paper into a file, PDF or HTML by its ending. UsageError for another ending, StoreError if it cannot."""
    form = format_of(path)
    keep(printed(paper, data, form), path)


def keep(content: bytes, path: str | Path) -> None:
    """Write a file whole or not at all. StoreError."""
    target = Path(path)
    beside = target.with_name(f".{target.name}.part")
    try:
        beside.write_bytes(content)
        beside.replace(target)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise StoreError(f"{path}: cannot be written: {error.strerror or error}") from error
