"""Dashboards over what the time-series forwarder writes, as files for Grafana with a data source that speaks PromQL
(tried on VictoriaMetrics; some queries are MetricsQL).

Each module here makes one of the JSON files beside it. After a change: `python -m benchd_dashboards.store`, which writes
them anew; tests/forward/test_dashboards.py says if that was forgotten, and runs every query of every file against a
real store. What each dashboard is for stands in the guide (configs/guide/dashboards.md).
"""

from __future__ import annotations

import json
from importlib import import_module
from pathlib import Path
from typing import Any

#: File -> the module that makes it, in the order in which a shop would put them up.
FILES = {
    "benches-now.json": "benches_now",
    "runs.json": "runs",
    "verdict-rates.json": "verdict_rates",
    "lot-drift.json": "lot_drift",
    "bench-health.json": "bench_health",
    "fleet.json": "fleet",
}


def made() -> dict[str, str]:
    """File name -> its text, made anew."""
    found: dict[str, str] = {}
    for name, module in FILES.items():
        dashboard: dict[str, Any] = import_module(f"{__name__}.{module}").dashboard()
        found[name] = json.dumps(dashboard, indent=2, ensure_ascii=False) + "\n"
    return found


def write(folder: Path) -> None:
    for name, text in made().items():
        (folder / name).write_text(text, encoding="utf-8")
