"""The page of a machine: know the system before anything is measured on it.

    {"spec": the machine file parsed, "file", "shop", "printed", "program",
     "runs": [{"procedure", "channels": [names], "hook_up": text, "cautions": [text], "lacks": text}]}

`lacks` says why a run cannot be made with this file; then nothing else is told of it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from benchd_dashboards.paper import circuit as drawn
from benchd_dashboards.paper.customer import PROCEDURES
from benchd_dashboards.paper.limits import limit_rows
from benchd_dashboards.paper.sheet import Block, facts, figure, heading, keep, table, text
from benchd_dashboards.paper.words import clipped, joined, moment, one_line, titled

Data = Mapping[str, Any]
WIDE = 78
ELSEWHERE = frozenset({"joints", "ground_joints", "switch"})  # they have a place of their own on the page


def sheet(data: Data) -> dict[str, Any]:
    spec = data["spec"]
    machine = spec.get("machine") or {}
    name = one_line(machine.get("name"))
    return {
        "title": clipped(name, 60),
        "over": clipped(f"{name}, page of the machine", 90),
        "shop": clipped(data.get("shop"), 40),
        "strip": None,
        "foot": clipped(
            f"From {one_line(data.get('file'))}, printed {moment(data.get('printed'))} by {one_line(data.get('program'))}",
            95,
        ),
        "printed": data.get("printed"),
        "blocks": list(_blocks(data, drawn.circuit_of(spec))),
    }


def _blocks(data: Data, circuit: drawn.Circuit) -> Iterator[Block]:
    spec = data["spec"]
    yield text(f"Limits from: {one_line((spec.get('machine') or {}).get('manual'))}", "lead")
    yield heading(2, "The circuit")
    said = (
        f"Stator with {len(circuit.leads)} leads, regulator, breaker, battery, key switch, starter and their grounds."
    )
    yield figure(drawn.svg(circuit), said, _caption(circuit))
    if circuit.legend:
        yield heading(3, "Joints, in the order in which the voltage drop test asks for them")
        yield table(("no.", "side", "joint"), circuit.legend, (0.6, 2, 7))
    if circuit.positions:
        yield heading(3, "Key switch: what is joined to what")
        yield table(
            ("position", "joins"), [(name, joined(joins) or "nothing") for name, joins in circuit.positions], (2, 7)
        )
    yield heading(2, "What the manual asks for")
    yield table(("part", "limit", "value"), limit_rows(spec, ELSEWHERE), (2, 5, 4))
    yield heading(2, "Where the meters go")
    for run in data.get("runs") or ():
        yield keep(_run(run))


def _caption(circuit: drawn.Circuit) -> str:
    if circuit.legend:
        return "Rings with a number: the joints, listed below. Dotted: where the meters are clipped on."
    return "The machine file names no joints (keys joints and ground_joints of [wiring]). Dotted: where the meters are clipped on."


def _run(run: Data) -> Iterator[Block]:
    name = one_line(run.get("procedure"))
    about = PROCEDURES.get(name, "")
    yield heading(3, f"{name.capitalize()}: {about}" if about else name.capitalize())
    if run.get("lacks"):
        yield text(run["lacks"], "small")
        return
    yield facts(
        [("Channels", joined(titled(one) for one in run.get("channels") or ())), ("Hook-up", run.get("hook_up"))]
    )
    for one in run.get("cautions") or ():
        yield text(one, "caution")


# --- for a terminal -----------------------------------------------------------------------------------------------------


def lines(data: Data, width: int = WIDE) -> list[str]:
    """The page in plain letters, no line wider than `width` (78 at least for the circuit)."""
    spec = data["spec"]
    machine = spec.get("machine") or {}
    circuit = drawn.circuit_of(spec)
    found = [one_line(machine.get("name")), f"limits from: {one_line(machine.get('manual'))}", ""]
    found += [line for line in drawn.text(circuit)]
    for no, side, name in circuit.legend:
        found += _wrapped(f"({no}) ", f"{side}: {name}", width)
    for position, joins in circuit.positions:
        found += _wrapped(f"key {position}: ", f"joins {joined(joins) or 'nothing'}", width)
    found.append("")
    part_wide = 11
    for part, limit, value in limit_rows(spec, ELSEWHERE):
        found += _wrapped(f"{part:<{part_wide}}", f"{limit}: {value}", width)
    for run in data.get("runs") or ():
        found += ["", *_run_lines(run, width)]
    return found


def _run_lines(run: Data, width: int) -> Iterator[str]:
    name = one_line(run.get("procedure"))
    if run.get("lacks"):
        yield from _wrapped(f"{name}: ", one_line(run["lacks"]), width)
        return
    yield from _wrapped(f"{name}: ", joined(titled(one) for one in run.get("channels") or ()), width)
    yield from _wrapped("  ", one_line(run.get("hook_up")), width)
    for one in run.get("cautions") or ():
        yield from _wrapped("  CAUTION: ", one_line(one), width)


def _wrapped(lead: str, said: str, width: int) -> list[str]:
    lead = lead if len(lead) <= width // 2 else clipped(lead, width // 2)
    return textwrap.wrap(said, width, initial_indent=lead, subsequent_indent=" " * min(len(lead), 11)) or [
        lead.rstrip()
    ]
