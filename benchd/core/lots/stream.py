"""The report of a lot from blocks of its tests, in one pass, for lots that nobody wants in memory as columns.

    stream = Stream(spec)
    for block in journal.lot_unit_blocks(lot):
        stream.add(block)
    body = stream.report()

The body is that of report.py. The same to the last digits (1e-12): counts, yields, modes, n, mean, sd, kurtosis, least, most, what lies beyond limits, the worst
units, charts with their limits and signals (subgroups go on over the borders of blocks), capability where values are normal, biases of benches. Not
quite the same, and said:
- median, percentiles, histogram, normality: from a fine histogram, bins of about a three thousandth of a standard deviation;
- drift: from means of neighbours, at most 800 of them, in place of medians; the same up to 400 units;
- benches: far outliers are in, and spreads are not compared; risk: by a normal spread;
- "serial" of a signal is None, since names are not kept; "run_no" is there.
More than there: "mean_moving_range" and "limits" {"centre", "low", "high"} of a chart of single values, moving ranges going on over the borders
of blocks; "cp", "cpk", "pp", "ppk" of "capability" stand beside it too.

Memory: about 20 bytes a unit (which serials were met, and where) and 3 a value (means and ranges of subgroups), so that run rules need no
second pass: of 1,000,000 units with 10 characteristics some 50 MB, where columns take 200 MB and more.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.core.lots import factors
from benchd.core.lots.capability import capability
from benchd.core.lots.characteristic import (
    UNSTABLE,
    WORST,
    beyond,
    capability_body,
    charts_part,
    head,
    histogram,
    margins,
    missing,
)
from benchd.core.lots.charts import RANGE, SUBGROUP, SUBGROUPS_FROM, X_BAR, Chart, charts_of
from benchd.core.lots.compare import between, biases
from benchd.core.lots.drift import drift
from benchd.core.lots.findings import sentences
from benchd.core.lots.modes import TITLES
from benchd.core.lots.ranked import counts_of, ranked
from benchd.core.lots.report import PASS, adjust, against, yields
from benchd.core.lots.risk import LotRisk, moments_risk, together
from benchd.core.lots.shares import share
from benchd.core.lots.signals import Charted, Who, charted, rules_of
from benchd.core.lots.stream_parts import FineHistogram, Moments, Seen
from benchd.core.lots.units import VERDICTS, Units
from benchd.core.specs import Characteristic, PartSpec

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

_DRIFT_POINTS = 800
_CHUNK = 4096
HOW = "from a histogram of fine bins"


@dataclass(frozen=True, slots=True)
class Chunk:
    """First judged tests as columns, (n,) and (n, k); `bench` as Stream numbers them; `names` () where there are none."""

    value: Floats
    u: Floats
    run_no: Integers
    bench: NDArray[np.int16]
    names: tuple[str, ...]


class Stream:
    """Takes blocks of a lot's tests in order of time."""

    def __init__(self, spec: PartSpec, *, earlier: Sequence[Mapping[str, Any]] = (), rules: str = "western electric"):
        """`earlier`, `rules` as of report.report. ValueError for rules that are not known."""
        rules_of(rules)
        self.spec, self.rules, self.earlier = spec, rules, earlier
        self._columns = [Column(one) for one in spec.characteristics]
        self._seen = Seen()
        self._verdicts = np.zeros(len(VERDICTS), np.int64)
        self._first_passed = 0
        self._modes: Counter[str] = Counter()
        self._tests: Counter[str] = Counter()  # by bench
        self._units: Counter[str] = Counter()
        self._passed: Counter[str] = Counter()
        self._benches: dict[str, int] = {}
        self._run_no: list[Integers] = []
        self._bench: list[NDArray[np.int16]] = []
        self._at = 0  # first judged tests in the columns
        self.chunk = _CHUNK  # small blocks are put together up to so many tests: each costs as much as a large one
        self._waiting: list[Chunk] = []
        self._newest: int | None = None
        self._back = 0

    def add(self, block: Units) -> None:
        """ValueError where a characteristic of the spec has no column. A block that begins before the last one ended (the clock was set
        back) is taken as it comes, and the report says so."""
        if not len(block):
            return
        if self._newest is not None and block.at_ms[0] < self._newest:
            self._back += 1
        self._newest = int(block.at_ms[-1])
        self._verdicts += np.bincount(block.verdict, minlength=len(VERDICTS))
        _count(self._tests, block.bench, block.benches)
        judged = block.judged()
        first = judged.taken(self._seen.add(judged.serial, judged.verdict))
        passed = first.verdict == PASS
        self._first_passed += int(passed.sum())
        _count(self._units, first.bench, block.benches)
        _count(self._passed, first.bench[passed], block.benches)
        self._modes.update({mode: int(n) for mode, n in zip(first.modes, counts_of(first), strict=True) if n})
        code = np.array([self._benches.setdefault(name, len(self._benches)) for name in block.benches] or [0], np.int16)
        place = [first.ids.index(one.id) for one in self.spec.characteristics]
        self._waiting.append(
            Chunk(first.value[:, place], first.u[:, place], first.run_no, code[first.bench], first.names)
        )
        if sum(len(one.run_no) for one in self._waiting) >= self.chunk:
            self._take()

    def _take(self) -> None:
        waiting = self._waiting
        if not waiting:
            return
        names = tuple(name for one in waiting for name in one.names) if all(one.names for one in waiting) else ()
        value, u, run_no, bench = (
            np.concatenate([getattr(one, what) for one in waiting]) for what in ("value", "u", "run_no", "bench")
        )
        chunk = Chunk(value, u, run_no, bench, names)
        for at, column in enumerate(self._columns):
            column.add(chunk, at, self._at)
        self._run_no.append(run_no)
        self._bench.append(bench)
        self._at += len(run_no)
        self._waiting = []

    def report(self) -> dict[str, Any]:
        """Of all blocks so far; more may follow. "sampling" is None: a sampled lot is small enough for report.report."""
        self._take()
        run_no = np.concatenate([np.empty(0, np.int64), *self._run_no])
        bench = np.concatenate([np.empty(0, np.int16), *self._bench])
        names = list(self._benches)

        def who(place: int) -> dict[str, Any]:
            return {"serial": None, "run_no": int(run_no[place]), "bench": names[int(bench[place])]}

        told = [column.told(self._at, self.rules, names, who) for column in self._columns]
        characteristics = [body for body, _ in told]
        risks = [column.risk(self.spec) for column in self._columns]
        for one, risk in zip(characteristics, risks, strict=True):
            one["risk"] = None if one["low"] is None and one["high"] is None else asdict(risk)
        modes = list(self._modes)
        counts = self._counts()
        body: dict[str, Any] = {
            "part": {"number": self.spec.number, "name": self.spec.name, "rule": str(self.spec.rule), "risk": self.spec.risk},
            "counts": counts, **yields(counts),
            "modes": [asdict(one) for one in ranked([self._modes[mode] for mode in modes], modes, TITLES)],
            "characteristics": characteristics,
            "risk": dict(zip(("consumer", "producer", "says"), together(risks), strict=True)),
            "sampling": None,
            "benches": [
                {
                    "bench": name, "tests": self._tests[name], "units": self._units[name],
                    "first_pass": asdict(share(self._passed[name], self._units[name])),
                }
                for name in sorted(self._tests)
            ],
            "earlier": [against(one, characteristics) for one in self.earlier],
            "rules": self.rules,
        }  # fmt: skip
        adjust(body, [shown.chance for _, shown in told])
        body["says"] = sentences(body)
        if self._back:
            body["says"].append(
                f"The clock went back between {self._back} pairs of blocks of tests: they are told in the order in which they were begun"
            )
        return body

    def _counts(self) -> dict[str, int]:
        passed, failed, undecided, *_ = self._seen.last_verdicts(len(VERDICTS)).tolist()
        *judged, void, under_way = self._verdicts.tolist()
        return {
            "tests": int(self._verdicts.sum()), "units": len(self._seen), "passed": passed, "failed": failed,
            "undecided": undecided, "void": void, "open": under_way, "retested": self._seen.retested(),
            "retests": sum(judged) - len(self._seen), "first_passed": self._first_passed,
        }  # fmt: skip


def streamed(blocks: Iterable[Units], spec: PartSpec, **wanted: Any) -> dict[str, Any]:
    """The report of a stream of blocks; `wanted` as of Stream."""
    made = Stream(spec, **wanted)
    for block in blocks:
        made.add(block)
    return made.report()


def _count(counted: Counter[str], code: Integers, names: Sequence[str]) -> None:
    found = np.bincount(code, minlength=len(names)).tolist()
    counted.update({name: n for name, n in zip(names, found, strict=True) if n})


class Column:
    """One characteristic of the stream."""

    def __init__(self, one: Characteristic) -> None:
        self.one = one
        self.grouped = Moments()  # of what fills subgroups
        self.rest = np.empty(0)  # the newest values, that fill none yet
        self.moving = 0.0  # sum of moving ranges
        self.newest: float | None = None
        self.first = np.empty(0)  # the first few, for a small lot's chart of single values
        self.means: list[Floats] = []
        self.ranges: list[Floats] = []
        self.fine, self.fine_u = FineHistogram(), FineHistogram()
        self.beyond = {"low": 0, "high": 0}
        self.worst: list[dict[str, Any]] = []
        self.missing: list[Integers] = []
        self.benches: dict[int, Moments] = {}
        self.neighbours = Neighbours()

    def add(self, chunk: Chunk, at: int, before: int) -> None:
        """`at`: the column in the chunk; `before`: how many units came before."""
        column, spread = chunk.value[:, at], chunk.u[:, at]
        good = np.isfinite(column)
        self.missing.append(before + np.flatnonzero(~good))
        place, values, u = np.flatnonzero(good), column[good], spread[good]
        self.fine.add(values)
        self.fine_u.add(u[np.isfinite(u)])
        for side, count in beyond(self.one, values).items():
            self.beyond[side] += count
        self.neighbours.add(values, (before + place).astype(np.float64))
        if len(self.first) < SUBGROUPS_FROM:
            self.first = np.append(self.first, values[: SUBGROUPS_FROM - len(self.first)])
        if len(values):
            before_it = values[:1] if self.newest is None else self.newest
            self.moving += float(np.abs(np.diff(values, prepend=before_it)).sum())
            self.newest = float(values[-1])
        self._group(values)
        self._worst(chunk, values, place, before)
        bench = chunk.bench[place]
        for code in np.unique(bench).tolist():
            self.benches.setdefault(code, Moments()).add(values[bench == code])

    def _group(self, values: Floats) -> None:
        data = np.concatenate([self.rest, values])
        whole = len(data) // SUBGROUP * SUBGROUP
        groups, self.rest = data[:whole].reshape(-1, SUBGROUP), data[whole:].copy()
        self.grouped.add(data[:whole])
        self.means.append(groups.mean(axis=1))
        self.ranges.append(groups.max(axis=1) - groups.min(axis=1) if len(groups) else np.empty(0))

    def _worst(self, chunk: Chunk, values: Floats, place: Integers, before: int) -> None:
        margin = margins(self.one, values)
        if margin is None or not len(values):
            return
        chosen = np.argpartition(margin, min(WORST, len(values)) - 1)[:WORST].tolist()
        self.worst += [
            {
                "at": before + int(place[at]) + 1, "serial": chunk.names[place[at]] if chunk.names else None,
                "run_no": int(chunk.run_no[place[at]]), "bench": int(chunk.bench[place[at]]),
                "value": float(values[at]), "margin": float(margin[at]),
            }
            for at in chosen
        ]  # fmt: skip
        self.worst = sorted(self.worst, key=lambda one: (one["margin"], one["at"]))[:WORST]

    def moments(self) -> Moments:
        found = Moments()
        found.merge(self.grouped)
        found.add(self.rest)
        return found

    def told(self, of: int, rules: str, names: Sequence[str], who: Who) -> tuple[dict[str, Any], Charted]:
        """(the entry in the body, its charts) of a lot of `of` units; `names` of benches."""
        one, moments = self.one, self.moments()
        ordered = _as_exact(self.fine.values(), moments)
        charts = self.charts(moments)
        places = np.delete(np.arange(of), np.concatenate([np.empty(0, np.int64), *self.missing]))
        shown = charted(charts, places, rules, one.unit, who)
        stable = None if shown.chance is None else shown.chance >= UNSTABLE
        found = capability(ordered, one.low, one.high, chart=charts[0] if charts else None, in_control=stable)
        tested = asdict(found.normality)
        capable = capability_body(found)
        if found.method == "percentiles":
            capable["says"] += f"; {HOW}"
        body = {
            **head(one), **moments.body(), "median": float(np.median(ordered)) if len(ordered) else None,
            "u": self.u(), "beyond": dict(self.beyond),
            "normality": {**tested, "says": f"{tested['says']}; {HOW}"}, "capability": capable,
            **charts_part(shown, moments.n),
            "histogram": histogram(ordered), "worst": [{**entry, "bench": names[entry["bench"]]} for entry in self.worst],
            "drift": asdict(drift(*self.neighbours.kept(), unit=one.unit)),
            **self._single(moments), **{name: capable[name] for name in ("cp", "cpk", "pp", "ppk")},
            "risk": None, **self._compared(names), "benches_left_out": 0, "says": missing(moments.n, of),
        }  # fmt: skip
        return body, shown

    def charts(self, moments: Moments) -> tuple[Chart, ...]:
        """As charts.charts_of makes them of all values."""
        if moments.n < SUBGROUPS_FROM:
            return charts_of(self.first)
        one = factors.factors(SUBGROUP)
        means, ranges = np.concatenate(self.means), np.concatenate(self.ranges)
        count, left_out = len(means), len(self.rest)
        centre_range = float(ranges.mean())
        sd, dof = centre_range / one.d2, factors.dof_mean_range(SUBGROUP, count)
        centre = self.grouped.least if self.grouped.alike else self.grouped.mean
        sigma, spread = sd / SUBGROUP**0.5, one.d3 * sd
        says = f"{count} subgroups of {SUBGROUP} in order of testing, limits from {count} of them"
        if left_out:
            says += f"; the last {left_out} value{'s' * (left_out > 1)} filled no subgroup and {'are' if left_out > 1 else 'is'} left out"
        return (
            Chart(
                X_BAR, SUBGROUP, centre, centre - 3.0 * sigma, centre + 3.0 * sigma, sigma, means, count, sd, dof, left_out,
                f"means: {says}",
            ),
            Chart(
                RANGE, SUBGROUP, centre_range, one.D3 * centre_range, one.D4 * centre_range, spread, ranges, count, sd, dof, left_out,
                f"ranges: {says}",
            ),
        )  # fmt: skip

    def _single(self, moments: Moments) -> dict[str, Any]:
        """Of the chart of single values."""
        if moments.n < 2:
            return {"mean_moving_range": None, "limits": None}
        mean_range, centre = self.moving / (moments.n - 1), moments.least if moments.alike else moments.mean
        reach = factors.factors(2).E2 * mean_range
        return {
            "mean_moving_range": mean_range,
            "limits": {"centre": centre, "low": centre - reach, "high": centre + reach},
        }

    def u(self) -> float | None:
        """The median of the standard uncertainties that are known."""
        return self.fine_u.median()

    def risk(self, spec: PartSpec) -> LotRisk:
        one, moments = self.one, self.moments()
        sd = float(np.sqrt(moments.variance))
        return moments_risk(moments.n, moments.mean, sd, self.u(), one.low, one.high, spec.rule, spec.risk, one.unit)

    def _compared(self, all_names: Sequence[str]) -> dict[str, Any]:
        by_name = {all_names[code]: moments for code, moments in self.benches.items()}
        names = sorted(by_name)
        found = [by_name[name] for name in names]
        n = np.array([one.n for one in found], np.int64)
        mean, variance = np.array([one.mean for one in found]), np.array([one.variance for one in found])
        several = len(names) > 1
        return {
            "benches": [asdict(one) for one in biases(names, n, mean, variance)],
            "between_benches": asdict(between(n, mean, variance, None, self.one.unit)) if several else None,
        }


def _as_exact(ordered: Floats, moments: Moments) -> Floats:
    """Moved and stretched, by less than a bin, so that mean and standard deviation are exact: figures of the normal method then are."""
    if moments.alike or moments.n < 3:
        return np.full(moments.n, moments.least) if moments.alike else ordered
    mean, sd = float(ordered.mean()), float(ordered.std(ddof=1))
    return moments.mean + (ordered - mean) * (float(np.sqrt(moments.variance)) / sd)


class Neighbours:
    """Means of so many neighbouring values, in order: at most _DRIFT_POINTS of them, as many as it takes."""

    def __init__(self) -> None:
        self.size = 1
        self.points = np.empty((0, 2))  # means of values and of places
        self.rest = np.empty((0, 2))

    def add(self, values: Floats, places: Floats) -> None:
        data = np.concatenate([self.rest, np.column_stack([values, places])])
        while True:
            whole = min(len(data) // self.size, _DRIFT_POINTS - len(self.points)) * self.size
            made = data[:whole].reshape(-1, self.size, 2).mean(axis=1)
            self.points, data = np.concatenate([self.points, made]), data[whole:]
            if len(self.points) < _DRIFT_POINTS:
                break
            self.points, self.size = self.points.reshape(-1, 2, 2).mean(axis=1), 2 * self.size
        self.rest = data.copy()

    def kept(self) -> tuple[Floats, Floats]:
        """(values, places); neighbours at the end that are less than half of a group are left out."""
        points = self.points
        if 2 * len(self.rest) >= self.size:
            points = np.concatenate([points, self.rest.mean(axis=0)[None, :]])
        return points[:, 0], points[:, 1]
