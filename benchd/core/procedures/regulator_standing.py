"""How a regulator run stands right now: what the gauge shows between the first sample and the verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchd.core import lead_acid
from benchd.core.budget import probability_within
from benchd.core.events import Phase, Standing
from benchd.core.procedures.charging import AMPS, VOLTS
from benchd.core.procedures.picture import FALLEN

if TYPE_CHECKING:
    from benchd.core.procedures.regulator import RegulatorRun

KNEE_MARGIN = 0.35  # of capacity: a healthy battery starts to taper about so much before it is full, at 0.5 C
EXPECTED_SPREAD = 0.12  # of capacity, around the charge that the resting volts tell


def standing(run: RegulatorRun, t_ns: int) -> Standing:
    """The standing at this instant; changes nothing in the run."""
    if run.picture.throttle.full_since_s is None:
        return _before(run, t_ns)
    leaning, sure, why = _leaning(run)
    return Standing(
        t_ns,
        Phase.MEASURING,
        leaning,
        round(sure, 3),
        why,
        left_s=_left_s(run),
        limit_s=max(run.max_run_s - run.picture.seen.measuring_s, 0.0),
        estimates=_estimates(run),
        expected=_expected(run),
        ampere_hours=round(run.picture.seen.ampere_hours, 4),
    )


def _before(run: RegulatorRun, t_ns: int) -> Standing:
    low, high = run.picture.spec.full_throttle_rpm
    if run.picture.throttle.engine_stands:
        rest = run.picture.seen.rest_volts
        why = "Checking meters." if rest is None else f"Battery at rest: {rest:.2f} V. Start the engine when ready."
        return Standing(t_ns, Phase.CHECKING, "undecided", 0.0, why)
    return Standing(t_ns, Phase.WAITING, "undecided", 0.0, f"Open the throttle fully: {low:.0f} to {high:.0f} rpm.")


def _leaning(run: RegulatorRun) -> tuple[str, float, str]:
    low, high = run.picture.limits.settled_volts
    shown = run.picture.output_shown()
    if run.picture.regulating():
        end = run.picture.end_volts()
        assert end is not None
        inside = probability_within(end[0], end[1], low, high)
        told = f"amps fall, volts will end at {end[0]:.2f} +/- {2 * end[1]:.2f} V"
        if inside < 0.5:
            return "fail", 1 - inside, f"Outside the window: {told}."
        if shown != "shown":
            return "void", inside, f"Rated output was never seen; {told}."
        return "pass", inside, f"Regulating: {told}."
    volts, amps = run.picture.seen.level(VOLTS, 10.0), run.picture.seen.level(AMPS, 10.0)
    if volts is None or amps is None:
        return "undecided", 0.0, "Full throttle: the first readings come in."
    if amps.value < 0.05 * run.picture.limits.rated_amps and volts.value < low:
        return "fail", 0.6, f"No output: {amps.value:.1f} A."
    if shown == "not" and volts.value < low:
        return (
            "fail",
            0.55,
            f"Output so far {run.picture.seen.peak_amps:.1f} A, below {run.picture.limits.min_amps:.1f} A.",
        )
    if volts.value < low:
        return "undecided", 0.0, f"{amps.value:.1f} A go in, volts rise toward the window: not settled yet."
    if volts.value > run.picture.limits.settled_volts[1]:
        return "fail", 0.7, f"Volts ABOVE the window ({volts.value:.2f} V): be ready to close the throttle."
    return "undecided", 0.0, "Volts in the window; the regulator is not surely seen at work yet."


def _left_s(run: RegulatorRun) -> float | None:
    """Seconds until the answer, from how fast amps fall or volts rise now; None when neither says."""
    seen, line = run.picture.seen, run.picture.line
    found = run.picture.trends(60.0)
    if found is None or found[2] < 10.0:
        return None
    volts, amps, span = found
    rated = run.picture.limits.rated_amps
    if amps.falls(0.004 * rated):
        level = seen.level(AMPS, 10.0)
        now = level.value if level is not None else seen.peak_amps
        wanted = max(run_fall(run, now), 0.0)
        uncertain = 0.0 if line is None else max(line.u_end_volts / 0.05 - 1.0, 0.0) * 30.0
        return min(wanted / (-amps.change / span) + uncertain, run.max_run_s - seen.measuring_s)
    if volts.rises(0.01):
        level_v = seen.level(VOLTS, 10.0)
        gap = run.picture.limits.settled_volts[0] + 0.5 - (level_v.value if level_v is not None else 0.0)
        guess = gap / (volts.change / span)
        return guess if 0 < guess < run.max_run_s - seen.measuring_s else None
    return None


def run_fall(run: RegulatorRun, amps_now: float) -> float:
    """Amps that still have to fall before the regulator counts as seen at work."""
    return FALLEN * run.picture.limits.rated_amps - (run.picture.seen.peak_amps - amps_now)


def _estimates(run: RegulatorRun) -> dict[str, dict[str, Any]]:
    low, high = run.picture.limits.settled_volts
    found: dict[str, dict[str, Any]] = {}
    end = run.picture.end_volts() if run.picture.regulating() else None
    if end is not None:
        found["settled_volts"] = {
            "value": round(end[0], 4), "unit": "V", "u": round(end[1], 4), "low": low, "high": high,
        }  # fmt: skip
    found["greatest_amps"] = {
        "value": round(run.picture.seen.peak_amps, 3),
        "unit": "A",
        "u": run.picture.seen.amps.u(run.picture.seen.peak_amps),
        "low": run.picture.limits.min_amps,
        "high": None,
    }
    return found


def _expected(run: RegulatorRun) -> dict[str, tuple[float, float]]:
    """A healthy machine's volts and amps after the charge delivered so far, as bands; wide where the start is unknown.

    Amps: rated until the taper sets in, then straight toward nothing at full charge (amps against ampere-hours are
    close to a straight line in the independent battery traces of tests/outside).
    """
    battery, rated = run.picture.spec.battery, run.picture.limits.rated_amps
    low, high = run.picture.limits.settled_volts
    if battery is None:
        return {}
    start = (0.4, 0.8) if run.picture.seen.rest_volts is None else lead_acid.rest_charge(run.picture.seen.rest_volts)
    bands = []
    middle = (start[0] + start[1]) / 2
    for charge in (middle - EXPECTED_SPREAD, middle + EXPECTED_SPREAD):
        left = 1.0 - charge - run.picture.seen.ampere_hours / battery.amp_hours
        margin = KNEE_MARGIN * min(rated / battery.amp_hours / 0.5, 1.5)
        bands.append(max(min(rated, rated * left / max(margin, 0.05)), 0.0))
    amps = (min(bands), max(max(bands), 0.1 * rated))
    volts_low = min(lead_acid.bulk_floor(rated / battery.amp_hours) + 0.6, low) if amps[1] >= rated else low
    return {
        "battery_volts": (round(volts_low, 2), high),
        "charge_amps": (round(amps[0] * 0.9, 2), round(amps[1] * 1.05, 2)),
    }
