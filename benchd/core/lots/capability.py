"""Capability Cp, Cpk, Cpm and performance Pp, Ppk of a characteristic against its limits, with confidence intervals.

Cp-type figures use the standard deviation within subgroups (from the chart), Pp-type ones that of all values (ISO 22514-2; AIAG).

Intervals where values are normal:
- Cp, Pp: chi-square, Cp sqrt(chi2/nu) (Kotz & Johnson; Montgomery, section 8.3). Cpm: the same with Boyles's (1991) degrees of freedom.
- Cpk, Cpl, Cpu, Ppk: Bissell (1990), C +/- z sqrt(1/(9n) + C^2/(2 nu)); against the exact noncentral t for one side in
  tests/outside/test_capability.py. nu is n - 1 for all values, and the effective number of the chart's estimate within subgroups
  (factors.dof_...): ranges know less than all values do, so these intervals are wider than those of programs that take n - 1.

Where values are not normal (normality.py) it switches to percentiles, and says so: Pp = (U - L)/(P99.865 - P0.135), Ppk = the lesser of
(U - P50)/(P99.865 - P50) and (P50 - L)/(P50 - P0.135) (ISO 22514-2, ISO 22514-4). Cp and Cpk are then None: within subgroups there is
no percentile to read.
- From READABLE values on, percentiles are order statistics, no distribution assumed; the interval comes from the joint (Dirichlet)
  distribution of their ranks, drawn with a fixed seed: for one percentile it is the exact order-statistic interval.
- Below, 0.135 % of the values is less than one of the outermost few, and no two-sided interval exists without an assumption. The
  tails beyond 10 % are taken as exponential (mean excess; Breiman, Stone & Kooperberg 1990). That overstates the spread of lighter
  tails, a normal's by a tenth, so the index is on the safe side; of heavier ones it is too favourable. The lower end of the interval
  is a bootstrap's with a fixed seed, the upper end at least what order statistics allow without any assumption. How often they hold
  the truth is counted in tests/outside/test_capability.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from benchd.core.lots.charts import Chart, charts_of
from benchd.core.lots.normality import ALPHA, Normality, normality

Floats = NDArray[np.float64]

#: Fewer values give no index: with 25 the interval of Cp still reaches 28 % to either side.
LEAST = 25
#: The least for percentiles: ten values in each tail.
LEAST_PERCENTILES = 100
LOW, MIDDLE, HIGH = 0.00135, 0.5, 0.99865
#: From so many values on the outermost one lies beyond the 0.135 % point in 97.5 of 100 samples: ln 0.025/ln(1 - 0.00135).
READABLE = 2731
_TAIL = 0.1
_DRAWS, _RESAMPLES = 4000, 400
_SEED = 22514


@dataclass(frozen=True, slots=True)
class Index:
    """An index and its two-sided confidence interval."""

    value: float
    low: float
    high: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Capability:
    """`method` 'normal', 'percentiles', or 'none' where there is too little to say. `low`, `high`: the limits. `percentiles`: 0.135, 50
    and 99.865 % of the values by the method used. Every index None where it cannot be known; `says` tells why, in sentences."""

    method: str
    n: int
    low: float | None
    high: float | None
    mean: float | None
    within_sd: float | None
    within_dof: float | None
    overall_sd: float | None
    cp: Index | None
    cpl: Index | None
    cpu: Index | None
    cpk: Index | None
    cpm: Index | None
    pp: Index | None
    ppl: Index | None
    ppu: Index | None
    ppk: Index | None
    percentiles: tuple[float, float, float] | None
    normality: Normality
    says: str


def capability(
    values: ArrayLike,
    low: float | None,
    high: float | None,
    *,
    chart: Chart | None = None,
    target: float | None = None,
    in_control: bool | None = None,
    confidence: float = 0.95,
    alpha: float = ALPHA,
) -> Capability:
    """Of values (n,), finite, in order of time, against limits in their unit (None: open). `chart`: the one whose `process_sd` is within
    subgroups (None: charts_of(values)). `target` of Cpm: None = the middle. `in_control`: whether the charts show no signal, if known.
    ValueError where a value is no number or
    the limits are the wrong way round."""
    data = np.asarray(values, np.float64)
    if not np.isfinite(data).all():
        raise ValueError(
            f"{int((~np.isfinite(data)).sum())} of {len(data)} values are no numbers: leave them out first"
        )
    if low is not None and high is not None and low >= high:
        raise ValueError(f"the low limit {low:g} is not below the high limit {high:g}")
    ordered = np.sort(data)
    tested = normality(ordered, alpha=alpha, sorted_already=True)
    why = _nothing(ordered, low, high)
    if why:
        return _none(data, low, high, tested, why)
    if chart is None:
        chart = charts_of(data)[0]
    if tested.normal is not False:
        return _normal(data, low, high, chart, target, in_control, confidence, tested)
    if len(data) < LEAST_PERCENTILES:
        why = (
            f"{tested.says}; capability by percentiles needs at least {LEAST_PERCENTILES} units, and there are {len(data)}: "
            "no index is given"
        )
        return _none(data, low, high, tested, why)
    return _by_percentiles(ordered, low, high, chart, confidence, tested)


def _nothing(ordered: Floats, low: float | None, high: float | None) -> str:
    """Why there is no index at all; '' where there is one."""
    if low is None and high is None:
        return "it has no limits, so there is no capability"
    if len(ordered) < LEAST:
        return f"{len(ordered)} units: capability needs at least {LEAST}"
    if ordered[-1] - ordered[0] <= 1e-9 * abs(float(ordered[-1])):
        return "all values are alike: the spread is below what the display shows, and no index can be given"
    return ""


def _none(data: Floats, low: float | None, high: float | None, tested: Normality, why: str) -> Capability:
    mean = float(data.mean()) if len(data) else None
    sd = float(data.std(ddof=1)) if len(data) > 1 else None
    empty = (None,) * 9
    return Capability("none", len(data), low, high, mean, None, None, sd, *empty, None, tested, why)


def chi_square_interval(index: float, dof: float, confidence: float = 0.95) -> Index:
    """Of Cp or Pp, whose standard deviation has `dof` degrees of freedom."""
    rest = (1.0 - confidence) / 2.0
    lower, upper = (
        2.0 * float(special.gammaincinv(dof / 2.0, part)) for part in (rest, 1.0 - rest)
    )  # chi-square quantiles
    return Index(index, index * math.sqrt(lower / dof), index * math.sqrt(upper / dof), confidence)


def bissell_interval(index: float, n: int, dof: float, confidence: float = 0.95) -> Index:
    """Of Cpk, Cpl, Cpu or Ppk of n values, whose standard deviation has `dof` degrees of freedom (Bissell 1990)."""
    reach = float(special.ndtri(0.5 + confidence / 2.0)) * math.sqrt(1.0 / (9.0 * n) + index * index / (2.0 * dof))
    return Index(index, index - reach, index + reach, confidence)


def cpm_interval(index: float, n: int, dof: float, off: float, confidence: float = 0.95) -> Index:
    """Of Cpm; `off`: (mean - target)/standard deviation (Boyles 1991: dof (1 + off^2)^2/(1 + 2 off^2), with `dof` for n)."""
    square = off * off
    return chi_square_interval(index, min(dof, float(n)) * (1.0 + square) ** 2 / (1.0 + 2.0 * square), confidence)


def _normal(
    data: Floats, low: float | None, high: float | None, chart: Chart, target: float | None, in_control: bool | None,
    confidence: float, tested: Normality,
) -> Capability:  # fmt: skip
    n, mean, overall = len(data), float(data.mean()), float(data.std(ddof=1))
    says = [f"capability by the normal distribution: {tested.says}"]
    if in_control is False:
        says.append(
            "the charts show signals: the process is not stable, Cp and Cpk foretell nothing, and Pp and Ppk describe this lot alone"
        )
    if low is None or high is None:
        says.append(f"Cp and Pp need two limits, and there is only {'an upper' if low is None else 'a lower'} one")
    within = chart.process_sd
    if within > 0.0:
        cp, cpl, cpu, cpk = _indices(low, high, mean, within, n, chart.dof, confidence)
    else:
        cp = cpl = cpu = cpk = None
        says.append("within subgroups all values are alike: no Cp and Cpk")
    pp, ppl, ppu, ppk = _indices(low, high, mean, overall, n, n - 1.0, confidence)
    cpm = None
    if low is not None and high is not None and within > 0.0:
        off = (mean - ((low + high) / 2.0 if target is None else target)) / within
        value = (high - low) / (6.0 * within * math.sqrt(1.0 + off * off))
        cpm = cpm_interval(value, n, chart.dof, off, confidence)
    return Capability(
        "normal", n, low, high, mean, within, chart.dof, overall, cp, cpl, cpu, cpk, cpm, pp, ppl, ppu, ppk,
        None, tested, "; ".join(says),
    )  # fmt: skip


def _indices(
    low: float | None, high: float | None, mean: float, sd: float, n: int, dof: float, confidence: float
) -> tuple[Index | None, Index | None, Index | None, Index | None]:
    """(two-sided, lower, upper, the lesser of the two)."""
    both = None if low is None or high is None else chi_square_interval((high - low) / (6.0 * sd), dof, confidence)
    lower = None if low is None else bissell_interval((mean - low) / (3.0 * sd), n, dof, confidence)
    upper = None if high is None else bissell_interval((high - mean) / (3.0 * sd), n, dof, confidence)
    return both, lower, upper, min((one for one in (lower, upper) if one is not None), key=lambda one: one.value)


def _by_percentiles(
    ordered: Floats, low: float | None, high: float | None, chart: Chart, confidence: float, tested: Normality
) -> Capability:
    n = len(ordered)
    readable = n >= READABLE
    at = (
        _order_percentiles(ordered, np.array([[LOW, MIDDLE, HIGH]]))
        if readable
        else _tail_percentiles(ordered[None, :])
    )
    drawn = _order_percentiles(ordered, _drawn_ranks(n)) if readable else _tail_percentiles(_resampled(ordered))
    least = None if readable else _ratios(_within(ordered, at, confidence), low, high)
    pp, ppl, ppu, ppk = _intervals(_ratios(at, low, high), _ratios(drawn, low, high), least, confidence)
    says = [
        f"{tested.says}: so Pp and Ppk come from the percentiles 0.135, 50 and 99.865 % (ISO 22514-2), and Cp and Cpk are not given",
        "read off the values, no distribution assumed"
        if readable
        else f"{n} units are fewer than the {READABLE} from which these percentiles can be read off: the tails beyond 10 % are taken as "
        "exponential, and the lower ends of the intervals hold unless the tails are heavier than that",
    ]
    if low is None or high is None:
        says.append(f"Pp needs two limits, and there is only {'an upper' if low is None else 'a lower'} one")
    if ppk is None:
        says.append("too many values are alike on the side of a limit: no Ppk")
    three = (float(at[0, 0]), float(at[0, 1]), float(at[0, 2]))
    return Capability(
        "percentiles", n, low, high, float(ordered.mean()), chart.process_sd, chart.dof, float(ordered.std(ddof=1)),
        None, None, None, None, None, pp, ppl, ppu, ppk, three, tested, "; ".join(says),
    )  # fmt: skip


def _intervals(
    values: tuple[Floats | None, ...],
    samples: tuple[Floats | None, ...],
    most: tuple[Floats | None, ...] | None,
    confidence: float,
) -> list[Index | None]:
    """One for each index, None where it has no bounds; `most`: what the upper ends must at least be."""
    rest = 50.0 * (1.0 - confidence)
    found: list[Index | None] = []
    for place, (value, sample) in enumerate(zip(values, samples, strict=True)):
        if value is None or sample is None or not np.isfinite(value[0]):
            found.append(None)
            continue
        bottom, top = np.percentile(sample, (rest, 100.0 - rest))
        bound = None if most is None else most[place]
        top = top if bound is None else max(top, bound[0])
        if not np.isfinite((bottom, top)).all():
            found.append(None)
            continue
        found.append(Index(float(value[0]), float(bottom), float(top), confidence))
    return found


def _within(ordered: Floats, at: Floats, confidence: float) -> Floats:
    """(1, 3) as `at`, but with the outer percentiles moved in to where they lie at least, by order statistics, both together with this
    one-sided confidence."""
    n, rest = len(ordered), (1.0 - confidence) / 4.0
    beyond = 0  # so many values at least may lie beyond the 0.135 % point
    while special.bdtrc(beyond, n, LOW) > rest:
        beyond += 1
    return np.array([[ordered[beyond], at[0, 1], ordered[n - 1 - beyond]]])


def _ratios(at: Floats, low: float | None, high: float | None) -> tuple[Floats | None, ...]:
    """(Pp, lower, upper, Ppk), each (m,), from percentiles (m, 3); infinite where there is no spread."""
    bottom, middle, top = at.T
    with np.errstate(divide="ignore", invalid="ignore"):
        both = None if low is None or high is None else (high - low) / (top - bottom)
        lower = None if low is None else (middle - low) / (middle - bottom)
        upper = None if high is None else (high - middle) / (top - middle)
    if lower is not None and upper is not None:
        return both, lower, upper, np.fmin(lower, upper)
    return both, lower, upper, lower if upper is None else upper


def _order_percentiles(ordered: Floats, part: Floats) -> Floats:
    """Values at cumulative probabilities (m, 3): order statistics at rank (n + 1) p, interpolated, kept within the values."""
    n = len(ordered)
    place = np.clip((n + 1) * part - 1.0, 0.0, n - 1.0)
    below = np.minimum(place.astype(np.int64), n - 2)
    found: Floats = ordered[below] + (place - below) * (ordered[below + 1] - ordered[below])
    return found


def _drawn_ranks(n: int) -> Floats:
    """(_DRAWS, 3) joint draws of the true cumulative probabilities at the three ranks: uniform order statistics by their spacings."""
    shares = (n + 1) * np.diff(np.array([0.0, LOW, MIDDLE, HIGH, 1.0]))
    spacings = np.random.default_rng(_SEED).standard_gamma(shares, (_DRAWS, 4))
    parts: Floats = np.cumsum(spacings, axis=1)
    return parts[:, :3] / parts[:, 3:]


def _resampled(ordered: Floats) -> Floats:
    n = len(ordered)
    return ordered[np.random.default_rng(_SEED).integers(0, n, (_RESAMPLES, n))]


def _tail_percentiles(rows: Floats) -> Floats:
    """(m, 3) of rows (m, n): the median, and the 0.135 % points of exponential tails beyond the outermost tenth."""
    n = rows.shape[1]
    tail = max(5, int(_TAIL * n))
    middle = (n - 1) // 2
    parted = np.partition(rows, (tail, middle, n // 2, n - tail - 1), axis=1)
    deep = math.log(tail / n / LOW)
    lower, upper = parted[:, tail], parted[:, n - tail - 1]
    bottom = lower - deep * (lower - parted[:, :tail].mean(axis=1))
    top = upper + deep * (parted[:, n - tail :].mean(axis=1) - upper)
    return np.column_stack([bottom, (parted[:, middle] + parted[:, n // 2]) / 2.0, top])
