"""Made-up runs for the gauge's tests: records as the journal keeps them, from an invented machine."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

SPEC = {
    "machine": {"name": "Hollin T18 garden tractor", "manual": "service manual, section 6, page 14"},
    "engine": {"full_throttle_rpm": [3350, 3650]},
    "stator": {"min_volts_ac": 28.0, "at_rpm": 3600, "magnet_poles": 12},
    "regulator": {"rated_amps": 15.0, "at_rpm": 3600, "settled_volts": [13.8, 14.7], "ceiling_volts": 15.0},
    "battery": {"amp_hours": 28.0},
}
GAS = "Charging makes hydrogen, which burns: no flame, spark or cigarette near the battery, and keep the room aired."
EXHAUST = "Run the engine outdoors or with its exhaust led outside: carbon monoxide builds up in minutes."
PARTS = "Clip the leads before starting; keep them, sleeves and hair away from flywheel, belts and the hot muffler."


def ns(t_s: float) -> int:
    return round(t_s * 1e9)


def opened(procedure: str) -> dict[str, Any]:
    return {
        "kind": "run-opened",
        "run": "20270304-101500-ab12",
        "procedure": procedure,
        "bench": "bay 1",
        "spec": SPEC,
        "work_order": "1042",
        "unit": "",
        "started": "2027-03-04T10:15:00Z",
    }


def sample(t_s: float, **values: float | None) -> dict[str, Any]:
    resolution = {"engine_rpm": 1.0, "stator_volts": 0.01, "stator_hertz": 0.1}
    body = {name: [value, resolution.get(name, 0.01), [], 0.1] for name, value in values.items()}
    return {"kind": "sample", "t_ns": ns(t_s), "values": body}


def standing(t_s: float, phase: str, leaning: str, sure: float, why: str, **more: Any) -> dict[str, Any]:
    body = {"left_s": None, "limit_s": 1200 - t_s, "estimates": {}, "expected": {}, "ampere_hours": None}
    told = {"kind": "standing", "t_ns": ns(t_s), "phase": phase, "leaning": leaning, "sure": sure, "why": why}
    return told | body | more


def prompt(t_s: float, ident: str, text: str, choices: list[str] | None, caution: str = "") -> dict[str, Any]:
    return {"kind": "prompt", "t_ns": ns(t_s), "id": ident, "text": text, "choices": choices, "caution": caution}


def caution(t_s: float, text: str) -> dict[str, Any]:
    return {"kind": "caution", "t_ns": ns(t_s), "text": text}


def verdict(t_s: float, outcome: str, suspect: str, reasons: list[str], **more: Any) -> dict[str, Any]:
    body = {
        "kind": "verdict",
        "t_ns": ns(t_s),
        "run": "20270304-101500-ab12",
        "procedure": "regulator",
        "verdict": outcome,
        "suspect": suspect,
        "suspects": [],
        "reasons": reasons,
        "measured": {
            "settled_volts": {
                "value": 14.3127,
                "unit": "V",
                "expanded_uncertainty": 0.0264,
                "coverage_factor": 2.0,
                "probability_of_conformity": 0.9997,
            },
            "rated_amps": {"value": 15.21, "unit": "A", "expanded_uncertainty": None, "coverage_factor": None},
        },
        "limits": {"settled_volts": [13.8, 14.7]},
        "decision_rule": "simple acceptance",
        "ended_because": "settled",
        "duration_s": 161.0,
        "samples": 322,
        "rpm": {"min": 3541.0, "mean": 3580.2, "max": 3612.0},
        "next_step": "Close the work order after a look at the wiring.",
        "cautions": [],
    }
    return body | more


def close(status: str = "judged", reason: str = "") -> dict[str, Any]:
    return {"kind": "run-closed", "status": status, "reason": reason, "counts": {"sample": 322}}


def preparations(procedure: str) -> Iterator[dict[str, Any]]:
    yield opened(procedure)
    yield standing(0.0, "checking", "undecided", 0.0, "The meters answer; the engine is not running yet.")
    for text in (GAS, EXHAUST, PARTS):
        yield caution(0.0, text)
    yield prompt(
        0.0, "hook-up", "Red lead on battery plus, black on minus; clamp round the charge lead.", ["done"], PARTS
    )


def regulator_volts(t_s: float) -> float:
    return 14.31 - 1.6 * math.exp(-t_s / 45) + 0.008 * math.sin(t_s * 3.1)


def regulator_amps(t_s: float) -> float:
    return 15.2 if t_s < 60 else 0.9 + 14.3 * math.exp(-(t_s - 60) / 35)


def regulator_pass(samples: int = 200, step_s: float = 1.0) -> Iterator[dict[str, Any]]:
    """A healthy regulator: volts rise into the band, amps fall from rated to near zero."""
    yield from preparations("regulator")
    yield {"kind": "answer", "t_ns": ns(4), "id": "hook-up", "text": "done"}
    yield prompt(4.0, "start-engine", "Start the engine and open the throttle fully.", [], EXHAUST)
    yield standing(4.0, "waiting for full throttle", "undecided", 0.0, "The engine is not at full throttle yet.")
    amp_hours = 0.0
    for n in range(samples):
        t_s = 5 + n * step_s
        run_s = t_s - 15
        if run_s < 0:
            yield sample(t_s, battery_volts=12.42, charge_amps=-0.02, engine_rpm=300.0 * n)
            continue
        volts, amps = regulator_volts(run_s), regulator_amps(run_s)
        amp_hours += amps * step_s / 3600
        yield sample(t_s, battery_volts=round(volts, 2), charge_amps=round(amps, 2), engine_rpm=3580.0 + 9 * (n % 3))
        low = regulator_volts(run_s) - 0.12
        yield standing(
            t_s,
            "measuring",
            "pass",
            min(0.3 + run_s / 200, 0.999),
            "The volts bend towards 14.3 V, inside the window, and the amps have begun to fall from the rated output.",
            left_s=max(190 - run_s, 0.0),
            estimates={"settled_volts": {"value": 14.31, "unit": "V", "u": 0.02, "low": 13.8, "high": 14.7}},
            expected={"battery_volts": [low, low + 0.24], "charge_amps": [amps - 1.2, amps + 1.2]},
            ampere_hours=amp_hours,
        )
    end_s = 5 + samples * step_s
    yield prompt(end_s, "close-throttle", "Close the throttle and let the engine cool at idle.", [])
    yield verdict(
        end_s,
        "pass",
        "none",
        [
            "The battery settled at 14.31 V, inside the window of 13.8 to 14.7 V.",
            "The amps fell from 15.2 A, at least the rated 15 A, to 1.1 A, which is near zero.",
        ],
    )
    yield close()


def ceiling_crossing() -> Iterator[dict[str, Any]]:
    """A regulator stuck on: 15 V is passed, first by one glitch, then for real."""
    yield from preparations("regulator")
    yield {"kind": "answer", "t_ns": ns(1), "id": "hook-up", "text": "done"}
    volts = [13.6, 13.9, 15.4, 14.2, 14.6, 15.2, 15.5, 15.9]
    for n, one in enumerate(volts):
        yield sample(2.0 + n, battery_volts=one, charge_amps=15.3, engine_rpm=3590.0)
        yield standing(2.0 + n, "measuring", "fail", 0.9, "The volts run away while the amps stay at rated.")
    yield verdict(
        10.0,
        "fail",
        "regulator",
        ["The battery passed the ceiling of 15.0 V and stayed above it: the regulator does not hold."],
        ended_because="above the ceiling",
        cautions=["An overcharged battery gases: let it stand before you take its leads off."],
        next_step="Replace the regulator and run this again as proof.",
    )
    yield close()


def meter_lost() -> Iterator[dict[str, Any]]:
    """The volts meter is unplugged in the middle of the run."""
    last_s = 100.0
    yield from (
        record
        for record in regulator_pass()
        if record.get("t_ns", math.inf) <= ns(last_s) or record["kind"] == "run-opened"
    )
    told = {"kind": "gap", "instrument": "volts", "text": "the port is gone; plug it in again", "state": "lost"}
    yield told | {"t_ns": ns(last_s)}
    for n in range(5):
        yield sample(last_s + n, charge_amps=14.9, engine_rpm=3580.0)


def stator_run(volts: float = 29.4) -> Iterator[dict[str, Any]]:
    yield from preparations("stator")
    yield {"kind": "answer", "t_ns": ns(1), "id": "hook-up", "text": "done"}
    for n in range(60):
        rpm = min(600.0 * n, 3560.0)
        yield sample(2.0 + n / 2, stator_volts=round(volts * rpm / 3600, 2), stator_hertz=rpm / 10, engine_rpm=rpm)
        yield standing(
            2.0 + n / 2,
            "measuring",
            "pass" if volts > 28 else "fail",
            0.94,
            "At 3600 rpm it would be 29.4 V, more than the 28.0 V wanted.",
            left_s=8.0,
            estimates={"volts_at_spec_rpm": {"value": volts, "unit": "V", "u": 0.1, "low": 28.0, "high": None}},
        )


def undecided_at_limit() -> Iterator[dict[str, Any]]:
    yield from regulator_pass(30)
    yield verdict(
        1200.0,
        "undecided",
        "unknown",
        ["The volts still rose by 0.4 mV/s after twenty minutes; the best estimate of their end is 13.79 V."],
        ended_because="the longest allowed time is over",
    )


def void_run() -> Iterator[dict[str, Any]]:
    yield from preparations("regulator")
    yield verdict(
        30.0,
        "void",
        "engine speed",
        ["The engine never reached full throttle: 3120 rpm at most, 3350 wanted."],
        measured={},
        rpm=None,
    )
    yield close()
