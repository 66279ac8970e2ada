"""Is a check standard in control on one bench? One characteristic, its measurements in order of time.

The first `baseline` measurements set the limits (individuals and mean moving range), the run rules judge those after them. A baseline
measurement beyond the limits that it helped to set is left out, and a later one takes its place; if more than a fifth of a baseline would
go, the baseline itself is out of control.

How a bench comes back: the newest measurement decides. After a signal only a further measurement that completes no pattern counts as in
control. A point beyond a limit is answered by a good one; but a run on one side (we4) stays broken until a measurement lies on the other
side, and 'two of three', 'four of five' until the newest lies within the zone. So a shift that lasts cannot be measured away: its
cause must be found and put right. Once that is on record, `cleared` says from which measurement on runs are counted afresh. Where a meter
was adjusted or changed the level itself is another: give only the measurements since, which make a baseline of their own.

False alarms, of 100 good measurements of one characteristic, all four rules (simulated, tests/core/test_lot_standing.py): 7 with limits
from 10 measurements, 4 from 20, 1.6 if the limits were known; rule 1 alone: 2.5 from 10. They add up over the characteristics that are
charted together: chart those that show the bench, not all.

En number (ISO/IEC 17043, ISO 13528): (x - X)/sqrt(U_x^2 + U_ref^2), expanded uncertainties with k = 2; |En| <= 1 is satisfactory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchd.core.lots import run_rules
from benchd.core.lots.charts import Chart, individuals

Floats = NDArray[np.float64]

BASELINE = 10
LEAST_BASELINE = 5
MAKING, IN_CONTROL, OUT_OF_CONTROL = "making the baseline", "in control", "out of control"


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """`state` of the chart alone; `fit` weighs the En number too. `missing`: measurements that a baseline still wants. `chart`: all
    measurements against the limits of the baseline, `moving` their moving ranges; None until there is one. `left_out`: places of
    baseline measurements that were left out. `now`: rules broken at the newest measurement; `broken`: every signal since the baseline.
    `en` None where there is no reference, no uncertainty of it, or none of the measurement. `says`: sentences, the worst first;
    `do`: what to check, most likely first."""

    state: str
    fit: bool
    n: int
    missing: int
    newest: float | None
    chart: Chart | None
    moving: Chart | None
    left_out: tuple[int, ...]
    now: tuple[run_rules.Signal, ...]
    broken: tuple[run_rules.Signal, ...]
    en: float | None
    en_satisfactory: bool | None
    en_says: str
    says: tuple[str, ...]
    do: tuple[str, ...]


def standing(
    values: Sequence[float] | ArrayLike,
    *,
    baseline: int = BASELINE,
    reference: tuple[float, float | None] | None = None,
    expanded: Sequence[float | None] | ArrayLike | None = None,
    unit: str = "",
    name: str = "",
    rules: Sequence[str] = run_rules.WESTERN_ELECTRIC,
    cleared: int = 0,
    least_sigma: float = 0.0,
) -> Standing:
    """Of measurements (n,) in `unit`, oldest first. `reference`: value and expanded uncertainty (k = 2) of the standard; `expanded` (n,):
    expanded uncertainty (k = 2) of each measurement, NaN or None = not known. `name` of the characteristic, for the sentences.
    `cleared`: place of the first measurement after a cause was found and put right. `least_sigma`: no limits narrower than 3 of these
    (of a coarse display: its step/sqrt 12). ValueError for values that are no numbers or a baseline below LEAST_BASELINE."""
    data = np.asarray(values, np.float64)
    if data.ndim != 1 or not np.isfinite(data).all():
        raise ValueError(
            "a check standard's measurements are one row of numbers: leave out those that were not measured"
        )
    if baseline < LEAST_BASELINE:
        raise ValueError(
            f"a baseline of {baseline} measurements sets no limits; at least {LEAST_BASELINE}, better {BASELINE}"
        )
    en, en_says = _en(data, reference, expanded, unit, name)
    satisfactory = None if en is None else abs(en) <= 1.0
    what = name or "the check standard"
    chosen, left_out, bad = _baseline_of(data, baseline, least_sigma)
    missing = max(0, baseline - len(chosen))
    says: list[str] = []
    do: list[str] = []
    if satisfactory is False:
        says.append(en_says)
        do += _DO_EN
    chart = moving = None
    now: tuple[run_rules.Signal, ...] = ()
    broken: tuple[run_rules.Signal, ...] = ()
    state = MAKING
    if bad:
        state = OUT_OF_CONTROL
        says.append(
            f"{what}: more than a fifth of the measurements of the baseline lie beyond the limits that they set: it is no baseline; "
            "find the cause, close this standard's series and make a new one"
        )
        do += _DO_BEYOND
    elif missing:
        says.append(f"{what}: {missing} more measurement{'s' * (missing > 1)} until the baseline of {baseline} is made")
    else:
        chart, moving = _charts(data, chosen, least_sigma)
        first = max(chosen) + 1
        broken, now = _signals(data, chart, rules, max(first, cleared), cleared, left_out, unit)
        state = OUT_OF_CONTROL if now else IN_CONTROL
        says += [f"{what}: {one.says}" for one in now]
        do += _steps(now)
        if not now:
            says.append(_in_control_says(what, chart, broken, unit))
    if left_out:
        places = ", ".join(str(place + 1) for place in left_out)
        says.append(
            f"{what}: measurement{'s' * (len(left_out) > 1)} {places} left out of the baseline, beyond its limits"
        )
    fit = state != OUT_OF_CONTROL and satisfactory is not False and (state == IN_CONTROL or satisfactory is True)
    return Standing(
        state, fit, len(data), missing, float(data[-1]) if len(data) else None, chart, moving, left_out, now, broken, en, satisfactory,
        en_says, tuple(says), tuple(dict.fromkeys(do)),
    )  # fmt: skip


def en_number(value: float, expanded: float, reference: float, reference_expanded: float) -> float:
    """ISO/IEC 17043: both expanded uncertainties with the same coverage factor (2); ValueError if both are 0 or one is below."""
    both = math.hypot(expanded, reference_expanded)
    if expanded < 0.0 or reference_expanded < 0.0 or both == 0.0:
        raise ValueError(
            f"an En number needs expanded uncertainties above 0, not {expanded:g} and {reference_expanded:g}"
        )
    return (value - reference) / both


def _en(
    data: Floats,
    reference: tuple[float, float | None] | None,
    expanded: Sequence[float | None] | ArrayLike | None,
    unit: str,
    name: str,
) -> tuple[float | None, str]:
    what = name or "the check standard"
    if reference is None:
        return None, f"{what}: no reference value, so no En number"
    if not len(data):
        return None, f"{what}: not measured yet"
    of_all = np.full(len(data), np.nan) if expanded is None else np.asarray(expanded, np.float64)  # None becomes NaN
    if of_all.shape != data.shape:
        raise ValueError(f"{len(data)} measurements, but {of_all.size} uncertainties")
    own, known = float(of_all[-1]), reference[1]
    if known is None or not math.isfinite(own):
        whose = "the reference value" if known is None else "the newest measurement"
        return None, f"{what}: the uncertainty of {whose} is not known, so no En number"
    if math.hypot(own, known) == 0.0:
        return None, f"{what}: both uncertainties are given as 0, so no En number"
    en = en_number(float(data[-1]), own, reference[0], known)
    shown = f"{what}: {data[-1]:.6g} {unit}".rstrip() + f" against the reference {reference[0]:.6g}, En = {en:.2f}"
    return en, shown + (": satisfactory" if abs(en) <= 1.0 else ": beyond what both uncertainties explain (|En| > 1)")


def _baseline_of(data: Floats, baseline: int, least_sigma: float) -> tuple[list[int], tuple[int, ...], bool]:
    """(places that make the baseline, places left out, whether it is no baseline at all)."""
    left_out: list[int] = []
    while True:
        chosen = [place for place in range(len(data)) if place not in left_out][:baseline]
        if len(chosen) < baseline:
            return chosen, tuple(sorted(left_out)), False
        chart, _ = _charts(data, chosen, least_sigma)
        distance = np.abs(data[chosen] - chart.centre)
        if distance.max() <= 3.0 * chart.sigma:
            return chosen, tuple(sorted(left_out)), False
        if len(left_out) >= max(1, baseline // 5):
            return chosen, tuple(sorted(left_out)), True
        left_out.append(chosen[int(distance.argmax())])


def _charts(data: Floats, chosen: Sequence[int], least_sigma: float) -> tuple[Chart, Chart]:
    mask = np.zeros(len(data), bool)
    mask[list(chosen)] = True
    single, moving = individuals(data, mask)
    sigma = max(single.sigma, least_sigma)
    if sigma == single.sigma:
        return single, moving
    wide = Chart(
        single.kind, 1, single.centre, single.centre - 3.0 * sigma, single.centre + 3.0 * sigma, sigma, data, single.baseline, sigma,
        single.dof, 0, f"{single.says}; limits no narrower than three times {least_sigma:.3g}, what the display's steps allow",
    )  # fmt: skip
    return wide, moving


def _signals(
    data: Floats,
    chart: Chart,
    rules: Sequence[str],
    first: int,
    cleared: int,
    left_out: Sequence[int],
    unit: str,
) -> tuple[tuple[run_rules.Signal, ...], tuple[run_rules.Signal, ...]]:
    """(every signal from place `first` on, those of the newest measurement). Runs reach back into the baseline, but not before `cleared`,
    and not over measurements that were left out of it."""
    if first >= len(data):
        return (), ()
    kept = np.array([place for place in range(cleared, len(data)) if place not in left_out])
    found = run_rules.signals(data[kept], chart.centre, chart.sigma, rules)
    moved = [_moved(one, kept, unit) for one in found]
    broken = tuple(one for one in moved if one.until >= first)
    return broken, tuple(one for one in broken if one.until == len(data) - 1)


def _moved(one: run_rules.Signal, kept: NDArray[np.int64], unit: str) -> run_rules.Signal:
    index, start, until = int(kept[one.index]), int(kept[one.from_index]), int(kept[one.until])
    where = f"measurement {index + 1}" if start == until else f"measurements {start + 1} to {until + 1}"
    says = f"{where}: {one.title} ({one.value:.6g} {unit}".rstrip() + f" at measurement {index + 1})"
    return run_rules.Signal(one.rule, one.title, index, start, until, one.value, says)


def _in_control_says(what: str, chart: Chart, broken: Sequence[run_rules.Signal], unit: str) -> str:
    says = f"{what}: in control, limits {chart.low:.6g} to {chart.high:.6g} {unit}".rstrip()
    if broken:
        last = max(broken, key=lambda one: one.until)
        says += f"; back in control after measurement {last.until + 1} ({last.title})"
    return says


_DO_BEYOND = (
    "reseat the leads and clamps, and look for a loose or dirty contact",
    "check that it is the right standard, warmed up, at the load and speed its procedure names",
    "check the meter: its range, its battery, its zero with the leads shorted",
    "check the room's temperature and draughts on the standard",
    "then measure the standard again: one good measurement shows whether it was a slip",
)
_DO_RUN = (
    "something has moved and stayed: measure the standard on another bench too; if it is off there as well, the standard has changed",
    "compare this bench's meter with another one or with a source: its calibration may have moved",
    "measure the drop over leads, clamps and shunt: resistance creeps up with heat and dirt",
    "compare the room's temperature, and the standard's, with those of the baseline",
    "find the cause and put it right before lots are judged: measuring again does not undo a lasting shift",
)
_DO_EN = (
    "compare this bench's meter with a calibrated one: its error and the standard's do not agree with what both claim",
    "check the standard's own calibration: its date, and whether it was dropped, overheated or repaired",
    "check leads, clamps and the point where the volts are taken",
)


def _steps(now: Sequence[run_rules.Signal]) -> list[str]:
    steps: list[str] = []
    for one in now:
        steps += _DO_BEYOND if run_rules.WINDOWS[one.rule] == 1 else _DO_RUN
    return steps
