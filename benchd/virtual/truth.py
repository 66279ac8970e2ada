"""What the trade says each fault should lead to. For benchmarks and tests; the judge never sees it."""

from __future__ import annotations

#: Fault -> procedure -> the (verdict, suspect) pairs that are right; suspect '*' = any.
EXPECTED: dict[str, dict[str, set[tuple[str, str]]]] = {
    "healthy": {"stator": {("pass", "none")}, "regulator": {("pass", "none")}},
    "weak-magnets": {"stator": {("fail", "stator")}, "regulator": {("fail", "unknown"), ("fail", "stator")}},
    "shorted-turns": {"stator": {("fail", "stator")}, "regulator": {("fail", "unknown"), ("fail", "stator")}},
    "open-phase": {"stator": {("fail", "stator")}, "regulator": {("fail", "unknown"), ("fail", "stator")}},
    "regulator-dead": {"regulator": {("fail", "regulator"), ("fail", "unknown")}},
    "regulator-weak": {"regulator": {("fail", "regulator"), ("fail", "unknown")}},
    "regulator-stuck-on": {"regulator": {("fail", "regulator")}},
    "regulator-set-high": {"regulator": {("fail", "regulator")}},
    "regulator-set-low": {"regulator": {("fail", "regulator")}},
    "scr-open": {"regulator": {("fail", "regulator"), ("fail", "unknown")}},
    "battery-sulphated": {"regulator": {("void", "battery"), ("void", "not discharged"), ("fail", "battery")}},
    "battery-dead-cell": {"regulator": {("fail", "battery")}},
    # A leak shows only where the amps stop falling inside the run; a pass says nothing of how the battery holds.
    "battery-leaking": {"regulator": {("pass", "none"), ("fail", "battery"), ("undecided", "*")}},
    "battery-nearly-full": {"regulator": {("void", "not discharged"), ("void", "battery"), ("undecided", "*")}},
    "battery-deeply-discharged": {"regulator": {("undecided", "*"), ("pass", "none")}},
    "battery-frozen": {"regulator": {("void", "battery"), ("void", "not discharged")}},
    "joint-bad": {"regulator": {("fail", "connection")}},
    "joint-intermittent": {"regulator": {("fail", "connection")}},
    "governor-low": {"stator": {("void", "engine speed")}, "regulator": {("void", "engine speed")}},
    "governor-hunting": {"stator": {("void", "engine speed")}, "regulator": {("void", "engine speed")}},
    "tach-wrong-pulses": {
        "stator": {("void", "instrument")},
        "regulator": {("void", "instrument"), ("void", "engine speed")},
    },
    "meter-sleep": {
        "stator": {("void", "instrument"), ("pass", "none")},
        "regulator": {("void", "instrument"), ("pass", "none")},
    },
    "meter-hold": {
        "stator": {("void", "instrument"), ("pass", "none")},
        "regulator": {("void", "instrument"), ("pass", "none")},
    },
    "meter-overload": {
        "stator": {("void", "instrument"), ("pass", "none")},
        "regulator": {("void", "instrument"), ("pass", "none")},
    },
    "meter-wrong-dial": {"stator": {("void", "instrument")}, "regulator": {("void", "instrument")}},
    "meter-leads-reversed": {"regulator": {("void", "instrument")}},
    "meter-cut-frames": {"stator": {("pass", "none")}, "regulator": {("pass", "none")}},
    "meter-unplugged": {"stator": {("pass", "none")}, "regulator": {("pass", "none")}},
    "meter-clock-skew": {"regulator": {("pass", "none")}},
    "meter-fuse-blown": {"regulator": {("void", "instrument"), ("pass", "none")}},
}


#: Faults that show only once the regulator has come to work.
NEEDS_REGULATING = {
    "healthy", "regulator-stuck-on", "regulator-set-high", "regulator-set-low", "joint-bad", "battery-leaking",
    "meter-cut-frames", "meter-unplugged", "meter-clock-skew", "meter-sleep", "meter-hold", "meter-overload",
    "meter-fuse-blown", "battery-nearly-full",
}  # fmt: skip


def expected(fault: str, procedure: str, *, shown: bool = True, regulated: bool = True) -> set[tuple[str, str]]:
    """The right (verdict, suspect) pairs. `shown`: rated output truly flowed for more than two readings; `regulated`:
    the regulator truly came to work (or the volts passed the ceiling) within the time a run may take."""
    wanted = set(EXPECTED[fault].get(procedure, {("pass", "none")}))
    if procedure == "regulator" and fault in NEEDS_REGULATING:
        if not regulated:
            return wanted - {("pass", "none")} | {("undecided", "*")}
        if not shown:
            return wanted - {("pass", "none")} | {("void", "not discharged"), ("void", "battery")}
        if fault == "battery-nearly-full":
            wanted.add(("pass", "none"))
    return wanted


def right(verdict: str, suspect: str, wanted: set[tuple[str, str]]) -> bool:
    """Whether this verdict is one that the trade would give."""
    return (verdict, suspect) in wanted or (verdict, "*") in wanted


def wrong(verdict: str, suspect: str, wanted: set[tuple[str, str]]) -> bool:
    """A wrong verdict: a pass or fail that the trade would not give. Undecided and void sell nothing."""
    return verdict in ("pass", "fail") and not right(verdict, suspect, wanted)
