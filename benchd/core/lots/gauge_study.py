"""Gauge repeatability and reproducibility: the same units by several raters (people or benches), several times.

Crossed study, balanced. Analysis of variance with the interaction pooled where it is not significant (p > POOL), and the
average-and-range method with exact d2*; both as in the AIAG Measurement Systems Analysis manual, 4th edition 2010, chapter III B
(seen in secondary copies). Intervals of the components: modified large-sample.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from benchd.core.lots.factors import MOST_SIZE, factors

Floats = NDArray[np.float64]
POOL = 0.25
CONFIDENCE = 0.95
GOOD, POOR = 10.0, 30.0  # percent of study variation: under the first good, over the second not acceptable (AIAG bands)
ENOUGH_CATEGORIES = 5
SPREAD = 6.0  # standard deviations that are the whole spread


def study(
    values: Sequence[Sequence[Sequence[float | None]]] | Floats,
    units: Sequence[str],
    raters: Sequence[str],
    *,
    low: float | None = None,
    high: float | None = None,
    unit: str = "",
) -> dict[str, Any]:
    """Of values [unit][rater][trial] in `unit`, None or NaN where a trial is missing; limits for the percent of tolerance.

    {"missing": [[unit, rater, trial]], "complete": units that have all trials, "n": {units, raters, trials},
     "anova": None | {"rows": [{"source", "ss", "df", "ms", "f", "p"}], "pooled", "interaction_p", COMPONENTS, "categories"},
     "range": None | {COMPONENTS, "categories", "mean_range", "range_high", "over": [[unit, rater]]},
     "bias": [{"rater", "mean", "bias", "low", "high"}] to the mean of the others, 95 %,
     "means": [[unit][rater]], "ranges": [[unit][rater]], "by_unit": [..], "by_rater": [..], "says": [sentence]}
    COMPONENTS: "components": [{"name", "sd", "variance", "percent_contribution", "percent_study", "percent_tolerance"}], with the
    analysis of variance also "low" and "high" of the sd (95 %; None for total), for repeatability, reproducibility, gauge, units, total.

    "means", "ranges", "by_unit" are of the complete units; "f" is None where there is nothing to divide by; "interaction" has no row where
    it is pooled; "range" is None for more than 25 units, raters or trials; "categories" is None where the gauge shows no variation at all;
    "percent_tolerance" is None without two limits. Only units with all trials count; fewer than 2 leave None. ValueError for a shape that
    does not fit the names.
    """
    data = np.array(values, np.float64)  # None becomes NaN
    data = np.where(np.isfinite(data), data, np.nan)
    if data.ndim != 3 or data.shape[:2] != (len(units), len(raters)):
        raise ValueError(f"values of {len(units)} units and {len(raters)} raters are wanted, not of shape {data.shape}")
    missing = [[units[i], raters[j], int(k) + 1] for i, j, k in np.argwhere(np.isnan(data))]
    whole = np.asarray(~np.isnan(data).any(axis=(1, 2)))
    complete = [name for name, one in zip(units, whole, strict=True) if one]
    used = data[whole]
    body: dict[str, Any] = {
        "missing": missing,
        "complete": complete,
        "n": {"units": len(complete), "raters": len(raters), "trials": data.shape[2]},
        "anova": None,
        "range": None,
        "bias": [],
        "means": used.mean(axis=2).tolist(),
        "ranges": np.ptp(used, axis=2).tolist() if used.size else [],
        "by_unit": used.mean(axis=(1, 2)).tolist(),
        "by_rater": used.mean(axis=(0, 2)).tolist() if len(complete) else [],
        "says": [],
    }
    if len(complete) < 2 or len(raters) < 2 or data.shape[2] < 2:
        body["says"] = [_too_few(body["n"], len(missing))]
        return body
    tolerance = None if low is None or high is None else high - low
    body["anova"] = anova(used, tolerance)
    if max(used.shape) <= MOST_SIZE:
        body["range"] = average_and_range(used, tolerance, complete, raters)
    body["bias"] = _bias(used, raters)
    body["says"] = _says(body, low, high, unit)
    return body


def anova(data: Floats, tolerance: float | None = None) -> dict[str, Any]:
    """Of values (units, raters, trials), balanced, at least two of each."""
    p, o, r = data.shape
    data = data - data[0, 0, 0]  # what is alike stays exactly alike, and no digits are lost to a large mean
    grand = data.mean()
    by_part, by_rater, by_cell = data.mean(axis=(1, 2)), data.mean(axis=(0, 2)), data.mean(axis=2)
    ss = {
        "units": o * r * float(((by_part - grand) ** 2).sum()),
        "raters": p * r * float(((by_rater - grand) ** 2).sum()),
        "interaction": r * float(((by_cell - by_part[:, None] - by_rater[None, :] + grand) ** 2).sum()),
        "repeatability": float(((data - by_cell[:, :, None]) ** 2).sum()),
    }
    df = {"units": p - 1, "raters": o - 1, "interaction": (p - 1) * (o - 1), "repeatability": p * o * (r - 1)}
    ms = {name: ss[name] / df[name] for name in ss}
    _, interaction_p = _f_test("interaction", "repeatability", df, ms)
    pooled = interaction_p > POOL
    if pooled:
        df["repeatability"] += df.pop("interaction")
        ss["repeatability"] += ss.pop("interaction")
        ms.pop("interaction")
        ms["repeatability"] = ss["repeatability"] / df["repeatability"]
    against = "repeatability" if pooled else "interaction"
    rows = [
        _row(name, ss, df, ms, {"units": against, "raters": against, "interaction": "repeatability"}.get(name))
        for name in ss
    ]
    rows.append({"source": "total", "ss": sum(ss.values()), "df": sum(df.values()), "ms": None, "f": None, "p": None})
    repeat = ms["repeatability"]
    cross = 0.0 if pooled else max(0.0, (ms["interaction"] - repeat) / r)
    raters = max(0.0, (ms["raters"] - ms[against]) / (p * r))
    parts = max(0.0, (ms["units"] - ms[against]) / (o * r))
    made = _components(repeat, raters + cross, parts, tolerance)
    ends = _intervals(ms, df, (p, o, r))
    for one in made["components"]:
        one["low"], one["high"] = ends.get(one["name"], (None, None))
    return {"rows": rows, "pooled": pooled, "interaction_p": interaction_p, **made}


def average_and_range(
    data: Floats, tolerance: float | None, units: Sequence[str], raters: Sequence[str]
) -> dict[str, Any]:
    """The same by mean ranges; K1, K2 and K3 are 1/d2 of many and 1/d2* of one sample, exact."""
    p, o, r = data.shape
    ranges = np.ptp(data, axis=2)
    mean_range = float(ranges.mean())
    repeat = mean_range / factors(r).d2
    rater_range = float(np.ptp(data.mean(axis=(0, 2))))
    between = max(0.0, (rater_range / d2_star(o)) ** 2 - repeat**2 / (p * r))
    parts = float(np.ptp(data.mean(axis=(1, 2)))) / d2_star(p)
    high = factors(r).D4 * mean_range
    over = [[units[int(i)], raters[int(j)]] for i, j in np.argwhere(ranges > high)]
    return {
        **_components(repeat**2, between, parts**2, tolerance),
        "mean_range": mean_range,
        "range_high": high,
        "over": over,
    }


def d2_star(n: int, samples: int = 1) -> float:
    """Root of the mean square of a mean range: sqrt(d2^2 + d3^2 / samples)."""
    found = factors(n)
    return math.hypot(found.d2, found.d3 / math.sqrt(samples))


def mls_interval(parts: Sequence[tuple[float, float, float]], confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Interval of a sum of mean squares c * MS, `parts` = (c, MS, degrees of freedom), c of any sign: modified large-sample (Graybill
    and Wang; Ting et al. for differences, without their cross term). Low end not below 0."""
    risk = (1 - confidence) / 2
    centre = sum(c * ms for c, ms, _ in parts)
    below = above = 0.0
    for c, ms, df in parts:
        least = 1 - df / float(special.chdtri(df, risk))  # of the mean square's own interval, downwards
        most = df / float(special.chdtri(df, 1 - risk)) - 1
        down, up = (least, most) if c > 0 else (most, least)
        below += (down * c * ms) ** 2
        above += (up * c * ms) ** 2
    return max(0.0, centre - math.sqrt(below)), centre + math.sqrt(above)


def _intervals(
    ms: Mapping[str, float], df: Mapping[str, int], shape: tuple[int, int, int]
) -> dict[str, tuple[float, float]]:
    """Standard deviations' intervals by component."""
    p, o, r = shape
    repeat = ("repeatability", df["repeatability"])
    against = "interaction" if "interaction" in ms else "repeatability"

    def ends(*parts: tuple[float, str]) -> tuple[float, float]:
        low, high = mls_interval([(c, ms[name], float(df[name])) for c, name in parts])
        return math.sqrt(low), math.sqrt(max(high, 0.0))

    if against == "interaction":
        reproducible = [(1 / (p * r), "raters"), ((1 - 1 / p) / r, "interaction"), (-1 / r, "repeatability")]
        gauge = [(1 / (p * r), "raters"), ((1 - 1 / p) / r, "interaction"), (1 - 1 / r, "repeatability")]
    else:
        reproducible = [(1 / (p * r), "raters"), (-1 / (p * r), "repeatability")]
        gauge = [(1 / (p * r), "raters"), (1 - 1 / (p * r), "repeatability")]
    return {
        "repeatability": ends((1.0, repeat[0])),
        "reproducibility": ends(*reproducible),
        "gauge": ends(*gauge),
        "units": ends((1 / (o * r), "units"), (-1 / (o * r), against)),
    }


def _components(repeat: float, between: float, parts: float, tolerance: float | None) -> dict[str, Any]:
    """Variances as components with their percentages, and the number of distinct categories (truncated, at least 1)."""
    gauge = repeat + between
    total = gauge + parts
    named = {"repeatability": repeat, "reproducibility": between, "gauge": gauge, "units": parts, "total": total}
    found = [
        {
            "name": name,
            "variance": variance,
            "sd": math.sqrt(variance),
            "percent_contribution": 100 * _ratio(variance, total),
            "percent_study": 100 * math.sqrt(_ratio(variance, total)),
            "percent_tolerance": None if not tolerance else 100 * SPREAD * math.sqrt(variance) / tolerance,
        }
        for name, variance in named.items()
    ]
    categories = None if gauge == 0 else max(1, math.floor(1.41 * math.sqrt(parts / gauge)))
    return {"components": found, "categories": categories}


def _row(
    name: str, ss: Mapping[str, float], df: Mapping[str, int], ms: Mapping[str, float], against: str | None
) -> dict[str, Any]:
    if against is None:
        return {"source": name, "ss": ss[name], "df": df[name], "ms": ms[name], "f": None, "p": None}
    f, p = _f_test(name, against, df, ms)
    return {"source": name, "ss": ss[name], "df": df[name], "ms": ms[name], "f": f, "p": p}


def _f_test(name: str, against: str, df: Mapping[str, int], ms: Mapping[str, float]) -> tuple[float | None, float]:
    """(F, p); F None where there is nothing to divide by: then p is 0, or 1 if there is nothing to test either."""
    if ms[against] <= 0:
        return None, 1.0 if ms[name] <= 0 else 0.0
    f = ms[name] / ms[against]
    return f, float(special.fdtrc(df[name], df[against], f))


def _bias(data: Floats, raters: Sequence[str]) -> list[dict[str, Any]]:
    """Every rater's mean against the mean of the others on the same units, with a t interval over the units (paired)."""
    found = []
    means = data.mean(axis=2)
    n = len(means)
    for place, rater in enumerate(raters):
        others = np.delete(means, place, axis=1).mean(axis=1)
        gap = means[:, place] - others
        reach = float(special.stdtrit(n - 1, (1 + CONFIDENCE) / 2)) * float(gap.std(ddof=1)) / math.sqrt(n)
        middle = float(gap.mean())
        found.append(
            {
                "rater": rater,
                "mean": float(means[:, place].mean()),
                "bias": middle,
                "low": middle - reach,
                "high": middle + reach,
            }
        )
    return found


def _too_few(n: Mapping[str, int], missing: int) -> str:
    given = f"{n['units']} complete units, {n['raters']} raters, {n['trials']} trials"
    return f"too few for a study: {given}, at least 2 of each" + (f"; {missing} trials are missing" if missing else "")


def _says(body: Mapping[str, Any], low: float | None, high: float | None, unit: str) -> list[str]:
    found = {one["name"]: one for one in body["anova"]["components"]}
    said = []
    if body["missing"]:
        n = len(body["missing"])
        said.append(
            f"{n} trial{'s are' if n != 1 else ' is'} missing: only the {len(body['complete'])} units that have all their trials count here"
        )
    if found["total"]["sd"] == 0:
        return [*said, "All values are alike: this tells nothing of the gauge; look for a display with more digits"]
    if found["repeatability"]["sd"] == 0:
        said.append(
            "No trial differs from another of its kind: the display is too coarse to show what the gauge scatters"
        )
    said += _bands(found["gauge"], low, high, unit)
    said += _categories(body)
    for one in body["bias"]:
        if one["low"] > 0 or one["high"] < 0:
            said.append(
                f"{one['rater']} reads {_with(format(one['bias'], '+.3g'), unit)} from the others ({one['low']:+.3g} to {one['high']:+.3g})"
            )
    for unit_, rater in (body["range"] or {"over": []})["over"]:
        said.append(
            f"The trials of unit {unit_} by {rater} differ more than chance makes them: look at what happened there"
        )
    return said


def _bands(gauge: Mapping[str, Any], low: float | None, high: float | None, unit: str) -> list[str]:
    share = gauge["percent_study"]
    band = "good" if share < GOOD else "to be used with care" if share <= POOR else "not acceptable"
    said = [f"Repeatability and reproducibility take {share:.1f} % of the study's variation: {band}"]
    if low is None or high is None:
        limits = "no limit" if low is None and high is None else "one limit only"
        return [*said, f"There is no percent of tolerance: the characteristic has {limits}"]
    return [
        *said,
        f"They take {gauge['percent_tolerance']:.1f} % of the tolerance of {_with(format(high - low, 'g'), unit)}",
    ]


def _categories(body: Mapping[str, Any]) -> list[str]:
    by_anova = body["anova"]["categories"]
    said = []
    if by_anova is not None and by_anova < ENOUGH_CATEGORIES:
        several = "categories" if by_anova != 1 else "category"
        said.append(f"{by_anova} distinct {several}; {ENOUGH_CATEGORIES} or more are wanted to follow the units")
    if body["range"] is None:
        return [*said, f"Ranges were not used: they serve up to {MOST_SIZE} units, raters and trials"]
    by_range = body["range"]["categories"]
    if None not in (by_anova, by_range) and by_anova != by_range:
        said.append(
            f"The two methods give {by_anova} and {by_range} categories of the same values: the number is cut to a whole one, and ranges "
            "use less of the data; the analysis of variance counts"
        )
    return said


def _with(number: str, unit: str) -> str:
    return f"{number} {unit}".rstrip()


def _ratio(one: float, other: float) -> float:
    return one / other if other > 0 else 0.0
