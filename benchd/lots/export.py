"""All tests of a lot as a table, one row a test, in order of opening. The columns are described in configs/guide/lots.md."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from io import BytesIO, StringIO
from typing import TYPE_CHECKING, Any

from benchd.errors import UsageError

if TYPE_CHECKING:
    from benchd.core.specs import Characteristic
    from benchd.journal import Journal

TEXT, WHOLE, NUMBER, TRUTH = "text", "whole number", "number", "true or false"
FIXED = {
    "lot": TEXT, "part": TEXT, "serial": TEXT, "test": WHOLE, "attempt": WHOLE, "run": TEXT, "run_no": WHOLE, "bench": TEXT, "by": TEXT,
    "started": TEXT, "ended": TEXT, "status": TEXT, "verdict": TEXT, "mode": TEXT, "rater": TEXT, "trial": WHOLE,
}  # fmt: skip
BLOCK = 5000  # tests in memory at once


def export(journal: Journal, lot: str, form: str) -> bytes:
    """'csv' or 'parquet'. NotFoundError, StoreError; UsageError for another form, or Parquet without pyarrow."""
    if form not in ("csv", "parquet"):
        raise UsageError(f"form: found {form[:40]!r}, expected csv or parquet")
    measured = _characteristics(journal, lot)
    blocks = (_rows(block, measured) for block in _told(journal, lot))
    return (_csv if form == "csv" else _parquet)(columns_of(measured), blocks)


def columns_of(measured: Sequence[Characteristic]) -> dict[str, str]:
    """Column -> its type."""
    found = dict(FIXED)
    for one in measured:
        key = one.id.replace("-", "_")
        found |= {f"{key}_{one.unit}": NUMBER, f"{key}_u": NUMBER, f"{key}_within": TRUTH}
    return found


def _characteristics(journal: Journal, lot: str) -> Sequence[Characteristic]:
    from benchd.lots.service import spec_of

    part = spec_of(journal.lot_records(lot)).part
    return () if part is None else part.characteristics


def _told(journal: Journal, lot: str) -> Iterator[list[dict[str, Any]]]:
    """Tests in blocks, each with its lot's part number and its own place."""
    part, place = journal.lot(lot)["part"], 0
    for block in journal.lot_test_blocks(lot, BLOCK):
        for test in block:
            place += 1
            _, rater, trial = test.get("trial") or (None, None, None)
            test |= {"part": part, "test": place, "rater": rater, "trial": trial}
        yield block


def _rows(block: Sequence[Mapping[str, Any]], measured: Sequence[Characteristic]) -> Iterator[list[Any]]:
    for test in block:
        row = [test.get(name) for name in FIXED]
        for one in measured:
            found = test["measured"].get(one.id) or {}
            value = found.get("value")
            row += [value, found.get("u"), None if value is None else _within(one, value)]
        yield row


def _within(one: Characteristic, value: float) -> bool:
    return (one.low is None or value >= one.low) and (one.high is None or value <= one.high)


def _csv(columns: Mapping[str, str], blocks: Iterator[Iterator[list[Any]]]) -> bytes:
    import csv

    out = StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for rows in blocks:
        writer.writerows([_cell(one) for one in row] for row in rows)
    return out.getvalue().encode()


def _cell(value: Any) -> Any:
    """A scanned text that a spreadsheet would take for a formula is told as text."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@"):
        return f"'{value}"
    return "" if value is None else value


def _parquet(columns: Mapping[str, str], blocks: Iterator[Iterator[list[Any]]]) -> bytes:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise UsageError("Parquet needs pyarrow: install benchd[parquet], or write a .csv") from error
    types = {TEXT: pa.string(), WHOLE: pa.int64(), NUMBER: pa.float64(), TRUTH: pa.bool_()}
    schema = pa.schema([(name, types[kind]) for name, kind in columns.items()])
    out = BytesIO()
    with pq.ParquetWriter(out, schema) as writer:
        for rows in blocks:
            whole = zip(*rows, strict=True)
            writer.write_table(
                pa.table([pa.array(one, kind) for one, kind in zip(whole, schema.types, strict=True)], schema=schema)
            )
    return out.getvalue()
