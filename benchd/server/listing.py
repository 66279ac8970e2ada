"""Lists and samples as files for other programs, and the window of time that a list is asked for."""

from __future__ import annotations

import csv
import io
import re
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from fastapi import Response

from benchd import export
from benchd.errors import BusyError, NotFoundError, UsageError
from benchd.journal_read import JournalReader
from benchd.server import reading

WINDOW_PATTERN = (
    r"^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])([T ]([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9])?Z?)?$"
)
COLUMNS = (
    "run_no", "run", "started", "ended", "duration_s", "bench", "procedure", "spec", "work_order", "unit", "status",
    "reason", "verdict", "suspect",
)  # fmt: skip
#: A spreadsheet would work these out.
_FORMULA = re.compile(r"[=+\-@\t\r]")
MEDIA = {"csv": "text/csv; charset=utf-8", "parquet": "application/vnd.apache.parquet"}


def window(since: str | None, until: str | None) -> tuple[str | None, str | None]:
    """Both as bounds among the journal's times, which are told apart as text: the first included, the last not."""
    return _bound(since, ""), _bound(until, "T24")


def _bound(text: str | None, days_end: str) -> str | None:
    """A time as the journal writes it; a date with what stands behind its last moment, or its first."""
    if text is None:
        return None
    found = text.removesuffix("Z").replace(" ", "T")
    return found if "T" in found else found + days_end


def list_csv(runs: Iterable[Mapping[str, Any]]) -> Response:
    """A row a run. Cells that a spreadsheet would take for a formula begin with an apostrophe."""
    file = io.StringIO()
    rows = csv.writer(file, lineterminator="\n")
    rows.writerow(COLUMNS)
    for one in runs:
        rows.writerow([_cell(one.get(name)) for name in COLUMNS])
    return _file(file.getvalue().encode(), "csv", "runs")


def _cell(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and _FORMULA.match(value) else value


def exported(reader: JournalReader, run: str, form: str) -> Response:
    """A run's samples, `form` a key of MEDIA. NotFoundError where there are none."""
    reading.info(reader, run)
    try:
        if form == "csv":
            text = io.StringIO()
            export.samples_csv(reader.read(run), text)
            return _file(text.getvalue().encode(), form, run)
        with tempfile.TemporaryDirectory(prefix="benchd-") as folder:
            path = Path(folder) / "samples.parquet"
            export.parquet(reader.read(run), path)
            return _file(path.read_bytes(), form, run)
    except UsageError as error:
        if "parquet]" in str(error):
            raise BusyError(f"{error} (on the daemon's computer), or ask for form=csv") from error
        raise NotFoundError(str(error)) from error


def _file(body: bytes, form: str, name: str) -> Response:
    headers = {"Content-Type": MEDIA[form], "Content-Disposition": f'attachment; filename="{name}.{form}"'}
    return Response(body, headers=headers)
