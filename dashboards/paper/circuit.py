"""The charging circuit of a machine, drawn from its spec: as SVG by schemdraw, as lines of text for a terminal.

Where a spec says nothing (joints, breaker, switch) the circuit is drawn without a number or a rating there: the parts
of an outdoor machine's charging system are the same, what is asked of them is not.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchd_dashboards.paper.words import clipped, number, one_line, plain

Spec = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Part:
    """One joint of the wire: its number ('' where it has none), and what it is drawn as: '', 'breaker' or 'switch'."""

    no: str
    symbol: str
    words: str


def _part(no: str, name: str, breaker_amps: float | None) -> Part:
    said = name.lower()
    if "breaker" in said or "fuse" in said:
        return Part(no, "breaker", _rated(breaker_amps))
    return Part(no, "switch", "key switch") if "switch" in said else Part(no, "", "")


def _rated(amps: float | None) -> str:
    return "breaker" if amps is None else f"{plain(amps)} A"


@dataclass(frozen=True, slots=True)
class Circuit:
    """What of a machine's wiring its spec tells. `joints` and `grounds` in the order of the current."""

    leads: tuple[str, ...]
    windings: tuple[tuple[int, ...], ...]  # places of the leads that hang together
    joints: tuple[str, ...]
    grounds: tuple[str, ...]
    breaker_amps: float | None
    positions: tuple[tuple[str, tuple[str, ...]], ...]
    poles: int | None

    @property
    def wire(self) -> list[Part]:
        """What the positive wire runs through, in order: the joints, and a breaker that none of them names."""
        found = [_part(str(place), name, self.breaker_amps) for place, name in enumerate(self.joints, 1)]
        if self.breaker_amps is not None and not any(part.symbol == "breaker" for part in found):
            found.insert((len(found) + 1) // 2, Part("", "breaker", _rated(self.breaker_amps)))
        return found

    @property
    def legend(self) -> list[tuple[str, str, str]]:
        """(number, side, name) of every joint, numbered through as the voltage drop test asks for them."""
        sides = [("positive side", one) for one in self.joints] + [("ground side", one) for one in self.grounds]
        return [(str(place), side, name) for place, (side, name) in enumerate(sides, 1)]


def circuit_of(spec: Spec) -> Circuit:
    wiring, stator = spec.get("wiring") or {}, spec.get("stator") or {}
    pairs = stator.get("lead_pairs") or ["lead 1 - lead 2"]
    switch = wiring.get("switch") or {}
    leads, windings = _leads(pairs)
    return Circuit(
        leads=leads,
        windings=windings,
        joints=tuple(one_line(one) for one in wiring.get("joints") or ()),
        grounds=tuple(one_line(one) for one in wiring.get("ground_joints") or ()),
        breaker_amps=number(wiring.get("breaker_amps")),
        positions=tuple((one_line(name), tuple(one_line(one) for one in joins)) for name, joins in switch.items()),
        poles=stator.get("magnet_poles"),
    )


def _leads(pairs: Sequence[str]) -> tuple[tuple[str, ...], tuple[tuple[int, ...], ...]]:
    """The leads that the pairs are made of, and which of them hang together. A pair that names no two leads stands for
    two of its own."""
    names: list[str] = []
    winding: dict[str, int] = {}
    for place, pair in enumerate(pairs):
        ends = [one.strip() for one in re.split(r"\s+[-–]\s+", one_line(pair)) if one.strip()]
        ends = ends if len(ends) == 2 else [f"{one_line(pair)}, a", f"{one_line(pair)}, b"]
        joined = {winding[end] for end in ends if end in winding}
        names += [end for end in dict.fromkeys(ends) if end not in winding]
        winding |= dict.fromkeys([one for one, its in winding.items() if its in joined], place)
        winding |= dict.fromkeys(ends, place)
    groups = (
        tuple(at for at, name in enumerate(names) if winding[name] == one) for one in dict.fromkeys(winding.values())
    )
    return tuple(names), tuple(groups)


# --- as a drawing -------------------------------------------------------------------------------------------------------

WIDE, PITCH, ROUND = 25.2, 0.8, 0.28
STATOR_X, REGULATOR_X, PLUS_X = 0.0, 5.4, 8.6
BUS_Y = 0.0
SMALL, USUAL = 6.5, 7.5  # points
BROAD = 1.2  # of a breaker or switch in the wire


def svg(circuit: Circuit, width_in: float = 6.9) -> str:
    """The drawing, letters as paths. schemdraw is imported here: it costs a second."""
    import schemdraw
    from benchd_dashboards.paper.figures import drawing, svg_of

    plan = _Plan(circuit)
    top, bottom = BUS_Y + 2.1, plan.ground_y - 1.1
    with drawing(width_in, width_in * (top - bottom) / WIDE) as (figure, buffer):
        axes = figure.add_axes((0, 0, 1, 1))
        made = schemdraw.Drawing(canvas=axes, show=False)
        made.config(fontsize=USUAL, lw=1.1, font="DejaVu Sans", color="black")
        for part in (_stator, _regulator, _positive, _battery, _ground, _loads):
            part(made, plan)
        made.draw(show=False)
        axes.set(xlim=(-0.3, WIDE - 0.3), ylim=(bottom, top), aspect="equal")
        axes.set_axis_off()
    return svg_of(buffer)


class _Plan:
    """Where things stand, in units of the drawing."""

    def __init__(self, circuit: Circuit) -> None:
        self.circuit = circuit
        self.lead_ys = [BUS_Y - 0.2 - PITCH * place for place in range(len(circuit.leads))]
        self.box_bottom = min(self.lead_ys[-1] - 0.5, BUS_Y - 1.9)
        self.ground_y = self.box_bottom - 1.3
        self.case_x = (REGULATOR_X + PLUS_X) / 2
        self.wire = circuit.wire
        broad = BROAD * sum(bool(part.symbol) for part in self.wire)
        self.step = min(0.8, max(5.2 - broad, 2.0) / max(len(self.wire), 1))
        self.battery_x = PLUS_X + self.step * len(self.wire) + broad + 1.9
        self.key_x, self.starter_x = self.battery_x + 3.5, self.battery_x + 6.5


def _stator(made: Any, plan: _Plan) -> None:
    """The windings with their leads, and where the AC voltmeter goes."""
    import schemdraw.elements as elm

    circuit, ys = plan.circuit, plan.lead_ys
    made += elm.Rect(corner1=(STATOR_X, plan.box_bottom), corner2=(STATOR_X + 2.6, BUS_Y + 0.6)).at((0, 0)).theta(0)
    magnets = f", {circuit.poles} magnets" if circuit.poles else ""
    made += _words(f"STATOR{magnets}", STATOR_X, BUS_Y + 0.72, "left", "bottom")
    for y, name in zip(ys, circuit.leads, strict=True):
        made += elm.Inductor2(loops=3).endpoints((STATOR_X + 0.5, y), (STATOR_X + 2.1, y))
        made += elm.Line().endpoints((STATOR_X + 2.1, y), (REGULATOR_X, y))
        made += _words(clipped(name, 8), STATOR_X + 2.7, y + 0.06, "left", "bottom", SMALL)
    for group in circuit.windings:
        made += elm.Line().endpoints((STATOR_X + 0.5, ys[group[0]]), (STATOR_X + 0.5, ys[group[-1]]))
    plug = REGULATOR_X - 0.5
    made += elm.Line().endpoints((plug, BUS_Y + 0.3), (plug, ys[-1] - 0.4)).linestyle("--")
    made += _words("plug", plug, ys[-1] - 0.45, down="top", size=SMALL)
    if len(ys) > 1:
        _meter(made, "V", REGULATOR_X - 1.2, (ys[0] + ys[1]) / 2)
        made += _words("AC volts", REGULATOR_X - 1.2, BUS_Y + 0.3, down="bottom", size=SMALL)


def _regulator(made: Any, plan: _Plan) -> None:
    import schemdraw.elements as elm

    made += elm.Rect(corner1=(REGULATOR_X, plan.box_bottom), corner2=(PLUS_X, BUS_Y + 0.6)).at((0, 0)).theta(0)
    made += _words("REGULATOR", plan.case_x, BUS_Y + 0.72, down="bottom")
    made += _words("AC", REGULATOR_X + 0.15, plan.lead_ys[0], "left")
    made += _words("+", PLUS_X - 0.15, BUS_Y, "right", size=10)
    made += _words("case", plan.case_x, plan.box_bottom + 0.15, down="bottom", size=SMALL)


def _positive(made: Any, plan: _Plan) -> None:
    """From the regulator's plus over joints, breaker and ammeter to the battery's post."""
    import schemdraw.elements as elm

    x = PLUS_X
    for part in plan.wire:
        made += elm.Line().endpoints((x, BUS_Y), (x + plan.step, BUS_Y))
        x += plan.step
        if part.symbol:
            symbol = elm.Breaker() if part.symbol == "breaker" else elm.Switch()
            made += symbol.endpoints((x, BUS_Y), (x + BROAD, BUS_Y))
            made += _words(part.words, x + BROAD / 2, BUS_Y - 0.25, down="top", size=SMALL)
            made += _words(part.no, x + BROAD / 2, BUS_Y + 0.55, down="bottom")
            x += BROAD
        else:
            _joint(made, x, BUS_Y, part.no)
    made += elm.Line().endpoints((x, BUS_Y), (plan.battery_x, BUS_Y))
    _round(made, "A", (x + plan.battery_x) / 2, BUS_Y)
    made += elm.Dot().at((plan.battery_x, BUS_Y))


def _joint(made: Any, x: float, y: float, name: str) -> None:
    """A ring on the wire, its number above it."""
    import schemdraw.elements as elm

    made += elm.Dot(open=True, radius=0.11).at((x, y))
    made += _words(name, x, y + 0.2, down="bottom")


def _round(made: Any, letter: str, x: float, y: float) -> None:
    """The ammeter in the wire."""
    import schemdraw.elements as elm

    made += elm.Dot(open=True, radius=ROUND).at((x, y))
    made += _words(letter, x, y, size=8)
    made += _words("DC amps,\nor clamp \u2192", x, y + 0.4, down="bottom", size=SMALL)


def _meter(made: Any, letter: str, x: float, y: float) -> None:
    """A voltmeter between two wires one pitch apart, dotted: it is clipped on."""
    import schemdraw.elements as elm

    made += elm.Line().endpoints((x, y - PITCH / 2), (x, y + PITCH / 2)).linestyle(":")
    made += elm.Dot(open=True, radius=ROUND).at((x, y))
    made += _words(letter, x, y, size=8)


def _battery(made: Any, plan: _Plan) -> None:
    """The battery, and the voltmeter on its posts."""
    import schemdraw.elements as elm

    x, middle = plan.battery_x, (BUS_Y + plan.ground_y) / 2
    made += elm.Line().endpoints((x, BUS_Y), (x, middle + 0.5))
    made += elm.Battery().endpoints((x, middle - 0.5), (x, middle + 0.5))
    made += elm.Line().endpoints((x, middle - 0.5), (x, plan.ground_y))
    made += _words("BATTERY", x - 0.65, middle, "right")
    made += _words("+", x - 0.35, middle + 0.75, size=9)
    for y in (middle + 0.9, middle - 0.9):
        made += elm.Line().endpoints((x, y), (x + 1.2, y)).linestyle(":")
    made += elm.Line().endpoints((x + 1.2, middle - 0.9), (x + 1.2, middle + 0.9)).linestyle(":")
    made += elm.Dot(open=True, radius=ROUND).at((x + 1.2, middle))
    made += _words("V", x + 1.2, middle, size=8)
    made += _words("DC volts,\non the\nposts", x + 1.65, middle, "left", size=SMALL)


def _ground(made: Any, plan: _Plan) -> None:
    """From the battery's minus over the ground joints to engine block and regulator case."""
    import schemdraw.elements as elm

    circuit, y = plan.circuit, plan.ground_y
    made += elm.Line().endpoints((plan.case_x, plan.box_bottom), (plan.case_x, y))
    made += elm.Line().endpoints((plan.case_x, y), (plan.battery_x, y))
    step = (plan.battery_x - plan.case_x) / (len(circuit.grounds) + 1)
    for place in range(len(circuit.grounds)):
        _joint(made, plan.case_x + step * (place + 1), y, str(len(circuit.joints) + 1 + place))
    made += elm.Dot().at((plan.case_x, y))
    made += elm.GroundChassis().at((plan.case_x, y))
    made += _words("engine block, frame", plan.case_x + 0.5, y - 0.25, "left", "top", SMALL)


def _loads(made: Any, plan: _Plan) -> None:
    """Key switch with the loads, and the starter with its solenoid, each to ground."""
    import schemdraw.elements as elm

    low, half = plan.ground_y, BUS_Y - 1.5
    made += elm.Line().endpoints((plan.battery_x, BUS_Y), (plan.starter_x, BUS_Y))
    made += elm.Line().endpoints((plan.battery_x, low), (plan.starter_x, low))
    rows = (
        (plan.key_x, elm.Switch(), _key_words(plan), elm.Lamp(), "lamps,\nclutch ..."),
        (plan.starter_x, elm.Button(), "SOLENOID", elm.Motor(), "STARTER"),
    )
    for x, contact, its_name, load, load_name in rows:
        made += contact.endpoints((x, BUS_Y), (x, half))
        made += load.endpoints((x, half), (x, low))
        made += _words("M" if load_name == "STARTER" else "", x, (half + low) / 2, size=8)
        made += _words(its_name, x + 0.4, (BUS_Y + half) / 2, "left", size=SMALL)
        made += _words(load_name, x + 0.65, (half + low) / 2, "left", size=SMALL)


def _key_words(plan: _Plan) -> str:
    in_the_wire = any(part.symbol == "switch" for part in plan.wire)
    return "KEY SWITCH,\nother contacts" if in_the_wire else "KEY\nSWITCH"


def _words(said: str, x: float, y: float, across: str = "center", down: str = "center", size: float = USUAL) -> Any:
    import schemdraw.elements as elm

    return (
        elm.Label()
        .at((x, y))
        .theta(0)
        .label(said, halign=across, valign=down, fontsize=size, loc="center", ofst=(0, 0))
        .zorder(9)
    )


# --- as text ------------------------------------------------------------------------------------------------------------


def text(circuit: Circuit) -> Iterator[str]:
    """The same in lines of at most 78 plain characters."""
    leads = [clipped(one, 12) for one in circuit.leads]
    yield " STATOR                    REGULATOR"
    yield "+--------+               +-----------+"
    for place, name in enumerate(leads):
        out = "  +  --->  positive side, below" if place == 0 else ""
        yield f"| coil   |-{name:-<12}-#-| AC        |{out}"
    yield "+--------+           plug| case      |-------- ground side, below"
    yield "                         +-----------+"
    yield ""
    wire = "".join(f"{_in_text(part)}-" for part in circuit.wire)
    yield from _runs_on("positive:  ", f"regulator + -{wire}<AMPS>-> battery +")
    back = "".join(f"({len(circuit.joints) + place})-" for place in range(1, len(circuit.grounds) + 1))
    yield from _runs_on("ground:    ", f"regulator case -engine block, frame-{back} battery -")
    yield "starting:  battery + -[solenoid]- starter -engine block"
    yield "key:       battery + -[key switch]- lamps and other loads -frame"


def _in_text(part: Part) -> str:
    no = f"({part.no})" if part.no else ""
    return (
        f"{no}[{part.words if part.symbol == 'switch' else 'breaker ' + part.words if part.words != 'breaker' else part.words}]"
        if part.symbol
        else no
    )


def _runs_on(lead: str, said: str) -> Iterator[str]:
    """A wire that is too long for one line goes on in the next."""
    room = 78 - len(lead)
    while len(said) > room:
        cut = max(said.rfind("-(", 0, room), said.rfind("-[", 0, room), said.rfind("-<", 0, room)) + 1 or room
        yield lead + said[:cut]
        lead, said = " " * len(lead), said[cut:]
    yield lead + said
