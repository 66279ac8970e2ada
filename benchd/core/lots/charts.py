"""Shewhart control charts of values in order of time: individuals and moving range, x-bar and R, x-bar and s, p, np, c, u.

Limits stand three standard deviations from the centre and come from the process itself, never from a specification; formulas as
in Montgomery, Introduction to Statistical Quality Control, and ISO 7870-2. `baseline` says which points make the limits: None =
all, a number = the first so many, a mask = those (an excluded point is still drawn and judged).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.core.lots import factors

Floats = NDArray[np.float64]

#: Below so many values limits say nothing: they swing with every one that is added. Common practice, no source.
LEAST = 8
#: From so many values on, subgroups of SUBGROUP in order of testing see a small shift sooner than single values do, and there
#: are 20 of them, the least that limits are usually made from (20 to 25: Montgomery; ISO 7870-2). Below, single values.
SUBGROUPS_FROM = 100
SUBGROUP = 5
#: Sizes from which s is used in place of R, which wastes more of what is known the larger the subgroup (Montgomery: n > 10).
SD_FROM = 10

INDIVIDUALS, MOVING_RANGE, X_BAR, RANGE, SD = "individuals", "moving range", "x-bar", "R", "s"
#: Charts of a spread: skewed, and bounded by zero, so fewer run rules apply to them.
SPREADS = frozenset({MOVING_RANGE, RANGE, SD})


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """One chart, in the unit of its values. `points` (m,): single values, moving ranges, or one a subgroup of `size`.

    `sigma`: standard deviation of a point; `process_sd`: of a single value within subgroups, with `dof` effective degrees of
    freedom; `baseline`: how many points made the limits; `left_out`: values at the end that filled no subgroup.
    """

    kind: str
    size: int
    centre: float
    low: float
    high: float
    sigma: float
    points: Floats
    baseline: int
    process_sd: float
    dof: float
    left_out: int
    says: str

    def values_of(self, index: int) -> tuple[int, int]:
        """(first, last) place, from 0, of the values behind point `index`; a moving range belongs to the later of its two."""
        if self.kind == MOVING_RANGE:
            return index, index + 1
        return index * self.size, (index + 1) * self.size - 1


@dataclass(frozen=True, slots=True, eq=False)
class CountChart:
    """A chart of counts. All arrays (m,): the limits move with the sizes of the samples. p: parts of 1; np, c: counts; u: counts a
    unit."""

    kind: str
    centre: Floats
    low: Floats
    high: Floats
    sigma: Floats
    points: Floats
    baseline: int
    says: str


def charts_of(values: ArrayLike, baseline: int | None = None, *, size: int | None = None) -> tuple[Chart, ...]:
    """The pair of charts that suits so many values (n,) in order of time; () below LEAST values or a baseline below it.

    Individuals and moving range below SUBGROUPS_FROM values; from there x-bar and R of SUBGROUP units one after another, as long as
    nobody asks for another `size` (1: individuals; from SD_FROM on x-bar and s). `baseline` counts values. Where units of several
    benches take turns, what differs between benches counts as spread within subgroups: chart each bench by itself too.
    """
    data = _checked(values)
    if size is None:
        size = SUBGROUP if len(data) >= SUBGROUPS_FROM and (baseline is None or baseline >= SUBGROUPS_FROM) else 1
    if min(len(data), len(data) if baseline is None else baseline) < max(LEAST, 2 * size):
        return ()
    if size == 1:
        return individuals(data, baseline)
    groups = None if baseline is None else baseline // size
    return x_bar_s(data, size, groups) if size >= SD_FROM else x_bar_r(data, size, groups)


def individuals(
    values: ArrayLike, baseline: int | ArrayLike | None = None, *, estimate: str = "mean range"
) -> tuple[Chart, Chart]:
    """(individuals, moving range of two) of values (n,), n >= 2. `estimate` of the process's standard deviation: 'mean range'
    (MR-bar/d2), 'median range' (its median/0.954: one wild value does not widen the limits), 'sd' (s/c4: counts slow drift as
    noise). A baseline mask takes the moving ranges of the values that it leaves, one after another."""
    data = _checked(values)
    base = data[_baseline(baseline, len(data))]
    if len(base) < 2:
        raise ValueError(f"limits of single values need 2 of them, not {len(base)}")
    two = factors.factors(2)
    ranges, base_ranges = np.abs(np.diff(data)), np.abs(np.diff(base))
    mean_range = float(base_ranges.mean())
    if estimate == "mean range":
        sd, dof = mean_range / two.d2, factors.dof_mean_moving_range(len(base))
    elif estimate == "median range":
        sd, dof = float(np.median(base_ranges)) / factors.D4_MEDIAN, factors.dof_median_moving_range(len(base))
    elif estimate == "sd":
        sd, dof = float(base.std(ddof=1)) / factors.c4(len(base)), len(base) - 1.0
    else:
        raise ValueError(f"no such estimate: {estimate!r}; there are 'mean range', 'median range' and 'sd'")
    centre, range_centre = _mean(base), sd * two.d2
    made = f"limits from {len(base)} of {len(data)} values, standard deviation from the {_ESTIMATES[estimate]}"
    single = Chart(
        INDIVIDUALS, 1, centre, centre - 3.0 * sd, centre + 3.0 * sd, sd, data, len(base), sd, dof, 0, f"single values: {made}"
    )  # fmt: skip
    moving = Chart(
        MOVING_RANGE, 2, range_centre, two.D3 * range_centre, two.D4 * range_centre, two.d3 * sd, ranges, len(base_ranges),
        sd, dof, 0, f"moving ranges of two: {made}",
    )  # fmt: skip
    return single, moving


_ESTIMATES = {
    "mean range": "mean moving range",
    "median range": "median moving range",
    "sd": "standard deviation of all",
}


def x_bar_r(values: ArrayLike, size: int = SUBGROUP, baseline: int | ArrayLike | None = None) -> tuple[Chart, Chart]:
    """(x-bar, R) of values (n,) cut into subgroups of `size` in order, or of subgroups (m, size). An incomplete last subgroup is left
    out, and `says` tells. `baseline` counts subgroups."""
    groups, left_out = _grouped(values, size)
    one = factors.factors(groups.shape[1])
    ranges = groups.max(axis=1) - groups.min(axis=1)
    chosen = _baseline(baseline, len(groups))
    centre_range = float(ranges[chosen].mean())
    sd, used = centre_range / one.d2, len(ranges[chosen])
    return _pair(
        groups, left_out, chosen, ranges, RANGE, sd, factors.dof_mean_range(one.n, used),
        (centre_range, one.D3 * centre_range, one.D4 * centre_range, one.d3 * sd),
    )  # fmt: skip


def x_bar_s(values: ArrayLike, size: int = SD_FROM, baseline: int | ArrayLike | None = None) -> tuple[Chart, Chart]:
    """(x-bar, s), as `x_bar_r`; any size from 2."""
    groups, left_out = _grouped(values, size)
    n = groups.shape[1]
    mean_sd = factors.c4(n)
    sds = groups.std(axis=1, ddof=1)
    chosen = _baseline(baseline, len(groups))
    centre_sd = float(sds[chosen].mean())
    sd, used = centre_sd / mean_sd, len(sds[chosen])
    sigma = sd * math.sqrt(1.0 - mean_sd * mean_sd)
    return _pair(
        groups, left_out, chosen, sds, SD, sd, factors.dof_mean_sd(n, used),
        (centre_sd, max(0.0, centre_sd - 3.0 * sigma), centre_sd + 3.0 * sigma, sigma),
    )  # fmt: skip


def _pair(
    groups: Floats, left_out: int, chosen: slice | NDArray[np.bool_], spreads: Floats, kind: str, sd: float, dof: float,
    limits: tuple[float, float, float, float],
) -> tuple[Chart, Chart]:  # fmt: skip
    """The x-bar chart and the one of its spreads; `limits` of those: centre, low, high, sigma."""
    count, n = groups.shape
    means = groups.mean(axis=1)
    base = groups[chosen]
    centre, sigma, used = _mean(base), sd / math.sqrt(n), len(base)
    made = f"{count} subgroups of {n} in order of testing, limits from {used} of them"
    if left_out:
        made += f"; the last {left_out} value{'s' * (left_out > 1)} filled no subgroup and {'are' if left_out > 1 else 'is'} left out"
    mean_chart = Chart(
        X_BAR, n, centre, centre - 3.0 * sigma, centre + 3.0 * sigma, sigma, means, used, sd, dof, left_out, f"means: {made}"
    )  # fmt: skip
    middle, low, high, spread_sigma = limits
    what = "ranges" if kind == RANGE else "standard deviations"
    spread_chart = Chart(
        kind, n, middle, low, high, spread_sigma, spreads, used, sd, dof, left_out, f"{what}: {made}"
    )  # fmt: skip
    return mean_chart, spread_chart


def p_chart(counts: ArrayLike, sizes: ArrayLike, baseline: int | ArrayLike | None = None) -> CountChart:
    """Parts nonconforming of samples: `counts` (m,) of `sizes` (m,) or one size. p-bar +/- 3 sqrt(p-bar (1 - p-bar)/n), low >= 0."""
    found, of, chosen = _counted(counts, sizes, baseline)
    if (found > of).any():
        raise ValueError("more nonconforming units than units in a sample")
    part = float(found[chosen].sum() / of[chosen].sum())
    sigma = np.sqrt(part * (1.0 - part) / of)
    return _count_chart("p", np.full(len(found), part), sigma, found / of, chosen)


def np_chart(counts: ArrayLike, sizes: ArrayLike, baseline: int | ArrayLike | None = None) -> CountChart:
    """Numbers of nonconforming units: n p-bar +/- 3 sqrt(n p-bar (1 - p-bar)). Arguments as p_chart."""
    found, of, chosen = _counted(counts, sizes, baseline)
    if (found > of).any():
        raise ValueError("more nonconforming units than units in a sample")
    part = float(found[chosen].sum() / of[chosen].sum())
    return _count_chart("np", of * part, np.sqrt(of * part * (1.0 - part)), found, chosen)


def c_chart(counts: ArrayLike, baseline: int | ArrayLike | None = None) -> CountChart:
    """Nonconformities of like samples (m,): c-bar +/- 3 sqrt(c-bar)."""
    found, _, chosen = _counted(counts, 1.0, baseline)
    mean = np.full(len(found), float(found[chosen].mean()))
    return _count_chart("c", mean, np.sqrt(mean), found, chosen)


def u_chart(counts: ArrayLike, sizes: ArrayLike, baseline: int | ArrayLike | None = None) -> CountChart:
    """Nonconformities a unit: u-bar +/- 3 sqrt(u-bar/n); `sizes` (m,) or one, in units."""
    found, of, chosen = _counted(counts, sizes, baseline)
    mean = np.full(len(found), float(found[chosen].sum() / of[chosen].sum()))
    return _count_chart("u", mean, np.sqrt(mean / of), found / of, chosen)


def _count_chart(
    kind: str, centre: Floats, sigma: Floats, points: Floats, chosen: slice | NDArray[np.bool_]
) -> CountChart:
    used = len(points[chosen])
    high = centre + 3.0 * sigma
    if kind == "p":
        high = np.minimum(high, 1.0)
    says = f"{len(points)} samples, limits from {used} of them"
    return CountChart(kind, centre, np.maximum(centre - 3.0 * sigma, 0.0), high, sigma, points, used, says)


def _counted(
    counts: ArrayLike, sizes: ArrayLike, baseline: int | ArrayLike | None
) -> tuple[Floats, Floats, slice | NDArray[np.bool_]]:
    found = _checked(counts)
    of = np.broadcast_to(np.asarray(sizes, np.float64), found.shape).astype(np.float64)
    if len(found) == 0 or (found < 0).any() or not (of > 0).all():
        raise ValueError("counts must be at least 0, sizes above 0, and there must be some")
    return found, of, _baseline(baseline, len(found))


def _checked(values: ArrayLike) -> Floats:
    data = np.asarray(values, np.float64)
    if data.ndim != 1:
        raise ValueError(f"one row of values is wanted, not an array of shape {data.shape}")
    if not np.isfinite(data).all():
        raise ValueError(
            f"{int((~np.isfinite(data)).sum())} of {len(data)} values are no numbers: leave them out first"
        )
    return data


def _grouped(values: ArrayLike, size: int) -> tuple[Floats, int]:
    """(subgroups (m, size), how many values were left over)."""
    data = np.asarray(values, np.float64)
    if data.ndim == 2:
        _checked(data.ravel())
        return data, 0
    data = _checked(data)
    if size < 2:
        raise ValueError(f"a subgroup has at least 2 values, not {size}")
    count = len(data) // size
    if count == 0:
        raise ValueError(f"{len(data)} values fill no subgroup of {size}")
    return data[: count * size].reshape(count, size), len(data) - count * size


def _baseline(baseline: int | ArrayLike | None, points: int) -> slice | NDArray[np.bool_]:
    if baseline is None:
        return slice(None)
    if isinstance(baseline, (int, np.integer)):
        if not 1 <= baseline <= points:
            raise ValueError(f"a baseline of {baseline} of {points} points")
        return slice(0, int(baseline))
    mask = np.asarray(baseline, bool)
    if mask.shape != (points,) or not mask.any():
        raise ValueError(f"a baseline mask has one place for each of {points} points, and takes some")
    return mask


def _mean(values: Floats) -> float:
    """The mean; of equal values exactly that value, so that none of them lies beside its own centre by a rounding."""
    return float(values.flat[0]) if np.ptp(values) == 0.0 else float(values.mean())
