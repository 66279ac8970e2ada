"""Words and figures of the visit's pages."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any


def chance(probability: float) -> str:
    """A probability in percent that never claims to be certain."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def minutes(value: float) -> str:
    return "under a minute" if value < 1 else f"{value:.0f} min"


def moved(factor: float) -> str:
    """What a piece of evidence did to the odds of a cause."""
    if factor >= 1:
        return f"for it, odds x {factor:.2g}" if factor < 1000 else "all but proves it"
    return f"against it, odds / {1 / factor:.2g}" if factor > 0.001 else "all but rules it out"


def day(at: str | None) -> str:
    return "" if not at else str(at)[5:16].replace("T", " ")


#: Tables of a machine file in the order of the current, and what they are for.
_TABLES = (
    ("stator", "stator, regulator unplugged"),
    ("regulator", "regulator, at full throttle"),
    ("battery", "battery"),
    ("starting", "starting"),
    ("wiring", "wiring"),
)


def machine_lines(spec: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """(line, role): the circuit in the order of the current, and the limits from the manual."""
    machine = spec.get("machine", {})
    yield f"{machine.get('name', '')}  ({machine.get('manual', 'manual not named')})", "head"
    yield from ((line, "") for line in circuit(spec))
    low, high = spec.get("engine", {}).get("full_throttle_rpm", ("?", "?"))
    yield f"full throttle: {low} to {high} rpm", ""
    for table, title in _TABLES:
        if table in spec:
            yield title, "head"
            yield from ((f"  {line}", "") for line in _limits(spec[table]))


def circuit(spec: Mapping[str, Any]) -> list[str]:
    """The charging circuit in a few characters; what the spec names stands in it."""
    leads = 1 + len(spec.get("stator", {}).get("lead_pairs", ())[:2])
    leads = 2 if leads < 3 else 3
    amps = spec.get("wiring", {}).get("breaker_amps")
    breaker = f"[breaker {amps:g} A]" if amps else "-----------"
    wire = "=" if leads == 2 else "≡"
    return [
        f"  magnets (( stator {wire * 3}AC{wire * 3} [regulator] --DC--{breaker}--( A )--+ battery",
        f"             {leads} leads          | ground                          - |",
        "                              +------------- engine block ---------+",
    ]


def _limits(table: Mapping[str, Any]) -> Iterator[str]:
    for key, value in table.items():
        name = key.replace("_", " ")
        if isinstance(value, list) and value and isinstance(value[0], Mapping):
            rows = "; ".join(", ".join(f"{part} {one}" for part, one in row.items()) for row in value)
            yield f"{name}: {rows}"
        elif isinstance(value, list):
            numbers = all(isinstance(one, int | float) for one in value)
            yield f"{name}: {' to '.join(f'{one:g}' for one in value) if numbers else ', '.join(map(str, value))}"
        elif isinstance(value, Mapping):
            yield f"{name}: " + "; ".join(f"{part}: {', '.join(map(str, one))}" for part, one in value.items())
        else:
            yield f"{name}: {value}"
