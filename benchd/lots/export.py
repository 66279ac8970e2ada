"""All tests of a lot as a table, one row a test, in order of time. The columns are described in configs/guide/lots.md."""

from __future__ import annotations

from io import BytesIO, StringIO
from typing import TYPE_CHECKING, Any

from benchd.errors import UsageError

if TYPE_CHECKING:
    from benchd.journal import Journal

FIXED = (
    "lot",
    "part",
    "serial",
    "test",
    "attempt",
    "run",
    "run_no",
    "bench",
    "by",
    "started",
    "ended",
    "status",
    "verdict",
    "mode",
)


def export(journal: Journal, lot: str, form: str) -> bytes:
    """'csv' or 'parquet'. NotFoundError, StoreError; UsageError for another form, or Parquet without pyarrow."""
    columns = table(journal, lot)
    if form == "csv":
        return _csv(columns)
    if form == "parquet":
        return _parquet(columns)
    raise UsageError(f"form: found {form[:40]!r}, expected csv or parquet")


def table(journal: Journal, lot: str) -> dict[str, list[Any]]:
    """Column -> its values: FIXED, then for every characteristic ID_UNIT and ID_u (its standard uncertainty); None where there is
    none."""
    from benchd.lots.service import spec_of

    part = spec_of(journal.lot_records(lot)).part
    tests = journal.lot_tests(lot)[::-1]
    columns: dict[str, list[Any]] = {name: [] for name in FIXED}
    for number, test in enumerate(tests, 1):
        for name in FIXED:
            columns[name].append(test.get(name))
        columns["test"][-1] = number
        columns["part"][-1] = None if part is None else part.number
    for one in part.characteristics if part is not None else ():
        key = one.id.replace("-", "_")
        measured = [test["measured"].get(one.id) or {} for test in tests]
        columns[f"{key}_{one.unit}"] = [found.get("value") for found in measured]
        columns[f"{key}_u"] = [found.get("u") for found in measured]
    return columns


def _csv(columns: dict[str, list[Any]]) -> bytes:
    import csv

    out = StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in zip(*columns.values(), strict=True):
        writer.writerow(["" if one is None else _no_formula(one) for one in row])
    return out.getvalue().encode()


def _no_formula(value: Any) -> Any:
    """A scanned text that a spreadsheet would take for a formula is told as text."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@") else value


def _parquet(columns: dict[str, list[Any]]) -> bytes:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise UsageError("Parquet needs pyarrow: install benchd[parquet], or write a .csv") from error
    whole = {"test": pa.int64(), "attempt": pa.int64(), "run_no": pa.int64()}
    fields = [(name, whole.get(name, pa.string()) if name in FIXED else pa.float64()) for name in columns]
    out = BytesIO()
    pq.write_table(pa.table(columns, schema=pa.schema(fields)), out)
    return out.getvalue()
