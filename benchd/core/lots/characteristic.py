"""One characteristic of a lot: its entry in the report's body (report.py)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.core.lots.capability import Capability, Index, capability
from benchd.core.lots.charts import LEAST as LEAST_CHART
from benchd.core.lots.charts import charts_of
from benchd.core.lots.compare import bench_means, between_benches
from benchd.core.lots.drift import drift
from benchd.core.lots.signals import Charted, Who, charted
from benchd.core.lots.units import Units
from benchd.core.lots.words import counted
from benchd.core.specs import Characteristic

Floats = NDArray[np.float64]
#: (n, mean, sd, median u, characteristic) -> the entry's "risk"
Risk = Callable[[int, float | None, float | None, float | None, Characteristic], Mapping[str, Any] | None]

WORST = 5
#: Charts that look as bad as this or worse by chance are not taken for a stable process when capability is told.
UNSTABLE = 0.005
_LEAST_FAR = 20  # quartiles of fewer values swing too much to call any of them far
_FEWEST_BINS, _MOST_BINS = 8, 60


@dataclass(frozen=True, slots=True)
class Entry:
    """`body` as in report.py; `chance`, that of the charts' signals in a process in control."""

    body: dict[str, Any]
    chance: float | None


def entry(one: Characteristic, first: Units, rules: str, who: Who) -> Entry:
    """Of first judged tests in order of time."""
    column, spread = first.column(one.id)
    places = np.flatnonzero(np.isfinite(column))
    values = column[places]
    ordered = np.sort(values)
    u = spread[places]
    charts = charts_of(values)
    shown = charted(charts, places, rules, one.unit, who)
    found = capability(
        values,
        one.low,
        one.high,
        chart=charts[0] if charts else None,
        in_control=None if shown.chance is None else shown.chance >= UNSTABLE,
    )
    near = not_far(values, ordered)
    bench = first.bench[places][near]
    body = {
        **head(one), **_moments(values, ordered),
        "u": _median_u(u), "beyond": beyond(one, values),
        "normality": asdict(found.normality), "capability": capability_body(found), **charts_part(shown, len(values)),
        "histogram": histogram(ordered), "worst": _worst(one, values, places, who),
        "drift": drift_body(values, places, one.unit),
        "risk": None, "benches": [asdict(mean) for mean in bench_means(values[near], bench, first.benches)],
        "benches_left_out": len(values) - int(near.sum()),
        "between_benches": _between(values[near], bench, first.benches, one.unit),
        "says": missing(len(values), len(first)),
    }  # fmt: skip
    return Entry(body, shown.chance)


def head(one: Characteristic) -> dict[str, Any]:
    return {
        "id": one.id, "title": one.title, "measures": str(one.measures), "unit": one.unit, "low": one.low, "high": one.high,
    }  # fmt: skip


def moments(column: Floats) -> dict[str, Any]:
    """n, mean, sd, min, max, median, kurtosis of what was measured; `column` may hold NaN."""
    values = column[np.isfinite(column)]
    return _moments(values, np.sort(values))


def _moments(values: Floats, ordered: Floats) -> dict[str, Any]:
    n = len(values)
    if n == 0:
        return dict.fromkeys(("mean", "sd", "min", "max", "median", "kurtosis")) | {"n": 0}
    mean = float(values.mean()) if ordered[0] < ordered[-1] else float(ordered[0])
    sd = float(values.std(ddof=1)) if n > 1 else None
    return {
        "n": n, "mean": mean, "sd": sd if sd is None or ordered[0] < ordered[-1] else 0.0, "min": float(ordered[0]),
        "max": float(ordered[-1]), "median": float(ordered[(n - 1) // 2] + ordered[n // 2]) / 2.0,
        "kurtosis": _kurtosis(values - mean) if ordered[0] < ordered[-1] else None,
    }  # fmt: skip


def _kurtosis(left: Floats) -> float | None:
    square = left * left
    second = float(square.mean())
    return float((square * square).mean()) / (second * second) if len(left) > 3 and second > 0.0 else None


def _median_u(u: Floats) -> float | None:
    known = u[np.isfinite(u)]
    return float(np.median(known)) if len(known) else None


def beyond(one: Characteristic, values: Floats) -> dict[str, int]:
    return {
        "low": 0 if one.low is None else int((values < one.low).sum()),
        "high": 0 if one.high is None else int((values > one.high).sum()),
    }


def index_body(found: Index | None) -> dict[str, float] | None:
    return None if found is None else asdict(found)


def capability_body(found: Capability) -> dict[str, Any]:
    return {
        "method": found.method, "says": found.says, "within_sd": found.within_sd, "overall_sd": found.overall_sd,
        **{name: index_body(getattr(found, name)) for name in ("cp", "cpk", "cpm", "pp", "ppk")},
        "percentiles": None if found.percentiles is None else list(found.percentiles),
    }  # fmt: skip


def charts_part(shown: Charted, n: int) -> dict[str, Any]:
    says = (
        "" if shown.charts else f"no control chart: {counted(n)}, and limits from fewer than {LEAST_CHART} say nothing"
    )
    return {
        "charts": shown.charts, "signals": shown.signals, "signals_found": shown.found, "signals_expected": shown.expected,
        "charts_says": says,
    }  # fmt: skip


def histogram(ordered: Floats) -> dict[str, Any]:
    """Bins by Freedman & Diaconis over the values that lie within five quartile distances of the median; those outside count in
    "below" and "above"."""
    if len(ordered) == 0:
        return {"edges": [], "counts": [], "below": 0, "above": 0}
    n = len(ordered)
    quartiles = np.array([ordered[(n - 1) // 4], ordered[(n - 1) // 2], ordered[(3 * (n - 1)) // 4]])
    edges = histogram_edges(n, float(ordered[0]), float(ordered[-1]), quartiles)
    at = np.searchsorted(ordered, edges[1:-1], side="left")
    below, above = np.searchsorted(ordered, edges[0], side="left"), np.searchsorted(ordered, edges[-1], side="right")
    counts = np.diff(np.concatenate(([below], at, [above])))
    return {"edges": edges.tolist(), "counts": counts.tolist(), "below": int(below), "above": n - int(above)}


def histogram_edges(n: int, least: float, most: float, quartiles: Floats) -> Floats:
    if least == most:
        reach = max(abs(least) * 1e-3, 1e-9)
        return np.array([least - reach, least + reach])
    between = float(quartiles[2] - quartiles[0])
    if between > 0.0:
        least, most = max(least, float(quartiles[1]) - 5.0 * between), min(most, float(quartiles[1]) + 5.0 * between)
    width = 2.0 * between / n ** (1.0 / 3.0) if between > 0.0 else most - least
    bins = int(min(max(math.ceil((most - least) / width), _FEWEST_BINS), _MOST_BINS))
    return np.linspace(least, most, bins + 1)


def not_far(values: Floats, ordered: Floats) -> NDArray[np.bool_]:
    """All but far outliers, more than three quartile distances outside the quartiles (Tukey, Exploratory Data Analysis, 1977): one dead unit must
    not hide what differs between benches."""
    n = len(values)
    if n < _LEAST_FAR:
        return np.ones(n, bool)
    lower, upper = float(ordered[(n - 1) // 4]), float(ordered[(3 * (n - 1)) // 4])
    reach = 3.0 * (upper - lower)
    return (values >= lower - reach) & (values <= upper + reach) if reach > 0.0 else np.ones(n, bool)


def _worst(one: Characteristic, values: Floats, places: NDArray[np.int64], who: Who) -> list[dict[str, Any]]:
    margin = margins(one, values)
    if margin is None or not len(values):
        return []
    chosen = np.argpartition(margin, min(WORST, len(values)) - 1)[:WORST]
    chosen = chosen[np.lexsort((chosen, margin[chosen]))]
    return [
        {"at": int(places[at]) + 1, **who(int(places[at])), "value": float(values[at]), "margin": float(margin[at])}
        for at in chosen.tolist()
    ]


def margins(one: Characteristic, values: Floats) -> Floats | None:
    """How far inside its nearer limit each value lies, below 0 outside; None without limits."""
    if one.low is None and one.high is None:
        return None
    lower = np.inf if one.low is None else values - one.low
    upper = np.inf if one.high is None else one.high - values
    return np.minimum(lower, upper)


def drift_body(values: Floats, places: NDArray[np.int64], unit: str) -> dict[str, Any]:
    return asdict(drift(values, places, unit=unit))


def _between(values: Floats, bench: NDArray[np.int64], benches: tuple[str, ...], unit: str) -> dict[str, Any] | None:
    found = between_benches(values, bench, benches, unit)
    return None if found is None else asdict(found)


def missing(n: int, of: int) -> str:
    """'' where every unit was measured."""
    if n == of:
        return "" if n else "not measured: no unit was judged"
    if n == 0:
        return f"not measured on any of {counted(of)}"
    return f"not measured on {counted(of - n)} of {of:,}"
