"""What the battery procedures say to the operator: hook-ups, cautions at their moment. Own words."""

from __future__ import annotations

from benchd.core.events import Caution, JudgeEvent, Prompt
from benchd.core.procedures.words import FROZEN, GAS

SPARKS = "Sparks and gas: tester OFF before its clips go on or come off. Battery gas explodes. Eyes covered, no flame."
HOT_TESTER = "The tester gets hot enough to burn: 15 s at a time, then let it cool for a minute. Never hold on longer."
NO_JACK = (
    "Never through a meter's jack: hundreds of amps blow its fuse or burst it. Amps come from a clamp or a shunt made "
    "for them."
)
METAL = "Rings, watches and tools off the battery: a short through them burns at once."
CHARGED_ID, TAKE_OFF_ID, HOOK_UP_ID = "charged-lately", "take-off", "hook-up"


def charge_opening() -> list[JudgeEvent]:
    """Hook-up and cautions of a state-of-charge test; the questions follow one by one."""
    return [
        Caution(0, GAS),
        Caution(0, METAL),
        Prompt(
            0,
            HOOK_UP_ID,
            "Engine, charger and lamps off. Voltmeter (DC volts) across the battery posts, red to plus.",
            ("done",),
            GAS,
        ),
        Prompt(0, CHARGED_ID, "Was it charged, or did the engine run, within the last hours?", ("no", "yes")),
    ]


def take_off(t_ns: int, why: str, load_amps: float | None) -> Prompt:
    """The standard load that takes surface charge off."""
    tester = "" if load_amps is None else f"the load tester at {load_amps:.0f} A for 15 s, or "
    return Prompt(
        t_ns,
        TAKE_OFF_ID,
        f"{why} Take the surface charge off: {tester}the lamps on for a minute; then everything off, and answer done.",
        ("done", "skip"),
        SPARKS,
    )


def load_opening(amps: float) -> list[JudgeEvent]:
    """Hook-up, cautions and conditions of a load test."""
    return [
        Caution(0, GAS),
        Caution(0, SPARKS),
        Caution(0, HOT_TESTER),
        Caution(0, NO_JACK),
        Caution(0, FROZEN),
        Prompt(
            0,
            HOOK_UP_ID,
            "Engine and charger off, battery cables off or everything switched off. Tester OFF, its clips on the posts. "
            "Voltmeter on the posts themselves, not on the clips. Clamp around ONE tester cable, arrow away from plus.",
            ("done",),
            SPARKS,
        ),
    ]


def apply_load(t_ns: int, amps: float, seconds: float) -> Prompt:
    text = f"Now load it: {amps:.0f} A, hold for {seconds:.0f} s. The clock starts by itself; let go when told."
    return Prompt(t_ns, "apply-load", text, (), HOT_TESTER)


def hold(t_ns: int, amps: float) -> Prompt:
    return Prompt(t_ns, "hold", f"Hold {amps:.0f} A until you are told to let go.", ())


def let_go(t_ns: int) -> Prompt:
    return Prompt(t_ns, "let-go", "LET GO of the load now. Leave the meters on: the volts come back.", ())


def recovery(t_ns: int) -> Prompt:
    return Prompt(t_ns, "recovery", "Load off. Touch nothing for a moment: the volts come back.", ())
