"""What some runs found beyond measured values: joints one by one, contacts, cranking speed, the charge a battery wants."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd_dashboards.paper import figures
from benchd_dashboards.paper.sheet import Block, figure, table, text
from benchd_dashboards.paper.words import number, one_line, plain, quantity

Data = Mapping[str, Any]


def finding_blocks(verdict: Data) -> Iterator[Block]:
    """Tables and curves of a verdict's own keys; nothing where it has none."""
    joints, contacts = _records(verdict, "joints"), _records(verdict, "contacts")
    if joints:
        yield table(
            ("no.", "joint", "side", "volts", "amps", "at rated amps", "lost", "called"),
            [_joint(one, verdict.get("measured") or {}) for one in joints],
            (0.6, 3.6, 1.3, 2.5, 1.1, 2.5, 1, 1.5),
        )
    if contacts:
        rows = [
            (one.get("where"), one.get("expected"), _with(one.get("ohms"), "ohm"), one.get("call")) for one in contacts
        ]
        yield table(("contact", "asked", "measured", "called"), rows, (5, 2, 2, 2))
    points = verdict.get("volts_against_rpm")
    if isinstance(points, Sequence) and len(points) > 2:
        yield figure(_against_speed(points), f"Battery volts against cranking speed, {len(points)} readings", "", 0.6)
    charge = verdict.get("charge_needed")
    if isinstance(charge, Mapping):
        yield text(_charge(charge), "small")


def _records(verdict: Data, key: str) -> list[Data]:
    found = verdict.get(key)
    return [one for one in found if isinstance(one, Mapping)] if isinstance(found, list | tuple) else []


def _joint(one: Data, measured: Data) -> tuple[str, ...]:
    loose = ", loose" if one.get("loose") else ""
    return (
        one_line(one.get("number")),
        one_line(one.get("name")),
        one_line(one.get("side")),
        _measured(measured, f"joint_{one.get('number')}_volts", one.get("volts")),
        _with(one.get("amps"), "A"),
        _measured(measured, f"joint_{one.get('number')}_volts_at_rated", one.get("volts_at_rated")),
        _with(one.get("watts_at_rated"), "W", 2),
        one_line(one.get("call")) + loose,
    )


def _measured(measured: Data, name: str, value: object) -> str:
    found = measured.get(name)
    return quantity(found) if isinstance(found, Mapping) else _with(value, "V")


def _with(value: object, unit: str, digits: int = 3) -> str:
    found = number(value)
    return "" if found is None else f"{found:.{digits}g} {unit}"


def _against_speed(points: Sequence[Sequence[float]]) -> str:
    with figures.drawing(figures.WIDTH_IN * 0.6, 1.9) as (drawn, buffer):
        axes = drawn.subplots()
        drawn.subplots_adjust(left=0.16, right=0.97, top=0.95, bottom=0.24)
        figures.bare(axes)
        axes.plot([one[0] for one in points], [one[1] for one in points], "o", color=figures.INK, markersize=2)
        axes.set_xlabel("cranking speed, rpm", fontsize=7)
        axes.set_ylabel("battery volts", fontsize=7)
        axes.margins(x=0.03)
    return figures.svg_of(buffer)


def _charge(charge: Data) -> str:
    def spread(key: str, unit: str) -> str:
        ends = [found for one in charge.get(key) or () if (found := number(one)) is not None]
        return (
            f"{plain(min(ends))} to {plain(max(ends))} {unit}"
            if len(set(ends)) > 1
            else f"{plain(ends[0])} {unit}"
            if ends
            else ""
        )

    amps = number(charge.get("charger_amps"))
    at = "" if amps is None else f" at {plain(amps)} A"
    return f"Charge that it wants: {spread('amp_hours', 'Ah')}, about {spread('hours', 'h')}{at}."
