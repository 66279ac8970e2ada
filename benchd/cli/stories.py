"""Three machines of the demo: what is wrong with each, and what its operator says and an eye sees of it.

In words of the causes file (configs/causes/common.toml); whatever is not named is unremarkable. What a fault makes
people say and see is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

ORDINARY: Mapping[str, str] = {
    "takes-charge": "yes", "holds-charge": "yes", "runs-down": "not", "onset": "unsure", "cranks": "normally",
    "hard-start": "no", "added-load": "no", "last-repair": "nothing", "use": "normal", "frozen": "no",
    "battery-case": "sound", "terminals": "good", "electrolyte-level": "right", "stator-leads": "good",
    "regulator-plug": "good", "regulator-case": "sound", "grounds": "good", "breaker": "closed", "switch": "good",
    "run-machine": "ordinary",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Story:
    """`faults` are the virtual bench's; `truth` is an outcome of the causes file by question or look. `then`: what a look
    shows once causes are mended: (those that must be, outcome), the last that holds counts."""

    complaint: str
    faults: tuple[str, ...]
    truth: Mapping[str, str]
    then: Mapping[str, tuple[tuple[frozenset[str], str], ...]]

    def says(self, item: str, mended: Collection[str] = ()) -> str | None:
        """What the operator answers, or what is seen now that these causes are mended; None for what this story does not
        know of."""
        seen = self.truth.get(item, ORDINARY.get(item))
        for causes, outcome in self.then.get(item, ()):
            seen = outcome if causes <= {*mended} else seen
        return seen


_JOINT, _CELL, _STUCK = (frozenset({one}) for one in ("joint-loose", "battery-dead-cell", "regulator-stuck-on"))


STORIES: Mapping[str, Story] = {
    "joint": Story(
        "Sometimes it cranks slowly, sometimes it only clicks.",
        ("joint-loose",),
        {
            "runs-down": "quick", "onset": "sudden", "cranks": "slowly", "terminals": "loose",
            "run-machine": "cranks-slowly",
        },
        {"terminals": ((_JOINT, "good"),), "run-machine": ((_JOINT, "ordinary"),)},
    ),
    "cell": Story(
        "Flat every morning, though we charge it.",
        ("battery-dead-cell",),
        {
            "takes-charge": "poorly", "holds-charge": "overnight", "runs-down": "slow", "onset": "sudden",
            "cranks": "slowly", "electrolyte-level": "one-low", "run-machine": "cranks-slowly",
        },
        {"electrolyte-level": ((_CELL, "right"),), "run-machine": ((_CELL, "ordinary"),)},
    ),
    "stuck-on": Story(
        "The third battery in two years, and it smells.",
        ("regulator-stuck-on", "battery-dead-cell"),
        {
            "takes-charge": "poorly", "holds-charge": "overnight", "runs-down": "quick", "cranks": "slowly",
            "last-repair": "battery", "battery-case": "wet", "electrolyte-level": "low", "run-machine": "no-charge",
        },
        {
            "battery-case": ((_CELL, "sound"),), "electrolyte-level": ((_CELL, "right"),),
            "run-machine": ((_CELL, "high-volts"), (_CELL | _STUCK, "ordinary")),
        },
    ),
}  # fmt: skip
