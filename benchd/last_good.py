"""The last good run of the same procedure on the same unit, as a thin curve: what a live run is drawn in front of."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol

#: Points of the curve: it is drawn behind another one on a terminal, and stands in every run-opened record.
MOST_POINTS = 120
#: What is drawn large or as a curve; engine speed is not compared.
CHANNELS = frozenset({
    "battery_volts", "charge_amps", "stator_volts", "stator_volts_2", "stator_volts_3",
    "load_amps", "crank_amps", "draw_amps",
})  # fmt: skip


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
    def read(self, run: str, after_seq: int = 0) -> Iterable[dict[str, Any]]: ...


def last_good(journal: Kept, procedure: str, machine: str, unit: str | None) -> dict[str, Any] | None:
    """{"run", "started", "from_s", "points": [[t_s, {channel: value}], ...]} of the newest run that passed, or None.

    `from_s` is when its measuring began (full throttle, say): two runs are laid over one another there. StoreError.
    """
    if unit is None:
        return None
    for run in journal.judged(procedure, 1, unit, machine, "pass"):
        from_s, points = _curve(journal.read(str(run["run"])))
        if points:
            return {"run": run["run"], "started": run["started"], "from_s": from_s, "points": thinned(points)}
    return None


def _curve(records: Iterable[Mapping[str, Any]]) -> tuple[float, list[list[Any]]]:
    """When measuring began, and every sample from then on."""
    from_s: float | None = None
    points: list[list[Any]] = []
    for record in records:
        if record["kind"] == "standing" and from_s is None and record.get("phase") == "measuring":
            from_s, points = float(record["t_ns"]) / 1e9, points[-1:]
        elif record["kind"] == "sample":
            values = {name: one[0] for name, one in record["values"].items() if name in CHANNELS and one[0] is not None}
            if values:
                points.append([round(float(record["t_ns"]) / 1e9, 2), values])
    return (0.0 if from_s is None else round(from_s, 2)), points


def thinned(points: list[list[Any]], most: int = MOST_POINTS) -> list[list[Any]]:
    """At most `most` points, in each the newest value of every channel since the one before."""
    step = -(-len(points) // most)
    if step <= 1:
        return points
    found = []
    for at in range(0, len(points), step):
        group = points[at : at + step]
        values: dict[str, Any] = {}
        for _, each in group:
            values |= each
        found.append([group[-1][0], values])
    return found
