"""What the procedures say to the operator: hook-ups, cautions at their moment, prompts. Own words, no figures but the spec's.

Sources of the cautions: shop practice and the published safety figures listed in tests/outside (hydrogen burns from
about 4 % in air; a discharged battery freezes at about -9 degC; carbon monoxide builds up in minutes indoors).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from benchd.core.events import Caution, JudgeEvent, Prompt
from benchd.core.specs import MachineSpec

if TYPE_CHECKING:
    from benchd.core.procedures.charging import ChannelFacts

EXHAUST = "Exhaust kills: run the engine outdoors or with the exhaust led outside. An open door or a fan is not enough."
TURNING = (
    "Turning and hot parts: housing on, hair, sleeves and leads clear of flywheel, belts and muffler. Ears covered."
)
GAS = "A charging battery gives off explosive gas and holds acid: eyes covered, no flame or spark, caps in place."
OPEN_STATOR = (
    "The open stator carries tens of volts AC as soon as the engine turns: clip on before the start, then hands off."
)
NEVER_OPEN = "Never open the battery or regulator connection with the engine running: the volts run away."
OVERVOLTAGE = (
    "Overcharge: the battery gasses hard and can spray acid. Throttle down, stay back, let it stand before unclipping."
)
FROZEN = "Never start, charge or load-test a battery that may be frozen: it can burst."
CRANKING = "Crank at most 15 s at a time, then let the starter cool for two minutes. Spark disabled as the manual says."
CRANK_AND_COOL = (
    "Discharge the battery a bit first: spark disabled as the manual says, crank in bursts of at most 15 s, let the "
    "starter cool for two minutes between them (or leave the lamps on for some minutes); then run again."
)
PROVE_AMMETER = (
    "The ammeter never showed any current in this run: before any part is bought, prove it (engine off, key and lamps "
    "on: it must show their draw), its fuse and its jack."
)
AMMETER_WENT_DEAD = (
    "The ammeter showed current before and shows nothing at all now: before any part is bought, prove it (engine off, key "
    "and lamps on: it must show their draw), its fuse and its jack."
)
AMPS_LEADS = (
    "Ammeter in the battery's wire, at its high-current jack, or the clamp around it, arrow toward the battery."
)


def percent(probability: float) -> str:
    """A probability for people; never claims to be certain."""
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def regulator_opening(spec: MachineSpec) -> Sequence[JudgeEvent]:
    """Hook-up, cautions and conditions of a regulator run."""
    low, high = spec.full_throttle_rpm
    return [
        Caution(0, EXHAUST),
        Caution(0, TURNING),
        Caution(0, GAS),
        Caution(0, NEVER_OPEN),
        Prompt(
            0,
            "hook-up",
            "Hook-up, engine stopped: regulator plugged in. Voltmeter (DC volts) across the battery posts, red to plus. "
            f"{AMPS_LEADS} Tachometer on. The battery must be a bit discharged.",
            ("done",),
            GAS,
        ),
        Prompt(
            0,
            "start-engine",
            f"Start the engine and open the throttle fully: {low:.0f} to {high:.0f} rpm. The test goes on by itself.",
            (),
            TURNING,
        ),
    ]


def stator_opening(spec: MachineSpec) -> Sequence[JudgeEvent]:
    """Hook-up, cautions and conditions of a stator run."""
    assert spec.stator is not None
    events: list[JudgeEvent] = [
        Caution(0, EXHAUST),
        Caution(0, TURNING),
        Caution(0, OPEN_STATOR),
        Prompt(
            0,
            "hook-up",
            "Hook-up, engine stopped: unplug the regulator. Voltmeter on AC volts, a range above "
            f"{2 * spec.stator.min_volts_ac:.0f} V, clipped to {spec.stator.lead_pairs[0]}. Tachometer on.",
            ("done",),
            OPEN_STATOR,
        ),
    ]
    if spec.stator.lead_ohms is not None:
        for index, pair in enumerate(spec.stator.lead_pairs, start=1):
            events.append(
                Prompt(0, f"lead-ohms:{index}", f"Ohms {pair}, leads zeroed (Enter alone to leave it out):", None)
            )
    if spec.stator.min_ground_ohms is not None:
        events.append(Prompt(0, "ground-ohms", "Ohms stator lead to ground, OL if open (Enter to leave it out):", None))
    events.append(start_stator(0, spec))
    return events


def start_stator(t_ns: int, spec: MachineSpec) -> Prompt:
    low, high = spec.full_throttle_rpm
    return Prompt(
        t_ns,
        "start-engine",
        f"Start the engine and open the throttle fully: {low:.0f} to {high:.0f} rpm. The test goes on by itself.",
        (),
        TURNING,
    )


def move_leads(t_ns: int, index: int, pair: str) -> list[JudgeEvent]:
    """Close the throttle, stop, move the meter to the next lead pair."""
    return [
        close_throttle(t_ns),
        Prompt(
            t_ns,
            f"lead-pair:{index}",
            f"Stop the engine. When it stands, move the voltmeter to {pair}.",
            ("done",),
            OPEN_STATOR,
        ),
    ]


def close_throttle(t_ns: int) -> Prompt:
    return Prompt(t_ns, "close-throttle", "Close the throttle, let it idle a moment, then stop the engine.", (), "")


def ask_celsius(t_ns: int) -> Prompt:
    return Prompt(
        t_ns, "battery-celsius", "Battery temperature in degC, a number such as 18 (Enter to leave it out):", None
    )


def rest_volts_says(t_ns: int, rest: float, spec: MachineSpec) -> list[JudgeEvent]:
    """Cautions and prompts that the resting battery calls for, before the engine starts."""
    if rest < 11.2:
        return [
            Caution(
                t_ns,
                f"The battery rests at {rest:.2f} V: a dead cell or run flat. Test the battery before this run; "
                "in the cold it may be frozen.",
            ),
            ask_celsius(t_ns),
        ]
    if rest < 12.0:
        return [
            Caution(
                t_ns,
                f"The battery rests at {rest:.2f} V: deeply discharged. The run may take longer than allowed; "
                "charge it with a charger first if time is short.",
            ),
            ask_celsius(t_ns),
        ]
    if rest > 12.65:
        return [
            Prompt(
                t_ns,
                "discharge",
                f"The battery rests at {rest:.2f} V, nearly full: the run could not prove the output. {CRANK_AND_COOL}",
                ("done", "skip"),
                CRANKING,
            )
        ]
    return []


def assumptions(*channels: ChannelFacts) -> tuple[str, ...]:
    """One sentence for each meter whose accuracy nobody stated."""
    told = []
    for facts in channels:
        model = facts.model
        if model.assumed and model.lines:
            line = model.lines[0]
            told.append(
                f"No accuracy statement for {facts.channel}: assumed {line.percent:g} % + {line.counts:g} count{'' if line.counts == 1 else 's'} "
                "(an ordinary meter; common practice, no source)."
            )
    return tuple(told)
