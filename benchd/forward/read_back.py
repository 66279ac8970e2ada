"""The units of a lot, read back from the time-series store that daemons forward to: the columns that statistics are made from.

VictoriaMetrics answers /api/v1/export, one series of every field; stores with the 1.x query interface of InfluxDB answer /query in
InfluxQL. Both queries stand in configs/guide/time-series.md. Tests that were cut short before they were judged are not in the store.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchd.errors import StoreError
from benchd.site import SeriesSettings, slug_of

if TYPE_CHECKING:
    from benchd.core.lots.units import Units

TIMEOUT_S = 60.0
#: One test: (daemon, bench, ms of its start) name it.
Key = tuple[str, str, int]


def units_from_store(settings: SeriesSettings, lot: str, ids: Sequence[str]) -> Units:
    """All judged and void tests of a lot in the store, in order of time. StoreError."""
    tests = dict[Key, dict[str, Any]]()
    status, lines = _asked(settings, "/api/v1/export", {"match[]": match(lot), "start": "0"})
    if status == 200:
        for key, field, value, labels in _exported(lines):
            tests.setdefault(key, dict(labels))[field] = value
    else:
        status, lines = _asked(settings, "/query", {"db": settings.bucket, "q": influxql(lot), "epoch": "ms"})
        if status != 200:
            raise StoreError(
                f"{settings.url}: the store answers neither /api/v1/export nor /query ({status}): check the address"
            )
        for key, row in _selected(lines):
            tests.setdefault(key, {}).update(row)
    return _columns(tests, ids)


def match(lot: str) -> str:
    """The selector of an export from VictoriaMetrics. `lot` is a name that needs no escape (lots/door.py)."""
    return f'{{__name__=~"bench_unit_.*",lot="{lot}"}}'


def influxql(lot: str) -> str:
    return f"SELECT * FROM bench_unit WHERE lot = '{lot}'"


def _asked(settings: SeriesSettings, path: str, query: Mapping[str, str]) -> tuple[int, Iterable[bytes]]:
    """(status, lines of the answer)."""
    import urllib3

    from benchd.site_secrets import read_secret

    headers = {}
    if settings.token is not None:
        token = read_secret(settings.token)
        headers = urllib3.make_headers(basic_auth=token) if ":" in token else {"Authorization": f"Token {token}"}
    pool = urllib3.PoolManager(
        retries=False, timeout=TIMEOUT_S, ca_certs=None if settings.ca_file is None else str(settings.ca_file)
    )
    try:
        answer = pool.request("GET", settings.url.rstrip("/") + path, fields=dict(query), headers=headers)
    except urllib3.exceptions.HTTPError as error:
        raise StoreError(f"{settings.url}: the store does not answer: {error}") from error
    return answer.status, answer.data.splitlines()


def _exported(lines: Iterable[bytes]) -> Iterator[tuple[Key, str, float, Mapping[str, str]]]:
    for line in lines:
        series = json.loads(line)
        labels = series["metric"]
        field = labels["__name__"].removeprefix("bench_unit_")
        told = {name: labels.get(name, "") for name in ("bench", "mode", "verdict")}
        for at_ms, value in zip(series["timestamps"], series["values"], strict=True):
            if value is not None:
                yield (labels.get("daemon", ""), labels.get("bench", ""), int(at_ms)), field, value, told


def _selected(lines: Iterable[bytes]) -> Iterator[tuple[Key, dict[str, Any]]]:
    body = json.loads(b"\n".join(lines))
    for result in body.get("results") or ():
        if "error" in result:
            raise StoreError(f"the store refuses the query: {result['error']}")
        for series in result.get("series") or ():
            for values in series["values"]:
                row = {name: value for name, value in zip(series["columns"], values, strict=True) if value is not None}
                yield (str(row.get("daemon", "")), str(row.get("bench", "")), int(row["time"])), row


def _columns(tests: Mapping[Key, Mapping[str, Any]], ids: Sequence[str]) -> Units:
    """Numbers of the daemons' benches: a bench is told by its slug, with the daemon before it where two have one of that name."""
    import numpy as np

    from benchd.core.lots.units import VERDICTS, Units, empty, joined

    if not tests:
        return empty(ids)
    keys = list(tests)
    owners: dict[str, set[str]] = {}
    for daemon, bench, _ in keys:
        owners.setdefault(bench, set()).add(daemon)
    names = [bench if len(owners[bench]) == 1 else f"{slug_of(daemon)}/{bench}" for daemon, bench, _ in keys]
    benches = tuple(sorted(set(names)))
    modes = ("", *sorted({str(tests[key].get("mode") or "") for key in keys} - {"", "none"}))
    rows = [tests[key] for key in keys]
    number = {name: place for place, name in enumerate(benches)}
    coded = {name: place for place, name in enumerate(modes)} | {"none": 0}
    whole = Units(
        tuple(ids),
        np.array([int(row["serial_key"]) for row in rows], np.int64),
        np.array([key[2] for key in keys], np.int64),
        np.array([int(row["run_no"]) for row in rows], np.int64),
        np.array([number[name] for name in names], np.int64),
        benches,
        np.array([VERDICTS.index(str(row["verdict"])) for row in rows], np.int64),
        np.array([coded[str(row.get("mode") or "")] for row in rows], np.int64),
        modes,
        np.array([[_kept(row, id) for id in ids] for row in rows], np.float64).reshape(len(rows), len(ids)),
        np.array([[_kept(row, f"{id}_su") for id in ids] for row in rows], np.float64).reshape(len(rows), len(ids)),
    )
    return joined([whole])


def _kept(row: Mapping[str, Any], field: str) -> float:
    """The number as it was sent: a store of decimals gives it back with an error in the thirteenth digit."""
    from benchd.core.lots.serials import rounded

    return rounded(float(row[field])) if field in row else float("nan")
