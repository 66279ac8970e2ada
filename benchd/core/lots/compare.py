"""Do benches differ, do lots differ, and is it more than chance?

Between benches: Welch's analysis of variance (Biometrika 38, 1951), which lets spreads differ, and Brown & Forsythe's test (JASA 69, 1974) of the
spreads themselves: an analysis of variance of the distances from each bench's median. A bench's bias is its mean less the mean of the
others' means, each of which counts alike, so that a busy bench does not set what is right.

With earlier lots only their figures are at hand: Welch's t of the means; the spreads by the logarithm of their ratio, whose variance takes the
lots' kurtosis (Layard, JASA 68, 1973), since the F test of variances calls every long-tailed lot a different one; without kurtosis that F test.

Many comparisons: `holm` (Scandinavian Journal of Statistics 6, 1979) keeps the chance that anything at all is called different, where nothing is, at
its 5 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from benchd.core.lots.words import p_shown, plain, shown, span

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: Fewer values of a bench say nothing of its mean and spread.
LEAST = 3


@dataclass(frozen=True, slots=True)
class BenchMean:
    """Of one bench's values. `bias` to the mean of the others' means, with its interval, in the values' unit, and the p of a bias as
    large where there is none; None where it, or all others, measured too little."""

    bench: str
    n: int
    mean: float | None
    sd: float | None
    bias: float | None
    low: float | None
    high: float | None
    p: float | None


@dataclass(frozen=True, slots=True)
class Between:
    """`p` of the means (Welch), `p_spread` of the spreads (Brown-Forsythe); `statistic`, `dof` (between, within) of the former."""

    p: float | None
    statistic: float | None
    dof: tuple[float, float] | None
    p_spread: float | None
    says: str


@dataclass(frozen=True, slots=True)
class Lots:
    """This lot's values against an earlier lot's: `difference` of the means (this less earlier) with its 95 % interval."""

    difference: float | None
    low: float | None
    high: float | None
    p_mean: float | None
    p_sd: float | None
    says: str


@dataclass(frozen=True, slots=True)
class Figures:
    """What is known of a lot's characteristic. `kurtosis`: fourth moment over squared variance, 3 for normal values."""

    n: int
    mean: float | None
    sd: float | None
    kurtosis: float | None = None


def holm(p: Sequence[float | None]) -> list[float | None]:
    """Adjusted p of many comparisons, in the same order; None stays None and is no comparison."""
    tested = sorted((one, place) for place, one in enumerate(p) if one is not None)
    found: list[float | None] = [None] * len(p)
    worst = 0.0
    for done, (one, place) in enumerate(tested):
        worst = min(1.0, max(worst, one * (len(tested) - done)))
        found[place] = worst
    return found


def bench_means(
    values: ArrayLike, bench: ArrayLike, benches: Sequence[str], confidence: float = 0.95
) -> list[BenchMean]:
    """Of finite values (n,), `bench` (n,) index into `benches`; every bench that measured any, in order of `benches`."""
    data, code = np.asarray(values, np.float64), np.asarray(bench, np.int64)
    n = np.bincount(code, minlength=len(benches))
    means, variances = _moments(data, code, n)
    return biases(benches, n, means, variances, confidence)


def biases(
    benches: Sequence[str], n: ArrayLike, means: ArrayLike, variances: ArrayLike, confidence: float = 0.95
) -> list[BenchMean]:
    """The same from numbers of values, means and variances, (m,) each."""
    count, mean, variance = np.asarray(n, np.int64), np.asarray(means, np.float64), np.asarray(variances, np.float64)
    enough = count >= LEAST
    square = np.where(enough, variance / np.maximum(count, 1), 0.0)  # of each mean
    found: list[BenchMean] = []
    for place, name in enumerate(benches):
        if not count[place]:
            continue
        own = float(mean[place])
        sd = math.sqrt(float(variance[place])) if count[place] > 1 else None
        others = np.flatnonzero(enough & (np.arange(len(count)) != place))
        if not enough[place] or not len(others):
            found.append(BenchMean(name, int(count[place]), own, sd, None, None, None, None))
            continue
        weight = np.zeros(len(count))
        weight[others], weight[place] = 1.0 / len(others), 1.0
        bias = own - float(mean[others].mean())
        low, high, p = _welch(bias, square * weight * weight, count, confidence)
        found.append(BenchMean(name, int(count[place]), own, sd, bias, low, high, p))
    return found


def between_benches(values: ArrayLike, bench: ArrayLike, benches: Sequence[str], unit: str = "") -> Between | None:
    """None with fewer than two benches. Arguments as `bench_means`."""
    data, code = np.asarray(values, np.float64), np.asarray(bench, np.int64)
    n = np.bincount(code, minlength=len(benches))
    if (n > 0).sum() < 2:
        return None
    means, variances = _moments(data, code, n)
    order = np.argsort(code, kind="stable")
    middles = [float(np.median(one)) if len(one) else 0.0 for one in np.split(data[order], np.cumsum(n)[:-1])]
    distance = np.abs(data - np.array(middles)[code])
    return between(n, means, variances, _moments(distance, code, n), unit)


def between(
    n: Integers, means: Floats, variances: Floats, distances: tuple[Floats, Floats] | None = None, unit: str = ""
) -> Between:
    """The same from numbers of values, means and variances, (m,) each; `distances`: means and variances of the distances from each
    bench's median (None: spreads are not compared)."""
    enough = n >= LEAST
    if enough.sum() < 2:
        return Between(
            None, None, None, None, f"benches cannot be compared: fewer than two of them measured {LEAST} units or more"
        )
    n, means, variances = n[enough], means[enough], variances[enough]
    p_spread = None
    if distances is not None:
        p_spread = _anova(n, distances[0][enough], distances[1][enough])[1]
    if (variances == 0.0).all():
        same = bool((means == means[0]).all())
        says = "every bench measured the same value each time" + (
            "" if same else ", but not the same one as the others"
        )
        return Between(1.0 if same else 0.0, None, None, p_spread, says)
    if (variances == 0.0).any():  # Welch's weights have no bound there
        statistic, p, dof = _anova(n, means, variances)
        how = "pooled spread, since one bench measured the same value each time"
    else:
        statistic, p, dof = _welch_anova(n, means, variances)
        how = "Welch"
    gap = float(np.ptp(means))
    says = (
        f"the benches' means differ by up to {shown(gap, unit)} ({how}, {p_shown(p)})"
        if p < 0.05
        else f"no difference between the benches' means can be seen ({how}, {p_shown(p)})"
    )
    if p_spread is not None and p_spread < 0.05:
        widest = float(np.sqrt(variances.max() / max(variances.min(), 1e-300)))
        times = f"by up to {plain(widest, 2)} times " if widest < 1e6 else ""
        says += f"; their spreads differ {times}(Brown-Forsythe, {p_shown(p_spread)})"
    return Between(p, statistic, dof, p_spread, says)


def lots(this: Figures, earlier: Figures, unit: str = "", confidence: float = 0.95) -> Lots:
    """This lot's characteristic against an earlier lot's."""
    if this.mean is None or earlier.mean is None or not this.sd or not earlier.sd or min(this.n, earlier.n) < LEAST:
        return Lots(None, None, None, None, None, f"too little to compare: {this.n} units here, {earlier.n} there")
    gap = this.mean - earlier.mean
    squares = np.array([this.sd**2 / this.n, earlier.sd**2 / earlier.n])
    low, high, p_mean = _welch(gap, squares, np.array([this.n, earlier.n]), confidence)
    p_sd, how = _spreads(this, earlier)
    says = (
        f"the mean is {shown(abs(gap), unit)} {'higher' if gap > 0 else 'lower'} (95 % interval {span(low, high, unit)}, "
        f"{p_shown(p_mean)})"
        if p_mean < 0.05
        else f"no difference of the means can be seen ({p_shown(p_mean)})"
    )
    ratio = this.sd / earlier.sd
    if p_sd < 0.05:
        wide = f"{plain(max(ratio, 1 / ratio), 3)} times as {'wide' if ratio > 1 else 'narrow'}"
        says += f"; the spread is {wide} ({how}, {p_shown(p_sd)})"
    return Lots(gap, low, high, p_mean, p_sd, says)


def _spreads(this: Figures, earlier: Figures) -> tuple[float, str]:
    ratio = 2.0 * math.log((this.sd or 1.0) / (earlier.sd or 1.0))
    if this.kurtosis is not None and earlier.kurtosis is not None:
        pooled = (this.n * this.kurtosis + earlier.n * earlier.kurtosis) / (this.n + earlier.n)
        variance = sum(2.0 / (n - 1.0) + max(pooled - 3.0, -1.9) / n for n in (this.n, earlier.n))
        return 2.0 * float(special.ndtr(-abs(ratio) / math.sqrt(variance))), "Layard"
    upper = float(special.fdtrc(this.n - 1, earlier.n - 1, math.exp(ratio)))
    return min(1.0, 2.0 * min(upper, 1.0 - upper)), "F"


def _moments(data: Floats, code: Integers, n: Integers) -> tuple[Floats, Floats]:
    """(means, variances) by bench, 0 where there is nothing; about a common middle first, so that no digits are lost."""
    middle = float(data.mean()) if len(data) else 0.0
    count = np.maximum(n, 1)
    means = np.bincount(code, data - middle, len(n)) / count
    left = data - middle - means[code]
    return means + middle, np.bincount(code, left * left, len(n)) / np.maximum(n - 1, 1)


def _welch(gap: float, squares: Floats, n: Integers, confidence: float) -> tuple[float, float, float]:
    """(low, high, p) of a difference whose variance is the sum of `squares`, with Welch and Satterthwaite's degrees of freedom."""
    total = float(squares.sum())
    if total == 0.0:
        return gap, gap, 1.0 if gap == 0.0 else 0.0
    dof = total * total / float((squares * squares / np.maximum(n - 1, 1)).sum())
    reach = float(special.stdtrit(dof, 0.5 + confidence / 2.0)) * math.sqrt(total)
    return gap - reach, gap + reach, 2.0 * float(special.stdtr(dof, -abs(gap) / math.sqrt(total)))


def _welch_anova(n: Integers, means: Floats, variances: Floats) -> tuple[float, float, tuple[float, float]]:
    """(F, p, degrees of freedom)."""
    k, weight = len(n), n / variances
    whole = weight.sum()
    middle = (weight * means).sum() / whole
    loose = float((((1.0 - weight / whole) ** 2) / (n - 1.0)).sum())
    between = float((weight * (means - middle) ** 2).sum()) / (k - 1.0)
    statistic = between / (1.0 + 2.0 * (k - 2.0) / (k * k - 1.0) * loose)
    dof = (k - 1.0, (k * k - 1.0) / (3.0 * loose))
    return statistic, float(special.fdtrc(*dof, statistic)), dof


def _anova(n: Integers, means: Floats, variances: Floats) -> tuple[float, float, tuple[float, float]]:
    """One-way, pooled: (F, p, degrees of freedom)."""
    total = float(n.sum())
    middle = float((n * means).sum()) / total
    dof = (len(n) - 1.0, total - len(n))
    within = float(((n - 1.0) * variances).sum()) / dof[1]
    between = float((n * (means - middle) ** 2).sum()) / dof[0]
    if within == 0.0:
        return (math.inf, 0.0, dof) if between > 0.0 else (0.0, 1.0, dof)
    return between / within, float(special.fdtrc(*dof, between / within)), dof
