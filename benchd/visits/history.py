"""How one unit, or all units of one machine, did over the visits: what the last run of each visit measured.

A visit is a work order; a run without one is a visit of its own. What counts is how the machine left: the last judged
run of each procedure. Control limits come from the visits whose last run passed.

What the history paper is given (see dashboards/paper/history.py):
    {"unit", "machine", "visits", "series": [{"name", "title", "unit", "asked": [low, high] (None: open),
      "points": [{"at", "run", "work_order", "unit", "value", "u" (expanded, or None), "verdict"}], oldest first,
      "limits": {"centre", "low", "high", "mean_range", "range_high", "values"} or None,
      "outside": [places in points], "said": sentence}], "shop", "printed", "program"}
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any, Protocol

from benchd.core.individuals import LEAST, Limits, limits_of

Record = Mapping[str, Any]
#: The newest visits that are looked at: more are not told apart on a chart, and none of them is lost.
MOST_VISITS = 200


class Kept(Protocol):
    """What is needed of the journal."""

    def judged(
        self,
        procedure: str,
        limit: int,
        unit: str | None = None,
        machine: str | None = None,
        verdict: str | None = None,
    ) -> list[dict[str, Any]]: ...
    def verdict(self, run: str) -> dict[str, Any] | None: ...


#: (procedure, name in the verdict's `measured`, title, unit)
SERIES = (
    ("regulator", "settled_volts", "Settled volts", "V"),
    ("regulator", "greatest_amps", "Greatest amps", "A"),
    ("stator", "stator_volts", "Stator volts AC, at the spec's speed", "V"),
    ("stator", "stator_volts_2", "Stator volts AC, second pair", "V"),
    ("stator", "stator_volts_3", "Stator volts AC, third pair", "V"),
)


def history(journal: Kept, unit: str | None, machine: str | None, limit: int = MOST_VISITS) -> dict[str, Any]:
    """The series of what there is, each with its limits. StoreError."""
    verdicts = {
        procedure: [
            _told(journal, run) for run in last_of_visits(journal.judged(procedure, 4 * limit, unit, machine))[-limit:]
        ]
        for procedure in dict.fromkeys(procedure for procedure, *_ in SERIES)
    }
    made = [_series(verdicts[procedure], *rest) for procedure, *rest in SERIES]
    series = [one for one in made if one["points"]]
    visits = {str(run["work_order"] or run["run"]) for runs in verdicts.values() for run, _ in runs}
    return {"unit": unit, "machine": machine, "visits": len(visits), "series": series}


def last_of_visits(runs: Iterable[Record]) -> list[Record]:
    """The last run of each visit, oldest first, of runs that come newest first."""
    found: dict[str, Record] = {}
    for run in runs:
        found.setdefault(f"order {run['work_order']}" if run["work_order"] else str(run["run"]), run)
    return list(found.values())[::-1]


def _told(journal: Kept, run: Record) -> tuple[Record, Record]:
    return run, journal.verdict(str(run["run"])) or {}


def _series(verdicts: Sequence[tuple[Record, Record]], name: str, title: str, unit: str) -> dict[str, Any]:
    points, asked = [], [None, None]
    for run, verdict in verdicts:
        one = (verdict.get("measured") or {}).get(name)
        if one is None or one.get("value") is None:
            continue
        cells = {"value": float(one["value"]), "u": one.get("expanded_uncertainty"), "verdict": run["verdict"]}
        points.append({"at": run["started"], **{key: run[key] for key in ("run", "work_order", "unit")}, **cells})
        asked = _asked(name, verdict.get("limits") or {})
    limits = limits_of([one["value"] for one in points if one["verdict"] == "pass"])
    outside = [place for place, one in enumerate(points) if limits is not None and not limits.holds(one["value"])]
    said = _said(limits, points, outside)
    body = {"name": name, "title": title, "unit": unit, "asked": asked, "points": points}
    return {**body, "limits": None if limits is None else asdict(limits), "outside": outside, "said": said}


def _asked(name: str, limits: Record) -> list[Any]:
    """[low, high] that the machine's file asked for in that run; None where it asks for nothing."""
    if name == "settled_volts":
        return list(limits.get("settled_volts") or (None, None))
    key = "min_amps" if name == "greatest_amps" else "min_volts_ac"
    return [limits.get(key), None]


def _said(limits: Limits | None, points: Sequence[Record], outside: Sequence[int]) -> str:
    passed = sum(1 for one in points if one["verdict"] == "pass")
    if limits is None:
        return f"No control limits: {passed} of {len(points)} visits passed, and below {LEAST} they would say nothing."
    if not outside:
        return f"All {len(points)} visits lie within the limits, which {limits.values} that passed set."
    beyond = "1 visit lies" if len(outside) == 1 else f"{len(outside)} visits lie"
    return f"{beyond} outside the limits, which {limits.values} that passed set."
